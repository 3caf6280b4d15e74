//! What to look at about the relaunch of a haul-out: told where a haul-out is answered.

use std::collections::HashMap;

use crate::db::Tx;
use crate::error::Result;
use crate::features::coats::store as coats;
use crate::features::haulouts::model::HaulOutWarning;
use crate::features::haulouts::store::HaulOut;
use crate::features::products::store as products;
use crate::features::treatments::model::relaunch::{LastAntifouling, warnings as judged};
use crate::features::treatments::store::plan::running;
use crate::features::vessels::model::Zone;
use crate::ids::HaulOutId;

/// What to look at about a relaunch, or about the launch that is still to come.
///
/// # Errors
/// Those of the database.
pub fn warnings(tx: &mut Tx<'_>, haul_out: &HaulOut) -> Result<Vec<HaulOutWarning>> {
    let antifoulings = last_antifoulings(tx, haul_out.id)?;
    let open_treatment = running(tx, haul_out.id)?;
    Ok(judged(haul_out.fields.relaunched_on, tx.now().date_naive(), &antifoulings, open_treatment))
}

/// The antifoulings put on in a haul-out that are the last coat on their zone and may not stand for ever before launch.
fn last_antifoulings(tx: &mut Tx<'_>, id: HaulOutId) -> Result<Vec<LastAntifouling>> {
    let mut last: HashMap<Zone, coats::Coat> = HashMap::new();
    for coat in coats::of_haul_out(tx, id)?.into_iter().filter(|coat| coat.fields.removed_on.is_none()) {
        last.insert(coat.fields.zone, coat);
    }
    let ids: Vec<_> = last.values().filter_map(|coat| coat.fields.product_id).collect();
    let mut found: Vec<LastAntifouling> = products::of_ids(tx, &ids)?
        .into_iter()
        .filter_map(|product| Some((product.id, product.fields.max_days_to_launch?, product.fields.name)))
        .flat_map(|(id, max_days_to_launch, product)| {
            last.values().filter(move |coat| coat.fields.product_id == Some(id)).map(move |coat| {
                LastAntifouling {
                    zone: coat.fields.zone,
                    product: product.clone(),
                    finished_on: coat.fields.finished_at.map_or(coat.fields.applied_on, |at| at.date_naive()),
                    max_days_to_launch,
                }
            })
        })
        .collect();
    found.sort_by_key(|own| own.zone);
    Ok(found)
}

//! The hulls ashore, with what goes on at each: the foreman's way to everything.

use std::collections::HashMap;

use actix_web::HttpRequest;
use askama::Template;
use serde::Deserialize;

use super::entry::{all, may};
use super::form;
use super::frame::{Frame, organisation_name, send};
use super::marks::day;
use super::session::PagePermit;
use super::yard_words::{headed, word};
use crate::db::Tx;
use crate::error::Result;
use crate::features::haulouts::store::{self as haulouts, HaulOut, HaulOutFilter};
use crate::features::sites;
use crate::features::treatments::model::entry::{TreatmentState, state};
use crate::features::treatments::store::plan::{PlansOf, entries_of, plans};
use crate::features::vessels::store as vessels;
use crate::http::{App, Outcome};
use crate::ids::{HaulOutId, TreatmentId, VesselId};
use crate::permissions::{Read, RecordWork, Survey as WriteSurvey};

/// Hulls of a page.
const ROWS: usize = 60;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Asked {
    from: Option<usize>,
}

struct Row {
    vessel_id: VesselId,
    haul_out_id: HaulOutId,
    name: String,
    place: String,
    since: String,
    reason: String,
    treatment: Option<(TreatmentId, String)>,
}

#[derive(Template)]
#[template(path = "ashore.html")]
struct AshorePage {
    frame: Frame,
    rows: Vec<Row>,
    count: usize,
    before: Option<usize>,
    next: Option<usize>,
    may_work: bool,
    may_survey: bool,
}

/// The treatments that are planned or go on, by time ashore.
fn going(tx: &mut Tx<'_>, ids: &[VesselId]) -> Result<HashMap<HaulOutId, (TreatmentId, String)>> {
    let planned = plans(tx, PlansOf::Vessels(ids))?;
    let of_plans: Vec<TreatmentId> = planned.iter().map(|plan| plan.id).collect();
    let mut entries: HashMap<TreatmentId, Vec<_>> = HashMap::new();
    for entry in entries_of(tx, &of_plans)? {
        entries.entry(entry.treatment_id).or_default().push(entry);
    }
    let told = planned.into_iter().filter_map(|plan| {
        let at = state(plan.version, entries.get(&plan.id).map(Vec::as_slice).unwrap_or_default());
        let words = format!("{} treatment, {}", headed(&plan.fields.kind), word(&at));
        (at != TreatmentState::Closed).then_some((plan.haul_out_id, (plan.id, words)))
    });
    Ok(told.collect())
}

/// The hulls ashore.
///
/// # Errors
/// Those of the database; invalid parameters.
pub async fn show(app: App, request: HttpRequest, permit: PagePermit<Read>) -> Outcome {
    let asked: Asked = form::query(&request)?;
    let from = asked.from.unwrap_or(0);
    let loaded = app.read(&permit.0, move |tx| {
        let filter = HaulOutFilter { vessel_id: None, open: Some(true), updated_since: None };
        let mut open: Vec<HaulOut> = all(|page| haulouts::list(tx, filter, page))?;
        open.sort_by_key(|lift| (lift.fields.lifted_on, lift.id));
        let count = open.len();
        let open: Vec<HaulOut> = open.into_iter().skip(from).take(ROWS).collect();
        let ids: Vec<VesselId> = open.iter().map(|lift| lift.fields.vessel_id).collect();
        let vessels = vessels::read_many(tx, &ids)?;
        let mut going = going(tx, &ids)?;
        let sites = sites::store::names(tx)?;
        let row = |lift: HaulOut| {
            let vessel = vessels.iter().find(|vessel| vessel.id == lift.fields.vessel_id)?;
            let site =
                sites.iter().find(|(id, _)| Some(*id) == vessel.fields.site_id).map(|(_, name)| name.clone());
            Some(Row {
                vessel_id: vessel.id,
                haul_out_id: lift.id,
                name: vessel.fields.name.clone(),
                place: [site, vessel.fields.berth.clone()]
                    .into_iter()
                    .flatten()
                    .collect::<Vec<_>>()
                    .join(", "),
                since: day(lift.fields.lifted_on),
                reason: word(&lift.fields.reason),
                treatment: going.remove(&lift.id),
            })
        };
        let rows: Vec<Row> = open.into_iter().filter_map(row).collect();
        Ok((rows, count, organisation_name(tx)?))
    });
    let (rows, count, organisation) = loaded.await?;
    let frame = Frame::of(&request, organisation, "ashore", "Ashore")?;
    let powers = permit.0.powers();
    send(&AshorePage {
        before: (from > 0).then(|| from.saturating_sub(ROWS)),
        next: (from.saturating_add(ROWS) < count).then(|| from.saturating_add(ROWS)),
        may_work: may::<RecordWork>(powers),
        may_survey: may::<WriteSurvey>(powers),
        frame,
        rows,
        count,
    })
}

//! All that is recorded of some vessels, a query a kind of record.

use std::collections::HashMap;

use crate::db::Tx;
use crate::error::Result;
use crate::features::coats::store::film::{self as films, Film};
use crate::features::coats::store::{self as coats, Coat};
use crate::features::haulouts::store::{self as haulouts, HaulOut};
use crate::features::surveys::store::finding::Finding;
use crate::features::surveys::store::survey::SignedSurvey;
use crate::features::surveys::store::{self as surveys};
use crate::features::treatments::store::{self as treatments, Treatment};
use crate::features::vessels::store::{self as vessels, Vessel};
use crate::ids::VesselId;

/// The records of one vessel; surveys are the signed ones, and what was withdrawn is left out.
#[derive(Debug, Clone)]
pub struct Records {
    /// The vessel.
    pub vessel: Vessel,
    /// Its haul-outs.
    pub haul_outs: Vec<HaulOut>,
    /// Its signed surveys.
    pub surveys: Vec<SignedSurvey>,
    /// Its findings.
    pub findings: Vec<Finding>,
    /// Its coats.
    pub coats: Vec<Coat>,
    /// The measured films of its coats that no other took the place of, by coat and time.
    pub films: Vec<Film>,
    /// Its treatments.
    pub treatments: Vec<Treatment>,
}

fn by_vessel<T>(rows: Vec<T>, vessel_id: impl Fn(&T) -> VesselId) -> HashMap<VesselId, Vec<T>> {
    let mut sorted: HashMap<VesselId, Vec<T>> = HashMap::new();
    for row in rows {
        sorted.entry(vessel_id(&row)).or_default().push(row);
    }
    sorted
}

/// The records of those of the vessels that exist.
///
/// # Errors
/// Those of the database.
pub fn records(tx: &mut Tx<'_>, ids: &[VesselId]) -> Result<Vec<Records>> {
    let vessels = vessels::read_many(tx, ids)?;
    let mut haul_outs = by_vessel(haulouts::of_vessels(tx, ids)?, |row| row.fields.vessel_id);
    let mut surveys_found = by_vessel(surveys::signed_of_vessels(tx, ids)?, |row| row.vessel_id);
    let mut findings = by_vessel(surveys::findings_of_vessels(tx, ids)?, |row| row.vessel_id);
    let mut coats_found = by_vessel(coats::of_vessels(tx, ids)?, |row| row.fields.vessel_id);
    let mut films_found = by_vessel(films::of_vessels(tx, ids)?, |row| row.vessel_id);
    let mut treatments_found = by_vessel(treatments::of_vessels(tx, ids)?, |row| row.fields.vessel_id);
    Ok(vessels
        .into_iter()
        .map(|vessel| Records {
            haul_outs: haul_outs.remove(&vessel.id).unwrap_or_default(),
            surveys: surveys_found.remove(&vessel.id).unwrap_or_default(),
            findings: findings.remove(&vessel.id).unwrap_or_default(),
            coats: coats_found.remove(&vessel.id).unwrap_or_default(),
            films: films_found.remove(&vessel.id).unwrap_or_default(),
            treatments: treatments_found.remove(&vessel.id).unwrap_or_default(),
            vessel,
        })
        .collect())
}

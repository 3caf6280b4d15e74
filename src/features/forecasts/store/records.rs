//! All that is recorded of some vessels, a query a kind of record.

use std::collections::HashMap;

use crate::db::Tx;
use crate::error::Result;
use crate::features::climate::store::{self as climate, DayOfAir};
use crate::features::coats::store::film::{self as films, Film};
use crate::features::coats::store::{self as coats, Coat};
use crate::features::haulouts::store::{self as haulouts, HaulOut};
use crate::features::surveys::store::finding::Finding;
use crate::features::surveys::store::survey::SignedSurvey;
use crate::features::surveys::store::{self as surveys, StationMean};
use crate::features::treatments::model::TreatmentKind;
use crate::features::treatments::store::{self as treatments, Treatment};
use crate::features::vessels::store::{self as vessels, Vessel};
use crate::ids::{HaulOutId, TreatmentId, VesselId};

/// The records of one vessel; surveys are the signed ones, and what was withdrawn is left out.
#[derive(Debug, Clone)]
pub struct Records {
    /// The vessel.
    pub vessel: Vessel,
    /// Its haul-outs.
    pub haul_outs: Vec<HaulOut>,
    /// Its signed surveys.
    pub surveys: Vec<SignedSurvey>,
    /// What meters said at the stations of its bottom, of surveys signed or not, by survey and scale.
    pub station_means: Vec<StationMean>,
    /// Its findings.
    pub findings: Vec<Finding>,
    /// Its coats.
    pub coats: Vec<Coat>,
    /// The measured films of its coats that no other took the place of, by coat and time.
    pub films: Vec<Film>,
    /// Its treatments.
    pub treatments: Vec<Treatment>,
    /// Those of the treatments that were run from a plan.
    pub run_here: Vec<TreatmentId>,
    /// The air logged in the haul-outs of its curative treatments, by haul-out and day.
    pub days_of_air: Vec<DayOfAir>,
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
    let mut station_means = by_vessel(surveys::station_means_of_vessels(tx, ids)?, |row| row.vessel_id);
    let mut findings = by_vessel(surveys::findings_of_vessels(tx, ids)?, |row| row.vessel_id);
    let mut coats_found = by_vessel(coats::of_vessels(tx, ids)?, |row| row.fields.vessel_id);
    let mut films_found = by_vessel(films::of_vessels(tx, ids)?, |row| row.vessel_id);
    let mut treatments_found = by_vessel(treatments::of_vessels(tx, ids)?, |row| row.fields.vessel_id);
    let dried_in: Vec<HaulOutId> = treatments_found
        .values()
        .flatten()
        .filter(|treatment| treatment.fields.kind == TreatmentKind::Curative)
        .filter_map(|treatment| treatment.fields.haul_out_id)
        .collect();
    let days_of_air = climate::days_of_air(tx, &dried_in)?;
    let ids_found: Vec<TreatmentId> = treatments_found.values().flatten().map(|own| own.id).collect();
    let run_here = treatments::plan::planned(tx, &ids_found)?;
    let air = |haul_outs: &[HaulOut]| {
        days_of_air
            .iter()
            .filter(|day| haul_outs.iter().any(|own| own.id == day.haul_out_id))
            .copied()
            .collect()
    };
    Ok(vessels
        .into_iter()
        .map(|vessel| Records {
            days_of_air: haul_outs.get(&vessel.id).map(|own| air(own)).unwrap_or_default(),
            haul_outs: haul_outs.remove(&vessel.id).unwrap_or_default(),
            surveys: surveys_found.remove(&vessel.id).unwrap_or_default(),
            station_means: station_means.remove(&vessel.id).unwrap_or_default(),
            findings: findings.remove(&vessel.id).unwrap_or_default(),
            coats: coats_found.remove(&vessel.id).unwrap_or_default(),
            films: films_found.remove(&vessel.id).unwrap_or_default(),
            run_here: run_here.iter().filter(|(_, of)| *of == vessel.id).map(|(id, _)| *id).collect(),
            treatments: treatments_found.remove(&vessel.id).unwrap_or_default(),
            vessel,
        })
        .collect())
}

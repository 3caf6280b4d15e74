//! What to look at about the relaunch of a haul-out, treated or not. It refuses nothing: what was done was done.

use chrono::NaiveDate;

use super::holds::word;
use crate::features::haulouts::model::HaulOutWarning;
use crate::features::vessels::model::Zone;
use crate::ids::TreatmentId;

/// An antifouling that is the last coat on its zone, put on in a haul-out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LastAntifouling {
    /// The zone.
    pub zone: Zone,
    /// The product's name.
    pub product: String,
    /// The day it was finished.
    pub finished_on: NaiveDate,
    /// Longest time to the launch, by the product's sheet.
    pub max_days_to_launch: i32,
}

/// What to look at about a relaunch, or about the launch that is still to come.
#[must_use]
pub fn warnings(
    relaunched_on: Option<NaiveDate>,
    today: NaiveDate,
    antifoulings: &[LastAntifouling],
    open_treatment: Option<TreatmentId>,
) -> Vec<HaulOutWarning> {
    let launch_on = relaunched_on.unwrap_or(today);
    let mut found: Vec<HaulOutWarning> = antifoulings
        .iter()
        .filter(|own| (launch_on - own.finished_on).num_days() > i64::from(own.max_days_to_launch))
        .map(|own| HaulOutWarning {
            code: "launch_too_late",
            pointer: "/relaunched_on",
            detail: format!(
                "The antifouling {} on {}, finished on {}, may stand {} days before launch; by {launch_on} it has stood {}. \
                 Put on another coat before the launch, or correct the days.",
                own.product,
                word(own.zone),
                own.finished_on,
                own.max_days_to_launch,
                (launch_on - own.finished_on).num_days()
            ),
        })
        .collect();
    if let Some(id) = open_treatment.filter(|_| relaunched_on.is_some()) {
        found.push(HaulOutWarning {
            code: "treatment_not_closed",
            pointer: "/relaunched_on",
            detail: format!(
                "A treatment of this haul-out is not closed, and what it asks for before launch was not looked at. Close it: \
                 POST /v1/treatments/{id}/closing."
            ),
        });
    }
    found
}

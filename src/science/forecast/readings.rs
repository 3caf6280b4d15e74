//! What a meter's readings say of the next look at a hull. They are relative: they compare a hull with itself and with
//! a dry reference, on one instrument, and never enter the water in the laminate. A hull whose readings rose on the same
//! stations, or stand high over the dry reference of the day, looks wet; it is looked at again sooner (common practice, no
//! source).

use chrono::NaiveDate;

use super::facts::{BottomExamined, HullFacts, MeterVisit};

/// Fewest stations that tell a hull from a spot (common practice, no source).
pub const LEAST_STATIONS: usize = 3;

/// A hull that looked wet, and how that shows.
#[derive(Debug, Clone, PartialEq)]
pub struct WetLook {
    /// The day it did.
    pub seen_on: NaiveDate,
    /// In a sentence, with its numbers.
    pub text: String,
}

/// Whether the bottom looked wet when it was last measured in the life that began on `began_on`, and nobody has looked at
/// it since.
///
/// The last visit of each instrument on that day is held against the latest earlier one from which the median of what its
/// shared stations rose by reaches the policy's `reading_rise`, then its own median against `reading_over_dry_reference`.
#[must_use]
pub fn wet_look(facts: &HullFacts, began_on: Option<NaiveDate>) -> Option<WetLook> {
    let policy = &facts.policy;
    let visits: Vec<&MeterVisit> = facts
        .meter_visits
        .iter()
        .filter(|visit| visit.stations.len() >= LEAST_STATIONS)
        .filter(|visit| began_on.is_none_or(|began_on| visit.surveyed_on >= began_on))
        .collect();
    let seen_on = visits.iter().map(|visit| visit.surveyed_on).max()?;
    let looked_at_since = facts
        .surveys
        .iter()
        .any(|survey| survey.surveyed_on > seen_on && survey.bottom_examined != BottomExamined::None);
    if looked_at_since {
        return None;
    }
    let (last, earlier): (Vec<&MeterVisit>, Vec<&MeterVisit>) =
        visits.iter().partition(|visit| visit.surveyed_on == seen_on);
    let risen = last.iter().find_map(|visit| {
        earlier.iter().rev().find_map(|before| {
            let (stations, rise) = rise(before, visit).filter(|(_, rise)| *rise >= policy.reading_rise)?;
            Some(format!(
                "Readings on {stations} of its stations had risen by {rise:.1} (median) since {}.",
                before.surveyed_on
            ))
        })
    });
    let over = || {
        last.iter().find_map(|visit| {
            let over = median(visit.stations.iter().map(|station| station.value).collect())?
                - visit.dry_reference_reading?;
            (over >= policy.reading_over_dry_reference).then(|| {
                format!(
                    "Readings on {} of its stations stood {over:.1} over the dry reference (median).",
                    visit.stations.len()
                )
            })
        })
    };
    risen.or_else(over).map(|text| WetLook { seen_on, text })
}

/// How many stations two visits of one instrument share, and the median of what they rose by.
fn rise(before: &MeterVisit, after: &MeterVisit) -> Option<(usize, f64)> {
    if before.instrument != after.instrument {
        return None;
    }
    let rises: Vec<f64> = after
        .stations
        .iter()
        .filter_map(|station| {
            let same = before.stations.iter().find(|same| same.station == station.station)?;
            Some(station.value - same.value)
        })
        .collect();
    let shared = rises.len();
    Some((shared, median(rises).filter(|_| shared >= LEAST_STATIONS)?))
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let upper = values.get(values.len() / 2)?;
    let lower = values.get((values.len() - 1) / 2)?;
    Some(f64::midpoint(*lower, *upper))
}

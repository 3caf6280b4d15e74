//! The rules of climate values, and the climate of a coat.

pub mod file;
pub mod window;

use chrono::{DateTime, Duration, NaiveDate, Utc};
use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::error::{Error, FieldError, Result};
use crate::features::surveys::model::fact::time_within_years;
use crate::science::moist_air::{DewPointInput, dew_point};

/// Where a value comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ClimateSource {
    /// Somebody read an instrument.
    Hand,
    /// A logger.
    Logger,
}

/// Air and hull at a time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct ClimateFields {
    /// When.
    #[garde(custom(within_years))]
    pub measured_at: DateTime<Utc>,
    /// Where the value comes from.
    #[garde(skip)]
    pub source: ClimateSource,
    /// Temperature of the air.
    #[garde(range(min = -45.0, max = 60.0))]
    #[schema(minimum = -45, maximum = 60)]
    pub air_temperature_c: f64,
    /// Relative humidity over water.
    #[garde(range(min = 0.01, max = 100.0))]
    #[schema(minimum = 0.01, maximum = 100)]
    pub relative_humidity_pct: f64,
    /// Temperature of the hull's surface; a value without it tells nothing of a coat's climate.
    #[garde(range(min = -45.0, max = 100.0))]
    #[schema(minimum = -45, maximum = 100)]
    pub surface_temperature_c: Option<f64>,
    /// Entered in error: it stays in the history and counts for nothing.
    #[serde(default)]
    #[garde(skip)]
    pub withdrawn: bool,
    /// Why this corrects what was entered for that time and source before.
    #[garde(length(chars, min = 1, max = 1000))]
    #[schema(min_length = 1, max_length = 1000)]
    pub correction_reason: Option<String>,
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "garde passes references")]
fn within_years(time: &DateTime<Utc>, context: &()) -> garde::Result {
    time_within_years(&Some(*time), context)
}

/// The time ashore that climate values belong to.
#[derive(Debug, Clone, Copy)]
pub struct Ashore {
    /// The day of the lift.
    pub lifted_on: NaiveDate,
    /// The day of the relaunch, if it has come.
    pub relaunched_on: Option<NaiveDate>,
}

impl ClimateFields {
    /// What tells it from others of its haul-out.
    #[must_use]
    pub fn key(&self) -> (DateTime<Utc>, ClimateSource) {
        (self.measured_at, self.source)
    }

    /// Whether it says the same, whatever the reason it was entered for.
    #[must_use]
    pub fn same_as(&self, other: &Self) -> bool {
        let told = |of: &Self| Self { correction_reason: None, ..of.clone() };
        told(self) == told(other)
    }

    /// The fields, if the value lies in its time ashore, has come, and the air has a dew point.
    ///
    /// # Errors
    /// Invalid, with the fields at fault.
    pub fn made(self, ashore: Ashore, now: DateTime<Utc>) -> Result<Self> {
        let mut faults = Vec::new();
        if self.measured_at > now {
            faults.push(FieldError::new(
                "/measured_at",
                "future",
                "lies in the future. Record what was measured; a forecast goes to coating-windows.",
            ));
        }
        // Local days reach half a day to either side of those of UTC.
        let day = self.measured_at.date_naive();
        let before = day + Duration::days(1) < ashore.lifted_on;
        let after = ashore.relaunched_on.is_some_and(|relaunched_on| day > relaunched_on + Duration::days(1));
        if before || after {
            faults.push(FieldError::new(
                "/measured_at",
                "outside_haul_out",
                "lies outside the haul-out. Correct the time, or name the haul-out it belongs to.",
            ));
        }
        if self.relative_humidity_pct <= 1.0 {
            faults.push(FieldError::new(
                "/relative_humidity_pct",
                "unit",
                "is at most 1 %, drier than any air outdoors: a share? Enter it in percent.",
            ));
        }
        let air = DewPointInput {
            air_temperature_c: self.air_temperature_c,
            relative_humidity_pct: self.relative_humidity_pct,
        };
        if let Err(refusals) = dew_point(&air) {
            faults.extend(Error::from(refusals).fields);
        }
        if faults.is_empty() { Ok(self) } else { Err(Error::invalid(faults)) }
    }
}

/// What to do with values that were sent, given those that are kept.
#[derive(Debug, Default)]
pub struct Sorted {
    /// To insert, each with its version.
    pub insert: Vec<(ClimateFields, i32)>,
    /// How many are new.
    pub created: usize,
    /// How many correct another.
    pub corrected: usize,
    /// How many had been sent before.
    pub unchanged: usize,
}

/// Tells new values, corrections and repetitions apart. `known` finds the current version and its fields.
///
/// # Errors
/// Invalid, with a pointer below `/items` for each value at fault: one that differs from what is kept and says no
/// reason, one that is in the request twice, one that withdraws what is not there.
pub fn sort(
    sent: Vec<ClimateFields>,
    known: impl Fn(&ClimateFields) -> Option<(ClimateFields, i32)>,
) -> Result<Sorted> {
    let (mut sorted, mut faults) = (Sorted::default(), Vec::new());
    let mut seen = std::collections::HashMap::new();
    for (n, fields) in sent.into_iter().enumerate() {
        let mut refuse = |field: &str, code: &str, detail: &str| {
            faults.push(FieldError::new(format!("/items/{n}/{field}"), code, detail));
        };
        if let Some(before) = seen.insert(fields.key(), n) {
            let detail = format!("is the time of item {before} of the same source. Keep one of them.");
            refuse("measured_at", "twice", &detail);
            continue;
        }
        match known(&fields) {
            Some((kept, _)) if kept.same_as(&fields) => sorted.unchanged += 1,
            Some((_, _)) if fields.correction_reason.is_none() => refuse(
                "correction_reason",
                "missing",
                "is required: another value is kept for that time and source. Say why this one corrects it, or leave it out.",
            ),
            Some((_, version)) => {
                sorted.corrected += 1;
                sorted.insert.push((fields, version + 1));
            }
            None if fields.withdrawn => {
                refuse("withdrawn", "unknown", "withdraws a value that is not kept. Check time and source.");
            }
            None if fields.correction_reason.is_some() => refuse(
                "correction_reason",
                "nothing_to_correct",
                "corrects a value that is not kept. Check time and source, or leave the reason out.",
            ),
            None => {
                sorted.created += 1;
                sorted.insert.push((fields, 1));
            }
        }
    }
    if faults.is_empty() { Ok(sorted) } else { Err(Error::invalid(faults)) }
}

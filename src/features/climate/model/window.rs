//! The climate of a coat, over its application and its cure; and when a forecast lets one be put on.

use chrono::{DateTime, Duration, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::error::{Error, Result};
use crate::science::moist_air::{CoatingClimateInput, CoatingLimits, coating_climate};

/// The longest time between two values for which the climate between them counts as known, hours (common practice,
/// no source; a setting).
pub const MAX_GAP_H: f64 = 3.0;

/// Air and hull at a time, as far as a coat asks.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ClimateMoment {
    /// When.
    pub at: DateTime<Utc>,
    /// Temperature of the air.
    pub air_temperature_c: f64,
    /// Relative humidity over water.
    pub relative_humidity_pct: f64,
    /// Temperature of the hull's surface.
    pub surface_temperature_c: f64,
}

/// Whether the climate let a coat be put on and cure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum WindowAnswer {
    /// Every value keeps the limits, and they are close enough together.
    Allowed,
    /// A value breaks a limit.
    NotAllowed,
    /// No value breaks a limit, and for some time there is none.
    NotEnoughValues,
}

/// A limit that a value breaks.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct WindowRefusal {
    /// When.
    pub at: DateTime<Utc>,
    /// A stable word: `margin_too_small`, `air_too_humid`, `surface_too_cold` or `surface_too_warm`.
    pub code: String,
    /// One sentence with the numbers.
    pub detail: String,
}

/// A time of which nothing is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
pub struct Gap {
    /// The last value before it, or the beginning.
    pub from_at: DateTime<Utc>,
    /// The first value after it, or the end.
    pub to_at: DateTime<Utc>,
}

/// The climate over a time.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Window {
    /// Whether it was allowed.
    pub answer: WindowAnswer,
    /// The limits that are broken, in order of time.
    pub refusals: Vec<WindowRefusal>,
    /// The times without values.
    pub gaps: Vec<Gap>,
}

/// Hours as a length of time.
#[must_use]
#[expect(clippy::cast_possible_truncation, reason = "as-casts saturate; hours are few")]
pub fn hours(hours: f64) -> Duration {
    Duration::try_milliseconds((hours * 3_600_000.0) as i64).unwrap_or(Duration::MAX)
}

fn refusals_at(limits: &CoatingLimits, moment: &ClimateMoment) -> Result<Vec<WindowRefusal>> {
    let input = CoatingClimateInput {
        air_temperature_c: moment.air_temperature_c,
        relative_humidity_pct: moment.relative_humidity_pct,
        surface_temperature_c: moment.surface_temperature_c,
        limits: *limits,
    };
    let judged = coating_climate(&input)?;
    let refusal = |refusal: crate::science::moist_air::ClimateRefusal| WindowRefusal {
        at: moment.at,
        code: refusal.code.to_owned(),
        detail: refusal.detail,
    };
    Ok(judged.refusals.into_iter().map(refusal).collect())
}

/// The climate from `from` to `to` by values in order of time: each in it is held against the limits, and so is the
/// last before it, which stands until the next. A gap longer than `max_gap_h` between two of them, or at either end,
/// is told.
///
/// # Errors
/// Invalid, when a value or a limit lies out of its range.
pub fn window(
    limits: &CoatingLimits,
    values: &[ClimateMoment],
    from: DateTime<Utc>,
    to: DateTime<Utc>,
    max_gap_h: f64,
) -> Result<Window> {
    let longest = hours(max_gap_h);
    let first = values.partition_point(|value| value.at <= from).saturating_sub(1);
    let after = values.partition_point(|value| value.at <= to);
    let mut refusals = Vec::new();
    for value in values.iter().take(after).skip(first) {
        if value.at >= from || from - value.at <= longest {
            refusals.extend(refusals_at(limits, value)?);
        }
    }
    // The value after the end closes the last gap, and is not judged: it tells of another time.
    let near = values.iter().take(after + 1).skip(first).map(|value| value.at);
    let mut marks: Vec<DateTime<Utc>> =
        near.filter(|at| *at + longest >= from && *at - longest <= to).collect();
    if marks.first().is_none_or(|at| *at > from) {
        marks.insert(0, from);
    }
    if marks.last().is_none_or(|at| *at < to) {
        marks.push(to);
    }
    let mut gaps: Vec<Gap> = marks
        .iter()
        .zip(marks.iter().skip(1))
        .filter(|(before, next)| **next - **before > longest)
        .map(|(before, next)| Gap { from_at: *before, to_at: *next })
        .collect();
    let none_known = !values.iter().any(|value| value.at + longest >= from && value.at - longest <= to);
    if none_known && gaps.is_empty() {
        gaps.push(Gap { from_at: from, to_at: to });
    }
    let answer = if !refusals.is_empty() {
        WindowAnswer::NotAllowed
    } else if !gaps.is_empty() {
        WindowAnswer::NotEnoughValues
    } else {
        WindowAnswer::Allowed
    };
    Ok(Window { answer, refusals, gaps })
}

/// A time in which a coat may be put on and cures within the limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
pub struct CoatingWindow {
    /// The application may begin.
    pub opens_at: DateTime<Utc>,
    /// The application must begin by then, or it would not cure within the limits.
    pub latest_start_at: DateTime<Utc>,
    /// The limits are kept until then, as far as the forecast goes.
    pub closes_at: DateTime<Utc>,
}

/// The windows of a forecast in order of time: stretches of values that keep the limits, none further apart than
/// `max_gap_h`, at least as long as application and cure together.
///
/// # Errors
/// Invalid, when a value or a limit lies out of its range.
pub fn coating_windows(
    limits: &CoatingLimits,
    forecast: &[ClimateMoment],
    needed_h: f64,
    max_gap_h: f64,
) -> Result<(Vec<CoatingWindow>, Vec<WindowRefusal>)> {
    let (longest, needed) = (hours(max_gap_h), hours(needed_h));
    let (mut windows, mut refused) = (Vec::new(), Vec::new());
    let mut stretch: Option<(DateTime<Utc>, DateTime<Utc>)> = None;
    let mut close = |stretch: &mut Option<(DateTime<Utc>, DateTime<Utc>)>| {
        if let Some((opens_at, closes_at)) = stretch.take()
            && closes_at - opens_at >= needed
        {
            windows.push(CoatingWindow { opens_at, latest_start_at: closes_at - needed, closes_at });
        }
    };
    for (n, value) in forecast.iter().enumerate() {
        let refusals =
            refusals_at(limits, value).map_err(|error| Error::below(error, &format!("/forecast/{n}")))?;
        if !refusals.is_empty() {
            close(&mut stretch);
            refused.extend(refusals);
            continue;
        }
        match &mut stretch {
            Some((_, end)) if value.at - *end <= longest => *end = value.at,
            other => {
                close(other);
                *other = Some((value.at, value.at));
            }
        }
    }
    close(&mut stretch);
    Ok((windows, refused))
}

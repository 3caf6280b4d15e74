//! Whether the next coat may go on, live: the sheet's times run by the temperatures of the hull as they were logged.
//!
//! A value stands until the next, for [`MAX_GAP_H`] at most. What is not known (no value, or a temperature that the
//! sheet does not reach) is bounded from both sides: it may have counted for nothing, and it may have counted as much
//! as the warmest line of the sheet. An answer is given only where both say the same; `unknown` otherwise.

use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;

use crate::features::climate::model::window::{MAX_GAP_H, hours};
use crate::features::products::model::{CoatRole, ProductFields};
use crate::science::overcoat::{SheetTimes, WindowTimes, times_at};

/// Rounding that a time exactly on its limit is forgiven, as in the science.
const ROUNDING: f64 = 1e-9;

/// The temperature of the hull's surface at a time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SurfaceTemperature {
    /// When.
    pub at: DateTime<Utc>,
    /// The temperature.
    pub temperature_c: f64,
}

/// Where in its window a coat is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum OvercoatAnswer {
    /// The shortest time has not passed.
    TooSoon,
    /// The next coat may go on.
    Open,
    /// The longest time has passed: abrade first.
    Closed,
    /// Too little is known: the detail says what to enter.
    Unknown,
}

/// Whether a coat of a role may go over this one now.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct OvercoatState {
    /// The role of the coat over it.
    pub next_role: CoatRole,
    /// Where in its window the coat is.
    pub state: OvercoatAnswer,
    /// When it opens if the hull stays as warm as it is; null where that is not known.
    pub opens_at: Option<DateTime<Utc>>,
    /// When it closes if the hull stays as warm as it is; null where there is no longest time or it is not known.
    pub until: Option<DateTime<Utc>>,
    /// Since when it has been closed.
    pub since: Option<DateTime<Utc>>,
    /// One sentence: the state, and what to do.
    pub detail: String,
}

/// The least and the most of a time that can have passed, as a share of it.
#[derive(Debug, Clone, Copy, Default)]
struct Passed {
    least: f64,
    most: f64,
}

/// How far the sheet's times have run.
#[derive(Debug, Default)]
struct Run {
    shortest: Passed,
    longest: Passed,
    /// When at least the longest time had passed.
    closed_since: Option<DateTime<Utc>>,
    /// The sheet's times at the temperature that still holds.
    now: Option<WindowTimes>,
    unknown_h: f64,
}

fn span_h(from: DateTime<Utc>, to: DateTime<Utc>) -> f64 {
    (to - from).as_seconds_f64() / 3_600.0
}

impl Run {
    fn add(
        &mut self,
        sheet: &[SheetTimes],
        temperature_c: Option<f64>,
        from: DateTime<Utc>,
        to: DateTime<Utc>,
    ) {
        let (Some(cold), Some(warm)) = (sheet.first(), sheet.last()) else { return };
        let span = span_h(from, to);
        let (mut slow_min, mut fast_min) = (0.0, 1.0 / warm.min_h);
        let (mut slow_max, mut fast_max) = (0.0, warm.max_h.map_or(0.0, f64::recip));
        match temperature_c.map(|celsius| (celsius, times_at(sheet, celsius))) {
            Some((_, Some(times))) => {
                (slow_min, fast_min) = (1.0 / times.min_h, 1.0 / times.min_h);
                let rate = times.max_h.map_or(0.0, f64::recip);
                (slow_max, fast_max) = (rate, rate);
            }
            // Colder than the sheet: slower than its coldest line.
            Some((celsius, None)) if celsius < cold.temperature_c => {
                fast_min = 1.0 / cold.min_h;
                fast_max = cold.max_h.map_or(0.0, f64::recip);
                self.unknown_h += span;
            }
            // Warmer than the sheet: faster than its warmest line, nobody knows how much.
            Some((_, None)) => {
                (slow_min, fast_min) = (1.0 / warm.min_h, f64::INFINITY);
                (slow_max, fast_max) = warm.max_h.map_or((0.0, 0.0), |max_h| (1.0 / max_h, f64::INFINITY));
                self.unknown_h += span;
            }
            None => self.unknown_h += span,
        }
        if span <= 0.0 {
            return;
        }
        let before = self.longest.least;
        self.shortest.least += span * slow_min;
        self.shortest.most += span * fast_min;
        self.longest.least += span * slow_max;
        self.longest.most += span * fast_max;
        if self.closed_since.is_none() && self.longest.least > 1.0 + ROUNDING {
            self.closed_since = Some(from + hours((1.0 - before).max(0.0) / slow_max));
        }
    }
}

/// What the hull's temperatures since `finished_at` made of the sheet's times by `now`.
fn run(
    sheet: &[SheetTimes],
    history: &[SurfaceTemperature],
    finished_at: DateTime<Utc>,
    now: DateTime<Utc>,
) -> Run {
    let longest = hours(MAX_GAP_H);
    let mut run = Run::default();
    let mut at = finished_at;
    for (n, value) in history.iter().enumerate() {
        let next = history.get(n + 1).map_or(now, |next| next.at.min(now));
        let (from, to) = (value.at.max(finished_at), next.min(value.at + longest));
        if to <= from {
            continue;
        }
        if from > at {
            run.add(sheet, None, at, from);
        }
        run.add(sheet, Some(value.temperature_c), from, to);
        at = to;
        if to >= now {
            run.now = times_at(sheet, value.temperature_c);
        }
    }
    if at < now {
        run.add(sheet, None, at, now);
    }
    run
}

/// Whether a coat of `next_role` may go over `below` at `now`, by the hull's temperatures since `finished_at` in order
/// of time; one from up to three hours before is welcome.
#[must_use]
pub fn overcoat_state(
    below: &ProductFields,
    next_role: CoatRole,
    history: &[SurfaceTemperature],
    finished_at: Option<DateTime<Utc>>,
    now: DateTime<Utc>,
) -> OvercoatState {
    let unknown = |detail: String| OvercoatState {
        next_role,
        state: OvercoatAnswer::Unknown,
        opens_at: None,
        until: None,
        since: None,
        detail,
    };
    let sheet = below.times_to(next_role);
    if sheet.is_empty() {
        return unknown(format!("The sheet of {} gives no times for this pair. Enter them.", below.name));
    }
    let Some(finished_at) = finished_at else {
        return unknown("It is not known when the coat was finished. Enter finished_at.".to_owned());
    };
    let run = run(&sheet, history, finished_at, now);
    let in_h =
        |fraction: f64, whole_h: f64| now.checked_add_signed(hours((1.0 - fraction).max(0.0) * whole_h));
    let opens_at = run.now.and_then(|times| in_h(run.shortest.least, times.min_h));
    let until = run.now.and_then(|times| times.max_h).and_then(|max_h| in_h(run.longest.most, max_h));
    let told = |state, opens_at, until, since, detail: &str| OvercoatState {
        next_role,
        state,
        opens_at,
        until,
        since,
        detail: detail.to_owned(),
    };
    if run.longest.least > 1.0 + ROUNDING {
        told(
            OvercoatAnswer::Closed,
            None,
            None,
            run.closed_since,
            "The longest time has passed: abrade, 60-80 grit, clean and dry before the next coat; the data sheet decides.",
        )
    } else if run.shortest.most < 1.0 - ROUNDING {
        told(OvercoatAnswer::TooSoon, opens_at, None, None, "The shortest time has not passed. Wait.")
    } else if run.shortest.least >= 1.0 - ROUNDING && run.longest.most <= 1.0 + ROUNDING {
        told(OvercoatAnswer::Open, None, until, None, "The next coat may go on, if the climate allows it.")
    } else {
        unknown(format!(
            "For {:.1} of the {:.1} hours since the coat was finished the hull's temperature is not known or is \
             outside the sheet, and they decide. Enter the surface temperatures, at most {MAX_GAP_H} hours apart.",
            run.unknown_h,
            span_h(finished_at, now)
        ))
    }
}

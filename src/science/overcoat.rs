//! When the next coat may go on: the `overcoat-window` calculator.
//!
//! A data sheet gives the shortest and longest time to the next coat at a few temperatures. Between two of them
//! ln(time) is taken as linear in 1/T (Arrhenius); outside them nothing is known. Over a varying temperature the
//! fractions of the time used add up, `Σ Δt/t(T)` (common practice, no source).

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::arrhenius::ZERO_CELSIUS_K;
use super::cautions::{Work, cautions};
use super::model::Model;
use super::refusal::Refusals;

/// Most lines of a data sheet.
const MAX_SHEET: usize = 50;

/// Most stretches of a history: a year of hours.
const MAX_HISTORY: usize = 10_000;

/// Rounding that a time exactly on its limit is forgiven.
const ROUNDING: f64 = 1e-9;

/// One line of the data sheet for this coat under the one that goes over it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SheetTimes {
    /// Temperature of the surface, °C.
    pub temperature_c: f64,
    /// Shortest time to the next coat, hours.
    pub min_h: f64,
    /// Longest time to the next coat, hours; null where there is none.
    #[serde(default)]
    pub max_h: Option<f64>,
}

/// A stretch of time at a temperature.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TemperatureStretch {
    /// How long, hours.
    pub hours: f64,
    /// Temperature of the surface, °C.
    pub temperature_c: f64,
}

/// A pair of coats and what the lower one has gone through since it was put on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct OvercoatWindowInput {
    /// The data sheet, coldest first; at most 50 lines.
    pub sheet: Vec<SheetTimes>,
    /// A temperature to read the sheet at, °C; what is left of the window is told for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at_temperature_c: Option<f64>,
    /// Since the coat was put on, first to last; at most 10,000.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub history: Option<Vec<TemperatureStretch>>,
}

/// The window at one temperature.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct WindowTimes {
    /// Shortest time to the next coat, hours.
    pub min_h: f64,
    /// Longest time to the next coat, hours; null where there is none.
    pub max_h: Option<f64>,
}

/// Where in its window a coat is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum WindowState {
    /// The shortest time has not passed.
    TooSoon,
    /// The next coat may go on.
    Open,
    /// The longest time has passed: abrade before the next coat.
    Closed,
}

/// The window at a temperature, and where in it the coat is.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct OvercoatWindowOutput {
    /// The window at `at_temperature_c`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at: Option<WindowTimes>,
    /// Where in its window the coat is after its history.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub state: Option<WindowState>,
    /// Share of the shortest time that has passed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub min_fraction: Option<f64>,
    /// Share of the longest time that has passed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub max_fraction: Option<f64>,
    /// Hours until the window opens at `at_temperature_c`, or else at the last temperature of the history.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub opens_in_h: Option<f64>,
    /// Hours until it closes, likewise.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub closes_in_h: Option<f64>,
    /// Which formula gave the answer.
    pub model: Model,
    /// What to mind.
    pub cautions: Vec<&'static str>,
}

/// ln(time) linear in 1/T between two lines of the sheet; their own values at their own temperatures.
fn between(temperature_c: f64, cold: (f64, f64), warm: (f64, f64)) -> f64 {
    let inverse = |celsius: f64| 1.0 / (celsius + ZERO_CELSIUS_K);
    if temperature_c <= cold.0 {
        return cold.1;
    }
    if temperature_c >= warm.0 {
        return warm.1;
    }
    let share = (inverse(temperature_c) - inverse(cold.0)) / (inverse(warm.0) - inverse(cold.0));
    (cold.1.ln() + share * (warm.1.ln() - cold.1.ln())).exp()
}

/// The window at a temperature within a sheet that is in order, coldest first; none outside it. The formula is that of
/// [`overcoat_window`].
#[must_use]
pub fn times_at(sheet: &[SheetTimes], temperature_c: f64) -> Option<WindowTimes> {
    let (first, last) = (sheet.first()?, sheet.last()?);
    if !(first.temperature_c..=last.temperature_c).contains(&temperature_c) {
        return None;
    }
    let above = sheet.iter().position(|line| line.temperature_c >= temperature_c)?;
    let (cold, warm) = (sheet[above.saturating_sub(1)], sheet[above]);
    let at = |cold_h: f64, warm_h: f64| {
        between(temperature_c, (cold.temperature_c, cold_h), (warm.temperature_c, warm_h))
    };
    Some(WindowTimes {
        min_h: at(cold.min_h, warm.min_h),
        max_h: cold.max_h.zip(warm.max_h).map(|(cold, warm)| at(cold, warm)),
    })
}

impl OvercoatWindowInput {
    fn check(&self) -> Result<(), Refusals> {
        let mut refusals = Refusals::default();
        match self.sheet.len() {
            0 => refusals.refuse("/sheet", "empty", "is empty; enter at least one line of the data sheet"),
            1..=MAX_SHEET => {}
            n => refusals.refuse("/sheet", "too_many", format!("has {n} lines; enter at most {MAX_SHEET}")),
        }
        let with_max = self.sheet.first().is_some_and(|line| line.max_h.is_some());
        for (n, line) in self.sheet.iter().take(MAX_SHEET).enumerate() {
            let at = |field: &str| format!("/sheet/{n}/{field}");
            refusals.range(&at("temperature_c"), line.temperature_c, -30.0, 80.0, "°C");
            refusals.range(&at("min_h"), line.min_h, 0.001, 100_000.0, "h");
            if let Some(max_h) = line.max_h {
                refusals.range(&at("max_h"), max_h, 0.001, 100_000.0, "h");
                if max_h < line.min_h {
                    refusals.refuse(
                        at("max_h"),
                        "order",
                        "is shorter than min_h; enter a longer time or null",
                    );
                }
            }
            if line.max_h.is_some() != with_max {
                refusals.refuse(at("max_h"), "mixed", "enter a longest time in every line or in none");
            }
            if n > 0 && self.sheet[n - 1].temperature_c >= line.temperature_c {
                refusals.refuse(
                    at("temperature_c"),
                    "order",
                    "is not above the line before; enter coldest first",
                );
            }
        }
        if self.at_temperature_c.is_none() && self.history.is_none() {
            refusals.refuse("/at_temperature_c", "required", "is missing; enter it, or a history, or both");
        }
        let history = self.history.as_deref().unwrap_or_default();
        if self.history.is_some() && history.is_empty() {
            refusals.refuse("/history", "empty", "is empty; enter at least one stretch or leave it out");
        } else if history.len() > MAX_HISTORY {
            let n = history.len();
            refusals.refuse(
                "/history",
                "too_many",
                format!("has {n} stretches; enter at most {MAX_HISTORY}"),
            );
        }
        refusals.clone().into_result()?;
        for (n, stretch) in history.iter().enumerate() {
            refusals.range(&format!("/history/{n}/hours"), stretch.hours, 0.0, 100_000.0, "h");
            self.check_temperature(
                &format!("/history/{n}/temperature_c"),
                stretch.temperature_c,
                &mut refusals,
            );
        }
        if let Some(temperature_c) = self.at_temperature_c {
            self.check_temperature("/at_temperature_c", temperature_c, &mut refusals);
        }
        refusals.into_result()
    }

    fn check_temperature(&self, pointer: &str, temperature_c: f64, refusals: &mut Refusals) {
        if let (Some(cold), Some(warm)) = (self.sheet.first(), self.sheet.last()) {
            // Nothing is extrapolated beyond the data sheet.
            refusals.range(
                pointer,
                temperature_c,
                cold.temperature_c,
                warm.temperature_c,
                "°C, as far as the sheet goes",
            );
        }
    }
}

/// The window of a pair of coats at a temperature, and where in it the coat is after a history.
///
/// # Formula
/// `ln t = ln t₁ + (ln t₂ - ln t₁)(1/T - 1/T₁)/(1/T₂ - 1/T₁)` between the sheet's temperatures (Arrhenius);
/// `fraction = Σ Δt/t(T)`, 1 when the time has passed (common practice, no source). Valid between the coldest
/// and the warmest line of the sheet, refused outside. A time exactly on its limit is inside the window.
///
/// ```
/// let input = serde_json::json!({
///     "sheet": [{"temperature_c": 10, "min_h": 24, "max_h": 720}, {"temperature_c": 20, "min_h": 10, "max_h": 336}],
///     "history": [{"hours": 8, "temperature_c": 15}]
/// });
/// let input = serde_json::from_value(input).expect("the fields above");
/// let answer = garboard::science::overcoat::overcoat_window(&input).expect("within the sheet");
/// assert!((answer.min_fraction.expect("there is a history") - 0.52).abs() < 0.01);
/// ```
///
/// # Errors
/// A sheet that is empty, out of order or has longest times in some lines only; a temperature outside it; neither a
/// temperature nor a history.
pub fn overcoat_window(input: &OvercoatWindowInput) -> Result<OvercoatWindowOutput, Refusals> {
    input.check()?;
    let at = input.at_temperature_c.and_then(|temperature_c| times_at(&input.sheet, temperature_c));
    let mut output = OvercoatWindowOutput {
        at,
        state: None,
        min_fraction: None,
        max_fraction: None,
        opens_in_h: None,
        closes_in_h: None,
        model: Model { name: "overcoat-window", version: 1 },
        cautions: cautions([Work::EpoxyCoating]),
    };
    let Some(history) = &input.history else { return Ok(output) };
    let (mut min_fraction, mut max_fraction, mut latest) = (0.0, None, None);
    for stretch in history {
        let Some(times) = times_at(&input.sheet, stretch.temperature_c) else { continue };
        min_fraction += stretch.hours / times.min_h;
        if let Some(max_h) = times.max_h {
            max_fraction = Some(max_fraction.unwrap_or(0.0) + stretch.hours / max_h);
        }
        latest = Some(times);
    }
    let state = if max_fraction.is_some_and(|fraction| fraction > 1.0 + ROUNDING) {
        WindowState::Closed
    } else if min_fraction >= 1.0 - ROUNDING {
        WindowState::Open
    } else {
        WindowState::TooSoon
    };
    output.state = Some(state);
    output.min_fraction = Some(min_fraction);
    output.max_fraction = max_fraction;
    if let Some(times) = at.or(latest) {
        if state == WindowState::TooSoon {
            output.opens_in_h = Some((1.0 - min_fraction) * times.min_h);
        }
        if state != WindowState::Closed {
            output.closes_in_h =
                max_fraction.zip(times.max_h).map(|(fraction, max_h)| (1.0 - fraction).max(0.0) * max_h);
        }
    }
    if state == WindowState::Closed {
        output.cautions = cautions([Work::EpoxyCoating, Work::Grinding]);
        output.cautions.push(
            "The longest time has passed: abrade, 60-80 grit, clean and dry before the next coat; the data sheet decides.",
        );
    }
    Ok(output)
}

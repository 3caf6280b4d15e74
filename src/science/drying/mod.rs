//! When a station will be dry: the `drying` calculator.
//!
//! Empirical: a meter's readings fall as `y = y_eq + (y0 - y_eq) exp(-k t)`. A meter curve is no water content, so no
//! diffusivity is fitted from it. Target, step and steadiness belong to the meter's scale that the organisation entered.

mod curve;
mod slowest;

use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, StudentsT};
use utoipa::ToSchema;

use super::cautions::cautions;
use super::model::Model;
use super::refusal::Refusals;
use curve::{Curve, Rates};

pub use curve::{DryingErrors, DryingFit};
pub use slowest::{HullReadyDay, slowest};

/// Most readings taken.
const MAX_READINGS: usize = 400;

/// Readings this near each other are steady (common practice, no source).
const STEADY_RANGE: f64 = 0.3;

/// One reading.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DryingReading {
    /// Days since drying began.
    pub day: f64,
    /// What the meter said.
    pub value: f64,
}

/// Readings of one station and what counts as dry.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DryingInput {
    /// Dry at or under this, on the meter's scale.
    pub target: f64,
    /// The readings in the order of their days; at most 400.
    pub observations: Vec<DryingReading>,
    /// Last readings that must be dry and steady.
    #[serde(default = "three")]
    pub consecutive: usize,
    /// Steady within this, on the meter's scale; at least twice its step. Where none is given 0.3, or twice the step where
    /// that is more.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub steady_range: Option<f64>,
    /// Smallest difference the meter shows.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub meter_step: Option<f64>,
    /// Confidence that the plateau lies clear of the target.
    #[serde(default = "nine_in_ten")]
    pub confidence: f64,
    /// Seed of the resampling; the same seed gives the same answer.
    #[serde(default)]
    pub seed: u64,
}

fn three() -> usize {
    3
}

fn nine_in_ten() -> f64 {
    0.9
}

/// Where a station is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum DryingStatus {
    /// On its way to the target.
    Drying,
    /// The last readings are at or under the target and steady.
    Ready,
    /// Settled, or settling, above the target.
    Stalled,
    /// The readings do not tell yet.
    TooEarly,
}

/// When a station will be dry.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct ReadyDay {
    /// One in ten says sooner.
    pub p10: f64,
    /// Half say sooner.
    pub p50: f64,
    /// Nine in ten say sooner.
    pub p90: f64,
}

/// What the readings tell.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct DryingOutput {
    /// The fitted curve; null where the readings allow none.
    pub fit: Option<DryingFit>,
    /// The day on which the curve is down at the target; null where the fit does not support one.
    pub ready_day: Option<ReadyDay>,
    /// Share of the resampled curves that never get there; null without a fit.
    pub never_reaches_probability: Option<f64>,
    /// Where the station is.
    pub status: DryingStatus,
    /// Why, in one sentence.
    pub reason: String,
    /// Which formula gave the answer.
    pub model: Model,
    /// What to mind.
    pub cautions: Vec<&'static str>,
}

impl DryingInput {
    fn check(&self) -> Result<(), Refusals> {
        let mut refusals = Refusals::default();
        refusals.range("/target", self.target, -1e6, 1e6, "");
        let n = self.observations.len();
        if !(1..=MAX_READINGS).contains(&n) {
            let detail = format!("has {n} readings; enter from 1 to {MAX_READINGS}");
            refusals.refuse("/observations", "count", detail);
        }
        for (n, reading) in self.observations.iter().take(MAX_READINGS).enumerate() {
            refusals.range(&format!("/observations/{n}/day"), reading.day, 0.0, 36_525.0, "days");
            refusals.range(&format!("/observations/{n}/value"), reading.value, -1e6, 1e6, "");
            if n > 0 && reading.day <= self.observations[n - 1].day {
                let detail = "is not after the reading before; enter them in order, one a day";
                refusals.refuse(format!("/observations/{n}/day"), "order", detail);
            }
        }
        if !(1..=100).contains(&self.consecutive) {
            refusals.refuse("/consecutive", "out_of_range", "enter a count from 1 to 100");
        }
        if let Some(step) = self.meter_step {
            refusals.range("/meter_step", step, 1e-9, 1e6, "");
        }
        if let Some(range) = self.steady_range {
            refusals.range("/steady_range", range, 1e-9, 1e6, "");
            let least = 2.0 * self.meter_step.unwrap_or(0.0);
            if range < least * (1.0 - 1e-9) {
                let detail = format!("is under twice meter_step; enter at least {least}");
                refusals.refuse("/steady_range", "below_step", detail);
            }
        }
        refusals.range("/confidence", self.confidence, 0.5, 0.999, "");
        refusals.into_result()
    }

    /// How far the last readings may lie apart.
    fn steady_within(&self) -> f64 {
        self.steady_range.unwrap_or_else(|| STEADY_RANGE.max(2.0 * self.meter_step.unwrap_or(0.0)))
    }

    /// The last readings, if there are enough of them, and how far they lie apart.
    fn last_readings(&self) -> Option<(&[DryingReading], f64)> {
        let first = self.observations.len().checked_sub(self.consecutive)?;
        let last = &self.observations[first..];
        let high = last.iter().map(|reading| reading.value).fold(f64::NEG_INFINITY, f64::max);
        let low = last.iter().map(|reading| reading.value).fold(f64::INFINITY, f64::min);
        Some((last, high - low))
    }

    /// The last readings, if there are enough of them and they are steady.
    fn steady_readings(&self) -> Option<&[DryingReading]> {
        let (last, apart) = self.last_readings()?;
        (apart <= self.steady_within() * (1.0 + 1e-9)).then_some(last)
    }

    /// What to do where the last readings are all dry and still move.
    fn under_and_moving(&self) -> Option<String> {
        let (last, apart) = self.last_readings()?;
        let under = last.iter().all(|reading| reading.value <= self.target);
        (under && self.steady_readings().is_none()).then(|| {
            format!(
                "The last {} readings are at or under {} and lie {} apart, not yet within {}: go on reading until they are \
                 steady.",
                self.consecutive,
                self.target,
                (apart * 1000.0).round() / 1000.0,
                self.steady_within()
            )
        })
    }

    /// The curve with its errors, and the standard deviation of a reading.
    fn fit(&self, rates: &Rates<'_>, days: &[f64], values: &[f64]) -> Option<(Curve, DryingFit, f64)> {
        if values.len() < 4 {
            return None;
        }
        let (left, curve) = rates.fit(values)?;
        // A meter with steps cannot be surer than its step allows.
        let step = self.meter_step.unwrap_or(0.0);
        #[expect(clippy::cast_precision_loss, reason = "at most 400 readings")]
        let variance = (left / (values.len() - 3) as f64).max(step * step / 12.0);
        let se = curve::errors(&curve, days, variance)?;
        let fit = DryingFit { y0: curve.y0, y_eq: curve.y_eq, k_per_day: curve.k, se };
        Some((curve, fit, variance.sqrt()))
    }
}

fn quantile(sorted: &[f64], p: f64) -> f64 {
    #[expect(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a place among a thousand"
    )]
    let place = (p * (sorted.len() - 1) as f64).round() as usize;
    sorted[place]
}

/// The least moisture a laminate dries to in air, `M_sat RH/100` (linear sorption; Springer 1981; from memory), in the
/// unit of `saturated`.
///
/// ```
/// assert!((garboard::science::drying::equilibrium_moisture(1.5, 60.0) - 0.9).abs() < 1e-12);
/// ```
#[must_use]
pub fn equilibrium_moisture(saturated: f64, relative_humidity_pct: f64) -> f64 {
    saturated * relative_humidity_pct / 100.0
}

/// When a station will be dry, or why that cannot be told.
///
/// # Formula
/// `y = y_eq + (y0 - y_eq) exp(-k t)` by unweighted least squares, the rate by golden section over the sum of squares
/// left by the best `y0` and `y_eq`; errors from (JᵀJ)⁻¹; `t* = ln((y0 - y_eq)/(target - y_eq))/k` over 1,000 parametric
/// resamples (Efron and Tibshirani 1993). ready: the last readings at or under the target and steady. stalled: steady, or
/// settling for certain, above it. `too_early`: the readings span less than 2/k, or the plateau's interval (Student's t)
/// holds the target, or more than one in ten resamples never reach it. Common practice, no source, for those rules.
///
/// ```
/// let values = [30.0, 24.1, 19.4, 15.9, 13.1, 11.1, 9.4, 8.2, 7.2, 6.5, 6.0];
/// let observations: Vec<_> = values.iter().enumerate()
///     .map(|(n, value)| serde_json::json!({"day": 7 * n, "value": value})).collect();
/// let input = serde_json::json!({"target": 5, "observations": observations});
/// let input = serde_json::from_value(input).expect("the fields above");
/// let answer = garboard::science::drying::drying(&input).expect("in range");
/// assert!(answer.ready_day.expect("well told").p50 > 70.0);
/// ```
///
/// # Errors
/// No readings or too many, days out of order, a value out of its range, a steady range under twice the meter's step.
pub fn drying(input: &DryingInput) -> Result<DryingOutput, Refusals> {
    drying_with_draws(input).map(|(output, _)| output)
}

/// As [`drying`], with the days on which the resampled curves reach the target, in the order they were drawn; none
/// where no date is told. Give each station another seed before [`slowest`] takes them together.
///
/// # Errors
/// As [`drying`].
pub fn drying_with_draws(input: &DryingInput) -> Result<(DryingOutput, Option<Vec<f64>>), Refusals> {
    input.check()?;
    let days: Vec<f64> = input.observations.iter().map(|reading| reading.day).collect();
    let values: Vec<f64> = input.observations.iter().map(|reading| reading.value).collect();
    let span = days[days.len() - 1] - days[0];
    let rates = Rates::new(&days, if span > 0.0 { span } else { 1.0 });
    let fitted = input.fit(&rates, &days, &values);
    let drawn = fitted
        .map(|(curve, _, sigma)| curve::resampled_days(&curve, &rates, sigma, input.target, input.seed));
    #[expect(clippy::cast_precision_loss, reason = "a share of a thousand")]
    let never = drawn
        .as_ref()
        .map(|days| days.iter().filter(|day| day.is_infinite()).count() as f64 / days.len() as f64);
    let (status, reason) = judge(input, fitted.map(|(_, fit, _)| fit), never, span);
    let supported = status == DryingStatus::Drying;
    let mut cautions = cautions([]);
    cautions.push(
        "A meter's scale is relative: its readings tell no water content. The slowest station decides.",
    );
    let drawn = drawn.filter(|_| supported);
    let in_order = drawn.clone().map(|mut days| {
        days.sort_by(f64::total_cmp);
        days
    });
    let output = DryingOutput {
        fit: fitted.map(|(_, fit, _)| fit),
        ready_day: in_order.map(|days| ReadyDay {
            p10: quantile(&days, 0.1),
            p50: quantile(&days, 0.5),
            p90: quantile(&days, 0.9),
        }),
        never_reaches_probability: never,
        status,
        reason,
        model: Model { name: "drying", version: 1 },
        cautions,
    };
    Ok((output, drawn))
}

fn judge(
    input: &DryingInput,
    fit: Option<DryingFit>,
    never: Option<f64>,
    span: f64,
) -> (DryingStatus, String) {
    let (target, n) = (input.target, input.consecutive);
    let steady = input.steady_readings();
    if steady.is_some_and(|last| last.iter().all(|reading| reading.value <= target)) {
        let reason = format!("The last {n} readings are at or under {target} and steady.");
        return (DryingStatus::Ready, reason);
    }
    // Half the width of the plateau's interval, once the readings span two time constants.
    let plateau = fit.filter(|fit| span * fit.k_per_day >= 2.0).map(|fit| {
        #[expect(clippy::cast_precision_loss, reason = "at most 400 readings")]
        let freedom = input.observations.len() as f64 - 3.0;
        let factor = StudentsT::new(0.0, 1.0, freedom)
            .map_or(f64::INFINITY, |t| t.inverse_cdf(f64::midpoint(1.0, input.confidence)));
        (fit.y_eq, factor * fit.se.y_eq)
    });
    let below = plateau.is_some_and(|(y_eq, reach)| y_eq + reach < target)
        && never.is_some_and(|never| never <= 0.1 - 1e-9);
    let above = plateau.is_some_and(|(y_eq, reach)| y_eq - reach > target);
    let last_is_above = input.observations.last().is_some_and(|reading| reading.value > target);
    if above || (steady.is_some() && last_is_above && !below) {
        let reason = format!(
            "The readings settle above {target}: wash, warm, strip deeper, or look for salts or hidden water; a \
             surveyor decides."
        );
        return (DryingStatus::Stalled, reason);
    }
    let moving = input.under_and_moving();
    if below {
        let falls =
            || format!("The fitted curve falls to {target}; dry is when the last {n} readings say so.");
        return (DryingStatus::Drying, moving.unwrap_or_else(falls));
    }
    if let Some(reason) = moving {
        return (DryingStatus::TooEarly, reason);
    }
    let reason = match fit {
        None => "The readings allow no curve: at least four that fall and level off are needed.".to_owned(),
        Some(fit) if plateau.is_none() => format!(
            "The readings span {span:.0} days; at this rate {:.0} are needed before a date can be told.",
            2.0 / fit.k_per_day
        ),
        Some(_) => format!("The fitted plateau is not clear of {target}: go on reading."),
    };
    (DryingStatus::TooEarly, reason)
}

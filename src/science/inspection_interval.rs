//! How long to let a part run before it is renewed as planned: the `inspection-interval` calculator.
//!
//! Age replacement: renewed at age T or at failure, whichever comes first; the long-run cost a unit of time is
//! `[Cp R(T) + Cf F(T)]/∫₀ᵀ R` (Barlow and Proschan, Mathematical Theory of Reliability, 1965, ch. 4).

use serde::{Deserialize, Serialize};
use statrs::function::gamma::{gamma, gamma_lr};
use utoipa::ToSchema;

use super::cautions::cautions;
use super::lifetime::survival;
use super::model::Model;
use super::refusal::Refusals;

/// An optimum later than this many scales is as good as none.
const LATEST_SCALES: f64 = 1e3;

/// A Weibull life.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WeibullLife {
    /// Scale, in any unit of time.
    pub scale: f64,
    /// Shape.
    pub shape: f64,
}

/// A life and what renewals cost.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct InspectionIntervalInput {
    /// The life.
    pub model: WeibullLife,
    /// Cost of a planned renewal.
    pub cost_planned: f64,
    /// Cost of a failure, its renewal included.
    pub cost_failure: f64,
}

/// The cheapest interval.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct InspectionIntervalOutput {
    /// Age at which to renew, in the unit of the scale; null where running to failure is cheapest.
    pub interval: Option<f64>,
    /// Cost a unit of time at that interval; null likewise.
    pub cost_rate: Option<f64>,
    /// Cost a unit of time when run to failure.
    pub run_to_failure_cost_rate: f64,
    /// Why there is no interval, where there is none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<&'static str>,
    /// Which formula gave the answer.
    pub model: Model,
    /// What to mind.
    pub cautions: Vec<&'static str>,
}

/// Long-run cost a unit of time when renewed at an age that a share `reliability` reaches, with the mean time in service
/// `∫₀ᵀ R` up to that age; for any life.
///
/// ```
/// use garboard::science::inspection_interval::age_replacement_cost_rate;
/// // Uniform life on 0 to 40 000, renewed at 20 000.
/// assert!((age_replacement_cost_rate(100.0, 200.0, 0.5, 15_000.0) - 0.01).abs() < 1e-12);
/// ```
#[must_use]
pub fn age_replacement_cost_rate(
    cost_planned: f64,
    cost_failure: f64,
    reliability: f64,
    mean_time_in_service: f64,
) -> f64 {
    (cost_planned * reliability + cost_failure * (1.0 - reliability)) / mean_time_in_service
}

/// Inspections needed within the time from a fault's being visible to its failure, so that all missing it has at most
/// the accepted chance: `ln(accepted)/ln(1 - detection)`, rounded up; each is independent (NAVAIR 00-25-403, from
/// memory). None where nothing is ever detected or accepted.
///
/// ```
/// assert_eq!(garboard::science::inspection_interval::inspections_before_failure(0.9, 0.01), Some(2));
/// ```
#[must_use]
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "as-casts saturate")]
pub fn inspections_before_failure(detection: f64, accepted_miss: f64) -> Option<u32> {
    let within = |p: f64| p > 0.0 && p < 1.0;
    (within(detection) && within(accepted_miss))
        .then(|| (accepted_miss.ln() / (-detection).ln_1p() - 1e-9).ceil().max(1.0) as u32)
}

impl WeibullLife {
    /// ∫₀ᵀ R = (scale/shape) γ(1/shape, (T/scale)^shape).
    fn mean_time_in_service(self, t: f64) -> f64 {
        let order = 1.0 / self.shape;
        self.mean() * gamma_lr(order, (t / self.scale).powf(self.shape))
    }

    fn mean(self) -> f64 {
        self.scale * gamma(1.0 + 1.0 / self.shape)
    }

    fn hazard(self, t: f64) -> f64 {
        self.shape / self.scale * (t / self.scale).powf(self.shape - 1.0)
    }

    /// Root of h(T) ∫R - F(T) = Cp/(Cf - Cp), whose left side rises where the shape is above 1.
    fn cheapest(self, ratio: f64) -> Option<f64> {
        let excess = |log_t: f64| {
            let t = self.scale * log_t.exp();
            self.hazard(t) * self.mean_time_in_service(t)
                - (1.0 - survival(t, self.scale, self.shape))
                - ratio
        };
        let (mut low, mut high) = (-30.0, LATEST_SCALES.ln());
        if excess(high) < 0.0 {
            return None;
        }
        while high - low > 1e-13 {
            let middle = f64::midpoint(low, high);
            if middle <= low || middle >= high {
                break;
            }
            if excess(middle) < 0.0 { low = middle } else { high = middle }
        }
        Some(self.scale * high.exp())
    }
}

/// The interval of planned renewal with the least cost a unit of time.
///
/// # Formula
/// Minimises `[Cp R(T) + Cf F(T)]/∫₀ᵀ R`: at the optimum `h(T) ∫₀ᵀ R - F(T) = Cp/(Cf - Cp)` (Barlow and Proschan 1965,
/// ch. 4). Run to failure costs `Cf/(scale Γ(1 + 1/shape))`. No finite optimum where the hazard does not rise (shape
/// ≤ 1) or a failure costs no more than a planned renewal. Shapes of 0.1 to 50.
///
/// ```
/// let input = serde_json::json!({"model": {"scale": 1000, "shape": 2.5}, "cost_planned": 1, "cost_failure": 5});
/// let input = serde_json::from_value(input).expect("the fields above");
/// let answer = garboard::science::inspection_interval::inspection_interval(&input).expect("in range");
/// assert!((answer.interval.expect("it wears") - 493.047).abs() < 0.01);
/// ```
///
/// # Errors
/// A value out of its range.
pub fn inspection_interval(input: &InspectionIntervalInput) -> Result<InspectionIntervalOutput, Refusals> {
    let mut refusals = Refusals::default();
    for (pointer, value, low, high) in [
        ("/model/scale", input.model.scale, 1e-6, 1e9),
        ("/model/shape", input.model.shape, 0.1, 50.0),
        ("/cost_planned", input.cost_planned, 1e-9, 1e12),
        ("/cost_failure", input.cost_failure, 1e-9, 1e12),
    ] {
        refusals.range(pointer, value, low, high, "");
    }
    refusals.into_result()?;
    let (life, planned, failure) = (input.model, input.cost_planned, input.cost_failure);
    let (mut interval, mut reason) = (None, None);
    if life.shape <= 1.0 {
        reason =
            Some("No finite optimum: the hazard does not rise with age (shape at most 1); run to failure.");
    } else if failure <= planned {
        reason = Some("No finite optimum: a failure costs no more than a planned renewal; run to failure.");
    } else {
        interval = life.cheapest(planned / (failure - planned));
        if interval.is_none() {
            reason =
                Some("The optimum lies beyond a thousand scales, where it saves nothing; run to failure.");
        }
    }
    Ok(InspectionIntervalOutput {
        interval,
        cost_rate: interval.map(|t| {
            let reliability = survival(t, life.scale, life.shape);
            age_replacement_cost_rate(planned, failure, reliability, life.mean_time_in_service(t))
        }),
        run_to_failure_cost_rate: failure / life.mean(),
        reason,
        model: Model { name: "inspection-interval", version: 1 },
        cautions: cautions([]),
    })
}

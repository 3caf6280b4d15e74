//! Lifetimes from a fleet that is inspected now and then: the `lifetime` calculator.
//!
//! Inspections bracket an event: it happened after `lower` and not after `upper`. Weibull maximum likelihood (Meeker and
//! Escobar, Statistical Methods for Reliability Data, 1998, ch. 8) and Turnbull's estimate without a formula. S(t) is
//! P(T > t).

mod turnbull;
mod weibull;

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::cautions::cautions;
use super::model::Model;
use super::refusal::Refusals;

pub use turnbull::TurnbullMass;
pub use weibull::{WeibullFit, conditional_quantile, survival, weibull_fit};

/// Most observations taken.
pub const MAX_OBSERVATIONS: usize = 200_000;

/// Most quantiles or times asked for.
const MAX_QUESTIONS: usize = 1_000;

/// Refusals listed before the rest is left unread.
const MOST_REFUSALS: usize = 100;

/// Longest time taken.
const MAX_TIME: f64 = 1e9;

/// When an event was: exact where `lower` equals `upper`, right-censored where `upper` is null, left-censored where
/// `lower` is 0, else in (lower, upper].
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Observation {
    /// Last time without the event.
    pub lower: f64,
    /// First time with it; null where it has not been seen.
    pub upper: Option<f64>,
    /// How many observations of this kind.
    #[serde(default = "one")]
    pub count: u32,
}

fn one() -> u32 {
    1
}

/// A conditional quantile.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct QuantileAsked {
    /// Share that has failed, above 0, under 1.
    pub p: f64,
    /// Of those alive at this age.
    #[serde(default)]
    pub age: f64,
}

/// Observations and what is asked of them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct LifetimeInput {
    /// The observations; at most 200,000.
    pub observations: Vec<Observation>,
    /// Quantiles to tell; at most 1,000.
    #[serde(default)]
    pub quantiles: Vec<QuantileAsked>,
    /// Times to tell the survival at; at most 1,000.
    #[serde(default)]
    pub at: Vec<f64>,
}

/// The least scale that is consistent with no failure seen, for one shape.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct ScaleBound {
    /// The shape it holds for.
    pub shape: f64,
    /// The confidence it holds with.
    pub confidence: f64,
    /// The scale is at least this.
    pub scale: f64,
}

/// Why there is no Weibull fit.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct NoMaximum {
    /// A stable word: `all_right_censored`, `all_left_censored`, `one_time_fits_all` or `unbounded`.
    pub code: &'static str,
    /// One sentence.
    pub detail: String,
    /// A lower bound for the scale, where one exists.
    pub scale_lower_bound: Option<ScaleBound>,
}

/// Survival at a time, P(T > t).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct SurvivalAt {
    /// The time.
    pub t: f64,
    /// By the Weibull fit, if there is one.
    pub weibull: Option<f64>,
    /// By Turnbull's estimate; null within an interval that holds mass, where nothing tells it.
    pub turnbull: Option<f64>,
}

/// A conditional quantile of the Weibull fit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct LifetimeQuantile {
    /// The share asked for.
    pub p: f64,
    /// The age asked for.
    pub age: f64,
    /// The time by which that share of those alive at that age has failed; null without a fit.
    pub value: Option<f64>,
    /// Lower end of its 95 % interval.
    pub lower: Option<f64>,
    /// Upper end.
    pub upper: Option<f64>,
}

/// What the observations tell of the life.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct LifetimeOutput {
    /// The Weibull fit; null where the likelihood has no maximum.
    pub weibull: Option<WeibullFit>,
    /// Why there is no fit, where there is none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub no_maximum: Option<NoMaximum>,
    /// Turnbull's estimate.
    pub turnbull: Vec<TurnbullMass>,
    /// One for each time asked for.
    pub survival: Vec<SurvivalAt>,
    /// One for each quantile asked for.
    pub quantiles: Vec<LifetimeQuantile>,
    /// Which formula gave the answer.
    pub model: Model,
    /// What to mind.
    pub cautions: Vec<&'static str>,
}

impl LifetimeInput {
    fn check(&self) -> Result<(), Refusals> {
        let mut refusals = Refusals::default();
        let n = self.observations.len();
        if n == 0 {
            refusals.refuse("/observations", "empty", "is empty; enter at least one observation");
        } else if n > MAX_OBSERVATIONS {
            let detail = format!("has {n} observations; enter at most {MAX_OBSERVATIONS}, with counts");
            refusals.refuse("/observations", "too_many", detail);
        }
        for (pointer, n) in [("/quantiles", self.quantiles.len()), ("/at", self.at.len())] {
            if n > MAX_QUESTIONS {
                refusals.refuse(pointer, "too_many", format!("has {n}; enter at most {MAX_QUESTIONS}"));
            }
        }
        refusals.clone().into_result()?;
        for (n, observation) in self.observations.iter().enumerate() {
            if refusals.0.len() >= MOST_REFUSALS {
                break;
            }
            observation.check(n, &mut refusals);
        }
        for (n, asked) in self.quantiles.iter().enumerate() {
            refusals.range(&format!("/quantiles/{n}/p"), asked.p, 1e-9, 1.0 - 1e-9, "");
            refusals.range(&format!("/quantiles/{n}/age"), asked.age, 0.0, MAX_TIME, "");
        }
        for (n, &t) in self.at.iter().enumerate() {
            refusals.range(&format!("/at/{n}"), t, 0.0, MAX_TIME, "");
        }
        refusals.into_result()
    }

    /// Where the likelihood grows for ever; the rest shows as the fit goes out of bounds.
    fn no_maximum(&self) -> Option<NoMaximum> {
        let upper = |observation: &Observation| observation.upper.unwrap_or(f64::INFINITY);
        let latest_lower = self.observations.iter().map(|o| o.lower).fold(0.0, f64::max);
        let first_upper = self.observations.iter().map(upper).fold(f64::INFINITY, f64::min);
        if first_upper == f64::INFINITY {
            const CONFIDENCE: f64 = 0.95;
            let time: f64 = self.observations.iter().map(|o| o.lower * f64::from(o.count)).sum();
            let scale_lower_bound = (time > 0.0).then(|| ScaleBound {
                shape: 1.0,
                confidence: CONFIDENCE,
                scale: time / -(1.0 - CONFIDENCE).ln(),
            });
            return Some(NoMaximum {
                code: "all_right_censored",
                detail: "No event was seen: any greater scale is more likely. Only a lower bound can be told, for a \
                         shape that is assumed."
                    .to_owned(),
                scale_lower_bound,
            });
        }
        let (code, detail) = if latest_lower == 0.0 {
            ("all_left_censored", "Every event was before the first look: any smaller scale is more likely.")
        } else if latest_lower <= first_upper {
            (
                "one_time_fits_all",
                "One time fits every observation: any greater shape is more likely. More observations are needed.",
            )
        } else {
            return None;
        };
        Some(NoMaximum { code, detail: detail.to_owned(), scale_lower_bound: None })
    }
}

impl Observation {
    fn check(&self, n: usize, refusals: &mut Refusals) {
        let upper = self.upper.unwrap_or(MAX_TIME);
        if (0.0..=MAX_TIME).contains(&self.lower)
            && (0.0..=MAX_TIME).contains(&upper)
            && upper >= self.lower
            && upper > 0.0
            && self.count > 0
        {
            return;
        }
        let at = |field: &str| format!("/observations/{n}/{field}");
        refusals.range(&at("lower"), self.lower, 0.0, MAX_TIME, "");
        refusals.range(&at("upper"), upper, f64::MIN_POSITIVE, MAX_TIME, "or null");
        if upper < self.lower {
            refusals.refuse(at("upper"), "order", "is before lower; enter a later time or null");
        }
        if self.count == 0 {
            refusals.refuse(
                at("count"),
                "out_of_range",
                "is 0; enter 1 or more, or leave the observation out",
            );
        }
    }
}

/// Weibull and Turnbull estimates of a life from bracketed events, with survival and conditional quantiles.
///
/// # Formula
/// Likelihood: density for an exact event, S(lower) for a right-censored one, 1 - S(upper) for a left-censored one,
/// S(lower) - S(upper) else, each to the power of its count; S(t) = exp(-(t/scale)^shape). Newton in (log scale, log
/// shape); covariance from the observed information; a quantile at an age is
/// `scale ((age/scale)^shape - ln(1-p))^(1/shape)`, its 95 % interval by the delta method (Meeker and Escobar 1998,
/// ch. 8). Turnbull's masses (1976) are taken when the log likelihood can gain no more than 1e-9 an observation, by the
/// greatest pull of any interval. Times of 0 to 1e9 in any unit, at most 200,000 observations, shapes of 0.01 to
/// 1,000.
///
/// ```
/// let input = serde_json::json!({"observations": [
///     {"lower": 3, "upper": 4}, {"lower": 5, "upper": 7}, {"lower": 8, "upper": null, "count": 3}
/// ], "quantiles": [{"p": 0.1, "age": 2}]});
/// let input = serde_json::from_value(input).expect("the fields above");
/// let answer = garboard::science::lifetime::lifetime(&input).expect("in range");
/// assert!(answer.weibull.is_some() && answer.quantiles[0].value > Some(2.0));
/// ```
///
/// # Errors
/// No observations or too many; a time or share out of its range; an upper time before the lower.
pub fn lifetime(input: &LifetimeInput) -> Result<LifetimeOutput, Refusals> {
    input.check()?;
    let mut no_maximum = input.no_maximum();
    let weibull = if no_maximum.is_none() { weibull_fit(&input.observations) } else { None };
    if weibull.is_none() && no_maximum.is_none() {
        no_maximum = Some(NoMaximum {
            code: "unbounded",
            detail: "The likelihood of these observations has no maximum within shapes of 0.01 to 1,000. Check them, \
                     or gather more."
                .to_owned(),
            scale_lower_bound: None,
        });
    }
    let (turnbull, open_gain) = turnbull::estimate(&input.observations);
    let mut cautions = cautions([]);
    if open_gain > 1e-4 {
        cautions.push("Turnbull's estimate was broken off before it settled: take its masses as rough.");
    }
    Ok(LifetimeOutput {
        survival: input
            .at
            .iter()
            .zip(turnbull::survivals(&turnbull, &input.at))
            .map(|(&t, by_masses)| SurvivalAt {
                t,
                weibull: weibull.map(|fit| survival(t, fit.scale, fit.shape)),
                turnbull: by_masses,
            })
            .collect(),
        quantiles: input
            .quantiles
            .iter()
            .map(|&QuantileAsked { p, age }| {
                let found = weibull.map(|fit| fit.quantile(p, age));
                LifetimeQuantile {
                    p,
                    age,
                    value: found.map(|(value, ..)| value),
                    lower: found.map(|(_, lower, _)| lower),
                    upper: found.map(|(.., upper)| upper),
                }
            })
            .collect(),
        weibull,
        no_maximum,
        turnbull,
        model: Model { name: "lifetime", version: 1 },
        cautions,
    })
}

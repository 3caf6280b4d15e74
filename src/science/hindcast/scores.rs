//! Scores of probabilities against what came, and of ranges.
//!
//! | score | equation | source |
//! |---|---|---|
//! | [`brier_score`] | (p - y)² | Brier 1950 |
//! | [`log_score`] | -ln p where it came, -ln(1 - p) where not | Good 1952 |
//! | [`Comparison`] | skill 1 - S̄/S̄₀; the standard error of S̄ - S̄₀ by vessels | Murphy 1973; Liang and Zeger 1986 |
//! | [`all_but_one_share`] | (k - y + ½) / n over n surveys of which k came | Krichevsky and Trofimov 1981, each left out of its own |
//! | [`covered_fraction`] | mean over ranges of their share within two bounds | its own |
//! | [`Spread`] | ten even cells, χ² with nine degrees | Pearson 1900 |
//!
//! p and y (0 or 1) have no unit; lower scores are better; p is held within [`LEAST_PROBABILITY`] of 0 and 1 in the log
//! score, so that one survey cannot make it infinite. Sources from memory, not re-read.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use statrs::distribution::{ChiSquared, ContinuousCDF};
use utoipa::ToSchema;

/// The least probability, and the least one of the contrary, that the log score counts.
pub const LEAST_PROBABILITY: f64 = 1e-6;

const CELLS: usize = 10;

/// The square of what a probability was off by, 0 to 1.
#[must_use]
pub fn brier_score(probability: f64, came: bool) -> f64 {
    (probability - f64::from(u8::from(came))).powi(2)
}

/// The surprise at what came, in natural units, from 0.
#[must_use]
pub fn log_score(probability: f64, came: bool) -> f64 {
    let of_what_came = if came { probability } else { 1.0 - probability };
    -of_what_came.clamp(LEAST_PROBABILITY, 1.0 - LEAST_PROBABILITY).ln()
}

/// For each of some surveys the share of all the others that came, half a survey of either kind added.
#[must_use]
pub fn all_but_one_share(came: &[bool]) -> Vec<f64> {
    let all = counted(came.len());
    let those_that_came = counted(came.iter().filter(|came| **came).count());
    came.iter().map(|&own| (those_that_came - f64::from(u8::from(own)) + 0.5) / all).collect()
}

/// The mean score of the forecasts beside that of a baseline.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Comparison {
    /// Mean of the forecasts' scores; lower is better.
    pub forecast: f64,
    /// Mean of the baseline's.
    pub baseline: f64,
    /// Share of the baseline's score that the forecasts do away with; below 0 they do worse. Null where the baseline's
    /// score is 0.
    pub skill: Option<f64>,
    /// Standard error of the difference of the two means, the surveys of one vessel taken as one.
    pub difference_standard_error: f64,
}

impl Comparison {
    /// Compares scores survey by survey; `clusters` tells which belong to one vessel. None where there are none.
    #[must_use]
    pub fn of(forecast: &[f64], baseline: &[f64], clusters: &[usize]) -> Option<Self> {
        let count = counted(forecast.len());
        if forecast.is_empty() || forecast.len() != baseline.len() || forecast.len() != clusters.len() {
            return None;
        }
        let [mean, of_baseline] = [forecast, baseline].map(|scores| scores.iter().sum::<f64>() / count);
        let mut by_cluster: BTreeMap<usize, f64> = BTreeMap::new();
        for ((own, other), cluster) in forecast.iter().zip(baseline).zip(clusters) {
            *by_cluster.entry(*cluster).or_default() += (own - other) - (mean - of_baseline);
        }
        let square: f64 = by_cluster.values().map(|off| off * off).sum();
        Some(Self {
            forecast: mean,
            baseline: of_baseline,
            skill: (of_baseline > 0.0).then(|| 1.0 - mean / of_baseline),
            difference_standard_error: square.sqrt() / count,
        })
    }
}

/// The mean share of some ranges that lies between two bounds: how often a point drawn evenly from each would.
///
/// A range of no width counts as the point it is. None where there are no ranges.
#[must_use]
pub fn covered_fraction(ranges: &[(f64, f64)], low: f64, high: f64) -> Option<f64> {
    let within = |&(from, to): &(f64, f64)| {
        if to > from {
            (to.min(high) - from.max(low)).max(0.0) / (to - from)
        } else {
            f64::from(u8::from((low..=high).contains(&from)))
        }
    };
    (!ranges.is_empty()).then(|| ranges.iter().map(within).sum::<f64>() / counted(ranges.len()))
}

/// How some values lie over 0 to 1.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Spread {
    /// How many lie in each tenth.
    pub tenths: Vec<u32>,
    /// Pearson's sum over the tenths.
    pub chi_square: f64,
    /// The chance of a sum as large or larger, were they even.
    pub chi_square_probability: f64,
}

impl Spread {
    /// Counts values; none where there are none.
    #[must_use]
    pub fn of(values: &[f64]) -> Option<Self> {
        let mut tenths = vec![0_u32; CELLS];
        for value in values {
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 9")]
            let cell = (value * 10.0).clamp(0.0, 9.0) as usize;
            tenths[cell] += 1;
        }
        let expected = counted(values.len()) / counted(CELLS);
        let chi_square =
            tenths.iter().map(|&seen| (f64::from(seen) - expected).powi(2) / expected).sum::<f64>();
        let distribution = ChiSquared::new(counted(CELLS - 1)).ok()?;
        (!values.is_empty()).then(|| Self {
            tenths,
            chi_square,
            chi_square_probability: distribution.sf(chi_square),
        })
    }
}

/// A count as a number.
#[must_use]
pub fn counted(count: usize) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "surveys, by far less than 2^52")]
    let count = count as f64;
    count
}

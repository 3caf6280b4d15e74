//! Weighted quantiles, midpoint definition.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::day;

/// Three quantiles of a quantity.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Quantiles {
    /// One in ten lies below.
    pub p10: f64,
    /// Half lie below.
    pub p50: f64,
    /// Nine in ten lie below.
    pub p90: f64,
}

/// Three quantiles of a date; none where it lies past the horizon or never comes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct DateQuantiles {
    /// One in ten lies before.
    pub p10: Option<NaiveDate>,
    /// Half lie before.
    pub p50: Option<NaiveDate>,
    /// Nine in ten lie before.
    pub p90: Option<NaiveDate>,
}

/// A sample with its weights, put in order once.
///
/// With the values sorted and the weights w summing to one, value i stands at the probability
/// cᵢ = w₁ + ... + wᵢ₋₁ + wᵢ / 2; between two such points the quantile is interpolated linearly,
/// outside the first and last it is the first or last value (R. J. Hyndman and Y. Fan, "Sample quantiles
/// in statistical packages", The American Statistician 50 (1996) 361-365, definition 5, which this is for
/// equal weights). A value may be infinite: what lies between it and a finite one is infinite too.
#[derive(Debug, Clone)]
pub struct WeightedSample {
    /// Value and midpoint probability, ascending.
    points: Vec<(f64, f64)>,
}

impl WeightedSample {
    /// Orders `(value, weight)` pairs. Pairs of no weight are left out; none is returned where nothing
    /// weighs anything.
    #[must_use]
    pub fn new(pairs: impl IntoIterator<Item = (f64, f64)>) -> Option<Self> {
        let mut points: Vec<(f64, f64)> = pairs.into_iter().filter(|&(_, weight)| weight > 0.0).collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        let total: f64 = points.iter().map(|&(_, weight)| weight).sum();
        if !(total > 0.0 && total.is_finite()) {
            return None;
        }
        let mut before = 0.0;
        for (_, weight) in &mut points {
            let own = *weight / total;
            *weight = before + own / 2.0;
            before += own;
        }
        Some(Self { points })
    }

    /// The value below which the share `p` of the weight lies.
    #[must_use]
    pub fn quantile(&self, p: f64) -> f64 {
        let above = self.points.partition_point(|&(_, at)| at < p);
        if above == 0 {
            return self.points[0].0;
        }
        let (low, low_at) = self.points[above - 1];
        let Some(&(high, high_at)) = self.points.get(above) else {
            return low;
        };
        // The first test also keeps infinity minus infinity out of the interpolation.
        if low >= high { low } else { low + (high - low) * (p - low_at) / (high_at - low_at) }
    }

    /// The 10, 50 and 90 % quantiles.
    #[must_use]
    pub fn quantiles(&self) -> Quantiles {
        Quantiles { p10: self.quantile(0.1), p50: self.quantile(0.5), p90: self.quantile(0.9) }
    }

    /// The quantiles as dates, the values being day numbers; none past `horizon`.
    #[must_use]
    pub fn dates(&self, horizon: NaiveDate) -> DateQuantiles {
        let date = |p| day::date_within(self.quantile(p), horizon);
        DateQuantiles { p10: date(0.1), p50: date(0.5), p90: date(0.9) }
    }
}

//! When the slowest of several stations will be dry.

use serde::Serialize;
use utoipa::ToSchema;

use super::quantile;

/// When the slowest station will be dry; a quantile is null where so many draws never get there.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct HullReadyDay {
    /// One draw in ten says sooner.
    pub p10: Option<f64>,
    /// Half say sooner.
    pub p50: Option<f64>,
    /// Nine in ten say sooner.
    pub p90: Option<f64>,
}

/// The day of the slowest station, by the days drawn for each.
///
/// # Formula
/// The n-th draw of the hull is the latest of the n-th draws of its stations, so P(hull dry by t) = Π P(station dry by t)
/// (the largest of independent variables; David and Nagaraja, Order Statistics, 2003, section 2.1; from memory). The
/// stations are taken as independent: where they dry alike the hull is ready sooner than told.
///
/// ```
/// use garboard::science::drying::slowest;
/// let day = slowest(&[vec![3.0, 9.0, 4.0], vec![5.0, 2.0, 4.5]]).expect("two stations");
/// assert_eq!(day.p50, Some(5.0));
/// ```
///
/// None without a station or a draw.
#[must_use]
pub fn slowest(stations: &[Vec<f64>]) -> Option<HullReadyDay> {
    let draws = stations.iter().map(Vec::len).min().filter(|&draws| draws > 0)?;
    let mut days: Vec<f64> = (0..draws)
        .map(|n| stations.iter().map(|station| station[n]).fold(f64::NEG_INFINITY, f64::max))
        .collect();
    days.sort_by(f64::total_cmp);
    let told = |p| Some(quantile(&days, p)).filter(|day| day.is_finite());
    Some(HullReadyDay { p10: told(0.1), p50: told(0.5), p90: told(0.9) })
}

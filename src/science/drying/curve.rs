//! Least squares of a drying curve `y = y_eq + (y0 - y_eq) exp(-k t)`, and its bootstrap.

use serde::Serialize;
use utoipa::ToSchema;

/// Rates looked through before the best is closed in on.
const RATES: usize = 96;

/// Steps of the golden section, each 0.618 of the last: 60 leave 3e-13.
const SECTIONS: usize = 60;

/// Resampled curves.
const RESAMPLES: usize = 1_000;

/// A fitted drying curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct DryingFit {
    /// Value at day 0.
    pub y0: f64,
    /// Value it settles at.
    pub y_eq: f64,
    /// Rate, 1/day.
    pub k_per_day: f64,
    /// Standard errors.
    pub se: DryingErrors,
}

/// Standard errors of a fitted drying curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct DryingErrors {
    /// Of the value at day 0.
    pub y0: f64,
    /// Of the value it settles at.
    pub y_eq: f64,
    /// Of the rate, 1/day.
    pub k_per_day: f64,
}

/// The curve's three numbers.
#[derive(Debug, Clone, Copy)]
pub(super) struct Curve {
    pub y0: f64,
    pub y_eq: f64,
    pub k: f64,
}

impl Curve {
    pub fn at(&self, day: f64) -> f64 {
        self.y_eq + (self.y0 - self.y_eq) * (-self.k * day).exp()
    }

    /// The day on which the curve is down at the target; infinite where it never is, not before the first reading.
    pub fn reaches(&self, target: f64, first_day: f64) -> f64 {
        if self.at(first_day) <= target && self.y_eq <= target {
            return first_day;
        }
        if self.y_eq >= target {
            return f64::INFINITY;
        }
        (((self.y0 - self.y_eq) / (target - self.y_eq)).ln() / self.k).max(first_day)
    }
}

/// For one rate, the best `y0` and `y_eq` by linear least squares, with the sum of squares left.
fn at_rate(k: f64, days: &[f64], values: &[f64], decays: Option<&[f64]>) -> Option<(f64, Curve)> {
    let decay = |n: usize| decays.map_or_else(|| (-k * days[n]).exp(), |decays| decays[n]);
    #[expect(clippy::cast_precision_loss, reason = "at most 400 readings")]
    let count = values.len() as f64;
    let (mut mean_e, mut mean_y) = (0.0, 0.0);
    for (n, y) in values.iter().enumerate() {
        mean_e += decay(n) / count;
        mean_y += y / count;
    }
    let (mut ee, mut ey, mut yy) = (0.0, 0.0, 0.0);
    for (n, y) in values.iter().enumerate() {
        let (e, y) = (decay(n) - mean_e, y - mean_y);
        ee += e * e;
        ey += e * y;
        yy += y * y;
    }
    if ee <= 0.0 || yy <= 0.0 {
        return None;
    }
    let drop = ey / ee;
    let y_eq = mean_y - drop * mean_e;
    Some(((yy - ey * drop).max(0.0), Curve { y0: y_eq + drop, y_eq, k }))
}

/// The rates looked through for a set of days, with exp(-k t) of each: they are the same for every resample.
pub(super) struct Rates<'a> {
    days: &'a [f64],
    rates: Vec<(f64, Vec<f64>)>,
}

impl<'a> Rates<'a> {
    /// From a tenth of a time constant within the span to a time constant much shorter than the closest readings.
    pub fn new(days: &'a [f64], span: f64) -> Self {
        let (slow, fast) = ((1e-3 / span).ln(), (300.0 / span).ln());
        let rates = (0..RATES)
            .map(|n| {
                #[expect(clippy::cast_precision_loss, reason = "under a hundred")]
                let share = n as f64 / (RATES - 1) as f64;
                let k = (slow + share * (fast - slow)).exp();
                (k, days.iter().map(|day| (-k * day).exp()).collect())
            })
            .collect();
        Self { days, rates }
    }

    /// The best curve through values; none where they tell no rate: all alike, or best at the end of the rates.
    pub fn fit(&self, values: &[f64]) -> Option<(f64, Curve)> {
        let left = |n: usize| {
            let (k, decays) = &self.rates[n];
            at_rate(*k, self.days, values, Some(decays)).map_or(f64::INFINITY, |(left, _)| left)
        };
        let squares: Vec<f64> = (0..RATES).map(left).collect();
        let best = (0..RATES).min_by(|&a, &b| squares[a].total_cmp(&squares[b]))?;
        if best == 0 || best + 1 == RATES || !squares[best].is_finite() {
            return None;
        }
        let golden = (5.0_f64.sqrt() - 1.0) / 2.0;
        let left = |log_k: f64| {
            at_rate(log_k.exp(), self.days, values, None).map_or(f64::INFINITY, |(left, _)| left)
        };
        let (mut low, mut high) = (self.rates[best - 1].0.ln(), self.rates[best + 1].0.ln());
        let (mut a, mut b) = (high - golden * (high - low), low + golden * (high - low));
        let (mut at_a, mut at_b) = (left(a), left(b));
        for _ in 0..SECTIONS {
            if at_a < at_b {
                (high, b, at_b) = (b, a, at_a);
                a = high - golden * (high - low);
                at_a = left(a);
            } else {
                (low, a, at_a) = (a, b, at_b);
                b = low + golden * (high - low);
                at_b = left(b);
            }
        }
        at_rate(f64::midpoint(low, high).exp(), self.days, values, None)
    }
}

/// Standard errors from the curvature of the sum of squares, variance · (JᵀJ)⁻¹; none where it cannot be inverted.
pub(super) fn errors(curve: &Curve, days: &[f64], variance: f64) -> Option<DryingErrors> {
    let mut m = [[0.0; 3]; 3];
    for &day in days {
        let decay = (-curve.k * day).exp();
        let row = [decay, 1.0 - decay, -(curve.y0 - curve.y_eq) * day * decay];
        for (line, a) in m.iter_mut().zip(row) {
            for (cell, b) in line.iter_mut().zip(row) {
                *cell += a * b;
            }
        }
    }
    let minor = |a: usize, b: usize| m[a][a] * m[b][b] - m[a][b] * m[b][a];
    let determinant = m[0][0] * minor(1, 2) - m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0])
        + m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0]);
    if determinant.is_nan() || determinant <= 1e-12 * m[0][0] * m[1][1] * m[2][2] {
        return None;
    }
    let error = |a, b| (variance * minor(a, b) / determinant).max(0.0).sqrt();
    Some(DryingErrors { y0: error(1, 2), y_eq: error(0, 2), k_per_day: error(0, 1) })
}

/// A seeded source of normal deviates: `SplitMix64` (Steele, Lea and Flood 2014) and Box and Muller 1958.
struct Normals(u64);

impl Normals {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^= z >> 31;
        #[expect(clippy::cast_precision_loss, reason = "53 bits fit")]
        let share = ((z >> 11) as f64 + 0.5) / 9_007_199_254_740_992.0;
        share
    }

    fn next(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

/// The days on which resampled curves reach the target, as drawn; infinite for those that never do or tell no rate.
/// Parametric: the fitted curve with fresh normal errors on the same days (Efron and Tibshirani 1993, ch. 6 and 9).
pub(super) fn resampled_days(
    curve: &Curve,
    rates: &Rates<'_>,
    sigma: f64,
    target: f64,
    seed: u64,
) -> Vec<f64> {
    let mut normals = Normals(seed);
    let first_day = rates.days.iter().copied().fold(f64::INFINITY, f64::min);
    let mut values = vec![0.0; rates.days.len()];
    (0..RESAMPLES)
        .map(|_| {
            for (value, &day) in values.iter_mut().zip(rates.days) {
                *value = curve.at(day) + sigma * normals.next();
            }
            rates.fit(&values).map_or(f64::INFINITY, |(_, curve)| curve.reaches(target, first_day))
        })
        .collect()
}

//! Maximum likelihood of a Weibull life from bracketed events.
//!
//! In u = shape ln(scale) and k = shape the cumulative hazard is exp(k ln t - u), and the log likelihood is concave, for
//! the logarithm of a Weibull life has a location, a scale and a log-concave density (Burridge, Journal of the Royal
//! Statistical Society B 43 (1981) 41-45, from memory): Newton's steps climb to the one maximum from anywhere, or without
//! end where there is none. Logarithms of time are centred and scaled first: k ln t - u = K y - U.

use serde::Serialize;
use utoipa::ToSchema;

use super::Observation;

/// Newton steps before the likelihood counts as having no maximum.
const MAX_STEPS: usize = 200;

/// Shapes outside are no maximum but the way to none.
const SHAPES: std::ops::RangeInclusive<f64> = 1e-2..=1e3;

/// Shapes that a step may come through.
const ON_THE_WAY: std::ops::RangeInclusive<f64> = 1e-6..=1e5;

/// A fitted Weibull life, S(t) = exp(-(t/scale)^shape).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct WeibullFit {
    /// Scale, in the unit of the observations.
    pub scale: f64,
    /// Shape.
    pub shape: f64,
    /// Log likelihood; an exact observation counts with its density.
    pub log_likelihood: f64,
    /// Standard error of the scale.
    pub scale_se: f64,
    /// Standard error of the shape.
    pub shape_se: f64,
    /// Covariance of (scale, shape), from the observed information.
    pub covariance: [[f64; 2]; 2],
}

/// Survival of a Weibull life, `exp(-(t/scale)^shape)`, for times from 0 and positive parameters.
///
/// ```
/// assert!((garboard::science::lifetime::survival(10.0, 10.0, 2.0) - (-1.0_f64).exp()).abs() < 1e-12);
/// ```
#[must_use]
pub fn survival(t: f64, scale: f64, shape: f64) -> f64 {
    (-(t / scale).powf(shape)).exp()
}

/// The time by which a share `p` of those alive at `age` has failed: `scale ((age/scale)^shape - ln(1-p))^(1/shape)`, for
/// 0 < p < 1: the Weibull life cut off at the age.
///
/// ```
/// use garboard::science::lifetime::conditional_quantile;
/// assert!((conditional_quantile(10.0, 1.0, 3.0, 0.05) - 3.512_932_944).abs() < 1e-7);
/// ```
#[must_use]
pub fn conditional_quantile(scale: f64, shape: f64, age: f64, p: f64) -> f64 {
    let hazard = (age / scale).powf(shape) - (-p).ln_1p();
    scale * hazard.powf(1.0 / shape)
}

/// One observation with its bounds as y = (ln t - centre)/spread.
struct Term {
    count: f64,
    lower: f64,
    upper: f64,
    exact: bool,
}

/// Value, gradient and Hessian of the log likelihood in (U, K).
#[derive(Clone, Copy, Default)]
struct Local {
    value: f64,
    gradient: [f64; 2],
    /// UU, UK, KK.
    hessian: [f64; 3],
}

/// Cumulative hazard w = exp(K y - U) with its derivatives: w, [`w_U`, `w_K`], [`w_UU`, `w_UK`, `w_KK`].
fn hazard(y: f64, [u, k]: [f64; 2]) -> (f64, [f64; 2], [f64; 3]) {
    let w = (k * y - u).exp();
    if w == 0.0 {
        return (0.0, [0.0; 2], [0.0; 3]);
    }
    (w, [-w, y * w], [w, -y * w, y * y * w])
}

impl Local {
    fn add(&mut self, count: f64, value: f64, gradient: [f64; 2], hessian: [f64; 3]) {
        self.value += count * value;
        for (sum, part) in self.gradient.iter_mut().zip(gradient) {
            *sum += count * part;
        }
        for (sum, part) in self.hessian.iter_mut().zip(hessian) {
            *sum += count * part;
        }
    }

    fn at(terms: &[Term], at: [f64; 2]) -> Self {
        let mut sum = Self::default();
        let k = at[1];
        for term in terms {
            let (low, low_1, low_2) = hazard(term.lower, at);
            if term.exact {
                // The density of y, ln K + ln w - w; that of t differs by a constant.
                let value = k.ln() + k * term.lower - at[0] - low;
                let gradient = [-1.0 - low_1[0], 1.0 / k + term.lower - low_1[1]];
                sum.add(term.count, value, gradient, [-low_2[0], -low_2[1], -1.0 / (k * k) - low_2[2]]);
                continue;
            }
            // ln(e^-low - e^-high) = -low + ln(1 - e^-d), d = high - low.
            let (high, high_1, high_2) = hazard(term.upper, at);
            let d = if low > 0.0 { low * (k * (term.upper - term.lower)).exp_m1() } else { high };
            if term.upper == f64::INFINITY || d > 700.0 {
                // No upper bound, or all but certain before it.
                sum.add(term.count, -low, low_1.map(|d| -d), low_2.map(|d| -d));
                continue;
            }
            let [d_u, d_k] = [high_1[0] - low_1[0], high_1[1] - low_1[1]];
            // e^d/(e^d - 1)² by the slope 1/(e^d - 1).
            let slope = 1.0 / d.exp_m1();
            let bend = -slope * (1.0 + slope);
            let value = -low + (-(-d).exp_m1()).ln();
            let gradient = [slope * d_u - low_1[0], slope * d_k - low_1[1]];
            let second = |n: usize, product: f64| bend * product + slope * (high_2[n] - low_2[n]) - low_2[n];
            let hessian = [second(0, d_u * d_u), second(1, d_u * d_k), second(2, d_k * d_k)];
            sum.add(term.count, value, gradient, hessian);
        }
        sum
    }
}

/// Inverse of minus the Hessian, if that is positive definite.
fn covariance([uu, uk, kk]: [f64; 3]) -> Option<[f64; 3]> {
    let determinant = uu * kk - uk * uk;
    (uu < 0.0 && determinant > 1e-14 * uu * kk)
        .then(|| [-kk / determinant, uk / determinant, -uu / determinant])
}

/// Centre and spread of the logarithms of the events' times, and how many times more there are in all than events.
fn logarithms(observations: &[Observation]) -> (f64, f64, f64) {
    let (mut n, mut sum, mut squares, mut all) = (0.0, 0.0, 0.0, 0.0);
    for observation in observations {
        let count = f64::from(observation.count);
        all += count;
        if let Some(upper) = observation.upper.map(f64::ln) {
            let z = f64::midpoint(observation.lower.ln().max(upper - 1.0), upper);
            n += count;
            sum += count * z;
            squares += count * z * z;
        }
    }
    let centre = sum / n;
    (centre, (squares / n - centre * centre).max(0.01).sqrt(), all / n)
}

/// The maximum of the likelihood; none where there is none.
///
/// Observations as the calculator takes them: checked by [`lifetime`](super::lifetime), not here.
///
/// ```
/// use garboard::science::lifetime::{Observation, weibull_fit};
/// let seen = |lower, upper| Observation { lower, upper: Some(upper), count: 1 };
/// let fit = weibull_fit(&[seen(3.0, 4.0), seen(5.0, 7.0), seen(8.0, 9.0)]).expect("a maximum");
/// assert!(fit.scale > 5.0 && fit.scale < 8.0 && fit.shape > 1.0);
/// ```
#[must_use]
pub fn weibull_fit(observations: &[Observation]) -> Option<WeibullFit> {
    let (centre, spread, of_all) = logarithms(observations);
    let scaled = |log: f64| (log - centre) / spread;
    let terms: Vec<Term> = observations
        .iter()
        .map(|observation| Term {
            count: f64::from(observation.count),
            lower: scaled(observation.lower.ln()),
            upper: observation.upper.map_or(f64::INFINITY, |upper| scaled(upper.ln())),
            exact: observation.upper == Some(observation.lower),
        })
        .collect();
    // The standard deviation of ln t of a Weibull life is π/(√6 shape); few events of many put the scale later.
    // From a hazard far beyond 1 a step takes back no more than 1 of its logarithm: none is to begin there.
    let latest = terms.iter().map(|term| term.lower).fold(f64::NEG_INFINITY, f64::max);
    let mut at = [(0.577 + of_all.ln()).max(1.28 * latest - 2.0), 1.28];
    let mut here = Local::at(&terms, at);
    let mut damping = 0.0;
    for _ in 0..MAX_STEPS {
        let [g_u, g_k] = here.gradient;
        let [uu, uk, kk] = here.hessian;
        // Damped, in proportion to its own bend, where it is too flat for digits or the last step went wrong.
        let damped = [uu * (1.0 + damping), uk, kk * (1.0 + damping)];
        let tried = covariance(damped).map(|[v_uu, v_uk, v_kk]| {
            let step = [v_uu * g_u + v_uk * g_k, v_uk * g_u + v_kk * g_k];
            // The shape stays above 0.
            let share = if step[1] < -0.9 * at[1] { -0.9 * at[1] / step[1] } else { 1.0 };
            step.map(|step| step * share)
        });
        let next = tried.map(|step| {
            let next = [at[0] + step[0], at[1] + step[1]];
            (step, next, Local::at(&terms, next))
        });
        match next {
            Some((step, ..))
                if damping == 0.0
                    && step[0].abs().max(step[1].abs()) < 1e-9 * (1.0 + at[0].abs()).min(at[1]) =>
            {
                return finished(at, &here, &terms, (centre, spread));
            }
            Some((_, next, there))
                if there.value.is_finite() && there.value >= here.value - 1e-11 * here.value.abs() =>
            {
                (at, here) = (next, there);
                damping = if damping < 1e-6 { 0.0 } else { damping / 8.0 };
            }
            _ => damping = (damping * 8.0).max(1e-3),
        }
        if damping > 1e12 || !ON_THE_WAY.contains(&(at[1] / spread)) {
            return None;
        }
    }
    None
}

fn finished(
    [u, k]: [f64; 2],
    at: &Local,
    terms: &[Term],
    (centre, spread): (f64, f64),
) -> Option<WeibullFit> {
    let [of_u, of_both, of_k] = covariance(at.hessian)?;
    let (scale, shape) = ((centre + spread * u / k).exp(), k / spread);
    // d scale/dU, d scale/dK, d shape/dK; a shape does not depend on U.
    let [by_u, by_k] = [scale * spread / k, -scale * spread * u / (k * k)];
    let shape_by_k = 1.0 / spread;
    let of_scale = by_u * by_u * of_u + 2.0 * by_u * by_k * of_both + by_k * by_k * of_k;
    let both = shape_by_k * (by_u * of_both + by_k * of_k);
    let of_shape = shape_by_k * shape_by_k * of_k;
    if !SHAPES.contains(&shape) {
        return None;
    }
    // From the density of y to that of t.
    let exact = terms.iter().filter(|term| term.exact);
    let log_time: f64 = exact.map(|term| term.count * (centre + spread * term.lower + spread.ln())).sum();
    Some(WeibullFit {
        scale,
        shape,
        log_likelihood: at.value - log_time,
        scale_se: of_scale.sqrt(),
        shape_se: of_shape.sqrt(),
        covariance: [[of_scale, both], [both, of_shape]],
    })
}

impl WeibullFit {
    /// Survival at a time with its 95 % band: the delta method on y = ln(-ln S) = shape ln(t/scale), so that the band
    /// stays within 0 and 1 (Meeker and Escobar 1998, ch. 8). Times from 0.
    #[must_use]
    pub fn survival_band(&self, t: f64) -> (f64, f64, f64) {
        if t <= 0.0 {
            return (1.0, 1.0, 1.0);
        }
        let log_time = (t / self.scale).ln();
        let y = self.shape * log_time;
        let (by_scale, by_shape) = (-self.shape / self.scale, log_time);
        let [[of_scale, of_both], [_, of_shape]] = self.covariance;
        let variance = by_scale * by_scale * of_scale
            + 2.0 * by_scale * by_shape * of_both
            + by_shape * by_shape * of_shape;
        let reach = 1.959_963_985 * variance.max(0.0).sqrt();
        let survival = |y: f64| (-y.exp()).exp();
        (survival(y), survival(y + reach), survival(y - reach))
    }

    /// A conditional quantile with its 95 % interval, by the delta method on the logarithm of the time still to go.
    pub(super) fn quantile(&self, p: f64, age: f64) -> (f64, f64, f64) {
        let value = conditional_quantile(self.scale, self.shape, age, p);
        let log_age = self.shape * (age / self.scale).ln();
        let age_hazard = log_age.exp();
        let hazard = age_hazard - (-p).ln_1p();
        let left = value - age;
        let by_scale = value / left * (1.0 - age_hazard / hazard) / self.scale;
        let age_part = if age > 0.0 { age_hazard * log_age / hazard } else { 0.0 };
        let by_shape = value / left * (age_part - hazard.ln()) / (self.shape * self.shape);
        let [[of_scale, of_both], [_, of_shape]] = self.covariance;
        let variance = by_scale * by_scale * of_scale
            + 2.0 * by_scale * by_shape * of_both
            + by_shape * by_shape * of_shape;
        let reach = (1.959_963_985 * variance.max(0.0).sqrt()).exp();
        (value, age + left / reach, age + left * reach)
    }
}

//! Maximum likelihood of a Weibull life from bracketed events.

use serde::Serialize;
use utoipa::ToSchema;

use super::Observation;

/// Newton steps before the likelihood counts as having no maximum.
const MAX_STEPS: usize = 200;

/// Shapes outside are no maximum but the way to none.
const SHAPES: std::ops::RangeInclusive<f64> = 1e-2..=1e3;

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

/// One observation with the logarithms of its bounds.
struct Term {
    count: f64,
    log_lower: f64,
    log_upper: f64,
    exact: bool,
}

/// Value, gradient and Hessian of the log likelihood in (log scale, log shape).
#[derive(Clone, Copy, Default)]
struct Local {
    value: f64,
    gradient: [f64; 2],
    /// aa, ab, bb.
    hessian: [f64; 3],
}

/// Cumulative hazard w = exp(β(z - a)) with its derivatives: w, [`w_a`, `w_b`], [`w_aa`, `w_ab`, `w_bb`].
fn hazard(z: f64, a: f64, shape: f64) -> (f64, [f64; 2], [f64; 3]) {
    let log = shape * (z - a);
    let w = log.exp();
    if w == 0.0 {
        return (0.0, [0.0; 2], [0.0; 3]);
    }
    let up = 1.0 + log;
    (w, [-shape * w, log * w], [shape * shape * w, -shape * w * up, w * log * up])
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

    fn at(terms: &[Term], a: f64, b: f64) -> Self {
        let shape = b.exp();
        let mut sum = Self::default();
        for term in terms {
            let (low, low_1, low_2) = hazard(term.log_lower, a, shape);
            if term.exact {
                // ln f = b - z + ln w - w.
                let log = shape * (term.log_lower - a);
                let value = b - term.log_lower + log - low;
                let gradient = [-shape - low_1[0], 1.0 + log - low_1[1]];
                sum.add(term.count, value, gradient, [-low_2[0], -shape - low_2[1], log - low_2[2]]);
            } else if term.log_upper == f64::INFINITY {
                sum.add(term.count, -low, low_1.map(|d| -d), low_2.map(|d| -d));
            } else {
                // ln(e^-low - e^-high) = -low + ln(1 - e^-d), d = high - low.
                let (high, high_1, high_2) = hazard(term.log_upper, a, shape);
                let d =
                    if low > 0.0 { low * (shape * (term.log_upper - term.log_lower)).exp_m1() } else { high };
                let [d_a, d_b] = [high_1[0] - low_1[0], high_1[1] - low_1[1]];
                let slope = 1.0 / d.exp_m1();
                if d > 700.0 {
                    // The event is all but certain before the upper bound: as if there were none.
                    sum.add(term.count, -low, low_1.map(|d| -d), low_2.map(|d| -d));
                    continue;
                }
                // e^d/(e^d - 1)² by the slope 1/(e^d - 1).
                let bend = -slope * (1.0 + slope);
                let value = -low + (-(-d).exp_m1()).ln();
                let gradient = [slope * d_a - low_1[0], slope * d_b - low_1[1]];
                let second =
                    |n: usize, product: f64| bend * product + slope * (high_2[n] - low_2[n]) - low_2[n];
                let hessian = [second(0, d_a * d_a), second(1, d_a * d_b), second(2, d_b * d_b)];
                sum.add(term.count, value, gradient, hessian);
            }
        }
        sum
    }
}

/// Inverse of minus the Hessian, if that is positive definite.
fn covariance([aa, ab, bb]: [f64; 3]) -> Option<[f64; 3]> {
    let determinant = aa * bb - ab * ab;
    (aa < 0.0 && determinant > 1e-14 * aa * bb)
        .then(|| [-bb / determinant, ab / determinant, -aa / determinant])
}

fn start(terms: &[Term]) -> (f64, f64) {
    let (mut n, mut sum, mut squares, mut all) = (0.0, 0.0, 0.0, 0.0);
    for term in terms {
        all += term.count;
        if term.log_upper < f64::INFINITY {
            let z = f64::midpoint(term.log_lower.max(term.log_upper - 1.0), term.log_upper);
            n += term.count;
            sum += term.count * z;
            squares += term.count * z * z;
        }
    }
    let mean = sum / n;
    let spread = (squares / n - mean * mean).max(0.01).sqrt();
    // The standard deviation of ln t of a Weibull life is π/(√6 shape); few events of many put the scale later.
    let shape = (1.28 / spread).clamp(0.3, 10.0);
    (mean + 0.577 / shape + (all / n).ln() / shape, shape.ln())
}

/// The maximum of the likelihood by damped Newton steps in (log scale, log shape); none where there is none.
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
    let terms: Vec<Term> = observations
        .iter()
        .map(|observation| Term {
            count: f64::from(observation.count),
            log_lower: observation.lower.ln(),
            log_upper: observation.upper.map_or(f64::INFINITY, f64::ln),
            exact: observation.upper == Some(observation.lower),
        })
        .collect();
    let total: f64 = terms.iter().map(|term| term.count).sum();
    let (mut a, mut b) = start(&terms);
    let mut here = Local::at(&terms, a, b);
    let mut damping = 0.0;
    for _ in 0..MAX_STEPS {
        let [g_a, g_b] = here.gradient;
        let [aa, ab, bb] = here.hessian;
        // More damping where the surface is not concave or the last step went wrong.
        let step = loop {
            if let Some([v_aa, v_ab, v_bb]) = covariance([aa - damping * total, ab, bb - damping * total]) {
                break [v_aa * g_a + v_ab * g_b, v_ab * g_a + v_bb * g_b];
            }
            damping = (damping * 4.0).max(1e-3);
            if damping > 1e12 {
                return None;
            }
        };
        if damping == 0.0 && step[0].abs().max(step[1].abs()) < 1e-9 {
            return finished(a, b, &here);
        }
        let longest = step[0].abs().max(step[1].abs()).max(1.0);
        let (next_a, next_b) = (a + step[0] / longest, b + step[1] / longest);
        let there = Local::at(&terms, next_a, next_b);
        if there.value.is_finite() && there.value >= here.value - 1e-11 * here.value.abs() {
            (a, b, here) = (next_a, next_b, there);
            damping = if damping < 1e-6 { 0.0 } else { damping / 8.0 };
        } else {
            damping = (damping * 8.0).max(1e-3);
            if damping > 1e12 {
                return None;
            }
        }
        if !SHAPES.contains(&b.exp()) {
            return None;
        }
    }
    None
}

fn finished(a: f64, b: f64, at: &Local) -> Option<WeibullFit> {
    let [by_scale, both, by_shape] = covariance(at.hessian)?;
    let (scale, shape) = (a.exp(), b.exp());
    let covariance =
        [[scale * scale * by_scale, scale * shape * both], [scale * shape * both, shape * shape * by_shape]];
    Some(WeibullFit {
        scale,
        shape,
        log_likelihood: at.value,
        scale_se: scale * by_scale.sqrt(),
        shape_se: shape * by_shape.sqrt(),
        covariance,
    })
}

impl WeibullFit {
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

//! The greatest posterior density over θ and w, and its curvature.

use super::evidence::FleetEvidence;
use super::likelihood::{Detail, Parameters, Sums, sums};
use super::matrix::{Cholesky, dot};
use super::prior::{LearningPrior, PARAMETERS};

/// Most steps of a search; most take ten, those of records that fit no member some dozens.
const MOST_STEPS: u32 = 100;
/// A step whose gain would be less than this ends the search.
const LEAST_GAIN: f64 = 1e-9;
/// Fleets of more hulls are searched by a part of them first.
const WHOLE: usize = 8192;
/// Hulls in such a part.
const PART: usize = 2048;
/// A step takes no weight further than this share of its way to zero.
const TO_THE_BOUNDARY: f64 = 0.9;

/// A fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// θ̂; those that were not free stand at their prior means.
    pub theta: Parameters,
    /// Covariance of θ̂, row by row; that of the prior where a parameter was not free.
    pub covariance: [Parameters; PARAMETERS],
    /// ŵ.
    pub weights: Vec<f64>,
    /// Σ log(ε + L) there.
    pub log_likelihood: f64,
    /// Hulls whose record no member could have given.
    pub contradicted: u32,
    /// Steps taken with the whole fleet.
    pub steps: u32,
    /// Whether no step gained anything more.
    pub converged: bool,
}

/// Which parameters are fitted.
pub type Free = [bool; PARAMETERS];

/// The classes and the shape, not the ratios of skins.
pub const LIVES: Free = [true, true, true, true, true, true, false, false];
/// The ratios of skins besides.
pub const LIVES_AND_SKINS: Free = [true; PARAMETERS];

struct Problem<'a> {
    fleet: &'a FleetEvidence,
    means: Parameters,
    precision: [Parameters; PARAMETERS],
    /// κ/M.
    worth: f64,
    free: Vec<usize>,
}

impl Problem<'_> {
    fn density(&self, theta: &Parameters, weights: &[f64], log_likelihood: f64) -> f64 {
        let off: Parameters = std::array::from_fn(|i| theta[i] - self.means[i]);
        let penalty: f64 = (0..PARAMETERS).map(|i| off[i] * dot(&self.precision[i], &off)).sum();
        let entropy: f64 = weights.iter().map(|weight| weight.ln()).sum();
        log_likelihood - penalty / 2.0 + self.worth * entropy
    }

    fn density_at(&self, theta: &Parameters, weights: &[f64]) -> f64 {
        self.density(theta, weights, sums(self.fleet, theta, weights, Detail::Value).log_likelihood)
    }
}

/// One Newton step under Σ δw = 0, and the profile's curvature over the free parameters.
struct Step {
    theta: Parameters,
    weights: Vec<f64>,
    /// gᵀδ: twice what the step would gain.
    promised: f64,
    curvature: Option<Vec<f64>>,
}

/// Fits the free parameters and the weights; none where the prior has no inverse or nothing is to be fitted.
///
/// The search of a large fleet starts where a part of it leads: most steps are taken with few hulls, and where they end is
/// held to all of them.
#[must_use]
pub fn fit(fleet: &FleetEvidence, prior: &LearningPrior, free: &Free) -> Option<Fit> {
    #[expect(clippy::cast_precision_loss, reason = "4,096 members at most")]
    let even = vec![1.0 / fleet.members as f64; fleet.members];
    if fleet.hulls.len() <= WHOLE {
        return climb(fleet, prior, free, (prior.means, even));
    }
    let part = climb(&part(fleet), prior, free, (prior.means, even))?;
    climb(fleet, prior, free, (part.theta, part.weights))
}

/// Some hulls from everywhere in the fleet, whatever order it is in.
fn part(fleet: &FleetEvidence) -> FleetEvidence {
    /// The golden ratio's fraction: its multiples lie evenly between 0 and 1 and in step with nothing.
    const GOLDEN: f64 = 0.618_033_988_749_894_9;
    #[expect(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a place in the fleet"
    )]
    let place = |n: usize| ((n as f64 * GOLDEN).fract() * fleet.hulls.len() as f64) as usize;
    let hulls = (0..PART).filter_map(|n| fleet.hulls.get(place(n)).cloned()).collect();
    FleetEvidence { members: fleet.members, unknown_classes: fleet.unknown_classes.clone(), hulls }
}

/// The search from a place on.
fn climb(
    fleet: &FleetEvidence,
    prior: &LearningPrior,
    free: &Free,
    (mut theta, mut weights): (Parameters, Vec<f64>),
) -> Option<Fit> {
    #[expect(clippy::cast_precision_loss, reason = "4,096 members at most")]
    let members = fleet.members as f64;
    let problem = Problem {
        fleet,
        means: prior.means,
        precision: prior.precision()?,
        worth: prior.weights_worth_hulls / members,
        free: (0..PARAMETERS).filter(|&i| free[i]).collect(),
    };
    let mut steps = 0;
    loop {
        let found = sums(fleet, &theta, &weights, Detail::Curvature);
        let density = problem.density(&theta, &weights, found.log_likelihood);
        let step = newton(&problem, &theta, &weights, &found)?;
        let converged = step.curvature.is_some() && step.promised.abs() < LEAST_GAIN * (1.0 + density.abs());
        let taken = if converged || steps == MOST_STEPS {
            None
        } else {
            advance(&problem, &theta, &weights, density, &step)
        };
        let Some((next_theta, next_weights)) = taken else {
            return Some(Fit {
                covariance: covariance(prior, &problem.free, step.curvature.as_deref())?,
                theta,
                weights,
                log_likelihood: found.log_likelihood,
                contradicted: found.contradicted,
                steps,
                converged,
            });
        };
        (theta, weights) = (next_theta, next_weights);
        steps += 1;
    }
}

/// With A = -∂²/∂θ², B = ∂²/∂θ∂w, C = -∂²/∂w² and P = C⁻¹ - C⁻¹11ᵀC⁻¹/(1ᵀC⁻¹1):
/// (A - B P Bᵀ) δθ = g_θ + B P g_w, δw = P (g_w + Bᵀ δθ).
fn newton(problem: &Problem, theta: &Parameters, weights: &[f64], sums: &Sums) -> Option<Step> {
    let count = weights.len();
    let mut curvature = sums.weight_curvature.clone();
    let by_weight: Vec<f64> =
        sums.by_weight.iter().zip(weights).map(|(sum, weight)| sum + problem.worth / weight).collect();
    for (index, weight) in weights.iter().enumerate() {
        curvature[index * count + index] += problem.worth / (weight * weight);
    }
    let by_weights = Cholesky::of(&curvature, count)?;
    let ones = by_weights.solve(&vec![1.0; count]);
    let ones_total: f64 = ones.iter().sum();
    let project = |vector: &[f64]| {
        let mut solved = by_weights.solve(vector);
        let excess = solved.iter().sum::<f64>() / ones_total;
        solved.iter_mut().zip(&ones).for_each(|(value, one)| *value -= excess * one);
        solved
    };
    let free = &problem.free;
    let cross: Vec<Vec<f64>> = free.iter().map(|&i| sums.cross.iter().map(|row| row[i]).collect()).collect();
    let projected: Vec<Vec<f64>> = cross.iter().map(|row| project(row)).collect();
    let straight = project(&by_weight);
    let off: Parameters = std::array::from_fn(|i| theta[i] - problem.means[i]);
    let slope = |i: usize| sums.gradient[i] - dot(&problem.precision[i], &off);
    let order = free.len();
    let mut profile = vec![0.0; order * order];
    for (row, &i) in free.iter().enumerate() {
        for (column, &j) in free.iter().enumerate() {
            profile[row * order + column] =
                problem.precision[i][j] - sums.hessian[i][j] - dot(&cross[row], &projected[column]);
        }
    }
    let right: Vec<f64> =
        free.iter().enumerate().map(|(row, &i)| slope(i) + dot(&cross[row], &straight)).collect();
    let regular = Cholesky::of(&profile, order);
    let factor = match &regular {
        Some(factor) => factor.clone(),
        // Far from the top the density may curve upwards; less of its curvature then serves.
        None => (0..40).find_map(|power| {
            let mut steeper = profile.clone();
            for place in 0..order {
                steeper[place * order + place] += 2.0_f64.powi(power);
            }
            Cholesky::of(&steeper, order)
        })?,
    };
    let moved = factor.solve(&right);
    let mut towards = by_weight.clone();
    let mut step = [0.0; PARAMETERS];
    for (row, &i) in free.iter().enumerate() {
        step[i] = moved[row];
        towards.iter_mut().zip(&cross[row]).for_each(|(sum, cross)| *sum += cross * moved[row]);
    }
    let by = project(&towards);
    let promised = free.iter().map(|&i| slope(i) * step[i]).sum::<f64>() + dot(&by_weight, &by);
    Some(Step { theta: step, weights: by, promised, curvature: regular.is_some().then_some(profile) })
}

/// The furthest of the step's halves that gains what such a step should (Armijo); none where none gains.
fn advance(
    problem: &Problem,
    theta: &Parameters,
    weights: &[f64],
    density: f64,
    step: &Step,
) -> Option<(Parameters, Vec<f64>)> {
    let mut share = weights
        .iter()
        .zip(&step.weights)
        .filter(|(_, by)| **by < 0.0)
        .map(|(weight, by)| -TO_THE_BOUNDARY * weight / by)
        .fold(1.0, f64::min);
    // No parameter leaps: a step of two in a logarithm is a factor of seven.
    let longest = step.theta.iter().fold(0.0_f64, |longest, by| longest.max(by.abs()));
    share = share.min(2.0 / longest.max(2.0));
    for _ in 0..40 {
        let next: Parameters = std::array::from_fn(|i| theta[i] + share * step.theta[i]);
        let mut next_weights: Vec<f64> =
            weights.iter().zip(&step.weights).map(|(weight, by)| weight + share * by).collect();
        let total: f64 = next_weights.iter().sum();
        for weight in &mut next_weights {
            *weight /= total;
        }
        if problem.density_at(&next, &next_weights) >= density + 1e-4 * share * step.promised {
            return Some((next, next_weights));
        }
        share /= 2.0;
    }
    None
}

fn covariance(
    prior: &LearningPrior,
    free: &[usize],
    curvature: Option<&[f64]>,
) -> Option<[Parameters; PARAMETERS]> {
    let inverse = Cholesky::of(curvature?, free.len())?.inverse();
    let mut covariance = prior.covariance;
    for (row, &i) in free.iter().enumerate() {
        for (column, &j) in free.iter().enumerate() {
            covariance[i][j] = inverse[row * free.len() + column];
        }
    }
    Some(covariance)
}

#[cfg(test)]
mod tests {
    use super::super::evidence::{HullEvidence, LifeEvidence, SkinSystem};
    use super::{LIVES, PARAMETERS, WHOLE, climb, fit};
    use crate::science::forecast::facts::LaminateClass;
    use crate::science::forecast::priors::Priors;
    use crate::science::learning::evidence::FleetEvidence;
    use crate::science::learning::prior::{LearningPrior, SHAPE};

    /// More hulls than are searched whole: lives by even steps of a Weibull, looked at once, each member with water of its
    /// own, in an order that repeats itself.
    fn large() -> FleetEvidence {
        let classes = [LaminateClass::Orthophthalic, LaminateClass::Isophthalic];
        let hulls = (0..u32::try_from(WHOLE).expect("few") + 1000)
            .map(|n| {
                let (k, of_class) = (n % 600, n as usize % 2);
                let life = [8.0, 14.0][of_class] * (-(1.0 - (f64::from(k) + 0.5) / 600.0).ln()).powf(0.4);
                let looked = 4.0 + f64::from(k % 12);
                let event = life < looked;
                let factors = if event { vec![1.0, -1.0] } else { vec![1.0] };
                let exposures = [0.7_f64, 1.0, 1.3].map(|water| {
                    let at = (looked * water).ln();
                    if event { vec![-300.0, at] } else { vec![at] }
                });
                let log_exposures = exposures.concat();
                let life = LifeEvidence { system: SkinSystem::Gelcoat, event, factors, log_exposures };
                HullEvidence { class: Some(classes[of_class]), lives: vec![life] }
            })
            .collect();
        FleetEvidence { members: 3, unknown_classes: vec![LaminateClass::Isophthalic; 3], hulls }
    }

    #[test]
    fn a_search_that_a_part_began_ends_where_that_of_the_whole_does() {
        let (fleet, prior) = (large(), LearningPrior::of(&Priors::default()));
        let whole = climb(&fleet, &prior, &LIVES, (prior.means, vec![1.0 / 3.0; 3])).expect("a top");
        let begun = fit(&fleet, &prior, &LIVES).expect("a top");
        assert!(whole.converged && begun.converged);
        assert!(begun.steps < whole.steps, "{} {}", begun.steps, whole.steps);
        for i in 0..PARAMETERS {
            let off = (whole.theta[i] - begun.theta[i]).abs();
            assert!(off < 1e-3 * whole.covariance[i][i].sqrt(), "{i}: {off}");
        }
        assert!((begun.log_likelihood - whole.log_likelihood).abs() < 1e-3);
        assert!(
            whole.theta[SHAPE].exp() > 1.5,
            "the lives are those of a Weibull of shape 2.5, not of the prior alone"
        );
        for (one, other) in whole.weights.iter().zip(&begun.weights) {
            assert!((one - other).abs() < 1e-3, "{one} {other}");
        }
    }
}

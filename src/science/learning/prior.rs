//! What is held of a fleet's lives before they are looked at.

use super::matrix::Cholesky;
use crate::science::forecast::ensemble::Population;
use crate::science::forecast::priors::Priors;

/// Parameters of a fit: log η of the five classes, log β, and the log ratios of scale of two skins to gelcoat.
pub const PARAMETERS: usize = 8;
/// Place of log β among them.
pub const SHAPE: usize = 5;
/// Place of the first ratio.
pub const FIRST_RATIO: usize = 6;

/// The share of each class's prior variance of log η that is common to all classes: what is wrong with one of them, such
/// as the climate or what counts as blistering, is in part wrong with all (common practice, no source).
pub const SHARED_BETWEEN_CLASSES: f64 = 0.5;
/// The prior of the members' weights is worth so many hulls (common practice, no source).
pub const WEIGHTS_WORTH_HULLS: f64 = 100.0;
/// Geometric standard deviation of the ratio of two skins' scales (common practice, no source).
const RATIO_GSD: f64 = 1.5;

/// A normal prior of the parameters, and the worth of the weights' own.
#[derive(Debug, Clone, PartialEq)]
pub struct LearningPrior {
    /// Means.
    pub means: [f64; PARAMETERS],
    /// Covariance, row by row.
    pub covariance: [[f64; PARAMETERS]; PARAMETERS],
    /// Worth of the prior of the members' weights, hulls.
    pub weights_worth_hulls: f64,
}

impl LearningPrior {
    /// That of the forecasts, with the classes pooled in part.
    #[must_use]
    pub fn of(priors: &Priors) -> Self {
        let population = Population::prior(priors);
        let mut means = [0.0; PARAMETERS];
        let mut covariance = [[0.0; PARAMETERS]; PARAMETERS];
        for class in 0..SHAPE {
            means[class] = population.log_scale_means[class];
            for other in 0..SHAPE {
                let shared = if class == other { 1.0 } else { SHARED_BETWEEN_CLASSES };
                covariance[class][other] =
                    shared * population.log_scale_sds[class] * population.log_scale_sds[other];
            }
        }
        means[SHAPE] = population.log_shape_mean;
        covariance[SHAPE][SHAPE] = population.log_shape_sd.powi(2);
        for ratio in FIRST_RATIO..PARAMETERS {
            covariance[ratio][ratio] = RATIO_GSD.ln().powi(2);
        }
        Self { means, covariance, weights_worth_hulls: WEIGHTS_WORTH_HULLS }
    }

    /// The inverse of the covariance; none where it has none.
    pub(super) fn precision(&self) -> Option<[[f64; PARAMETERS]; PARAMETERS]> {
        let inverse = Cholesky::of(&self.covariance.concat(), PARAMETERS)?.inverse();
        Some(std::array::from_fn(|i| std::array::from_fn(|j| inverse[i * PARAMETERS + j])))
    }
}

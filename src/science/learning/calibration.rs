//! A fit as it is kept, and the ensemble it gives.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::MODEL;
use super::evidence::FleetEvidence;
use super::fit::{Fit, LIVES, fit};
use super::prior::{LearningPrior, PARAMETERS, SHAPE};
use crate::science::forecast::ensemble::{Ensemble, Lesson, Population};
use crate::science::forecast::facts::LaminateClass;

/// Standard normal deviate of 5 and 95 %.
const NINETY_PERCENT: f64 = 1.644_853_627;

/// What was learned of one laminate class, beside what was held before.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ClassLesson {
    /// The class.
    pub laminate_class: LaminateClass,
    /// Hulls of this class that were looked at.
    pub hulls: u32,
    /// Lives of them in which blistering was found.
    pub events: u32,
    /// Scale held before, exposure years.
    pub prior_scale_exposure_years: f64,
    /// Scale learned, exposure years.
    pub scale_exposure_years: f64,
    /// One in twenty holds it less.
    pub lower_exposure_years: f64,
    /// One in twenty holds it more.
    pub upper_exposure_years: f64,
}

/// The Weibull shape learned, beside the one held before.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ShapeLesson {
    /// Shape held before.
    pub prior_shape: f64,
    /// Shape learned.
    pub shape: f64,
    /// One in twenty holds it less.
    pub lower: f64,
    /// One in twenty holds it more.
    pub upper: f64,
}

/// What was learned from a fleet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Calibration {
    /// Name and version of the fit.
    pub model: String,
    /// Members of the ensemble it was made with, and only serves.
    pub members: usize,
    /// Seed of that ensemble.
    pub seed: u64,
    /// Hulls that were looked at.
    pub hulls: u32,
    /// Their lives.
    pub lives: u32,
    /// Lives in which blistering was found.
    pub events: u32,
    /// Hulls whose record no member could have given.
    pub contradicted: u32,
    /// Log likelihood there.
    pub log_likelihood: f64,
    /// Steps the fit took.
    pub steps: u32,
    /// Whether it came to rest.
    pub converged: bool,
    /// The classes.
    pub classes: Vec<ClassLesson>,
    /// The shape.
    pub shape: ShapeLesson,
    /// Means of log scale of the classes, then of log shape.
    pub means: Vec<f64>,
    /// Their covariance, row by row.
    pub covariance: Vec<Vec<f64>>,
    /// Weights of the members.
    pub weights: Vec<f64>,
}

impl Calibration {
    /// Learns from a fleet whose evidence was read with `ensemble`; none where the fit finds no top.
    #[must_use]
    pub fn learn(fleet: &FleetEvidence, ensemble: &Ensemble, prior: &LearningPrior) -> Option<Self> {
        let found = fit(fleet, prior, &LIVES)?;
        Some(Self::of(fleet, ensemble, prior, &found))
    }

    fn of(fleet: &FleetEvidence, ensemble: &Ensemble, prior: &LearningPrior, found: &Fit) -> Self {
        let (lives, events) = fleet.counts();
        let interval = |i: usize| {
            let half = NINETY_PERCENT * found.covariance[i][i].sqrt();
            ((found.theta[i] - half).exp(), found.theta[i].exp(), (found.theta[i] + half).exp())
        };
        let classes = LaminateClass::ALL
            .into_iter()
            .map(|class| {
                let hulls = || fleet.hulls.iter().filter(|hull| hull.class == Some(class));
                let seen = hulls().flat_map(|hull| &hull.lives).filter(|life| life.event).count();
                let (lower, scale, upper) = interval(class as usize);
                ClassLesson {
                    laminate_class: class,
                    hulls: counted(hulls().count()),
                    events: counted(seen),
                    prior_scale_exposure_years: prior.means[class as usize].exp(),
                    scale_exposure_years: scale,
                    lower_exposure_years: lower,
                    upper_exposure_years: upper,
                }
            })
            .collect();
        let (lower, shape, upper) = interval(SHAPE);
        Self {
            model: MODEL.to_owned(),
            members: fleet.members,
            seed: ensemble.seed,
            hulls: counted(fleet.hulls.len()),
            lives,
            events,
            contradicted: found.contradicted,
            log_likelihood: found.log_likelihood,
            steps: found.steps,
            converged: found.converged,
            classes,
            shape: ShapeLesson { prior_shape: prior.means[SHAPE].exp(), shape, lower, upper },
            means: found.theta[..=SHAPE].to_vec(),
            covariance: found.covariance[..=SHAPE].iter().map(|row| row[..=SHAPE].to_vec()).collect(),
            weights: found.weights.clone(),
        }
    }

    /// An ensemble of other members with the classes' lives as learned: scales and shape. What was learned of the water
    /// lies in the weights of the members it was learned with, and is left out; none of another version of the fit.
    #[must_use]
    pub fn lives_applied_to(&self, ensemble: &Ensemble, lesson: Lesson) -> Option<Ensemble> {
        Some(Ensemble { population: self.population()?, lesson: Some(lesson), ..ensemble.clone() })
    }

    fn population(&self) -> Option<Population> {
        let fits = self.model == MODEL
            && self.means.len() == SHAPE + 1
            && self.covariance.len() == SHAPE + 1
            && self.covariance.iter().all(|row| row.len() == SHAPE + 1);
        fits.then(|| Population {
            log_scale_means: std::array::from_fn(|class| self.means[class]),
            log_scale_sds: std::array::from_fn(|class| self.covariance[class][class].sqrt()),
            log_shape_mean: self.means[SHAPE],
            log_shape_sd: self.covariance[SHAPE][SHAPE].sqrt(),
            covariances: std::array::from_fn(|class| self.covariance[class][SHAPE]),
        })
    }

    /// The ensemble with what was learned in the place of the priors; none where it is not the one the calibration was
    /// made with, or was learned by another version of the fit.
    #[must_use]
    pub fn applied_to(&self, ensemble: &Ensemble, lesson: Lesson) -> Option<Ensemble> {
        let fits = self.members == ensemble.members()
            && self.seed == ensemble.seed
            && self.weights.len() == self.members;
        let learned = self.lives_applied_to(ensemble, lesson).filter(|_| fits)?;
        Some(Ensemble { weights: self.weights.clone(), ..learned })
    }
}

fn counted(count: usize) -> u32 {
    u32::try_from(count).unwrap_or(u32::MAX)
}

const _: () = assert!(SHAPE + 1 < PARAMETERS, "the ratios of skins come last");

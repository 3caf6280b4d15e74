//! Skins compared: how much longer a laminate lasts under one than under another, beyond what the model says of
//! their resistance. A ratio of one means that the model has it right.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::evidence::{FleetEvidence, SkinSystem};
use super::fit::{LIVES, fit};
use super::likelihood::ratio_of;
use super::prior::LearningPrior;

/// Standard normal deviate of 5 and 95 %.
const NINETY_PERCENT: f64 = 1.644_853_627;

/// One skin beside gelcoat.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct SkinComparison {
    /// The skin.
    pub system: SkinSystem,
    /// Lives under it that were looked at.
    pub lives: u32,
    /// Those in which blistering was found.
    pub events: u32,
    /// Weibull scale under it over that under gelcoat, both in exposure years; one for gelcoat itself.
    pub scale_ratio: f64,
    /// One in twenty holds it less.
    pub lower: f64,
    /// One in twenty holds it more.
    pub upper: f64,
}

/// Compares the skins that lives were seen under, gelcoat first.
#[must_use]
pub fn compare(fleet: &FleetEvidence, prior: &LearningPrior) -> Vec<SkinComparison> {
    let lives = |system| fleet.hulls.iter().flat_map(|hull| &hull.lives).filter(move |l| l.system == system);
    let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    let mut free = LIVES;
    for system in SkinSystem::ALL {
        if let Some(ratio) = ratio_of(system) {
            free[ratio] = lives(system).next().is_some();
        }
    }
    let Some(found) = fit(fleet, prior, &free) else { return Vec::new() };
    SkinSystem::ALL
        .into_iter()
        .filter(|&system| lives(system).next().is_some())
        .map(|system| {
            let (log_ratio, sd) = ratio_of(system)
                .map_or((0.0, 0.0), |ratio| (found.theta[ratio], found.covariance[ratio][ratio].sqrt()));
            SkinComparison {
                system,
                lives: count(lives(system).count()),
                events: count(lives(system).filter(|life| life.event).count()),
                scale_ratio: f64::exp(log_ratio),
                lower: f64::exp(log_ratio - NINETY_PERCENT * sd),
                upper: f64::exp(log_ratio + NINETY_PERCENT * sd),
            }
        })
        .collect()
}

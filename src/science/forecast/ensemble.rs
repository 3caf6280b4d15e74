//! The members: equally likely sets of what is not known about a hull.

use statrs::distribution::{ContinuousCDF, Normal};

use super::facts::LaminateClass;
use super::priors::Priors;
use super::sobol;

/// Members of a forecast unless told otherwise; 256 for one hull's page, 1,024 for calibration.
pub const DEFAULT_MEMBERS: usize = 64;
/// Most members of an ensemble.
pub const MAX_MEMBERS: usize = 4096;
/// Lives that have draws of their own; older ones share those of the last.
pub const LIVES: usize = 4;

const CARRIED_DIMENSIONS: usize = 5;
const LIFE_DIMENSIONS: usize = 4;

/// What stays with a hull through all its lives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Carried {
    /// Diffusivity of the laminate at 15 °C.
    pub diffusivity_15c_m2_s: f64,
    /// Activation energy of laminate and skin.
    pub activation_energy_j_mol: f64,
    /// Activation energy of hydrolysis.
    pub hydrolysis_energy_j_mol: f64,
    /// Water activity inside a pocket.
    pub threshold_activity: f64,
    /// Where in 0..1 an unknown laminate falls among its classes.
    pub class_draw: f64,
}

/// What is drawn afresh for each life.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LifeDraw {
    /// Resistance of the skin over its nominal value.
    pub skin_factor: f64,
    /// Resistance between skin and pocket.
    pub pocket_resistance_m2_s_kg: f64,
    /// Weibull scale over the median of the class.
    pub scale_factor: f64,
    /// Weibull shape.
    pub shape: f64,
}

/// Members of equal prior weight, the same for every hull of one size and seed.
#[derive(Debug, Clone)]
pub struct Ensemble {
    /// The distributions the members were drawn from.
    pub priors: Priors,
    /// Carried quantities, one a member.
    pub carried: Vec<Carried>,
    /// Draws of the current life first, then of the one before it, and so on.
    pub lives: [Vec<LifeDraw>; LIVES],
    /// The seed of the scrambling.
    pub seed: u64,
}

impl Ensemble {
    /// `members` scrambled Sobol points (1 to [`MAX_MEMBERS`]) mapped through the priors.
    #[must_use]
    pub fn draw(members: usize, seed: u64, priors: Priors) -> Self {
        let count = u32::try_from(members.clamp(1, MAX_MEMBERS)).unwrap_or(1);
        let column = |dimension| sobol::points(count, dimension, seed);
        let [diffusivity, energy, hydrolysis, threshold, class] = std::array::from_fn(column);
        let carried = (0..diffusivity.len())
            .map(|i| carried(&priors, [diffusivity[i], energy[i], hydrolysis[i], threshold[i], class[i]]))
            .collect();
        let lives = std::array::from_fn(|life| {
            let first = CARRIED_DIMENSIONS + life * LIFE_DIMENSIONS;
            let [skin, pocket, scale, shape]: [Vec<f64>; LIFE_DIMENSIONS] =
                std::array::from_fn(|dimension| column(first + dimension));
            (0..skin.len()).map(|i| life_draw(&priors, [skin[i], pocket[i], scale[i], shape[i]])).collect()
        });
        Self { priors, carried, lives, seed }
    }

    /// One member with every quantity at its median: the central values.
    #[must_use]
    pub fn central(priors: Priors) -> Self {
        let carried = vec![carried(&priors, [0.5; CARRIED_DIMENSIONS])];
        let lives = std::array::from_fn(|_| vec![life_draw(&priors, [0.5; LIFE_DIMENSIONS])]);
        Self { priors, carried, lives, seed: 0 }
    }

    /// How many members there are.
    #[must_use]
    pub fn members(&self) -> usize {
        self.carried.len()
    }

    /// Weibull scale of a member in a life counted back from the current one (0), exposure years.
    #[must_use]
    pub fn scale_exposure_years(
        &self,
        member: usize,
        lives_back: usize,
        class: Option<LaminateClass>,
    ) -> f64 {
        let class = class.unwrap_or_else(|| {
            let classes = self.priors.unknown_classes();
            let draw = self.carried[member].class_draw;
            if draw < 1.0 / 3.0 {
                classes[0]
            } else if draw < 2.0 / 3.0 {
                classes[1]
            } else {
                classes[2]
            }
        });
        self.priors.class_scale_exposure_years(class) * self.life(member, lives_back).scale_factor
    }

    /// The draws of a member in a life counted back from the current one (0).
    #[must_use]
    pub fn life(&self, member: usize, lives_back: usize) -> &LifeDraw {
        &self.lives[lives_back.min(LIVES - 1)][member]
    }
}

/// The standard normal distribution.
fn standard_normal() -> Normal {
    Normal::standard()
}

fn carried(priors: &Priors, u: [f64; CARRIED_DIMENSIONS]) -> Carried {
    let normal = standard_normal();
    let lowest = normal.cdf((priors.threshold_min - priors.threshold_mean) / priors.threshold_sd);
    let highest = normal.cdf((priors.threshold_max - priors.threshold_mean) / priors.threshold_sd);
    let threshold = normal.inverse_cdf(lowest + u[3] * (highest - lowest));
    let span = priors.activation_energy_max_j_mol - priors.activation_energy_min_j_mol;
    Carried {
        diffusivity_15c_m2_s: priors.diffusivity_15c_m2_s.at(normal.inverse_cdf(u[0])),
        activation_energy_j_mol: priors.activation_energy_min_j_mol + u[1] * span,
        hydrolysis_energy_j_mol: priors.hydrolysis_energy_mean_j_mol
            + normal.inverse_cdf(u[2]) * priors.hydrolysis_energy_sd_j_mol,
        threshold_activity: priors.threshold_mean + threshold * priors.threshold_sd,
        class_draw: u[4],
    }
}

fn life_draw(priors: &Priors, u: [f64; LIFE_DIMENSIONS]) -> LifeDraw {
    let normal = standard_normal();
    LifeDraw {
        skin_factor: priors.skin_factor.at(normal.inverse_cdf(u[0])),
        pocket_resistance_m2_s_kg: priors.pocket_resistance_m2_s_kg.at(normal.inverse_cdf(u[1])),
        scale_factor: (priors.scale_gsd().ln() * normal.inverse_cdf(u[2])).exp(),
        shape: priors.shape.at(normal.inverse_cdf(u[3])),
    }
}

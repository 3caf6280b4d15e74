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
    /// Standard normal deviate of the hull's Weibull scale.
    pub scale_deviate: f64,
    /// Standard normal deviate of the Weibull shape, as far as the scale does not tell it.
    pub shape_deviate: f64,
}

/// What is held of the Weibull lives of each laminate class: a normal distribution of log η and log β.
#[derive(Debug, Clone, PartialEq)]
pub struct Population {
    /// Means of log η (exposure years), in the order of [`LaminateClass::ALL`].
    pub log_scale_means: [f64; 5],
    /// Standard deviations of log η of a class, without the spread of its hulls.
    pub log_scale_sds: [f64; 5],
    /// Mean of log β.
    pub log_shape_mean: f64,
    /// Standard deviation of log β.
    pub log_shape_sd: f64,
    /// Covariances of log η and log β.
    pub covariances: [f64; 5],
}

impl Population {
    /// As assumed before a fleet's history has been learned.
    #[must_use]
    pub fn prior(priors: &Priors) -> Self {
        Self {
            log_scale_means: LaminateClass::ALL.map(|class| priors.class_scale_exposure_years(class).ln()),
            log_scale_sds: [priors.class_scale_gsd.ln(); 5],
            log_shape_mean: priors.shape.median.ln(),
            log_shape_sd: priors.shape.gsd.ln(),
            covariances: [0.0; 5],
        }
    }
}

/// What an ensemble has learned from a fleet.
#[derive(Debug, Clone, PartialEq)]
pub struct Lesson {
    /// What tells this calibration from any other.
    pub name: String,
    /// One sentence on what it was learned from.
    pub text: String,
}

/// Members, the same for every hull of one size and seed.
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
    /// Weights of the members before any survey of a hull; they sum to one.
    pub weights: Vec<f64>,
    /// The lives of the classes.
    pub population: Population,
    /// What population and weights were learned from; none where they are the priors.
    pub lesson: Option<Lesson>,
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
        Self::of(priors, carried, lives, seed)
    }

    /// Members of equal weight under the priors.
    fn of(priors: Priors, carried: Vec<Carried>, lives: [Vec<LifeDraw>; LIVES], seed: u64) -> Self {
        #[expect(clippy::cast_precision_loss, reason = "4,096 at most")]
        let weights = vec![1.0 / carried.len() as f64; carried.len()];
        let population = Population::prior(&priors);
        Self { priors, carried, lives, seed, weights, population, lesson: None }
    }

    /// One member with every quantity at its median: the central values.
    #[must_use]
    pub fn central(priors: Priors) -> Self {
        let carried = vec![carried(&priors, [0.5; CARRIED_DIMENSIONS])];
        let lives = std::array::from_fn(|_| vec![life_draw(&priors, [0.5; LIFE_DIMENSIONS])]);
        Self::of(priors, carried, lives, 0)
    }

    /// How many members there are.
    #[must_use]
    pub fn members(&self) -> usize {
        self.carried.len()
    }

    /// Weibull scale (exposure years) and shape of a member in a life counted back from the current one (0).
    ///
    /// log η = mean + √(class² + hull²) z; log β follows it as far as the two are correlated.
    #[must_use]
    pub fn weibull(&self, member: usize, lives_back: usize, class: Option<LaminateClass>) -> (f64, f64) {
        let class = self.class(member, class) as usize;
        let draw = self.life(member, lives_back);
        let population = &self.population;
        let spread = population.log_scale_sds[class].hypot(self.priors.hull_scale_gsd.ln());
        let told = if spread > 0.0 { population.covariances[class] / spread } else { 0.0 };
        let untold = (population.log_shape_sd.powi(2) - told * told).max(0.0).sqrt();
        let log_scale = population.log_scale_means[class] + spread * draw.scale_deviate;
        let log_shape = population.log_shape_mean + told * draw.scale_deviate + untold * draw.shape_deviate;
        (log_scale.exp(), log_shape.exp())
    }

    /// The class of a hull in a member: its own, or one of those an unknown laminate may be.
    #[must_use]
    pub fn class(&self, member: usize, class: Option<LaminateClass>) -> LaminateClass {
        class.unwrap_or_else(|| {
            let [first, second, third] = self.priors.unknown_classes();
            let draw = self.carried[member].class_draw;
            if draw < 1.0 / 3.0 {
                first
            } else if draw < 2.0 / 3.0 {
                second
            } else {
                third
            }
        })
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
        scale_deviate: normal.inverse_cdf(u[2]),
        shape_deviate: normal.inverse_cdf(u[3]),
    }
}

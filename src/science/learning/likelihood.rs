//! The likelihood of a fleet and its derivatives, over (θ, w).

use rayon::prelude::*;

use super::evidence::{FleetEvidence, HullEvidence, SkinSystem};
use super::prior::{FIRST_RATIO, PARAMETERS, SHAPE};

/// A parameter vector.
pub type Parameters = [f64; PARAMETERS];

/// The chance that a hull's record is one that no member could have given: the least a likelihood counts as.
pub const RECORD_WRONG: f64 = 1e-9;

/// Chunks of hulls, whatever the number of cores: sums come out alike on every machine.
const CHUNKS: usize = 16;

/// What is to be summed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Detail {
    /// The log likelihood.
    Value,
    /// All first and second derivatives besides.
    Curvature,
}

/// Sums over hulls.
#[derive(Debug, Clone)]
pub struct Sums {
    /// Σ log(ε + L).
    pub log_likelihood: f64,
    /// Hulls whose record counts as one that no member could have given.
    pub contradicted: u32,
    /// ∂/∂θ.
    pub gradient: Parameters,
    /// ∂²/∂θ².
    pub hessian: [Parameters; PARAMETERS],
    /// ∂/∂w.
    pub by_weight: Vec<f64>,
    /// ∂²/∂w∂θ, a row a member.
    pub cross: Vec<Parameters>,
    /// -∂²/∂w², row by row, the lower half.
    pub weight_curvature: Vec<f64>,
}

impl Sums {
    fn none(members: usize, detail: Detail) -> Self {
        let members = if detail == Detail::Curvature { members } else { 0 };
        Self {
            log_likelihood: 0.0,
            contradicted: 0,
            gradient: [0.0; PARAMETERS],
            hessian: [[0.0; PARAMETERS]; PARAMETERS],
            by_weight: vec![0.0; members],
            cross: vec![[0.0; PARAMETERS]; members],
            weight_curvature: vec![0.0; members * members],
        }
    }

    fn add(&mut self, other: &Self) {
        fn add(to: &mut [f64], what: &[f64]) {
            to.iter_mut().zip(what).for_each(|(to, what)| *to += what);
        }
        self.log_likelihood += other.log_likelihood;
        self.contradicted += other.contradicted;
        add(&mut self.gradient, &other.gradient);
        add(self.hessian.as_flattened_mut(), other.hessian.as_flattened());
        add(&mut self.by_weight, &other.by_weight);
        add(self.cross.as_flattened_mut(), other.cross.as_flattened());
        add(&mut self.weight_curvature, &other.weight_curvature);
    }
}

/// Sums the likelihood of a fleet at parameters and weights.
#[must_use]
pub fn sums(fleet: &FleetEvidence, theta: &Parameters, weights: &[f64], detail: Detail) -> Sums {
    let chunk = fleet.hulls.len().div_ceil(CHUNKS).max(1);
    let parts: Vec<Sums> = fleet
        .hulls
        .par_chunks(chunk)
        .map(|hulls| {
            let mut sums = Sums::none(fleet.members, detail);
            let mut members = vec![MemberLikelihood::default(); fleet.members];
            for hull in hulls {
                add_hull(fleet, hull, theta, weights, &mut members, &mut sums, detail);
            }
            sums
        })
        .collect();
    let mut whole = Sums::none(fleet.members, detail);
    for part in &parts {
        whole.add(part);
    }
    whole
}

/// A member's likelihood of a hull, and the derivatives of its logarithm.
#[derive(Debug, Clone, Copy, Default)]
struct MemberLikelihood {
    likelihood: f64,
    gradient: Parameters,
    hessian: [Parameters; PARAMETERS],
}

/// Σ c S and its derivatives by log scale (a) and log shape (b): with z = (x/η)^β and S = exp(-z),
/// S_a = S β z, S_b = -S z ln z, S_aa = S β² z (z - 1), S_ab = S β z (1 + ln z - z ln z),
/// S_bb = S z ln z (z ln z - ln z - 1).
#[derive(Debug, Clone, Copy, Default)]
struct LifeLikelihood {
    value: f64,
    a: f64,
    b: f64,
    aa: f64,
    ab: f64,
    bb: f64,
}

impl LifeLikelihood {
    fn of(factors: &[f64], log_exposures: &[f64], log_scale: f64, shape: f64) -> Self {
        let mut life = Self::default();
        for (&factor, &log_exposure) in factors.iter().zip(log_exposures) {
            let ln_z = shape * (log_exposure - log_scale);
            let z = ln_z.exp();
            let alive = factor * (-z).exp();
            let (slope, z_ln_z) = (alive * z, z * ln_z);
            life.value += alive;
            life.a += shape * slope;
            life.b -= slope * ln_z;
            life.aa += shape * shape * slope * (z - 1.0);
            life.ab += shape * slope * (1.0 + ln_z - z_ln_z);
            life.bb += slope * ln_z * (z_ln_z - ln_z - 1.0);
        }
        life
    }

    fn value(factors: &[f64], log_exposures: &[f64], log_scale: f64, shape: f64) -> f64 {
        let terms = factors.iter().zip(log_exposures);
        terms.map(|(factor, log_x)| factor * (-(shape * (log_x - log_scale)).exp()).exp()).sum()
    }
}

/// The place of a skin's ratio among the parameters; none for gelcoat, which the others are compared with.
#[must_use]
pub fn ratio_of(system: SkinSystem) -> Option<usize> {
    match system {
        SkinSystem::Gelcoat => None,
        SkinSystem::Barrier => Some(FIRST_RATIO),
        SkinSystem::Rebuilt => Some(FIRST_RATIO + 1),
    }
}

fn add_hull(
    fleet: &FleetEvidence,
    hull: &HullEvidence,
    theta: &Parameters,
    weights: &[f64],
    members: &mut [MemberLikelihood],
    sums: &mut Sums,
    detail: Detail,
) {
    let shape = theta[SHAPE].exp();
    let mut total = RECORD_WRONG;
    for (index, (member, weight)) in members.iter_mut().zip(weights).enumerate() {
        let class = hull.class.unwrap_or(fleet.unknown_classes[index]) as usize;
        *member = MemberLikelihood { likelihood: 1.0, ..MemberLikelihood::default() };
        for life in &hull.lives {
            let terms = life.factors.len();
            let exposures = &life.log_exposures[index * terms..(index + 1) * terms];
            let ratio = ratio_of(life.system);
            let log_scale = theta[class] + ratio.map_or(0.0, |ratio| theta[ratio]);
            if detail == Detail::Value {
                member.likelihood *=
                    LifeLikelihood::value(&life.factors, exposures, log_scale, shape).max(0.0);
                continue;
            }
            let found = LifeLikelihood::of(&life.factors, exposures, log_scale, shape);
            if found.value <= 0.0 {
                member.likelihood = 0.0;
                break;
            }
            member.likelihood *= found.value;
            member.add(&found, class, ratio);
        }
        total += weight * member.likelihood;
    }
    sums.log_likelihood += total.ln();
    sums.contradicted += u32::from(total <= 2.0 * RECORD_WRONG);
    if detail == Detail::Curvature {
        add_curvature(members, weights, total, sums);
    }
}

impl MemberLikelihood {
    /// Adds the derivatives of the logarithm of a life's likelihood.
    fn add(&mut self, life: &LifeLikelihood, class: usize, ratio: Option<usize>) {
        let (a, b) = (life.a / life.value, life.b / life.value);
        let aa = life.aa / life.value - a * a;
        let ab = life.ab / life.value - a * b;
        let bb = life.bb / life.value - b * b;
        self.gradient[SHAPE] += b;
        self.hessian[SHAPE][SHAPE] += bb;
        let scales = || [Some(class), ratio].into_iter().flatten();
        for i in scales() {
            self.gradient[i] += a;
            self.hessian[SHAPE][i] += ab;
            self.hessian[i][SHAPE] += ab;
            for j in scales() {
                self.hessian[i][j] += aa;
            }
        }
    }
}

fn add_curvature(members: &[MemberLikelihood], weights: &[f64], total: f64, sums: &mut Sums) {
    let count = members.len();
    let mut own = [0.0; PARAMETERS];
    for (member, weight) in members.iter().zip(weights) {
        let share = weight * member.likelihood / total;
        if share <= 0.0 {
            continue;
        }
        for (i, own) in own.iter_mut().enumerate() {
            let slope = member.gradient[i];
            if slope == 0.0 && member.hessian[i][i] == 0.0 {
                continue;
            }
            *own += share * slope;
            for j in 0..PARAMETERS {
                sums.hessian[i][j] += share * (member.hessian[i][j] + slope * member.gradient[j]);
            }
        }
    }
    for i in 0..PARAMETERS {
        sums.gradient[i] += own[i];
        for j in 0..PARAMETERS {
            sums.hessian[i][j] -= own[i] * own[j];
        }
    }
    let odds: Vec<f64> = members.iter().map(|member| member.likelihood / total).collect();
    for (index, member) in members.iter().enumerate() {
        let odd = odds[index];
        sums.by_weight[index] += odd;
        for i in 0..PARAMETERS {
            sums.cross[index][i] += odd * (member.gradient[i] - own[i]);
        }
        let row = &mut sums.weight_curvature[index * count..=index * count + index];
        row.iter_mut().zip(&odds).for_each(|(sum, other)| *sum += odd * other);
    }
}

//! Partial pooling of organisations: what others have seen moves an organisation's prior, through sums alone.
//!
//! Each organisation that takes part gives the sums of its own fit: how its likelihood curves about its own estimate
//! (the posterior's precision less its prior's) and that curvature times the estimate. Never a hull, a day or a name: a
//! sum is given only where at least [`super::EVENTS_NEEDED`] events and [`LEAST_HULLS`] hulls stand behind it,
//! and used only beside that of at least one more peer ([`LEAST_PEERS`]).
//! With θ_o of an organisation normal about θ with covariance T, θ̂_o is normal about θ with I_o⁻¹ + T; so the prior of
//! one of them, the others known, has the precision Σ₀'⁻¹ + Σ_o (I_o⁻¹ + T)⁻¹ of θ, and T besides. Σ₀' = Σ₀ - T: an
//! organisation whose peers have given nothing keeps its own prior exactly.

use serde::{Deserialize, Serialize};

use super::calibration::Calibration;
use super::matrix::Cholesky;
use super::prior::{LearningPrior, SHAPE};

/// Fewest hulls behind a sum that leaves an organisation.
pub const LEAST_HULLS: u32 = 20;
/// Fewest peers whose sums are used: what one alone has seen could be told by whoever learns with it.
pub const LEAST_PEERS: usize = 2;
/// The share of the prior variance that lies between organisations: how differently they look and record (common
/// practice, no source).
const BETWEEN_ORGANISATIONS: f64 = 0.2;

const ORDER: usize = SHAPE + 1;

/// What one organisation gives to the others.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LikelihoodSums {
    /// Curvature of its log likelihood over log scales and log shape, row by row.
    pub precision: Vec<Vec<f64>>,
    /// That times its own estimate.
    pub shift: Vec<f64>,
    /// Hulls behind it.
    pub hulls: u32,
    /// Events behind it.
    pub events: u32,
}

impl LikelihoodSums {
    /// The sums of a calibration made under `prior`; none where too little stands behind them.
    #[must_use]
    pub fn of(calibration: &Calibration, prior: &LearningPrior) -> Option<Self> {
        if calibration.events < super::EVENTS_NEEDED || calibration.hulls < LEAST_HULLS {
            return None;
        }
        let posterior = Cholesky::of(&calibration.covariance.concat(), ORDER)?.inverse();
        let before = prior.precision()?;
        let mut precision = vec![vec![0.0; ORDER]; ORDER];
        let mut shift = vec![0.0; ORDER];
        for i in 0..ORDER {
            for j in 0..ORDER {
                precision[i][j] = posterior[i * ORDER + j] - before[i][j];
                shift[i] += posterior[i * ORDER + j] * calibration.means[j] - before[i][j] * prior.means[j];
            }
        }
        Some(Self { precision, shift, hulls: calibration.hulls, events: calibration.events })
    }
}

/// The prior of an organisation whose peers have given these sums; `prior` itself where they are fewer than
/// [`LEAST_PEERS`] or cannot be used.
#[must_use]
pub fn pooled(prior: &LearningPrior, peers: &[LikelihoodSums]) -> LearningPrior {
    if peers.len() < LEAST_PEERS {
        return prior.clone();
    }
    combined(prior, peers).unwrap_or_else(|| prior.clone())
}

fn combined(prior: &LearningPrior, peers: &[LikelihoodSums]) -> Option<LearningPrior> {
    let part = |share: f64| -> Vec<f64> {
        prior.covariance[..ORDER].iter().flat_map(|row| row[..ORDER].iter().map(|v| share * v)).collect()
    };
    let between = Cholesky::of(&part(BETWEEN_ORGANISATIONS), ORDER)?.inverse();
    let mut precision = Cholesky::of(&part(1.0 - BETWEEN_ORGANISATIONS), ORDER)?.inverse();
    let mut shift: Vec<f64> =
        (0..ORDER).map(|i| (0..ORDER).map(|j| precision[i * ORDER + j] * prior.means[j]).sum()).collect();
    for peer in peers {
        // (I⁻¹ + T)⁻¹ = T⁻¹ - T⁻¹ (I + T⁻¹)⁻¹ T⁻¹ and (I⁻¹ + T)⁻¹ I⁻¹ s = T⁻¹ (I + T⁻¹)⁻¹ s: these hold where I has no
        // inverse, as of classes an organisation has none of.
        let sum: Vec<f64> = peer.precision.concat().iter().zip(&between).map(|(a, b)| a + b).collect();
        let factor = Cholesky::of(&sum, ORDER)?;
        for i in 0..ORDER {
            let row = &between[i * ORDER..(i + 1) * ORDER];
            let solved = factor.solve(row);
            for j in 0..ORDER {
                let column: f64 = (0..ORDER).map(|k| solved[k] * between[k * ORDER + j]).sum();
                precision[i * ORDER + j] += between[i * ORDER + j] - column;
            }
            shift[i] += solved.iter().zip(&peer.shift).map(|(a, b)| a * b).sum::<f64>();
        }
    }
    let factor = Cholesky::of(&precision, ORDER)?;
    let means = factor.solve(&shift);
    let inverse = factor.inverse();
    let mut pooled = prior.clone();
    for i in 0..ORDER {
        pooled.means[i] = means[i];
        for j in 0..ORDER {
            pooled.covariance[i][j] = inverse[i * ORDER + j] + BETWEEN_ORGANISATIONS * prior.covariance[i][j];
        }
    }
    Some(pooled)
}

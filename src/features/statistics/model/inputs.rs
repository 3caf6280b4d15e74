//! What goes into a fit, told by one digest: the same inputs give the same fit, and no second version of it.

use sha2::{Digest, Sha256};

use crate::science::forecast::ensemble::Ensemble;
use crate::science::learning::MODEL;
use crate::science::learning::evidence::FleetEvidence;
use crate::science::learning::prior::LearningPrior;

/// The word for a class nobody entered, among those of the classes.
const UNKNOWN_CLASS: u8 = u8::MAX;

/// SHA-256 of the fit's name, the prior, the ensemble and what the lives say, in the order of the hulls.
#[must_use]
pub fn inputs_sha256(fleet: &FleetEvidence, prior: &LearningPrior, ensemble: &Ensemble) -> Vec<u8> {
    let mut digest = Sha256::new();
    let mut number = |value: f64| digest.update(value.to_le_bytes());
    prior.means.iter().copied().for_each(&mut number);
    prior.covariance.iter().flatten().copied().for_each(&mut number);
    number(prior.weights_worth_hulls);
    digest.update(MODEL);
    digest.update(ensemble.seed.to_le_bytes());
    digest.update(fleet.members.to_le_bytes());
    for hull in &fleet.hulls {
        digest.update([hull.class.map_or(UNKNOWN_CLASS, |class| class as u8)]);
        digest.update(hull.lives.len().to_le_bytes());
        for life in &hull.lives {
            digest.update([life.system as u8, u8::from(life.event)]);
            digest.update(life.factors.len().to_le_bytes());
            for value in life.factors.iter().chain(&life.log_exposures) {
                digest.update(value.to_le_bytes());
            }
        }
    }
    digest.finalize().to_vec()
}

//! The skin of a hull through its history: gelcoat, sealer, barrier and topcoat, and when each went on.

use chrono::NaiveDate;

use super::facts::{CoatFact, CoatRole, HullFacts, TreatmentKind};
use super::policy::Policy;
use super::priors::Priors;
use crate::science::skin;

/// The nominal resistance of the skin from a day on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SkinChange {
    /// The first day of this skin.
    pub from: NaiveDate,
    /// Its resistance at 15 °C.
    pub resistance_15c_m2_s_kg: f64,
    /// The part of that whose film was measured.
    pub measured_15c_m2_s_kg: f64,
}

/// Dry film of a coat: as recorded, or its share of the usual film of a system. Coats of one role put on
/// within a month of each other are one system, so that three coats without films do not make three systems.
#[must_use]
pub fn dry_film_um(coat: &CoatFact, coats: &[CoatFact], priors: &Priors) -> f64 {
    coat.dry_film_um.unwrap_or_else(|| {
        let sharing = coats
            .iter()
            .filter(|other| {
                other.role == coat.role && other.dry_film_um.is_none() && same_system(other, coat, priors)
            })
            .fold(0.0, |count, _| count + 1.0);
        priors.system_film_um(coat.role) / f64::max(sharing, 1.0)
    })
}

/// Whether two coats of one role belong to one system.
#[must_use]
pub fn same_system(one: &CoatFact, other: &CoatFact, priors: &Priors) -> bool {
    (one.applied_on - other.applied_on).num_days().abs() <= priors.system_days()
}

/// Whether the film of a coat was measured.
#[must_use]
pub fn film_is_measured(coat: &CoatFact) -> bool {
    coat.film_measured && coat.dry_film_um.is_some()
}

fn coat_resistance(coat: &CoatFact, coats: &[CoatFact], priors: &Priors) -> f64 {
    let permeability = coat
        .permeability_kg_m_s
        .filter(|_| coat.role != CoatRole::Antifouling)
        .or_else(|| priors.permeability_kg_m_s(coat.role));
    permeability.map_or(0.0, |permeability| {
        skin::layer_resistance_m2_s_kg(dry_film_um(coat, coats, priors), permeability)
    })
}

/// Resistance of a layer of the usual film and permeability of its role.
fn usual_resistance(role: CoatRole, film_um: f64, priors: &Priors) -> f64 {
    priors
        .permeability_kg_m_s(role)
        .map_or(0.0, |permeability| skin::layer_resistance_m2_s_kg(film_um, permeability))
}

/// Whether a coat is the gelcoat of the build: recorded as a coat no later than the launch.
fn is_build_gelcoat(coat: &CoatFact, launched_on: NaiveDate) -> bool {
    coat.role == CoatRole::Gelcoat && coat.applied_on <= launched_on
}

/// The skins of a hull from its launch on, in order.
///
/// A coat adds its resistance from the day it went on until the day it was taken off. A curative treatment leaves the
/// laminate bare from its start; coats from that day on build the new skin, but for those whose film is refused. Where
/// a completed one recorded no coats, the usual sealer and barrier stand for them from its completion (a rebuilt hull
/// is not launched bare).
#[must_use]
pub fn skin_changes(facts: &HullFacts, launched_on: NaiveDate, priors: &Priors) -> Vec<SkinChange> {
    let build_gelcoat = if facts.coats.iter().any(|coat| is_build_gelcoat(coat, launched_on)) {
        0.0
    } else {
        let film_um = facts.gelcoat_thickness_um.unwrap_or_else(|| priors.system_film_um(CoatRole::Gelcoat));
        usual_resistance(CoatRole::Gelcoat, film_um, priors)
    };
    let measured = if facts.gelcoat_thickness_um.is_some() { build_gelcoat } else { 0.0 };
    let mut changes = vec![SkinChange {
        from: launched_on,
        resistance_15c_m2_s_kg: build_gelcoat,
        measured_15c_m2_s_kg: measured,
    }];
    let mut coats = facts.coats.iter().filter(|coat| coat.role != CoatRole::Antifouling).peekable();
    let mut curative = facts.treatments.iter().filter(|t| t.kind == TreatmentKind::Curative).peekable();
    let mut rebuilt = false;
    loop {
        let stripped_on = curative.peek().map(|treatment| treatment.started_on);
        // Resistance gained and lost, by day, until the next stripping.
        let mut gains: Vec<(NaiveDate, f64, bool)> = Vec::new();
        while let Some(coat) =
            coats.next_if(|coat| stripped_on.is_none_or(|stripped_on| coat.applied_on < stripped_on))
        {
            if rebuilt && coat.film_refused {
                continue;
            }
            let resistance = coat_resistance(coat, &facts.coats, priors);
            let measured = film_is_measured(coat);
            gains.push((coat.applied_on.max(launched_on), resistance, measured));
            if let Some(removed_on) = coat.removed_on {
                gains.push((removed_on.max(launched_on), -resistance, measured));
            }
        }
        gains.retain(|(day, _, _)| stripped_on.is_none_or(|stripped_on| *day < stripped_on));
        gains.sort_by_key(|(day, _, _)| *day);
        for (from, gain, measured) in gains {
            let before = changes
                .last()
                .map_or((0.0, 0.0), |change| (change.resistance_15c_m2_s_kg, change.measured_15c_m2_s_kg));
            let of_measured = if measured { gain } else { 0.0 };
            changes.push(SkinChange {
                from,
                resistance_15c_m2_s_kg: (before.0 + gain).max(0.0),
                measured_15c_m2_s_kg: (before.1 + of_measured).max(0.0),
            });
        }
        let Some(treatment) = curative.next() else { return changes };
        rebuilt = true;
        changes.push(SkinChange {
            from: treatment.started_on,
            resistance_15c_m2_s_kg: 0.0,
            measured_15c_m2_s_kg: 0.0,
        });
        if let Some(completed_on) =
            treatment.completed_on.filter(|_| !has_new_skin(facts, treatment.started_on))
        {
            let usual = [CoatRole::Sealer, CoatRole::Barrier]
                .map(|role| usual_resistance(role, priors.system_film_um(role), priors));
            changes.push(SkinChange {
                from: completed_on,
                resistance_15c_m2_s_kg: usual.iter().sum(),
                measured_15c_m2_s_kg: 0.0,
            });
        }
    }
}

/// Whether any skin coat was recorded after a curative treatment began and before the next one did.
#[must_use]
pub fn has_new_skin(facts: &HullFacts, started_on: NaiveDate) -> bool {
    let next = facts
        .treatments
        .iter()
        .filter(|t| t.kind == TreatmentKind::Curative && t.started_on > started_on)
        .map(|t| t.started_on)
        .min();
    facts.coats.iter().any(|coat| {
        coat.role != CoatRole::Antifouling
            && coat.applied_on >= started_on
            && next.is_none_or(|next| coat.applied_on < next)
    })
}

/// The last barrier system still in place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BarrierSystem {
    /// Day of its last coat.
    pub applied_on: NaiveDate,
    /// Film of its barrier coats together, where every one of them was measured.
    pub measured_film_um: Option<f64>,
}

/// The last barrier system among the coats in place.
#[must_use]
pub fn barrier_system(facts: &HullFacts, priors: &Priors) -> Option<BarrierSystem> {
    let barriers = || super::history::coats_in_place(facts).filter(|coat| coat.role == CoatRole::Barrier);
    let last = barriers().max_by_key(|coat| coat.applied_on)?;
    let measured_film_um = barriers()
        .filter(|coat| same_system(coat, last, priors))
        .map(|coat| coat.dry_film_um.filter(|_| coat.film_measured))
        .sum();
    Some(BarrierSystem { applied_on: last.applied_on, measured_film_um })
}

/// Whether a measured barrier film is under the policy's least.
#[must_use]
pub fn film_is_thin(barrier: &BarrierSystem, policy: &Policy) -> bool {
    barrier.measured_film_um.is_some_and(|film| film < policy.barrier_min_film_um)
}

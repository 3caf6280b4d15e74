//! From the facts of hulls to what their lives say: terms of survivals with each member's exposure.

use rayon::prelude::*;

use crate::science::forecast::check;
use crate::science::forecast::course;
use crate::science::forecast::day;
use crate::science::forecast::ensemble::Ensemble;
use crate::science::forecast::facts::{CoatRole, HullFacts, LaminateClass, TreatmentKind};
use crate::science::forecast::history::{History, Life};
use crate::science::forecast::onset::CleanSurveys;
use crate::science::forecast::outlook::clean_surveys;
use crate::science::forecast::paths::{Paths, exposure_at};

/// The logarithm of no exposure: survival is one there for every scale and shape.
pub(super) const LOG_NOTHING: f64 = -300.0;

/// What a bottom wears over its laminate.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize, utoipa::ToSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum SkinSystem {
    /// Gelcoat, with or without a sealer or topcoat.
    Gelcoat,
    /// A barrier over gelcoat.
    Barrier,
    /// The skin of a curative treatment.
    Rebuilt,
}

impl SkinSystem {
    /// All there are.
    pub const ALL: [Self; 3] = [Self::Gelcoat, Self::Barrier, Self::Rebuilt];
}

/// What one life says.
#[derive(Debug, Clone, PartialEq)]
pub struct LifeEvidence {
    /// Its skin when it was last looked at.
    pub system: SkinSystem,
    /// Whether blistering was found.
    pub event: bool,
    /// Factors c of its survivals.
    pub factors: Vec<f64>,
    /// log X less the member's own log spread, `factors.len()` for each member in turn.
    pub log_exposures: Vec<f64>,
}

/// What the lives of one hull say.
#[derive(Debug, Clone, PartialEq)]
pub struct HullEvidence {
    /// Its laminate.
    pub class: Option<LaminateClass>,
    /// Its lives that somebody looked at.
    pub lives: Vec<LifeEvidence>,
}

/// What the lives of a fleet say, to be fitted.
#[derive(Debug, Clone, PartialEq)]
pub struct FleetEvidence {
    /// How many members each hull has.
    pub members: usize,
    /// Class of each member where the hull's is not known.
    pub unknown_classes: Vec<LaminateClass>,
    /// The hulls.
    pub hulls: Vec<HullEvidence>,
}

impl FleetEvidence {
    /// Reads the facts of hulls as they were known on their as-of dates. Hulls that no water forecast is made for, or
    /// at which nobody has looked, say nothing and are left out.
    #[must_use]
    pub fn read(facts: &[HullFacts], ensemble: &Ensemble) -> Self {
        let hulls = facts.par_iter().filter_map(|facts| read_hull(facts, ensemble)).collect();
        let unknown_classes = (0..ensemble.members()).map(|member| ensemble.class(member, None)).collect();
        Self { members: ensemble.members(), unknown_classes, hulls }
    }

    /// How many lives there are, and how many ended in blistering.
    #[must_use]
    pub fn counts(&self) -> (u32, u32) {
        let lives = || self.hulls.iter().flat_map(|hull| &hull.lives);
        let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
        (count(lives().count()), count(lives().filter(|life| life.event).count()))
    }
}

/// What one hull says; none where it says nothing.
#[must_use]
pub fn read_hull(facts: &HullFacts, ensemble: &Ensemble) -> Option<HullEvidence> {
    check::check(facts).ok()?;
    let facts = facts.known();
    let history = History::read(&facts);
    let (looked_at, last_on) = looked_at(&history)?;
    let until = day::date_after(last_on);
    let mut plain = facts.clone();
    // Breaks are places of their own: the life is that of the bottom around them.
    plain.findings.clear();
    let (course, _) = course::build(&plain, &history, until, &ensemble.priors)?;
    let paths = Paths::run(&course, ensemble);
    let newest = history.lives.len() - 1;
    let lives = looked_at
        .into_iter()
        .map(|(index, life)| {
            let surveys: CleanSurveys = clean_surveys(life, &facts.policy);
            let seen_on = life.onset_found.map(|survey| day::number(survey.surveyed_on));
            let terms = surveys.terms(seen_on);
            let began = life.began_on.map_or(course.timeline.bounds[0], day::number);
            let positions: Vec<_> =
                terms.iter().map(|&(on, _)| (on > began).then(|| course.timeline.position(on))).collect();
            let mut log_exposures = Vec::with_capacity(terms.len() * ensemble.members());
            for member in 0..ensemble.members() {
                let own =
                    ensemble.priors.hull_scale_gsd.ln() * ensemble.life(member, newest - index).scale_deviate;
                log_exposures.extend(positions.iter().map(|position| {
                    let exposure = position.map_or(0.0, |at| exposure_at(paths.member(member), at));
                    if exposure > 0.0 { exposure.ln() - own } else { LOG_NOTHING }
                }));
            }
            LifeEvidence {
                system: system(&facts, index, last_look(life)),
                event: seen_on.is_some(),
                factors: terms.into_iter().map(|(_, factor)| factor).collect(),
                log_exposures,
            }
        })
        .collect();
    Some(HullEvidence { class: facts.laminate_class, lives })
}

/// The lives that somebody looked at, with their places, and the last day on which anybody did.
pub(super) fn looked_at(history: &History) -> Option<(Vec<(usize, &Life)>, chrono::NaiveDate)> {
    let looked_at: Vec<(usize, &Life)> =
        history.lives.iter().enumerate().filter(|(_, life)| last_look(life).is_some()).collect();
    let last_on = looked_at.iter().filter_map(|(_, life)| last_look(life)).max()?;
    Some((looked_at, last_on))
}

pub(super) fn last_look(life: &Life) -> Option<chrono::NaiveDate> {
    life.onset_found.map(|survey| survey.surveyed_on).or(life.clean_on.last().copied())
}

/// The skin of a life on the day it was last looked at.
#[must_use]
pub fn system(facts: &HullFacts, life: usize, on: Option<chrono::NaiveDate>) -> SkinSystem {
    let curative = facts.treatments.iter().any(|treatment| treatment.kind == TreatmentKind::Curative);
    if life > 0 && curative {
        return SkinSystem::Rebuilt;
    }
    let barrier = facts.coats.iter().any(|coat| {
        coat.role == CoatRole::Barrier
            && on.is_none_or(|on| coat.applied_on < on && coat.removed_on.is_none_or(|off| off >= on))
    });
    if barrier { SkinSystem::Barrier } else { SkinSystem::Gelcoat }
}

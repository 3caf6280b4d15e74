//! The lives of a hull: from launch, or from relaunch after a curative treatment, to the onset of
//! blistering.

use chrono::NaiveDate;

use super::facts::{Blistering, BottomExamined, CoatFact, HullFacts, SurveyFact, TreatmentKind};
use super::policy::Policy;

/// What a survey says about the onset of blistering.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// The whole bottom, and no blisters but between coats.
    Clean,
    /// Blisters of gelcoat or laminate that count.
    Onset,
    /// Neither: a part only, or too few and too small to count.
    Open,
}

/// Reads a survey by the policy.
///
/// Blisters count from a density *or* a size on; where one of the two was not measured and the other is
/// small, the grade alone counts, so that a missing number never makes a hull look better.
#[must_use]
pub fn verdict(survey: &SurveyFact, policy: &Policy) -> Verdict {
    let blistered = matches!(survey.blistering, Blistering::Gelcoat | Blistering::Laminate);
    if survey.bottom_examined == BottomExamined::None {
        return Verdict::Open;
    }
    if blistered {
        let few = survey.blister_density_per_m2.is_some_and(|n| n < policy.event_min_density_per_m2);
        let small = survey.largest_blister_mm.is_some_and(|d| d <= policy.event_min_diameter_mm);
        return if few && small { Verdict::Open } else { Verdict::Onset };
    }
    if survey.bottom_examined == BottomExamined::Whole { Verdict::Clean } else { Verdict::Open }
}

/// How a life began.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Beginning {
    /// At a recorded first launch.
    Launch,
    /// At 1 July of the year built, the launch not being recorded.
    BuiltYear,
    /// At a recorded relaunch after a curative treatment.
    Relaunch,
    /// At the completion of a curative treatment, no relaunch being recorded.
    Completion,
    /// At a day nobody recorded.
    Unknown,
}

/// One life.
#[derive(Debug, Clone, PartialEq)]
pub struct Life {
    /// How it began.
    pub beginning: Beginning,
    /// When it began; none where that is unknown.
    pub began_on: Option<NaiveDate>,
    /// Start of the curative treatment that ended it.
    pub ended_on: Option<NaiveDate>,
    /// Days of its clean surveys before the onset was found, in order.
    pub clean_on: Vec<NaiveDate>,
    /// The survey that first found blistering.
    pub onset_found: Option<SurveyFact>,
}

/// The lives of a hull, and what was looked at.
#[derive(Debug, Clone, PartialEq)]
pub struct History {
    /// The lives in order; the last is the current one.
    pub lives: Vec<Life>,
    /// Start of a curative treatment that is not completed.
    pub treatment_open_since: Option<NaiveDate>,
    /// Day of the last examination of the whole bottom.
    pub last_whole_examination: Option<NaiveDate>,
}

impl History {
    /// Reads facts that were [`HullFacts::known`] on their as-of date.
    ///
    /// # Panics
    /// Never: there is always a first life.
    #[must_use]
    pub fn read(facts: &HullFacts) -> Self {
        let mut lives = vec![first_life(facts)];
        let mut treatment_open_since = None;
        for treatment in facts.treatments.iter().filter(|t| t.kind == TreatmentKind::Curative) {
            let life = lives.last_mut().expect("there is a first life");
            life.ended_on = Some(treatment.started_on);
            let Some(completed_on) = treatment.completed_on else {
                treatment_open_since = Some(treatment.started_on);
                break;
            };
            let relaunched_on = facts
                .haul_outs
                .iter()
                .filter(|haul_out| haul_out.lifted_on <= completed_on)
                .find_map(|haul_out| haul_out.relaunched_on.filter(|&date| date >= completed_on));
            lives.push(Life {
                beginning: if relaunched_on.is_some() { Beginning::Relaunch } else { Beginning::Completion },
                // Records that know the year alone start and complete on one day; the old life keeps it.
                began_on: Some(
                    relaunched_on.unwrap_or(completed_on).max(super::day::date_after(treatment.started_on)),
                ),
                ended_on: None,
                clean_on: Vec::new(),
                onset_found: None,
            });
        }
        for life in &mut lives {
            read_surveys(life, facts);
        }
        let last_whole_examination = facts
            .surveys
            .iter()
            .filter(|survey| survey.bottom_examined == BottomExamined::Whole)
            .map(|survey| survey.surveyed_on)
            .max();
        Self { lives, treatment_open_since, last_whole_examination }
    }

    /// The current life.
    ///
    /// # Panics
    /// Never: there is always one.
    #[must_use]
    pub fn current(&self) -> &Life {
        self.lives.last().expect("there is a first life")
    }

    /// The last clean survey of the current life, or its beginning.
    #[must_use]
    pub fn sound_on(&self) -> Option<NaiveDate> {
        let life = self.current();
        life.clean_on.last().copied().or(life.began_on)
    }
}

fn first_life(facts: &HullFacts) -> Life {
    let (beginning, began_on) = match (facts.launched_on, facts.built_year) {
        (Some(launched_on), _) => (Beginning::Launch, Some(launched_on)),
        (None, Some(year)) => {
            let middle = super::day::first_of_month(year, 6);
            (Beginning::BuiltYear, Some(middle.min(facts.as_of)))
        }
        (None, None) => (Beginning::Unknown, None),
    };
    Life { beginning, began_on, ended_on: None, clean_on: Vec::new(), onset_found: None }
}

/// Notes in a life what its surveys say, up to the first that found the onset.
fn read_surveys(life: &mut Life, facts: &HullFacts) {
    let surveys = facts.surveys.iter().filter(|survey| {
        life.began_on.is_none_or(|began_on| survey.surveyed_on >= began_on)
            && life.ended_on.is_none_or(|ended_on| survey.surveyed_on <= ended_on)
    });
    for survey in surveys {
        match verdict(survey, &facts.policy) {
            Verdict::Clean => life.clean_on.push(survey.surveyed_on),
            Verdict::Onset => {
                life.onset_found = Some(*survey);
                break;
            }
            Verdict::Open => {}
        }
    }
}

/// The coats still on the bottom: those not taken off; a curative treatment takes off all that was put on before it.
pub fn coats_in_place(facts: &HullFacts) -> impl Iterator<Item = &CoatFact> {
    let stripped_on = facts
        .treatments
        .iter()
        .filter(|treatment| treatment.kind == TreatmentKind::Curative)
        .map(|treatment| treatment.started_on)
        .max();
    facts.coats.iter().filter(move |coat| {
        coat.removed_on.is_none() && stripped_on.is_none_or(|date| coat.applied_on >= date)
    })
}

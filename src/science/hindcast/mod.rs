//! How right forecasts would have been: past surveys against the forecasts that were possible before them.
//!
//! **Which surveys.** Each that told whether blistering had begun (the whole bottom and clean, or blistered), in a life in
//! which none had been found before. The forecast is made the lead time before it; where the life was last looked at, or
//! began, within that time, on that day: it is always the next survey that is asked about, so that no survey is left out
//! because of what another found. A survey before which something was done to the skin in that time is left out: the
//! forecast is of a hull to which nothing is done.
//!
//! **What is asked.** With L(S) the chance of clean surveys on the days S under the members as weighed then
//! ([`crate::science::forecast::onset`]; what began not long before a survey may be overlooked), C those already made and
//! s₁ < s₂ < ... those that followed, the chance that blistering has been found by the k-th is
//!
//! G_k = 1 - L(C ∪ {s₁ ... s_k}) / L(C).
//!
//! G₁ is the forecast of "blistered by the next survey". Followed as long as nothing was done to the skin, a life in which
//! it was first found at the k-th has the probability integral transform (G_{k-1}, G_k), one found clean to the last, the
//! n-th, (G_n, 1): under a right forecast a point drawn evenly from that range is uniform over 0 to 1 (the randomised
//! transform: Dawid 1984; Smith 1985; for what is counted, Czado, Gneiting and Held 2009), and lies within 0.1 to 0.9 as
//! often as an onset lies within its 10-90 range. Sources from memory, not re-read.

#![allow(clippy::doc_markdown, reason = "formulas in words carry subscripts")]

pub mod scores;

use chrono::{Datelike, NaiveDate};

use super::forecast::day;
use super::forecast::ensemble::Ensemble;
use super::forecast::facts::{CoatRole, HullFacts};
use super::forecast::history::{History, Life, Verdict, verdict};
use super::forecast::onset_outlook;
use super::refusal::Refusals;

/// Days of a year.
const YEAR: f64 = 365.25;

/// A survey that an earlier forecast is held against.
#[derive(Debug, Clone, PartialEq)]
pub struct Question {
    /// The day the forecast is made on.
    pub as_of: NaiveDate,
    /// The survey.
    pub surveyed_on: NaiveDate,
    /// Whether it found blistering.
    pub found: bool,
    /// Which of the hull's lives it falls in, the first being 0.
    pub life: usize,
    /// Years from the beginning of that life to the survey.
    pub life_years: f64,
    /// This survey and those that followed in the life, until something was done to the skin.
    pub followed_on: Vec<NaiveDate>,
    /// Whether the last of them found blistering; the others found none.
    pub found_at_last: bool,
}

/// The surveys of a period, sorted.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Questions {
    /// Those to hold a forecast against, by day.
    pub asked: Vec<Question>,
    /// Surveys that told nothing of onset: a part of the bottom, or blisters too few and small to count.
    pub undecided: u32,
    /// Surveys of a bottom that had been found blistered before and not been treated since.
    pub already_blistered: u32,
    /// Surveys before which something was done to the skin since the day of their forecast.
    pub skin_changed: u32,
    /// Surveys on the day that another was made on, or the life began on, or of no life at all.
    pub without_a_day_before: u32,
}

/// Sorts the surveys from the first of January of a year on; `facts` are those of today.
#[must_use]
pub fn questions(facts: &HullFacts, from_year: i32, lead_months: u32) -> Questions {
    let facts = facts.known();
    let history = History::read(&facts);
    let mut questions = Questions::default();
    for survey in facts.surveys.iter().filter(|survey| survey.surveyed_on.year() >= from_year) {
        let on = survey.surveyed_on;
        if verdict(survey, &facts.policy) == Verdict::Open {
            questions.undecided += 1;
            continue;
        }
        // A curative treatment may begin on the day of the survey that called for it: that day is of the old life.
        let of_life = |life: &Life| {
            life.began_on.is_some_and(|began| began <= on) && life.ended_on.is_none_or(|ended| on <= ended)
        };
        let Some((index, life)) = history.lives.iter().enumerate().find(|(_, life)| of_life(life)) else {
            questions.without_a_day_before += 1;
            continue;
        };
        if life
            .onset_found
            .is_some_and(|found| found.surveyed_on < on || found != *survey && found.surveyed_on == on)
        {
            questions.already_blistered += 1;
            continue;
        }
        match question(&facts, index, life, on, lead_months) {
            Ok(question) if questions.asked.iter().any(|asked| asked.surveyed_on == question.surveyed_on) => {
                questions.without_a_day_before += 1;
            }
            Ok(question) => questions.asked.push(question),
            Err(Unasked::SkinChanged) => questions.skin_changed += 1,
            Err(Unasked::NoDayBefore) => questions.without_a_day_before += 1,
        }
    }
    questions
}

enum Unasked {
    SkinChanged,
    NoDayBefore,
}

fn question(
    facts: &HullFacts,
    index: usize,
    life: &Life,
    on: NaiveDate,
    lead_months: u32,
) -> Result<Question, Unasked> {
    let began_on = life.began_on.ok_or(Unasked::NoDayBefore)?;
    let found_on = life.onset_found.map(|survey| survey.surveyed_on);
    let looked_on = || life.clean_on.iter().copied().chain(found_on);
    let looked_before = looked_on().filter(|&day| day < on).max();
    let as_of = day::months_before(on, lead_months).max(began_on).max(looked_before.unwrap_or(began_on));
    if as_of >= on {
        return Err(Unasked::NoDayBefore);
    }
    let changed_on = skin_changes(facts).filter(|&changed| changed > as_of).min().unwrap_or(NaiveDate::MAX);
    // What is done on the day of a survey is done after it.
    if changed_on < on {
        return Err(Unasked::SkinChanged);
    }
    let followed_on: Vec<NaiveDate> = looked_on().filter(|&day| day >= on && day <= changed_on).collect();
    Ok(Question {
        as_of,
        surveyed_on: on,
        found: found_on == Some(on),
        life: index,
        life_years: (day::number(on) - day::number(began_on)) / YEAR,
        found_at_last: found_on.is_some_and(|found| followed_on.last() == Some(&found)),
        followed_on,
    })
}

/// The days on which something was done to the skin: coats but antifouling, those taken off, treatments.
fn skin_changes(facts: &HullFacts) -> impl Iterator<Item = NaiveDate> {
    let coats = facts.coats.iter().filter(|coat| coat.role != CoatRole::Antifouling);
    coats
        .flat_map(|coat| [Some(coat.applied_on), coat.removed_on])
        .flatten()
        .chain(facts.treatments.iter().map(|treatment| treatment.started_on))
}

/// What the forecast said.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Answer {
    /// The chance that the survey finds blistering.
    pub found_probability: f64,
    /// The probability integral transform of all that followed, a range.
    pub transform: (f64, f64),
}

/// Makes the forecast from the facts as they were known on its day; none where none could be made.
///
/// # Errors
/// Facts that no forecast can be made from.
pub fn answer(
    question: &Question,
    then: &HullFacts,
    ensemble: &Ensemble,
) -> Result<Option<Answer>, Refusals> {
    let Some(&last) = question.followed_on.last() else { return Ok(None) };
    let Some(outlook) = onset_outlook(then, ensemble, day::date_after(last))? else { return Ok(None) };
    let days: Vec<f64> = question.followed_on.iter().map(|&on| day::number(on)).collect();
    let found_by = |count: usize| days.get(..count).map_or(1.0, |days| outlook.found_by(days));
    let whole = found_by(days.len());
    let transform = if question.found_at_last { (found_by(days.len() - 1), whole) } else { (whole, 1.0) };
    Ok(Some(Answer { found_probability: found_by(1), transform }))
}

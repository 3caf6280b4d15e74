//! The lives of a hull as intervals, for the estimates that need no prior ([`crate::science::lifetime`]): from the last
//! clean look, after which blistering had not begun, to the first that found it. In years since the life began, and in
//! exposure years of the central member. An overlooked beginning is not allowed for here, as the fit does.

use chrono::NaiveDate;

use super::evidence::{SkinSystem, last_look, looked_at, system};
use crate::science::forecast::check;
use crate::science::forecast::course;
use crate::science::forecast::day;
use crate::science::forecast::ensemble::Ensemble;
use crate::science::forecast::facts::HullFacts;
use crate::science::forecast::history::{History, Life};
use crate::science::forecast::outlook::YEAR;
use crate::science::forecast::paths::{Paths, exposure_at};
use crate::science::lifetime::Observation;

/// A day: no interval is told more closely.
const LEAST_YEARS: f64 = 1.0 / YEAR;

/// A life that somebody looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SeenLife {
    /// Its skin when it was last looked at.
    pub system: SkinSystem,
    /// Whether blistering was found.
    pub event: bool,
    /// When blistering began, years since the life did; none where that day is unknown.
    pub years: Option<Observation>,
    /// The same in exposure years; none where no water forecast is made for the hull.
    pub exposure_years: Option<Observation>,
}

/// The lives of a hull that somebody looked at; none where no forecast can be made from its facts. `ensemble` is
/// [`Ensemble::central`]: its first member counts.
#[must_use]
pub fn seen_lives(facts: &HullFacts, ensemble: &Ensemble) -> Vec<SeenLife> {
    if check::check(facts).is_err() {
        return Vec::new();
    }
    let facts = facts.known();
    let history = History::read(&facts);
    let Some((looked_at, last_on)) = looked_at(&history) else { return Vec::new() };
    let mut plain = facts.clone();
    // Breaks are places of their own: the life is that of the bottom around them.
    plain.findings.clear();
    let course =
        course::build(&plain, &history, day::date_after(last_on), &ensemble.priors).map(|(course, _)| course);
    let paths = course.as_ref().map(|course| Paths::run(course, ensemble));
    looked_at
        .into_iter()
        .map(|(index, life)| SeenLife {
            system: system(&facts, index, last_look(life)),
            event: life.onset_found.is_some(),
            years: life.began_on.map(|began_on| {
                bracket(life, |on| (day::number(on) - day::number(began_on)) / YEAR, LEAST_YEARS)
            }),
            exposure_years: course.as_ref().zip(paths.as_ref()).zip(life.began_on).map(
                |((course, paths), began_on)| {
                    let at = |on: NaiveDate| {
                        if on <= began_on {
                            return 0.0;
                        }
                        exposure_at(paths.member(0), course.timeline.position(day::number(on)))
                    };
                    bracket(life, at, LEAST_YEARS)
                },
            ),
        })
        .collect()
}

/// The interval in which a life ended, of a measure of time that grows over the days. `least` is its least length and
/// its least end: what a clean look and a finding on one day leave open, or a finding before any exposure by the model.
fn bracket(life: &Life, at: impl Fn(NaiveDate) -> f64, least: f64) -> Observation {
    let lower = life.clean_on.last().map_or(0.0, |&on| at(on).max(0.0));
    let Some(found) = life.onset_found else {
        return Observation { lower, upper: None, count: 1 };
    };
    let upper = at(found.surveyed_on).max(least);
    Observation { lower: lower.min(upper - least), upper: Some(upper), count: 1 }
}

//! The onset of blistering: P(onset by t) = 1 - exp(-(X(t)/η)^β) over the members, given what surveys saw.
//!
//! Within a life, with π the members' prior weights, S their survival and q the chance that an examination
//! of the whole bottom sees blistering that has begun:
//! - before any survey L₀ = 1; a clean survey at t_n: L_n = q·S(t_n) + (1-q)·L_(n-1), which is what is left
//!   of a member's possible onsets, each weighed by the examinations that would have had to miss it;
//! - first seen at t₂: w = π·(L_n - S(t₂)), once;
//! - clean last at t_n: w = π·L_n, and for t ≥ t_n: R(t) = 1 - Σ π S(t) / Σ π L_n.
//!
//! With q = 1 this is the text-book interval censoring w = π S(t_n), π (S(t₁) - S(t₂)). Earlier lives multiply
//! π; their scale, shape and skin are draws of their own, so they inform only what carries over.
//! Ranges: exposure in years from 0, scale over 0, shape over 0, q in (0, 1].
//! Source of the conditional form: any text on life data, e.g. W. Q. Meeker and L. A. Escobar, Statistical
//! Methods for Reliability Data (1998), chapters 2 and 3.

use chrono::NaiveDate;

use super::calendar::Position;
use super::day;
use super::ensemble::Ensemble;
use super::history::{History, Life};
use super::paths::{Course, Paths, exposure_at};
use super::quantile::{DateQuantiles, Quantiles, WeightedSample};

/// Chance that a Weibull life of this scale and shape lasts beyond an exposure.
#[must_use]
pub fn survival(exposure_years: f64, scale_exposure_years: f64, shape: f64) -> f64 {
    (-(exposure_years / scale_exposure_years).powf(shape)).exp()
}

/// The exposure by which a life that lasted to `exposure_years` has failed with chance `p`:
/// u = η ((x/η)^β - ln(1-p))^(1/β).
#[must_use]
pub fn conditional_quantile(exposure_years: f64, scale_exposure_years: f64, shape: f64, p: f64) -> f64 {
    let cumulative = (exposure_years / scale_exposure_years).powf(shape) - (1.0 - p).ln();
    scale_exposure_years * cumulative.powf(shape.recip())
}

/// What is left of a member's survival after clean examinations: L_n of the module's text.
#[must_use]
pub fn clean_likelihood(survivals: &[f64], detection_probability: f64) -> f64 {
    survivals.iter().fold(1.0, |likelihood, survival| {
        detection_probability * survival + (1.0 - detection_probability) * likelihood
    })
}

/// The likelihood of onset first seen when `survival_at_find` is left, after clean examinations.
#[must_use]
pub fn onset_likelihood(survivals: &[f64], survival_at_find: f64, detection_probability: f64) -> f64 {
    (clean_likelihood(survivals, detection_probability) - survival_at_find).max(0.0)
}

/// A member of the current life.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Member {
    scale_exposure_years: f64,
    shape: f64,
    /// Weight from the earlier lives, π.
    prior: f64,
    /// Weight after the current life's surveys, π·L.
    weight: f64,
}

/// Onset of blistering in the current life of one hull.
#[derive(Debug, Clone)]
pub struct Outlook {
    course: Course,
    paths: Paths,
    members: Vec<Member>,
    began: f64,
    /// Clean surveys, as positions on the timeline with their day numbers.
    clean: Vec<(f64, Position)>,
    detection_probability: f64,
    /// Σ π L_n.
    clean_mass: f64,
    horizon: NaiveDate,
    /// Whether no member could have produced what was found, so that the surveys were left out.
    pub contradicted: bool,
}

impl Outlook {
    /// Weighs the members by the lives on record.
    ///
    /// `paths` are those of `course`, whose timeline begins with the first life; every life has a beginning.
    #[must_use]
    pub fn weigh(
        course: Course,
        paths: Paths,
        history: &History,
        ensemble: &Ensemble,
        facts: &super::facts::HullFacts,
        horizon: NaiveDate,
    ) -> Self {
        let detection = facts.policy.detection_probability;
        let last = history.lives.len() - 1;
        let mut priors = vec![1.0; ensemble.members()];
        for (index, life) in history.lives[..last].iter().enumerate() {
            for (member, prior) in priors.iter_mut().enumerate() {
                let scale = ensemble.scale_exposure_years(member, last - index, facts.laminate_class);
                let shape = ensemble.life(member, last - index).shape;
                let alive = |date| {
                    let position = course.timeline.position(day::number(date));
                    survival(exposure_at(paths.member(member), position), scale, shape)
                };
                *prior *= life_likelihood(life, alive, detection);
            }
        }
        let contradicted = !normalise(&mut priors);
        let life = history.current();
        let members: Vec<Member> = priors
            .iter()
            .enumerate()
            .map(|(member, &prior)| Member {
                scale_exposure_years: ensemble.scale_exposure_years(member, 0, facts.laminate_class),
                shape: ensemble.life(member, 0).shape,
                prior,
                weight: prior,
            })
            .collect();
        let clean = life
            .clean_on
            .iter()
            .map(|&date| (day::number(date), course.timeline.position(day::number(date))))
            .collect();
        let began = life.began_on.map_or(course.timeline.bounds[0], day::number);
        let mut outlook = Self {
            course,
            paths,
            members,
            began,
            clean,
            detection_probability: detection,
            clean_mass: 1.0,
            horizon,
            contradicted,
        };
        let mut weights: Vec<f64> = (0..outlook.members.len())
            .map(|member| {
                let alive = |date| outlook.member_survival(member, outlook.position(day::number(date)));
                outlook.members[member].prior * life_likelihood(life, alive, detection)
            })
            .collect();
        if normalise(&mut weights) {
            for (member, weight) in outlook.members.iter_mut().zip(weights) {
                member.weight = weight;
            }
            let survivals: Vec<f64> = outlook.clean.iter().map(|&(_, at)| outlook.alive(at)).collect();
            outlook.clean_mass = clean_likelihood(&survivals, detection);
        } else {
            outlook.clean.clear();
            outlook.contradicted = true;
        }
        outlook
    }

    fn position(&self, number: f64) -> Position {
        self.course.timeline.position(number)
    }

    fn member_survival(&self, member: usize, at: Position) -> f64 {
        let Member { scale_exposure_years, shape, .. } = self.members[member];
        survival(exposure_at(self.paths.member(member), at), scale_exposure_years, shape)
    }

    /// Σ π S at a position.
    fn alive(&self, at: Position) -> f64 {
        (0..self.members.len()).map(|i| self.members[i].prior * self.member_survival(i, at)).sum()
    }

    /// Chance that blistering has begun by a day, given the surveys of the current life.
    #[must_use]
    pub fn risk(&self, number: f64) -> f64 {
        if number <= self.began {
            return 0.0;
        }
        let alive = self.alive(self.position(number));
        // Onsets that examinations after `number` would have had to miss weigh less.
        let later = self.clean.iter().rev().take_while(|&&(clean, _)| clean > number);
        let missed = 1.0 - self.detection_probability;
        let mut left = self.clean.last().map_or(alive, |&(_, at)| self.alive(at));
        let mut weight = 1.0;
        let mut bound = left;
        for &(_, at) in later {
            let here = self.alive(at);
            left += weight * (here - bound);
            bound = here;
            weight *= missed;
        }
        left += weight * (alive - bound);
        (1.0 - left / self.clean_mass).clamp(0.0, 1.0)
    }

    /// The day by which onset has begun with chance `p`, as a day number; infinite past the timeline.
    #[must_use]
    pub fn day_at_risk(&self, p: f64) -> f64 {
        self.first_day(self.began, |number| self.risk(number) >= p)
    }

    /// Quantiles of the day of onset.
    #[must_use]
    pub fn onset(&self) -> DateQuantiles {
        let date = |p| day::date_within(self.day_at_risk(p), self.horizon);
        DateQuantiles { p10: date(0.1), p50: date(0.5), p90: date(0.9) }
    }

    /// The day on which the chance that onset began after `since` (the last clean survey, or the beginning
    /// of the life) reaches `p`: (Σ π S(since) - Σ π S(t)) / Σ π L.
    #[must_use]
    pub fn day_at_risk_since(&self, since: f64, p: f64) -> f64 {
        let alive_then = self.alive(self.position(since));
        self.first_day(since, |number| {
            (alive_then - self.alive(self.position(number))) / self.clean_mass >= p
        })
    }

    /// Chance of onset in the year from a day on, given none before it.
    #[must_use]
    pub fn yearly_rate(&self, number: f64) -> f64 {
        let now = self.alive(self.position(number));
        if now > 0.0 { 1.0 - self.alive(self.position(number + YEAR)) / now } else { 1.0 }
    }

    /// The first day from `since` on at which the yearly rate reaches a limit.
    #[must_use]
    pub fn day_at_rate(&self, since: f64, limit: f64) -> f64 {
        self.first_day_scanned(since, |number| self.yearly_rate(number) >= limit)
    }

    /// Each member's own day at which its risk since `since` reaches `p`, with its weight.
    pub fn member_days_at_risk(&self, since: f64, p: f64) -> impl Iterator<Item = (f64, f64)> {
        let from = self.position(since);
        self.members.iter().enumerate().map(move |(index, member)| {
            let path = self.paths.member(index);
            let target =
                conditional_quantile(exposure_at(path, from), member.scale_exposure_years, member.shape, p);
            (
                day_of_exposure(path, &self.course.timeline.bounds, from.segment, target).max(since),
                member.weight,
            )
        })
    }

    /// Each member's own day at which its yearly rate reaches a limit, with its weight.
    pub fn member_days_at_rate(&self, since: f64, limit: f64) -> impl Iterator<Item = (f64, f64)> {
        let needed = -(1.0 - limit).ln();
        self.members.iter().enumerate().map(move |(index, member)| {
            let path = self.paths.member(index);
            let hazard = |number| {
                let exposure = exposure_at(path, self.position(number));
                (exposure / member.scale_exposure_years).powf(member.shape)
            };
            let reached = |number| hazard(number + YEAR) - hazard(number) >= needed;
            (self.first_day_scanned(since, reached), member.weight)
        })
    }

    /// Exposure at a day, over the members as they now weigh.
    #[must_use]
    pub fn exposure_years(&self, date: NaiveDate) -> Option<Quantiles> {
        let at = self.position(day::number(date));
        let members = self.members.iter().enumerate();
        WeightedSample::new(
            members.map(|(index, member)| (exposure_at(self.paths.member(index), at), member.weight)),
        )
        .map(|sample| sample.quantiles())
    }

    /// The chance of onset at an open break, given none before the skin broke: the day at which it reaches
    /// `p`, and the same of every member with its weight.
    #[must_use]
    pub fn break_days(&self, index: usize, p: f64) -> (f64, Vec<(f64, f64)>) {
        let broken = self.course.breaks[index];
        let bounds = &self.course.timeline.bounds[broken.from..=broken.until];
        let standing: Vec<f64> = self
            .members
            .iter()
            .enumerate()
            .map(|(i, m)| {
                m.prior * survival(self.paths.at_break(index, i)[0], m.scale_exposure_years, m.shape)
            })
            .collect();
        let total: f64 = standing.iter().sum();
        let risk = |position: Position| {
            let alive: f64 = self
                .members
                .iter()
                .enumerate()
                .map(|(i, m)| {
                    let exposure = exposure_at(self.paths.at_break(index, i), position);
                    m.prior * survival(exposure, m.scale_exposure_years, m.shape)
                })
                .sum();
            1.0 - alive / total
        };
        let place = |day: f64| {
            let segment =
                bounds.partition_point(|&bound| bound <= day).saturating_sub(1).min(bounds.len() - 2);
            let fraction = (day - bounds[segment]) / (bounds[segment + 1] - bounds[segment]);
            Position { segment, fraction: fraction.clamp(0.0, 1.0) }
        };
        let whole = first_true(bounds, 0, |number| risk(place(number)) >= p);
        let own = self.members.iter().enumerate().map(|(i, member)| {
            let path = self.paths.at_break(index, i);
            let target = conditional_quantile(path[0], member.scale_exposure_years, member.shape, p);
            (day_of_exposure(path, bounds, 0, target), standing[i])
        });
        (whole, own.collect())
    }

    /// The first day from `since` on at which a condition that stays true once it is true holds.
    fn first_day(&self, since: f64, holds: impl Fn(f64) -> bool) -> f64 {
        if holds(since) {
            return since;
        }
        let first = self.position(since).segment;
        first_true(&self.course.timeline.bounds, first, |number| number > since && holds(number))
    }

    /// The same for a condition that may come and go within the year: looked at year by year, then by
    /// halves within the year it first holds at the end of.
    fn first_day_scanned(&self, since: f64, holds: impl Fn(f64) -> bool) -> f64 {
        if holds(since) {
            return since;
        }
        let end = self.course.timeline.bounds[self.course.timeline.segments.len()] - YEAR;
        let mut low = since;
        while low < end {
            let high = low + YEAR;
            if holds(high) {
                return halve(low, high, holds);
            }
            low = high;
        }
        f64::INFINITY
    }
}

/// A likelihood under which a history counts as one that no member could have had.
const IMPOSSIBLE: f64 = 1e-12;
/// Days in a year.
pub const YEAR: f64 = 365.25;

fn life_likelihood(life: &Life, alive: impl Fn(NaiveDate) -> f64, detection_probability: f64) -> f64 {
    let survivals: Vec<f64> = life.clean_on.iter().map(|&date| alive(date)).collect();
    match &life.onset_found {
        Some(survey) => onset_likelihood(&survivals, alive(survey.surveyed_on), detection_probability),
        None => clean_likelihood(&survivals, detection_probability),
    }
}

/// Makes weights sum to one; equal weights, and false, where none is left.
fn normalise(weights: &mut [f64]) -> bool {
    let total: f64 = weights.iter().sum();
    let possible = total.is_finite() && total > IMPOSSIBLE;
    if !possible {
        weights.fill(1.0);
    }
    let total: f64 = weights.iter().sum();
    for weight in weights.iter_mut() {
        *weight /= total;
    }
    possible
}

/// The day on which an exposure is reached along a path; infinite where it is not.
fn day_of_exposure(path: &[f64], bounds: &[f64], first: usize, target: f64) -> f64 {
    let above = first + 1 + path[first + 1..].partition_point(|&exposure| exposure < target);
    let Some(&after) = path.get(above) else {
        return f64::INFINITY;
    };
    let before = path[above - 1];
    if before >= target {
        return bounds[above - 1];
    }
    bounds[above - 1] + (bounds[above] - bounds[above - 1]) * (target - before) / (after - before)
}

/// The first day at which a lasting condition holds: by halves over the bounds, then over the days.
fn first_true(bounds: &[f64], first: usize, holds: impl Fn(f64) -> bool) -> f64 {
    let above = first + bounds[first..].partition_point(|&bound| !holds(bound));
    if above >= bounds.len() {
        return f64::INFINITY;
    }
    if above == first {
        return bounds[first];
    }
    halve(bounds[above - 1], bounds[above], holds)
}

/// A day, to within a tenth, between one at which the condition fails and one at which it holds.
fn halve(mut low: f64, mut high: f64, holds: impl Fn(f64) -> bool) -> f64 {
    while high - low > 0.1 {
        let middle = f64::midpoint(low, high);
        if holds(middle) { high = middle } else { low = middle }
    }
    high
}

//! The outlook of one hull: its members weighed by what surveys saw ([`super::onset`]), and the days at which
//! their chance of onset, or its yearly rate, reaches a limit.

use chrono::NaiveDate;

use super::calendar::Position;
use super::day;
use super::ensemble::Ensemble;
use super::history::{History, Life};
use super::onset::{CleanSurveys, conditional_quantile, survival};
use super::paths::{Course, Paths, exposure_at};
use super::policy::Policy;
use super::quantile::{DateQuantiles, Quantiles, WeightedSample};

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
    clean: CleanSurveys,
    /// Days of the clean surveys that count.
    clean_days: Vec<f64>,
    /// Σ π L.
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
        let last = history.lives.len() - 1;
        let mut priors = ensemble.weights.clone();
        for (index, life) in history.lives[..last].iter().enumerate() {
            let clean = clean_surveys(life, &facts.policy);
            for (member, prior) in priors.iter_mut().enumerate() {
                let (scale, shape) = ensemble.weibull(member, last - index, facts.laminate_class);
                let began = life.began_on.map_or(f64::NEG_INFINITY, day::number);
                let alive = |day: f64| {
                    let position = course.timeline.position(day.max(began));
                    survival(exposure_at(paths.member(member), position), scale, shape)
                };
                *prior *= life_likelihood(life, &clean, alive);
            }
        }
        let contradicted = !normalise(&mut priors);
        let life = history.current();
        let members: Vec<Member> = priors
            .iter()
            .enumerate()
            .map(|(member, &prior)| {
                let (scale_exposure_years, shape) = ensemble.weibull(member, 0, facts.laminate_class);
                Member { scale_exposure_years, shape, prior, weight: prior }
            })
            .collect();
        let began = life.began_on.map_or(course.timeline.bounds[0], day::number);
        let clean = clean_surveys(life, &facts.policy);
        let clean_days = life.clean_on.iter().map(|&date| day::number(date)).collect();
        let mut outlook =
            Self { course, paths, members, began, clean, clean_days, clean_mass: 1.0, horizon, contradicted };
        let mut weights: Vec<f64> = (0..outlook.members.len())
            .map(|member| {
                let alive = |day| outlook.member_survival(member, outlook.position(day));
                outlook.members[member].prior * life_likelihood(life, &outlook.clean, alive)
            })
            .collect();
        if normalise(&mut weights) {
            for (member, weight) in outlook.members.iter_mut().zip(weights) {
                member.weight = weight;
            }
            outlook.clean_mass = outlook.clean.likelihood(|day| outlook.alive(day));
        } else {
            outlook.clean = outlook.clean.seeing_alike_on(&[]);
            outlook.clean_days.clear();
            outlook.contradicted = true;
        }
        outlook
    }

    /// Where a day falls on the timeline; the beginning of the life for days before it.
    fn position(&self, number: f64) -> Position {
        self.course.timeline.position(number.max(self.began))
    }

    fn member_survival(&self, member: usize, at: Position) -> f64 {
        let Member { scale_exposure_years, shape, .. } = self.members[member];
        survival(exposure_at(self.paths.member(member), at), scale_exposure_years, shape)
    }

    /// Σ π S on a day.
    fn alive(&self, number: f64) -> f64 {
        let at = self.position(number);
        (0..self.members.len()).map(|i| self.members[i].prior * self.member_survival(i, at)).sum()
    }

    /// Chance that blistering has begun by a day, given the surveys of the current life.
    #[must_use]
    pub fn risk(&self, number: f64) -> f64 {
        if number <= self.began {
            return 0.0;
        }
        let later = self.clean.likelihood_after(number, |day| self.alive(day));
        (1.0 - later / self.clean_mass).clamp(0.0, 1.0)
    }

    /// Chance that surveys of the whole bottom on some days to come, in order, find blistering: 1 - Σ π L' / Σ π L, L' the
    /// likelihood of their being clean too.
    #[must_use]
    pub fn found_by(&self, days: &[f64]) -> f64 {
        let all = [self.clean_days.as_slice(), days].concat();
        let clean = self.clean.seeing_alike_on(&all).likelihood(|day| self.alive(day));
        (1.0 - clean / self.clean_mass).clamp(0.0, 1.0)
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
        let alive_then = self.alive(since);
        self.first_day(since, |number| (alive_then - self.alive(number)) / self.clean_mass >= p)
    }

    /// Chance that onset began between `since` (the last clean survey, or the beginning of the life) and a day.
    #[must_use]
    pub fn risk_since(&self, since: f64, number: f64) -> f64 {
        ((self.alive(since) - self.alive(number)) / self.clean_mass).clamp(0.0, 1.0)
    }

    /// The same chance of every member, with its weight.
    pub fn member_risks_since(&self, since: f64, number: f64) -> impl Iterator<Item = (f64, f64)> {
        let (from, to) = (self.position(since), self.position(number));
        self.members.iter().enumerate().map(move |(index, member)| {
            let then = self.member_survival(index, from);
            let risk = if then > 0.0 { 1.0 - self.member_survival(index, to) / then } else { 1.0 };
            (risk.clamp(0.0, 1.0), member.weight)
        })
    }

    /// The weights of the members after all surveys, in their order.
    pub fn weights(&self) -> impl Iterator<Item = f64> {
        self.members.iter().map(|member| member.weight)
    }

    /// Chance of onset in the year from a day on, given none before it.
    #[must_use]
    pub fn yearly_rate(&self, number: f64) -> f64 {
        let now = self.alive(number);
        if now > 0.0 { 1.0 - self.alive(number + YEAR) / now } else { 1.0 }
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

/// What the clean surveys of a life say under a policy.
#[must_use]
pub fn clean_surveys(life: &Life, policy: &Policy) -> CleanSurveys {
    let days: Vec<f64> = life.clean_on.iter().map(|&date| day::number(date)).collect();
    let overlooked_days = f64::from(policy.detection_sure_after_months) / 12.0 * YEAR;
    CleanSurveys::new(&days, policy.detection_probability, overlooked_days)
}

fn life_likelihood(life: &Life, clean: &CleanSurveys, survival: impl Fn(f64) -> f64) -> f64 {
    match &life.onset_found {
        Some(survey) => clean.likelihood_seen(day::number(survey.surveyed_on), survival),
        None => clean.likelihood(survival),
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

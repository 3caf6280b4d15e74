//! **Barrier**: earliest of the yearly chance of onset reaching its limit (a rate, so clean surveys do not push
//! it away for ever), the barrier's age, a measured film under its least, and coating failure found. Pulled
//! forward to the last usual lift before it where that is still to come.
//!
//! The rate is looked for from the last barrier system on (from the beginning of the life where there is
//! none), but not within the barrier's least age: another coat on a new barrier does not lower it. It is not
//! looked for from the as-of date: where it was reached long ago the date stays there and is overdue. A clean
//! survey shows that nothing had begun by then, so no day before the last one is named: where the rate was
//! over its limit then already, that day is the date.

use super::{
    Basis, Candidate, Case, Driver, DueDate, DueKind, DueStatus, Evidence, counted, earliest, held, percent,
    range,
};
use crate::science::forecast::calendar::usual_lift_before;
use crate::science::forecast::day;
use crate::science::forecast::skins::{self, BarrierSystem};

/// The barrier row; none once blistering has been found or while a curative treatment runs, which end in one.
#[must_use]
pub fn due(case: &Case) -> Option<DueDate> {
    let life = case.history.current();
    if life.onset_found.is_some() || case.history.treatment_open_since.is_some() {
        return None;
    }
    let policy = &case.facts.policy;
    let barrier = skins::barrier_system(case.facts, case.priors);
    let mut evidence: Vec<Evidence> = case.no_model_evidence().into_iter().collect();
    let mut candidates =
        barrier.as_ref().map(|barrier| by_barrier(case, barrier, &mut evidence)).unwrap_or_default();
    let fixed = candidates.iter().map(|candidate| candidate.day).fold(f64::INFINITY, f64::min);
    let mut members = None;
    if let Some((outlook, began_on)) = case.onset_model().zip(life.began_on) {
        let since = barrier.as_ref().map_or(began_on, |barrier| {
            day::months_after(barrier.applied_on.max(began_on), 12 * policy.barrier_min_age_years)
        });
        let surveyed = life.clean_on.last().copied();
        let since = day::number(surveyed.map_or(since, |clean| clean.max(since)));
        members = Some(outlook.member_days_at_rate(since, policy.barrier_rate_per_year).collect());
        let reached = outlook.day_at_rate(since, policy.barrier_rate_per_year);
        let limit = percent(policy.barrier_rate_per_year);
        let reason = match surveyed.filter(|clean| reached <= day::number(*clean)) {
            Some(clean) => format!(
                "When the hull was last found clean, on {clean}, the chance that blistering begins within a year was \
                 {limit} or more already."
            ),
            None => format!(
                "From then on the chance that blistering begins within a year, none having begun before, is {limit} \
                 or more."
            ),
        };
        candidates.push(Candidate { day: reached, driver: Driver::OnsetRate, reason });
        evidence.extend_from_slice(case.water_evidence);
    }
    let Some(first) = earliest(candidates) else {
        let reason = if case.facts.cored {
            "A cored bottom gets no water forecast: enter its barrier coats to follow their age and film; a surveyor \
             decides on a first barrier."
        } else {
            "Enter the year built or the launch date, or the barrier coats."
        };
        return Some(DueDate::missing(DueKind::Barrier, reason, evidence));
    };
    let member_days = held(members, fixed);
    let due_range = range(&member_days, fixed, case.horizon);
    let (due_on, driver, reason) = match day::date_within(first.day, case.horizon) {
        Some(date) => (Some(at_usual_lift(case, date, &mut evidence)), first.driver, first.reason),
        None => (
            None,
            Driver::BeyondHorizon,
            format!(
                "The chance that blistering begins within a year, none having begun before, does not reach {} by {}.",
                percent(policy.barrier_rate_per_year),
                case.horizon
            ),
        ),
    };
    Some(DueDate {
        kind: DueKind::Barrier,
        status: DueStatus::Due,
        due_on,
        due_range,
        driver,
        reason,
        evidence,
        basis: Basis::Prior,
        member_days,
    })
}

/// The dates that the barrier itself gives: its age, its film, its failure.
fn by_barrier(case: &Case, barrier: &BarrierSystem, evidence: &mut Vec<Evidence>) -> Vec<Candidate> {
    let policy = &case.facts.policy;
    let years = policy.barrier_max_age_years;
    let on = barrier.applied_on;
    let mut candidates = vec![Candidate {
        day: day::number(day::months_after(on, 12 * years)),
        driver: Driver::BarrierAge,
        reason: format!("The barrier was completed on {on}; it is renewed after {}.", counted(years, "year")),
    }];
    match barrier.measured_film_um {
        Some(film) if skins::film_is_thin(barrier, policy) => candidates.push(Candidate {
            day: day::number(on),
            driver: Driver::BarrierFilm,
            reason: format!(
                "The barrier of {on} measures {film:.0} µm; the least is {:.0} µm.",
                policy.barrier_min_film_um
            ),
        }),
        Some(_) => {}
        None => evidence.push(Evidence::new(
            "barrier_film_not_measured",
            format!("The film of the barrier of {on} was not measured on the hull."),
        )),
    }
    let failed = case
        .facts
        .surveys
        .iter()
        .find(|survey| survey.coating_failure && survey.surveyed_on > on)
        .map(|survey| survey.surveyed_on);
    candidates.extend(failed.map(|failed_on| Candidate {
        day: day::number(failed_on),
        driver: Driver::CoatingFailure,
        reason: format!("The survey of {failed_on} found the barrier of {on} failing."),
    }));
    candidates
}

/// The last usual lift on or before a date, where it is not before the as-of date; otherwise the date itself.
fn at_usual_lift(case: &Case, date: chrono::NaiveDate, evidence: &mut Vec<Evidence>) -> chrono::NaiveDate {
    let lift = case.facts.coming_ashore_months().map(|pattern| usual_lift_before(date, pattern));
    if let Some(lift) = lift.filter(|&lift| lift >= case.facts.as_of) {
        evidence.push(Evidence::new(
            "pulled_to_usual_lift",
            format!("Due by {date}; pulled forward to the usual lift of {lift} before it."),
        ));
        return lift;
    }
    evidence.push(Evidence::new(
        "needs_own_lift",
        format!("No usual lift lies between {} and {date}: it needs its own lift.", case.facts.as_of),
    ));
    date
}

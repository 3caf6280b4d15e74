//! **Antifouling**: remaining film = applied - wear·exp(k (T - 15 °C))·months afloat, spent at a reserve;
//! products that do not wear, at their season limit; any, after too many days ashore.
//!
//! Wear is µm per month of 365.25/12 days at 15 °C from the data sheet; its growth with temperature, k, and the
//! spread of the rate about it (geometric standard deviation) are in the priors (practice). The range is exact
//! for that lognormal spread: a later quantile of the date is the date at the same quantile of slower wear.
//! What dries out ashore is due at the relaunch that ends it: renewed earlier, it would only dry again.

use chrono::{Datelike, NaiveDate};

use super::{Basis, Candidate, Case, Driver, DueDate, DueKind, DueStatus, Evidence, counted, earliest};
use crate::science::forecast::calendar::{Ashore, ashore_periods};
use crate::science::forecast::day;
use crate::science::forecast::facts::{CoatFact, CoatRole, HullFacts};
use crate::science::forecast::history::coats_in_place;
use crate::science::forecast::priors::Priors;
use crate::science::forecast::quantile::DateQuantiles;
use crate::science::forecast::skins::{dry_film_um, same_system};

/// Days in a month of wear.
const MONTH_DAYS: f64 = 365.25 / 12.0;
/// Standard normal deviate exceeded by one in ten.
const ONE_IN_TEN: f64 = 1.281_551_565_544_600_4;

/// The antifouling row. There is always one.
#[must_use]
pub fn due(case: &Case) -> DueDate {
    let Some(last) = coats_in_place(case.facts)
        .filter(|coat| coat.role == CoatRole::Antifouling)
        .max_by_key(|coat| coat.applied_on)
    else {
        return DueDate::missing(DueKind::Antifouling, "Enter the last antifouling coat.", Vec::new());
    };
    let covered = coats_in_place(case.facts)
        .filter(|coat| coat.role != CoatRole::Antifouling && coat.applied_on > last.applied_on)
        .map(|coat| coat.applied_on)
        .max();
    if let Some(covered_on) = covered {
        return DueDate::missing(
            DueKind::Antifouling,
            format!("Enter the antifouling put on over the coat of {covered_on}."),
            Vec::new(),
        );
    }
    let mut evidence = Vec::new();
    let system = System::read(case, last, &mut evidence);
    let periods = ashore_periods(case.facts, last.applied_on, case.horizon);
    let fixed = fixed_dates(case, &system, &periods, &mut evidence);
    let fixed_day = fixed.iter().map(|candidate| candidate.day).fold(f64::INFINITY, f64::min);
    let worn = |z: f64| {
        let factor = (case.priors.wear_gsd.ln() * z).exp();
        system.worn_on(case, &periods, factor).min(fixed_day)
    };
    let date = |z| day::date_within(worn(z), case.horizon);
    let due_range = DateQuantiles { p10: date(ONE_IN_TEN), p50: date(0.0), p90: date(-ONE_IN_TEN) };
    let wear = system.wear_um_per_month_15c.map(|wear| Candidate {
        day: system.worn_on(case, &periods, 1.0),
        driver: Driver::AntifoulingWear,
        reason: format!(
            "{:.0} µm put on by {} wear at {wear} µm a month afloat at 15 °C and are then down to the reserve of \
             {:.0} µm.",
            system.film_um, system.applied_on, case.facts.policy.antifouling_reserve_um
        ),
    });
    let Some(first) = earliest(fixed.into_iter().chain(wear).collect()) else {
        return DueDate::missing(DueKind::Antifouling, "Enter the last antifouling coat.", evidence);
    };
    let due_on = day::date_within(first.day, case.horizon);
    DueDate {
        kind: DueKind::Antifouling,
        status: DueStatus::Due,
        due_on,
        due_range: Some(due_range),
        driver: if due_on.is_some() { first.driver } else { Driver::BeyondHorizon },
        reason: first.reason,
        evidence,
        basis: Basis::Prior,
        member_days: Vec::new(),
    }
}

/// The last antifouling, all its coats together.
struct System {
    applied_on: NaiveDate,
    film_um: f64,
    wear_um_per_month_15c: Option<f64>,
    season_limit_months: Option<u32>,
    max_days_dry: u32,
}

impl System {
    fn read(case: &Case, last: &CoatFact, evidence: &mut Vec<Evidence>) -> Self {
        let coats: Vec<CoatFact> = coats_in_place(case.facts)
            .filter(|coat| coat.role == CoatRole::Antifouling && same_system(coat, last, case.priors))
            .copied()
            .collect();
        let film_um = coats.iter().map(|coat| dry_film_um(coat, &coats, case.priors)).sum();
        let wear = coats.iter().rev().find_map(|coat| coat.wear_um_per_month_15c).filter(|&wear| wear > 0.0);
        let season = coats.iter().rev().find_map(|coat| coat.season_limit_months);
        let dry = coats.iter().rev().find_map(|coat| coat.max_days_dry);
        let policy = &case.facts.policy;
        if wear.is_some() && coats.iter().any(|coat| coat.dry_film_um.is_none()) {
            evidence.push(Evidence::new(
                "default_film_antifouling",
                format!(
                    "Antifouling film not recorded: {:.0} µm for the whole system is used.",
                    case.priors.system_film_um(CoatRole::Antifouling)
                ),
            ));
        }
        if wear.is_none() && season.is_none() {
            evidence.push(Evidence::new(
                "default_season_limit",
                format!(
                    "Neither wear rate nor season limit of the antifouling is recorded: {} is used.",
                    counted(policy.antifouling_season_limit_months, "month")
                ),
            ));
        }
        if dry.is_none() {
            evidence.push(Evidence::new(
                "default_max_days_dry",
                format!(
                    "How long the antifouling may stand dry is not recorded: {} days is used.",
                    policy.antifouling_max_days_dry
                ),
            ));
        }
        if !case.facts.site_known && wear.is_some() {
            evidence.push(Evidence::new(
                "default_site",
                "The site is not recorded: the water temperatures of a stand-in climate are used.",
            ));
        }
        Self {
            applied_on: last.applied_on,
            film_um,
            wear_um_per_month_15c: wear,
            season_limit_months: season.or(wear.is_none().then_some(policy.antifouling_season_limit_months)),
            max_days_dry: dry.unwrap_or(policy.antifouling_max_days_dry),
        }
    }

    /// The day on which the film is down to the reserve, wear being `factor` times the data sheet's.
    fn worn_on(&self, case: &Case, periods: &[Ashore], factor: f64) -> f64 {
        let Some(wear) = self.wear_um_per_month_15c else {
            return f64::INFINITY;
        };
        let mut left = self.film_um - case.facts.policy.antifouling_reserve_um;
        let mut from = self.applied_on;
        if left <= 0.0 {
            return day::number(from);
        }
        while from <= case.horizon {
            let month_end = day::first_of_month(from.year(), from.month());
            let (until, afloat) = stretch(from, month_end, periods);
            if afloat {
                let per_day = factor * wear_um_per_day(case.facts, case.priors, wear, from);
                let days = day::number(until) - day::number(from);
                if per_day * days >= left {
                    return day::number(from) + left / per_day;
                }
                left -= per_day * days;
            }
            from = until;
        }
        f64::INFINITY
    }
}

/// Wear of one day afloat in the month of `date`.
fn wear_um_per_day(facts: &HullFacts, priors: &Priors, wear_um_per_month_15c: f64, date: NaiveDate) -> f64 {
    let temperature_c = facts.normals_on(date).water_temperature_c;
    wear_um_per_month_15c / MONTH_DAYS * (priors.wear_per_k * (temperature_c - 15.0)).exp()
}

/// The end of what lasts from a day on, at most to `end`, and whether it is afloat.
fn stretch(from: NaiveDate, end: NaiveDate, periods: &[Ashore]) -> (NaiveDate, bool) {
    match periods.iter().find(|period| period.until > from) {
        Some(period) if period.from <= from => (period.until.min(end), false),
        Some(period) => (period.from.min(end), true),
        None => (end, true),
    }
}

/// The dates that do not depend on wear: season limit and days dry.
fn fixed_dates(
    case: &Case,
    system: &System,
    periods: &[Ashore],
    evidence: &mut Vec<Evidence>,
) -> Vec<Candidate> {
    let mut candidates = Vec::new();
    let afloat_on = match periods.first() {
        Some(period) if period.from <= system.applied_on => period.until,
        _ => system.applied_on,
    };
    if let Some(months) = system.season_limit_months {
        candidates.push(Candidate {
            day: day::number(day::months_after(afloat_on, months)),
            driver: Driver::SeasonLimit,
            reason: format!(
                "The antifouling of {} has been afloat since {afloat_on}; it lasts {}.",
                system.applied_on,
                counted(months, "month")
            ),
        });
    }
    let dried = periods.iter().find(|period| {
        (period.until - period.from.max(system.applied_on)).num_days() > i64::from(system.max_days_dry)
    });
    if let Some(period) = dried {
        let from = period.from.max(system.applied_on);
        candidates.push(Candidate {
            day: day::number(period.until),
            driver: Driver::DryLimit,
            reason: format!(
                "The antifouling of {} stands dry from {from} to {}, longer than {} days.",
                system.applied_on, period.until, system.max_days_dry
            ),
        });
        if period.until > case.facts.as_of {
            evidence.push(Evidence::new(
                "relaunch_assumed",
                format!("The relaunch of {} is taken from the usual seasons.", period.until),
            ));
        }
    }
    candidates
}

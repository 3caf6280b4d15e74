//! How dates move from one way of forecasting to another.

use chrono::{Days, NaiveDate};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::features::forecasts::model::DateFields;
use crate::ids::VesselId;
use crate::science::forecast::dates::DueKind;

/// So many of the hulls that move most are named.
const NAMED: usize = 20;

/// Three quantiles of the days by which dates come later, negative for sooner.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct LaterDays {
    /// One in ten moves by less.
    pub p10: i64,
    /// Half move by less.
    pub p50: i64,
    /// Nine in ten move by less.
    pub p90: i64,
}

/// How the dates of one kind move.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct KindMoves {
    /// What falls due.
    pub kind: DueKind,
    /// Hulls with such a date before or after.
    pub dates: u32,
    /// Dates that come on another day.
    pub moved: u32,
    /// By how much, those that move; null where none does.
    pub later_days: Option<LaterDays>,
}

/// One of the hulls that move most, by that of its dates which moves most.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct HullMove {
    /// The vessel.
    pub vessel_id: VesselId,
    /// Its name; null where it is gone.
    #[serde(default)]
    pub vessel_name: Option<String>,
    /// What falls due.
    pub kind: DueKind,
    /// The date as it is.
    pub before_on: NaiveDate,
    /// The date as it would be.
    pub after_on: NaiveDate,
    /// Days by which it would come later, negative for sooner.
    pub later_days: i64,
}

/// How the dates of a fleet move.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Moves {
    /// The day both were computed for.
    pub as_of: NaiveDate,
    /// Hulls that were compared; those that have left for good are not.
    pub hulls: u32,
    /// Hulls of which a date moves, comes or goes.
    pub hulls_moved: u32,
    /// Dates, of a hull and kind, before or after.
    pub dates: u32,
    /// Dates that come on another day.
    pub moved: u32,
    /// Those that come sooner.
    pub sooner: u32,
    /// Those that come later.
    pub later: u32,
    /// Dates where there was none within the horizon.
    pub newly_dated: u32,
    /// Dates that fall beyond the horizon.
    pub no_longer_dated: u32,
    /// Dates that lie in the past, as things are.
    pub overdue_before: u32,
    /// Dates that would lie in the past.
    pub overdue_after: u32,
    /// Dates within the next year, overdue ones too, as things are.
    pub due_within_year_before: u32,
    /// Dates that would be within the next year.
    pub due_within_year_after: u32,
    /// By how much those move that do; null where none does.
    pub later_days: Option<LaterDays>,
    /// The furthest that any moves sooner, days.
    pub most_sooner_days: i64,
    /// The furthest that any moves later, days.
    pub most_later_days: i64,
    /// By kind.
    pub kinds: Vec<KindMoves>,
    /// The hulls that move most, the furthest first; 20 at most.
    pub furthest: Vec<HullMove>,
}

/// The date of one kind of one hull, as it is and as it would be.
#[derive(Debug, Clone, Copy)]
struct Pair {
    kind: DueKind,
    before_on: Option<NaiveDate>,
    after_on: Option<NaiveDate>,
}

impl Pair {
    fn later_days(&self) -> Option<i64> {
        let days = self.after_on?.signed_duration_since(self.before_on?).num_days();
        (days != 0).then_some(days)
    }
}

/// Compared hulls, as they come.
#[derive(Debug, Default)]
pub struct Comparison {
    hulls: u32,
    hulls_moved: u32,
    pairs: Vec<Pair>,
    furthest: Vec<HullMove>,
}

impl Comparison {
    /// Takes in one hull.
    pub fn add(&mut self, vessel_id: VesselId, before: &[DateFields], after: &[DateFields]) {
        let on = |dates: &[DateFields], kind| dates.iter().find(|d| d.kind == kind).and_then(|d| d.due_on);
        let mut kinds: Vec<DueKind> = Vec::new();
        for date in before.iter().chain(after) {
            if !kinds.contains(&date.kind) {
                kinds.push(date.kind);
            }
        }
        let pairs: Vec<Pair> = kinds
            .into_iter()
            .map(|kind| Pair { kind, before_on: on(before, kind), after_on: on(after, kind) })
            .collect();
        self.hulls += 1;
        self.hulls_moved += u32::from(pairs.iter().any(|pair| pair.before_on != pair.after_on));
        let moved = pairs.iter().filter_map(|pair| {
            let (before_on, after_on) = pair.before_on.zip(pair.after_on)?;
            let later_days = pair.later_days()?;
            Some(HullMove { vessel_id, vessel_name: None, kind: pair.kind, before_on, after_on, later_days })
        });
        self.furthest.extend(moved.max_by_key(|hull| hull.later_days.abs()));
        // Kept short, however large the fleet.
        if self.furthest.len() > 50 * NAMED {
            self.keep_furthest();
        }
        self.pairs.extend(pairs);
    }

    fn keep_furthest(&mut self) {
        self.furthest.sort_by_key(|hull| (std::cmp::Reverse(hull.later_days.abs()), hull.vessel_id));
        self.furthest.truncate(NAMED);
    }

    /// How the dates move, of all taken in.
    #[must_use]
    pub fn moves(mut self, as_of: NaiveDate) -> Moves {
        self.keep_furthest();
        let count = |counts: &dyn Fn(&Pair) -> bool| tally(self.pairs.iter().filter(|pair| counts(pair)));
        let year = as_of.checked_add_days(Days::new(366)).unwrap_or(NaiveDate::MAX);
        let within = |on: Option<NaiveDate>, until: NaiveDate| on.is_some_and(|on| on < until);
        let days: Vec<i64> = self.pairs.iter().filter_map(Pair::later_days).collect();
        let mut kinds: Vec<DueKind> = Vec::new();
        for pair in &self.pairs {
            if !kinds.contains(&pair.kind) {
                kinds.push(pair.kind);
            }
        }
        Moves {
            as_of,
            hulls: self.hulls,
            hulls_moved: self.hulls_moved,
            dates: count(&|pair| pair.before_on.or(pair.after_on).is_some()),
            moved: tally(days.iter()),
            sooner: tally(days.iter().filter(|days| **days < 0)),
            later: tally(days.iter().filter(|days| **days > 0)),
            newly_dated: count(&|pair| pair.before_on.is_none() && pair.after_on.is_some()),
            no_longer_dated: count(&|pair| pair.before_on.is_some() && pair.after_on.is_none()),
            overdue_before: count(&|pair| within(pair.before_on, as_of)),
            overdue_after: count(&|pair| within(pair.after_on, as_of)),
            due_within_year_before: count(&|pair| within(pair.before_on, year)),
            due_within_year_after: count(&|pair| within(pair.after_on, year)),
            most_sooner_days: days.iter().copied().min().unwrap_or(0).min(0),
            most_later_days: days.iter().copied().max().unwrap_or(0).max(0),
            later_days: quantiles(days),
            kinds: kinds
                .into_iter()
                .map(|kind| {
                    let own = || self.pairs.iter().filter(move |pair| pair.kind == kind);
                    let days: Vec<i64> = own().filter_map(Pair::later_days).collect();
                    KindMoves {
                        kind,
                        dates: tally(own().filter(|pair| pair.before_on.or(pair.after_on).is_some())),
                        moved: tally(days.iter()),
                        later_days: quantiles(days),
                    }
                })
                .collect(),
            furthest: self.furthest,
        }
    }
}

fn tally<T>(items: impl Iterator<Item = T>) -> u32 {
    u32::try_from(items.count()).unwrap_or(u32::MAX)
}

/// By the nearest rank.
fn quantiles(mut days: Vec<i64>) -> Option<LaterDays> {
    let last = days.len().checked_sub(1)?;
    days.sort_unstable();
    let at = |tenths: usize| days[(last * tenths + 5) / 10];
    Some(LaterDays { p10: at(1), p50: at(5), p90: at(9) })
}

#[cfg(test)]
mod tests {
    use super::{Comparison, DateFields, DueKind, NaiveDate, quantiles};
    use crate::ids::{Id, VesselId};
    use crate::science::forecast::dates::{Basis, Driver, DueStatus};

    fn date(kind: DueKind, on: &str) -> DateFields {
        DateFields {
            kind,
            status: DueStatus::Due,
            due_on: on.parse().ok(),
            due_range: None,
            driver: Driver::MissingFacts,
            reason: String::new(),
            evidence: Vec::new(),
            basis: Basis::Prior,
        }
    }

    #[test]
    fn dates_are_compared_kind_by_kind() {
        let (near, far) = (VesselId::fresh(), VesselId::fresh());
        let mut compared = Comparison::default();
        compared.add(
            near,
            &[date(DueKind::Inspection, "2026-06-01"), date(DueKind::Barrier, "2030-01-01")],
            &[date(DueKind::Inspection, "2026-06-20"), date(DueKind::Barrier, "2030-01-01")],
        );
        compared.add(
            far,
            &[date(DueKind::Barrier, "2030-01-01"), date(DueKind::Repair, "")],
            &[date(DueKind::Barrier, "2029-12-31"), date(DueKind::Repair, "2027-06-17")],
        );
        let as_of: NaiveDate = "2026-06-15".parse().expect("a day");
        let moves = compared.moves(as_of);
        assert_eq!((moves.hulls, moves.hulls_moved, moves.dates), (2, 2, 4));
        assert_eq!((moves.moved, moves.sooner, moves.later), (2, 1, 1));
        assert_eq!((moves.newly_dated, moves.no_longer_dated), (1, 0));
        assert_eq!((moves.overdue_before, moves.overdue_after), (1, 0));
        assert_eq!((moves.due_within_year_before, moves.due_within_year_after), (1, 1));
        assert_eq!((moves.most_sooner_days, moves.most_later_days), (-1, 19));
        let furthest: Vec<_> = moves.furthest.iter().map(|hull| (hull.vessel_id, hull.later_days)).collect();
        assert_eq!(furthest, [(near, 19), (far, -1)]);
    }

    #[test]
    fn quantiles_are_days_that_some_date_moves_by() {
        assert_eq!(quantiles(Vec::new()), None);
        let ten = quantiles((0..11).rev().collect()).expect("some");
        assert_eq!((ten.p10, ten.p50, ten.p90), (1, 5, 9));
        let one = quantiles(vec![-7]).expect("some");
        assert_eq!((one.p10, one.p50, one.p90), (-7, -7, -7));
    }
}

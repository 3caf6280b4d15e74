//! What is told of a vessel's dates, each thing once: that one comes near, has passed, or moved.

use chrono::{Days, NaiveDate};
use serde::{Deserialize, Serialize};

use crate::science::forecast::policy::Policy;

/// Where a date stands, seen from a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Phase {
    /// Not near yet, or there is none.
    Ahead,
    /// Within the policy's days.
    Due,
    /// Passed.
    Overdue,
}

/// What was told of a date last.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Told {
    /// Where it stood.
    pub phase: Phase,
    /// The date.
    pub due_on: Option<NaiveDate>,
}

/// What is new about a date.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct News {
    /// What counts as told from now on.
    pub told: Told,
    /// It came near or passed.
    pub reached: Option<Phase>,
    /// It moved.
    pub moved: bool,
}

fn phase(due_on: Option<NaiveDate>, today: NaiveDate, notice: Days) -> Phase {
    match due_on {
        Some(day) if day < today => Phase::Overdue,
        Some(day) if day <= today.checked_add_days(notice).unwrap_or(NaiveDate::MAX) => Phase::Due,
        _ => Phase::Ahead,
    }
}

/// What is new about a date, after what was told of it before. A date that wavers by less than the policy's days does
/// not fall back from what was told; one that moved further begins anew.
#[must_use]
pub fn news(before: Option<Told>, due_on: Option<NaiveDate>, today: NaiveDate, policy: &Policy) -> News {
    let now = phase(due_on, today, Days::new(policy.due_notice_days.into()));
    let Some(before) = before else {
        let reached = (now > Phase::Ahead).then_some(now);
        return News { told: Told { phase: now, due_on }, reached, moved: false };
    };
    let moved = match (before.due_on, due_on) {
        (Some(old), Some(new)) => (new - old).num_days().unsigned_abs() > u64::from(policy.date_moved_days),
        (old, new) => old != new,
    };
    let from = if moved { Phase::Ahead.max(before.phase.min(now)) } else { before.phase };
    let reached = (now > from).then_some(now);
    let told = Told {
        phase: if moved { now } else { before.phase.max(now) },
        due_on: if moved || reached.is_some() { due_on } else { before.due_on },
    };
    News { told, reached, moved }
}

#[cfg(test)]
mod tests {
    use super::{News, Phase, Policy, Told, news};
    use chrono::NaiveDate;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap_or_default()
    }

    fn look(before: Option<Told>, due_on: &str, today: &str) -> News {
        let policy = Policy { due_notice_days: 30, date_moved_days: 30, ..Policy::default() };
        news(before, due_on.parse().ok(), day(today), &policy)
    }

    // The rules are this module's own; the days are counted by hand.
    #[test]
    fn a_date_comes_near_and_passes_once() {
        let first = look(None, "2026-08-01", "2026-07-01");
        assert_eq!((first.reached, first.moved), (None, false));
        let near = look(Some(first.told), "2026-08-01", "2026-07-02");
        assert_eq!(near.reached, Some(Phase::Due));
        assert_eq!(look(Some(near.told), "2026-08-01", "2026-08-01").reached, None);
        let past = look(Some(near.told), "2026-08-01", "2026-08-02");
        assert_eq!(past.reached, Some(Phase::Overdue));
        assert_eq!(look(Some(past.told), "2026-08-01", "2026-09-02"), News { reached: None, ..past });
    }

    #[test]
    fn small_moves_add_up_and_are_told_when_they_have_become_large() {
        let first = look(None, "2027-01-01", "2026-07-01");
        let small = look(Some(first.told), "2027-01-31", "2026-07-02");
        assert_eq!((small.moved, small.told.due_on), (false, Some(day("2027-01-01"))));
        let large = look(Some(small.told), "2027-02-01", "2026-07-03");
        assert_eq!((large.moved, large.told.due_on), (true, Some(day("2027-02-01"))));
        assert!(!look(Some(large.told), "2027-02-01", "2026-07-04").moved);
        assert!(look(Some(large.told), "", "2026-07-04").moved, "no date any more");
    }

    #[test]
    fn a_date_at_the_edge_is_not_told_again_and_one_that_moved_away_begins_anew() {
        let near = look(None, "2026-07-31", "2026-07-01");
        assert_eq!(near.reached, Some(Phase::Due));
        let wavers = look(Some(near.told), "2026-08-05", "2026-07-02");
        assert_eq!((wavers.reached, wavers.told.phase), (None, Phase::Due));
        let done = look(Some(near.told), "2028-07-31", "2026-07-02");
        assert_eq!((done.moved, done.reached, done.told.phase), (true, None, Phase::Ahead));
        assert_eq!(look(Some(done.told), "2028-07-31", "2028-07-15").reached, Some(Phase::Due));
    }
}

//! The rules for barrier and antifouling, case by case. The limits are common practice, no source; the
//! arithmetic of each case is worked beside it.

use garboard::science::forecast::dates::{Driver, DueKind, DueStatus};
use garboard::science::forecast::facts::{CoatFact, CoatRole, SurveyFact};

use crate::hulls::{assert_due, clean, coat, date, durable, has_evidence, haul_out, hull, row};

#[test]
fn barrier_is_due_at_fifteen_years_when_nothing_calls_for_it_sooner() {
    let mut facts = durable("2010-05-01", "2020-06-01");
    facts.coats =
        vec![coat(CoatRole::Barrier, "2012-04-02", 150.0), coat(CoatRole::Barrier, "2012-04-04", 150.0)];
    let due = row(&facts, DueKind::Barrier);
    assert_due(&due, "2027-04-04", Driver::BarrierAge);
    assert!(has_evidence(&due, "needs_own_lift"));
    // With a winter ashore from November on, the last lift before it.
    facts.ashore_from_month = Some(11);
    facts.ashore_until_month = Some(3);
    let due = row(&facts, DueKind::Barrier);
    assert_due(&due, "2026-11-01", Driver::BarrierAge);
    assert!(has_evidence(&due, "pulled_to_usual_lift"));
    // Once that lift is past, it needs its own; later still it is overdue and stays where it was.
    for as_of in ["2026-11-02", "2029-01-01"] {
        facts.as_of = date(as_of);
        let due = row(&facts, DueKind::Barrier);
        assert_due(&due, "2027-04-04", Driver::BarrierAge);
        assert!(has_evidence(&due, "needs_own_lift"));
    }
}

#[test]
fn a_thin_or_failing_barrier_is_due_at_once() {
    let mut facts = durable("2010-05-01", "2020-06-01");
    facts.coats =
        vec![coat(CoatRole::Barrier, "2012-04-02", 90.0), coat(CoatRole::Barrier, "2012-04-04", 100.0)];
    assert_due(&row(&facts, DueKind::Barrier), "2012-04-04", Driver::BarrierFilm);
    facts.coats[0].film_measured = false;
    let due = row(&facts, DueKind::Barrier);
    assert_due(&due, "2027-04-04", Driver::BarrierAge);
    assert!(has_evidence(&due, "barrier_film_not_measured"));
    facts.surveys = vec![SurveyFact { coating_failure: true, ..clean("2019-05-05") }];
    assert_due(&row(&facts, DueKind::Barrier), "2019-05-05", Driver::CoatingFailure);
}

#[test]
fn the_rate_of_onset_brings_a_first_barrier_and_clean_surveys_move_it_no_further_than_themselves() {
    let mut facts = hull("2010-05-01", "2012-06-01");
    let due = row(&facts, DueKind::Barrier);
    assert_eq!(due.driver, Driver::OnsetRate, "{due:?}");
    let range = due.due_range.expect("a range");
    assert!(range.p10 < due.due_on, "{due:?}");
    facts.as_of = date("2025-06-01");
    // Nothing had begun by the last clean survey, so no day before it can be the one; the rate is over its
    // limit on that day all the same, so it is due from then on and overdue now.
    for clean_on in [vec!["2015-04-01"], vec!["2015-04-01", "2020-04-01", "2024-04-01"]] {
        facts.surveys = clean_on.iter().map(|day| clean(day)).collect();
        let due = row(&facts, DueKind::Barrier);
        assert_due(&due, clean_on.last().expect("a survey"), Driver::OnsetRate);
        assert!(due.reason.contains("5 % or more already"), "{}", due.reason);
    }
    // An epoxy hull under a barrier that does not age by policy: nothing within ten years.
    let mut facts = durable("2018-05-01", "2020-06-01");
    facts.policy.horizon_years = 10;
    let due = row(&facts, DueKind::Barrier);
    assert_eq!((due.status, due.due_on, due.driver), (DueStatus::Due, None, Driver::BeyondHorizon));
    assert!(due.reason.contains("2030-06-01"), "{}", due.reason);
}

/// 150 µm less a reserve of 30 µm at 10 µm a month and a steady 15 °C last 12 months of 30.4375 days, 365.25
/// days: from 1 March 2023 to 29 February 2024 (2024 is a leap year: 365 days later).
#[test]
fn antifouling_wears_to_its_reserve() {
    let mut facts = hull("2015-05-01", "2023-06-01");
    for month in &mut facts.months {
        month.water_temperature_c = 15.0;
    }
    facts.coats = vec![
        worn(coat(CoatRole::Antifouling, "2023-02-27", 75.0)),
        worn(coat(CoatRole::Antifouling, "2023-03-01", 75.0)),
    ];
    let due = row(&facts, DueKind::Antifouling);
    assert_due(&due, "2024-02-29", Driver::AntifoulingWear);
    // One in ten wears faster by 1.4^1.28155 = 1.5392: 237.3 days, to 24 October 2023; slower: 562.2 days.
    let range = due.due_range.expect("a range");
    assert_eq!((range.p10, range.p50), (Some(date("2023-10-24")), due.due_on));
    assert_eq!(range.p90, Some(date("2024-09-13")));
    // Ashore it does not wear: from 1 November to 31 March (152 days in 2023/24) it stands, so 152 days later.
    facts.ashore_from_month = Some(11);
    facts.ashore_until_month = Some(3);
    facts.coats.retain(|coat| coat.applied_on == date("2023-03-01"));
    facts.coats[0].applied_on = date("2023-04-01");
    facts.coats[0].dry_film_um = Some(150.0);
    // 1 April to 1 November 2023 is 214 days; 151.25 days remain from 1 April 2024.
    assert_due(&row(&facts, DueKind::Antifouling), "2024-08-30", Driver::AntifoulingWear);
    // Colder by 10 K: exp(-0.4) of the wear.
    facts.ashore_from_month = None;
    facts.ashore_until_month = None;
    for month in &mut facts.months {
        month.water_temperature_c = 5.0;
    }
    // 365.25 exp(0.4) = 544.9 days after 1 April 2023.
    assert_due(&row(&facts, DueKind::Antifouling), "2024-09-27", Driver::AntifoulingWear);
}

fn worn(coat: CoatFact) -> CoatFact {
    CoatFact { wear_um_per_month_15c: Some(10.0), ..coat }
}

#[test]
fn antifouling_that_does_not_wear_has_a_season_and_may_dry_out() {
    let mut facts = hull("2015-05-01", "2023-06-01");
    facts.haul_outs = vec![haul_out("2023-03-20", Some("2023-04-10"))];
    facts.coats = vec![coat(CoatRole::Antifouling, "2023-04-01", 80.0)];
    let due = row(&facts, DueKind::Antifouling);
    assert_due(&due, "2024-04-10", Driver::SeasonLimit);
    assert!(has_evidence(&due, "default_season_limit"));
    facts.coats[0].season_limit_months = Some(18);
    assert_due(&row(&facts, DueKind::Antifouling), "2024-10-10", Driver::SeasonLimit);
    // Five months on the hard from November on, allowed 60 days: spent at the relaunch of 1 April.
    facts.coats[0].max_days_dry = Some(60);
    facts.ashore_from_month = Some(11);
    facts.ashore_until_month = Some(3);
    assert_due(&row(&facts, DueKind::Antifouling), "2024-04-01", Driver::DryLimit);
    facts.coats[0].max_days_dry = Some(152);
    assert_due(&row(&facts, DueKind::Antifouling), "2024-10-10", Driver::SeasonLimit);
}

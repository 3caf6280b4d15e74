//! The rules that set dates, case by case. The limits are common practice, no source; the arithmetic of each
//! case is worked beside it.

use garboard::science::cautions::{ADVISES_ONLY, Work};
use garboard::science::forecast::dates::{Basis, Driver, DueKind, DueStatus};
use garboard::science::forecast::facts::{
    Blistering, BottomExamined, CoatFact, CoatRole, FindingKind, FindingState, SurveyFact,
};
use garboard::science::forecast::{MODEL, forecast};

use crate::hulls::{
    assert_due, blistered, clean, coat, curative, date, durable, find, finding, has_evidence, haul_out, hull,
    of, row,
};

#[test]
fn calendar_maximum_is_24_months_from_the_last_whole_examination() {
    let mut facts = durable("2015-05-01", "2024-06-01");
    facts.surveys = vec![
        clean("2023-04-11"),
        SurveyFact { bottom_examined: BottomExamined::Part, ..clean("2023-10-11") },
        SurveyFact { bottom_examined: BottomExamined::None, ..clean("2024-02-11") },
    ];
    let due = row(&facts, DueKind::Inspection);
    assert_due(&due, "2025-04-11", Driver::CalendarMaximum);
    let range = due.due_range.expect("a range");
    assert_eq!((range.p10, range.p50, range.p90), (due.due_on, due.due_on, due.due_on));
    assert!(due.reason.contains("2023-04-11") && due.reason.contains("24 months"), "{}", due.reason);
    assert_eq!(due.basis, Basis::Prior);
}

#[test]
fn a_hull_nobody_looked_at_is_overdue_since_its_launch() {
    for as_of in ["2019-01-01", "2024-06-01", "2031-12-31"] {
        let due = row(&durable("2015-02-28", as_of), DueKind::Inspection);
        assert_due(&due, "2017-02-28", Driver::CalendarMaximum);
    }
    // The year built stands for a launch on 1 July of it, and says so.
    let mut facts = durable("2015-02-28", "2024-06-01");
    facts.launched_on = None;
    facts.built_year = Some(2015);
    let due = row(&facts, DueKind::Inspection);
    assert_due(&due, "2017-07-01", Driver::CalendarMaximum);
    assert!(has_evidence(&due, "default_launch"));
}

#[test]
fn a_follow_up_stands_until_somebody_looked() {
    let mut facts = durable("2015-05-01", "2024-06-01");
    facts.surveys = vec![clean("2024-04-11")];
    facts.findings = vec![finding(FindingKind::CoatingDefect, "2024-04-11")];
    facts.findings[0].state = FindingState::Watched;
    facts.findings[0].follow_up_on = Some(date("2024-10-01"));
    assert_due(&row(&facts, DueKind::Inspection), "2024-10-01", Driver::FollowUp);
    facts.as_of = date("2025-01-01");
    assert_due(&row(&facts, DueKind::Inspection), "2024-10-01", Driver::FollowUp);
    let looked = SurveyFact { bottom_examined: BottomExamined::Part, ..clean("2024-11-01") };
    facts.surveys.push(looked);
    assert_due(&row(&facts, DueKind::Inspection), "2026-04-11", Driver::CalendarMaximum);
    facts.surveys.pop();
    facts.findings[0].state = FindingState::Repaired;
    assert_due(&row(&facts, DueKind::Inspection), "2026-04-11", Driver::CalendarMaximum);
}

#[test]
fn first_look_12_months_after_relaunch_from_a_curative_treatment() {
    let mut facts = durable("1995-05-01", "2024-09-01");
    facts.surveys = vec![blistered("2023-10-10", 8.0, 12.0)];
    facts.haul_outs = vec![haul_out("2023-10-08", Some("2024-05-15"))];
    facts.treatments = vec![curative("2023-11-01", Some("2024-05-02"))];
    assert_due(&row(&facts, DueKind::Inspection), "2025-05-15", Driver::PostTreatment);
    assert!(find(&of(&facts), DueKind::Treatment).is_none());
    facts.as_of = date("2025-08-01");
    assert_due(&row(&facts, DueKind::Inspection), "2025-05-15", Driver::PostTreatment);
    facts.surveys.push(clean("2025-06-01"));
    assert_due(&row(&facts, DueKind::Inspection), "2027-06-01", Driver::CalendarMaximum);
}

#[test]
fn risk_calls_for_a_survey_before_the_calendar_does_but_not_within_six_months() {
    let mut facts = hull("1995-05-01", "2015-06-01");
    facts.months = crate::hulls::climate("warm_sea");
    facts.surveys = vec![clean("2015-04-01")];
    let due = row(&facts, DueKind::Inspection);
    assert_eq!(due.driver, Driver::OnsetRisk, "{due:?}");
    let on = due.due_on.expect("a date");
    assert!(on >= date("2015-10-01") && on < date("2017-04-01"), "{on}");
    facts.policy.inspection_risk = 0.001;
    assert_due(&row(&facts, DueKind::Inspection), "2015-10-01", Driver::OnsetRisk);
}

#[test]
fn a_blistered_hull_is_due_for_treatment_and_looked_at_as_its_blisters_grow() {
    let mut facts = hull("2000-05-01", "2021-06-01");
    facts.surveys = vec![clean("2018-05-01"), blistered("2021-04-10", 8.0, 12.0)];
    let forecast = of(&facts);
    assert_due(find(&forecast, DueKind::Treatment).expect("a row"), "2022-04-10", Driver::BlisteringFound);
    assert!(find(&forecast, DueKind::Barrier).is_none(), "the treatment ends in a barrier");
    assert_eq!(forecast.onset, None);
    assert!(forecast.risk_curve.is_empty());
    // Growth unknown: the shortest interval. Unchanged after a year: the longest. Doubled area: the shortest.
    assert_due(&row(&facts, DueKind::Inspection), "2021-10-10", Driver::BlisterGrowth);
    facts.as_of = date("2022-06-01");
    facts.surveys.push(blistered("2022-04-10", 8.0, 12.0));
    assert_due(&row(&facts, DueKind::Inspection), "2023-04-10", Driver::BlisterGrowth);
    facts.surveys[2].blister_density_per_m2 = Some(16.0);
    assert_due(&row(&facts, DueKind::Inspection), "2022-10-10", Driver::BlisterGrowth);
    // Blisters of the laminate: six months.
    facts.surveys[1].blistering = Blistering::Laminate;
    assert_due(&row(&facts, DueKind::Treatment), "2021-10-10", Driver::BlisteringFound);
    // Under both limits, 1 per m² and 5 mm, it is no onset and no clean survey either.
    facts.surveys = vec![clean("2018-05-01"), blistered("2021-04-10", 0.5, 5.0)];
    let forecast = of(&facts);
    assert!(find(&forecast, DueKind::Treatment).is_none());
    assert!(forecast.onset.is_some());
    // A size that was not measured does not make it small.
    facts.surveys[1].largest_blister_mm = None;
    assert!(find(&of(&facts), DueKind::Treatment).is_some());
}

#[test]
fn an_open_treatment_is_due_and_asks_for_its_completion() {
    let mut facts = hull("2000-05-01", "2021-12-01");
    facts.surveys = vec![blistered("2021-04-10", 8.0, 12.0)];
    facts.treatments = vec![curative("2021-11-01", None)];
    let forecast = of(&facts);
    assert_due(find(&forecast, DueKind::Treatment).expect("a row"), "2022-04-10", Driver::TreatmentOpen);
    let inspection = find(&forecast, DueKind::Inspection).expect("a row");
    assert_eq!(inspection.status, DueStatus::NotEnoughData);
    assert!(inspection.reason.contains("enter its completion"), "{}", inspection.reason);
    assert_eq!(forecast.onset, None);
}

#[test]
fn an_open_break_is_repaired_within_three_months() {
    let mut facts = durable("2015-05-01", "2024-06-01");
    facts.findings = vec![finding(FindingKind::Delamination, "2024-05-31")];
    assert_due(&row(&facts, DueKind::Repair), "2024-08-31", Driver::RepairMaximum);
    facts.findings[0].kind = FindingKind::ImpactDamage;
    assert_due(&row(&facts, DueKind::Repair), "2024-08-31", Driver::RepairMaximum);
    facts.as_of = date("2025-06-01");
    assert_due(&row(&facts, DueKind::Repair), "2024-08-31", Driver::RepairMaximum);
    facts.findings[0].state = FindingState::Watched;
    assert!(find(&of(&facts), DueKind::Repair).is_none());
    facts.findings[0].state = FindingState::Repaired;
    assert!(find(&of(&facts), DueKind::Repair).is_none());
}

#[test]
fn an_old_break_on_a_weak_hull_is_due_when_it_was_found() {
    let mut facts = hull("2012-05-01", "2024-06-01");
    facts.months = crate::hulls::climate("warm_sea");
    facts.findings = vec![finding(FindingKind::SkinBreak, "2024-05-20")];
    facts.findings[0].happened_on = Some(date("2022-05-20"));
    let due = row(&facts, DueKind::Repair);
    assert_due(&due, "2024-05-20", Driver::BreakRisk);
    assert!(due.reason.contains("5 %"), "{}", due.reason);
    // Elsewhere than on the bottom laminate the longest time alone counts.
    facts.findings[0].zone_is_bottom = false;
    assert_due(&row(&facts, DueKind::Repair), "2024-08-20", Driver::RepairMaximum);
}

#[test]
fn what_is_missing_is_asked_for() {
    let mut facts = hull("2015-05-01", "2024-06-01");
    facts.launched_on = None;
    let forecast = of(&facts);
    let expected = [
        (DueKind::Inspection, "Enter the year built or the launch date"),
        (DueKind::Barrier, "Enter the year built or the launch date"),
        (DueKind::Antifouling, "Enter the last antifouling coat"),
    ];
    assert_eq!(forecast.dates.len(), expected.len());
    for (kind, text) in expected {
        let due = find(&forecast, kind).expect("a row, not an absence");
        assert_eq!((due.status, due.driver), (DueStatus::NotEnoughData, Driver::MissingFacts));
        assert_eq!((due.due_on, due.due_range), (None, None));
        assert!(due.reason.starts_with(text), "{}", due.reason);
    }
    assert_eq!((forecast.onset, forecast.exposure_years_now), (None, None));
    // What is known still sets its dates.
    facts.surveys = vec![clean("2023-04-11")];
    facts.coats = vec![coat(CoatRole::Barrier, "2020-04-01", 300.0)];
    assert_due(&row(&facts, DueKind::Inspection), "2025-04-11", Driver::CalendarMaximum);
    assert_due(&row(&facts, DueKind::Barrier), "2035-04-01", Driver::BarrierAge);
    let covered = row(&facts, DueKind::Antifouling);
    assert_eq!(covered.status, DueStatus::NotEnoughData);
}

#[test]
fn a_cored_bottom_gets_no_water_forecast_and_says_so() {
    let mut facts = hull("2015-05-01", "2024-06-01");
    facts.cored = true;
    facts.surveys = vec![clean("2023-04-11")];
    let forecast = of(&facts);
    assert_eq!(forecast.onset, None);
    let inspection = find(&forecast, DueKind::Inspection).expect("a row");
    assert_due(inspection, "2025-04-11", Driver::CalendarMaximum);
    assert!(has_evidence(inspection, "cored_no_water_forecast"));
    let barrier = find(&forecast, DueKind::Barrier).expect("a row");
    assert_eq!(barrier.status, DueStatus::NotEnoughData);
    assert!(barrier.reason.contains("cored"), "{}", barrier.reason);
}

#[test]
fn every_default_used_is_in_the_evidence() {
    let mut facts = hull("2015-05-01", "2024-06-01");
    facts.launched_on = None;
    facts.built_year = Some(2015);
    facts.laminate_class = None;
    facts.laminate_thickness_mm = None;
    facts.gelcoat_thickness_um = None;
    facts.bilge = None;
    facts.site_known = false;
    facts.coats = vec![CoatFact { dry_film_um: None, ..coat(CoatRole::Barrier, "2023-04-01", 0.0) }];
    facts.haul_outs = vec![haul_out("2024-05-20", None)];
    let due = row(&facts, DueKind::Barrier);
    for code in [
        "default_launch",
        "default_laminate_class",
        "default_laminate_thickness",
        "default_gelcoat",
        "default_permeability_gelcoat",
        "default_film_barrier",
        "default_permeability_barrier",
        "default_bilge",
        "default_site",
        "default_afloat",
        "default_relaunch",
        "prior_onset",
    ] {
        assert!(has_evidence(&due, code), "{code} in {:?}", due.evidence);
    }
}

#[test]
fn a_forecast_says_what_it_is_and_what_to_mind() {
    let forecast = of(&hull("2015-05-01", "2024-06-01"));
    assert_eq!(forecast.model, MODEL);
    assert_eq!(forecast.cautions[0], ADVISES_ONLY);
    assert!(forecast.cautions.contains(&Work::Lifting.caution()));
    assert!(forecast.cautions.contains(&Work::EpoxyCoating.caution()));
    assert_eq!(forecast.inputs_hash.len(), 64);
    assert!(forecast.inputs_hash.bytes().all(|byte| byte.is_ascii_hexdigit()));
}

#[test]
fn bad_facts_are_refused_with_their_fields() {
    let mut facts = hull("2015-05-01", "2024-06-01");
    facts.length_m = f64::NAN;
    facts.ashore_from_month = Some(13);
    facts.months[4].relative_humidity_pct = 101.0;
    facts.haul_outs = vec![haul_out("2024-05-20", Some("2024-05-10"))];
    facts.coats = vec![coat(CoatRole::Barrier, "2020-04-01", -3.0)];
    facts.treatments = vec![curative("2021-11-01", Some("2022-04-01"))];
    facts.treatments[0].laminate_removed_mm = Some(8.0);
    facts.policy.detection_probability = 0.0;
    let refusals = forecast(&facts, 64, 1).expect_err("refused");
    let pointers: Vec<&str> = refusals.0.iter().map(|refusal| refusal.pointer.as_str()).collect();
    assert_eq!(
        pointers,
        [
            "/length_m",
            "/ashore_from_month",
            "/ashore_until_month",
            "/months/4/relative_humidity_pct",
            "/haul_outs/0/relaunched_on",
            "/coats/0/dry_film_um",
            "/treatments/0/laminate_removed_mm",
            "/policy/detection_probability",
        ]
    );
    for members in [0, 5000] {
        let refusals = forecast(&hull("2015-05-01", "2024-06-01"), members, 1).expect_err("refused");
        assert_eq!(refusals.0[0].pointer, "/members");
    }
}

/// A named rule of this project: records and pattern are combined season by season.
#[test]
fn a_recorded_winter_replaces_the_usual_one_and_a_summer_lift_does_not() {
    use garboard::science::forecast::calendar::{Ashore, ashore_periods};
    let mut facts = hull("2019-05-01", "2023-06-01");
    facts.ashore_from_month = Some(11);
    facts.ashore_until_month = Some(3);
    facts.haul_outs =
        vec![haul_out("2020-10-20", Some("2021-04-05")), haul_out("2022-07-01", Some("2022-07-08"))];
    let ashore = |from: &str, until: &str| Ashore { from: date(from), until: date(until) };
    assert_eq!(
        ashore_periods(&facts, date("2019-05-01"), date("2023-06-01")),
        [
            ashore("2019-11-01", "2020-04-01"),
            ashore("2020-10-20", "2021-04-05"),
            ashore("2021-11-01", "2022-04-01"),
            ashore("2022-07-01", "2022-07-08"),
            ashore("2022-11-01", "2023-04-01"),
        ]
    );
    // Still ashore in its usual season: relaunched at the end of it. Outside one: on the as-of date.
    facts.as_of = date("2023-01-15");
    facts.haul_outs = vec![haul_out("2022-10-20", None)];
    let periods = ashore_periods(&facts, date("2022-05-01"), date("2023-06-01"));
    assert_eq!(periods, [ashore("2022-10-20", "2023-04-01")]);
    facts.as_of = date("2022-10-25");
    let periods = ashore_periods(&facts, date("2022-05-01"), date("2023-06-01"));
    assert_eq!(periods, [ashore("2022-10-20", "2022-10-25"), ashore("2022-11-01", "2023-04-01")]);
}

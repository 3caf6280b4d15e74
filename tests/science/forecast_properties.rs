//! Laws of the forecast, over random hulls.

use chrono::{Days, NaiveDate};
use garboard::science::climate::climates;
use garboard::science::forecast::dates::{Driver, DueKind};
use garboard::science::forecast::ensemble::Ensemble;
use garboard::science::forecast::facts::{
    Bilge, Blistering, BottomExamined, CoatRole, FindingKind, HullFacts, LaminateClass, SurveyFact,
};
use garboard::science::forecast::priors::Priors;
use garboard::science::forecast::quantile::DateQuantiles;
use garboard::science::forecast::{Forecast, Onset, forecast_with};
use proptest::prelude::*;

use crate::hulls::{blistered, clean, coat, curative, find, finding, haul_out, hull};

fn members() -> Ensemble {
    Ensemble::draw(16, 9, Priors::default())
}

fn of(facts: &HullFacts) -> Forecast {
    forecast_with(facts, &members()).expect("facts a forecast can be made from")
}

fn later(date: NaiveDate, days: u64) -> NaiveDate {
    date + Days::new(days)
}

prop_compose! {
    /// A hull without surveys or treatments, 1 to 25 years old.
    fn plain_hull()(
        age_days in 400_u64..9_000,
        class in proptest::option::of(0_usize..5),
        bilge in proptest::option::of(0_usize..3),
        climate in 0_usize..5,
        pattern in proptest::option::of((9_u32..=12, 1_u32..=4)),
        thickness_mm in proptest::option::of(4.0_f64..20.0),
        length_m in 5.0_f64..25.0,
    ) -> HullFacts {
        let as_of: NaiveDate = "2024-06-15".parse().expect("a date");
        let mut facts = hull("2000-01-01", "2024-06-15");
        facts.launched_on = Some(as_of - Days::new(age_days));
        facts.laminate_class = class.map(|class| [
            LaminateClass::Orthophthalic,
            LaminateClass::Isophthalic,
            LaminateClass::VinylesterSkin,
            LaminateClass::Vinylester,
            LaminateClass::Epoxy,
        ][class]);
        facts.bilge = bilge.map(|bilge| [Bilge::Dry, Bilge::Damp, Bilge::Wet][bilge]);
        facts.months = climates()[climate].months;
        facts.ashore_from_month = pattern.map(|(from, _)| from);
        facts.ashore_until_month = pattern.map(|(_, until)| until);
        facts.laminate_thickness_mm = thickness_mm;
        facts.length_m = length_m;
        facts
    }
}

prop_compose! {
    /// A hull with anything in its history.
    fn any_hull()(
        facts in plain_hull(),
        clean_after in proptest::collection::vec(100_u64..9_000, 0..4),
        onset_after in proptest::option::of(300_u64..9_000),
        treated in proptest::option::of((30_u64..400, 60_u64..300)),
        barrier_after in proptest::option::of(0_u64..9_000),
        antifouling_after in proptest::option::of((0_u64..9_000, proptest::option::of(2.0_f64..20.0))),
        break_after in proptest::option::of(200_u64..9_000),
        lift_after in proptest::option::of((200_u64..9_000, proptest::option::of(1_u64..300))),
    ) -> HullFacts {
        let mut facts = facts;
        let launched_on = facts.launched_on.expect("launched");
        let after = |days: u64| later(launched_on, days);
        facts.surveys.extend(
            clean_after.iter().map(|&days| SurveyFact { surveyed_on: after(days), ..clean("2000-01-01") }),
        );
        if let Some(days) = onset_after {
            facts.surveys.push(SurveyFact { surveyed_on: after(days), ..blistered("2000-01-01", 4.0, 9.0) });
            if let Some((wait, takes)) = treated {
                let mut treatment = curative("2000-01-01", None);
                treatment.started_on = after(days + wait);
                treatment.completed_on = Some(after(days + wait + takes));
                facts.treatments.push(treatment);
            }
        }
        if let Some(days) = barrier_after {
            let mut barrier = coat(CoatRole::Barrier, "2000-01-01", 250.0);
            barrier.applied_on = after(days);
            facts.coats.push(barrier);
        }
        if let Some((days, wear)) = antifouling_after {
            let mut antifouling = coat(CoatRole::Antifouling, "2000-01-01", 150.0);
            antifouling.applied_on = after(days);
            antifouling.wear_um_per_month_15c = wear;
            facts.coats.push(antifouling);
        }
        if let Some(days) = break_after {
            let mut damage = finding(FindingKind::SkinBreak, "2000-01-01");
            damage.found_on = after(days);
            damage.happened_on = Some(after(days / 2));
            facts.findings.push(damage);
        }
        if let Some((days, stays)) = lift_after {
            let mut lift = haul_out("2000-01-01", None);
            lift.lifted_on = after(days);
            lift.relaunched_on = stays.map(|stays| after(days + stays));
            facts.haul_outs.push(lift);
        }
        facts
    }
}

/// Dates in order, none counting as after all.
fn ordered(range: &DateQuantiles) -> bool {
    let at = |date: Option<NaiveDate>| date.unwrap_or(NaiveDate::MAX);
    at(range.p10) <= at(range.p50) && at(range.p50) <= at(range.p90)
}

fn median(onset: Option<Onset>) -> NaiveDate {
    onset.expect("an onset forecast").p50.unwrap_or(NaiveDate::MAX)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn same_facts_give_the_same_forecast(facts in any_hull()) {
        prop_assert_eq!(of(&facts), of(&facts));
    }

    #[test]
    fn quantiles_are_in_order_and_chances_are_chances(facts in any_hull()) {
        let forecast = of(&facts);
        for due in &forecast.dates {
            prop_assert!(due.due_range.as_ref().is_none_or(ordered), "{:?}", due);
        }
        if let Some(Onset { p10, p50, p90, beyond_horizon_probability }) = forecast.onset {
            let quantiles = DateQuantiles { p10, p50, p90 };
            prop_assert!(ordered(&quantiles));
            prop_assert!((0.0..=1.0).contains(&beyond_horizon_probability));
            prop_assert_eq!(p90.is_none(), beyond_horizon_probability > 0.1, "{:?}", forecast.onset);
        }
        if let Some(exposure) = forecast.exposure_years_now {
            prop_assert!(0.0 <= exposure.p10 && exposure.p10 <= exposure.p50 && exposure.p50 <= exposure.p90);
        }
        let risks: Vec<f64> = forecast.risk_curve.iter().map(|point| point.risk).collect();
        prop_assert!(risks.iter().all(|risk| (0.0..=1.0).contains(risk)));
        prop_assert!(risks.windows(2).all(|pair| pair[0] <= pair[1] + 1e-12));
    }

    #[test]
    fn facts_after_the_as_of_date_change_nothing(facts in any_hull(), back in 0_u64..8_000) {
        let mut then = facts;
        then.as_of = then.as_of - Days::new(back);
        let known = then.known();
        prop_assert_eq!(of(&then), of(&known));
        // Facts invented for the days after change nothing either.
        let mut more = known.clone();
        let next = later(more.as_of, 1);
        more.surveys.push(SurveyFact { surveyed_on: next, ..blistered("2000-01-01", 9.0, 20.0) });
        more.coats.push(garboard::science::forecast::facts::CoatFact {
            applied_on: next,
            ..coat(CoatRole::Barrier, "2000-01-01", 500.0)
        });
        let mut lift = haul_out("2000-01-01", None);
        lift.lifted_on = next;
        more.haul_outs.push(lift);
        let mut treatment = curative("2000-01-01", None);
        treatment.started_on = next;
        more.treatments.push(treatment);
        let mut damage = finding(FindingKind::SkinBreak, "2000-01-01");
        damage.found_on = next;
        more.findings.push(damage);
        prop_assert_eq!(of(&more), of(&known));
    }

    #[test]
    fn a_clean_survey_never_brings_the_onset_nearer(
        facts in plain_hull(),
        earlier in proptest::collection::vec(100_u64..9_000, 0..3),
        days in 100_u64..9_000,
    ) {
        let mut facts = facts;
        let launched_on = facts.launched_on.expect("launched");
        let survey = |days: u64| SurveyFact { surveyed_on: later(launched_on, days), ..clean("2000-01-01") };
        facts.surveys.extend(earlier.into_iter().map(survey));
        let before = of(&facts);
        facts.surveys.push(survey(days));
        let after = of(&facts);
        prop_assert!(median(after.onset) >= median(before.onset), "{:?} {:?}", before.onset, after.onset);
        for (before, after) in before.risk_curve.iter().zip(&after.risk_curve) {
            prop_assert!(after.risk <= before.risk + 1e-9);
        }
    }

    #[test]
    fn a_partial_survey_or_meter_readings_alone_are_no_evidence(facts in plain_hull(), days in 100_u64..9_000) {
        let mut facts = facts;
        let before = of(&facts);
        let on = later(facts.launched_on.expect("launched"), days);
        for bottom_examined in [BottomExamined::None, BottomExamined::Part] {
            facts.surveys.push(SurveyFact {
                surveyed_on: on,
                bottom_examined,
                blistering: Blistering::None,
                ..clean("2000-01-01")
            });
        }
        prop_assert_eq!(of(&facts).onset, before.onset);
    }

    /// Afloat, where the sea is wetter than the laminate, a skin can only keep water out.
    #[test]
    fn more_barrier_never_brings_the_onset_nearer(
        facts in plain_hull(),
        days in 0_u64..9_000,
        film_um in 50.0_f64..600.0,
        more_um in 10.0_f64..600.0,
    ) {
        let mut facts = facts;
        facts.ashore_from_month = None;
        facts.ashore_until_month = None;
        let mut barrier = coat(CoatRole::Barrier, "2000-01-01", film_um);
        barrier.applied_on = later(facts.launched_on.expect("launched"), days).min(facts.as_of);
        let none = of(&facts);
        facts.coats = vec![barrier];
        let some = of(&facts);
        facts.coats[0].dry_film_um = Some(film_um + more_um);
        let more = of(&facts);
        for ((none, some), more) in none.risk_curve.iter().zip(&some.risk_curve).zip(&more.risk_curve) {
            prop_assert!(some.risk <= none.risk + 2e-3, "{:?} {:?}", none, some);
            prop_assert!(more.risk <= some.risk + 2e-3, "{:?} {:?}", some, more);
        }
        prop_assert!(later(median(some.onset).min(FAR), 15) >= median(none.onset).min(FAR));
        prop_assert!(later(median(more.onset).min(FAR), 15) >= median(some.onset).min(FAR));
    }

    #[test]
    fn a_later_as_of_never_moves_an_overdue_calendar_inspection(facts in any_hull(), wait in 1_u64..4_000) {
        let now = of(&facts);
        let before = find(&now, DueKind::Inspection).expect("a row").clone();
        let overdue = before.driver == Driver::CalendarMaximum
            && before.due_on.is_some_and(|on| on < facts.as_of);
        prop_assume!(overdue);
        // Facts dated after the first as-of date would be new facts by then.
        let mut then = facts.known();
        then.as_of = later(facts.as_of, wait);
        let then = of(&then);
        let after = find(&then, DueKind::Inspection).expect("a row");
        prop_assert_eq!((after.due_on, after.driver), (before.due_on, before.driver));
    }
}

/// A day far beyond every horizon, from which days can still be counted on.
const FAR: NaiveDate = match NaiveDate::from_ymd_opt(2200, 1, 1) {
    Some(date) => date,
    None => NaiveDate::MIN,
};

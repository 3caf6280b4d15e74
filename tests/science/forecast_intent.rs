//! What a change of conditions does, and what it leaves as it was.

use garboard::science::exposure::{HullWater, Laminate, Segment};
use garboard::science::forecast::calendar::{Ashore, ashore_periods};
use garboard::science::forecast::course;
use garboard::science::forecast::day;
use garboard::science::forecast::ensemble::Ensemble;
use garboard::science::forecast::facts::{Bilge, HullFacts, Intent};
use garboard::science::forecast::history::History;
use garboard::science::forecast::paths::Paths;
use garboard::science::forecast::priors::Priors;

use crate::finite_volume::FiniteVolumes;
use crate::hulls::{climate, date, haul_out, hull, of};

fn unchanged(facts: &HullFacts) -> Intent {
    Intent {
        from: facts.as_of,
        bilge: facts.bilge,
        ashore_from_month: facts.ashore_from_month,
        ashore_until_month: facts.ashore_until_month,
        months: facts.months,
    }
}

/// Exact: conditions that go on as they were change no date, wherever in the year they begin.
#[test]
fn an_intent_that_changes_nothing_changes_no_date() {
    for as_of in ["2020-01-15", "2020-06-01", "2020-11-30"] {
        let mut facts = hull("2008-05-10", as_of);
        facts.ashore_from_month = Some(11);
        facts.ashore_until_month = Some(3);
        facts.haul_outs = vec![haul_out("2019-10-20", Some("2020-03-20"))];
        let plain = of(&facts);
        facts.intent = Some(unchanged(&facts));
        let intended = of(&facts);
        // The additional cut of the month shifts the exposure by less than half a day's.
        for (one, other) in plain.dates.iter().zip(&intended.dates) {
            assert_eq!((one.kind, one.status, one.driver), (other.kind, other.status, other.driver));
            let moved = one.due_on.zip(other.due_on).map(|(one, other)| (one - other).num_days().abs());
            assert_eq!(one.due_on.is_some(), other.due_on.is_some(), "{one:?} {other:?}");
            assert!(moved.is_none_or(|days| days <= 1), "{one:?} {other:?}");
        }
        assert!(plain.dates.iter().filter(|due| due.due_on.is_some()).count() >= 2);
        assert_ne!(plain.inputs_hash, intended.inputs_hash);
    }
}

/// By the rule: the past keeps its seasons, the future takes the new ones, and a season under way is cut.
#[test]
fn seasons_change_from_the_day_of_the_intent_on() {
    let mut facts = hull("2018-05-01", "2020-01-15");
    facts.ashore_from_month = Some(11);
    facts.ashore_until_month = Some(3);
    let ashore = |from: &str, until: &str| Ashore { from: date(from), until: date(until) };
    let to = date("2021-12-31");
    facts.intent = Some(Intent { ashore_from_month: None, ashore_until_month: None, ..unchanged(&facts) });
    assert_eq!(
        ashore_periods(&facts, date("2018-05-01"), to),
        [ashore("2018-11-01", "2019-04-01"), ashore("2019-11-01", "2020-01-15")]
    );
    facts.intent =
        Some(Intent { ashore_from_month: Some(12), ashore_until_month: Some(1), ..unchanged(&facts) });
    assert_eq!(
        ashore_periods(&facts, date("2018-05-01"), to),
        [
            ashore("2018-11-01", "2019-04-01"),
            ashore("2019-11-01", "2020-02-01"),
            ashore("2020-12-01", "2021-02-01"),
            ashore("2021-12-01", "2021-12-31"),
        ]
    );
}

/// Against the independent finite volumes: a wet bilge dried and a move to warmer water, both half way.
#[test]
fn exposure_through_a_change_is_that_of_the_slow_solver() {
    let mut facts = hull("2010-01-01", "2015-01-01");
    facts.bilge = Some(Bilge::Wet);
    facts.intent = Some(Intent { bilge: Some(Bilge::Dry), months: climate("warm_sea"), ..unchanged(&facts) });
    let ensemble = Ensemble::central(Priors::default());
    let history = History::read(&facts);
    let (course, _) =
        course::build(&facts, &history, date("2020-01-01"), &ensemble.priors).expect("a water forecast");
    let path = Paths::run(&course, &ensemble);
    let priors = &ensemble.priors;
    let water = HullWater {
        laminate: Laminate {
            thickness_m: 0.008,
            diffusivity_15c_m2_s: ensemble.carried[0].diffusivity_15c_m2_s,
            capacity_kg_m3: priors.capacity_kg_m3,
            activation_energy_j_mol: ensemble.carried[0].activation_energy_j_mol,
        },
        inner_resistance_m2_s_kg: 0.0,
        reference_skin_resistance_m2_s_kg: priors.reference_skin_resistance_m2_s_kg,
        pocket_resistance_m2_s_kg: ensemble.life(0, 0).pocket_resistance_m2_s_kg,
        threshold_activity: ensemble.carried[0].threshold_activity,
        hydrolysis_activation_energy_j_mol: ensemble.carried[0].hydrolysis_energy_j_mol,
    };
    // The months written out here, not taken from the timeline.
    let water_of =
        |months: &[garboard::science::climate::MonthNormals; 12], month: usize, inner: f64, days: f64| {
            let normals = &months[month];
            Segment {
                days,
                temperature_c: normals.water_temperature_c,
                outer_activity: garboard::science::seawater::water_activity(
                    normals.salinity_g_kg,
                    normals.water_temperature_c,
                ),
                inner_activity: inner,
                skin_resistance_15c_m2_s_kg: 600e-6 / 8.6e-12,
            }
        };
    let mut slow = FiniteVolumes::new(0.60);
    let temperate = climate("temperate_sea");
    let warm = climate("warm_sea");
    let mut from = date("2010-01-01");
    for number in 0..120 {
        let until = day::months_after(from, 1);
        #[expect(clippy::cast_precision_loss, reason = "31 at most")]
        let days = (until - from).num_days() as f64;
        let (months, inner) = if number < 60 { (&temperate, 1.0) } else { (&warm, 0.65) };
        let end = slow.advance(&water, &water_of(months, number % 12, inner, days));
        let ours = path.member(0)[course.timeline.position(day::number(until) - 0.5).segment + 1];
        let full = end.exposure_years;
        assert!((ours - full).abs() <= 0.002 + 0.01 * full, "{until}: {ours} {full}");
        from = until;
    }
}

//! What treatments do to the skin and the water: coats taken off, films refused, the logged air. Expected resistances are
//! arithmetic: thickness over permeability, 600 µm of gelcoat at 8.6e-12 kg/(m s), a barrier at 2.3e-12 (the defaults of
//! the priors; common practice, no source).

use garboard::science::forecast::course;
use garboard::science::forecast::day;
use garboard::science::forecast::ensemble::Ensemble;
use garboard::science::forecast::facts::{CoatFact, CoatRole, HullFacts, LoggedAir};
use garboard::science::forecast::history::History;
use garboard::science::forecast::paths::{Course, Paths};
use garboard::science::forecast::priors::Priors;
use garboard::science::forecast::skins::skin_changes;
use proptest::prelude::*;

use crate::hulls::{coat, curative, date, has_evidence, haul_out, hull, of};

const GELCOAT: f64 = 600e-6 / 8.6e-12;
const BARRIER: f64 = 250e-6 / 2.3e-12;

fn skins(facts: &HullFacts) -> Vec<(String, f64)> {
    let facts = facts.known();
    let launched_on = facts.launched_on.expect("launched");
    skin_changes(&facts, launched_on, &Priors::default())
        .iter()
        .map(|change| (change.from.to_string(), change.resistance_15c_m2_s_kg))
        .collect()
}

fn assert_skins(facts: &HullFacts, wanted: &[(&str, f64)]) {
    let got = skins(facts);
    assert_eq!(got.len(), wanted.len(), "{got:?}");
    for ((from, resistance), (day, expected)) in got.iter().zip(wanted) {
        assert_eq!(from, day, "{got:?}");
        assert!((resistance - expected).abs() <= 1e-6 * GELCOAT, "{got:?} instead of {wanted:?}");
    }
}

fn taken_off(coat: CoatFact, on: &str) -> CoatFact {
    CoatFact { removed_on: Some(date(on)), ..coat }
}

#[test]
fn a_coat_is_skin_until_the_day_it_is_taken_off() {
    let mut facts = hull("2010-05-01", "2020-06-01");
    facts.coats = vec![taken_off(coat(CoatRole::Barrier, "2012-04-02", 250.0), "2016-04-01")];
    assert_skins(
        &facts,
        &[("2010-05-01", GELCOAT), ("2012-04-02", GELCOAT + BARRIER), ("2016-04-01", GELCOAT)],
    );
    // On a day before, nobody knew that it would come off.
    facts.as_of = date("2016-03-31");
    assert_skins(&facts, &[("2010-05-01", GELCOAT), ("2012-04-02", GELCOAT + BARRIER)]);
    // What a curative treatment takes off is not taken off twice.
    facts.as_of = date("2020-06-01");
    facts.treatments = vec![curative("2015-01-10", Some("2015-04-01"))];
    facts.coats.push(coat(CoatRole::Barrier, "2015-03-20", 250.0));
    assert_skins(
        &facts,
        &[
            ("2010-05-01", GELCOAT),
            ("2012-04-02", GELCOAT + BARRIER),
            ("2015-01-10", 0.0),
            ("2015-03-20", BARRIER),
        ],
    );
}

#[test]
fn the_skin_of_a_rebuilt_hull_is_made_of_films_not_refused() {
    let mut facts = hull("2010-05-01", "2020-06-01");
    let refused = |on: &str| CoatFact { film_refused: true, ..coat(CoatRole::Barrier, on, 250.0) };
    facts.coats = vec![refused("2012-04-02")];
    assert_skins(&facts, &[("2010-05-01", GELCOAT), ("2012-04-02", GELCOAT + BARRIER)]);
    facts.treatments = vec![curative("2015-01-10", Some("2015-04-01"))];
    facts.coats.extend([coat(CoatRole::Barrier, "2015-03-20", 250.0), refused("2015-03-21")]);
    let of_old = [("2010-05-01", GELCOAT), ("2012-04-02", GELCOAT + BARRIER), ("2015-01-10", 0.0)];
    assert_skins(&facts, &[of_old.as_slice(), &[("2015-03-20", BARRIER)]].concat());
    assert!(of(&facts).dates.iter().any(|due| has_evidence(due, "film_refused")));
}

fn run(facts: &HullFacts) -> (Course, Paths) {
    let ensemble = Ensemble::draw(16, 3, Priors::default());
    let facts = facts.known();
    let until = day::months_after(facts.as_of, 12 * 15);
    let (course, _) =
        course::build(&facts, &History::read(&facts), until, &ensemble.priors).expect("a water forecast");
    let paths = Paths::run(&course, &ensemble);
    (course, paths)
}

/// Exposure of every member at a day.
fn exposures(facts: &HullFacts, on: &str) -> Vec<f64> {
    let (course, paths) = run(facts);
    let bound = course.timeline.bounds.partition_point(|&bound| bound < day::number(date(on)));
    (0..16).map(|member| paths.member(member)[bound]).collect()
}

fn dried(air: &[(f64, f64)]) -> HullFacts {
    let mut facts = hull("2005-05-10", "2020-06-01");
    facts.haul_outs = vec![haul_out("2015-01-05", Some("2015-05-01"))];
    facts.treatments = vec![curative("2015-01-10", Some("2015-05-01"))];
    facts.logged_air = (0..)
        .zip(air)
        .map(|(n, &(surface_temperature_c, outer_activity))| LoggedAir {
            from: date("2015-01-10") + chrono::Days::new(7 * n),
            until: date("2015-01-17") + chrono::Days::new(7 * n),
            surface_temperature_c,
            outer_activity,
        })
        .collect();
    facts
}

/// science.md 4: stripped, the laminate meets the logged air with no skin between them.
#[test]
fn the_logged_air_is_what_the_bare_laminate_meets() {
    let facts = dried(&[(31.0, 0.35), (28.0, 0.4)]);
    let (course, _) = run(&facts);
    let segment = |on: &str| {
        let at = day::number(date(on));
        course.timeline.segments[course.timeline.bounds.partition_point(|&bound| bound <= at) - 1]
    };
    for (on, temperature_c, activity) in [("2015-01-10", 31.0, 0.35), ("2015-01-23", 28.0, 0.4)] {
        let at = segment(on);
        assert_eq!(
            (at.temperature_c, at.outer_activity, at.skin_resistance_15c_m2_s_kg),
            (temperature_c, activity, 0.0)
        );
    }
    let january = facts.months[0];
    let after = segment("2015-01-24");
    assert_eq!(
        (after.temperature_c, after.outer_activity),
        (january.air_temperature_c, january.relative_humidity_pct / 100.0),
        "where nothing is logged the site's normals stand"
    );
    assert!(of(&facts).dates.iter().any(|due| has_evidence(due, "logged_air")));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(16))]

    /// A log that says what the site's normals say changes nothing: cutting a segment changes nothing (Carslaw and
    /// Jaeger: the modes decay alike however the time is cut).
    #[test]
    fn a_log_of_the_normals_is_the_normals(weeks in 1_usize..3) {
        let january = dried(&[]).months[0];
        let air = (january.air_temperature_c, january.relative_humidity_pct / 100.0);
        let (logged, plain) = (exposures(&dried(&vec![air; weeks]), "2020-06-01"), exposures(&dried(&[]), "2020-06-01"));
        for (ours, theirs) in logged.iter().zip(&plain) {
            prop_assert!((ours - theirs).abs() <= 1e-9 + 1e-6 * theirs, "{ours} {theirs}");
        }
    }

    /// Drier air at the same warmth never raises what the next life is exposed to (science.md 2).
    #[test]
    fn drier_air_never_raises_the_exposure(warmth in 5.0_f64..35.0, dry in 0.2_f64..0.6, wetter in 0.0_f64..0.4, weeks in 4_usize..14) {
        let of = |activity: f64| exposures(&dried(&vec![(warmth, activity); weeks]), "2019-06-01");
        for (drier, moister) in of(dry).iter().zip(&of(dry + wetter)) {
            prop_assert!(*drier <= moister + 1e-9, "{drier} {moister}");
        }
    }

    /// A barrier for some years lies between none and one that stays.
    #[test]
    fn a_barrier_for_some_years_lies_between_none_and_one_that_stays(years in 1_i32..7) {
        let with = |removed_on: Option<String>| {
            let mut facts = hull("2010-05-01", "2020-06-01");
            let barrier = coat(CoatRole::Barrier, "2012-04-02", 250.0);
            facts.coats = vec![removed_on.map_or(barrier, |on| taken_off(barrier, &on))];
            exposures(&facts, "2020-06-01")
        };
        let none = exposures(&hull("2010-05-01", "2020-06-01"), "2020-06-01");
        let (some, all) = (with(Some(format!("{}-04-01", 2012 + years))), with(None));
        for ((none, some), all) in none.iter().zip(&some).zip(&all) {
            prop_assert!(*all <= some + 1e-9 && *some <= none + 1e-9, "{all} {some} {none}");
        }
    }
}

//! Films: film-*.json; the source of each stands in it.

use garboard::science::film::{
    FilmInput, FilmOutput, FilmRule, film, iso_19840_sampling, pa_2_limits, pa_2_sampling,
};
use garboard::science::quantity::mean_dry_film_um;
use proptest::prelude::*;
use serde_json::{Value, json};

use crate::check_values::{assert_close, cases, number};

fn of(
    rule: FilmRule,
    nominal_um: f64,
    max_um: Option<f64>,
    values: Vec<f64>,
    level: Option<u8>,
) -> FilmOutput {
    let (readings_um, spots_um) =
        if rule == FilmRule::Pa2 { (None, Some(values)) } else { (Some(values), None) };
    let input = FilmInput { rule, nominal_um, max_um, readings_um, spots_um, spot_readings_um: None, level };
    let answer = film(&input).expect("in range");
    assert_eq!(answer.accepted, answer.failures.is_empty());
    answer
}

fn list(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(number).collect()
}

#[test]
fn iso_19840_accepts_as_published() {
    for case in cases("film-iso-19840-acceptance") {
        let (inputs, expected) = (&case["inputs"], &case["expected"]);
        let answer =
            of(FilmRule::Iso19840, number(&inputs["NDFT"]), None, list(&inputs["readings_um"]), None);
        assert!((number(&inputs["max_factor"]) - 3.0).abs() < 1e-12);
        assert_close("mean", answer.mean_um, number(&expected["mean"]), &case["tol"]);
        assert_eq!(Some(answer.below_80pct as u64), expected["below_80"].as_u64());
        assert_eq!(Some(answer.between_80_and_100pct as u64), expected["between_80_100"].as_u64());
        assert_eq!(Some(answer.accepted), expected["accept_strict_less_than_20pct"].as_bool());
    }
}

#[test]
fn pa_2_accepts_by_its_levels() {
    for case in cases("film-pa-2-levels") {
        let (inputs, expected) = (&case["inputs"], &case["expected"]);
        let level = u8::try_from(inputs["level"].as_u64().expect("a level")).expect("small");
        let limits = pa_2_limits(level, number(&inputs["spec_min"]), Some(number(&inputs["spec_max"])))
            .expect("it exists");
        assert_close("spot minimum", limits.spot_min_um, number(&expected["spot_min"]), &case["tol"]);
        assert_close("area minimum", limits.area_min_um, number(&expected["area_min"]), &case["tol"]);
        for (value, name) in [(limits.spot_max_um, "spot_max"), (limits.area_max_um, "area_max")] {
            match value {
                Some(value) => assert_close(name, value, number(&expected[name]), &case["tol"]),
                None => assert!(expected[name].is_null(), "{name}"),
            }
        }
    }
    for case in cases("film-pa-2-acceptance") {
        let (inputs, expected) = (&case["inputs"], &case["expected"]);
        let level = inputs["level"].as_u64().and_then(|level| u8::try_from(level).ok());
        let max_um = inputs["spec_max"].as_f64();
        let answer = of(FilmRule::Pa2, number(&inputs["spec_min"]), max_um, list(&inputs["spots_um"]), level);
        assert_close("mean", answer.mean_um, number(&expected["area_mean"]), &case["tol"]);
        assert_eq!(Some(answer.accepted), expected["accept"].as_bool(), "{:?}", answer.failures);
    }
}

#[test]
fn ninety_ten_accepts_as_published() {
    for case in cases("film-pspc-90-10") {
        let inputs = &case["inputs"];
        let answer = of(FilmRule::Pspc9010, number(&inputs["NDFT"]), None, list(&inputs["readings"]), None);
        assert_eq!(Some(answer.accepted), case["expected"]["accept"].as_bool(), "{:?}", answer.failures);
    }
}

#[test]
fn readings_are_counted_by_area() {
    for case in cases("film-iso-19840-sampling") {
        let sampling = iso_19840_sampling(number(&case["inputs"]["area_m2"]));
        assert_eq!(Some(u64::from(sampling.min_readings)), case["expected"]["min_readings"].as_u64());
        assert_eq!(Some(u64::from(sampling.max_repeats)), case["expected"]["max_repeats"].as_u64());
    }
    for case in cases("film-pa-2-counts") {
        let inputs = &case["inputs"];
        let area = inputs["area_m2"].as_f64().unwrap_or_else(|| number(&inputs["area_ft2"]) / 10.0);
        let sampling = pa_2_sampling(area);
        assert_eq!(Some(u64::from(sampling.areas)), case["expected"]["areas"].as_u64(), "{inputs}");
        assert_eq!(Some(u64::from(sampling.spots)), case["expected"]["spots"].as_u64());
        let readings = Some(u64::from(sampling.min_gauge_readings));
        assert_eq!(readings, case["expected"]["min_gauge_readings"].as_u64());
    }
}

#[test]
fn litres_used_give_the_mean_film() {
    for case in cases("film-from-usage") {
        let inputs = &case["inputs"];
        let mean_um = mean_dry_film_um(
            number(&inputs["applied_litres"]),
            number(&inputs["loss"]),
            number(&inputs["VS"]) * 100.0,
            number(&inputs["area_m2"]),
        );
        let expected = number(&case["expected"]["mean_DFT_um"]);
        assert_close("mean film", mean_um, expected, &Value::from("1e-12 rel"));
    }
}

#[test]
fn readings_of_the_wrong_kind_are_refused() {
    for (change, pointer) in [
        (json!({"readings_um": null}), "/readings_um"),
        (json!({"readings_um": []}), "/readings_um"),
        (json!({"readings_um": [250, -1]}), "/readings_um/1"),
        (json!({"spots_um": [250]}), "/spots_um"),
        (json!({"level": 3}), "/level"),
        (json!({"rule": "pa-2", "readings_um": null, "spots_um": [250], "level": 6}), "/level"),
        (
            json!({"rule": "pa-2", "readings_um": null, "spot_readings_um": [[250, 250]]}),
            "/spot_readings_um/0",
        ),
        (json!({"nominal_um": 0}), "/nominal_um"),
        (json!({"max_um": 200}), "/max_um"),
    ] {
        let mut input = json!({"rule": "iso-19840", "nominal_um": 250, "readings_um": [250, 260]});
        for (name, value) in change.as_object().expect("an object") {
            input[name] = value.clone();
        }
        let input: FilmInput = serde_json::from_value(input).expect("well-formed");
        assert_eq!(film(&input).expect_err("refused").0[0].pointer, pointer);
    }
}

const RULES: [FilmRule; 3] = [FilmRule::Iso19840, FilmRule::Pa2, FilmRule::Pspc9010];

proptest! {
    /// A verdict never improves when a reading gets worse: thinner while none is over the maximum, or over the maximum.
    #[test]
    fn a_worse_reading_never_helps(
        values in prop::collection::vec(180.0..700.0_f64, 1..30),
        which in any::<prop::sample::Index>(),
        share in 0.0..1.0_f64,
        rule in 0..3_usize,
        level in 1..6_u8,
    ) {
        let level = (RULES[rule] == FilmRule::Pa2).then_some(level);
        let run = |values: &[f64]| of(RULES[rule], 250.0, Some(700.0), values.to_vec(), level);
        let before = run(&values);
        let n = which.index(values.len());
        let mut thinner = values.clone();
        thinner[n] *= share;
        prop_assert!(before.accepted || !run(&thinner).accepted);
        let mut too_thick = values.clone();
        too_thick[n] = 701.0 + 1_000.0 * share;
        // The levels of pa-2 let single spots over the maximum; the two others let none.
        prop_assert!(RULES[rule] == FilmRule::Pa2 || !run(&too_thick).accepted);
    }

    /// A spot over what its level lets is never accepted, and gets no better by being still thicker; nor does a spot by
    /// one of its readings' getting thinner.
    #[test]
    fn a_worse_spot_never_helps(
        values in prop::collection::vec(180.0..340.0_f64, 1..12),
        which in any::<prop::sample::Index>(),
        more in 0.0..2_000.0_f64,
        share in 0.0..1.0_f64,
        level in 1..5_u8,
    ) {
        let limit = pa_2_limits(level, 250.0, Some(350.0)).expect("it exists").spot_max_um.expect("it has one");
        let mut thick = values.clone();
        thick[which.index(values.len())] = limit + 0.001 + more;
        let refused = of(FilmRule::Pa2, 250.0, Some(350.0), thick, Some(level));
        prop_assert!(!refused.accepted && refused.failures.iter().any(|failure| failure.code == "reading_above"));

        let spots = |values: &[f64], first_thinner: f64| {
            let spots: Vec<Value> = values.iter().enumerate().map(|(n, value)| {
                let thinner = if n == which.index(values.len()) { first_thinner } else { 1.0 };
                json!([value * thinner, value + 5.0, value - 5.0])
            }).collect();
            let input = json!({"rule": "pa-2", "nominal_um": 250, "level": level, "spot_readings_um": spots});
            film(&serde_json::from_value(input).expect("well-formed")).expect("in range")
        };
        let (before, after) = (spots(&values, 1.0), spots(&values, share));
        prop_assert!(before.accepted || !after.accepted);
        let whole = of(FilmRule::Pa2, 250.0, None, values, Some(level));
        prop_assert_eq!(before.accepted, whole.accepted);
        prop_assert!((before.mean_um - whole.mean_um).abs() < 1e-9);
    }

    /// The order of the readings and their unit do not matter.
    #[test]
    fn a_verdict_has_no_unit(values in prop::collection::vec(180.0..700.0_f64, 1..30), rule in 0..3_usize) {
        let whole = of(RULES[rule], 250.0, Some(700.0), values.clone(), None);
        let scaled: Vec<f64> = values.iter().rev().map(|value| value * 4.0).collect();
        let scaled = of(RULES[rule], 1_000.0, Some(2_800.0), scaled, None);
        prop_assert_eq!(whole.accepted, scaled.accepted);
        prop_assert!((whole.mean_um * 4.0 - scaled.mean_um).abs() < 1e-6);
        prop_assert!(whole.min_um <= whole.mean_um + 1e-9 && whole.mean_um <= whole.max_um + 1e-9);
    }
}

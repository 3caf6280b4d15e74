//! Wetted areas: area-*.json; the source of each stands in it.

use garboard::science::bottom_area::{BottomAreaInput, BottomAreaOutput, GirthStation, bottom_area};
use proptest::prelude::*;
use serde_json::{Value, json};

use crate::check_values::{assert_close, cases, number};

fn of(input: Value) -> BottomAreaOutput {
    let input: BottomAreaInput = serde_json::from_value(input).expect("well-formed");
    bottom_area(&input).expect("in range")
}

#[test]
fn the_trade_rule_multiplies() {
    let mut checked = 0;
    for case in cases("area-trade") {
        let inputs = &case["inputs"];
        // The file's topsides and decks are no bottoms.
        let Some(hull) = inputs["hull"].as_str() else { continue };
        let form = match hull.split(' ').next() {
            Some("fin") => "fin_keel",
            Some("motor") => "motor",
            Some("full-bodied") => "full_bodied",
            _ => "long_keel",
        };
        let answer =
            of(json!({"method": "trade", "form": form, "lwl_m": inputs["LWL"], "beam_m": inputs["B"],
            "draft_m": inputs["T"]}));
        assert_close("area", answer.area_m2, number(&case["expected"]["area_m2"]), &case["tol"]);
        checked += 1;
    }
    assert_eq!(checked, 9);
}

fn delft(lwl: &Value, bwl: &Value, draft: &Value, volume: &Value, midship: &Value) -> BottomAreaOutput {
    of(
        json!({"method": "delft", "lwl_m": lwl, "bwl_m": bwl, "canoe_draft_m": draft, "canoe_volume_m3": volume,
        "midship_coefficient": midship}),
    )
}

#[test]
fn the_series_and_the_ship_formula_compute() {
    for case in cases("area-delft") {
        let i = &case["inputs"];
        let answer = delft(&i["LWL"], &i["BWL"], &i["Tc"], &i["Vc"], &i["Cm"]);
        assert_close("area", answer.area_m2, number(&case["expected"]["S_canoe_m2"]), &case["tol"]);
        assert_eq!(answer.cautions.len(), 1, "inside the series");
    }
    let mut checked = 0;
    for case in cases("area-ship-formulas") {
        let (inputs, expected) = (&case["inputs"], &case["expected"]["denny_mumford"]);
        // The file holds other formulas, which the calculator does not offer.
        let Some(expected) = expected.as_f64() else { continue };
        let answer = of(json!({"method": "denny-mumford", "lwl_m": inputs["L_m"], "draft_m": inputs["T_m"],
            "volume_m3": inputs["V_m3"]}));
        assert_close("area", answer.area_m2, expected, &case["tol"]);
        checked += 1;
    }
    assert_eq!(checked, 4);
}

fn girths(stations: &[GirthStation]) -> BottomAreaOutput {
    of(json!({"method": "girths", "stations": stations}))
}

/// Girth of a half ellipse by adding up short chords: no formula of the project's.
fn half_ellipse(a: f64, b: f64) -> f64 {
    let n = 20_000;
    let at = |k: i32| (std::f64::consts::PI * f64::from(k) / f64::from(n)).sin_cos();
    (0..n)
        .map(|k| {
            let ((s0, c0), (s1, c1)) = (at(k), at(k + 1));
            (a * (c1 - c0)).hypot(b * (s1 - s0))
        })
        .sum()
}

/// area-exact-bodies.json (analytic): the stated uncertainty covers the exact area of each body, by every method, the
/// series within its range.
#[test]
fn the_uncertainty_covers_exact_bodies() {
    let (mut ellipsoids, mut measured) = (0, 0);
    for case in cases("area-exact-bodies") {
        let (i, expected) = (&case["inputs"], &case["expected"]);
        if let Some(full) = i["full_girths"].as_array() {
            let spacing = number(&i["spacing"]);
            let stations: Vec<_> = (0..)
                .zip(full)
                .map(|(n, girth)| GirthStation { x_m: f64::from(n) * spacing, girth_m: number(girth) })
                .collect();
            assert_close("Simpson", girths(&stations).area_m2, number(&expected["simpson"]), &case["tol"]);
            measured += 1;
            continue;
        }
        let exact = number(&expected["exact_wetted_area"]);
        let covers = |answer: &BottomAreaOutput| {
            let off = (exact / answer.area_m2 - 1.0).abs();
            assert!(off <= answer.uncertainty_fraction, "{:?} is {off} off", answer.method);
        };
        let length = number(&i["L"]);
        if let Some(radius) = i["R"].as_f64() {
            let girth_m = half_ellipse(radius, radius);
            let stations = [0.0, 0.3, 1.0].map(|share| GirthStation { x_m: share * length, girth_m });
            let area = girths(&stations).area_m2;
            assert_close("cylinder", area, exact, &Value::from(1e-4));
            continue;
        }
        ellipsoids += 1;
        let (beam, draft) = (number(&i["B"]), number(&i["T"]));
        let amidships = half_ellipse(beam / 2.0, draft);
        let stations: Vec<_> = (0..=40)
            .map(|n| {
                let x = f64::from(n) / 20.0 - 1.0;
                GirthStation {
                    x_m: (x + 1.0) * length / 2.0,
                    girth_m: amidships * (1.0 - x * x).max(0.0).sqrt(),
                }
            })
            .collect();
        covers(&girths(&stations));
        let volume = &expected["volume"];
        covers(&of(
            json!({"method": "denny-mumford", "lwl_m": length, "draft_m": draft, "volume_m3": volume}),
        ));
        let by_series = delft(&i["L"], &i["B"], &i["T"], volume, &json!(std::f64::consts::PI / 4.0));
        if by_series.cautions.len() == 1 {
            covers(&by_series);
        }
    }
    assert_eq!((ellipsoids, measured), (3, 1));
}

#[test]
fn missing_and_unused_fields_are_named() {
    for (input, pointer, code) in [
        (json!({"method": "trade", "lwl_m": 10, "beam_m": 3, "draft_m": 1}), "/form", "required"),
        (json!({"method": "denny-mumford", "lwl_m": 10, "draft_m": 1}), "/volume_m3", "required"),
        (
            json!({"method": "denny-mumford", "lwl_m": 10, "draft_m": 0, "volume_m3": 5}),
            "/draft_m",
            "out_of_range",
        ),
        (json!({"method": "girths", "stations": [], "lwl_m": 10}), "/stations", "count"),
        (
            json!({"method": "girths", "stations": [{"x_m": 0, "girth_m": 1}, {"x_m": 0, "girth_m": 1},
                {"x_m": 2, "girth_m": 1}]}),
            "/stations/1/x_m",
            "order",
        ),
        (
            json!({"method": "denny-mumford", "lwl_m": 10, "draft_m": 1, "volume_m3": 5, "beam_m": 3}),
            "/beam_m",
            "not_used",
        ),
    ] {
        let input: BottomAreaInput = serde_json::from_value(input).expect("well-formed");
        let refused = bottom_area(&input).expect_err("refused");
        assert_eq!((refused.0[0].pointer.as_str(), refused.0[0].code), (pointer, code));
    }
}

proptest! {
    /// Every formula: areas grow with the square of a length, and a greater hull never has less bottom.
    #[test]
    fn greater_hulls_have_more_bottom(
        lwl_m in 6.0..20.0_f64, beam_share in 0.22..0.36_f64, draft_share in 0.1..0.3_f64, factor in 1.0..2.0_f64, form in 0..4_usize,
    ) {
        let form = ["fin_keel", "long_keel", "motor", "full_bodied"][form];
        let all = |scale: f64, longer: f64| {
            let (beam, draft) = (lwl_m * beam_share * scale, lwl_m * beam_share * draft_share * scale);
            let lwl = lwl_m * scale * longer;
            let volume = 0.4 * lwl * beam * draft;
            [
                of(json!({"method": "trade", "form": form, "lwl_m": lwl, "beam_m": beam, "draft_m": draft})),
                of(json!({"method": "delft", "lwl_m": lwl, "bwl_m": beam, "canoe_draft_m": draft, "canoe_volume_m3": volume,
                    "midship_coefficient": 0.7})),
                of(json!({"method": "denny-mumford", "lwl_m": lwl, "draft_m": draft, "volume_m3": volume})),
            ]
        };
        let (one, greater, longer) = (all(1.0, 1.0), all(factor, 1.0), all(1.0, factor));
        for ((one, greater), longer) in one.iter().zip(&greater).zip(&longer) {
            prop_assert!((greater.area_m2 / one.area_m2 / factor / factor - 1.0).abs() < 1e-9);
            prop_assert!(longer.area_m2 >= one.area_m2 && one.area_m2 > 0.0);
            prop_assert!((0.0..1.0).contains(&one.uncertainty_fraction));
        }
    }

    /// Simpson's rule is exact for a parabola whatever the spacing, and areas grow with the square of a length.
    #[test]
    fn areas_scale(
        steps in prop::collection::vec(0.1..2.0_f64, 2..12), a in 0.1..2.0_f64, b in 0.0..1.0_f64, c in 0.0..0.05_f64,
        scale in 0.5..3.0_f64,
    ) {
        let mut x = 0.0;
        let mut stations = vec![GirthStation { x_m: 0.0, girth_m: a }];
        for step in steps {
            x += step;
            stations.push(GirthStation { x_m: x, girth_m: a + b * x + c * x * x });
        }
        let area = girths(&stations).area_m2;
        let exact = a * x + b * x * x / 2.0 + c * x * x * x / 3.0;
        prop_assert!((area / exact - 1.0).abs() < 1e-9);
        let scaled: Vec<_> = stations.iter().map(|s| GirthStation { x_m: s.x_m * scale, girth_m: s.girth_m * scale }).collect();
        prop_assert!((girths(&scaled).area_m2 / (area * scale * scale) - 1.0).abs() < 1e-9);
    }
}

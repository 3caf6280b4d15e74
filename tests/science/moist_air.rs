//! Dew point and coating rule; the source of each file stands in it.

use garboard::science::moist_air::{
    CoatingClimateInput, CoatingLimits, DewPointInput, coating_climate, dew_point,
    dew_point_of_vapour_pressure_c, saturation_vapour_pressure_hpa,
};
use proptest::prelude::*;
use serde_json::Value;

use crate::check_values::{assert_close, cases, number};

fn air(inputs: &Value) -> DewPointInput {
    DewPointInput {
        air_temperature_c: number(&inputs["T_C"]),
        relative_humidity_pct: number(&inputs["RH_pct"]),
    }
}

/// climate-dew-point-magnus.json: analytic, WMO-No. 8 annex 4.B.
#[test]
fn dew_point_and_vapour_pressure_are_those_of_magnus() {
    for case in cases("climate-dew-point-magnus") {
        let answer = dew_point(&air(&case["inputs"])).expect("in range");
        assert_close(
            "dew point",
            answer.dew_point_c,
            number(&case["expected"]["Td_C"]),
            &case["tol"]["Td_C"],
        );
        assert_close(
            "vapour pressure",
            answer.vapour_pressure_hpa,
            number(&case["expected"]["e_hPa"]),
            &case["tol"]["e_hPa"],
        );
    }
}

/// climate-dew-point-table.json: a printed table, from memory. Below zero it gives frost points, which the file says
/// follow 6.112 exp(22.46 T/(272.62 + T)) over ice: the vapour pressure is turned into one with that here.
#[test]
fn dew_point_is_that_of_the_printed_table() {
    let mut frost = 0;
    for case in cases("climate-dew-point-table") {
        let answer = dew_point(&air(&case["inputs"])).expect("in range");
        let value = if case["kind"].as_str().expect("a kind").starts_with("frost") {
            frost += 1;
            let log = (answer.vapour_pressure_hpa / 6.112).ln();
            272.62 * log / (22.46 - log)
        } else {
            answer.dew_point_c
        };
        assert_close("dew point", value, number(&case["expected"]["Td_C"]), &case["tol"]["Td_C"]);
    }
    assert!(frost > 0);
}

/// climate-absolute-humidity.json: analytic, ideal gas.
#[test]
fn absolute_humidity_is_that_of_the_ideal_gas() {
    for case in cases("climate-absolute-humidity") {
        let answer = dew_point(&air(&case["inputs"])).expect("in range");
        let (expected, tol) = (number(&case["expected"]["abs_hum_g_m3"]), &case["tol"]["abs_hum_g_m3"]);
        assert_close("absolute humidity", answer.absolute_humidity_g_m3, expected, tol);
    }
}

/// Saturation over water after Hyland and Wexler 1983, as printed in the ASHRAE Handbook, Fundamentals 2017, chapter 1,
/// equation 6 (from memory; [`agrees_with_psychrolib`] holds it against that library's values), hPa.
pub fn hyland_wexler_hpa(temperature_c: f64) -> f64 {
    let t = temperature_c + 273.15;
    let log_pa = -5.800_220_6e3 / t + 1.391_499_3 - 4.864_023_9e-2 * t + 4.176_476_8e-5 * t * t
        - 1.445_209_3e-8 * t.powi(3)
        + 6.545_967_3 * t.ln();
    log_pa.exp() / 100.0
}

/// A tolerance of the file such as "0.2 %".
fn percent(tolerance: &Value) -> Value {
    let text = tolerance.as_str().and_then(|text| text.strip_suffix(" %")).expect("a tolerance in percent");
    Value::from(format!("{} rel", text.parse::<f64>().expect("a number") / 100.0))
}

/// climate-moist-air-psychrolib.json: `PsychroLib` 2.5.0, whose saturation pressure is that of Hyland and Wexler and not
/// of Magnus, which the project takes after WMO-No. 8; Magnus lies from 0.01 % above to 0.29 % below it between 0
/// and 40 °C (the 0.0324 K in dew point that the file names). So at the file's tolerances of 0.2 % and 0.3 %: pressure
/// and humidity ratio 0.622 e/(p - e) with the share of Hyland and Wexler's pressure that the project's answer is of
/// Magnus's; beside it that departure, bounded. Dew points at the file's 0.05 K as they are. Below zero the file gives
/// frost points, which are not compared, nor is its wet bulb.
#[test]
fn agrees_with_psychrolib() {
    let mut dew_points = 0;
    for case in cases("climate-moist-air-psychrolib") {
        let (inputs, expected, tol) = (&case["inputs"], &case["expected"], &case["tol"]);
        let answer = dew_point(&air(inputs)).expect("in range");
        let air_temperature_c = number(&inputs["T_C"]);
        let magnus_hpa = saturation_vapour_pressure_hpa(air_temperature_c);
        let theirs_hpa = hyland_wexler_hpa(air_temperature_c);
        let saturation_pa = number(&expected["pws_Pa"]);
        assert_close("their formula", theirs_hpa * 100.0, saturation_pa, &Value::from("1e-4 rel"));
        assert!((-0.0029..=0.0001).contains(&(magnus_hpa / theirs_hpa - 1.0)), "{air_temperature_c} °C");

        let share = answer.vapour_pressure_hpa / magnus_hpa;
        let vapour_pa = share * theirs_hpa * 100.0;
        let humid_pa = saturation_pa * number(&inputs["RH_pct"]) / 100.0;
        assert_close("vapour pressure", vapour_pa, humid_pa, &percent(&tol["pws_Pa"]));
        let ratio = 0.621_945 * vapour_pa / (number(&inputs["p_Pa"]) - vapour_pa);
        assert_close("humidity ratio", ratio, number(&expected["W_kgkg"]), &percent(&tol["W_kgkg"]));
        if tol["Td_C"].is_number() {
            dew_points += 1;
            assert_close("dew point", answer.dew_point_c, number(&expected["Td_C"]), &tol["Td_C"]);
        }
    }
    assert!(dew_points > 20);
}

/// climate-coating-rule.json: ISO 8502-4 guidance. The file knows no limits of surface temperature: they are set wide.
#[test]
fn the_coating_rule_is_that_of_the_guidance() {
    for case in cases("climate-coating-rule") {
        let (inputs, expected) = (&case["inputs"], &case["expected"]);
        let answer = coating_climate(&CoatingClimateInput {
            air_temperature_c: number(&inputs["T_air_C"]),
            relative_humidity_pct: number(&inputs["RH_pct"]),
            surface_temperature_c: number(&inputs["T_surface_C"]),
            limits: CoatingLimits {
                min_margin_k: number(&inputs["margin_C"]),
                max_relative_humidity_pct: number(&inputs["rh_max_pct"]),
                min_surface_temperature_c: 0.0,
                max_surface_temperature_c: 60.0,
            },
        })
        .expect("in range");
        assert_close("dew point", answer.dew_point_c, number(&expected["Td_C"]), &case["tol"]["Td_C"]);
        assert_close("margin", answer.margin_k, number(&expected["margin_C"]), &case["tol"]["margin_C"]);
        assert_eq!(Some(answer.allowed), expected["ok"].as_bool());
        assert_eq!(answer.allowed, answer.refusals.is_empty());
        assert!(!answer.cautions.is_empty());
    }
}

fn climate(relative_humidity_pct: f64, surface_temperature_c: f64) -> CoatingClimateInput {
    CoatingClimateInput {
        air_temperature_c: 20.0,
        relative_humidity_pct,
        surface_temperature_c,
        limits: CoatingLimits::default(),
    }
}

#[test]
fn a_value_on_its_limit_is_allowed_and_one_past_it_is_named() {
    let dew = dew_point(&DewPointInput { air_temperature_c: 20.0, relative_humidity_pct: 85.0 })
        .expect("in range")
        .dew_point_c;
    assert!(coating_climate(&climate(85.0, dew + 3.0)).expect("in range").allowed);
    assert!(coating_climate(&climate(30.0, 10.0)).expect("in range").allowed);
    assert!(coating_climate(&climate(30.0, 35.0)).expect("in range").allowed);
    for (relative_humidity_pct, surface_temperature_c, code) in [
        (85.0, dew + 2.999, "margin_too_small"),
        (85.01, 30.0, "air_too_humid"),
        (30.0, 9.99, "surface_too_cold"),
        (30.0, 35.01, "surface_too_warm"),
    ] {
        let answer =
            coating_climate(&climate(relative_humidity_pct, surface_temperature_c)).expect("in range");
        let codes: Vec<_> = answer.refusals.iter().map(|refusal| refusal.code).collect();
        assert!(!answer.allowed);
        assert_eq!(codes, [code]);
    }
}

#[test]
fn impossible_air_is_refused() {
    for (air_temperature_c, relative_humidity_pct, pointer) in [
        (61.0, 50.0, "/air_temperature_c"),
        (f64::NAN, 50.0, "/air_temperature_c"),
        (20.0, 100.1, "/relative_humidity_pct"),
        (20.0, 0.0, "/relative_humidity_pct"),
        (-40.0, 10.0, "/relative_humidity_pct"),
    ] {
        let refused =
            dew_point(&DewPointInput { air_temperature_c, relative_humidity_pct }).expect_err("impossible");
        assert_eq!(refused.0[0].pointer, pointer);
    }
    let mut input = climate(50.0, 20.0);
    input.limits.min_surface_temperature_c = 40.0;
    assert_eq!(
        coating_climate(&input).expect_err("limits the wrong way").0[0].pointer,
        "/limits/min_surface_temperature_c"
    );
}

proptest! {
    /// The dew point never lies above the air, rises with humidity, and gives its vapour pressure back.
    #[test]
    fn dew_points_keep_their_bounds(air_temperature_c in -10.0..60.0_f64, humidity in 5.0..99.0_f64, more in 0.01..1.0_f64) {
        let at = |relative_humidity_pct| dew_point(&DewPointInput { air_temperature_c, relative_humidity_pct }).expect("in range");
        let (drier, damper) = (at(humidity), at(humidity + more));
        prop_assert!(drier.dew_point_c < damper.dew_point_c && damper.dew_point_c <= air_temperature_c + 1e-9);
        prop_assert!(drier.absolute_humidity_g_m3 < damper.absolute_humidity_g_m3);
        let again = dew_point_of_vapour_pressure_c(saturation_vapour_pressure_hpa(drier.dew_point_c));
        prop_assert!((again - drier.dew_point_c).abs() < 1e-9);
    }

    /// A warmer surface in the same air never loses margin, and a stricter limit never permits more.
    #[test]
    fn margins_follow_the_surface(humidity in 20.0..99.0_f64, surface in 5.0..39.0_f64, warmer in 0.0..5.0_f64, stricter in 0.0..5.0_f64) {
        let before = coating_climate(&climate(humidity, surface)).expect("in range");
        let after = coating_climate(&climate(humidity, surface + warmer)).expect("in range");
        prop_assert!((after.margin_k - before.margin_k - warmer).abs() < 1e-9);
        prop_assert!((before.margin_k - (surface - before.dew_point_c)).abs() < 1e-12);
        let mut strict = climate(humidity, surface);
        strict.limits.min_margin_k += stricter;
        strict.limits.max_relative_humidity_pct -= stricter;
        prop_assert!(before.allowed || !coating_climate(&strict).expect("in range").allowed);
    }

    /// Damper air never turns a refusal into a permission.
    #[test]
    fn damper_air_never_helps(humidity in 5.0..99.0_f64, more in 0.0..1.0_f64, surface in 5.0..40.0_f64) {
        let (before, after) = (coating_climate(&climate(humidity, surface)), coating_climate(&climate(humidity + more, surface)));
        prop_assert!(before.expect("in range").allowed || !after.expect("in range").allowed);
    }
}

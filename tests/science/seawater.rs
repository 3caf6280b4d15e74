//! seawater-activity.json: the GSW reference library 3.6.23 (TEOS-10); the source stands in the file.

use garboard::science::seawater::{SeawaterInput, seawater};
use proptest::prelude::*;

use crate::check_values::{assert_close, cases, number};

#[test]
fn agrees_with_the_reference_library() {
    for case in cases("seawater-activity") {
        let input = SeawaterInput {
            absolute_salinity_g_kg: number(&case["inputs"]["SA_g_kg"]),
            temperature_c: number(&case["inputs"]["t_C"]),
        };
        let (expected, tol) = (&case["expected"], &case["tol"]);
        let answer = seawater(&input).expect("in range");
        assert_close("water activity", answer.water_activity, number(&expected["a_w"]), &tol["a_w"]);
        match answer.osmotic_coefficient {
            Some(phi) => assert_close(
                "osmotic coefficient",
                phi,
                number(&expected["osmotic_coefficient"]),
                &tol["osmotic_coefficient"],
            ),
            None => assert!(expected["osmotic_coefficient"].is_null()),
        }
        let dbar = answer.osmotic_pressure_bar * 10.0;
        assert_close(
            "osmotic pressure",
            dbar,
            number(&expected["osmotic_pressure_dbar"]),
            &tol["osmotic_pressure_dbar"],
        );
    }
}

/// IAPWS R13-08, table 8a: the saline part at S = 0.03516504 kg/kg, T = 273.15 K, p = 101325 Pa has
/// g = -0.101342742e3 J/kg and ∂g/∂S = 0.639974067e5 J/kg (values from memory of the release, and computed with the
/// `iapws` package 1.5.5). The potential of water is their combination g - S ∂g/∂S.
#[test]
fn agrees_with_the_release_at_its_reference_state() {
    let expected_potential: f64 = -0.101_342_742e3 - 0.035_165_04 * 0.639_974_067e5;
    let log_activity = expected_potential * 0.018_015_268 / (8.314_472 * 273.15);
    let input = SeawaterInput { absolute_salinity_g_kg: 35.165_04, temperature_c: 0.0 };
    let answer = seawater(&input).expect("in range");
    assert!((answer.water_activity.ln() - log_activity).abs() < 1e-10);
}

#[test]
fn refuses_what_lies_outside_its_range() {
    let refused = seawater(&SeawaterInput { absolute_salinity_g_kg: 43.0, temperature_c: f64::NAN })
        .expect_err("both are out of range");
    let pointers: Vec<_> = refused.0.iter().map(|refusal| refusal.pointer.as_str()).collect();
    assert_eq!(pointers, ["/absolute_salinity_g_kg", "/temperature_c"]);
}

proptest! {
    /// More salt draws more water: activity falls and osmotic pressure rises. The osmotic pressure is close to
    /// -R T ln a/V with the volume of fresh water (18.02e-6 m³/mol at 0-35 °C within 1 %).
    #[test]
    fn salt_lowers_activity(salinity in 0.0..41.0_f64, more in 0.01..1.0_f64, temperature_c in 0.0..35.0_f64) {
        let at = |absolute_salinity_g_kg| seawater(&SeawaterInput { absolute_salinity_g_kg, temperature_c }).expect("in range");
        let (less_salt, more_salt) = (at(salinity), at(salinity + more));
        prop_assert!(less_salt.water_activity <= 1.0 && more_salt.water_activity < less_salt.water_activity);
        prop_assert!(more_salt.osmotic_pressure_bar > less_salt.osmotic_pressure_bar);
        let ideal_bar = -8.314_462_618 * (temperature_c + 273.15) * more_salt.water_activity.ln() / 18.02e-6 / 1e5;
        prop_assert!((more_salt.osmotic_pressure_bar / ideal_bar - 1.0).abs() < 0.01);
    }
}

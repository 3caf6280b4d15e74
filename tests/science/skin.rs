//! Films in series, flakes in a film, and a permeability per pascal.

use garboard::science::skin::{
    Flake, LayerRole, SKIN_DEFAULTS, SkinInput, SkinLayer, aligned_ribbon_permeability_ratio,
    default_permeability_kg_m_s, flake_permeability_ratio, layer_resistance_m2_s_kg, skin, tortuosity,
};
use proptest::prelude::*;
use serde_json::{Value, json};

use crate::check_values::{assert_close, cases, number};

fn film(thickness_um: f64, permeability_kg_m_s: f64) -> SkinLayer {
    SkinLayer {
        role: LayerRole::Barrier,
        thickness_um,
        permeability_kg_m_s: Some(permeability_kg_m_s),
        permeability_kg_m_s_pa: None,
        flake: None,
    }
}

/// series-layers.json (analytic). Its last case gives permeances; a film of 1000 µm and permeability permeance ×
/// 1 mm has that permeance. Values are scaled by a constant into the calculator's range, which a ratio ignores.
#[test]
fn films_add_up_in_series() {
    let mut checked = 0;
    for case in cases("series-layers") {
        let (layers, scale): (Vec<SkinLayer>, f64) = if let Some(layers) = case["inputs"]["layers"].as_array()
        {
            let scale = 100.0;
            (
                layers
                    .iter()
                    .map(|layer| film(number(&layer["h_m"]) * 1e6, number(&layer["P"]) * scale))
                    .collect(),
                scale,
            )
        } else {
            let permeances = case["inputs"]["permeances"].as_array().expect("layers or permeances");
            let scale = 1e-6;
            (
                permeances.iter().map(|permeance| film(1_000.0, number(permeance) * 1e-3 * scale)).collect(),
                scale,
            )
        };
        let whole = skin(&SkinInput { layers: layers.clone() }).expect("in range");
        let permeance = 1.0 / whole.resistance_m2_s_kg / scale;
        assert_close("permeance", permeance, number(&case["expected"]["permeance"]), &case["tol"]);
        if let Some(resistance) = case["expected"]["resistance"].as_f64() {
            assert_close("resistance", whole.resistance_m2_s_kg * scale, resistance, &case["tol"]);
            let thickness_m = layers.iter().map(|layer| layer.thickness_um * 1e-6).sum::<f64>();
            let effective = number(&case["expected"]["effective_P"]);
            assert_close("permeability of the whole", thickness_m * permeance, effective, &case["tol"]);
        }
        checked += 1;
    }
    assert_eq!(checked, 4);
}

/// flake-tortuosity.json (analytic): the columns of Nielsen 1967 and of Cussler 1988 with α as half the width.
#[test]
fn flakes_lengthen_the_way() {
    for case in cases("flake-tortuosity") {
        let alpha = number(&case["inputs"]["alpha_length_over_thickness"]);
        let phi = number(&case["inputs"]["phi"]);
        let (expected, tol) = (&case["expected"], &case["tol"]);
        let nielsen = flake_permeability_ratio(phi, alpha);
        assert_close("tortuosity", tortuosity(phi, alpha), number(&expected["nielsen_tortuosity"]), tol);
        assert_close("Nielsen", nielsen, number(&expected["nielsen_P_ratio"]), tol);
        let ribbons = 1.0 / aligned_ribbon_permeability_ratio(phi, alpha);
        assert_close("ribbons", ribbons, number(&expected["cussler_D0_over_D_alpha_is_half_width"]), tol);

        let flake = Some(Flake { volume_fraction: phi, aspect_ratio: alpha });
        let filled =
            skin(&SkinInput { layers: vec![SkinLayer { flake, ..film(250.0, 2.3e-12) }] }).expect("in range");
        let plain = skin(&SkinInput { layers: vec![film(250.0, 2.3e-12)] }).expect("in range");
        let ratio = plain.resistance_m2_s_kg / filled.resistance_m2_s_kg;
        assert_close("filled film", ratio, number(&expected["nielsen_P_ratio"]), tol);
        assert_close("filled film", filled.tortuosity, number(&expected["nielsen_tortuosity"]), tol);
    }
}

/// flake-mass-fraction.json (Bharadwaj 2001, from memory): flakes that all lie flat, order 1, are Nielsen's. The file's
/// other orders are another law, which the project does not offer, and its mass fractions turn into the volume fractions
/// that a film is entered with.
#[test]
fn flat_flakes_are_those_of_nielsen() {
    let mut checked = 0;
    for case in cases("flake-mass-fraction") {
        let Some(orders) = case["inputs"]["S_order"].as_array() else { continue };
        let flat = orders.iter().position(|order| (number(order) - 1.0).abs() < 1e-12).expect("flat flakes");
        let ratio =
            flake_permeability_ratio(number(&case["inputs"]["phi"]), number(&case["inputs"]["alpha"]));
        assert_close("flat flakes", ratio, number(&case["expected"]["P_ratio"][flat]), &case["tol"]);
        checked += 1;
    }
    assert_eq!(checked, 3);
}

/// permeance-units.json (after ASTM E96): the case that turns a vapour transmission rate into a permeability per
/// pascal; the others convert between units the project does not take. Magnus over water at 15 °C after WMO-No. 8 stands for the
/// vapour pressure: 0.14 % below the project's.
#[test]
fn a_permeability_per_pascal_counts_with_the_vapour_pressure_at_15_c() {
    let cases = cases("permeance-units");
    let case =
        cases.iter().find(|case| case["inputs"]["WVTR_g_m2_d"].is_number()).expect("a transmission rate");
    let layer = SkinLayer {
        permeability_kg_m_s: None,
        permeability_kg_m_s_pa: Some(number(&case["expected"]["P_kg_s_m_Pa"])),
        ..film(number(&case["inputs"]["h_um"]), 1.0)
    };
    let film = skin(&SkinInput { layers: vec![layer] }).expect("in range");
    let vapour_pressure_pa = 611.2 * (17.62 * 15.0 / (243.12 + 15.0_f64)).exp();
    let permeance = 1.0 / film.resistance_m2_s_kg / vapour_pressure_pa;
    let expected = number(&case["expected"]["permeance_kg_s_m2_Pa"]);
    assert_close("permeance", permeance, expected, &Value::from(2e-3 * expected));
}

/// The round figures that the science document gives for its defaults (common practice, no source).
#[test]
fn the_defaults_are_consistent() {
    let gelcoat = layer_resistance_m2_s_kg(
        SKIN_DEFAULTS.gelcoat_thickness_um,
        default_permeability_kg_m_s(LayerRole::Gelcoat),
    );
    assert!((gelcoat / SKIN_DEFAULTS.reference_skin_resistance_m2_s_kg - 1.0).abs() < 0.01);
    let barrier = layer_resistance_m2_s_kg(
        SKIN_DEFAULTS.barrier_thickness_um,
        default_permeability_kg_m_s(LayerRole::Barrier),
    );
    assert!((barrier / 1.1e8 - 1.0).abs() < 0.02);
}

#[test]
fn refuses_none_or_both_permeabilities_and_unknown_fields() {
    let input: SkinInput = serde_json::from_value(json!({"layers": [
        {"role": "sealer", "thickness_um": 100},
        {"role": "topcoat", "thickness_um": -1, "permeability_kg_m_s": 4e-12, "permeability_kg_m_s_pa": 2e-15},
        {"role": "barrier", "thickness_um": 250, "permeability_kg_m_s": 2e-12,
         "flake": {"volume_fraction": 1.0, "aspect_ratio": 30}}
    ]}))
    .expect("well-formed");
    let refused = skin(&input).expect_err("four faults");
    let found: Vec<_> = refused.0.iter().map(|refusal| (refusal.pointer.as_str(), refusal.code)).collect();
    assert_eq!(
        found,
        [
            ("/layers/0/permeability_kg_m_s", "required"),
            ("/layers/1/thickness_um", "out_of_range"),
            ("/layers/1/permeability_kg_m_s_pa", "exclusive"),
            ("/layers/2/flake/volume_fraction", "out_of_range"),
        ]
    );
    let unknown = json!({"layers": [{"role": "sealer", "thickness_um": 100, "colour": "grey"}]});
    assert!(serde_json::from_value::<SkinInput>(unknown).is_err());
    assert!(skin(&SkinInput { layers: Vec::new() }).is_err());
}

proptest! {
    /// A permeability per pascal is one per unit of activity over 1,704 Pa; thicker films and tighter ones resist more, in
    /// proportion.
    #[test]
    fn a_film_resists_in_proportion(thickness_um in 1.0..9_000.0_f64, log in -15.0..-10.0_f64, factor in 1.0..2.0_f64) {
        let permeability = 10.0_f64.powf(log);
        let alone = |layer: SkinLayer| skin(&SkinInput { layers: vec![layer] }).expect("in range").resistance_m2_s_kg;
        let resistance = alone(film(thickness_um, permeability));
        let per_pascal = SkinLayer { permeability_kg_m_s: None, permeability_kg_m_s_pa: Some(permeability / 1_704.0), ..film(thickness_um, 1.0) };
        prop_assert!((alone(per_pascal) / resistance - 1.0).abs() < 1e-12);
        prop_assert!((alone(film(thickness_um * factor, permeability)) / resistance / factor - 1.0).abs() < 1e-12);
        prop_assert!((alone(film(thickness_um, permeability / factor)) / resistance / factor - 1.0).abs() < 1e-12);
    }

    /// Shares add up to one; another film adds its own resistance whatever stands before it; flakes never help water.
    #[test]
    fn a_skin_is_the_sum_of_its_films(
        films in prop::collection::vec((10.0..1_000.0_f64, 1e-13..1e-10_f64), 1..8),
        volume_fraction in 0.0..0.7_f64,
        aspect_ratio in 1.0..200.0_f64,
    ) {
        let layers: Vec<_> = films.iter().map(|&(thickness_um, permeability)| film(thickness_um, permeability)).collect();
        let whole = skin(&SkinInput { layers: layers.clone() }).expect("in range");
        let shares: f64 = whole.layers.iter().map(|layer| layer.share).sum();
        prop_assert!((shares - 1.0).abs() < 1e-12);
        let parts: f64 = films.iter().map(|&(thickness_um, permeability)| layer_resistance_m2_s_kg(thickness_um, permeability)).sum();
        prop_assert!((whole.resistance_m2_s_kg / parts - 1.0).abs() < 1e-12);
        let flake = Some(Flake { volume_fraction, aspect_ratio });
        let filled = skin(&SkinInput { layers: layers.into_iter().map(|layer| SkinLayer { flake, ..layer }).collect() }).expect("in range");
        prop_assert!(filled.resistance_m2_s_kg >= whole.resistance_m2_s_kg);
    }
}

//! The modal solution against the finite volumes, over random histories.

use garboard::science::exposure::{HullWater, Laminate, Segment, WaterState, run};
use proptest::prelude::*;

use crate::finite_volume::FiniteVolumes;

/// Hulls over the ranges that the ensemble of forecasts draws from.
pub fn hulls() -> impl Strategy<Value = HullWater> {
    let laminate = (0.003..0.02_f64, -13.0..-11.8_f64, 5.0..30.0_f64, 25e3..60e3_f64);
    let inner = prop_oneof![2 => Just(0.0), 1 => 1e7..1e9_f64];
    (laminate, inner, 1e7..6e7_f64, 0.72..0.96_f64, 44e3..76e3_f64).prop_map(
        |(
            (thickness_m, log_diffusivity, capacity_kg_m3, activation_energy_j_mol),
            inner,
            pocket,
            threshold,
            eh,
        )| {
            HullWater {
                laminate: Laminate {
                    thickness_m,
                    diffusivity_15c_m2_s: 10.0_f64.powf(log_diffusivity),
                    capacity_kg_m3,
                    activation_energy_j_mol,
                },
                inner_resistance_m2_s_kg: inner,
                reference_skin_resistance_m2_s_kg: 7e7,
                pocket_resistance_m2_s_kg: pocket,
                threshold_activity: threshold,
                hydrolysis_activation_energy_j_mol: eh,
            }
        },
    )
}

/// A stretch afloat or ashore; the skin is told apart by an index into a few skins.
pub fn stretches() -> impl Strategy<Value = Segment> {
    let afloat = (0.975..=1.0_f64, 0.0..30.0_f64);
    let ashore = (0.4..0.9_f64, -5.0..30.0_f64);
    let outside = prop_oneof![2 => afloat, 1 => ashore];
    let inside = prop_oneof![Just(0.65), Just(0.85), Just(1.0)];
    (5.0..60.0_f64, outside, inside).prop_map(|(days, (outer_activity, temperature_c), inner_activity)| {
        Segment { days, temperature_c, outer_activity, inner_activity, skin_resistance_15c_m2_s_kg: 0.0 }
    })
}

/// Histories in which the skin is broken, renewed and thickened now and then.
pub fn histories() -> impl Strategy<Value = Vec<Segment>> {
    let skin = prop_oneof![1 => Just(0.0), 4 => 1e7..4e8_f64];
    let change = prop_oneof![5 => Just(None), 1 => skin.clone().prop_map(Some)];
    (skin, prop::collection::vec((stretches(), change), 1..40)).prop_map(|(mut skin, stretches)| {
        let with_skin = |(mut segment, change): (Segment, Option<f64>)| {
            skin = change.unwrap_or(skin);
            segment.skin_resistance_15c_m2_s_kg = skin;
            segment
        };
        stretches.into_iter().map(with_skin).collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(8000))]

    /// 0.002 in activity, 1 % in exposure.
    #[test]
    fn modes_agree_with_finite_volumes(hull in hulls(), initial in 0.3..0.9_f64, history in histories()) {
        let mut slow = FiniteVolumes::new(initial);
        let mut fast = WaterState::new(&hull, initial);
        let mut ends = Vec::new();
        run(&hull, &mut fast, &history, |index, end| ends.push((index, end)));
        prop_assert_eq!(ends.len(), history.len());
        for ((index, end), segment) in ends.into_iter().zip(&history) {
            let expected = slow.advance(&hull, segment);
            let face = end.outer_face_activity - expected.outer_face_activity;
            let mean = end.mean_activity - expected.mean_activity;
            let years = end.exposure_years - expected.exposure_years;
            prop_assert!(face.abs() <= 0.002, "segment {}: face off by {}", index, face);
            prop_assert!(mean.abs() <= 0.002, "segment {}: mean off by {}", index, mean);
            let allowed = 0.002_f64.max(0.01 * expected.exposure_years);
            prop_assert!(years.abs() <= allowed, "segment {}: exposure {} instead of {}", index, end.exposure_years, expected.exposure_years);
        }
    }
}

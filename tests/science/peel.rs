//! Taking the outer laminate off, and starting the count of exposure again.

use garboard::science::exposure::{HullWater, Laminate, Segment, WaterState};
use proptest::prelude::*;

use crate::agreement::{histories, hulls};

proptest! {
    #![proptest_config(ProptestConfig::with_cases(8000))]

    /// What is left of the laminate keeps its water, at every depth and in all; then it goes on as any bare laminate.
    #[test]
    fn what_is_left_keeps_its_water(mut hull in hulls(), initial in 0.3..0.9_f64, history in histories(), fifths in 0_u32..4) {
        let mut water = WaterState::new(&hull, initial);
        for segment in &history {
            water.advance(&hull, segment);
        }
        let before = water.profile(&hull, 201);
        let removed = f64::from(fifths) / 5.0;
        let whole_m = hull.laminate.thickness_m;
        water.peel(&mut hull, removed * whole_m);
        prop_assert!((hull.laminate.thickness_m - whole_m * (1.0 - removed)).abs() < 1e-12);

        let first = 40 * usize::try_from(fifths).expect("small");
        let after = water.profile(&hull, 201 - first);
        for (before, after) in before[first..].iter().zip(&after) {
            prop_assert!((before - after).abs() < 5e-4, "{} became {}", before, after);
        }

        // Dried for ever between equal airs, it comes to their humidity.
        let air = Segment { days: 36_525.0, temperature_c: 25.0, outer_activity: 0.5, inner_activity: 0.5, skin_resistance_15c_m2_s_kg: 0.0 };
        let end = water.advance(&hull, &air);
        prop_assert!((end.outer_face_activity - 0.5).abs() < 1e-9 && (end.mean_activity - 0.5).abs() < 1e-3);
    }
}

#[test]
fn a_uniform_laminate_is_peeled_before_its_first_segment() {
    let mut hull = any_hull();
    let mut water = WaterState::new(&hull, 0.6);
    water.peel(&mut hull, 0.002);
    assert!((hull.laminate.thickness_m - 0.006).abs() < 1e-12);
    assert_eq!(water.profile(&hull, 3), [0.6, 0.6, 0.6]);
}

#[test]
#[should_panic(expected = "leaves nothing")]
fn peeling_the_whole_laminate_is_a_mistake_of_the_caller() {
    let mut hull = any_hull();
    WaterState::new(&hull, 0.6).peel(&mut hull, 0.008);
}

#[test]
fn the_count_of_exposure_starts_again_and_the_water_stays() {
    let hull = any_hull();
    let afloat = Segment {
        days: 400.0,
        temperature_c: 18.0,
        outer_activity: 1.0,
        inner_activity: 0.65,
        skin_resistance_15c_m2_s_kg: 7e7,
    };
    let mut water = WaterState::new(&hull, 0.6);
    let first = water.advance(&hull, &afloat);
    let mut restarted = water.clone();
    restarted.reset_exposure();
    let (went_on, again) = (water.advance(&hull, &afloat), restarted.advance(&hull, &afloat));
    assert!(first.exposure_years > 0.0);
    assert!((went_on.exposure_years - first.exposure_years - again.exposure_years).abs() < 1e-12);
    assert!((went_on.mean_activity - again.mean_activity).abs() < 1e-15);
}

fn any_hull() -> HullWater {
    HullWater {
        laminate: Laminate {
            thickness_m: 0.008,
            diffusivity_15c_m2_s: 4e-13,
            capacity_kg_m3: 15.0,
            activation_energy_j_mol: 42_000.0,
        },
        inner_resistance_m2_s_kg: 0.0,
        reference_skin_resistance_m2_s_kg: 7e7,
        pocket_resistance_m2_s_kg: 3e7,
        threshold_activity: 0.85,
        hydrolysis_activation_energy_j_mol: 60_000.0,
    }
}

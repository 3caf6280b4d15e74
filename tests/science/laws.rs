//! Laws that follow from the equation itself, whatever the numbers.

use garboard::science::exposure::{HullWater, SECONDS_PER_DAY, Segment, SegmentEnd, WaterState, run};
use proptest::prelude::*;

use crate::agreement::{histories, hulls, stretches};

fn follow(hull: &HullWater, initial: f64, history: &[Segment]) -> Vec<SegmentEnd> {
    let mut ends = Vec::new();
    run(hull, &mut WaterState::new(hull, initial), history, |_, end| ends.push(end));
    ends
}

fn exposure(hull: &HullWater, initial: f64, history: &[Segment]) -> f64 {
    follow(hull, initial, history).last().map_or(0.0, |end| end.exposure_years)
}

fn changed(history: &[Segment], change: impl Fn(&mut Segment)) -> Vec<Segment> {
    let one = |segment: &Segment| {
        let mut segment = *segment;
        change(&mut segment);
        segment
    };
    history.iter().map(one).collect()
}

/// Room for a twentieth of the accuracy asked for: a crossing of the threshold is found to 1e-5 in activity.
fn not_more(less: f64, more: f64) -> bool {
    less <= more * 1.0005 + 1e-4
}

/// A hull filling afloat: one skin, one water not drier than anything inside, no drier start than bilge.
fn filling() -> impl Strategy<Value = (f64, Vec<Segment>)> {
    let months = prop::collection::vec((5.0..60.0_f64, 0.0..25.0_f64), 1..60);
    (months, 0.975..=1.0_f64, 0.3..0.7_f64, 0.0..4e8_f64).prop_map(|(months, outer, inside, skin)| {
        let segment = |(days, temperature_c)| Segment {
            days,
            temperature_c,
            outer_activity: outer,
            inner_activity: inside,
            skin_resistance_15c_m2_s_kg: skin,
        };
        (inside, months.into_iter().map(segment).collect())
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    /// Diffusion makes no new extremes: 0 ≤ a ≤ 1 when boundaries and start are.
    #[test]
    fn activity_stays_within_its_bounds(hull in hulls(), initial in 0.0..=1.0_f64, history in histories()) {
        let mut water = WaterState::new(&hull, initial);
        let (mut low, mut high) = (initial, initial);
        let mut before = 0.0;
        for segment in &history {
            let end = water.advance(&hull, segment);
            low = low.min(segment.outer_activity).min(segment.inner_activity);
            high = high.max(segment.outer_activity).max(segment.inner_activity);
            let room = 1e-5;
            for activity in water.profile(&hull, 41).into_iter().chain([end.outer_face_activity, end.mean_activity]) {
                prop_assert!(activity >= low - room && activity <= high + room, "{} outside {}..{}", activity, low, high);
            }
            prop_assert!(end.exposure_years >= before);
            before = end.exposure_years;
        }
    }

    /// The end of a history does not depend on how it is cut; exposure is free to differ by a quarter of what it must
    /// be right to, since a crossing of the threshold is found to 1e-5 in activity.
    #[test]
    fn splitting_a_segment_changes_nothing(hull in hulls(), initial in 0.3..0.9_f64, history in histories(), cut in 0.1..0.9_f64) {
        let halves: Vec<Segment> = history
            .iter()
            .flat_map(|segment| {
                [Segment { days: segment.days * cut, ..*segment }, Segment { days: segment.days * (1.0 - cut), ..*segment }]
            })
            .collect();
        let (whole, split) = (follow(&hull, initial, &history), follow(&hull, initial, &halves));
        for (index, whole) in whole.iter().enumerate() {
            let split = &split[2 * index + 1];
            prop_assert!((whole.outer_face_activity - split.outer_face_activity).abs() < 1e-6);
            prop_assert!((whole.mean_activity - split.mean_activity).abs() < 1e-6);
            let years = (whole.exposure_years - split.exposure_years).abs();
            prop_assert!(years <= 5e-4 + 2e-3 * whole.exposure_years, "{:?} {:?}", whole, split);
        }
    }

    /// What flows into the inner part of the laminate stays there: l S d/dt∫a = D S ∂a/∂x across two inner planes,
    /// the flux by differences of the profile and its integral by Simpson's rule over short stretches.
    #[test]
    fn water_is_conserved_across_inner_planes(hull in hulls(), initial in 0.3..0.9_f64, before in stretches(), after in stretches(), skin in 0.0..4e8_f64) {
        let with_skin = |segment: Segment| Segment { skin_resistance_15c_m2_s_kg: skin, ..segment };
        let mut water = WaterState::new(&hull, initial);
        water.advance(&hull, &with_skin(before));
        water.advance(&hull, &with_skin(after));

        let laminate = &hull.laminate;
        let kelvin = after.temperature_c + 273.15;
        let arrhenius = (-laminate.activation_energy_j_mol / 8.314_462_618 * (1.0 / kelvin - 1.0 / 288.15)).exp();
        let fourier_per_day = laminate.diffusivity_15c_m2_s * arrhenius * SECONDS_PER_DAY / laminate.thickness_m.powi(2);
        let (points, step) = (101, 0.01);
        let content = |profile: &[f64]| {
            let inner: f64 = (31..70).map(|n| if n % 2 == 1 { 4.0 } else { 2.0 } * profile[n]).sum();
            (profile[30] + inner + profile[70]) * step / 3.0
        };
        let gain = |profile: &[f64]| {
            let slope = |n: usize| (profile[n - 2] - 8.0 * profile[n - 1] + 8.0 * profile[n + 1] - profile[n + 2]) / (12.0 * step);
            slope(70) - slope(30)
        };
        let pieces = 20;
        let piece = Segment { days: after.days / f64::from(pieces), ..with_skin(after) };
        let mut profile = water.profile(&hull, points);
        let start = content(&profile);
        let mut flowed = gain(&profile);
        for n in 1..=pieces {
            water.advance(&hull, &piece);
            profile = water.profile(&hull, points);
            flowed += gain(&profile) * if n == pieces { 1.0 } else if n % 2 == 1 { 4.0 } else { 2.0 };
        }
        flowed *= piece.days * fourier_per_day / 3.0;
        prop_assert!((content(&profile) - start - flowed).abs() < 1e-5, "{} held, {} flowed", content(&profile) - start, flowed);
    }

    /// What comes through the skin stays in a laminate that is sealed inside. Below every activity as threshold and
    /// without activation of hydrolysis, exposure adds up the face's activity over time.
    #[test]
    fn water_is_conserved_across_the_skin(mut hull in hulls(), initial in 0.3..0.9_f64, history in histories()) {
        hull.inner_resistance_m2_s_kg = 1e20;
        hull.threshold_activity = 0.0;
        hull.hydrolysis_activation_energy_j_mol = 0.0;
        let mut water = WaterState::new(&hull, initial);
        let (mut mean, mut years) = (initial, 0.0);
        for segment in &history {
            let end = water.advance(&hull, segment);
            let skin = segment.skin_resistance_15c_m2_s_kg;
            if skin > 0.0 {
                let through_skin = (hull.reference_skin_resistance_m2_s_kg + hull.pocket_resistance_m2_s_kg) / (skin + hull.pocket_resistance_m2_s_kg);
                let face_days = (end.exposure_years - years) * 365.25 / through_skin;
                let kelvin = segment.temperature_c + 273.15;
                let arrhenius = (-hull.laminate.activation_energy_j_mol / 8.314_462_618 * (1.0 / kelvin - 1.0 / 288.15)).exp();
                let came = (segment.outer_activity * segment.days - face_days) * SECONDS_PER_DAY * arrhenius / skin;
                let stayed = (end.mean_activity - mean) * hull.laminate.thickness_m * hull.laminate.capacity_kg_m3;
                let capacity = hull.laminate.thickness_m * hull.laminate.capacity_kg_m3;
                prop_assert!((came - stayed).abs() < 1e-5 * capacity, "{} came, {} stayed of {}", came, stayed, capacity);
            }
            (mean, years) = (end.mean_activity, end.exposure_years);
        }
    }

    #[test]
    fn a_wetter_bilge_never_lowers_exposure(hull in hulls(), initial in 0.3..0.9_f64, history in histories(), share in 0.0..=1.0_f64) {
        let wetter = changed(&history, |segment| segment.inner_activity += share * (1.0 - segment.inner_activity));
        prop_assert!(not_more(exposure(&hull, initial, &history), exposure(&hull, initial, &wetter)));
    }

    #[test]
    fn drier_air_ashore_never_raises_exposure(hull in hulls(), initial in 0.3..0.9_f64, history in histories(), share in 0.0..=1.0_f64) {
        let drier = changed(&history, |segment| {
            if segment.outer_activity < 0.9 {
                segment.outer_activity *= share;
            }
        });
        prop_assert!(not_more(exposure(&hull, initial, &drier), exposure(&hull, initial, &history)));
    }

    #[test]
    fn more_skin_never_raises_exposure_while_filling(hull in hulls(), (initial, history) in filling(), more in 0.0..4e8_f64) {
        let thicker = changed(&history, |segment| segment.skin_resistance_15c_m2_s_kg += more);
        prop_assert!(not_more(exposure(&hull, initial, &thicker), exposure(&hull, initial, &history)));
    }

    #[test]
    fn warmer_water_never_lowers_exposure_while_filling(mut hull in hulls(), (initial, history) in filling(), warmer in 0.0..10.0_f64) {
        hull.hydrolysis_activation_energy_j_mol = hull.hydrolysis_activation_energy_j_mol.max(hull.laminate.activation_energy_j_mol);
        let warm = changed(&history, |segment| segment.temperature_c += warmer);
        prop_assert!(not_more(exposure(&hull, initial, &history), exposure(&hull, initial, &warm)));
    }
}

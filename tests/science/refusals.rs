//! Bad input to the exposure calculator is refused with the field's pointer.

use proptest::prelude::*;

use garboard::science::exposure::{ExposureInput, Laminate, MAX_SEGMENTS, Segment, exposure};

fn good() -> ExposureInput {
    ExposureInput {
        laminate: Laminate {
            thickness_m: 0.008,
            diffusivity_15c_m2_s: 4e-13,
            capacity_kg_m3: 15.0,
            activation_energy_j_mol: 42_000.0,
        },
        inner_resistance_m2_s_kg: 0.0,
        reference_skin_resistance_m2_s_kg: 7e7,
        pocket_resistance_m2_s_kg: 3e7,
        initial_activity: 0.6,
        threshold_activity: 0.85,
        hydrolysis_activation_energy_j_mol: 60_000.0,
        segments: vec![
            Segment {
                days: 30.0,
                temperature_c: 12.0,
                outer_activity: 0.981,
                inner_activity: 0.65,
                skin_resistance_15c_m2_s_kg: 7e7,
            };
            4
        ],
    }
}

fn refused(change: impl FnOnce(&mut ExposureInput)) -> Vec<(String, &'static str)> {
    let mut input = good();
    change(&mut input);
    let refusals = exposure(&input).expect_err("it must be refused");
    for refusal in &refusals.0 {
        assert!(refusal.detail.contains("enter"), "no remedy in: {refusal}");
    }
    refusals.0.into_iter().map(|refusal| (refusal.pointer, refusal.code)).collect()
}

fn one(pointer: &str, code: &'static str) -> Vec<(String, &'static str)> {
    vec![(pointer.to_owned(), code)]
}

#[test]
fn good_input_is_computed() {
    assert_eq!(exposure(&good()).expect("in range").segments.len(), 4);
}

#[test]
fn each_field_is_named() {
    let range = "out_of_range";
    assert_eq!(refused(|input| input.laminate.thickness_m = -0.008), one("/laminate/thickness_m", range));
    assert_eq!(
        refused(|input| input.laminate.diffusivity_15c_m2_s = f64::NAN),
        one("/laminate/diffusivity_15c_m2_s", range)
    );
    assert_eq!(refused(|input| input.laminate.capacity_kg_m3 = 0.0), one("/laminate/capacity_kg_m3", range));
    assert_eq!(
        refused(|input| input.laminate.activation_energy_j_mol = 1e6),
        one("/laminate/activation_energy_j_mol", range)
    );
    assert_eq!(
        refused(|input| input.inner_resistance_m2_s_kg = -1.0),
        one("/inner_resistance_m2_s_kg", range)
    );
    assert_eq!(
        refused(|input| input.reference_skin_resistance_m2_s_kg = f64::INFINITY),
        one("/reference_skin_resistance_m2_s_kg", range)
    );
    assert_eq!(
        refused(|input| input.pocket_resistance_m2_s_kg = 0.0),
        one("/pocket_resistance_m2_s_kg", range)
    );
    assert_eq!(refused(|input| input.initial_activity = 60.0), one("/initial_activity", range));
    assert_eq!(refused(|input| input.threshold_activity = 1.0), one("/threshold_activity", range));
    assert_eq!(
        refused(|input| input.hydrolysis_activation_energy_j_mol = -1.0),
        one("/hydrolysis_activation_energy_j_mol", range)
    );
}

#[test]
fn each_field_of_a_segment_is_named_with_its_index() {
    let range = "out_of_range";
    assert_eq!(refused(|input| input.segments[3].days = -30.0), one("/segments/3/days", range));
    assert_eq!(
        refused(|input| input.segments[2].temperature_c = 285.0),
        one("/segments/2/temperature_c", range)
    );
    assert_eq!(
        refused(|input| input.segments[1].outer_activity = 98.1),
        one("/segments/1/outer_activity", range)
    );
    assert_eq!(
        refused(|input| input.segments[0].inner_activity = f64::NAN),
        one("/segments/0/inner_activity", range)
    );
    assert_eq!(
        refused(|input| input.segments[3].skin_resistance_15c_m2_s_kg = -7e7),
        one("/segments/3/skin_resistance_15c_m2_s_kg", range)
    );
    assert_eq!(refused(|input| input.segments[1].days = 0.0), one("/segments/1/days", "too_short"));
}

#[test]
fn none_and_too_many_segments_are_refused_and_the_list_of_refusals_ends() {
    assert_eq!(refused(|input| input.segments.clear()), one("/segments", "empty"));
    let repeated = |input: &mut ExposureInput, days: f64, count: usize| {
        let segment = Segment { days, ..input.segments[0] };
        input.segments = vec![segment; count];
    };
    assert_eq!(refused(|input| repeated(input, 30.0, MAX_SEGMENTS + 1)), one("/segments", "too_many"));
    assert_eq!(refused(|input| repeated(input, -1.0, MAX_SEGMENTS)).len(), 100);
}

#[test]
fn unknown_fields_are_refused() {
    let mut input = serde_json::to_value(good()).expect("plain numbers");
    input["segments"][1]["note"] = "x".into();
    let error = serde_json::from_value::<ExposureInput>(input).expect_err("an unknown field");
    assert!(error.to_string().contains("note"));
}

fn power(exponents: std::ops::Range<f64>) -> impl Strategy<Value = f64> {
    exponents.prop_map(|exponent| 10.0_f64.powf(exponent))
}

fn resistance() -> impl Strategy<Value = f64> {
    prop_oneof![1 => Just(0.0), 4 => power(0.0..10.0)]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(20000))]

    /// Whatever is in range is either computed, to activities between 0 and 1 and finite exposure, or refused as too
    /// short to be resolved.
    #[test]
    fn anything_in_range_is_computed_or_too_short(
        (thickness_m, diffusivity_15c_m2_s, capacity_kg_m3) in (power(-3.3..-0.7), power(-15.0..-10.0), power(-1.0..2.6)),
        activation_energy_j_mol in 0.0..2e5_f64,
        (inner, reference, pocket) in (resistance(), resistance(), power(0.0..10.0)),
        (initial_activity, threshold_activity) in (0.0..=1.0_f64, 0.0..=0.999_f64),
        hydrolysis_activation_energy_j_mol in 0.0..2e5_f64,
        segments in prop::collection::vec((power(-2.0..4.5), -30.0..80.0_f64, 0.0..=1.0_f64, 0.0..=1.0_f64, resistance()), 1..12),
    ) {
        let segment = |(days, temperature_c, outer_activity, inner_activity, skin_resistance_15c_m2_s_kg)| Segment {
            days, temperature_c, outer_activity, inner_activity, skin_resistance_15c_m2_s_kg,
        };
        let input = ExposureInput {
            laminate: Laminate { thickness_m, diffusivity_15c_m2_s, capacity_kg_m3, activation_energy_j_mol },
            inner_resistance_m2_s_kg: inner,
            reference_skin_resistance_m2_s_kg: reference,
            pocket_resistance_m2_s_kg: pocket,
            initial_activity,
            threshold_activity,
            hydrolysis_activation_energy_j_mol,
            segments: segments.into_iter().map(segment).collect(),
        };
        match exposure(&input) {
            Ok(output) => {
                let mut before = 0.0;
                for end in output.segments {
                    prop_assert!((-1e-3..=1.001).contains(&end.outer_face_activity), "{end:?}");
                    prop_assert!((-1e-3..=1.001).contains(&end.mean_activity), "{end:?}");
                    prop_assert!(end.exposure_years.is_finite() && end.exposure_years >= before, "{end:?}");
                    before = end.exposure_years;
                }
            }
            Err(refusals) => prop_assert!(refusals.0.iter().all(|refusal| refusal.code == "too_short"), "{refusals}"),
        }
    }
}

//! Blisters: blister-*.json; the source of each stands in it.

use garboard::science::blister::{BlisterGradeInput, BlisterGradeOutput, blister_grade};
use proptest::prelude::*;
use serde_json::{Value, json};

use crate::check_values::cases;

fn ask(input: Value) -> Result<BlisterGradeOutput, String> {
    let input: BlisterGradeInput = serde_json::from_value(input).expect("well-formed");
    blister_grade(&input).map_err(|refused| refused.0[0].pointer.clone())
}

/// A diameter in the middle of each size class, mm.
fn diameter(iso_size: u8) -> f64 {
    match iso_size {
        2 => 0.1,
        3 => 0.35,
        4 => 2.0,
        _ => 8.0,
    }
}

/// blister-correspondence.json (informative annex, from memory).
#[test]
fn quantities_and_sizes_correspond() {
    for case in cases("blister-correspondence") {
        let iso = case["inputs"]["iso"].as_str().expect("a grade");
        let astm = case["expected"]["astm"].as_str().expect("a grade");
        let digits: Vec<u8> =
            iso.chars().filter_map(|c| c.to_digit(10)).filter_map(|d| u8::try_from(d).ok()).collect();
        let input = if digits[0] == 0 {
            json!({"count": 0, "area_m2": 1})
        } else {
            json!({"diameters_mm": [diameter(digits[1])], "area_m2": 1, "judged": {"iso_quantity": digits[0]}})
        };
        let report = ask(input).expect("in range").report;
        assert_eq!(report.iso_4628_2.as_deref(), Some(iso));
        assert_eq!(report.astm_d714.map(|grade| grade.replace(' ', "")).as_deref(), Some(astm));
    }
}

/// blister-astm-d714.json (published): a valid grade can be reported, a contradictory one is refused, and without a
/// frequency there is none to report.
#[test]
fn grades_are_those_of_the_standard() {
    for case in cases("blister-astm-d714") {
        let Some(grade) = case["inputs"]["grade"].as_str() else {
            let order: Vec<_> = case["expected"]["size_order"].as_array().expect("sizes").iter().collect();
            let ours: Vec<String> = [0, 2, 3, 4, 5]
                .into_iter()
                .map(|iso: u8| {
                    let input = if iso == 0 {
                        json!({"count": 0, "area_m2": 1})
                    } else {
                        json!({"diameters_mm": [diameter(iso)], "area_m2": 1})
                    };
                    ask(input).expect("in range").size.astm.to_string()
                })
                .collect();
            assert_eq!(order, ours.iter().collect::<Vec<_>>());
            continue;
        };
        let size: u8 = grade.trim_end_matches(char::is_alphabetic).parse().expect("a size");
        let word = grade.trim_start_matches(char::is_numeric);
        let mut input = if size == 10 {
            json!({"count": 0, "area_m2": 1})
        } else {
            json!({"diameters_mm": [diameter((12 - size) / 2)], "area_m2": 1})
        };
        if !word.is_empty() {
            input["judged"] = json!({"astm_frequency": word});
        }
        let reported = ask(input).ok().and_then(|answer| answer.report.astm_d714);
        if case["expected"]["valid"] == json!(true) {
            assert_eq!(reported.map(|reported| reported.replace(' ', "")).as_deref(), Some(grade));
        } else {
            assert_eq!(reported, None, "{grade}");
        }
    }
}

/// blister-iso-4628-2.json (from memory): the bounds of the size classes in millimetres, taken from its words; a
/// quantity beyond 5 is none.
#[test]
fn size_classes_end_where_the_standard_says() {
    let size = |mm: f64| ask(json!({"diameters_mm": [mm], "area_m2": 1})).expect("in range").size.iso;
    let mut bounds = 0;
    for case in cases("blister-iso-4628-2") {
        let meaning = case["expected"]["meaning"].as_str().expect("a meaning");
        if let Some(quantity) = case["inputs"]["density"].as_u64() {
            let judged = json!({"diameters_mm": [1], "area_m2": 1, "judged": {"iso_quantity": quantity}});
            assert_eq!(ask(judged).is_ok(), quantity > 0, "{meaning}");
            continue;
        }
        let class = case["inputs"]["size"].as_u64().expect("a size");
        let numbers: Vec<f64> = meaning
            .split(|c: char| !(c.is_ascii_digit() || c == '.'))
            .filter_map(|word| word.parse().ok())
            .collect();
        if class < 2 {
            continue;
        }
        if meaning.contains("over") {
            assert!(u64::from(size(numbers[0])) < class && u64::from(size(numbers[0] + 0.01)) == class);
            bounds += 1;
        }
        if meaning.contains("up to") {
            assert_eq!(u64::from(size(numbers[numbers.len() - 1])), class, "{meaning}");
            bounds += 1;
        }
    }
    assert_eq!(bounds, 6);
    assert!(ask(json!({"diameters_mm": [1], "area_m2": 1, "judged": {"iso_quantity": 6}})).is_err());
}

#[test]
fn contradictions_are_named() {
    for (input, pointer) in [
        (json!({"area_m2": 1}), "/diameters_mm"),
        (json!({"area_m2": 1, "diameters_mm": []}), "/diameters_mm"),
        (json!({"area_m2": 1, "diameters_mm": [1], "count": 1}), "/count"),
        (json!({"area_m2": 1, "diameters_mm": [1, -1]}), "/diameters_mm/1"),
        (json!({"area_m2": 1, "count": 4}), "/mean_diameter_mm"),
        (json!({"area_m2": 0, "diameters_mm": [1]}), "/area_m2"),
        (json!({"area_m2": 0.001, "diameters_mm": [100]}), "/area_m2"),
        (json!({"area_m2": 1, "count": 0, "judged": {"iso_quantity": 2}}), "/judged/iso_quantity"),
        (json!({"area_m2": 1, "count": 0, "judged": {"astm_frequency": "F"}}), "/judged/astm_frequency"),
        (json!({"area_m2": 1, "diameters_mm": [1], "judged": {}}), "/judged"),
    ] {
        assert_eq!(ask(input.clone()).expect_err("refused"), pointer, "{input}");
    }
}

proptest! {
    /// One more blister never lowers density, area or size; n blisters of one size are the same counted or listed.
    #[test]
    fn blisters_add_up(diameters in prop::collection::vec(0.1..30.0_f64, 1..40), more in 0.1..30.0_f64) {
        let before = ask(json!({"diameters_mm": diameters, "area_m2": 2.0})).expect("in range");
        let mut grown = diameters.clone();
        grown.push(more);
        let after = ask(json!({"diameters_mm": grown, "area_m2": 2.0})).expect("in range");
        prop_assert!(after.density_per_m2 > before.density_per_m2 && after.area_fraction > before.area_fraction);
        prop_assert!(after.size.iso >= before.size.iso && (0.0..=1.0).contains(&after.area_fraction));
        let listed = ask(json!({"diameters_mm": vec![more; 7], "area_m2": 2.0})).expect("in range");
        let counted = ask(json!({"count": 7, "mean_diameter_mm": more, "area_m2": 2.0})).expect("in range");
        prop_assert!((listed.area_fraction / counted.area_fraction - 1.0).abs() < 1e-9);
        prop_assert_eq!((listed.size, listed.density_per_m2), (counted.size, counted.density_per_m2));
    }
}

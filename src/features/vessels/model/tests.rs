//! The rules of vessels: they are ours, so each is stated here beside a case on either side of it.

use proptest::prelude::*;
use serde_json::{Value, json};

use super::*;

fn vessel(more: &Value) -> VesselFields {
    let mut body = json!({"name": "Plover", "form": "fin_keel", "length_m": 10.0});
    for (name, value) in more.as_object().expect("an object") {
        body[name] = value.clone();
    }
    serde_json::from_value(body).expect("fields of a vessel")
}

fn checked(more: &Value) -> Result<VesselFields> {
    vessel(more).checked()
}

#[test]
fn agreeing_fields_pass() {
    let good = [
        json!({}),
        json!({"lwl_m": 10.0}),
        json!({"sling_forward_m": 0.0, "sling_aft_m": 10.0}),
        json!({"sling_aft_m": 4.0}),
        json!({"built_year": 2000, "launched_on": "1999-01-01"}),
        json!({"built_year": 2000, "launched_on": "2031-05-01"}),
        json!({"launched_on": "2001-05-01", "retired_on": "2001-05-01"}),
        json!({"ashore_from_month": 11, "ashore_until_month": 3}),
        json!({"zones": [{"zone": "keel", "cored": false}, {"zone": "bottom", "cored": true}]}),
        json!({"owner_email": "a@b"}),
    ];
    for more in good {
        assert!(checked(&more).is_ok(), "{more}: {:?}", checked(&more).err().map(|e| e.detail));
    }
}

#[test]
fn contradictions_are_refused_at_the_field() {
    let bad = [
        (json!({"lwl_m": 10.1}), "/lwl_m", "over_length"),
        (json!({"sling_forward_m": 4.0, "sling_aft_m": 4.0}), "/sling_aft_m", "order"),
        (json!({"sling_forward_m": 4.0, "sling_aft_m": 10.1}), "/sling_aft_m", "over_length"),
        (json!({"sling_forward_m": 10.1}), "/sling_forward_m", "over_length"),
        (json!({"built_year": 2000, "launched_on": "1998-12-31"}), "/launched_on", "before_built"),
        (json!({"launched_on": "2001-05-01", "retired_on": "2001-04-30"}), "/retired_on", "before_launch"),
        (json!({"ashore_from_month": 11}), "/ashore_until_month", "pair"),
        (json!({"ashore_until_month": 3}), "/ashore_from_month", "pair"),
        (
            json!({"zones": [{"zone": "keel", "cored": false}, {"zone": "keel", "cored": true}]}),
            "/zones/1/zone",
            "doubled",
        ),
        (json!({"hull_id_number": "XX-ABC12345Z626"}), "/hull_id_number", "hull_id_number"),
    ];
    for (more, pointer, code) in bad {
        let refused = checked(&more).expect_err("a contradiction");
        let found: Vec<_> = refused.fields.iter().map(|f| (f.pointer.as_str(), f.code.as_str())).collect();
        assert_eq!(found, [(pointer, code)], "{more}");
    }
}

#[test]
fn all_faults_are_told_at_once() {
    let more = json!({"lwl_m": 11.0, "hull_id_number": "?", "ashore_from_month": 1});
    assert_eq!(checked(&more).expect_err("three faults").fields.len(), 3);
}

#[test]
fn only_what_bears_on_a_date_asks_for_a_forecast() {
    let plain = vessel(&json!({}));
    for silent in [
        json!({"owner_phone": "1"}),
        json!({"note": "x"}),
        json!({"displacement_kg": 5000.0}),
        json!({"hull_id_number": "XX-ABC12345D626"}),
    ] {
        let other = vessel(&silent);
        assert!(!other.bears_on_dates_unlike(&plain), "{silent}");
    }
    for bearing in [
        json!({"length_m": 11.0}),
        json!({"launched_on": "2001-05-01"}),
        json!({"bilge": "wet"}),
        json!({"retired_on": "2001-05-01"}),
        json!({"zones": [{"zone": "bottom", "cored": true}]}),
    ] {
        let other = vessel(&bearing);
        assert!(other.bears_on_dates_unlike(&plain), "{bearing}");
    }
}

proptest! {
    #[test]
    fn checking_twice_changes_nothing(
        zones in proptest::sample::subsequence(vec!["bottom", "waterline", "keel", "rudder", "appendage"], 0..=5)
            .prop_shuffle(),
        hyphen in any::<bool>(),
    ) {
        let number = if hyphen { "xx-abc12345d626" } else { "xxabc12345d626" };
        let zones: Vec<Value> = zones.iter().map(|zone| json!({"zone": zone, "cored": false})).collect();
        let once = checked(&json!({"hull_id_number": number, "zones": zones})).expect("valid");
        prop_assert!(once.zones.is_sorted_by_key(|zone| zone.zone));
        prop_assert_eq!(once.clone().checked().expect("valid still"), once);
    }

    #[test]
    fn a_launch_is_refused_only_more_than_a_year_early(built in 1942_i32..2190, launched in 1940_i32..2200) {
        let more = json!({"built_year": built, "launched_on": format!("{launched}-06-01")});
        prop_assert_eq!(checked(&more).is_ok(), launched >= built - 1);
    }
}

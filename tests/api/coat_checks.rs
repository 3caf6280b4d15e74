//! What is told about coats and the launch without refusing anything, and units that are mistaken for others

use serde_json::{Value, json};

use crate::treatments::{Yard, made, product};

fn coat(yard: &Yard, product: &str, fields: &Value) -> Value {
    let mut body = json!({"vessel_id": yard.vessel, "haul_out_id": yard.haul_out, "role": "barrier", "zone": "bottom",
        "product_id": product, "applied_on": "2026-06-11", "started_at": "2026-06-11T08:00:00Z",
        "finished_at": "2026-06-11T09:00:00Z"});
    for (name, value) in fields.as_object().expect("an object") {
        body[name] = value.clone();
    }
    yard.app.crew().post("/v1/coats", &body).expect(201).json
}

fn codes(list: &Value) -> Vec<&str> {
    list.as_array().expect("a list").iter().filter_map(|own| own["code"].as_str()).collect()
}

/// By arithmetic: 2 litres of half solids on 20 m² leave 50 µm at most, 6 litres 150 µm; the sheet asks for 100 µm.
#[test]
fn litres_are_held_against_the_film_measured_or_else_asked_for() {
    let yard = Yard::set();
    let crew = yard.app.crew();
    let barrier = made(&yard.app.lead(), &product("barrier", &["barrier"], &json!({})));
    let little = coat(&yard, &barrier, &json!({"litres": 2, "area_m2": 20}));
    assert_eq!(codes(&little["checks"]), ["litres_do_not_match"]);
    assert!(little["checks"][0]["detail"].as_str().expect("a detail").contains("50 µm"), "{little}");
    let enough = coat(&yard, &barrier, &json!({"litres": 6, "area_m2": 20, "zone": "keel"}));
    assert_eq!(codes(&enough["checks"]), [""; 0]);
    let id = enough["id"].as_str().expect("an id");
    yard.film(id, 300.0);
    let measured = crew.get(&format!("/v1/coats/{id}")).expect(200);
    assert_eq!(codes(&measured.json["checks"]), ["litres_do_not_match"], "300 µm out of 150");
    assert!(measured.text.contains("measured"), "{}", measured.text);
}

#[test]
fn a_coat_under_another_has_no_overcoating_window() {
    let yard = Yard::set();
    let barrier = made(&yard.app.lead(), &product("barrier", &["barrier"], &json!({})));
    yard.climate("2026-06-11T00:00:00Z", 3, 60.0);
    let first = coat(&yard, &barrier, &json!({}));
    assert_eq!(first["overcoating"].as_array().map(Vec::len), Some(1));
    coat(
        &yard,
        &barrier,
        &json!({"started_at": "2026-06-11T15:00:00Z", "finished_at": "2026-06-11T16:00:00Z"}),
    );
    let path = format!("/v1/coats/{}", first["id"].as_str().expect("an id"));
    assert_eq!(yard.app.crew().get(&path).expect(200).json["overcoating"], json!([]));
}

#[test]
fn a_launch_after_the_antifouling_has_stood_too_long_is_warned_of() {
    let yard = Yard::set();
    let lead = yard.app.lead();
    let sheet = product("antifouling", &[], &json!({"max_days_to_launch": 30}));
    let antifouling = made(&lead, &sheet);
    let path = format!("/v1/haul-outs/{}", yard.haul_out);
    let told = lead.get(&path).expect(200);
    assert_eq!(told.json["warnings"], json!([]));
    coat(&yard, &antifouling, &json!({"role": "antifouling"}));
    // Thirty days from 11 June end on 11 July; the clock of the test stands at 30 July.
    assert_eq!(codes(&lead.get(&path).expect(200).json["warnings"]), ["launch_too_late"], "still ashore");
    let in_time = lead.patch(&path, &told.etag(), &json!({"relaunched_on": "2026-07-11"})).expect(200);
    assert_eq!(in_time.json["warnings"], json!([]));
    let late = lead.patch(&path, &in_time.etag(), &json!({"relaunched_on": "2026-07-12"})).expect(200);
    assert_eq!(codes(&late.json["warnings"]), ["launch_too_late"]);
    assert!(late.text.contains("stood 31"), "{}", late.text);
    // Another coat over it, on the same zone, is what counts.
    coat(
        &yard,
        &antifouling,
        &json!({"role": "antifouling", "applied_on": "2026-07-10",
        "started_at": "2026-07-10T08:00:00Z", "finished_at": "2026-07-10T09:00:00Z"}),
    );
    assert_eq!(lead.get(&path).expect(200).json["warnings"], json!([]));
}

#[test]
fn a_relaunch_before_the_treatment_is_closed_is_warned_of() {
    let yard = Yard::set();
    let id = yard.plan(&json!({"kind": "curative"}));
    yard.accept(&id);
    yard.done(&id, "wash_down", "2026-06-02T09:00:00Z").expect(201);
    let (lead, path) = (yard.app.lead(), format!("/v1/haul-outs/{}", yard.haul_out));
    let told = lead.get(&path).expect(200);
    assert_eq!(told.json["warnings"], json!([]));
    let afloat = lead.patch(&path, &told.etag(), &json!({"relaunched_on": "2026-06-20"})).expect(200);
    assert_eq!(codes(&afloat.json["warnings"]), ["treatment_not_closed"]);
    assert!(afloat.text.contains(&id), "it says which: {}", afloat.text);
}

#[test]
fn a_unit_mistaken_for_another_is_refused() {
    let yard = Yard::set();
    let share = json!({"items": [{"measured_at": "2026-06-11T08:00:00Z", "source": "hand", "air_temperature_c": 20,
        "relative_humidity_pct": 0.6, "surface_temperature_c": 20}]});
    let path = format!("/v1/haul-outs/{}/climate-values", yard.haul_out);
    let pointer = "/items/0/relative_humidity_pct";
    yard.app.crew().post(&path, &share).expect_problem(422, "invalid", pointer);
    let barrier = made(&yard.app.lead(), &product("barrier", &["barrier"], &json!({})));
    let coat = coat(&yard, &barrier, &json!({}));
    let millimetres = json!({"method": "ultrasonic", "rule": "iso-19840", "nominal_um": 100, "readings_um": [0.11, 0.12],
        "measured_at": "2026-06-12T09:00:00Z"});
    let films = format!("/v1/coats/{}/films", coat["id"].as_str().expect("an id"));
    yard.app.crew().post(&films, &millimetres).expect_problem(422, "invalid", "/readings_um");
}

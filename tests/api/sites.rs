//! /v1/sites and /v1/climates

use serde_json::{Value, json};

use crate::forecast_requests::{forget, waiting};
use crate::lists::{ids, walk};
use crate::support::app::TestApp;

const PATH: &str = "/v1/sites";

fn months() -> Value {
    let month = |month: i32| {
        json!({"month": month, "water_temperature_c": 5.5 + f64::from(month), "salinity_g_kg": 33.0,
               "air_temperature_c": f64::from(month), "relative_humidity_pct": 80.0})
    };
    (1..=12).map(month).collect()
}

fn named(name: &str) -> Value {
    json!({"name": name, "time_zone": "UTC", "climate": "temperate_sea"})
}

#[test]
fn a_site_starts_from_a_named_climate() {
    let app = TestApp::start();
    let climates = app.reader().get("/v1/climates").expect(200);
    let climate = &climates.json["items"][0];
    assert_eq!(climate["months"].as_array().map(Vec::len), Some(12));
    let body = json!({"name": "North basin", "time_zone": "UTC", "climate": climate["name"]});
    let made = app.lead().post(PATH, &body).expect(201);
    assert_eq!(made.json["months"], climate["months"]);
    assert_eq!(made.json["climate"], climate["name"]);
    app.lead()
        .post(PATH, &json!({"name": "X", "time_zone": "UTC", "climate": "lunar"}))
        .expect_problem(422, "invalid", "/climate");
}

#[test]
fn a_site_has_its_own_twelve_months() {
    let app = TestApp::start();
    let lead = app.lead();
    let mut body = json!({"name": "North basin", "time_zone": "Europe/Lisbon", "months": months()});
    let mut shuffled = body.clone();
    shuffled["months"].as_array_mut().expect("months").reverse();
    let made = lead.post(PATH, &shuffled).expect(201);
    assert_eq!(made.json["months"], months());
    assert_eq!(made.json["climate"], Value::Null);

    let twelve = months();
    let eleven: Value = twelve.as_array().expect("months").iter().take(11).cloned().collect();
    let mut doubled = twelve.clone();
    doubled[11]["month"] = 1.into();
    let mut thirteen = twelve.clone();
    thirteen.as_array_mut().expect("months").push(twelve[0].clone());
    for wrong in [json!([]), eleven, doubled, thirteen] {
        body["months"] = wrong;
        lead.post(PATH, &body).expect_problem(422, "invalid", "/months");
    }
    for (field, value) in [
        ("month", json!(13)),
        ("water_temperature_c", json!(-2.1)),
        ("water_temperature_c", json!(35.1)),
        ("salinity_g_kg", json!(-0.1)),
        ("air_temperature_c", json!(61)),
        ("relative_humidity_pct", json!(100.5)),
        ("relative_humidity_pct", json!("NaN")),
    ] {
        body["months"] = months();
        body["months"][4][field] = value;
        lead.post(PATH, &body).expect_problem(422, "invalid", &format!("/months/4/{field}"));
    }
    body["months"] = months();
    body["time_zone"] = "Moon/Tranquility".into();
    lead.post(PATH, &body).expect_problem(422, "invalid", "/time_zone");
    assert_eq!(ids(&lead, PATH), [made.id()]);
}

#[test]
fn a_change_keeps_what_is_absent_and_clears_what_is_null() {
    let app = TestApp::start();
    let lead = app.lead();
    let mut body = named("North basin");
    body["note"] = "quay wall in shade".into();
    body["ref"] = "N".into();
    let made = lead.post(PATH, &body).expect(201);
    let path = format!("{PATH}/{}", made.id());
    let changed = lead.patch(&path, &made.etag(), &json!({"note": null, "name": "Old basin"})).expect(200);
    assert_eq!((&changed.json["note"], &changed.json["ref"]), (&Value::Null, &json!("N")));
    assert_eq!(changed.json["months"], made.json["months"]);
    assert_eq!(changed.json["climate"], "temperate_sea");
    let own = lead.patch(&path, &changed.etag(), &json!({"months": months()})).expect(200);
    assert_eq!(own.json["months"], months());
    assert_eq!(own.json["climate"], Value::Null, "its own figures are no named climate");
    for (patch, pointer) in [
        (json!({"name": null}), "/name"),
        (json!({"months": null}), "/months"),
        (json!({"months": []}), "/months"),
        (json!({"depth_m": 3}), "/depth_m"),
    ] {
        lead.patch(&path, &own.etag(), &patch).expect_problem(422, "invalid", pointer);
    }
}

#[test]
fn new_months_ask_for_the_forecasts_of_the_vessels_that_lie_there() {
    let app = TestApp::start();
    let lead = app.lead();
    let (north, south) =
        (lead.post(PATH, &named("North")).expect(201), lead.post(PATH, &named("South")).expect(201));
    let vessel = |site_id: Value| {
        let body = json!({"name": "Plover", "form": "motor", "length_m": 8, "site_id": site_id});
        lead.post("/v1/vessels", &body).expect(201).id()
    };
    let (one, two) = (vessel(json!(north.id())), vessel(json!(north.id())));
    vessel(json!(south.id()));
    vessel(Value::Null);
    forget(&app);
    let path = format!("{PATH}/{}", north.id());
    let renamed = lead.patch(&path, &north.etag(), &json!({"name": "Old basin"})).expect(200);
    assert_eq!(waiting(&app), Vec::<String>::new(), "a name bears on no date");
    let changed = lead.patch(&path, &renamed.etag(), &json!({"months": months()})).expect(200);
    assert_eq!(waiting(&app), [one.clone(), two.clone()]);
    lead.patch(&path, &changed.etag(), &json!({"climate": "temperate_sea"})).expect(200);
    assert_eq!(waiting(&app), [one, two], "a waiting request is not doubled");
}

#[test]
fn stale_repeated_and_foreign_requests_are_told_apart() {
    let app = TestApp::start();
    let (lead, stranger) = (app.lead(), app.stranger());
    let mut body = named("North basin");
    body["ref"] = "N".into();
    let made = lead.post_with_key(PATH, "k", &body).expect(201);
    assert_eq!(lead.post_with_key(PATH, "k", &body).expect(201).id(), made.id());
    lead.post_with_key("/v1/vessels", "k", &json!({"name": "P", "form": "motor", "length_m": 8}))
        .expect_problem(422, "key_reused", "");
    lead.post(PATH, &body).expect_problem(409, "duplicate", "/ref");
    let path = format!("{PATH}/{}", made.id());
    lead.send(lead.request("PATCH", &path).json(&json!({}))).expect_problem(428, "version_required", "");
    lead.patch(&path, "\"2\"", &json!({})).expect_problem(412, "stale", "");
    stranger.patch(&path, "\"1\"", &json!({})).expect_problem(404, "not_found", "");
    stranger.post(PATH, &body).expect(201);
    for client in [app.surveyor(), app.crew(), app.reader()] {
        client.get(&path).expect(200);
        client.post(PATH, &named("X")).expect_problem(403, "forbidden", "");
        client.patch(&path, "\"1\"", &json!({})).expect_problem(403, "forbidden", "");
    }
}

#[test]
fn the_list_is_paged_and_tells_what_changed_since() {
    let app = TestApp::start();
    let lead = app.lead();
    let made: Vec<String> =
        (0..5).map(|n| lead.post(PATH, &named(&format!("Basin {n}"))).expect(201).id()).collect();
    assert_eq!(walk(&lead, "/v1/sites?updated_since=2026-06-15T10:00:00Z", 2), made);
    assert_eq!(ids(&lead, "/v1/sites?updated_since=2026-06-15T10:00:00.5Z"), Vec::<String>::new());
}

//! Stations: the fixed places where readings are taken.

use serde_json::json;

use crate::lists::ids;
use crate::recording::Scene;

#[test]
fn stations_are_one_to_a_code() {
    let scene = Scene::set();
    let surveyor = scene.app.surveyor();
    let body = json!({"vessel_id": scene.vessel, "code": "S01", "hull": "centre", "side": "starboard", "zone": "bottom"});
    surveyor.post("/v1/stations", &body).expect_problem(409, "duplicate", "/code");
    let path = format!("/v1/stations/{}", scene.station);
    let etag = surveyor.get(&path).expect(200).etag();
    let moved = surveyor.patch(&path, &etag, &json!({"girth_m": 0.9})).expect(200);
    assert_eq!(moved.json["girth_m"], 0.9);
    surveyor.patch(&path, &etag, &json!({"girth_m": 1.0})).expect_problem(412, "stale", "");
    let without = surveyor.request("PATCH", &path).json(&json!({"girth_m": 1.0}));
    surveyor.send(without).expect_problem(428, "version_required", "");
    let other = json!({"vessel_id": scene.station});
    surveyor.patch(&path, &moved.etag(), &other).expect_problem(422, "invalid", "/vessel_id");
    let cleared = surveyor.patch(&path, &moved.etag(), &json!({"x_m": null})).expect(200);
    assert!(cleared.json["x_m"].is_null(), "null clears: {}", cleared.text);
    scene.app.reader().post("/v1/stations", &body).expect_problem(403, "forbidden", "");
    scene.app.stranger().get(&path).expect_problem(404, "not_found", "");
    scene.app.stranger().post("/v1/stations", &body).expect_problem(422, "invalid", "/vessel_id");
}

#[test]
fn a_change_to_a_code_that_is_taken_is_refused() {
    let scene = Scene::set();
    let crew = scene.app.crew();
    let body =
        json!({"vessel_id": scene.vessel, "code": "S02", "hull": "centre", "side": "port", "zone": "keel"});
    let second = crew.post("/v1/stations", &body).expect(201);
    let path = format!("/v1/stations/{}", second.id());
    crew.patch(&path, &second.etag(), &json!({"code": "S01"})).expect_problem(409, "duplicate", "/code");
    assert_eq!(crew.get(&path).expect(200).json["code"], "S02");
}

#[test]
fn each_field_is_refused_where_it_is_wrong_and_one_id_makes_one() {
    let scene = Scene::set();
    let crew = scene.app.crew();
    let good =
        json!({"vessel_id": scene.vessel, "code": "S02", "hull": "centre", "side": "port", "zone": "keel"});
    for (field, value) in [
        ("code", json!("")),
        ("code", json!("x".repeat(41))),
        ("hull", json!("middle")),
        ("zone", json!("deck")),
        ("x_m", json!(106.0)),
        ("girth_m", json!(-0.1)),
        ("no_such", json!(1)),
    ] {
        let mut body = good.clone();
        body[field] = value;
        crew.post("/v1/stations", &body).expect_problem(422, "invalid", &format!("/{field}"));
    }
    let mut own = good.clone();
    own["id"] = "0190163d-8694-739b-aea5-966c26f8ad91".into();
    crew.post("/v1/stations", &own).expect(201);
    crew.post("/v1/stations", &own).expect(200);
    own["side"] = "starboard".into();
    crew.post("/v1/stations", &own).expect_problem(409, "id_taken", "/id");
    let mut keyed = good;
    keyed["code"] = "S03".into();
    let first = crew.post_with_key("/v1/stations", "k", &keyed).expect(201);
    assert_eq!(crew.post_with_key("/v1/stations", "k", &keyed).expect(201).id(), first.id());
    assert_eq!(ids(&crew, &format!("/v1/stations?vessel_id={}", scene.vessel)).len(), 3);
}

//! A vessel with a haul-out, a station and a survey, to record facts on.

use serde_json::{Value, json};

use crate::support::app::{Answer, TestApp};

pub struct Scene {
    pub app: TestApp,
    pub vessel: String,
    pub haul_out: String,
    pub station: String,
}

impl Scene {
    pub fn set() -> Self {
        let app = TestApp::start();
        let lead = app.lead();
        let vessel =
            json!({"name": "Test hull", "form": "fin_keel", "length_m": 10.0, "launched_on": "2010-05-01"});
        let vessel = lead.post("/v1/vessels", &vessel).expect(201).id();
        let haul_out = json!({"vessel_id": vessel, "lifted_on": "2026-04-01", "relaunched_on": "2026-04-20", "reason": "inspection"});
        let haul_out = lead.post("/v1/haul-outs", &haul_out).expect(201).id();
        let station = json!({"vessel_id": vessel, "code": "S01", "hull": "centre", "side": "port", "zone": "bottom", "x_m": 2.0, "girth_m": 0.6});
        let station = app.surveyor().post("/v1/stations", &station).expect(201).id();
        Self { app, vessel, haul_out, station }
    }

    /// The body of a survey within the haul-out.
    pub fn survey(&self) -> Value {
        json!({"vessel_id": self.vessel, "haul_out_id": self.haul_out, "surveyed_on": "2026-04-03", "meter_scale": "relative", "coating_failure": false})
    }

    pub fn draft(&self) -> Answer {
        self.app.surveyor().post("/v1/surveys", &self.survey()).expect(201)
    }

    /// A survey signed as clean.
    pub fn signed(&self) -> Answer {
        let mut body = self.survey();
        body["bottom_examined"] = "whole".into();
        body["blistering"] = "none".into();
        let surveyor = self.app.surveyor();
        let draft = surveyor.post("/v1/surveys", &body).expect(201);
        surveyor
            .post_if_match(&format!("/v1/surveys/{}/signature", draft.id()), &draft.etag(), &json!({}))
            .expect(200)
    }

    pub fn reading(&self, survey: &str, sequence: i32, value: f64) -> Value {
        json!({"survey_id": survey, "station_id": self.station, "sequence": sequence, "value": value})
    }

    pub fn finding(&self) -> Value {
        json!({"vessel_id": self.vessel, "kind": "crack", "state": "open", "found_on": "2026-04-03", "zone": "bottom"})
    }

    pub fn coat(&self) -> Value {
        json!({"vessel_id": self.vessel, "role": "barrier", "zone": "bottom", "applied_on": "2026-04-10", "dry_film_um": 120.0, "colour": "grey"})
    }

    pub fn treatment(&self) -> Value {
        json!({"vessel_id": self.vessel, "kind": "curative", "started_on": "2026-04-02", "completed_on": "2026-04-19", "laminate_removed_mm": 1.5})
    }
}

/// What holds for every record of versions: fixed references, stale and missing versions, reasons, withdrawal,
/// the versions kept, and nothing of it for another organisation.
#[track_caller]
pub fn keeps_its_versions(
    scene: &Scene,
    collection: &str,
    body: &Value,
    change: &Value,
    changed_field: &str,
) {
    let lead = scene.app.lead();
    let made = lead.post(collection, body).expect(201);
    let path = format!("{collection}/{}", made.id());
    let first = made.etag();
    lead.send(lead.request("PATCH", &path).json(change)).expect_problem(428, "version_required", "");
    lead.patch(&path, &first, &json!({"vessel_id": made.id(), "correction_reason": "x"})).expect_problem(
        422,
        "invalid",
        "/vessel_id",
    );
    lead.patch(&path, &first, &json!({"no_such": 1})).expect_problem(422, "invalid", "/no_such");
    lead.patch(&path, &first, change).expect_problem(422, "invalid", "/correction_reason");
    let mut reasoned = change.clone();
    reasoned["correction_reason"] = "misread".into();
    let changed = lead.patch(&path, &first, &reasoned).expect(200);
    assert_eq!(changed.json["version"], 2);
    assert_eq!(changed.json[changed_field], change[changed_field]);
    lead.patch(&path, &first, &reasoned).expect_problem(412, "stale", "");

    let versions = lead.get(&format!("{path}/versions")).expect(200);
    let kept = versions.json["items"].as_array().unwrap();
    assert_eq!(kept.len(), 2);
    assert_eq!(kept[0][changed_field], made.json[changed_field], "the old value stays");
    assert!(
        kept.iter().all(|version| version["recorded_by"].is_string() && version["updated_at"].is_string()),
        "{kept:?}"
    );

    let list = format!("{collection}?vessel_id={}", scene.vessel);
    let ids = |path: &str| crate::lists::ids(&lead, path);
    assert!(ids(&list).contains(&made.id()));
    let withdrawn = json!({"withdrawn": true, "correction_reason": "wrong hull"});
    lead.patch(&path, &changed.etag(), &withdrawn).expect(200);
    assert!(!ids(&list).contains(&made.id()));
    assert!(ids(&format!("{list}&withdrawn=true")).contains(&made.id()));

    let stranger = scene.app.stranger();
    stranger.get(&path).expect_problem(404, "not_found", "");
    stranger.get(&format!("{path}/versions")).expect_problem(404, "not_found", "");
    stranger.patch(&path, "\"3\"", &reasoned).expect_problem(404, "not_found", "");
    assert!(crate::lists::ids(&stranger, collection).is_empty());
    stranger.post(collection, body).expect(422);
    scene.app.reader().post(collection, body).expect_problem(403, "forbidden", "");
}

/// A creation sent twice, by key and by the client's own id, makes one record.
#[track_caller]
pub fn is_made_once(scene: &Scene, collection: &str, body: &Value) {
    let lead = scene.app.lead();
    let count = || crate::lists::ids(&lead, collection).len();
    let before = count();
    let first = lead.post_with_key(collection, "k1", body).expect(201);
    let again = lead.post_with_key(collection, "k1", body).expect(201);
    assert_eq!((again.id(), again.etag(), again.json), (first.id(), first.etag(), first.json));
    assert_eq!(count(), before + 1);
    let mut own = body.clone();
    own["id"] = "0190163d-8694-739b-aea5-966c26f8ad91".into();
    lead.post(collection, &own).expect(201);
    lead.post(collection, &own).expect(200);
    assert_eq!(count(), before + 2);
    own["note"] = "another".into();
    lead.post(collection, &own).expect_problem(409, "id_taken", "/id");
}

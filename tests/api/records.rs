//! Findings, coats and treatments: facts that are kept as versions.

use std::thread;

use serde_json::{Value, json};

use crate::forecast_requests::{forget, waiting};
use crate::recording::{Scene, is_made_once, keeps_its_versions};

#[test]
fn findings_keep_their_versions() {
    let scene = Scene::set();
    keeps_its_versions(&scene, "/v1/findings", &scene.finding(), &json!({"largest_mm": 40.0}), "largest_mm");
    is_made_once(&scene, "/v1/findings", &scene.finding());
}

#[test]
fn coats_keep_their_versions() {
    let scene = Scene::set();
    keeps_its_versions(&scene, "/v1/coats", &scene.coat(), &json!({"dry_film_um": 90.0}), "dry_film_um");
    is_made_once(&scene, "/v1/coats", &scene.coat());
}

#[test]
fn treatments_keep_their_versions() {
    let scene = Scene::set();
    keeps_its_versions(
        &scene,
        "/v1/treatments",
        &scene.treatment(),
        &json!({"laminate_removed_mm": 2.5}),
        "laminate_removed_mm",
    );
    is_made_once(&scene, "/v1/treatments", &scene.treatment());
}

/// A field changed in a body that is otherwise good, and the pointer of its refusal.
type Fault = (&'static str, Value, &'static str);

#[test]
fn each_rule_is_refused_at_its_field() {
    let scene = Scene::set();
    let findings: &[Fault] = &[
        ("kind", json!("blister"), "/layer"),
        ("state", json!("repaired"), "/repaired_on"),
        ("repaired_on", json!("2026-04-05"), "/state"),
        ("happened_on", json!("2026-04-04"), "/happened_on"),
        ("follow_up_on", json!("2026-04-01"), "/follow_up_on"),
        ("found_on", json!("2027-01-01"), "/found_on"),
        ("fluid_ph", json!(15.0), "/fluid_ph"),
        ("zone", json!("deck"), "/zone"),
        ("withdrawn", json!(true), "/withdrawn"),
    ];
    let coats: &[Fault] = &[
        ("dry_film_um", json!(0.0), "/dry_film_um"),
        ("dry_film_um", json!(5001.0), "/dry_film_um"),
        ("wear_um_per_month_15c", json!(5.0), "/wear_um_per_month_15c"),
        ("max_days_dry", json!(60), "/max_days_dry"),
        ("removed_on", json!("2026-04-09"), "/removed_on"),
        ("applied_on", json!("2027-01-01"), "/applied_on"),
        ("permeability_kg_m_s", json!(-1.0), "/permeability_kg_m_s"),
        ("role", json!("primer"), "/role"),
        ("correction_reason", json!("x"), "/correction_reason"),
    ];
    let treatments: &[Fault] = &[
        ("completed_on", json!("2026-04-01"), "/completed_on"),
        ("started_on", json!("1890-01-01"), "/started_on"),
        ("kind", json!("preventive"), "/laminate_removed_mm"),
        ("laminate_removed_mm", json!(51.0), "/laminate_removed_mm"),
        ("vessel_id", Value::Null, "/vessel_id"),
    ];
    let lead = scene.app.lead();
    for (collection, body, faults) in [
        ("/v1/findings", scene.finding(), findings),
        ("/v1/coats", scene.coat(), coats),
        ("/v1/treatments", scene.treatment(), treatments),
    ] {
        for (field, value, pointer) in faults {
            let mut wrong = body.clone();
            wrong[*field] = value.clone();
            lead.post(collection, &wrong).expect_problem(422, "invalid", pointer);
        }
        lead.post(collection, &body).expect(201);
    }
}

#[test]
fn every_one_asks_for_a_forecast() {
    let scene = Scene::set();
    let lead = scene.app.lead();
    for (collection, body) in [
        ("/v1/findings", scene.finding()),
        ("/v1/coats", scene.coat()),
        ("/v1/treatments", scene.treatment()),
    ] {
        forget(&scene.app);
        lead.post(collection, &body).expect(201);
        assert_eq!(waiting(&scene.app), [scene.vessel.clone()], "{collection}");
    }
}

#[test]
fn a_finding_moves_on_without_a_reason() {
    let scene = Scene::set();
    let lead = scene.app.lead();
    let made = lead.post("/v1/findings", &scene.finding()).expect(201);
    let path = format!("/v1/findings/{}", made.id());
    let watched = lead
        .patch(&path, &made.etag(), &json!({"state": "watched", "follow_up_on": "2026-10-01"}))
        .expect(200);
    lead.patch(&path, &watched.etag(), &json!({"state": "repaired", "repaired_on": "2026-06-01"}))
        .expect(200);
}

#[test]
fn two_changes_on_one_version_are_one_change_and_one_refusal() {
    let scene = Scene::set();
    let made = scene.app.lead().post("/v1/findings", &scene.finding()).expect(201);
    let path = format!("/v1/findings/{}", made.id());
    let mut statuses: Vec<u16> = thread::scope(|scope| {
        let (scene, path, etag) = (&scene, &path, made.etag());
        let tasks: Vec<_> = [10.0, 20.0]
            .into_iter()
            .map(|largest_mm| {
                let etag = etag.clone();
                scope.spawn(move || {
                    let change = json!({"largest_mm": largest_mm, "correction_reason": "measured again"});
                    scene.app.lead().patch(path, &etag, &change).status
                })
            })
            .collect();
        tasks.into_iter().map(|task| task.join().unwrap()).collect()
    });
    statuses.sort_unstable();
    assert_eq!(statuses, [200, 412]);
}

#[test]
fn two_coats_of_one_day_get_two_places() {
    let scene = Scene::set();
    let mut sequences: Vec<i64> = thread::scope(|scope| {
        let send = || {
            scene.app.crew().post("/v1/coats", &scene.coat()).expect(201).json["sequence"].as_i64().unwrap()
        };
        let tasks = [scope.spawn(send), scope.spawn(send)];
        tasks.map(|task| task.join().unwrap()).to_vec()
    });
    sequences.sort_unstable();
    assert_eq!(sequences, [1, 2]);
}

#[test]
fn a_place_on_a_day_is_one_coats() {
    let scene = Scene::set();
    let crew = scene.app.crew();
    let mut body = scene.coat();
    body["sequence"] = 3.into();
    let third = crew.post("/v1/coats", &body).expect(201);
    let refused = crew.post("/v1/coats", &body).expect_problem(409, "duplicate", "/sequence");
    assert!(refused.text.contains(&third.id()), "it names the coat that is there: {}", refused.text);
    let fourth = crew.post("/v1/coats", &scene.coat()).expect(201);
    assert_eq!(fourth.json["sequence"], 4, "the next after the last");
    let path = format!("/v1/coats/{}", fourth.id());
    let to_third = json!({"sequence": 3, "correction_reason": "miscounted"});
    crew.patch(&path, &fourth.etag(), &to_third).expect_problem(409, "duplicate", "/sequence");
    // Cleared, it is the next after the others: its own place again.
    let same = json!({"sequence": null, "colour": "red", "correction_reason": "colour"});
    let same = crew.patch(&path, &fourth.etag(), &same).expect(200);
    assert_eq!(same.json["sequence"], 4);
    // A withdrawn coat gives its place away, and does not get it back while it is taken.
    let address = format!("/v1/coats/{}", third.id());
    let gone = json!({"withdrawn": true, "correction_reason": "wrong hull"});
    let gone = crew.patch(&address, &third.etag(), &gone).expect(200);
    crew.patch(&path, &same.etag(), &to_third).expect(200);
    let back = json!({"withdrawn": false, "correction_reason": "right hull after all"});
    crew.patch(&address, &gone.etag(), &back).expect_problem(409, "duplicate", "/sequence");
    // Another day, another count.
    body["applied_on"] = "2026-04-11".into();
    crew.post("/v1/coats", &body).expect(201);
}

#[test]
fn two_coats_sent_to_one_place_at_once_are_one() {
    let scene = Scene::set();
    let mut body = scene.coat();
    body["sequence"] = 1.into();
    let mut statuses: Vec<u16> = thread::scope(|scope| {
        let send = || scene.app.crew().post("/v1/coats", &body).status;
        let tasks = [scope.spawn(send), scope.spawn(send)];
        tasks.map(|task| task.join().unwrap()).to_vec()
    });
    statuses.sort_unstable();
    assert_eq!(statuses, [201, 409]);
}

#[test]
fn a_coat_is_taken_off_without_a_reason_once() {
    let scene = Scene::set();
    let crew = scene.app.crew();
    let made = crew.post("/v1/coats", &scene.coat()).expect(201);
    let path = format!("/v1/coats/{}", made.id());
    let off = crew.patch(&path, &made.etag(), &json!({"removed_on": "2026-05-01"})).expect(200);
    crew.patch(&path, &off.etag(), &json!({"removed_on": "2026-05-02"})).expect_problem(
        422,
        "invalid",
        "/correction_reason",
    );
    let unchanged = crew.patch(&path, &off.etag(), &json!({"removed_on": "2026-05-01"})).expect(200);
    assert_eq!(unchanged.json, off.json, "what changes nothing makes no version and needs no reason");
}

#[test]
fn a_reference_is_of_the_same_vessel() {
    let scene = Scene::set();
    let lead = scene.app.lead();
    let vessel = json!({"name": "Other hull", "form": "motor", "length_m": 8.0});
    let other = lead.post("/v1/vessels", &vessel).expect(201).id();
    let survey = scene.draft().id();
    for (collection, body, field, value) in [
        ("/v1/findings", scene.finding(), "survey_id", &survey),
        ("/v1/coats", scene.coat(), "haul_out_id", &scene.haul_out),
        ("/v1/treatments", scene.treatment(), "haul_out_id", &scene.haul_out),
        ("/v1/surveys", scene.survey(), "haul_out_id", &scene.haul_out),
    ] {
        let mut body = body;
        body[field] = value.clone().into();
        lead.post(collection, &body).expect(201);
        body["vessel_id"] = other.clone().into();
        lead.post(collection, &body).expect_problem(422, "invalid", &format!("/{field}"));
    }
}

#[test]
fn a_ref_is_one_records() {
    let scene = Scene::set();
    let lead = scene.app.lead();
    for (collection, mut body) in [
        ("/v1/findings", scene.finding()),
        ("/v1/coats", scene.coat()),
        ("/v1/treatments", scene.treatment()),
        ("/v1/surveys", scene.survey()),
    ] {
        body["ref"] = "R-1".into();
        lead.post(collection, &body).expect(201);
        lead.post(collection, &body).expect_problem(409, "duplicate", "/ref");
    }
    let survey = scene.draft().id();
    let mut reading = scene.reading(&survey, 1, 1.0);
    reading["ref"] = "R-1".into();
    lead.post("/v1/readings", &reading).expect(201);
    reading["sequence"] = 2.into();
    lead.post("/v1/readings", &reading).expect_problem(409, "duplicate", "/ref");
}

#[test]
fn a_repaired_finding_is_reopened_only_with_a_reason() {
    let scene = Scene::set();
    let crew = scene.app.crew();
    let mut body = scene.finding();
    body["state"] = "repaired".into();
    body["repaired_on"] = "2026-05-01".into();
    let made = crew.post("/v1/findings", &body).expect(201);
    let path = format!("/v1/findings/{}", made.id());
    let mut reopen = json!({"state": "open", "repaired_on": null});
    crew.patch(&path, &made.etag(), &reopen).expect_problem(422, "invalid", "/correction_reason");
    reopen["correction_reason"] = "it was the other crack".into();
    let open = crew.patch(&path, &made.etag(), &reopen).expect(200);
    assert_eq!(open.json["state"], "open");
    assert!(open.json["repaired_on"].is_null());
}

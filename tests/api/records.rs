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

//! Surveys: drafts, signatures, corrections.

use diesel::dsl::sql;
use diesel::prelude::*;
use diesel::sql_types::Bool;
use garboard::db::Tx;
use garboard::features::haulouts;
use garboard::features::surveys::api::surveys;
use garboard::ids::{HaulOutId, Id, SurveyId};
use serde_json::json;
use uuid::Uuid;

use crate::forecast_requests::{forget, waiting};
use crate::recording::{Scene, is_made_once};
use crate::support::app::{Answer, TestApp};

#[test]
fn a_draft_bears_on_no_date_a_signature_does() {
    let scene = Scene::set();
    forget(&scene.app);
    let draft = scene.draft();
    assert_eq!(draft.json["state"], "draft");
    assert!(waiting(&scene.app).is_empty(), "a draft asks for no forecast");
    let path = format!("/v1/surveys/{}", draft.id());
    let surveyor = scene.app.surveyor();
    let refused = surveyor.post_if_match(&format!("{path}/signature"), &draft.etag(), &json!({}));
    let refused = refused.expect_problem(422, "invalid", "/bottom_examined");
    assert!(refused.pointers().contains(&"/blistering".to_owned()), "both are named: {}", refused.text);
    let graded = surveyor
        .patch(&path, &draft.etag(), &json!({"bottom_examined": "whole", "blistering": "none"}))
        .expect(200);
    scene.app.crew().post_if_match(&format!("{path}/signature"), &graded.etag(), &json!({})).expect_problem(
        403,
        "forbidden",
        "",
    );
    surveyor
        .post_if_match(&format!("{path}/signature"), &draft.etag(), &json!({}))
        .expect_problem(412, "stale", "");
    let signed = surveyor.post_if_match(&format!("{path}/signature"), &graded.etag(), &json!({})).expect(200);
    assert_eq!(signed.json["state"], "signed");
    assert_eq!(signed.json["signed_by"], json!(scene.app.home.people["surveyor"].0));
    assert_eq!(waiting(&scene.app), [scene.vessel.clone()]);
}

#[test]
fn a_signed_survey_is_corrected_and_stays_evidence_meanwhile() {
    let scene = Scene::set();
    let signed = scene.signed();
    let path = format!("/v1/surveys/{}", signed.id());
    let surveyor = scene.app.surveyor();
    let refused = surveyor
        .patch(&path, &signed.etag(), &json!({"blistering": "gelcoat"}))
        .expect_problem(409, "conflict", "");
    assert!(refused.json["detail"].as_str().unwrap().contains("correction"), "the remedy: {}", refused.text);
    surveyor.post("/v1/readings", &scene.reading(&signed.id(), 1, 12.0)).expect_problem(409, "conflict", "");

    let correct = format!("{path}/correction");
    surveyor.post_if_match(&correct, &signed.etag(), &json!({})).expect_problem(422, "invalid", "/reason");
    let open = surveyor
        .post_if_match(&correct, &signed.etag(), &json!({"reason": "blisters overlooked"}))
        .expect(200);
    assert_eq!(
        (open.json["state"].as_str(), open.json["correction_reason"].as_str()),
        (Some("draft"), Some("blisters overlooked"))
    );
    let changed = surveyor
        .patch(&path, &open.etag(), &json!({"blistering": "gelcoat", "largest_blister_mm": 9.0}))
        .expect(200);

    // Meanwhile the history, which tells signed surveys, still shows the clean one.
    let seen = || scene.app.lead().get(&format!("/v1/vessels/{}/history", scene.vessel)).expect(200).text;
    assert!(seen().contains("blistering: none"), "{}", seen());
    surveyor.post_if_match(&format!("{path}/signature"), &changed.etag(), &json!({})).expect(200);
    assert!(seen().contains("blistering: gelcoat") && !seen().contains("blistering: none"), "{}", seen());

    let versions = surveyor.get(&format!("{path}/versions")).expect(200);
    let blistering: Vec<_> =
        versions.json["items"].as_array().unwrap().iter().map(|v| v["blistering"].clone()).collect();
    assert_eq!(blistering, [json!("none"), json!("none"), json!("none"), json!("gelcoat"), json!("gelcoat")]);
    scene.app.stranger().get(&path).expect_problem(404, "not_found", "");
}

#[test]
fn dates_do_not_contradict() {
    let scene = Scene::set();
    let surveyor = scene.app.surveyor();
    for (field, value, pointer) in [
        ("surveyed_on", json!("2026-04-21"), "/surveyed_on"), // after the relaunch
        ("surveyed_on", json!("2026-03-31"), "/surveyed_on"), // before the lift
        ("surveyed_on", json!("2026-08-01"), "/surveyed_on"), // in the future
        ("surveyed_on", json!("0001-01-01"), "/surveyed_on"),
        ("vessel_id", json!("0190163d-8694-739b-aea5-966c26f8ad91"), "/vessel_id"),
        ("relative_humidity_pct", json!(101.0), "/relative_humidity_pct"),
        ("bottom_examined", json!("mostly"), "/bottom_examined"),
        ("no_such", json!(1), "/no_such"),
    ] {
        let mut body = scene.survey();
        body[field] = value;
        surveyor.post("/v1/surveys", &body).expect_problem(422, "invalid", pointer);
    }
    let mut body = scene.survey();
    body["blistering"] = "none".into();
    body["largest_blister_mm"] = 4.0.into();
    surveyor.post("/v1/surveys", &body).expect_problem(422, "invalid", "/largest_blister_mm");
    let mut body = scene.survey();
    body.as_object_mut().unwrap().remove("haul_out_id");
    body["surveyed_on"] = "2010-04-30".into(); // before the launch
    surveyor.post("/v1/surveys", &body).expect_problem(422, "invalid", "/surveyed_on");

    // Nor may the haul-out leave its survey behind.
    scene.draft();
    let lead = scene.app.lead();
    let path = format!("/v1/haul-outs/{}", scene.haul_out);
    let etag = lead.get(&path).etag();
    lead.patch(&path, &etag, &json!({"lifted_on": "2026-04-10"})).expect_problem(
        409,
        "conflict",
        "/lifted_on",
    );
}

#[test]
fn a_signature_and_a_correction_each_have_their_turn() {
    let scene = Scene::set();
    let surveyor = scene.app.surveyor();
    is_made_once(&scene, "/v1/surveys", &scene.survey());
    let draft = scene.draft();
    let path = format!("/v1/surveys/{}", draft.id());
    let reason = json!({"reason": "misread"});
    surveyor
        .post_if_match(&format!("{path}/correction"), &draft.etag(), &reason)
        .expect_problem(409, "conflict", "");
    assert!(draft.json["signed_version"].is_null());
    for address in [format!("{path}/signature"), format!("{path}/correction")] {
        surveyor.post(&address, &reason).expect_problem(428, "version_required", "");
        scene.app.stranger().post_if_match(&address, "\"1\"", &reason).expect_problem(404, "not_found", "");
    }
    surveyor.send(surveyor.request("PATCH", &path).json(&json!({}))).expect_problem(
        428,
        "version_required",
        "",
    );
    for (field, value) in [("vessel_id", scene.station.clone()), ("ref", "new".to_owned())] {
        let change = json!({field: value});
        surveyor.patch(&path, &draft.etag(), &change).expect_problem(422, "invalid", &format!("/{field}"));
    }

    let signed = scene.signed();
    assert_eq!(signed.json["signed_version"], signed.json["version"]);
    let path = format!("/v1/surveys/{}", signed.id());
    surveyor
        .post_if_match(&format!("{path}/signature"), &signed.etag(), &json!({}))
        .expect_problem(409, "conflict", "");
    forget(&scene.app);
    let open = surveyor.post_if_match(&format!("{path}/correction"), &signed.etag(), &reason).expect(200);
    assert!(waiting(&scene.app).is_empty(), "no date moves");
    assert_eq!(open.json["signed_version"], signed.json["version"], "the signed one stays in force");
    assert!(open.json["signed_at"].is_null() && open.json["signed_by"].is_null());
    let listed = surveyor.get(&format!("/v1/surveys?vessel_id={}", scene.vessel)).expect(200);
    let listed = listed.json["items"].as_array().unwrap().clone();
    let listed = listed.iter().find(|survey| survey["id"] == open.json["id"]).expect("it is in the list");
    assert_eq!(*listed, open.json, "a list shows a survey as it is read");
    forget(&scene.app);
    let changed = surveyor.patch(&path, &open.etag(), &json!({"note": "seen again"})).expect(200);
    assert!(waiting(&scene.app).is_empty(), "a draft asks for no forecast");
    let again = surveyor.post_if_match(&format!("{path}/signature"), &changed.etag(), &json!({})).expect(200);
    assert_eq!(again.json["signed_version"], again.json["version"]);
    assert_eq!(again.json["correction_reason"], "misread");
}

/// The answer to a request that comes while `work` stands uncommitted, and has to wait for it.
fn while_open(
    app: &TestApp,
    work: impl FnOnce(&mut Tx<'_>) -> garboard::error::Result<()>,
    request: impl FnOnce() -> Answer + Send + 'static,
) -> Answer {
    let mut watch = PgConnection::establish(&app.database.superuser_url()).expect("the test's database");
    let waits = "EXISTS (SELECT FROM pg_stat_activity WHERE datname = current_database() AND cardinality(pg_blocking_pids(pid)) > 0)";
    let asked = app.db.write(&app.service(), |tx| {
        work(tx)?;
        let asked = std::thread::spawn(request);
        while !asked.is_finished()
            && !diesel::select(sql::<Bool>(waits))
                .get_result::<bool>(&mut watch)
                .expect("the catalog is readable")
        {
            std::thread::yield_now();
        }
        Ok(asked)
    });
    asked.expect("nothing speaks against it").join().expect("the request is answered")
}

#[test]
fn a_survey_and_its_haul_out_are_not_changed_past_each_other() {
    let scene = Scene::set();
    let lead = scene.app.lead();
    let mut body = scene.survey();
    body["surveyed_on"] = "2026-04-20".into();
    let fields = serde_json::from_value(body.clone()).expect("the fields of a survey");
    let path = format!("/v1/haul-outs/{}", scene.haul_out);
    let id = SurveyId::fresh();
    let client = lead.clone();
    let changed = while_open(
        &scene.app,
        |tx| surveys::create(tx, id, fields).map(drop),
        move || client.patch(&path, "\"1\"", &json!({"relaunched_on": "2026-04-19"})),
    );
    assert_eq!((changed.status, &changed.json["code"]), (409, &json!("conflict")), "{}", changed.text);

    let earlier = json!({"surveyed_on": "2026-04-10"});
    lead.patch(&format!("/v1/surveys/{}", Uuid::from(id)), "\"1\"", &earlier).expect(200);
    let haul_out_id = HaulOutId::from(Uuid::parse_str(&scene.haul_out).expect("a uuid"));
    let posted = while_open(
        &scene.app,
        |tx| {
            let before = haulouts::store::read(tx, haul_out_id)?;
            let mut after = before.fields.clone();
            after.relaunched_on = "2026-04-19".parse().ok();
            haulouts::api::change(tx, &before, after).map(drop)
        },
        move || lead.post("/v1/surveys", &body),
    );
    posted.expect_problem(422, "invalid", "/surveyed_on");
}

#[test]
fn a_year_that_no_database_keeps_is_refused() {
    let scene = Scene::set();
    let lead = scene.app.lead();
    for year in ["-262000", "%2B262000"] {
        lead.get(&format!("/v1/surveys?updated_since={year}-01-01T00:00:00Z")).expect_problem(
            422,
            "invalid",
            "updated_since",
        );
        lead.get(&format!("/v1/due?before={year}-01-01")).expect_problem(422, "invalid", "before");
    }
    let mut reading = scene.reading(&scene.draft().id(), 1, 12.0);
    for taken_at in ["1939-12-31T23:59:59Z", "-262000-01-01T00:00:00Z", "+262000-01-01T00:00:00Z"] {
        reading["taken_at"] = taken_at.into();
        lead.post("/v1/readings", &reading).expect_problem(422, "invalid", "/taken_at");
    }
}

#[test]
fn a_mistyped_name_is_an_unknown_field_in_a_body_of_any_kind() {
    let scene = Scene::set();
    let signed = scene.signed();
    let correction = format!("/v1/surveys/{}/correction", signed.id());
    let mistyped = json!({"reason": "misread", "resaon": "misread"});
    let refused = scene.app.surveyor().post_if_match(&correction, &signed.etag(), &mistyped);
    let refused = refused.expect_problem(422, "invalid", "/resaon");
    assert_eq!(refused.json["errors"][0]["code"], "unknown_field", "{}", refused.text);
}

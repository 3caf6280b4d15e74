//! Grants: a vessel of one organisation, read and recorded on by another, by scope and time. The rules are those of
//! `features::grants`; there is no outside source for them.

use garboard::ids::{Id, SurveyId};
use serde_json::{Value, json};

use crate::support::app::{Answer, Client, TestApp};
use crate::support::hulls::{settle, vessel};

/// Grants the vessel to the other organisation of the tests.
#[track_caller]
fn grant(app: &TestApp, vessel_id: &str, scope: &str) -> Answer {
    let body = json!({"vessel_id": vessel_id, "grantee_org_id": app.away.org_id, "scope": scope});
    app.administrator().post("/v1/grants", &body).expect(201)
}

fn survey_of(vessel_id: &str) -> Value {
    json!({"vessel_id": vessel_id, "surveyed_on": "2026-06-01", "bottom_examined": "whole", "blistering": "none"})
}

fn launched(app: &TestApp, name: &str) -> String {
    vessel(&app.lead(), name, json!({"launched_on": "2010-05-01"})).id()
}

fn due_of(client: &Client, vessel_id: &str) -> Vec<Value> {
    let due = client.get("/v1/due").expect(200);
    let items = due.json["items"].as_array().expect("a list").clone();
    items.into_iter().filter(|row| row["vessel_id"] == vessel_id).collect()
}

#[test]
fn a_guest_reads_records_and_sees_what_is_due_until_the_grant_is_revoked() {
    let app = TestApp::start();
    let guest = app.stranger();
    let id = launched(&app, "Granted");
    let other = launched(&app, "Not granted");
    settle(&app);
    guest.get(&format!("/v1/vessels/{id}")).expect(404);
    assert!(due_of(&guest, &id).is_empty());

    let granted = grant(&app, &id, "record_surveys");
    assert_eq!(granted.json["grantee_name"], "Away");
    assert_eq!(granted.json["state"], "live");
    settle(&app);
    let read = guest.get(&format!("/v1/vessels/{id}")).expect(200);
    assert_eq!(read.json["org_id"], json!(app.home.org_id));
    let held = guest.get("/v1/held-grants").expect(200);
    assert_eq!(held.json["items"][0]["org_name"], "Home");
    assert_eq!(held.json["items"][0]["vessel_name"], "Granted");
    let survey = guest.post("/v1/surveys", &survey_of(&id)).expect(201);
    let signature = format!("/v1/surveys/{}/signature", survey.id());
    guest.post_if_match(&signature, &survey.etag(), &json!({})).expect(200);
    // The vessel's organisation reads what the guest signed, and its dates rest on it.
    app.reader().get(&format!("/v1/surveys/{}", survey.id())).expect(200);
    settle(&app);
    let own = due_of(&app.reader(), &id);
    let theirs = due_of(&guest, &id);
    assert!(!own.is_empty());
    let dates = |rows: &[Value]| -> Vec<(Value, Value)> {
        rows.iter().map(|row| (row["kind"].clone(), row["due_on"].clone())).collect()
    };
    assert_eq!(dates(&own), dates(&theirs));
    assert_eq!(theirs[0]["org_name"], "Home");
    assert!(due_of(&guest, &other).is_empty());

    app.administrator().post(&format!("/v1/grants/{}/revocation", granted.id()), &json!({})).expect(200);
    assert!(due_of(&guest, &id).is_empty(), "gone in the same transaction");
    guest.get(&format!("/v1/vessels/{id}")).expect(404);
    guest.get(&format!("/v1/surveys/{}", survey.id())).expect(200);
    guest.post("/v1/surveys", &survey_of(&id)).expect_problem(422, "invalid", "/vessel_id");
    let correction = format!("/v1/surveys/{}/correction", survey.id());
    guest.post_if_match(&correction, "\"2\"", &json!({"reason": "a slip"})).expect_problem(
        403,
        "forbidden",
        "",
    );
}

#[test]
fn ids_that_are_seen_elsewhere_are_taken() {
    let app = TestApp::start();
    let guest = app.stranger();
    let id = launched(&app, "Granted");
    let own = vessel(&guest, "Own", json!({})).id();
    let survey = app.surveyor().post("/v1/surveys", &survey_of(&id)).expect(201);
    grant(&app, &id, "record_surveys");
    let mut body = survey_of(&own);
    body["id"] = json!(survey.id());
    guest.post("/v1/surveys", &body).expect_problem(409, "id_taken", "/id");
    body["vessel_id"] = json!(id);
    guest.post("/v1/surveys", &body).expect_problem(409, "id_taken", "/id");
    // Sent twice under an id of its own, it stands once, and another body under it is refused.
    body["id"] = json!(SurveyId::fresh());
    let made = guest.post("/v1/surveys", &body).expect(201);
    assert_eq!(guest.post("/v1/surveys", &body).expect(200).id(), made.id());
    body["note"] = json!("another");
    guest.post("/v1/surveys", &body).expect_problem(409, "id_taken", "/id");
}

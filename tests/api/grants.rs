//! Grants: a vessel of one organisation, read and recorded on by another, by scope and time. The rules are those of
//! `features::grants`; there is no outside source for them.

use garboard::cli::audit::verify;
use garboard::clock::Clock;
use garboard::db::paging::PageRequest;
use garboard::db::{Actor, Db, DbOptions};
use garboard::features::due;
use garboard::features::due::model::DueFilter;
use garboard::ids::{Id, RequestId, SurveyId};
use serde_json::{Value, json};

use crate::support::app::{Answer, Client, TestApp, TestOrganisation};
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

#[test]
fn a_grant_is_refused_where_it_cannot_be_one() {
    let app = TestApp::start();
    let id = launched(&app, "A hull");
    let administrator = app.administrator();
    let body = json!({"vessel_id": id, "grantee_org_id": app.away.org_id, "scope": "read"});
    let with = |field: &str, value: Value| {
        let mut body = body.clone();
        body[field] = value;
        administrator.post("/v1/grants", &body)
    };
    with("grantee_org_id", json!(app.home.org_id)).expect_problem(422, "invalid", "/grantee_org_id");
    with("grantee_org_id", json!(SurveyId::fresh())).expect_problem(422, "invalid", "/grantee_org_id");
    with("vessel_id", json!(SurveyId::fresh())).expect_problem(422, "invalid", "/vessel_id");
    with("scope", json!("everything")).expect_problem(422, "invalid", "/scope");
    with("until_at", json!("2026-06-15T10:00:00Z")).expect_problem(422, "invalid", "/until_at");
    with("forever", json!(true)).expect_problem(422, "invalid", "/forever");
    for client in [app.lead(), app.surveyor(), app.crew(), app.reader()] {
        client.post("/v1/grants", &body).expect_problem(403, "forbidden", "");
    }
    let made = administrator.post_with_key("/v1/grants", "a key", &body).expect(201);
    assert_eq!(administrator.post_with_key("/v1/grants", "a key", &body).expect(201).id(), made.id());
    administrator.post("/v1/grants", &body).expect_problem(409, "duplicate", "/grantee_org_id");
    // Another scope is another grant; a guest cannot pass on what it holds.
    with("scope", json!("record_surveys")).expect(201);
    app.stranger().post("/v1/grants", &body).expect_problem(403, "forbidden", "");

    let path = format!("/v1/grants/{}", made.id());
    let change = json!({"scope": "record_surveys"});
    administrator.patch(&path, &made.etag(), &change).expect_problem(422, "invalid", "/scope");
    let note = json!({"note": "for the winter", "until_at": "2026-12-01T00:00:00Z"});
    let changed = administrator.patch(&path, &made.etag(), &note).expect(200);
    assert_eq!(changed.json["until_at"], "2026-12-01T00:00:00Z");
    administrator.patch(&path, &made.etag(), &note).expect_problem(412, "stale", "");
    administrator.send(administrator.request("PATCH", &path).json(&note)).expect(428);
    app.stranger().get(&path).expect(404);
    let held = app.stranger().get("/v1/held-grants").expect(200);
    assert!(!held.text.contains("for the winter"), "the note is the giver's: {}", held.text);

    administrator.post(&format!("{path}/revocation"), &json!({})).expect(200);
    administrator.post(&format!("{path}/revocation"), &json!({})).expect_problem(409, "conflict", "");
    administrator.patch(&path, "\"3\"", &note).expect_problem(409, "conflict", "");
    let live = administrator.get("/v1/grants?live=true").expect(200);
    assert_eq!(live.json["items"].as_array().map(Vec::len), Some(1));
    let first = administrator.get("/v1/grants?limit=1").expect(200);
    let next = format!("/v1/grants?limit=1&cursor={}", first.json["next_cursor"].as_str().unwrap());
    assert_ne!(administrator.get(&next).expect(200).json["items"], first.json["items"]);
    let later = administrator.get("/v1/grants?updated_since=2026-06-16T00:00:00Z").expect(200);
    assert_eq!(later.json["items"], json!([]));
    for (client, by) in [(administrator, json!(null)), (app.stranger(), json!(app.home.org_id))] {
        let audit = client.get(&format!("/v1/audit?entity_id={}", made.id())).expect(200);
        let acts: Vec<(Value, Value)> = audit.json["items"]
            .as_array()
            .into_iter()
            .flatten()
            .map(|row| (row["action"].clone(), row["by_org_id"].clone()))
            .collect();
        let expected: Vec<(Value, Value)> =
            ["create_grant", "change_grant", "revoke_grant"].map(|act| (json!(act), by.clone())).to_vec();
        assert_eq!(acts, expected);
    }
}

/// The vessels on the due list of the other organisation, at an instant.
fn due_at(app: &TestApp, instant: &str) -> Vec<String> {
    let options = DbOptions {
        app_url: app.database.app_url(),
        worker_url: app.database.worker_url(),
        sign_in_url: app.database.sign_in_url(),
        app_connections: 1,
    };
    let db = Db::connect(&options, Clock::Fixed(instant.parse().unwrap())).unwrap();
    let page = || PageRequest { limit: 50, after: None };
    let actor = Actor::service(app.away.org_id, RequestId::fresh());
    let rows = db.read(&actor, |tx| due::store::list(tx, &DueFilter::default(), page())).unwrap();
    rows.items.iter().map(|row| row.vessel.id.to_string()).collect()
}

#[test]
fn a_grant_begins_and_ends_by_time_on_the_due_list_too() {
    let app = TestApp::start();
    let guest = app.stranger();
    let id = launched(&app, "By time");
    let body = json!({"vessel_id": id, "grantee_org_id": app.away.org_id, "scope": "read",
        "from_at": "2026-07-01T00:00:00Z", "until_at": "2026-08-01T00:00:00Z"});
    let made = app.administrator().post("/v1/grants", &body).expect(201);
    assert_eq!(made.json["state"], "upcoming");
    settle(&app);
    guest.get(&format!("/v1/vessels/{id}")).expect(404);
    assert!(due_at(&app, "2026-06-30T23:59:59Z").is_empty());
    assert!(due_at(&app, "2026-07-01T00:00:00Z").contains(&id));
    assert!(due_at(&app, "2026-07-31T23:59:59Z").contains(&id));
    assert!(due_at(&app, "2026-08-01T00:00:00Z").is_empty());
}

#[test]
fn the_due_list_spans_the_fleets_of_several_organisations() {
    let app = TestApp::start();
    let marina = app.stranger();
    let third = TestOrganisation::create(&app.db, "Third");
    let other = app.signed(&third, "administrator");
    let first = launched(&app, "Of home");
    let launch = json!({"launched_on": "2009-05-01"});
    let second = vessel(&other, "Of the third", launch.clone()).id();
    let own = vessel(&marina, "Of the marina", launch).id();
    grant(&app, &first, "read");
    let body = json!({"vessel_id": second, "grantee_org_id": app.away.org_id, "scope": "read"});
    other.post("/v1/grants", &body).expect(201);
    settle(&app);
    for (id, name) in [(&first, "Home"), (&second, "Third"), (&own, "Away")] {
        let rows = due_of(&marina, id);
        assert!(!rows.is_empty() && rows.iter().all(|row| row["org_name"] == name), "{name}: {rows:?}");
    }
    let lifts = marina.get("/v1/due?group_by=lift").expect(200);
    let names: Vec<&Value> =
        lifts.json["items"].as_array().unwrap().iter().map(|lift| &lift["org_name"]).collect();
    assert_eq!(names.len(), 3, "{}", lifts.text);
    // Each of the two sees its own alone.
    assert!(due_of(&other, &first).is_empty() && due_of(&app.reader(), &second).is_empty());
    let granted = marina.get("/v1/vessels?granted=true").expect(200);
    let mut listed: Vec<&str> =
        granted.json["items"].as_array().unwrap().iter().filter_map(|v| v["id"].as_str()).collect();
    listed.sort_unstable();
    let mut expected = [first.as_str(), second.as_str()];
    expected.sort_unstable();
    assert_eq!(listed, expected);
    let one = marina.get("/v1/vessels?granted=true&limit=1").expect(200);
    let cursor = one.json["next_cursor"].as_str().unwrap();
    let two = marina.get(&format!("/v1/vessels?granted=true&limit=1&cursor={cursor}")).expect(200);
    assert_ne!(one.json["items"][0]["id"], two.json["items"][0]["id"]);
    let csv = marina.get("/v1/due?format=csv").expect(200);
    assert!(csv.text.lines().next().unwrap().split(',').any(|name| name == "org_name"), "{}", csv.text);
}

#[test]
fn a_guest_reads_the_same_forecast_as_the_vessels_organisation() {
    let app = TestApp::start();
    let site = json!({"name": "A basin", "time_zone": "Pacific/Auckland", "climate": "warm_sea"});
    let site = app.lead().post("/v1/sites", &site).expect(201).id();
    let fields = json!({"launched_on": "2012-05-01", "site_id": site, "laminate_class": "orthophthalic"});
    let id = vessel(&app.lead(), "Forecast", fields).id();
    app.lead().patch("/v1/policy", "\"0\"", &json!({"inspection_max_months": 7})).expect(200);
    grant(&app, &id, "read");
    settle(&app);
    for query in ["", "?as_of=2024-01-15"] {
        let path = format!("/v1/vessels/{id}/forecast{query}");
        let own = app.reader().get(&path).expect(200);
        let theirs = app.stranger().get(&path).expect(200);
        assert!(own.json["dates"].as_array().is_some_and(|dates| !dates.is_empty()), "{}", own.text);
        assert_eq!(own.json, theirs.json, "{path}");
    }
}

#[test]
fn what_became_of_it_is_told_by_the_vessels_organisation_and_corrections_by_the_author() {
    let app = TestApp::start();
    let guest = app.stranger();
    let id = launched(&app, "Worked on");
    grant(&app, &id, "record_surveys");
    grant(&app, &id, "record_treatments");
    let found = json!({"vessel_id": id, "kind": "crack", "found_on": "2026-06-01", "zone": "bottom"});
    let finding = guest.post("/v1/findings", &found).expect(201);
    let path = format!("/v1/findings/{}", finding.id());
    let lead = app.lead();
    let wrong = json!({"kind": "delamination", "correction_reason": "I think so"});
    lead.patch(&path, &finding.etag(), &wrong).expect_problem(403, "forbidden", "");
    let repaired = json!({"state": "repaired", "repaired_on": "2026-06-10"});
    let advanced = lead.patch(&path, &finding.etag(), &repaired).expect(200);
    guest.patch(&path, &advanced.etag(), &wrong).expect(200);

    // The guest lifted it; the vessel's organisation relaunches it, another guest's haul-out is not the guest's.
    let lifted = json!({"vessel_id": id, "lifted_on": "2026-06-01", "reason": "repair"});
    let haul_out = guest.post("/v1/haul-outs", &lifted).expect(201);
    let path = format!("/v1/haul-outs/{}", haul_out.id());
    let relaunched = json!({"relaunched_on": "2026-06-12"});
    lead.patch(&path, &haul_out.etag(), &relaunched).expect(200);
    let own =
        json!({"vessel_id": id, "lifted_on": "2026-03-01", "relaunched_on": "2026-03-05", "reason": "other"});
    let own = lead.post("/v1/haul-outs", &own).expect(201);
    let path = format!("/v1/haul-outs/{}", own.id());
    guest.patch(&path, &own.etag(), &json!({"note": "not mine"})).expect_problem(403, "forbidden", "");
    // A product of the guest's is none of the vessel's organisation.
    let product = json!({"name": "An invented antifouling", "role": "antifouling"});
    let product = guest.post("/v1/products", &product).expect(201).id();
    let coat = json!({"vessel_id": id, "role": "antifouling", "zone": "bottom", "applied_on": "2026-06-10", "product_id": product});
    guest.post("/v1/coats", &coat).expect_problem(422, "invalid", "/product_id");
}

#[test]
fn retry_keys_are_those_of_the_organisation_that_acts() {
    let app = TestApp::start();
    let id = launched(&app, "Granted");
    grant(&app, &id, "record_surveys");
    let guest = app.stranger();
    let first = app.administrator().post_with_key("/v1/surveys", "same", &survey_of(&id)).expect(201);
    let second = guest.post_with_key("/v1/surveys", "same", &survey_of(&id)).expect(201);
    assert_ne!(first.id(), second.id());
    assert_eq!(guest.post_with_key("/v1/surveys", "same", &survey_of(&id)).expect(201).id(), second.id());
    // Both audits tell of what the guest did, the owner's by whom.
    for (client, by) in [(&guest, json!(null)), (&app.administrator(), json!(app.away.org_id))] {
        let audit = client.get(&format!("/v1/audit?entity_id={}", second.id())).expect(200);
        assert_eq!(audit.json["items"][0]["action"], "create_survey", "{}", audit.text);
        assert_eq!(audit.json["items"][0]["by_org_id"], by);
    }
    let (text, sound) = verify(&app.db, &[]).unwrap();
    assert!(sound, "{text}");
}

//! Each kind of event that work on a hull and the passing of days give rise to, where no other file asks for it.

use chrono::TimeDelta;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{BigInt, Text};
use garboard::jobs::run_until_idle;
use garboard::routes;
use serde_json::{Value, json};

use super::events::{finding, vessel};
use crate::support::app::TestApp;
use crate::support::hulls::settle;

fn told(app: &TestApp, kinds: &str) -> Vec<Value> {
    let page = app.administrator().get(&format!("/v1/events?limit=200&kinds={kinds}")).expect(200).json;
    page["items"].as_array().expect("a list").clone()
}

#[derive(QueryableByName)]
struct Head {
    #[diesel(sql_type = BigInt)]
    sequence: i64,
    #[diesel(sql_type = Text)]
    digest: String,
}

/// As the service does each day, here for two: the schedule is set as the organisation is made or the service starts.
#[test]
fn the_head_of_the_audit_is_told_once_a_day_and_is_the_head() {
    let app = TestApp::start();
    routes::recur(&app.db, app.home.org_id).expect("in reach");
    vessel(&app, "A hull");
    let work = |hours: i64| {
        run_until_idle(&app.later(TimeDelta::hours(hours)), &routes::workers(&app.guards)).expect("in reach")
    };
    // 10:00 UTC: the day turns in 14 hours.
    work(13);
    assert_eq!(told(&app, "audit.head"), Vec::<Value>::new());
    work(14);
    work(15);
    let first = told(&app, "audit.head");
    assert_eq!(first.len(), 1);
    // As the database holds it, read past the service.
    let mut superuser =
        PgConnection::establish(&app.database.superuser_url()).expect("the superuser connects");
    let statement = format!(
        "SELECT sequence, encode(row_sha256, 'hex') AS digest FROM audit_chain WHERE org_id = '{}'
         ORDER BY sequence DESC LIMIT 1",
        app.home.org_id
    );
    let head: Head = sql_query(statement).get_result(&mut superuser).expect("a head");
    assert_eq!(first[0]["content"], json!({"sequence": head.sequence, "row_sha256": head.digest}));
    assert_eq!(first[0]["vessel_id"], Value::Null);
    vessel(&app, "Another");
    work(38);
    let both = told(&app, "audit.head");
    assert_eq!(both.len(), 2);
    assert!(both[1]["content"]["sequence"].as_i64() > both[0]["content"]["sequence"].as_i64(), "{both:?}");
    assert_ne!(both[1]["content"]["row_sha256"], both[0]["content"]["row_sha256"]);
    assert!(
        app.stranger().get("/v1/events").expect(200).json["items"].as_array().expect("a list").is_empty()
    );
}

#[test]
fn a_finding_opened_again_or_withdrawn_is_told_and_one_recorded_as_repaired_is_not() {
    let app = TestApp::start();
    let (surveyor, hull) = (app.surveyor(), vessel(&app, "A hull"));
    let change = |id: &str, etag: &str, fields: Value| {
        surveyor.patch(&format!("/v1/findings/{id}"), etag, &fields).expect(200);
    };
    let kinds = || -> Vec<String> {
        let events = told(&app, "finding.opened,finding.closed");
        events.iter().map(|event| event["kind"].as_str().expect("a kind").to_owned()).collect()
    };
    let id = finding(&app, &hull);
    change(&id, "\"1\"", json!({"state": "watched"}));
    assert_eq!(kinds(), ["finding.opened"], "watched is open still");
    change(&id, "\"2\"", json!({"state": "repaired", "repaired_on": "2026-06-10"}));
    let again = json!({"state": "open", "repaired_on": null, "correction_reason": "it came back"});
    change(&id, "\"3\"", again);
    change(&id, "\"4\"", json!({"withdrawn": true, "correction_reason": "another hull"}));
    let expected = ["finding.opened", "finding.closed", "finding.opened", "finding.closed"];
    assert_eq!(kinds(), expected);
    let last = told(&app, "finding.closed").pop().expect("the withdrawal");
    assert_eq!((&last["content"]["withdrawn"], &last["content"]["finding_id"]), (&json!(true), &json!(id)));
    let done = json!({"vessel_id": hull, "kind": "crack", "found_on": "2026-05-01", "zone": "bottom",
        "state": "repaired", "repaired_on": "2026-05-02"});
    surveyor.post("/v1/findings", &done).expect(201);
    assert_eq!(kinds(), expected);
}

/// Calendar arithmetic: a cored hull is due so many months after its launch, by the policy, and nothing else bears on it.
#[test]
fn a_date_that_moves_is_told_beyond_the_policys_days_and_not_within_them() {
    let app = TestApp::start();
    let lead = app.lead();
    let fields = json!({"name": "Cored", "form": "fin_keel", "length_m": 10.0, "launched_on": "2026-01-15",
        "zones": [{"zone": "bottom", "cored": true}]});
    let made = lead.post("/v1/vessels", &fields).expect(201);
    lead.patch("/v1/policy", "\"0\"", &json!({"date_moved_days": 20})).expect(200);
    settle(&app);
    let moved = || -> Vec<(Value, Value)> {
        let events = told(&app, "vessel.date_moved");
        let of_inspection = events.iter().filter(|event| event["content"]["due_kind"] == "inspection");
        let days =
            |event: &Value| (event["content"]["told_due_on"].clone(), event["content"]["due_on"].clone());
        of_inspection.map(days).collect()
    };
    let mut etag = made.etag();
    let mut launch = |on: &str| {
        let path = format!("/v1/vessels/{}", made.id());
        etag = lead.patch(&path, &etag, &json!({ "launched_on": on })).expect(200).etag();
        settle(&app);
    };
    launch("2026-02-04");
    assert_eq!(moved(), [], "20 days");
    launch("2026-02-05");
    let expected = (json!("2028-01-15"), json!("2028-02-05"));
    assert_eq!(moved(), [expected.clone()], "21 days from the date that was told");
    launch("2026-02-06");
    assert_eq!(moved(), [expected], "one from the date told then");
}

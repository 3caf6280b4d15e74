//! Events: their order, and the list for programs that pull.

use std::sync::mpsc;
use std::time::Duration;

use chrono::TimeDelta;
use garboard::features::forecasts;
use garboard::ids::VesselId;
use garboard::jobs::outbox::{EventKind, NewEvent, append};
use garboard::jobs::run_until_idle;
use serde_json::{Value, json};

use crate::support::app::{Client, TestApp};
use crate::support::hulls::settle;

const PATIENCE: Duration = Duration::from_mins(1);

pub fn vessel(app: &TestApp, name: &str) -> String {
    let fields = json!({"name": name, "form": "fin_keel", "length_m": 10.0, "launched_on": "2010-05-01"});
    app.lead().post("/v1/vessels", &fields).expect(201).id()
}

pub fn finding(app: &TestApp, vessel_id: &str) -> String {
    let fields =
        json!({"vessel_id": vessel_id, "kind": "impact_damage", "found_on": "2026-06-01", "zone": "bottom"});
    app.surveyor().post("/v1/findings", &fields).expect(201).id()
}

fn listed(client: &Client, query: &str) -> Value {
    client.get(&format!("/v1/events{query}")).expect(200).json
}

fn kinds(page: &Value) -> Vec<String> {
    let items = page["items"].as_array().expect("a list");
    items.iter().map(|event| event["kind"].as_str().expect("a kind").to_owned()).collect()
}

#[test]
fn a_finding_opens_and_closes_and_a_cursor_goes_on_where_it_was() {
    let app = TestApp::start();
    let reader = app.reader();
    let nothing = listed(&reader, "");
    assert_eq!((kinds(&nothing), nothing["more"].as_bool()), (Vec::new(), Some(false)));
    let start = nothing["next_cursor"].as_str().expect("there always is one");
    let hull = vessel(&app, "A hull");
    let id = finding(&app, &hull);
    let repaired = json!({"state": "repaired", "repaired_on": "2026-06-10"});
    app.surveyor().patch(&format!("/v1/findings/{id}"), "\"1\"", &repaired).expect(200);
    let note = json!({"note": "a note", "correction_reason": "a test"});
    app.surveyor().patch(&format!("/v1/findings/{id}"), "\"2\"", &note).expect(200);
    let page = listed(&reader, &format!("?cursor={start}"));
    assert_eq!(kinds(&page), ["finding.opened", "finding.closed"], "a note is no event");
    assert_eq!(page["items"][0]["sequence"], 1);
    assert_eq!(page["items"][1]["sequence"], 2);
    assert_eq!(page["items"][1]["content"]["finding_id"], id);
    assert_eq!(page["items"][1]["vessel_id"], hull);
    let one = listed(&reader, "?limit=1");
    assert_eq!((kinds(&one).len(), one["more"].as_bool()), (1, Some(true)));
    let rest =
        listed(&reader, &format!("?limit=1&cursor={}", one["next_cursor"].as_str().expect("a cursor")));
    assert_eq!((kinds(&rest), rest["more"].as_bool()), (vec!["finding.closed".to_owned()], Some(false)));
    assert_eq!(kinds(&listed(&reader, "?kinds=finding.closed,vessel.due")), ["finding.closed"]);
    assert_eq!(
        kinds(&listed(&reader, &format!("?vessel_id={}", vessel(&app, "Another")))),
        Vec::<String>::new()
    );
    reader.get("/v1/events?kinds=finding.lost").expect_problem(422, "invalid", "kinds");
    // A cursor belongs to its filters.
    reader.get(&format!("/v1/events?kinds=vessel.due&cursor={start}")).expect_problem(400, "malformed", "");
    assert_eq!(kinds(&listed(&app.stranger(), "")), Vec::<String>::new());
}

#[test]
fn who_has_read_up_to_a_number_has_missed_nothing_before_it() {
    let app = TestApp::start();
    let hull: VesselId = vessel(&app, "A hull").parse::<uuid::Uuid>().expect("an id").into();
    let event = |what: &str| NewEvent::of_vessel(EventKind::FindingOpened, hull, json!({ "what": what }));
    let (written, is_written) = mpsc::channel();
    let (go_on, may_go_on) = mpsc::channel::<()>();
    let (db, actor, slow) = (app.db.clone(), app.service(), event("slow"));
    let thread = std::thread::spawn(move || {
        db.write(&actor, |tx| {
            append(tx, &[slow])?;
            written.send(()).expect("the test waits");
            may_go_on.recv_timeout(PATIENCE).expect("the test lets it go on");
            Ok(())
        })
        .expect("written");
    });
    is_written.recv_timeout(PATIENCE).expect("the slow one has written");
    app.db.write(&app.service(), |tx| append(tx, &[event("quick")])).expect("nobody waits for the slow one");
    let first = listed(&app.reader(), "");
    assert_eq!(first["items"][0]["content"]["what"], "quick");
    go_on.send(()).expect("it waits");
    thread.join().expect("it ends well");
    let cursor = first["next_cursor"].as_str().expect("a cursor");
    let then = listed(&app.reader(), &format!("?cursor={cursor}"));
    assert_eq!(then["items"][0]["content"]["what"], "slow", "written earlier, seen later, not missed");
    assert_eq!(
        (first["items"][0]["sequence"].as_i64(), then["items"][0]["sequence"].as_i64()),
        (Some(1), Some(2))
    );
}

#[test]
fn an_event_of_a_transaction_that_fails_never_was() {
    let app = TestApp::start();
    let hull: VesselId = vessel(&app, "A hull").parse::<uuid::Uuid>().expect("an id").into();
    let failed = app.db.write(&app.service(), |tx| {
        append(tx, &[NewEvent::of_vessel(EventKind::FindingOpened, hull, json!({}))])?;
        Err::<(), _>(garboard::error::Error::new(garboard::error::Code::Conflict, "No."))
    });
    failed.expect_err("it failed");
    assert_eq!(kinds(&listed(&app.reader(), "")), Vec::<String>::new());
    finding(&app, &hull.to_string());
    assert_eq!(listed(&app.reader(), "")["items"][0]["sequence"], 1, "no gap");
}

#[test]
fn a_hull_becomes_due_and_overdue_as_the_days_pass_each_told_once() {
    let app = TestApp::start();
    let hull = vessel(&app, "A hull");
    settle(&app);
    let inspection = |app: &TestApp| -> Value {
        let rows = app.reader().get(&format!("/v1/due?vessel_id={hull}&kind=inspection")).expect(200).json;
        rows["items"][0]["due_on"].clone()
    };
    // A hull never looked at is overdue or due at once: told so at the first forecast.
    let first = listed(&app.reader(), "");
    let of_inspection = |page: &Value| -> Vec<String> {
        let items = page["items"].as_array().expect("a list");
        items
            .iter()
            .filter(|event| event["content"]["due_kind"] == "inspection")
            .map(|event| event["kind"].as_str().expect("a kind").to_owned())
            .collect()
    };
    let due_on = inspection(&app);
    assert!(due_on.is_string(), "{due_on}");
    let before = of_inspection(&first).len();
    // Signed and clean: the date moves away, and that is told.
    let survey = json!({"vessel_id": hull, "surveyed_on": "2026-06-10", "bottom_examined": "whole", "blistering": "none"});
    let draft = app.surveyor().post("/v1/surveys", &survey).expect(201);
    let path = format!("/v1/surveys/{}/signature", draft.id());
    app.surveyor().send(app.surveyor().request("POST", &path).header("If-Match", draft.etag())).expect(200);
    settle(&app);
    let moved = of_inspection(&listed(&app.reader(), ""));
    assert_eq!(moved[before..], ["vessel.date_moved"]);
    let due_on: chrono::NaiveDate = inspection(&app).as_str().expect("a date").parse().expect("a date");
    let today = app.db.clock().now().date_naive();
    let days = (due_on - today).num_days();
    assert!(days > 40, "{due_on}");
    // Day by day around the thresholds; nothing but the clock changes.
    let at = |day: i64| {
        let db = app.later(TimeDelta::days(day));
        run_until_idle(&db, &forecasts::job::workers()).expect("the queue is in reach");
        of_inspection(&listed(&app.reader(), ""))[before + 1..].to_vec()
    };
    // The monthly renewals on the way may shift the date by days at most: look well before and after.
    assert_eq!(at(days - 45), Vec::<String>::new());
    assert_eq!(at(days - 15), ["vessel.due"]);
    assert_eq!(at(days - 14), ["vessel.due"], "once");
    let passed = at(days + 15);
    assert_eq!(passed, ["vessel.due", "vessel.overdue"]);
    assert_eq!(at(days + 50), passed, "once");
}

//! The queue as a whole: several services on one database, what recurs, what is dead, and what is counted.

use std::collections::BTreeSet;

use chrono::{DateTime, NaiveTime, TimeDelta, Utc, Weekday};
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Text, Timestamptz};
use garboard::db::{Actor, Db};
use garboard::error::{Code, Error};
use garboard::http::guards::Bounds;
use garboard::ids::{Id, OrgId, RequestId, VesselId};
use garboard::jobs::queue::{DIGEST, FORECAST, LEARNING, request, request_forecast};
use garboard::jobs::schedule::{self, Recurrence};
use garboard::jobs::{Job, Runner, Workers, run_until_idle};
use garboard::routes;
use serde_json::{Value, json};
use uuid::Uuid;

use super::events::vessel;
use crate::support::app::{TODAY, TestApp};

#[derive(Debug, PartialEq, QueryableByName)]
struct Waiting {
    #[diesel(sql_type = Text)]
    kind: String,
    #[diesel(sql_type = Timestamptz)]
    run_after: DateTime<Utc>,
}

fn waiting(app: &TestApp) -> Vec<Waiting> {
    let mut superuser =
        PgConnection::establish(&app.database.superuser_url()).expect("the superuser connects");
    sql_query("SELECT kind, run_after FROM jobs ORDER BY kind, run_after")
        .load(&mut superuser)
        .expect("readable")
}

fn at(text: &str) -> DateTime<Utc> {
    text.parse().expect("an instant")
}

#[test]
fn two_services_compute_each_vessel_and_tell_of_it_once() {
    let app = TestApp::start();
    let vessels: BTreeSet<String> = (0..24).map(|n| vessel(&app, &format!("Hull {n}"))).collect();
    let runners = [
        Runner::start(&app.db, &routes::workers(&app.guards), 2).expect("threads"),
        Runner::start(&app.later(TimeDelta::zero()), &routes::workers(&app.guards), 2).expect("threads"),
    ];
    for id in &vessels {
        // Facts change while the runners are at it.
        let body = json!({"bilge": "wet"});
        app.lead().patch(&format!("/v1/vessels/{id}"), "\"1\"", &body).expect(200);
    }
    runners.into_iter().for_each(Runner::stop);
    run_until_idle(&app.db, &routes::workers(&app.guards)).expect("the queue is in reach");
    let mut told = BTreeSet::new();
    let mut cursor = String::new();
    loop {
        let page = app.reader().get(&format!("/v1/events?limit=200{cursor}")).expect(200).json;
        for event in page["items"].as_array().expect("a list") {
            let due_kind = event["content"]["due_kind"].as_str().map(str::to_owned);
            let key = (event["vessel_id"].to_string(), event["kind"].to_string(), due_kind);
            assert!(told.insert(key), "told twice: {event}");
        }
        if page["more"] == false {
            break;
        }
        cursor = format!("&cursor={}", page["next_cursor"].as_str().expect("a cursor"));
    }
    for id in &vessels {
        let forecast = app.reader().get(&format!("/v1/vessels/{id}/forecast")).expect(200);
        assert_eq!(forecast.json["stale"], false, "{}", forecast.text);
    }
    let left = waiting(&app);
    assert_eq!(left.len(), 24, "each waits for its next day, none twice: {left:?}");
    assert!(left.iter().all(|job| job.kind == FORECAST && job.run_after > app.db.clock().now()));
}

// 2026-03-29 begins at 01:00 in Beirut, at 2026-03-28T22:00Z (IANA time zone database): there is no midnight.
#[test]
fn the_day_turns_in_the_sites_time_zone_also_where_it_has_no_midnight() {
    let app = TestApp::start_at("2026-03-28T12:00:00Z");
    let site = json!({"name": "A basin", "time_zone": "Asia/Beirut", "climate": "temperate_sea"});
    let site = app.lead().post("/v1/sites", &site).expect(201).id();
    let hull = json!({"name": "A hull", "form": "fin_keel", "length_m": 10.0, "site_id": site, "retired_on": "2026-03-29"});
    app.lead().post("/v1/vessels", &hull).expect(201);
    run_until_idle(&app.db, &routes::workers(&app.guards)).expect("the queue is in reach");
    let expected = Waiting { kind: FORECAST.to_owned(), run_after: at("2026-03-28T22:00:00Z") };
    assert_eq!(waiting(&app), [expected]);
}

#[test]
fn what_recurs_is_asked_for_once_by_several_services_and_once_for_all_that_was_missed() {
    let app = TestApp::start();
    let subject = Uuid::from(VesselId::fresh());
    let weekly = Recurrence {
        weekday: Some(Weekday::Mon),
        local_time: NaiveTime::from_hms_opt(7, 0, 0).expect("a time"),
        zone: Tz::Europe__Berlin,
    };
    app.db.write(&app.service(), |tx| schedule::set(tx, DIGEST, subject, &weekly)).expect("set");
    let look = |by: TimeDelta| {
        // Two services look at the same moment.
        let services = [app.later(by), app.later(by)];
        std::thread::scope(|scope| {
            for db in &services {
                scope.spawn(move || schedule::request_due(db, &[DIGEST]).expect("in reach"));
            }
        });
        waiting(&app)
    };
    // TODAY is a Monday, 12:00 in Berlin: the next is a week later at 07:00, 05:00 UTC.
    assert_eq!(look(TimeDelta::days(6)), []);
    let due = look(TimeDelta::days(7));
    assert_eq!(due.len(), 1, "{due:?}");
    assert_eq!(look(TimeDelta::days(7)), due, "once");
    let done = Workers::of(DIGEST, |_: &Db, _: OrgId, _: &[Job]| Ok(()));
    let tally = run_until_idle(&app.later(TimeDelta::days(60)), &done).expect("in reach");
    assert_eq!(tally.done, 1, "the one that waited, and the weeks missed in one");
    assert_eq!(waiting(&app), []);
    app.db.write(&app.service(), |tx| schedule::remove(tx, DIGEST, subject)).expect("removed");
    assert_eq!(look(TimeDelta::days(100)), []);
}

#[test]
fn another_time_zone_of_the_organisation_keeps_the_local_time() {
    let app = TestApp::start();
    let subject = Uuid::from(VesselId::fresh());
    let daily = Recurrence {
        weekday: None,
        local_time: NaiveTime::from_hms_opt(7, 0, 0).expect("a time"),
        zone: Tz::UTC,
    };
    app.db.write(&app.service(), |tx| schedule::set(tx, LEARNING, subject, &daily)).expect("set");
    let zone = json!({"time_zone": "Pacific/Auckland"});
    app.administrator().patch("/v1/organisation", "\"1\"", &zone).expect(200);
    // 07:00 in Auckland is 19:00 UTC the day before, in June (UTC+12).
    schedule::request_due(&app.later(TimeDelta::hours(8)), &[LEARNING]).expect("in reach");
    assert_eq!(waiting(&app), [], "18:00 UTC");
    schedule::request_due(&app.later(TimeDelta::hours(9)), &[LEARNING]).expect("in reach");
    assert_eq!(waiting(&app).len(), 1, "19:00 UTC");
}

#[test]
fn a_process_leaves_alone_what_it_does_not_know() {
    let app = TestApp::start();
    app.db.write(&app.service(), |tx| request(tx, LEARNING, Uuid::from(app.home.org_id))).expect("asked");
    let forecasts = Workers::of(FORECAST, |_: &Db, _: OrgId, _: &[Job]| Ok(()));
    assert_eq!(run_until_idle(&app.db, &forecasts).expect("in reach").done, 0);
    let both = forecasts.and(LEARNING, |_: &Db, _: OrgId, _: &[Job]| Ok(()));
    assert_eq!(run_until_idle(&app.db, &both).expect("in reach").done, 1);
}

#[test]
fn a_dead_job_is_seen_by_who_administers_and_tried_again() {
    let app = TestApp::start();
    let hull = VesselId::fresh();
    let actor = Actor::service(app.home.org_id, RequestId::fresh());
    app.db.write(&actor, |tx| request_forecast(tx, hull)).expect("asked");
    let fails = Workers::of(FORECAST, |_: &Db, _: OrgId, _: &[Job]| {
        Err(Error::new(Code::Conflict, "It cannot be done."))
    });
    for minutes in [0, 1, 2, 3, 5] {
        run_until_idle(&app.later(TimeDelta::minutes(minutes)), &fails).expect("in reach");
    }
    let dead = app.administrator().get("/v1/jobs?state=dead").expect(200).json;
    assert_eq!(dead["items"].as_array().map(Vec::len), Some(1), "{dead}");
    let job = &dead["items"][0];
    assert_eq!((job["attempts"].as_i64(), job["last_error"].as_str()), (Some(5), Some("It cannot be done.")));
    assert_eq!(job["subject_id"], json!(hull));
    let path = format!("/v1/jobs/{}/retry", job["id"].as_str().expect("an id"));
    app.lead().get("/v1/jobs").expect(403);
    app.stranger().post(&path, &Value::Null).expect(404);
    app.administrator().post(&path, &Value::Null).expect(200);
    let queued = app.administrator().get("/v1/jobs?state=queued").expect(200).json;
    let again = queued["items"][0]["id"].as_str().expect("it waits again").to_owned();
    app.administrator().post(&format!("/v1/jobs/{again}/retry"), &Value::Null).expect(409);
    let works = Workers::of(FORECAST, |_: &Db, _: OrgId, _: &[Job]| Ok(()));
    assert_eq!(run_until_idle(&app.later(TimeDelta::minutes(6)), &works).expect("in reach").done, 1);
    assert_eq!(
        app.administrator().get("/v1/jobs").expect(200).json["items"],
        json!([]),
        "the dead one went with it"
    );
}

fn bounds() -> Bounds {
    Bounds { requests_per_second: 0, ..Bounds::default() }
}

#[test]
fn counts_are_for_this_machine_or_for_the_token() {
    let open = TestApp::start();
    open.reader().get("/v1/vessels").expect(200);
    run_until_idle(&open.db, &routes::workers(&open.guards)).expect("in reach");
    let told = open.anonymous().get("/metrics").expect(200);
    assert_eq!(told.header("content-type").as_deref(), Some("text/plain; version=0.0.4; charset=utf-8"));
    for name in [
        "garboard_requests_total{",
        "path=\"/v1/vessels\"",
        "garboard_request_seconds_bucket{",
        "garboard_pool_wait_seconds_count",
    ] {
        assert!(told.text.contains(name), "{name} in {}", told.text);
    }
    assert!(!told.text.contains(&open.home.org_id.to_string()));
    // A proxy in front makes everybody look like this machine.
    let behind = TestApp::start_with(TODAY, Bounds { behind_proxy: true, ..bounds() });
    behind.anonymous().get("/metrics").expect(404);
    let guarded = TestApp::start_with(
        TODAY,
        Bounds { metrics_token: Some("a token of the tests".to_owned()), ..bounds() },
    );
    guarded.anonymous().get("/metrics").expect(404);
    guarded.bearing("another token").get("/metrics").expect(404);
    guarded.administrator().get("/metrics").expect(404);
    guarded.bearing("a token of the tests").get("/metrics").expect(200);
}

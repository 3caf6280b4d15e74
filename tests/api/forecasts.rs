//! `/v1/vessels/{id}/forecast` and `/history`.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use diesel::connection::InstrumentationEvent;
use diesel::prelude::*;
use garboard::features::calibrations::model::ensemble;
use garboard::features::forecasts;
use garboard::features::forecasts::model::compute;
use garboard::features::forecasts::model::told::{Phase, Told};
use garboard::features::forecasts::store::{keep_told, save, subjects};
use garboard::ids::VesselId;
use garboard::jobs::Runner;
use serde_json::{Value, json};

use crate::support::app::{Answer, Client, TestApp};
use crate::support::hulls::{settle, vessel};

fn forecast(client: &Client, id: &str, query: &str) -> Value {
    client.get(&format!("/v1/vessels/{id}/forecast{query}")).expect(200).json
}

fn date<'a>(forecast: &'a Value, kind: &str) -> &'a Value {
    let dates = forecast["dates"].as_array().expect("dates");
    dates.iter().find(|date| date["kind"] == kind).expect("the kind is due")
}

#[test]
fn a_forecast_waits_for_its_job_and_then_tells_dates_onset_and_defaults() {
    let app = TestApp::start();
    let lead = app.lead();
    let id = vessel(&lead, "Plain", json!({"launched_on": "2015-05-01"})).id();
    let waiting = forecast(&lead, &id, "");
    assert_eq!((&waiting["stale"], &waiting["dates"]), (&json!(true), &json!([])));
    assert!(waiting["as_of"].is_null());
    settle(&app);
    let made = forecast(&lead, &id, "");
    assert_eq!((&made["stale"], &made["as_of"]), (&json!(false), &json!("2026-06-15")));
    assert_eq!(date(&made, "inspection")["basis"], "prior");
    assert!(made["onset"]["beyond_horizon_probability"].is_number());
    assert!(made["exposure_years_now"]["p50"].as_f64().is_some_and(|years| years > 0.0));
    let risks: Vec<f64> =
        made["risk_curve"].as_array().expect("a curve").iter().filter_map(|p| p["risk"].as_f64()).collect();
    assert!(risks.len() > 10 && risks.is_sorted(), "a chance that only grows: {risks:?}");
    assert!(made["cautions"].as_array().is_some_and(|cautions| cautions.len() > 1));
    let defaults: Vec<&str> =
        made["defaults"].as_array().expect("a list").iter().filter_map(|d| d["code"].as_str()).collect();
    assert!(
        defaults.contains(&"default_site") && defaults.contains(&"default_laminate_class"),
        "{defaults:?}"
    );
    assert_eq!(
        forecast(&lead, &id, "?as_of=2026-06-15")["dates"],
        made["dates"],
        "today's hindcast is the forecast"
    );
    app.stranger().get(&format!("/v1/vessels/{id}/forecast")).expect_problem(404, "not_found", "");
    app.stranger().get(&format!("/v1/vessels/{id}/forecast?as_of=2020-01-01")).expect_problem(
        404,
        "not_found",
        "",
    );
    app.stranger().get(&format!("/v1/vessels/{id}/history")).expect_problem(404, "not_found", "");
}

#[test]
fn a_hindcast_knows_nothing_of_what_came_after() {
    let app = TestApp::start();
    let lead = app.lead();
    let id = vessel(&lead, "Then", json!({"launched_on": "2015-05-01"})).id();
    let haul_out = |lifted: &str, relaunched: &str| {
        let body = json!({"vessel_id": id, "lifted_on": lifted, "relaunched_on": relaunched, "reason": "inspection"});
        lead.post("/v1/haul-outs", &body).expect(201);
    };
    haul_out("2018-03-01", "2018-03-20");
    let then = forecast(&lead, &id, "?as_of=2020-06-01");
    haul_out("2021-01-10", "2021-05-10");
    signed_survey(&app, &id, "2022-04-02");
    assert_eq!(forecast(&lead, &id, "?as_of=2020-06-01"), then, "later facts change nothing");
    let earlier = forecast(&lead, &id, "?as_of=2017-06-01");
    assert_ne!(earlier["inputs_hash"], then["inputs_hash"]);
    settle(&app);
    let now = forecast(&lead, &id, "");
    // 24 months after the whole bottom was seen, at the latest.
    assert!(date(&now, "inspection")["due_on"].as_str().is_some_and(|day| day <= "2024-04-02"));
    assert!(date(&now, "inspection")["due_on"].as_str() > date(&then, "inspection")["due_on"].as_str());
    let path = format!("/v1/vessels/{id}/forecast");
    lead.get(&format!("{path}?as_of=2026-06-16")).expect_problem(422, "invalid", "as_of");
    lead.get(&format!("{path}?as_of=yesterday")).expect_problem(422, "invalid", "as_of");
    lead.get(&format!("{path}?asof=2020-01-01")).expect_problem(422, "invalid", "");
    assert_eq!(forecast(&lead, &id, ""), now, "a hindcast is not kept");
}

fn signed_survey(app: &TestApp, vessel_id: &str, on: &str) -> String {
    let surveyor = app.surveyor();
    let body =
        json!({"vessel_id": vessel_id, "surveyed_on": on, "bottom_examined": "whole", "blistering": "none"});
    let draft = surveyor.post("/v1/surveys", &body).expect(201);
    surveyor
        .post_if_match(&format!("/v1/surveys/{}/signature", draft.id()), &draft.etag(), &json!({}))
        .expect(200);
    draft.id()
}

#[test]
fn facts_no_forecast_can_be_made_from_give_a_row_that_says_so() {
    let app = TestApp::start();
    let lead = app.lead();
    let id = vessel(&lead, "Thin", json!({"launched_on": "2015-05-01"})).id();
    // Each is possible by itself; together they leave no laminate to forecast.
    let treatment = json!({"vessel_id": id, "kind": "curative", "started_on": "2020-01-10", "completed_on": "2020-03-20", "laminate_removed_mm": 50.0});
    let treatment = lead.post("/v1/treatments", &treatment).expect(201);
    settle(&app);
    let made = forecast(&lead, &id, "");
    let inspection = date(&made, "inspection");
    assert_eq!((&inspection["status"], &inspection["due_on"]), (&json!("not_enough_data"), &Value::Null));
    assert_eq!(inspection["driver"], "missing_facts");
    assert!(
        inspection["reason"]
            .as_str()
            .is_some_and(|reason| reason.contains("/treatments/0/laminate_removed_mm"))
    );
    let listed = lead.get(&format!("/v1/due?vessel_id={id}&status=not_enough_data")).expect(200);
    assert_eq!(
        listed.json["items"].as_array().map(Vec::len),
        Some(1),
        "it is in the list, not missing from it"
    );
    let mended = json!({"laminate_removed_mm": 0.5, "correction_reason": "a slip of the point"});
    lead.patch(&format!("/v1/treatments/{}", treatment.id()), &treatment.etag(), &mended).expect(200);
    settle(&app);
    assert_eq!(date(&forecast(&lead, &id, ""), "inspection")["status"], "due");
}

#[track_caller]
fn coat(client: &Client, vessel_id: &str, fields: Value) -> Answer {
    let mut body = json!({"vessel_id": vessel_id, "zone": "bottom"});
    if let (Value::Object(body), Value::Object(fields)) = (&mut body, fields) {
        body.extend(fields);
    }
    client.post("/v1/coats", &body).expect(201)
}

#[test]
fn coats_of_the_bottom_bear_on_dates_until_withdrawn_and_those_of_the_keel_do_not() {
    let app = TestApp::start();
    let lead = app.lead();
    // Cored, so that its dates are plain calendar arithmetic, and afloat all year.
    let id = vessel(
        &lead,
        "Painted",
        json!({"launched_on": "2025-01-15", "zones": [{"zone": "bottom", "cored": true}]}),
    )
    .id();
    settle(&app);
    let antifouling = || date(&forecast(&lead, &id, ""), "antifouling").clone();
    assert_eq!(antifouling()["status"], "not_enough_data");
    let fields = |zone: &str| json!({"role": "antifouling", "zone": zone, "applied_on": "2026-03-10", "season_limit_months": 12});
    coat(&lead, &id, fields("keel"));
    settle(&app);
    assert_eq!(antifouling()["status"], "not_enough_data");
    let bottom = coat(&lead, &id, fields("bottom"));
    settle(&app);
    // Twelve months afloat after it was put on, give or take the days of a mean month.
    assert_eq!(antifouling()["driver"], "season_limit");
    let due_on = antifouling()["due_on"].as_str().and_then(|day| day.parse::<chrono::NaiveDate>().ok());
    let expected: chrono::NaiveDate = "2027-03-10".parse().expect("a day");
    assert!(due_on.is_some_and(|day| (day - expected).num_days().abs() <= 1), "{due_on:?}");
    let withdrawn = json!({"withdrawn": true, "correction_reason": "it was the neighbour's"});
    lead.patch(&format!("/v1/coats/{}", bottom.id()), &bottom.etag(), &withdrawn).expect(200);
    settle(&app);
    assert_eq!(antifouling()["status"], "not_enough_data");
}

#[test]
fn a_batch_of_forecasts_takes_the_same_few_statements_as_one() {
    let app = TestApp::start();
    let lead = app.lead();
    let site = json!({"name": "North basin", "time_zone": "UTC", "climate": "cool_sea"});
    let site = lead.post("/v1/sites", &site).expect(201).id();
    let ids: Vec<VesselId> = (0..20)
        .map(|n| vessel(&lead, &format!("Hull {n}"), json!({"site_id": site})).id().parse::<uuid::Uuid>())
        .map(|id| id.expect("an id").into())
        .collect();
    let statements = |ids: &[VesselId]| {
        let count = Arc::new(AtomicUsize::new(0));
        let counted = count.clone();
        let found = app.db.read(&app.service(), |tx| {
            tx.conn().set_instrumentation(move |event: InstrumentationEvent<'_>| {
                if matches!(event, InstrumentationEvent::StartQuery { .. }) {
                    counted.fetch_add(1, Ordering::SeqCst);
                }
            });
            let found = subjects(tx, ids, None);
            tx.conn().set_instrumentation(|_: InstrumentationEvent<'_>| {});
            found
        });
        (found.expect("readable").len(), count.load(Ordering::SeqCst))
    };
    let (one, of_one) = statements(&ids[..1]);
    let (all, of_all) = statements(&ids);
    assert_eq!((one, all), (1, 20));
    assert_eq!(of_one, of_all);
    assert!(of_one <= 13, "{of_one} statements");
    // Kept in a few statements, too, the same for one vessel and for twenty.
    let saved = |ids: &[VesselId]| {
        let found = app.db.read(&app.service(), |tx| subjects(tx, ids, None)).expect("readable");
        let ensemble = ensemble(None);
        let computed: Vec<_> =
            found.iter().map(|subject| (subject, compute(&subject.facts, &ensemble))).collect();
        let told: Vec<_> = computed
            .iter()
            .flat_map(|(subject, computed)| computed.dates.iter().map(|date| (subject.vessel_id, date.kind)))
            .map(|(id, kind)| (id, kind, Told { phase: Phase::Ahead, due_on: None }))
            .collect();
        let count = Arc::new(AtomicUsize::new(0));
        let counted = count.clone();
        let written = app.db.write(&app.service(), |tx| {
            tx.conn().set_instrumentation(move |event: InstrumentationEvent<'_>| {
                if matches!(event, InstrumentationEvent::StartQuery { .. }) {
                    counted.fetch_add(1, Ordering::SeqCst);
                }
            });
            let written = save(tx, &computed)
                .and_then(|()| keep_told(tx, ids, &told))
                // Nothing is told of them any more: what was kept goes, without a statement a row.
                .and_then(|()| keep_told(tx, ids, &[]));
            tx.conn().set_instrumentation(|_: InstrumentationEvent<'_>| {});
            written
        });
        written.expect("written");
        count.load(Ordering::SeqCst)
    };
    let (of_one, of_all) = (saved(&ids[..1]), saved(&ids));
    assert_eq!(of_one, of_all);
    assert!(of_one <= 8, "{of_one} statements");
    let rows = lead.get("/v1/due?limit=200").expect(200).json["items"].as_array().map(Vec::len);
    assert!(rows.is_some_and(|rows| rows >= 60), "{rows:?}");
}

#[test]
fn a_retired_vessel_is_due_for_nothing_and_comes_back_when_it_is_not() {
    let app = TestApp::start();
    let lead = app.lead();
    let made = vessel(
        &lead,
        "Gone",
        json!({"launched_on": "2025-01-15", "zones": [{"zone": "bottom", "cored": true}]}),
    );
    let (id, path) = (made.id(), format!("/v1/vessels/{}", made.id()));
    settle(&app);
    let retired = lead.patch(&path, &made.etag(), &json!({"retired_on": "2026-06-15"})).expect(200);
    settle(&app);
    let rows =
        || lead.get(&format!("/v1/due?vessel_id={id}")).expect(200).json["items"].as_array().map(Vec::len);
    assert_eq!(rows(), Some(0));
    assert_eq!(forecast(&lead, &id, "")["dates"], json!([]));
    lead.patch(&path, &retired.etag(), &json!({"retired_on": null})).expect(200);
    settle(&app);
    assert!(rows() > Some(0));
}

#[test]
fn the_day_begins_where_the_vessel_lies() {
    // 23:30 UTC: in Auckland it is the day after (UTC+12 in June, IANA time zone database).
    let app = TestApp::start_at("2026-06-15T23:30:00Z");
    let lead = app.lead();
    let site = json!({"name": "Far", "time_zone": "Pacific/Auckland", "climate": "warm_sea"});
    let site = lead.post("/v1/sites", &site).expect(201).id();
    let cored = json!([{"zone": "bottom", "cored": true}]);
    let far =
        vessel(&lead, "Far", json!({"launched_on": "2025-01-15", "zones": cored, "site_id": site})).id();
    let near = vessel(&lead, "Near", json!({"launched_on": "2025-01-15", "zones": cored})).id();
    settle(&app);
    assert_eq!(forecast(&lead, &far, "")["as_of"], "2026-06-16");
    assert_eq!(forecast(&lead, &near, "")["as_of"], "2026-06-15");
}

#[test]
fn the_runner_keeps_forecasts_up_to_date_by_itself() {
    let app = TestApp::start();
    let lead = app.lead();
    let runner = Runner::start(&app.db, &forecasts::job::workers(), 2).expect("threads");
    let id = vessel(
        &lead,
        "Served",
        json!({"launched_on": "2025-01-15", "zones": [{"zone": "bottom", "cored": true}]}),
    )
    .id();
    let give_up = Instant::now() + Duration::from_mins(1);
    while forecast(&lead, &id, "")["stale"] == true {
        assert!(Instant::now() < give_up, "no worker came");
    }
    assert_eq!(date(&forecast(&lead, &id, ""), "inspection")["due_on"], "2027-01-15");
    runner.stop();
}

#[test]
fn the_history_tells_what_happened_in_order_page_by_page() {
    let app = TestApp::start();
    let lead = app.lead();
    let id = vessel(&lead, "Old", json!({"launched_on": "2015-05-01"})).id();
    for (lifted_on, relaunched_on) in [("2017-10-01", "2018-04-01"), ("2019-10-01", "2020-04-01")] {
        let body = json!({"vessel_id": id, "lifted_on": lifted_on, "relaunched_on": relaunched_on, "reason": "seasonal"});
        lead.post("/v1/haul-outs", &body).expect(201);
    }
    let survey = signed_survey(&app, &id, "2018-01-15");
    let path = format!("/v1/vessels/{id}/history");
    let whole = lead.get(&path).expect(200).json["items"].as_array().expect("events").clone();
    let told: Vec<_> = whole
        .iter()
        .map(|e| (e["on"].as_str().unwrap_or_default(), e["kind"].as_str().unwrap_or_default()))
        .collect();
    assert_eq!(
        told,
        [
            ("2015-05-01", "launch"),
            ("2017-10-01", "lift"),
            ("2018-01-15", "survey"),
            ("2018-04-01", "relaunch"),
            ("2019-10-01", "lift"),
            ("2020-04-01", "relaunch"),
        ]
    );
    assert_eq!(whole[2]["record_id"], survey.as_str());
    let mut cursor = String::new();
    let mut walked = Vec::new();
    loop {
        let page = lead.get(&format!("{path}?limit=2{cursor}")).expect(200).json;
        walked.extend(page["items"].as_array().expect("events").clone());
        match page["next_cursor"].as_str() {
            Some(next) => cursor = format!("&cursor={next}"),
            None => break,
        }
    }
    assert_eq!(walked, whole);
    let none = lead.get(&format!("{path}?updated_since=2026-06-16T00:00:00Z")).expect(200);
    assert_eq!(none.json["items"], json!([]));
}

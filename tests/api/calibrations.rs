//! `/v1/calibrations` and `/v1/learning`.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use diesel::prelude::*;
use garboard::jobs::{Tally, run_until_idle};
use garboard::routes;
use serde_json::{Value, json};

use crate::support::app::{Client, TestApp, TestOrganisation};
use crate::support::fleet::{HULLS, enter};
use crate::support::hulls::{settle, vessel};

/// Learns what was asked for.
#[track_caller]
fn learn(app: &TestApp) -> Tally {
    let tally = run_until_idle(&app.db, &routes::learners()).expect("the queue is in reach");
    assert_eq!(tally.failed, 0);
    tally
}

fn isophthalic(_: usize) -> Value {
    json!({"laminate_class": "isophthalic"})
}

#[track_caller]
fn versions(client: &Client) -> Vec<Value> {
    client.get("/v1/calibrations").expect(200).json["items"].as_array().expect("a list").clone()
}

#[track_caller]
fn change(client: &Client, etag: &str, fields: Value) -> Value {
    client.patch("/v1/learning", etag, &fields).expect(200).json
}

/// The dates of the due list, by vessel and kind.
fn dates(client: &Client) -> BTreeMap<(String, String), Value> {
    let (mut found, mut cursor) = (BTreeMap::new(), String::new());
    loop {
        let page = client.get(&format!("/v1/due?limit=200{cursor}")).expect(200).json;
        for row in page["items"].as_array().expect("rows") {
            let word = |name: &str| row[name].as_str().expect("a word").to_owned();
            found.insert((word("vessel_id"), word("kind")), row["due_on"].clone());
        }
        match page["next_cursor"].as_str() {
            Some(next) => cursor = format!("&cursor={next}"),
            None => return found,
        }
    }
}

fn day(value: &Value) -> Option<chrono::NaiveDate> {
    value.as_str().map(|text| text.parse().expect("an ISO date"))
}

#[test]
fn a_preview_tells_what_acceptance_then_does_to_the_due_list() {
    let app = TestApp::start();
    let (lead, surveyor) = (app.lead(), app.surveyor());
    change(&app.administrator(), "\"0\"", json!({"acceptance": "by_person"}));
    enter(&lead, &surveyor, HULLS, isophthalic);
    settle(&app);
    let before = dates(&lead);
    lead.post("/v1/calibrations", &json!({})).expect(202);
    assert_eq!(learn(&app).done, 1);
    let found = versions(&lead);
    assert_eq!(found.len(), 1);
    // Counts of the data set: 41 of its 60 lives have an upper bound.
    for (field, value) in
        [("state", json!("fitted")), ("hulls", json!(60)), ("lives", json!(60)), ("events", json!(41))]
    {
        assert_eq!(found[0][field], value, "{field}");
    }
    assert_eq!((&found[0]["converged"], &found[0]["peers"]), (&json!(true), &json!(0)));
    let class = &found[0]["classes"][1];
    assert_eq!((&class["laminate_class"], &class["events"]), (&json!("isophthalic"), &json!(41)));
    assert!(class["lower_exposure_years"].as_f64() < class["scale_exposure_years"].as_f64());
    assert_eq!(dates(&lead), before, "nothing moves before somebody says so");

    let path = format!("/v1/calibrations/{}", found[0]["id"].as_str().expect("an id"));
    let preview = app.reader().get(&format!("{path}/preview")).expect(200).json;
    assert_eq!((&preview["current"], &preview["compared_with_id"]), (&json!(true), &Value::Null));
    assert_eq!(preview["hulls"], 60);
    let accepted =
        lead.post(&format!("{path}/acceptance"), &json!({"note": "Seen with the yard."})).expect(200);
    assert_eq!(
        (&accepted.json["state"], &accepted.json["note"]),
        (&json!("accepted"), &json!("Seen with the yard."))
    );
    assert!(accepted.json["accepted_by"].is_string());
    settle(&app);
    let after = dates(&lead);

    let pairs: Vec<_> =
        before.iter().filter_map(|(key, was)| after.get(key).map(|is| (key, day(was), day(is)))).collect();
    let moved: Vec<(&(String, String), i64)> = pairs
        .iter()
        .filter_map(|(key, was, is)| Some((*key, (*is)?.signed_duration_since((*was)?).num_days())))
        .filter(|(_, days)| *days != 0)
        .collect();
    assert!(moved.len() > 10, "{} dates move", moved.len());
    assert_eq!(preview["moved"], moved.len());
    assert_eq!(preview["sooner"], moved.iter().filter(|(_, days)| *days < 0).count());
    assert_eq!(preview["most_later_days"], moved.iter().map(|(_, days)| *days).max().unwrap_or(0).max(0));
    assert_eq!(preview["most_sooner_days"], moved.iter().map(|(_, days)| *days).min().unwrap_or(0).min(0));
    let rows = lead.get("/v1/due?limit=200").expect(200).json["items"].as_array().expect("rows").clone();
    let learned: Vec<&Value> = rows.iter().filter(|row| row["basis"] == "learned").collect();
    assert!(learned.len() > 10 && learned.len() < rows.len(), "{} of {}", learned.len(), rows.len());
    assert!(learned.iter().all(|row| row["calibration_id"] == found[0]["id"]));
    assert!(rows.iter().all(|row| row["basis"] == "learned" || row["calibration_id"].is_null()));
    let table = lead.get("/v1/due?format=csv").expect(200).text;
    let mut table = csv::Reader::from_reader(table.as_bytes());
    let place = table.headers().expect("a header").iter().position(|name| name == "calibration_id");
    let named = table.records().filter(|row| {
        let cell = row.as_ref().ok().zip(place).and_then(|(row, place)| row.get(place));
        cell == found[0]["id"].as_str()
    });
    assert!(named.count() >= learned.len());
    let furthest = moved.iter().map(|(_, days)| days.abs()).max();
    assert_eq!(preview["furthest"][0]["later_days"].as_i64().map(i64::abs), furthest);
    assert!(preview["furthest"][0]["vessel_name"].as_str().is_some_and(|name| name.starts_with("Hull ")));

    let audit = app.administrator().get("/v1/audit/export").expect(200).text;
    for act in ["accept_calibration", "request_calibration"] {
        assert!(audit.contains(&format!("\"action\":\"{act}\"")), "{act}");
    }

    let back = lead.post("/v1/learning/priors", &json!({})).expect(200).json;
    assert_eq!((&back["calibration_id"], back["choices"].as_array().map(Vec::len)), (&Value::Null, Some(2)));
    settle(&app);
    assert_eq!(dates(&lead), before, "the priors give the dates they gave");
    assert_eq!(lead.get(&path).expect(200).json["state"], "retired");
}

#[test]
fn from_eight_events_on_the_service_puts_a_fit_to_use_and_the_forecasts_name_it() {
    let app = TestApp::start();
    let (lead, surveyor) = (app.lead(), app.surveyor());
    // Seven events among the first lives of the data set.
    let seven = crate::support::fleet::lives()
        .iter()
        .scan(0, |n, life| {
            *n += usize::from(life.1.is_some());
            Some(*n)
        })
        .take_while(|n| *n <= 7)
        .count();
    let ids = enter(&lead, &surveyor, seven, isophthalic);
    lead.post("/v1/calibrations", &json!({})).expect(202);
    learn(&app);
    assert_eq!((&versions(&lead)[0]["events"], &versions(&lead)[0]["state"]), (&json!(7), &json!("fitted")));
    // Asked again, with nothing new: no second version.
    lead.post("/v1/calibrations", &json!({})).expect(202);
    learn(&app);
    assert_eq!(versions(&lead).len(), 1);
    let launched_on = chrono::NaiveDate::from_ymd_opt(2015, 4, 1).expect("a day");
    let eighth =
        vessel(&lead, "The eighth", json!({"launched_on": launched_on, "laminate_class": "isophthalic"}))
            .id();
    crate::support::fleet::survey(&surveyor, &eighth, launched_on + chrono::Days::new(1500), "laminate");
    let clean = vessel(&lead, "A clean one", json!({"launched_on": launched_on})).id();
    lead.post("/v1/calibrations", &json!({})).expect(202);
    learn(&app);
    let latest = versions(&lead).pop().expect("a second");
    assert_eq!(
        (&latest["events"], &latest["state"], &latest["accepted_by"]),
        (&json!(8), &json!("accepted"), &Value::Null)
    );
    settle(&app);
    let forecast = lead.get(&format!("/v1/vessels/{clean}/forecast")).expect(200).json;
    assert_eq!(forecast["calibration_id"], latest["id"]);
    let inspection = forecast["dates"]
        .as_array()
        .expect("dates")
        .iter()
        .find(|date| date["kind"] == "inspection")
        .expect("one");
    assert_eq!(inspection["basis"], "learned");
    let told = inspection["evidence"]
        .as_array()
        .expect("evidence")
        .iter()
        .find(|item| item["code"] == "learned_onset");
    assert!(
        told.is_some_and(|item| item["text"].as_str().is_some_and(|text| text.contains("8 of them"))),
        "{inspection}"
    );
    // Yesterday's dates followed the priors, and a hindcast says so.
    let then = lead.get(&format!("/v1/vessels/{clean}/forecast?as_of=2026-06-14")).expect(200).json;
    assert_eq!((&then["calibration_id"], &then["dates"][0]["basis"]), (&Value::Null, &json!("prior")));
    let what_if =
        lead.post(&format!("/v1/vessels/{clean}/what-if"), &json!({"bilge": "wet"})).expect(200).json;
    assert_eq!(what_if["after"]["calibration_id"], latest["id"]);

    // What widens a date is told of the date that is kept, by what it follows.
    let sensitivity = lead.get(&format!("/v1/vessels/{clean}/sensitivity")).expect(200).json;
    assert_eq!((&sensitivity["basis"], &sensitivity["calibration_id"]), (&json!("learned"), &latest["id"]));
    assert_eq!(sensitivity["dates"][0]["due_on"], inspection["due_on"]);

    // A guest's question is answered by what the vessel's organisation follows.
    let grant = json!({"vessel_id": clean, "grantee_org_id": app.away.org_id, "scope": "read"});
    app.administrator().post("/v1/grants", &grant).expect(201);
    let path = format!("/v1/vessels/{clean}/what-if");
    let guests = app.stranger().post(&path, &json!({"bilge": "wet"})).expect(200).json;
    assert_eq!(guests["after"], what_if["after"]);

    // By hand the first can be taken, and its preview is one against what is in use.
    let first = versions(&lead)[0]["id"].as_str().expect("an id").to_owned();
    let preview = format!("/v1/calibrations/{first}/preview");
    assert_eq!(lead.get(&preview).expect(200).json["current"], false);
    lead.post(&preview, &json!({})).expect(202);
    assert_eq!(learn(&app).done, 1);
    let anew = lead.get(&preview).expect(200).json;
    assert_eq!((&anew["current"], &anew["compared_with_id"]), (&json!(true), &latest["id"]));
    assert_eq!(anew["hulls"], ids.len() + 2);

    // Who goes back to the priors is not overruled by the next fit.
    lead.post("/v1/learning/priors", &json!({"note": "Too few hulls."})).expect(200);
    let another = vessel(&lead, "The ninth", json!({"launched_on": launched_on})).id();
    crate::support::fleet::survey(&surveyor, &another, launched_on + chrono::Days::new(1900), "gelcoat");
    lead.post("/v1/calibrations", &json!({})).expect(202);
    learn(&app);
    assert_eq!(versions(&lead).pop().expect("a third")["state"], "fitted");
    assert_eq!(lead.get("/v1/learning").expect(200).json["calibration_id"], Value::Null);
}

/// The night to Sunday, at three (UTC; IANA time zone database): 2026-06-15, the tests' day, is a Monday.
#[test]
fn the_fleet_is_learned_from_once_a_week_without_being_asked() {
    let app = TestApp::start();
    let (lead, surveyor) = (app.lead(), app.surveyor());
    enter(&lead, &surveyor, HULLS, isophthalic);
    routes::recur(&app.db, app.home.org_id).expect("set");
    let run = |days: i64| {
        let later = app.later(TimeDelta::days(days));
        let tally = run_until_idle(&later, &routes::learners()).expect("the queue is in reach");
        assert_eq!(tally.failed, 0);
        (tally.done, later.clock().now())
    };
    assert_eq!(run(5).0, 0, "not before the night to Sunday");
    assert_eq!(versions(&lead), Vec::<Value>::new());
    let (done, sunday) = run(6);
    assert_eq!(done, 1);
    let found = versions(&lead);
    assert_eq!(found.len(), 1);
    assert_eq!(
        (&found[0]["state"], &found[0]["events"], &found[0]["accepted_by"]),
        (&json!("accepted"), &json!(41), &Value::Null)
    );
    let fitted_at = |version: &Value| version["fitted_at"].as_str()?.parse::<DateTime<Utc>>().ok();
    assert_eq!(fitted_at(&found[0]), Some(sunday));
    assert_eq!(lead.get("/v1/learning").expect(200).json["calibration_id"], found[0]["id"]);

    // The next Sunday there is something new to learn from, and the one after that there is not.
    let launched_on = chrono::NaiveDate::from_ymd_opt(2015, 4, 1).expect("a day");
    let another =
        vessel(&lead, "One more", json!({"launched_on": launched_on, "laminate_class": "isophthalic"})).id();
    crate::support::fleet::survey(&surveyor, &another, launched_on + chrono::Days::new(1500), "laminate");
    let (done, next) = run(13);
    assert_eq!(done, 1);
    let found = versions(&lead);
    assert_eq!((found.len(), fitted_at(&found[1])), (2, Some(next)));
    assert_eq!(found[1]["events"], 42);
    assert_eq!(run(20).0, 1, "it looks");
    assert_eq!(versions(&lead).len(), 2, "and makes no version of what it knows");
}

#[test]
fn who_may_and_what_is_refused() {
    let app = TestApp::start();
    let (lead, reader) = (app.lead(), app.reader());
    reader.post("/v1/calibrations", &json!({})).expect_problem(403, "forbidden", "");
    lead.patch("/v1/learning", "\"0\"", &json!({"pooled": true})).expect_problem(403, "forbidden", "");
    let administrator = app.administrator();
    assert_eq!(administrator.get("/v1/learning").expect(200).json["acceptance"], "automatic");
    let changed = change(&administrator, "\"0\"", json!({"pooled": true}));
    assert_eq!((&changed["pooled"], &changed["version"]), (&json!(true), &json!(1)));
    administrator.patch("/v1/learning", "\"0\"", &json!({"pooled": false})).expect_problem(412, "stale", "");
    administrator.patch("/v1/learning", "\"1\"", &json!({"acceptance": "never"})).expect_problem(
        422,
        "invalid",
        "/acceptance",
    );
    administrator
        .patch("/v1/learning", "\"1\"", &json!({"pool": true}))
        .expect_problem(422, "invalid", "/pool");
    let nobody = "/v1/calibrations/00000000-0000-7000-8000-000000000000";
    for path in [nobody.to_owned(), format!("{nobody}/preview")] {
        reader.get(&path).expect_problem(404, "not_found", "");
    }
    lead.post(&format!("{nobody}/acceptance"), &json!({})).expect_problem(404, "not_found", "");
    lead.post("/v1/learning/priors", &json!({"note": ""})).expect_problem(422, "invalid", "/note");
    // Nobody has looked at any hull: nothing to learn, and no version.
    vessel(&lead, "Never seen", json!({"launched_on": "2015-05-01"}));
    lead.post("/v1/calibrations", &json!({})).expect(202);
    learn(&app);
    assert_eq!(versions(&lead), Vec::<Value>::new());
}

#[test]
fn sums_alone_leave_an_organisation_that_takes_part() {
    let app = TestApp::start();
    let stranger = app.stranger();
    let (lead, surveyor) = (app.lead(), app.surveyor());
    enter(&stranger, &stranger, HULLS, isophthalic);
    change(&stranger, "\"0\"", json!({"pooled": true}));
    learn(&app);
    assert_eq!(versions(&stranger)[0]["peers"], 0);
    let theirs = versions(&stranger)[0]["classes"][1]["scale_exposure_years"].as_f64().expect("a number");

    enter(&lead, &surveyor, 2, isophthalic);
    lead.post("/v1/calibrations", &json!({})).expect(202);
    learn(&app);
    let alone = versions(&lead)[0].clone();
    assert_eq!(alone["peers"], 0, "who does not take part gets nothing");
    change(&app.administrator(), "\"0\"", json!({"pooled": true}));
    learn(&app);
    assert_eq!(
        versions(&lead).len(),
        1,
        "what one other alone has given is not used: nothing new is learned"
    );
    let third = TestOrganisation::create(&app.db, "Third");
    let third = app.signed(&third, "administrator");
    enter(&third, &third, HULLS, isophthalic);
    change(&third, "\"0\"", json!({"pooled": true}));
    learn(&app);
    assert_eq!(versions(&third)[0]["peers"], 0);
    lead.post("/v1/calibrations", &json!({})).expect(202);
    learn(&app);
    let pooled = versions(&lead).pop().expect("a second");
    assert_eq!(pooled["peers"], 2);
    let scale = |version: &Value, name: &str| version["classes"][1][name].as_f64().expect("a number");
    // Partial pooling (Gelman et al. 2013, section 5.4): drawn towards the others' estimate, and surer than alone.
    let (ours, with) = (scale(&alone, "scale_exposure_years"), scale(&pooled, "scale_exposure_years"));
    assert!((with - theirs).abs() < (ours - theirs).abs(), "{ours} {with} {theirs}");
    let width =
        |version: &Value| scale(version, "upper_exposure_years") / scale(version, "lower_exposure_years");
    assert!(width(&pooled) < width(&alone), "{} {}", width(&pooled), width(&alone));

    // Two hulls stand behind too little to be given, and the worker cannot ask whose the sums are.
    let mut worker = PgConnection::establish(&app.database.worker_url()).expect("the worker connects");
    let mut count = |statement: &str| diesel::sql_query(statement).execute(&mut worker);
    assert_eq!(count("SELECT sums FROM pooled_sums"), Ok(2));
    let said = count("SELECT org_id FROM pooled_sums").expect_err("no right to it").to_string();
    assert!(said.contains("permission denied"), "{said}");
    change(&stranger, "\"1\"", json!({"pooled": false}));
    assert_eq!(count("SELECT sums FROM pooled_sums"), Ok(1), "what was given is taken back");
}

//! Readings: entered where there is no signal, sent again and again, corrected, never lost.

use std::thread;

use diesel::connection::SimpleConnection;
use diesel::prelude::*;
use serde_json::{Value, json};

use crate::lists::ids;
use crate::recording::Scene;

#[test]
fn a_reading_is_taken_once_and_corrected_with_a_reason() {
    let scene = Scene::set();
    let survey = scene.draft();
    let crew = scene.app.crew();
    let made = crew.post("/v1/readings", &scene.reading(&survey.id(), 1, 12.5)).expect(201);
    assert_eq!(made.json["scale"], "relative", "the survey's scale");
    let path = format!("/v1/readings/{}", made.id());
    // Another value at the same place names the reading that is there.
    let other = crew.post("/v1/readings", &scene.reading(&survey.id(), 1, 13.0)).expect(409);
    assert!(other.text.contains(&made.id()), "{}", other.text);
    crew.patch(&path, &made.etag(), &json!({"value": 21.5})).expect_problem(
        422,
        "invalid",
        "/correction_reason",
    );
    let corrected = crew
        .patch(&path, &made.etag(), &json!({"value": 21.5, "correction_reason": "digits swapped"}))
        .expect(200);
    assert_eq!((corrected.json["value"].as_f64(), corrected.json["version"].as_i64()), (Some(21.5), Some(2)));
    crew.patch(&path, &made.etag(), &json!({"value": 9.0, "correction_reason": "x"}))
        .expect_problem(412, "stale", "");
    let versions = crew.get(&format!("{path}/versions")).expect(200);
    let values: Vec<_> =
        versions.json["items"].as_array().unwrap().iter().map(|v| v["value"].as_f64()).collect();
    assert_eq!(values, [Some(12.5), Some(21.5)], "the old value stays in the history");
    let untouched = scene.app.surveyor().get(&format!("/v1/surveys/{}", survey.id())).expect(200);
    assert_eq!(untouched.json["version"], survey.json["version"]);
    scene.app.stranger().get(&path).expect_problem(404, "not_found", "");
    scene.app.reader().post("/v1/readings", &scene.reading(&survey.id(), 2, 1.0)).expect_problem(
        403,
        "forbidden",
        "",
    );
}

#[test]
fn a_batch_gives_each_reading_its_result_and_is_sent_twice_for_nothing() {
    let scene = Scene::set();
    let survey = scene.draft();
    let crew = scene.app.crew();
    let path = format!("/v1/surveys/{}/readings", survey.id());
    let item = |sequence: i32, value: f64| json!({"station_id": scene.station, "sequence": sequence, "value": value});
    let mut own = item(2, 11.0);
    own["id"] = "0190163d-8694-739b-aea5-966c26f8ad91".into();
    let mut foreign = item(4, 1.0);
    foreign["station_id"] = "0190163d-8694-739b-aea5-966c26f8ad92".into();
    let batch = json!({"items": [item(1, 10.0), own, item(3, 1e9), foreign]});
    let statuses = |answer: &Value| -> Vec<String> {
        answer["items"]
            .as_array()
            .unwrap()
            .iter()
            .map(|item| item["status"].as_str().unwrap().to_owned())
            .collect()
    };
    let first = crew.post(&path, &batch).expect(200);
    assert_eq!(statuses(&first.json), ["created", "created", "refused", "refused"]);
    assert_eq!(first.json["items"][2]["problem"]["errors"][0]["pointer"], "/items/2/value");
    assert_eq!(first.json["items"][3]["problem"]["errors"][0]["pointer"], "/items/3/station_id");
    let again = crew.post(&path, &batch).expect(200);
    assert_eq!(statuses(&again.json), ["unchanged", "unchanged", "refused", "refused"]);
    assert_eq!(again.json["items"][0]["id"], first.json["items"][0]["id"]);
    assert_eq!(ids(&crew, &format!("/v1/readings?survey_id={}", survey.id())).len(), 2);
    crew.post(&path, &json!({"items": []})).expect_problem(422, "invalid", "/items");
}

#[test]
fn nothing_is_lost_when_two_people_enter_at_once() {
    let scene = Scene::set();
    let survey = scene.draft().id();
    thread::scope(|scope| {
        for person in 0..4 {
            let (scene, survey) = (&scene, &survey);
            scope.spawn(move || {
                let crew = scene.app.crew();
                for n in 0..10 {
                    crew.post("/v1/readings", &scene.reading(survey, 1 + person * 10 + n, f64::from(n)))
                        .expect(201);
                }
            });
        }
    });
    assert_eq!(ids(&scene.app.crew(), &format!("/v1/readings?survey_id={survey}&limit=200")).len(), 40);
}

#[test]
fn one_id_sent_by_two_at_once_makes_one() {
    let scene = Scene::set();
    let survey = scene.draft().id();
    let mut body = scene.reading(&survey, 1, 12.0);
    body["id"] = "0190163d-8694-739b-aea5-966c26f8ad91".into();
    let mut statuses: Vec<u16> = thread::scope(|scope| {
        let send = || scene.app.crew().post("/v1/readings", &body).status;
        let tasks = [scope.spawn(send), scope.spawn(send)];
        tasks.map(|task| task.join().unwrap()).to_vec()
    });
    statuses.sort_unstable();
    assert_eq!(statuses, [200, 201]);
    assert_eq!(ids(&scene.app.crew(), &format!("/v1/readings?survey_id={survey}")).len(), 1);
}

#[test]
fn what_was_sent_before_is_found_whatever_became_of_it() {
    let scene = Scene::set();
    let survey = scene.draft();
    let crew = scene.app.crew();
    let body = scene.reading(&survey.id(), 1, 12.5);
    let made = crew.post("/v1/readings", &body).expect(201);
    // Under an id of the sender's, once and again: a tablet that lost its answers made a new one.
    let mut own = body.clone();
    own["id"] = "0190163d-8694-739b-aea5-966c26f8ad91".into();
    for _ in 0..2 {
        assert_eq!(crew.post("/v1/readings", &own).expect(200).id(), made.id());
    }
    // Corrected since.
    let path = format!("/v1/readings/{}", made.id());
    let change = json!({"value": 21.5, "correction_reason": "digits swapped"});
    let corrected = crew.patch(&path, &made.etag(), &change).expect(200);
    assert_eq!(crew.post("/v1/readings", &body).expect(200).json, corrected.json);
    // Withdrawn since: it does not come back, and its place stays taken.
    let gone = json!({"withdrawn": true, "correction_reason": "wrong station"});
    let withdrawn = crew.patch(&path, &corrected.etag(), &gone).expect(200);
    assert_eq!(crew.post("/v1/readings", &body).expect(200).json, withdrawn.json);
    let list = format!("/v1/readings?survey_id={}", survey.id());
    assert!(ids(&crew, &list).is_empty());
    assert_eq!(ids(&crew, &format!("{list}&withdrawn=true")), [made.id()]);
    // Signed since: what was sent is found, what is new is refused.
    let surveyor = scene.app.surveyor();
    let address = format!("/v1/surveys/{}", survey.id());
    let graded = json!({"bottom_examined": "whole", "blistering": "none"});
    let graded = surveyor.patch(&address, &survey.etag(), &graded).expect(200);
    surveyor.post_if_match(&format!("{address}/signature"), &graded.etag(), &json!({})).expect(200);
    crew.post("/v1/readings", &body).expect(200);
    let item = |sequence: i32, value: f64| json!({"station_id": scene.station, "sequence": sequence, "value": value});
    let batch = json!({"items": [item(1, 12.5), item(2, 12.5)]});
    let answer = crew.post(&format!("{address}/readings"), &batch).expect(200);
    assert_eq!(answer.json["items"][0]["status"], "unchanged");
    assert_eq!(answer.json["items"][1]["problem"]["status"], 409);
}

#[test]
fn each_field_is_refused_where_it_is_wrong() {
    let scene = Scene::set();
    let crew = scene.app.crew();
    let survey = scene.draft().id();
    for (field, value) in [
        ("value", json!(10_001.0)),
        ("value", json!("12")),
        ("value", Value::Null),
        ("sequence", json!(0)),
        ("scale", json!("")),
        ("survey_id", json!(scene.station)),
        ("station_id", json!(survey)),
        ("taken_at", json!("yesterday")),
        ("withdrawn", json!(true)),
        ("vessel_id", json!(scene.vessel)),
    ] {
        let mut body = scene.reading(&survey, 1, 12.0);
        body[field] = value;
        crew.post("/v1/readings", &body).expect_problem(422, "invalid", &format!("/{field}"));
    }
    let mut unscaled = scene.survey();
    unscaled.as_object_mut().unwrap().remove("meter_scale");
    let unscaled = scene.app.surveyor().post("/v1/surveys", &unscaled).expect(201).id();
    let mut body = scene.reading(&unscaled, 1, 12.0);
    crew.post("/v1/readings", &body).expect_problem(422, "invalid", "/scale");
    body["scale"] = "relative".into();
    let made = crew.post("/v1/readings", &body).expect(201);
    assert_eq!(made.json["vessel_id"], scene.vessel, "the survey's");
    let path = format!("/v1/readings/{}", made.id());
    for (field, value) in [
        ("survey_id", json!(survey)),
        ("station_id", json!(survey)),
        ("scale", json!("other")),
        ("sequence", json!(2)),
    ] {
        let change = json!({field: value, "correction_reason": "x"});
        crew.patch(&path, &made.etag(), &change).expect_problem(422, "invalid", &format!("/{field}"));
    }
    let unchanged = crew.patch(&path, &made.etag(), &json!({"value": 12.0})).expect(200);
    assert_eq!(unchanged.json, made.json, "what changes nothing makes no version");
    let key = scene.reading(&survey, 7, 3.0);
    let first = crew.post_with_key("/v1/readings", "k", &key).expect(201);
    assert_eq!(crew.post_with_key("/v1/readings", "k", &key).expect(201).json, first.json);
}

#[test]
fn a_station_of_another_vessel_takes_no_reading() {
    let scene = Scene::set();
    let lead = scene.app.lead();
    let vessel = json!({"name": "Other hull", "form": "motor", "length_m": 8.0});
    let vessel = lead.post("/v1/vessels", &vessel).expect(201).id();
    let station =
        json!({"vessel_id": vessel, "code": "S01", "hull": "centre", "side": "port", "zone": "bottom"});
    let station = lead.post("/v1/stations", &station).expect(201).id();
    let mut body = scene.reading(&scene.draft().id(), 1, 12.0);
    body["station_id"] = station.into();
    lead.post("/v1/readings", &body).expect_problem(422, "invalid", "/station_id");
}

#[test]
fn a_batch_is_bounded_and_finds_its_own_doubles() {
    let scene = Scene::set();
    let survey = scene.draft().id();
    let crew = scene.app.crew();
    let path = format!("/v1/surveys/{survey}/readings");
    let item = |sequence: i32, value: f64| json!({"station_id": scene.station, "sequence": sequence, "value": value});
    let doubled = json!({"items": [item(1, 10.0), item(1, 10.0), item(1, 11.0), "no object"]});
    let answer = crew.post(&path, &doubled).expect(200);
    let of = |n: usize| answer.json["items"][n].clone();
    assert_eq!((of(0)["status"].as_str(), of(1)["status"].as_str()), (Some("created"), Some("unchanged")));
    assert_eq!(of(1)["id"], of(0)["id"]);
    assert_eq!(of(2)["problem"]["errors"][0]["pointer"], "/items/2/value");
    assert_eq!(of(3)["status"], "refused");
    let most: Vec<Value> = (1..=500).map(|sequence| item(sequence, 10.0)).collect();
    crew.post(&path, &json!({"items": most})).expect(200);
    let more: Vec<Value> = (1..=501).map(|sequence| item(sequence, 10.0)).collect();
    crew.post(&path, &json!({"items": more})).expect_problem(422, "invalid", "/items");
    let list = format!("/v1/readings?survey_id={survey}");
    assert_eq!(crate::lists::walk(&crew, &list, 200).len(), 500);
    scene.app.stranger().post(&path, &doubled).expect_problem(404, "not_found", "");
    scene.app.reader().post(&path, &doubled).expect_problem(403, "forbidden", "");
}

#[derive(QueryableByName)]
struct Waiting {
    #[diesel(sql_type = diesel::sql_types::BigInt)]
    waiting: i64,
}

/// Does `request` while this test holds the vessel, runs `meanwhile` in the transaction that holds it once the
/// request is seen to wait, and gives the request's status.
#[track_caller]
fn held_up(scene: &Scene, request: impl FnOnce() -> u16 + Send, meanwhile: &str) -> u16 {
    let url = scene.app.database.superuser_url();
    let mut holder = PgConnection::establish(&url).expect("the test's database");
    let mut watcher = PgConnection::establish(&url).expect("the test's database");
    let hold = format!("BEGIN; SELECT FROM vessels WHERE id = '{}' FOR NO KEY UPDATE", scene.vessel);
    holder.batch_execute(&hold).expect("the vessel can be held");
    thread::scope(|scope| {
        let task = scope.spawn(request);
        let waits = "SELECT count(*) AS waiting FROM pg_stat_activity
            WHERE datname = current_database() AND wait_event_type = 'Lock'";
        let mut waiting = false;
        while !waiting && !task.is_finished() {
            let seen: Waiting = diesel::sql_query(waits).get_result(&mut watcher).expect("activity is seen");
            waiting = seen.waiting > 0;
        }
        holder.batch_execute(&format!("{meanwhile}; COMMIT")).expect("the holder ends");
        let status = task.join().expect("the request was answered");
        assert!(waiting, "it did not wait for its turn, and was answered {status}");
        status
    })
}

#[test]
fn no_reading_slips_in_behind_a_signature() {
    let scene = Scene::set();
    let survey = scene.draft().id();
    let sign = format!(
        "INSERT INTO survey_versions (org_id, survey_id, version, surveyed_on, meter_scale, coating_failure,
            bottom_examined, blistering, signed_at, signed_by, recorded_at, author_org_id)
        SELECT org_id, survey_id, version + 1, surveyed_on, meter_scale, coating_failure, 'whole', 'none', recorded_at,
            recorded_by, recorded_at, author_org_id FROM survey_versions WHERE survey_id = '{survey}'"
    );
    let enter = || scene.app.crew().post("/v1/readings", &scene.reading(&survey, 1, 1.0)).status;
    assert_eq!(held_up(&scene, enter, &sign), 409, "signed while it waited");
    assert!(ids(&scene.app.crew(), &format!("/v1/readings?survey_id={survey}")).is_empty());
}

#[test]
fn a_signature_waits_for_the_readings_being_entered() {
    let scene = Scene::set();
    let mut body = scene.survey();
    body["bottom_examined"] = "whole".into();
    body["blistering"] = "none".into();
    let draft = scene.app.surveyor().post("/v1/surveys", &body).expect(201);
    let path = format!("/v1/surveys/{}/signature", draft.id());
    let sign = || scene.app.surveyor().post_if_match(&path, &draft.etag(), &json!({})).status;
    assert_eq!(held_up(&scene, sign, ""), 200);
}

//! Readings: entered where there is no signal, sent again and again, corrected, never lost.

use std::thread;

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

//! The lists of stations, surveys, readings, findings, coats and treatments: filters, pages, what changed since.

use std::collections::BTreeSet;

use serde_json::{Value, json};

use crate::lists::{ids, walk};
use crate::recording::Scene;
use crate::support::app::Client;

/// Creates each body and walks through the list page by page: each once, whatever the page's length. All
/// are of one instant, so that the id alone tells where a page ended.
#[track_caller]
fn is_walked(scene: &Scene, client: &Client, collection: &str, bodies: &[Value]) {
    let made: BTreeSet<String> =
        bodies.iter().map(|body| client.post(collection, body).expect(201).id()).collect();
    let path = format!("{collection}?vessel_id={}", scene.vessel);
    let there: BTreeSet<String> = ids(client, &path).into_iter().collect();
    assert!(made.is_subset(&there));
    for limit in [1, 2, 200] {
        let walked = walk(client, &path, limit);
        assert_eq!(walked.len(), there.len(), "{collection} by {limit}");
        assert_eq!(walked.into_iter().collect::<BTreeSet<_>>(), there);
    }
    // The tests' clock stands still at ten o'clock.
    let since = |time: &str| ids(client, &format!("{path}&updated_since=2026-06-15T{time}Z")).len();
    assert_eq!((since("10:00:00"), since("10:00:01")), (there.len(), 0), "{collection}");
    let stranger = scene.app.stranger();
    assert!(ids(&stranger, &path).is_empty(), "{collection} of a foreign vessel");
    let cursor = client.get(&format!("{path}&limit=1")).expect(200).json["next_cursor"].clone();
    let elsewhere = format!("{collection}?limit=1&cursor={}", cursor.as_str().expect("more follow"));
    client.get(&elsewhere).expect_problem(400, "malformed", "");
    client.get(&format!("{path}&no_such=1")).expect_problem(422, "invalid", "");
    client.get(&format!("{path}&limit=0")).expect_problem(422, "invalid", "limit");
}

#[test]
fn every_list_is_walked_page_by_page() {
    let scene = Scene::set();
    let lead = scene.app.lead();
    let station = |code: &str| json!({"vessel_id": scene.vessel, "code": code, "hull": "centre", "side": "port", "zone": "keel"});
    is_walked(&scene, &lead, "/v1/stations", &["A", "B"].map(station));
    is_walked(&scene, &lead, "/v1/surveys", &[scene.survey(), scene.survey(), scene.survey()]);
    let survey = scene.draft().id();
    let readings = [1, 2, 3].map(|sequence| scene.reading(&survey, sequence, 10.0));
    is_walked(&scene, &lead, "/v1/readings", &readings);
    is_walked(&scene, &lead, "/v1/findings", &[scene.finding(), scene.finding(), scene.finding()]);
    is_walked(&scene, &lead, "/v1/coats", &[scene.coat(), scene.coat(), scene.coat()]);
    is_walked(&scene, &lead, "/v1/treatments", &[scene.treatment(), scene.treatment(), scene.treatment()]);
}

/// The body with some fields changed.
fn with(mut body: Value, fields: &Value) -> Value {
    for (name, value) in fields.as_object().expect("an object") {
        body[name] = value.clone();
    }
    body
}

#[test]
fn a_filter_shows_what_it_names_and_nothing_else() {
    let scene = Scene::set();
    let lead = scene.app.lead();
    let crack = lead.post("/v1/findings", &scene.finding()).expect(201).id();
    let repaired = json!({"kind": "impact_damage", "state": "repaired", "repaired_on": "2026-05-01"});
    let repaired = lead.post("/v1/findings", &with(scene.finding(), &repaired)).expect(201).id();
    assert_eq!(ids(&lead, "/v1/findings?state=repaired"), [repaired.clone()]);
    assert_eq!(ids(&lead, "/v1/findings?state=open"), [crack.clone()]);
    assert_eq!(ids(&lead, "/v1/findings?kind=impact_damage"), [repaired]);
    assert_eq!(ids(&lead, "/v1/findings?kind=crack&state=open"), [crack]);
    assert!(ids(&lead, "/v1/findings?kind=crack&state=repaired").is_empty());
    lead.get("/v1/findings?state=mended").expect_problem(422, "invalid", "state");

    let barrier = lead.post("/v1/coats", &scene.coat()).expect(201).id();
    let keel = json!({"role": "antifouling", "zone": "keel", "max_days_dry": 60});
    let keel = lead.post("/v1/coats", &with(scene.coat(), &keel)).expect(201).id();
    assert_eq!(ids(&lead, "/v1/coats?role=antifouling"), [keel.clone()]);
    assert_eq!(ids(&lead, "/v1/coats?zone=keel"), [keel]);
    assert_eq!(ids(&lead, "/v1/coats?zone=bottom&role=barrier"), [barrier]);
    assert!(ids(&lead, "/v1/coats?zone=rudder").is_empty());

    let other =
        json!({"vessel_id": scene.vessel, "code": "S02", "hull": "centre", "side": "port", "zone": "keel"});
    let other = lead.post("/v1/stations", &other).expect(201).id();
    let (first, second) = (scene.draft().id(), scene.draft().id());
    let here = lead.post("/v1/readings", &scene.reading(&first, 1, 10.0)).expect(201).id();
    let there = with(scene.reading(&second, 1, 11.0), &json!({"station_id": other}));
    let there = lead.post("/v1/readings", &there).expect(201).id();
    assert_eq!(ids(&lead, &format!("/v1/readings?survey_id={first}")), [here.clone()]);
    assert_eq!(ids(&lead, &format!("/v1/readings?station_id={other}")), [there.clone()]);
    assert_eq!(ids(&lead, &format!("/v1/readings?survey_id={second}&station_id={other}")), [there.clone()]);
    assert!(ids(&lead, &format!("/v1/readings?survey_id={first}&station_id={other}")).is_empty());
    assert_eq!(
        ids(&lead, &format!("/v1/readings?vessel_id={}", scene.vessel)).into_iter().collect::<BTreeSet<_>>(),
        BTreeSet::from([here, there])
    );
}

#[test]
fn versions_are_walked_too_and_a_cursor_belongs_to_its_record() {
    let scene = Scene::set();
    let lead = scene.app.lead();
    let made = lead.post("/v1/findings", &scene.finding()).expect(201);
    let path = format!("/v1/findings/{}", made.id());
    for (n, largest_mm) in [10.0, 20.0].into_iter().enumerate() {
        let change = json!({"largest_mm": largest_mm, "correction_reason": "measured again"});
        lead.patch(&path, &format!("\"{}\"", n + 1), &change).expect(200);
    }
    assert_eq!(walk(&lead, &format!("{path}/versions?"), 1).len(), 3);
    let page = lead.get(&format!("{path}/versions?limit=2")).expect(200);
    let seen: Vec<_> = page.json["items"].as_array().unwrap().iter().map(|v| v["version"].clone()).collect();
    assert_eq!(seen, [1, 2], "oldest first");
    let cursor = page.json["next_cursor"].as_str().expect("a third follows");
    let other = lead.post("/v1/findings", &scene.finding()).expect(201).id();
    lead.get(&format!("/v1/findings/{other}/versions?cursor={cursor}")).expect_problem(400, "malformed", "");
    for collection in ["surveys", "readings", "coats", "treatments"] {
        lead.get(&format!("/v1/{collection}/{other}/versions")).expect_problem(404, "not_found", "");
    }
}

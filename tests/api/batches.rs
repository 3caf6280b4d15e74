//! `/v1/batches`

use garboard::ids::{Id, RequestId};
use serde_json::{Value, json};

use crate::support::app::{Answer, TestApp};

fn fresh() -> String {
    RequestId::fresh().to_string()
}

fn statuses(answer: &Answer) -> Vec<u64> {
    let results = answer.json["results"].as_array().cloned().unwrap_or_default();
    results.iter().filter_map(|result| result["status"].as_u64()).collect()
}

/// A batch of each kind, each belonging to those before it by ids chosen by the client.
fn one_of_each() -> (Value, String) {
    let (site, vessel, haul_out, station, survey) = (fresh(), fresh(), fresh(), fresh(), fresh());
    let items = json!([
        {"kind": "site", "body": {"id": site, "name": "North basin", "time_zone": "UTC", "climate": "temperate_sea"}},
        {"kind": "vessel", "body": {"id": vessel, "name": "Hull", "form": "motor", "length_m": 8, "site_id": site}},
        {"kind": "product", "body": {"id": fresh(), "name": "Generic barrier", "role": "barrier"}},
        {"kind": "haul_out", "body": {"id": haul_out, "vessel_id": vessel, "lifted_on": "2026-05-01", "reason": "inspection"}},
        {"kind": "station", "body": {"id": station, "vessel_id": vessel, "code": "P1", "hull": "centre", "side": "port", "zone": "bottom"}},
        {"kind": "survey", "body": {"id": survey, "vessel_id": vessel, "haul_out_id": haul_out, "surveyed_on": "2026-05-02"}},
        {"kind": "reading", "body": {"id": fresh(), "survey_id": survey, "station_id": station, "scale": "relative", "value": 12.5}},
        {"kind": "finding", "body": {"id": fresh(), "vessel_id": vessel, "survey_id": survey, "kind": "crack", "state": "open", "found_on": "2026-05-02", "zone": "bottom"}},
        {"kind": "coat", "body": {"id": fresh(), "vessel_id": vessel, "haul_out_id": haul_out, "role": "barrier", "zone": "bottom", "applied_on": "2026-05-03"}},
        {"kind": "treatment", "body": {"id": fresh(), "vessel_id": vessel, "kind": "preventive", "started_on": "2026-05-02", "completed_on": "2026-05-03"}},
    ]);
    (json!({"items": items}), vessel)
}

#[test]
fn a_batch_sent_twice_makes_one() {
    let app = TestApp::start();
    let lead = app.lead();
    let (batch, vessel) = one_of_each();
    let made = lead.post("/v1/batches", &batch).expect(200);
    assert_eq!(statuses(&made), [201; 10], "{}", made.text);
    assert_eq!(made.json["results"][1], json!({"status": 201, "id": vessel, "version": 1, "problem": null}));
    let again = lead.post("/v1/batches", &batch).expect(200);
    assert_eq!(statuses(&again), [200; 10], "{}", again.text);
    assert_eq!(again.json["results"][1]["id"], json!(vessel));
    for path in [
        "sites",
        "vessels",
        "products",
        "haul-outs",
        "stations",
        "surveys",
        "readings",
        "findings",
        "coats",
        "treatments",
    ] {
        let items = lead.get(&format!("/v1/{path}")).expect(200).json["items"].as_array().map(Vec::len);
        assert_eq!(items, Some(1), "{path}");
    }
}

#[test]
fn a_single_creation_and_an_item_of_a_batch_are_the_same() {
    let app = TestApp::start();
    let lead = app.lead();
    let body = json!({"id": fresh(), "name": "Hull", "form": "motor", "length_m": 8});
    lead.post("/v1/vessels", &body).expect(201);
    let other = json!({"id": body["id"], "name": "Other", "form": "motor", "length_m": 8});
    let batch = json!({"items": [{"kind": "vessel", "body": body}, {"kind": "vessel", "body": other}]});
    let answer = lead.post("/v1/batches", &batch).expect(200);
    assert_eq!(statuses(&answer), [200, 409]);
    assert_eq!(answer.json["results"][1]["problem"]["code"], "id_taken");
}

#[test]
fn a_retry_key_serves_every_item() {
    let app = TestApp::start();
    let lead = app.lead();
    let item = json!({"kind": "vessel", "body": {"name": "Hull", "form": "motor", "length_m": 8}});
    let batch = json!({"items": [item, item]});
    let made = lead.post_with_key("/v1/batches", "one", &batch).expect(200);
    assert_eq!(statuses(&made), [201, 201]);
    let again = lead.post_with_key("/v1/batches", "one", &batch).expect(200);
    assert_eq!(again.json, made.json);
    let other = json!({"items": [item, {"kind": "vessel", "body": {"name": "Other", "form": "motor", "length_m": 8}}]});
    let answer = lead.post_with_key("/v1/batches", "one", &other).expect(200);
    assert_eq!(statuses(&answer), [201, 422]);
    assert_eq!(answer.json["results"][1]["problem"]["code"], "key_reused");
    assert_eq!(lead.get("/v1/vessels").json["items"].as_array().map(Vec::len), Some(2));
}

#[test]
fn one_refused_item_holds_back_no_other() {
    let app = TestApp::start();
    let lead = app.lead();
    let foreign =
        app.stranger().post("/v1/vessels", &json!({"name": "x", "form": "motor", "length_m": 8})).expect(201);
    let vessel = |body: Value| json!({"kind": "vessel", "body": body});
    let batch = json!({"items": [
        vessel(json!({"name": "Hull", "form": "motor", "length_m": 8, "ref": "A"})),
        vessel(json!({"name": "Hull", "form": "motor", "length_m": 800})),
        vessel(json!({"name": "Hull", "form": "motor", "length_m": 8, "colour": "red"})),
        vessel(json!({"name": "Hull", "form": "motor", "length_m": 8, "ref": "A"})),
        vessel(json!([])),
        {"kind": "haul_out", "body": {"vessel_id": foreign.id(), "lifted_on": "2026-05-01", "reason": "repair"}},
        vessel(json!({"id": "not one", "name": "Hull", "form": "motor", "length_m": 8})),
        vessel(json!({"name": "Last", "form": "motor", "length_m": 8})),
    ]});
    let answer = lead.post("/v1/batches", &batch).expect(200);
    assert_eq!(statuses(&answer), [201, 422, 422, 409, 422, 422, 422, 201], "{}", answer.text);
    let pointer = |n: usize| answer.json["results"][n]["problem"]["errors"][0]["pointer"].clone();
    assert_eq!(pointer(1), "/items/1/body/length_m");
    assert_eq!(pointer(2), "/items/2/body/colour");
    assert_eq!(pointer(3), "/items/3/body/ref");
    assert_eq!(pointer(4), "/items/4/body");
    assert_eq!(pointer(5), "/items/5/body/vessel_id");
    assert_eq!(pointer(6), "/items/6/body/id");
    let problem = &answer.json["results"][1]["problem"];
    assert_eq!(problem["instance"].as_str(), answer.header("x-request-id").as_deref());
    assert_eq!(lead.get("/v1/vessels").json["items"].as_array().map(Vec::len), Some(2));
}

#[test]
fn each_item_needs_its_own_permission() {
    let app = TestApp::start();
    let vessel = app
        .lead()
        .post("/v1/vessels", &json!({"name": "x", "form": "motor", "length_m": 8}))
        .expect(201)
        .id();
    let batch = json!({"items": [
        {"kind": "site", "body": {"name": "North basin", "time_zone": "UTC", "climate": "temperate_sea"}},
        {"kind": "vessel", "body": {"name": "Hull", "form": "motor", "length_m": 8}},
        {"kind": "haul_out", "body": {"vessel_id": vessel, "lifted_on": "2026-05-01", "relaunched_on": "2026-05-01", "reason": "repair"}},
        {"kind": "station", "body": {"vessel_id": vessel, "code": "P1", "hull": "centre", "side": "port", "zone": "bottom"}},
        {"kind": "survey", "body": {"vessel_id": vessel, "surveyed_on": "2026-05-02"}},
    ]});
    assert_eq!(statuses(&app.crew().post("/v1/batches", &batch).expect(200)), [403, 403, 201, 201, 403]);
    assert_eq!(statuses(&app.surveyor().post("/v1/batches", &batch).expect(200)), [403, 403, 403, 409, 201]);
    assert_eq!(statuses(&app.reader().post("/v1/batches", &batch).expect(200)), [403; 5]);
    app.anonymous().post("/v1/batches", &batch).expect_problem(401, "unauthenticated", "");
}

#[test]
fn a_batch_that_is_none_is_refused_whole() {
    let app = TestApp::start();
    let lead = app.lead();
    let item = json!({"kind": "vessel", "body": {"name": "Hull", "form": "motor", "length_m": 8}});
    let cases = [
        (json!({"items": []}), "/items"),
        (json!({"items": vec![item.clone(); 501]}), "/items"),
        (json!({"items": [{"kind": "boat", "body": {}}]}), "/items/0/kind"),
        (json!({"items": [item]  , "more": 1}), "/more"),
        (json!({"items": [{"kind": "vessel"}]}), "/items/0/body"),
        (json!({}), "/items"),
    ];
    for (batch, pointer) in cases {
        lead.post("/v1/batches", &batch).expect_problem(422, "invalid", pointer);
    }
    assert_eq!(lead.get("/v1/vessels").json["items"].as_array().map(Vec::len), Some(0));
    let many = json!({"items": vec![item; 500]});
    let answer = lead.post("/v1/batches", &many).expect(200);
    assert_eq!(statuses(&answer), [201; 500]);
}

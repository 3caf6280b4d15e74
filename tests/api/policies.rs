//! `/v1/policy` and `/v1/vessels/{id}/policy`.

use garboard::ids::Id as _;
use serde_json::json;

use crate::support::app::TestApp;
use crate::support::hulls::{settle, vessel};

#[test]
fn an_organisation_starts_from_the_defaults_and_sets_and_takes_back_its_own() {
    let app = TestApp::start();
    let lead = app.lead();
    let start = lead.get("/v1/policy").expect(200);
    assert_eq!(start.etag(), "\"0\"");
    assert_eq!(start.json["limits"], json!({}));
    assert_eq!(start.json["effective"], start.json["inherited"]);
    let changed = lead
        .patch("/v1/policy", "\"0\"", &json!({"inspection_max_months": 18, "horizon_years": 20}))
        .expect(200);
    assert_eq!(changed.etag(), "\"1\"");
    assert_eq!(changed.json["limits"], json!({"inspection_max_months": 18, "horizon_years": 20}));
    assert_eq!(changed.json["effective"]["inspection_max_months"], 18);
    assert_eq!(changed.json["inherited"], start.json["inherited"]);
    let back = lead.patch("/v1/policy", "\"1\"", &json!({"inspection_max_months": null})).expect(200);
    assert_eq!(back.json["limits"], json!({"horizon_years": 20}));
    assert_eq!(lead.get("/v1/policy").expect(200).json, back.json);
    let stranger = app.stranger().get("/v1/policy").expect(200);
    assert_eq!(stranger.json["limits"], json!({}), "another organisation's are its own");
}

#[test]
fn a_vessel_overrides_its_organisation() {
    let app = TestApp::start();
    let lead = app.lead();
    let id = vessel(&lead, "Override", json!({})).id();
    let path = format!("/v1/vessels/{id}/policy");
    lead.patch("/v1/policy", "\"0\"", &json!({"inspection_max_months": 18, "repair_max_months": 2}))
        .expect(200);
    let set = lead.patch(&path, "\"0\"", &json!({"inspection_max_months": 12})).expect(200);
    assert_eq!(set.json["vessel_id"], id.as_str());
    assert_eq!(set.json["effective"]["inspection_max_months"], 12);
    assert_eq!(set.json["effective"]["repair_max_months"], 2);
    assert_eq!(set.json["inherited"]["inspection_max_months"], 18);
    lead.get(&format!("/v1/vessels/{}/policy", garboard::ids::VesselId::fresh())).expect_problem(
        404,
        "not_found",
        "",
    );
    app.stranger().get(&path).expect_problem(404, "not_found", "");
    app.stranger().patch(&path, "\"1\"", &json!({"inspection_max_months": 6})).expect_problem(
        404,
        "not_found",
        "",
    );
}

#[test]
fn limits_out_of_range_or_contradicting_are_refused_with_their_pointer() {
    let app = TestApp::start();
    let lead = app.lead();
    for (change, pointer) in [
        (json!({"inspection_risk": 1.5}), "/inspection_risk"),
        (json!({"inspection_max_months": 0}), "/inspection_max_months"),
        (json!({"inspection_min_months": 30}), "/inspection_min_months"),
        (json!({"horizon_years": "far"}), "/horizon_years"),
        (json!({"horizon_years": 2.5}), "/horizon_years"),
        (json!({"patience": 1}), "/patience"),
    ] {
        lead.patch("/v1/policy", "\"0\"", &change).expect_problem(422, "invalid", pointer);
    }
    assert_eq!(lead.get("/v1/policy").expect(200).etag(), "\"0\"", "nothing was written");
    let id = vessel(&lead, "Careful", json!({})).id();
    lead.patch(&format!("/v1/vessels/{id}/policy"), "\"0\"", &json!({"inspection_min_months": 20}))
        .expect(200);
    let refused = lead.patch("/v1/policy", "\"0\"", &json!({"inspection_max_months": 12})).expect_problem(
        422,
        "invalid",
        "/inspection_min_months",
    );
    assert!(refused.text.contains("Careful"), "{}", refused.text);
}

#[test]
fn a_change_names_its_version_and_needs_the_role() {
    let app = TestApp::start();
    let lead = app.lead();
    let change = json!({"horizon_years": 10});
    let without = lead.send(lead.request("PATCH", "/v1/policy").json(&change));
    without.expect_problem(428, "version_required", "");
    lead.patch("/v1/policy", "\"3\"", &change).expect_problem(412, "stale", "");
    lead.patch("/v1/policy", "\"0\"", &change).expect(200);
    lead.patch("/v1/policy", "\"0\"", &change).expect_problem(412, "stale", "");
    app.crew().patch("/v1/policy", "\"1\"", &change).expect_problem(403, "forbidden", "");
    app.reader().get("/v1/policy").expect(200);
    let audit = app.administrator().get("/v1/audit").expect(200);
    let acts: Vec<_> =
        audit.json["items"].as_array().into_iter().flatten().map(|act| &act["action"]).collect();
    assert!(acts.contains(&&json!("change_policy")), "{acts:?}");
}

#[test]
fn a_change_moves_the_dates_of_all_vessels_or_of_the_one() {
    let app = TestApp::start();
    let lead = app.lead();
    let cored = json!({"launched_on": "2026-01-15", "zones": [{"zone": "bottom", "cored": true}]});
    let one = vessel(&lead, "One", cored.clone()).id();
    let two = vessel(&lead, "Two", cored).id();
    settle(&app);
    let inspection = |id: &str| {
        let rows = lead.get(&format!("/v1/due?vessel_id={id}&kind=inspection")).expect(200);
        rows.json["items"][0].clone()
    };
    let before = inspection(&one);
    lead.patch(&format!("/v1/vessels/{one}/policy"), "\"0\"", &json!({"inspection_max_months": 36}))
        .expect(200);
    assert_eq!(inspection(&one)["stale"], true);
    assert_eq!(inspection(&two)["stale"], false, "only the vessel's own");
    lead.patch("/v1/policy", "\"0\"", &json!({"inspection_max_months": 12})).expect(200);
    assert_eq!(inspection(&two)["stale"], true);
    settle(&app);
    // Calendar arithmetic: so many months after the launch, nothing else bearing on a cored hull.
    assert_eq!(before["due_on"], "2028-01-15");
    assert_eq!(inspection(&one)["due_on"], "2029-01-15");
    assert_eq!(inspection(&two)["due_on"], "2027-01-15");
    assert_eq!(inspection(&two)["stale"], false);
}

//! What holds for every address.

use serde_json::json;

use crate::support::app::TestApp;

#[test]
fn a_site_is_created_read_and_changed() {
    let app = TestApp::start();
    let lead = app.lead();
    let made = lead
        .post("/v1/sites", &json!({"name": "North basin", "time_zone": "UTC", "climate": "temperate_sea"}))
        .expect(201);
    let path = format!("/v1/sites/{}", made.id());
    assert_eq!(made.header("location").as_deref(), Some(path.as_str()));
    let read = lead.get(&path).expect(200);
    assert_eq!(read.json, made.json);
    let changed = lead.patch(&path, &read.etag(), &json!({"name": "South basin"})).expect(200);
    assert_eq!(changed.json["name"], "South basin");
    assert_eq!(changed.json["version"], 2);
    lead.patch(&path, &read.etag(), &json!({"name": "East basin"})).expect_problem(412, "stale", "");
    app.stranger().get(&path).expect_problem(404, "not_found", "");
    app.anonymous().get(&path).expect_problem(401, "unauthenticated", "");
    app.reader().post("/v1/sites", &json!({})).expect_problem(403, "forbidden", "");
}

//! Bounds on what anybody may ask: how often, how, from which page.

use garboard::http::guards::Bounds;
use serde_json::json;

use crate::support::app::{TODAY, TestApp};

#[test]
fn who_comes_too_often_is_told_when_to_come_again() {
    let app = TestApp::start_with(TODAY, Bounds { requests_per_second: 1, ..Bounds::default() });
    let lead = app.lead();
    // Bursts of ten for one caller; each further one a second later.
    let refused = (0..200).map(|_| lead.get("/v1/sites")).find(|answer| answer.status != 200);
    let refused = refused.expect("refused at last").expect_problem(429, "too_many", "");
    assert!(refused.header("retry-after").is_some_and(|s| s.parse::<u64>().is_ok_and(|s| s >= 1)));
    app.crew().get("/v1/sites").expect(200);
    // Forty for one address, whoever asks.
    let nobody = app.anonymous();
    let refused = (0..400).map(|_| nobody.get("/v1/sites")).find(|answer| answer.status != 401);
    refused.expect("refused at last").expect_problem(429, "too_many", "");
    app.at_address("127.0.0.2").get("/v1/sites").expect_problem(401, "unauthenticated", "");
}

#[test]
fn compressed_bodies_are_refused_so_that_nothing_grows() {
    let app = TestApp::start();
    let lead = app.lead();
    for (path, kind) in [("/v1/sites", "application/json"), ("/v1/imports/vessels", "text/csv")] {
        let request =
            lead.request("POST", path).header("content-type", kind).header("content-encoding", "gzip");
        lead.send(request.body(vec![0x1f, 0x8b, 8, 0])).expect_problem(415, "unsupported_media_type", "");
    }
    let plain = lead.request("POST", "/v1/sites").header("content-encoding", "identity");
    let site = json!({"name": "A basin", "time_zone": "UTC", "climate": "temperate_sea"});
    lead.send(plain.json(&site)).expect(201);
}

#[test]
fn answers_tell_browsers_what_they_may_do_with_them() {
    let app = TestApp::start();
    let nobody = app.anonymous();
    for path in ["/v1/sites", "/docs/", "/health/live", "/nowhere"] {
        let answer = nobody.get(path);
        assert_eq!(answer.header("x-content-type-options").as_deref(), Some("nosniff"), "{path}");
        assert_eq!(answer.header("referrer-policy").as_deref(), Some("no-referrer"), "{path}");
        assert_eq!(answer.header("strict-transport-security"), None, "RFC 6797, 7.2: not without TLS");
    }
    let policy = nobody.get("/docs/").expect(200).header("content-security-policy").expect("of a page");
    assert!(policy.contains("default-src 'self'") && policy.contains("frame-ancestors 'none'"), "{policy}");
    assert_eq!(nobody.get("/health/live").header("content-security-policy"), None);
}

#[test]
fn pages_of_other_origins_are_let_in_only_where_they_are_named() {
    let preflight = |app: &TestApp, origin: &str| {
        let nobody = app.anonymous();
        let request = nobody.request("OPTIONS", "/v1/sites").header("origin", origin);
        nobody.send(request.header("access-control-request-method", "GET"))
    };
    let closed = TestApp::start();
    let origin = "https://planning.example";
    assert_eq!(preflight(&closed, origin).header("access-control-allow-origin"), None);
    let lead = closed.lead();
    let plain = lead.send(lead.request("GET", "/v1/sites").header("origin", origin)).expect(200);
    assert_eq!(plain.header("access-control-allow-origin"), None);

    let bounds = Bounds { cors_origins: vec![origin.to_owned()], ..Bounds::default() };
    let open = TestApp::start_with(TODAY, bounds);
    // The Fetch standard, 3.2.3: the origin is named in the answer, and the method.
    let answer = preflight(&open, origin).expect(200);
    assert_eq!(answer.header("access-control-allow-origin").as_deref(), Some(origin));
    assert_eq!(preflight(&open, "https://elsewhere.example").header("access-control-allow-origin"), None);
}

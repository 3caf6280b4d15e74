//! Bounds on what anybody may ask: how often, how, from which page.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::Duration;

use diesel::connection::SimpleConnection;
use diesel::{Connection, PgConnection};
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

#[test]
fn what_takes_too_long_is_given_up_with_a_reason() {
    let app = TestApp::start_with(
        TODAY,
        Bounds { request_time: Duration::ZERO, requests_per_second: 0, ..Bounds::default() },
    );
    app.lead().get("/v1/sites").expect_problem(503, "unavailable", "");
}

/// Sends the beginning of a request and no more; everything that comes back until the server hangs up.
fn never_finish(app: &TestApp, beginning: &str) -> String {
    let mut stream = TcpStream::connect(app.address.trim_start_matches("http://")).expect("it listens");
    stream.write_all(beginning.as_bytes()).expect("it reads");
    let mut answer = Vec::new();
    // A reset is a way of hanging up.
    stream.read_to_end(&mut answer).ok();
    String::from_utf8_lossy(&answer).into_owned()
}

#[test]
fn a_client_that_never_finishes_its_body_holds_nothing_for_long() {
    let app = TestApp::start_with(
        TODAY,
        Bounds { request_time: Duration::from_millis(300), requests_per_second: 0, ..Bounds::default() },
    );
    let token = app.lead().token.expect("signed in");
    let answer = never_finish(
        &app,
        &format!(
            "POST /v1/sites HTTP/1.1\r\nHost: a\r\nAuthorization: Bearer {token}\r\nContent-Type: application/json\r\nContent-Length: 1000\r\n\r\n{{\"name\":"
        ),
    );
    assert!(answer.starts_with("HTTP/1.1 503 "), "{answer}");
    assert!(answer.contains("took too long"), "{answer}");
    assert_eq!(app.at_address("127.0.0.1").get("/health/live").status, 200);
}

// RFC 9110, 15.5.9: a request that did not come in time is 408. The server waits 15 seconds.
#[test]
fn a_client_that_never_finishes_its_headers_is_hung_up_on() {
    let app = TestApp::start();
    let answer = never_finish(&app, "GET /v1/sites HTTP/1.1\r\nHost: a\r\nX-Slow: ");
    assert!(answer.is_empty() || answer.starts_with("HTTP/1.1 408 "), "{answer}");
    app.lead().get("/v1/sites").expect(200);
}

#[test]
fn a_database_that_keeps_one_waiting_is_unavailable_and_nothing_is_written() {
    let app = TestApp::start();
    let mut superuser = PgConnection::establish(&app.database.superuser_url()).expect("the tests' server");
    superuser.batch_execute("BEGIN; LOCK TABLE sites IN ACCESS EXCLUSIVE MODE").expect("a lock");
    let site = json!({"name": "A basin", "time_zone": "UTC", "climate": "temperate_sea"});
    // Six wait for the lock (ten seconds) with the six connections there are, the others for a connection (five).
    let answers: Vec<_> = std::thread::scope(|scope| {
        let hands: Vec<_> = (0..9)
            .map(|_| (app.lead(), &site))
            .map(|(lead, site)| scope.spawn(move || lead.post("/v1/sites", site)))
            .collect();
        hands.into_iter().map(|hand| hand.join().expect("an answer")).collect()
    });
    for answer in answers {
        let answer = answer.expect_problem(503, "unavailable", "");
        assert!(answer.header("retry-after").is_some());
    }
    superuser.batch_execute("ROLLBACK").expect("let go");
    assert_eq!(app.lead().get("/v1/sites").expect(200).json["items"], json!([]));
    app.lead().post("/v1/sites", &site).expect(201);
}

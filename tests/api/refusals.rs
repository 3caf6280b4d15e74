//! What no handler has to think of: requests that cannot be read, and addresses that are not there.

use serde_json::{Value, json};

use crate::support::app::{Answer, Client, TestApp};

const PATH: &str = "/v1/sites";

fn send(client: &Client, content_type: &str, body: impl Into<reqwest::blocking::Body>) -> Answer {
    client.send(client.request("POST", PATH).header("content-type", content_type).body(body))
}

#[test]
fn what_is_not_json_is_malformed() {
    let app = TestApp::start();
    let lead = app.lead();
    for body in
        ["", "{", "{\"name\": }", "{\"name\": \"x\"} x", "{\"length_m\": NaN}", "\u{feff}{}", "{'a': 1}"]
    {
        send(&lead, "application/json", body).expect_problem(400, "malformed", "");
    }
    send(&lead, "application/json", b"{\"name\": \"\xff\"}".to_vec()).expect_problem(400, "malformed", "");
    let deep = format!("{}{}", "[".repeat(100_000), "]".repeat(100_000));
    send(&lead, "application/json", deep).expect_problem(400, "malformed", "");
    let nested = format!("{{\"months\": {}1{}}}", "{\"a\":".repeat(100_000), "}".repeat(100_000));
    send(&lead, "application/json", nested).expect_problem(400, "malformed", "");
}

#[test]
fn what_is_no_object_or_of_the_wrong_type_is_refused_at_its_place() {
    let app = TestApp::start();
    let lead = app.lead();
    for body in [json!([]), json!("x"), json!(1), Value::Null] {
        lead.post(PATH, &body).expect_problem(422, "invalid", "");
    }
    let site = |more: Value| {
        let mut body = json!({"name": "N", "time_zone": "UTC", "climate": "temperate_sea"});
        for (name, value) in more.as_object().expect("an object") {
            body[name] = value.clone();
        }
        lead.post(PATH, &body)
    };
    site(json!({"name": 7})).expect_problem(422, "invalid", "/name");
    site(json!({"name": {"x": 1}})).expect_problem(422, "invalid", "/name");
    site(json!({"months": {}})).expect_problem(422, "invalid", "/months");
    site(json!({"months": [7]})).expect_problem(422, "invalid", "/months/0");
    site(json!({"months": [{"month": "May"}]})).expect_problem(422, "invalid", "/months/0/month");
    site(json!({"name": "a\u{0}b"})).expect_problem(422, "invalid", "/name");
    site(json!({"colour": 1})).expect_problem(422, "invalid", "/colour");
    let both = site(json!({"colour": 1, "depth_m": 2})).expect_problem(422, "invalid", "/depth_m");
    assert_eq!(both.pointers(), ["/colour", "/depth_m"]);
    lead.patch(PATH, "\"1\"", &json!([])).expect(405);
    let made = site(json!({})).expect(201);
    lead.patch(&format!("{PATH}/{}", made.id()), "\"1\"", &json!([])).expect_problem(422, "invalid", "");
}

#[test]
fn a_body_is_json_of_a_mebibyte_at_most() {
    let app = TestApp::start();
    let lead = app.lead();
    let body =
        json!({"name": "N", "time_zone": "UTC", "climate": "temperate_sea", "note": "x".repeat(2_000_000)});
    lead.post(PATH, &body).expect_problem(413, "too_large", "");
    let body = json!({"name": "N", "time_zone": "UTC", "climate": "temperate_sea"}).to_string();
    for content_type in ["text/plain", "application/x-www-form-urlencoded", "application/xml", ""] {
        send(&lead, content_type, body.clone()).expect_problem(415, "unsupported_media_type", "");
    }
    lead.send(lead.request("POST", PATH).body(body.clone())).expect_problem(
        415,
        "unsupported_media_type",
        "",
    );
    send(&lead, "application/json; charset=utf-8", body).expect(201);
}

#[test]
fn a_wrong_method_or_address_is_a_problem_document_too() {
    let app = TestApp::start();
    let lead = app.lead();
    let problem = |method: &str, path: &str, status: u16| {
        let answer = lead.send(lead.request(method, path)).expect(status);
        assert_eq!(
            answer.header("content-type").as_deref(),
            Some("application/problem+json"),
            "{method} {path}"
        );
        assert_eq!(answer.json["status"], status);
        answer
    };
    assert_eq!(problem("DELETE", "/v1/sites", 405).header("allow").as_deref(), Some("GET, HEAD, POST"));
    let one = "/v1/vessels/0197f2c0-0000-7000-8000-000000000000";
    assert_eq!(problem("POST", one, 405).header("allow").as_deref(), Some("GET, HEAD, PATCH"));
    assert_eq!(problem("GET", "/v1/sign-in", 405).header("allow").as_deref(), Some("POST"));
    problem("GET", "/v1/nothing", 404);
    problem("GET", "/v2/sites", 404);
    problem("GET", "/v1/sites/", 404);
    problem("GET", "/v1/vessels/7", 404);
    problem("GET", one, 404);
}

#[test]
fn a_cursor_of_our_making_cannot_be_altered() {
    let app = TestApp::start();
    let lead = app.lead();
    for name in ["A", "B"] {
        lead.post(PATH, &json!({"name": name, "time_zone": "UTC", "climate": "temperate_sea"})).expect(201);
    }
    let page = lead.get("/v1/sites?limit=1").expect(200);
    let cursor = page.json["next_cursor"].as_str().expect("more follow").to_owned();
    lead.get(&format!("/v1/sites?cursor={cursor}")).expect(200);
    let shorter: String = cursor.chars().skip(1).collect();
    let reversed: String = cursor.chars().rev().collect();
    for altered in [shorter, reversed, format!("{cursor}A"), "x".to_owned(), "%00".to_owned(), String::new()]
    {
        let answer = lead.get(&format!("/v1/sites?cursor={altered}"));
        assert!(
            matches!(
                (answer.status, answer.json["code"].as_str()),
                (400, Some("malformed")) | (422, Some("invalid"))
            ),
            "{altered}: {}",
            answer.text
        );
    }
    lead.get(&format!("/v1/sites?updated_since=2026-06-15T10:00:00Z&cursor={cursor}")).expect_problem(
        400,
        "malformed",
        "",
    );
}

#[test]
fn a_retry_key_is_one_line_of_plain_characters() {
    let app = TestApp::start();
    let lead = app.lead();
    let body = json!({"name": "N", "time_zone": "UTC", "climate": "temperate_sea"});
    lead.post_with_key(PATH, "", &body).expect_problem(422, "invalid", "Idempotency-Key");
    lead.post_with_key(PATH, &"k".repeat(201), &body).expect_problem(422, "invalid", "Idempotency-Key");
    lead.post_with_key(PATH, &"k".repeat(200), &body).expect(201);
}

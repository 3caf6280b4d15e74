//! /v1/programs, /oauth/token, /.well-known/jwks.json

use base64::Engine;
use base64::engine::general_purpose::{STANDARD, URL_SAFE_NO_PAD};
use serde_json::{Value, json};

use super::invitations::as_superuser;
use crate::support::app::{Answer, TestApp};

/// Fields of the form, credentials by HTTP Basic, the status and the word of the refusal.
type Case<'a> = (Vec<(&'a str, &'a str)>, Option<String>, u16, &'a str);

const FORM: &str = "application/x-www-form-urlencoded";

fn program(app: &TestApp, scopes: &[&str]) -> Answer {
    app.administrator().post("/v1/programs", &json!({"name": "Fleet planning", "scopes": scopes})).expect(201)
}

fn text(answer: &Answer, field: &str) -> String {
    answer.json[field].as_str().expect("a text").to_owned()
}

fn form(fields: &[(&str, &str)]) -> String {
    form_urlencoded::Serializer::new(String::new()).extend_pairs(fields).finish()
}

fn ask(app: &TestApp, body: String, basic: Option<&str>) -> Answer {
    let nobody = app.anonymous();
    let request = nobody.request("POST", "/oauth/token").header("content-type", FORM).body(body);
    nobody.send(match basic {
        Some(both) => request.header("authorization", format!("Basic {}", STANDARD.encode(both))),
        None => request,
    })
}

fn by_form(app: &TestApp, made: &Answer, more: &[(&str, &str)]) -> Answer {
    let (id, secret) = (text(made, "client_id"), text(made, "client_secret"));
    let mut fields =
        vec![("grant_type", "client_credentials"), ("client_id", &*id), ("client_secret", &*secret)];
    fields.extend_from_slice(more);
    ask(app, form(&fields), None)
}

#[test]
fn a_program_gets_a_token_and_acts_within_its_scopes() {
    let app = TestApp::start();
    let made = program(&app, &["keep_register", "read"]);
    // RFC 6749, 4.4.3 and 5.1: what an answer holds, and that nobody keeps it.
    let answer = by_form(&app, &made, &[]).expect(200);
    assert_eq!(answer.json["token_type"], "Bearer");
    assert_eq!(
        (&answer.json["expires_in"], &answer.json["scope"]),
        (&json!(600), &json!("read keep_register"))
    );
    assert!(answer.json["refresh_token"].is_null());
    assert_eq!(answer.header("cache-control").as_deref(), Some("no-store"));
    assert_eq!(answer.header("pragma").as_deref(), Some("no-cache"));
    let client = app.bearing(&text(&answer, "access_token"));
    let site = json!({"name": "A basin", "time_zone": "UTC", "climate": "temperate_sea"});
    client.post("/v1/sites", &site).expect(201);
    client.get("/v1/sites").expect(200);
    client.get("/v1/members").expect_problem(403, "forbidden", "");
    client.get("/v1/me").expect_problem(403, "forbidden", "");
    client.patch("/v1/policy", "\"0\"", &json!({"inspection_max_months": 12})).expect_problem(
        403,
        "forbidden",
        "",
    );
    let audit = app.administrator().get("/v1/audit").expect(200);
    let act =
        audit.json["items"].as_array().expect("rows").iter().find(|a| a["action"] == "create_site").cloned();
    let act = act.expect("it is recorded");
    assert_eq!((&act["program_id"], &act["person_id"]), (&made.json["id"], &Value::Null));

    let less = by_form(&app, &made, &[("scope", "read")]).expect(200);
    assert_eq!(less.json["scope"], "read");
    app.bearing(&text(&less, "access_token")).post("/v1/sites", &site).expect_problem(403, "forbidden", "");
}

#[test]
fn credentials_come_by_basic_too_encoded_as_in_a_form() {
    let app = TestApp::start();
    let made = program(&app, &["read"]);
    let (id, secret) = (text(&made, "client_id"), text(&made, "client_secret"));
    let grant = || form(&[("grant_type", "client_credentials")]);
    ask(&app, grant(), Some(&format!("{id}:{secret}"))).expect(200);
    // RFC 6749, 2.3.1: both parts are encoded as in a form before they are put together.
    ask(&app, grant(), Some(&format!("{}:{secret}", id.replace('-', "%2D")))).expect(200);
    let wrong = ask(&app, grant(), Some(&format!("{id}:wrong"))).expect(401);
    assert_eq!(wrong.json["error"], "invalid_client");
    assert!(wrong.header("www-authenticate").is_some_and(|scheme| scheme.starts_with("Basic ")));
}

#[test]
fn refusals_are_those_of_the_standard() {
    let app = TestApp::start();
    let made = program(&app, &["read"]);
    let (id, secret) = (text(&made, "client_id"), text(&made, "client_secret"));
    let (grant, client, key) =
        (("grant_type", "client_credentials"), ("client_id", &*id), ("client_secret", &*secret));
    let foreign = format!("{}.{}", app.away.org_id, id.split('.').nth(1).expect("two parts"));
    // RFC 6749, 5.2 (words and statuses), 3.2 (no parameter twice), 2.3 (one way of authentication).
    let table: [Case<'_>; 12] = [
        (vec![client, key], None, 400, "invalid_request"),
        (vec![("grant_type", ""), client, key], None, 400, "invalid_request"),
        (vec![("grant_type", "password"), client, key], None, 400, "unsupported_grant_type"),
        (vec![grant, grant, client, key], None, 400, "invalid_request"),
        (vec![grant, client, key, ("scope", "set_policy")], None, 400, "invalid_scope"),
        (vec![grant, client, key, ("scope", "read administer")], None, 400, "invalid_scope"),
        (vec![grant], None, 401, "invalid_client"),
        (vec![grant, client], None, 401, "invalid_client"),
        (vec![grant, client, ("client_secret", "wrong")], None, 401, "invalid_client"),
        (vec![grant, ("client_id", "nobody"), key], None, 401, "invalid_client"),
        (vec![grant, ("client_id", &foreign), key], None, 401, "invalid_client"),
        (vec![grant, key], Some(format!("{id}:{secret}")), 400, "invalid_request"),
    ];
    for (fields, basic, status, word) in table {
        // Each tries once more at the same account from the same address: the burst is larger than that.
        let answer = ask(&app, form(&fields), basic.as_deref());
        assert_eq!(
            (answer.status, &answer.json["error"]),
            (status, &json!(word)),
            "{fields:?}: {}",
            answer.text
        );
        assert!(answer.json["error_description"].is_string());
        assert_eq!(answer.header("cache-control").as_deref(), Some("no-store"));
    }
    let nobody = app.anonymous();
    let as_json = nobody.post("/oauth/token", &json!({"grant_type": "client_credentials"})).expect(400);
    assert_eq!(as_json.json["error"], "invalid_request");
    let long = ask(&app, "x".repeat(1_000_000), None).expect(400);
    assert_eq!(long.json["error"], "invalid_request");
}

#[test]
fn a_secret_is_followed_by_another_with_an_overlap() {
    let app = TestApp::start();
    let administrator = app.administrator();
    let first = program(&app, &["read"]);
    let path = format!("/v1/programs/{}", first.id());
    let secrets = format!("{path}/secrets");
    let mut second = administrator.post(&secrets, &json!({"overlap_h": 24})).expect(201);
    second.json["client_id"] = first.json["client_id"].clone();
    assert_ne!(first.json["client_secret"], second.json["client_secret"]);
    by_form(&app, &first, &[]).expect(200);
    by_form(&app, &second, &[]).expect(200);
    let third = administrator.post(&secrets, &json!({"overlap_h": 0})).expect(201);
    by_form(&app, &first, &[]).expect(401);
    by_form(&app, &second, &[]).expect(401);
    by_form(&app, &third, &[]).expect(200);
    administrator.post(&secrets, &json!({"overlap_h": 721})).expect_problem(422, "invalid", "/overlap_h");
    let read = administrator.get(&path).expect(200);
    for secret in [&first, &second, &third] {
        assert!(!read.text.contains(&text(secret, "client_secret")), "shown once");
    }
}

#[test]
fn a_program_that_ended_or_ran_out_gets_no_token() {
    let app = TestApp::start();
    let administrator = app.administrator();
    let made = program(&app, &["read"]);
    let path = format!("/v1/programs/{}", made.id());
    let ended = administrator.patch(&path, "\"1\"", &json!({"ended": true})).expect(200);
    by_form(&app, &made, &[]).expect(401);
    let open = json!({"ended": false, "expires_at": "2026-06-15T10:00:01Z"});
    administrator.patch(&path, &ended.etag(), &open).expect(200);
    by_form(&app, &made, &[]).expect(200);
    as_superuser(&app, "UPDATE programs SET expires_at = '2026-06-15T10:00:00Z'");
    by_form(&app, &made, &[]).expect(401);
    administrator.patch(&path, "\"1\"", &json!({"ended": true})).expect_problem(412, "stale", "");
    let bad = json!({"name": "X", "scopes": []});
    administrator.post("/v1/programs", &bad).expect_problem(422, "invalid", "/scopes");
    let bad = json!({"name": "X", "scopes": ["administer"]});
    administrator.post("/v1/programs", &bad).expect_problem(422, "invalid", "/scopes/0");
    app.lead().get("/v1/programs").expect_problem(403, "forbidden", "");
    app.stranger().get(&path).expect_problem(404, "not_found", "");
}

#[test]
fn tokens_verify_with_the_published_keys() {
    let app = TestApp::start();
    let set = app.anonymous().get("/.well-known/jwks.json").expect(200);
    let key = set.json["keys"][0].clone();
    // RFC 8037, 2: the members of such a key; 4.1 of RFC 7517 and on: use, alg, kid.
    for (member, value) in [("kty", "OKP"), ("crv", "Ed25519"), ("alg", "EdDSA"), ("use", "sig")] {
        assert_eq!(key[member], value);
    }
    let token = app.lead().token.expect("a token");
    let parts: Vec<&str> = token.split('.').collect();
    let header: Value =
        serde_json::from_slice(&URL_SAFE_NO_PAD.decode(parts[0]).expect("base64url")).expect("JSON");
    assert_eq!((&header["alg"], &header["kid"]), (&json!("EdDSA"), &key["kid"]));
    let public = URL_SAFE_NO_PAD.decode(key["x"].as_str().expect("x")).expect("base64url");
    let signature = URL_SAFE_NO_PAD.decode(parts[2]).expect("base64url");
    let signed = format!("{}.{}", parts[0], parts[1]);
    ring::signature::UnparsedPublicKey::new(&ring::signature::ED25519, public)
        .verify(signed.as_bytes(), &signature)
        .expect("the published key verifies it");
}

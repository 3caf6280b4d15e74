//! /v1/sign-in, /v1/sign-out, /v1/organisation, /v1/members

use serde_json::{Value, json};

use crate::support::app::{Answer, Client, PASSWORD, TestApp};

fn sign_in(client: &Client, email: &str, password: &str) -> Answer {
    client.post("/v1/sign-in", &json!({"email": email, "password": password}))
}

fn refresh(client: &Client, token: &Value) -> Answer {
    client.post("/v1/sign-in/refresh", &json!({"refresh_token": token}))
}

fn bearing(client: &Client, session: &Answer) -> Client {
    let token = session.json["access_token"].as_str().expect("an access token").to_owned();
    Client { token: Some(token), ..client.clone() }
}

#[test]
fn signing_in_opens_a_session() {
    let app = TestApp::start();
    let nobody = app.anonymous();
    let session = sign_in(&nobody, " Lead@Home.example ", PASSWORD).expect(200);
    assert_eq!(session.header("cache-control").as_deref(), Some("no-store"));
    assert_eq!(session.json["token_type"], "Bearer");
    assert_eq!(session.json["expires_in_s"], 600);
    assert_eq!(session.json["role"], "lead");
    assert_eq!(session.json["org_id"], json!(app.home.org_id));
    bearing(&nobody, &session).get("/v1/organisation").expect(200);
}

#[test]
fn a_wrong_password_and_an_unknown_account_look_alike() {
    let app = TestApp::start();
    let nobody = app.anonymous();
    let wrong =
        sign_in(&nobody, "lead@home.example", "a wrong password").expect_problem(401, "unauthenticated", "");
    let unknown = sign_in(&nobody, "ghost@home.example", PASSWORD).expect_problem(401, "unauthenticated", "");
    let foreign = nobody
        .post(
            "/v1/sign-in",
            &json!({"email": "lead@home.example", "password": PASSWORD, "org_id": app.away.org_id}),
        )
        .expect_problem(401, "unauthenticated", "");
    let words = |answer: &Answer| {
        let mut problem = answer.json.clone();
        problem.as_object_mut().expect("an object").remove("instance");
        problem
    };
    assert_eq!(words(&wrong), words(&unknown));
    assert_eq!(words(&wrong), words(&foreign));
    assert_eq!(wrong.header("www-authenticate").as_deref(), Some("Bearer"));
}

#[test]
fn a_refresh_token_is_good_for_one_use() {
    let app = TestApp::start();
    let nobody = app.anonymous();
    let first = sign_in(&nobody, "crew@home.example", PASSWORD).expect(200);
    let second = refresh(&nobody, &first.json["refresh_token"]).expect(200);
    assert_ne!(first.json["refresh_token"], second.json["refresh_token"]);
    let third = refresh(&nobody, &second.json["refresh_token"]).expect(200);
    let other = sign_in(&nobody, "crew@home.example", PASSWORD).expect(200);

    refresh(&nobody, &first.json["refresh_token"]).expect_problem(401, "unauthenticated", "");
    refresh(&nobody, &third.json["refresh_token"]).expect_problem(401, "unauthenticated", "");
    refresh(&nobody, &other.json["refresh_token"]).expect(200);
    refresh(&nobody, &json!("made up")).expect_problem(401, "unauthenticated", "");
}

#[test]
fn signing_out_ends_the_session() {
    let app = TestApp::start();
    let nobody = app.anonymous();
    let session = sign_in(&nobody, "crew@home.example", PASSWORD).expect(200);
    let body = json!({"refresh_token": session.json["refresh_token"]});
    nobody.post("/v1/sign-out", &body).expect(204);
    nobody.post("/v1/sign-out", &body).expect(204);
    nobody.post("/v1/sign-out", &json!({"refresh_token": "made up"})).expect(204);
    refresh(&nobody, &session.json["refresh_token"]).expect_problem(401, "unauthenticated", "");
}

#[test]
fn a_token_that_was_tampered_with_does_not_hold() {
    let app = TestApp::start();
    let lead = app.lead();
    let token = lead.token.clone().expect("a token");
    let mut parts: Vec<String> = token.split('.').map(str::to_owned).collect();
    let administrator = app.administrator().token.expect("a token");
    parts[1] = administrator.split('.').nth(1).expect("claims").to_owned();
    for token in [parts.join("."), format!("{token}x"), "x".to_owned(), "x".repeat(5000), String::new()] {
        let client = Client { token: Some(token), ..lead.clone() };
        client.get("/v1/organisation").expect_problem(401, "unauthenticated", "");
    }
    let basic = app.anonymous();
    basic
        .send(basic.request("GET", "/v1/organisation").header("authorization", "Basic bGVhZDpsZWFk"))
        .expect_problem(401, "unauthenticated", "");
}

#[test]
fn the_organisation_is_changed_by_its_administrator() {
    let app = TestApp::start();
    let administrator = app.administrator();
    let read = app.reader().get("/v1/organisation").expect(200);
    assert_eq!((&read.json["name"], &read.json["time_zone"]), (&json!("Home"), &json!("UTC")));
    let changed = administrator
        .patch("/v1/organisation", &read.etag(), &json!({"time_zone": "Europe/Lisbon"}))
        .expect(200);
    assert_eq!(
        (&changed.json["name"], &changed.json["time_zone"]),
        (&json!("Home"), &json!("Europe/Lisbon"))
    );
    let patch = |etag: &str, body: Value| administrator.patch("/v1/organisation", etag, &body);
    patch(&read.etag(), json!({"name": "X"})).expect_problem(412, "stale", "");
    patch(&changed.etag(), json!({"name": null})).expect_problem(422, "invalid", "/name");
    patch(&changed.etag(), json!({"time_zone": "Mars/Crater"})).expect_problem(422, "invalid", "/time_zone");
    app.lead().patch("/v1/organisation", &changed.etag(), &json!({"name": "X"})).expect_problem(
        403,
        "forbidden",
        "",
    );
    assert_eq!(app.stranger().get("/v1/organisation").expect(200).json["name"], "Away");
}

#[test]
fn members_are_the_administrators_business() {
    let app = TestApp::start();
    let crew_path = format!("/v1/members/{}", app.home.people["crew"].0);
    let new = json!({"email": "x@home.example", "role": "reader"});
    for client in [app.lead(), app.surveyor(), app.crew(), app.reader()] {
        client.get("/v1/members").expect_problem(403, "forbidden", "");
        client.get(&crew_path).expect_problem(403, "forbidden", "");
        client.get("/v1/audit").expect_problem(403, "forbidden", "");
        client.get("/v1/invitations").expect_problem(403, "forbidden", "");
        client.post("/v1/invitations", &new).expect_problem(403, "forbidden", "");
        client.patch(&crew_path, "\"1\"", &json!({"role": "lead"})).expect_problem(403, "forbidden", "");
    }
    app.stranger().get(&crew_path).expect_problem(404, "not_found", "");
    app.stranger().patch(&crew_path, "\"1\"", &json!({"role": "lead"})).expect_problem(404, "not_found", "");
}

#[test]
fn an_ended_membership_ends_the_session() {
    let app = TestApp::start();
    let (administrator, nobody) = (app.administrator(), app.anonymous());
    let session = sign_in(&nobody, "crew@home.example", PASSWORD).expect(200);
    let path = format!("/v1/members/{}", app.home.people["crew"].0);
    let member = administrator.get(&path).expect(200);
    let ended = administrator.patch(&path, &member.etag(), &json!({"ended": true})).expect(200);
    assert_eq!(ended.json["ended"], true);
    refresh(&nobody, &session.json["refresh_token"]).expect_problem(401, "unauthenticated", "");
    sign_in(&nobody, "crew@home.example", PASSWORD).expect_problem(401, "unauthenticated", "");
    administrator.patch(&path, &member.etag(), &json!({"ended": false})).expect_problem(412, "stale", "");
    administrator.patch(&path, &ended.etag(), &json!({"ended": false, "role": "surveyor"})).expect(200);
    assert_eq!(sign_in(&nobody, "crew@home.example", PASSWORD).expect(200).json["role"], "surveyor");
}

#[test]
fn the_last_administrator_stays() {
    let app = TestApp::start();
    let administrator = app.administrator();
    let own = format!("/v1/members/{}", app.home.people["administrator"].0);
    for change in [json!({"role": "reader"}), json!({"ended": true})] {
        let refused = administrator.patch(&own, "\"1\"", &change).expect_problem(422, "invalid", "/role");
        assert_eq!(refused.json["errors"][0]["code"], "last_administrator");
    }
    let lead = format!("/v1/members/{}", app.home.people["lead"].0);
    administrator.patch(&lead, "\"1\"", &json!({"role": "administrator"})).expect(200);
    administrator.patch(&own, "\"1\"", &json!({"role": "reader"})).expect(200);
    let last = Client { ..app.administrator() };
    last.patch(&lead, "\"2\"", &json!({"ended": true})).expect_problem(422, "invalid", "/role");
}

#[test]
fn members_are_listed_page_by_page() {
    let app = TestApp::start();
    let administrator = app.administrator();
    let mut seen = Vec::new();
    let mut path = "/v1/members?limit=2".to_owned();
    loop {
        let page = administrator.get(&path).expect(200);
        let items = page.json["items"].as_array().expect("items").clone();
        assert!(items.len() <= 2);
        seen.extend(items.iter().map(|member| member["email"].as_str().expect("an address").to_owned()));
        match page.json["next_cursor"].as_str() {
            Some(cursor) => path = format!("/v1/members?limit=2&cursor={cursor}"),
            None => break,
        }
    }
    seen.sort();
    let expected: Vec<String> = ["administrator", "crew", "lead", "reader", "surveyor"]
        .iter()
        .map(|word| format!("{word}@home.example"))
        .collect();
    assert_eq!(seen, expected);
}

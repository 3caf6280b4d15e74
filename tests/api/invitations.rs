//! /v1/invitations

use diesel::{Connection, PgConnection, RunQueryDsl};
use garboard::http::guards::Bounds;
use garboard::http::mail::Mail;
use serde_json::{Value, json};

use crate::support::app::{Answer, PASSWORD, TODAY, TestApp};
use crate::support::smtp::Letterbox;

const OWN_PASSWORD: &str = "twelve wet ropes";

fn invite(app: &TestApp, email: &str, role: &str) -> Answer {
    app.administrator().post("/v1/invitations", &json!({"email": email, "role": role}))
}

fn accept(app: &TestApp, body: &Value) -> Answer {
    app.anonymous().post("/v1/invitations/acceptance", body)
}

/// Changes rows as nobody can who comes by HTTP, such as to let time pass.
pub fn as_superuser(app: &TestApp, statement: &str) {
    let mut superuser = PgConnection::establish(&app.database.superuser_url()).expect("the tests' server");
    let changed = diesel::sql_query(statement).execute(&mut superuser).expect("a statement that runs");
    assert!(changed > 0, "{statement} changes nothing");
}

#[test]
fn an_invitation_is_accepted_once_and_makes_a_member() {
    let app = TestApp::start();
    let made = invite(&app, "New@Home.example", "surveyor").expect(201);
    assert_eq!((&made.json["email"], &made.json["role"]), (&json!("new@home.example"), &json!("surveyor")));
    let token = app.token_for("New@Home.example");
    assert!(!made.text.contains(&token), "the token goes to the mailbox only");
    let path = made.header("location").expect("a location");
    assert_eq!(app.administrator().get(&path).expect(200).json, made.json);
    let right = json!({"token": token, "password": OWN_PASSWORD, "display_name": "The new one"});
    for (field, value, pointer) in [
        ("password", json!("too short"), "/password"),
        ("display_name", json!(null), "/display_name"),
        ("token", json!("made up"), "/token"),
        ("token", json!(format!("{token}A")), "/token"),
        ("token", json!(token.chars().rev().collect::<String>()), "/token"),
    ] {
        let mut body = right.clone();
        body[field] = value;
        accept(&app, &body).expect_problem(422, "invalid", pointer);
    }
    let session = accept(&app, &right).expect(200);
    assert_eq!(
        (&session.json["role"], &session.json["org_id"]),
        (&json!("surveyor"), &json!(app.home.org_id))
    );
    let access = session.json["access_token"].as_str().expect("a token");
    app.bearing(access).get("/v1/vessels").expect(200);
    accept(&app, &right).expect_problem(422, "invalid", "/token");
    let settled = app.administrator().get(&path).expect(200);
    assert_eq!(settled.json["email"], Value::Null, "personal fields stand in one place");
    assert!(settled.json["accepted_at"].is_string());
    let sign_in = json!({"email": "new@home.example", "password": OWN_PASSWORD});
    app.anonymous().post("/v1/sign-in", &sign_in).expect(200);
    invite(&app, "new@home.example", "crew").expect_problem(409, "duplicate", "/email");
    let audit = app.administrator().get("/v1/audit").expect(200);
    let acts: Vec<&str> =
        audit.json["items"].as_array().expect("rows").iter().filter_map(|a| a["action"].as_str()).collect();
    assert!(acts.contains(&"create_invitation") && acts.contains(&"create_member"), "{acts:?}");
    assert!(!audit.text.contains("new@home.example"), "no addresses in the audit");
}

#[test]
fn who_is_known_elsewhere_is_asked_and_keeps_the_password() {
    let app = TestApp::start();
    invite(&app, "lead@away.example", "reader").expect(201);
    let sign_in = |org_id: Value| {
        let body = json!({"email": "lead@away.example", "password": PASSWORD, "org_id": org_id});
        app.anonymous().post("/v1/sign-in", &body)
    };
    sign_in(json!(app.home.org_id)).expect_problem(401, "unauthenticated", "");
    let token = app.token_for("lead@away.example");
    accept(&app, &json!({"token": token, "password": OWN_PASSWORD, "display_name": "A thief of letters"}))
        .expect_problem(401, "unauthenticated", "");
    let session = accept(&app, &json!({"token": token, "password": PASSWORD})).expect(200);
    assert_eq!(session.json["role"], "reader");
    let mut names: Vec<&str> = session.json["memberships"]
        .as_array()
        .expect("memberships")
        .iter()
        .filter_map(|m| m["name"].as_str())
        .collect();
    names.sort_unstable();
    assert_eq!(names, ["Away", "Home"]);
    assert_eq!(sign_in(json!(app.home.org_id)).expect(200).json["role"], "reader");
    assert_eq!(sign_in(json!(app.away.org_id)).expect(200).json["role"], "lead");
    let access = session.json["access_token"].as_str().expect("a token");
    let own = app.bearing(access).get("/v1/me").expect(200);
    assert_eq!(
        (&own.json["email"], &own.json["org_id"]),
        (&json!("lead@away.example"), &json!(app.home.org_id))
    );
    assert_eq!(own.json["memberships"].as_array().map(Vec::len), Some(2));
}

#[test]
fn withdrawn_and_overdue_invitations_open_nothing() {
    let app = TestApp::start();
    let body = |token: String| json!({"token": token, "password": OWN_PASSWORD, "display_name": "Late"});
    let made = invite(&app, "a@home.example", "crew").expect(201);
    let withdrawal = format!("/v1/invitations/{}/withdrawal", made.id());
    app.stranger().send(app.stranger().request("POST", &withdrawal)).expect_problem(404, "not_found", "");
    let administrator = app.administrator();
    let withdrawn = administrator.send(administrator.request("POST", &withdrawal)).expect(200);
    assert!(withdrawn.json["withdrawn_at"].is_string());
    administrator.send(administrator.request("POST", &withdrawal)).expect_problem(409, "conflict", "");
    accept(&app, &body(app.token_for("a@home.example"))).expect_problem(422, "invalid", "/token");

    invite(&app, "b@home.example", "crew").expect(201);
    as_superuser(
        &app,
        "UPDATE invitations SET expires_at = '2026-06-15T10:00:00Z' WHERE email = 'b@home.example'",
    );
    accept(&app, &body(app.token_for("b@home.example"))).expect_problem(422, "invalid", "/token");
    for (field, value) in [
        ("email", json!("nobody")),
        ("email", json!("a b@c.example")),
        ("role", json!("captain")),
        ("colour", json!("blue")),
    ] {
        let mut body = json!({"email": "y@home.example", "role": "crew"});
        body[field] = value;
        administrator.post("/v1/invitations", &body).expect_problem(422, "invalid", &format!("/{field}"));
    }
}

#[test]
fn letters_go_out_by_smtp_and_one_that_is_refused_leaves_no_open_invitation() {
    let letterbox = Letterbox::open();
    let mail =
        Mail::by_smtp(&letterbox.url, "hulls@marina.example", "https://hulls.example").expect("set up");
    let app = TestApp::start_posting(
        TODAY,
        Bounds { requests_per_second: 0, ..Bounds::default() },
        mail,
        std::sync::Arc::default(),
    );
    invite(&app, "new@home.example", "crew").expect(201);
    let letter = letterbox.letters.recv().expect("a letter was taken");
    for header in ["From: hulls@marina.example", "To: new@home.example", "Subject: An invitation"] {
        assert!(letter.iter().any(|line| line == header), "{header} in {letter:?}");
    }
    // Quoted-printable (RFC 2045, 6.7) folds long lines with a final `=`.
    let text = letter.join("\n").replace("=\n", "");
    let token = text.lines().find(|line| line.len() > 60 && !line.contains(' ')).expect("a token").to_owned();
    assert!(text.contains("https://hulls.example/v1/invitations/acceptance"), "{text}");

    invite(&app, "refused@home.example", "crew").expect_problem(503, "unavailable", "");
    let list = app.administrator().get("/v1/invitations").expect(200);
    let open = |n: usize| list.json["items"][n]["withdrawn_at"].is_null();
    assert!(open(0) && !open(1), "nobody holds the token of the second: {}", list.text);
    assert_eq!(list.json["items"][1]["email"], Value::Null);

    let accepted = json!({"token": token, "password": PASSWORD, "display_name": "A new hand"});
    app.anonymous().post("/v1/invitations/acceptance", &accepted).expect(200);
}

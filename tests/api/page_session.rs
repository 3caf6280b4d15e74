//! The session of a browser: it ends at once, two tabs do not end it, a copy of its cookie does (RFC 9700, 4.14.2).

use diesel::prelude::*;

use crate::support::app::TestApp;
use crate::support::visitor::Visitor;

fn run(app: &TestApp, statement: &str) {
    let mut superuser =
        diesel::PgConnection::establish(&app.database.superuser_url()).expect("the superuser connects");
    diesel::sql_query(statement).execute(&mut superuser).expect("the statement runs");
}

/// As if so many minutes had gone by since every token was given and used.
fn minutes_later(app: &TestApp, minutes: i32) {
    run(
        app,
        &format!(
            "UPDATE refresh_tokens SET issued_at = issued_at - interval '{minutes} minutes', used_at = used_at - interval '{minutes} minutes'"
        ),
    );
}

fn lead(app: &TestApp) -> Visitor {
    Visitor::signed_in(app, &app.home.people["lead"].2)
}

#[track_caller]
fn assert_over(visitor: &mut Visitor) {
    let answer = visitor.get("/due").expect(303);
    assert_eq!(answer.header("location").as_deref(), Some("/sign-in?next=%2Fdue"));
}

#[test]
fn who_signs_out_takes_every_copy_of_the_cookie_with_them() {
    let app = TestApp::start();
    let mut visitor = lead(&app);
    let mut copy = visitor.clone();
    copy.get("/due").expect(200);
    visitor.post("/sign-out", &[]).expect(303);
    assert!(!visitor.cookies.contains_key("garboard_refresh"), "{:?}", visitor.cookies);
    assert_over(&mut visitor);
    assert_over(&mut copy);
}

#[test]
fn a_membership_that_ended_and_a_role_that_changed_count_at_once() {
    let app = TestApp::start();
    let mut visitor = lead(&app);
    visitor.get("/import").expect(200);
    let path = format!("/v1/members/{}", app.home.people["lead"].0);
    let changed =
        app.administrator().patch(&path, "\"1\"", &serde_json::json!({"role": "reader"})).expect(200);
    visitor.get("/import").expect(403);
    visitor.get("/due").expect(200);
    app.administrator().patch(&path, &changed.etag(), &serde_json::json!({"ended": true})).expect(200);
    assert_over(&mut visitor);
}

#[test]
fn the_token_is_replaced_and_two_tabs_go_on() {
    let app = TestApp::start();
    let mut one = lead(&app);
    let mut two = one.clone();
    let first = one.cookies["garboard_refresh"].clone();
    one.get("/due").expect(200);
    assert_eq!(one.cookies["garboard_refresh"], first, "it is young");
    minutes_later(&app, 11);
    one.get("/due").expect(200);
    assert_ne!(one.cookies["garboard_refresh"], first, "it was replaced");
    // The other tab's request was on its way with the token of before: it is answered, and given nothing.
    two.get("/due").expect(200);
    assert_eq!(two.cookies["garboard_refresh"], first);
    assert!(two.set.is_empty(), "{:?}", two.set);
    one.get("/due").expect(200);
}

#[test]
fn many_tabs_at_once_replace_it_once() {
    let app = TestApp::start();
    let visitor = lead(&app);
    minutes_later(&app, 11);
    let first = visitor.cookies["garboard_refresh"].clone();
    let tabs: Vec<_> = (0..6)
        .map(|_| {
            let mut tab = visitor.clone();
            std::thread::spawn(move || {
                tab.get("/due").expect(200);
                tab
            })
        })
        .collect();
    let tabs: Vec<Visitor> = tabs.into_iter().map(|tab| tab.join().expect("no tab fails")).collect();
    let replaced: Vec<_> = tabs.iter().filter(|tab| tab.cookies["garboard_refresh"] != first).collect();
    assert_eq!(replaced.len(), 1);
    replaced[0].clone().get("/due").expect(200);
}

#[test]
fn a_copy_of_the_cookie_ends_the_session_for_both() {
    let app = TestApp::start();
    let mut owner = lead(&app);
    let mut thief = owner.clone();
    minutes_later(&app, 11);
    owner.get("/due").expect(200);
    owner.get("/due").expect(200);
    minutes_later(&app, 1);
    assert_over(&mut thief);
    assert_over(&mut owner);

    // The thief comes first.
    let mut owner = lead(&app);
    let mut thief = owner.clone();
    minutes_later(&app, 11);
    thief.get("/due").expect(200);
    thief.get("/due").expect(200);
    minutes_later(&app, 1);
    assert_over(&mut owner);
    assert_over(&mut thief);
}

#[test]
fn an_answer_that_was_lost_ends_nothing() {
    let app = TestApp::start();
    let mut visitor = lead(&app);
    let mut lost = visitor.clone();
    minutes_later(&app, 11);
    lost.get("/due").expect(200);
    assert_ne!(lost.cookies["garboard_refresh"], visitor.cookies["garboard_refresh"]);
    minutes_later(&app, 30);
    visitor.get("/due").expect(200);
    visitor.get("/due").expect(200);
    minutes_later(&app, 1);
    // Whoever has the lost one after all is a thief.
    assert_over(&mut lost);
    assert_over(&mut visitor);
}

#[test]
fn an_address_of_nothing_is_told_to_people_and_to_programs() {
    let app = TestApp::start();
    let browser = "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8";
    for (accept, kind) in [
        (browser, "text/html; charset=utf-8"),
        ("*/*", "application/problem+json"),
        ("application/json", "application/problem+json"),
        ("application/json, text/html;q=0.5", "application/problem+json"),
        ("text/html;q=0", "application/problem+json"),
    ] {
        for path in ["/nothing-here", "/v1/nothing-here"] {
            let client = app.anonymous();
            let answer = client.send(client.request("GET", path).header("Accept", accept)).expect(404);
            assert_eq!(answer.header("content-type").as_deref(), Some(kind), "{path} {accept}");
        }
    }
    let answer = Visitor::new(&app).get("/nothing-here").expect(404);
    assert!(answer.text.contains("<h1>Not found</h1>"), "{}", answer.text);
}

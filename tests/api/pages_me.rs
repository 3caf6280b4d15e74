//! One's own page: letter, calendars, password, second factor, signing out everywhere.

use serde_json::{Value, json};

use crate::second_factor::{base32, code_at};
use crate::support::app::{PASSWORD, TestApp};
use crate::support::hulls::{settle, vessel};
use crate::support::visitor::Visitor;

/// What an element of a page holds.
#[track_caller]
fn shown(page: &str, id: &str) -> String {
    let (_, rest) =
        page.split_once(&format!("id=\"{id}\">")).unwrap_or_else(|| unreachable!("{id} in {page}"));
    rest.split('<').next().unwrap_or_default().to_owned()
}

#[test]
fn the_letter_is_chosen_and_calendars_are_made_and_ended() {
    let app = TestApp::start();
    let lead = app.lead();
    let body = json!({"name": "A basin", "time_zone": "UTC", "climate": "temperate_sea"});
    let site = lead.post("/v1/sites", &body).expect(201).id();
    vessel(&lead, "Shown", json!({"launched_on": "2012-05-01", "site_id": site}));
    settle(&app);
    let mut visitor = Visitor::signed_in(&app, &app.home.people["lead"].2);
    let page = visitor.get("/me").expect(200).text;
    assert!(
        page.contains("The lead")
            && page.contains(&app.home.people["lead"].2)
            && page.contains("No letter is sent")
    );
    let fields = [
        ("version", "0"),
        ("wanted", "true"),
        ("weekday", "friday"),
        ("local_time_h", "6"),
        ("site_id", site.as_str()),
    ];
    visitor.post("/me/letter", &fields).expect(303);
    let digest = lead.get("/v1/me/digest").expect(200).json;
    assert_eq!(
        (&digest["wanted"], &digest["weekday"], &digest["local_time_h"], &digest["site_id"]),
        (&json!(true), &json!("friday"), &json!(6), &json!(site))
    );
    assert!(visitor.get("/me?done=letter").expect(200).text.contains("The next letter is sent on"));
    let stale = visitor.post("/me/letter", &fields).expect(412).text;
    assert!(stale.contains("id=\"letter\" open"), "told in the form");
    let bad = [("version", "1"), ("wanted", "true"), ("weekday", "friday"), ("local_time_h", "25")];
    assert!(visitor.post("/me/letter", &bad).expect(422).text.contains("id=\"letter-local_time_h-problem\""));
    visitor.post("/me/letter", &[("version", "1"), ("weekday", "friday"), ("local_time_h", "6")]).expect(303);
    assert_eq!(lead.get("/v1/me/digest").expect(200).json["wanted"], false);

    let empty = visitor.post("/me/calendar-feeds", &[("kind", "inspection")]).expect(422).text;
    assert!(empty.contains("id=\"calendar-name-problem\""), "{empty}");
    let made = visitor
        .post("/me/calendar-feeds", &[("name", "My <b>dates"), ("site_id", &site), ("kind", "inspection")])
        .expect(200)
        .text;
    let address = shown(&made, "calendar-address");
    let path = address.strip_prefix(&app.address).expect("an address of this service").to_owned();
    let calendar = app.anonymous().get(&path).expect(200).text;
    assert!(calendar.contains("BEGIN:VCALENDAR") && calendar.contains("Shown"), "{calendar}");
    let page = visitor.get("/me").expect(200).text;
    assert!(!page.contains(&path) && page.contains("My &#60;b&#62;dates"), "shown once");
    let feed = lead.get("/v1/me/calendar-feeds").expect(200).json["items"][0].clone();
    let path_of = format!("/me/calendar-feeds/{}", feed["id"].as_str().expect("an id"));
    Visitor::signed_in(&app, &app.home.people["crew"].2).post(&path_of, &[("version", "1")]).expect(404);
    visitor.post(&path_of, &[("version", "1")]).expect(303);
    app.anonymous().get(&path).expect(404);
    assert!(!visitor.get("/me").expect(200).text.contains("My &#60;b&#62;dates"));
}

#[test]
fn a_password_is_changed_and_every_session_ends() {
    let app = TestApp::start();
    let email = &app.home.people["crew"].2;
    let (mut visitor, mut elsewhere) = (Visitor::signed_in(&app, email), Visitor::signed_in(&app, email));
    let new = "another long password";
    let wrong = visitor
        .post("/me/password", &[("password", "not mine at all"), ("new_password", new)])
        .expect(422)
        .text;
    assert!(wrong.contains("id=\"password-password-problem\""), "{wrong}");
    assert!(!wrong.contains("not mine at all") && !wrong.contains(new), "passwords are never shown");
    let short =
        visitor.post("/me/password", &[("password", PASSWORD), ("new_password", "short")]).expect(422).text;
    assert!(short.contains("id=\"password-new_password-problem\""), "{short}");
    visitor.get("/me").expect(200);
    visitor.post("/me/password", &[("password", PASSWORD), ("new_password", new)]).expect(303);
    for one in [&mut visitor, &mut elsewhere] {
        assert!(one.get("/me").expect(303).header("location").is_some_and(|to| to.starts_with("/sign-in")));
    }
    let sign_in =
        |password: &str| app.anonymous().post("/v1/sign-in", &json!({"email": email, "password": password}));
    sign_in(PASSWORD).expect(401);
    sign_in(new).expect(200);
}

#[test]
fn signing_out_everywhere_ends_every_session_once_it_is_meant() {
    let app = TestApp::start();
    let email = &app.home.people["reader"].2;
    let (mut visitor, mut elsewhere) = (Visitor::signed_in(&app, email), Visitor::signed_in(&app, email));
    visitor.post("/me/sign-out", &[]).expect(422);
    elsewhere.get("/me").expect(200);
    visitor.post("/me/sign-out", &[("everywhere", "true")]).expect(303);
    visitor.get("/me").expect(303);
    elsewhere.get("/me").expect(303);
}

/// The codes are made by the formulas of RFC 6238 (`second_factor.rs`).
#[test]
fn a_second_factor_is_taken_up_asked_for_and_given_up() {
    let app = TestApp::start();
    let email = &app.home.people["surveyor"].2;
    let mut visitor = Visitor::signed_in(&app, email);
    visitor.post("/me/second-factor", &[("act", "make"), ("password", "not mine at all")]).expect(422);
    let made = visitor.post("/me/second-factor", &[("act", "make"), ("password", PASSWORD)]).expect(200).text;
    let secret = shown(&made, "factor-secret");
    assert!(!visitor.get("/me").expect(200).text.contains(&secret), "shown once");
    let wrong = visitor.post("/me/second-factor", &[("act", "confirm"), ("code", "12")]).expect(422).text;
    assert!(wrong.contains("id=\"confirm-code-problem\""), "{wrong}");
    let second_factor =
        || -> Value { app.surveyor().get("/v1/me").expect(200).json["second_factor"].clone() };
    assert_eq!(second_factor(), false);
    let now = u64::try_from(app.db.clock().now().timestamp()).expect("after 1970");
    let code = |at: u64| code_at(&base32(&secret), at);
    visitor.post("/me/second-factor", &[("act", "confirm"), ("code", &code(now))]).expect(303);
    assert_eq!(second_factor(), true);
    let missing =
        visitor.post("/me/second-factor", &[("act", "remove"), ("password", PASSWORD)]).expect(422).text;
    assert!(missing.contains("id=\"remove-code-problem\""), "{missing}");
    let next = code(now + 30);
    visitor
        .post("/me/second-factor", &[("act", "remove"), ("password", PASSWORD), ("code", &next)])
        .expect(303);
    assert_eq!(second_factor(), false);
}

//! The weekly letter: `/v1/me/digest`, what is sent, and how it is ended.

use std::sync::Arc;

use chrono::TimeDelta;
use garboard::db::Db;
use garboard::http::guards::{Bounds, Guards};
use garboard::http::mail::Mail;
use garboard::jobs::{Runner, run_until_idle};
use garboard::routes;
use serde_json::{Value, json};

use super::invitations::as_superuser;
use crate::support::app::{Client, TODAY, TestApp};
use crate::support::hulls::{settle, vessel};
use crate::support::smtp::Letterbox;

const OWN: &str = "/v1/me/digest";

fn cored(launched_on: &str) -> Value {
    json!({"launched_on": launched_on, "zones": [{"zone": "bottom", "cored": true}]})
}

fn ask(client: &Client, etag: &str, change: Value) -> Value {
    client.patch(OWN, etag, &change).expect(200).json
}

fn letters(app: &TestApp) -> Vec<String> {
    let letters = app.letters.lock().expect("no test panics while it holds this");
    // Quoted-printable (RFC 2045, 6.7): a line ends in `=` where it goes on, and `=3D` is an equals sign.
    letters.iter().map(|letter| letter.replace("=\r\n", "").replace("=3D", "=")).collect()
}

fn work(app: &TestApp, db: &Db) {
    run_until_idle(db, &routes::senders(&app.guards)).expect("the queue is in reach");
}

/// A header of a letter, unfolded (RFC 5322, 2.2.3).
fn header(letter: &str, name: &str) -> String {
    let (head, _) = letter.split_once("\r\n\r\n").expect("a head and a body");
    let head = head.replace("\r\n ", " ");
    let found: Vec<&str> = head.lines().filter_map(|line| line.strip_prefix(&format!("{name}: "))).collect();
    assert_eq!(found.len(), 1, "{name} once in {head}");
    found[0].trim().to_owned()
}

/// The path that ends the letters.
fn ending(letter: &str) -> String {
    let value = header(letter, "List-Unsubscribe");
    let inner =
        value.strip_prefix('<').and_then(|rest| rest.strip_suffix('>')).expect("RFC 2369, 2: in brackets");
    inner.strip_prefix("https://hulls.example").expect("where people reach the service").to_owned()
}

#[test]
fn nobody_gets_a_letter_who_did_not_ask() {
    let app = TestApp::start();
    let reader = app.reader();
    vessel(&app.lead(), "Overdue", cored("2022-01-15"));
    settle(&app);
    let shown = reader.get(OWN).expect(200);
    assert_eq!((&shown.json["wanted"], &shown.json["version"]), (&json!(false), &json!(0)));
    assert_eq!(shown.json["next_at"], Value::Null);
    work(&app, &app.later(TimeDelta::days(8)));
    assert!(letters(&app).is_empty());
    // Another day is chosen, and still none asked for.
    ask(&reader, "\"0\"", json!({"weekday": "friday"}));
    work(&app, &app.later(TimeDelta::days(16)));
    assert!(letters(&app).is_empty());
    reader.patch(OWN, "\"0\"", &json!({"wanted": true})).expect_problem(412, "stale", "");
    for (change, pointer) in [
        (json!({"local_time_h": 24}), "/local_time_h"),
        (json!({"local_time_h": -1}), "/local_time_h"),
        (json!({"weekday": "someday"}), "/weekday"),
        (json!({"colour": "blue"}), "/colour"),
        (json!({"site_id": "01900000-0000-7000-8000-000000000000"}), "/site_id"),
    ] {
        reader.patch(OWN, "\"1\"", &change).expect_problem(422, "invalid", pointer);
    }
}

#[test]
fn the_letter_tells_what_is_overdue_falls_due_and_moved() {
    let app = TestApp::start();
    let lead = app.lead();
    vessel(&lead, "<b>Late</b>\n& =1", cored("2022-01-15"));
    // 24 months after the launch, by the default policy: 2026-07-01, sixteen days after the tests' day.
    vessel(&lead, "Soon", cored("2024-07-01"));
    let moved = vessel(&lead, "Moved", cored("2025-01-15"));
    vessel(&lead, "Far", cored("2026-01-15"));
    settle(&app);
    lead.patch(&format!("/v1/vessels/{}", moved.id()), &moved.etag(), &json!({"launched_on": "2025-06-20"}))
        .expect(200);
    settle(&app);
    // 2026-06-15 is a Monday (ISO 8601), 10:00 UTC on it the tests' time.
    let asked = ask(&app.reader(), "\"0\"", json!({"wanted": true, "weekday": "monday", "local_time_h": 11}));
    assert_eq!(asked["next_at"], "2026-06-15T11:00:00Z");
    work(&app, &app.later(TimeDelta::minutes(59)));
    assert!(letters(&app).is_empty(), "not before its time");
    work(&app, &app.later(TimeDelta::minutes(60)));
    let sent = letters(&app);
    assert_eq!(sent.len(), 1);
    let letter = &sent[0];
    assert_eq!(header(letter, "To"), "reader@home.example");
    assert_eq!(header(letter, "Subject"), "Home: 1 overdue, 1 due within four weeks");
    // RFC 8058, section 2 and 3.1; RFC 3834, section 5.
    assert_eq!(header(letter, "List-Unsubscribe-Post"), "List-Unsubscribe=One-Click");
    assert_eq!(header(letter, "Auto-Submitted"), "auto-generated");
    assert!(header(letter, "Content-Type").starts_with("multipart/alternative"));
    let (text, page) = letter.split_once("text/html").expect("two parts: RFC 2046, 5.1.4");
    for (part, late) in
        [(text, "<b>Late</b> & =1, inspection"), (page, "&#60;b&#62;Late&#60;/b&#62; &#38; =1")]
    {
        assert!(part.contains(late), "{part}");
        assert!(part.contains("2024-01-15") && part.contains("2026-07-01"), "{part}");
        assert!(part.contains("2027-01-15 to 2027-06-20"), "{part}");
        assert!(!part.contains("Far"), "{part}");
        assert!(part.contains("https://hulls.example/v1/digest-endings/"), "{part}");
        assert!(part.contains("qualified surveyor"), "it says who decides: {part}");
    }
    assert!(!page.contains("<b>Late"));
    // The next week's tells nothing of what the last one told as moved.
    work(&app, &app.later(TimeDelta::days(7) + TimeDelta::hours(2)));
    let next = letters(&app);
    assert_eq!(next.len(), 2);
    assert!(next[1].contains("No date has moved."), "{}", next[1]);
    assert_ne!(header(&next[0], "Message-ID"), header(&next[1], "Message-ID"));
}

#[test]
fn a_letter_is_sent_once_though_two_services_work() {
    let app = TestApp::start();
    for client in [app.reader(), app.crew(), app.lead(), app.surveyor(), app.administrator()] {
        ask(&client, "\"0\"", json!({"wanted": true, "local_time_h": 11}));
    }
    let services = [app.later(TimeDelta::hours(2)), app.later(TimeDelta::hours(2))];
    let runners: Vec<Runner> = services
        .iter()
        .map(|db| Runner::start(db, &routes::senders(&app.guards), 2).expect("threads"))
        .collect();
    while letters(&app).len() < 5 {
        std::thread::yield_now();
    }
    runners.into_iter().for_each(Runner::stop);
    work(&app, &services[0]);
    let mut recipients: Vec<String> = letters(&app).iter().map(|letter| header(letter, "To")).collect();
    recipients.sort();
    let all =
        ["administrator", "crew", "lead", "reader", "surveyor"].map(|role| format!("{role}@home.example"));
    assert_eq!(recipients, all);
}

#[test]
fn the_hour_is_that_of_the_site_or_the_organisation_also_when_the_clocks_change() {
    // IANA time zone database: in Lisbon the clocks go back from UTC+1 to UTC on 2026-10-25, in Auckland they went on
    // from UTC+12 to UTC+13 on 2026-09-27. 2026-10-25 is a Sunday.
    let app = TestApp::start_at("2026-10-23T10:00:00Z");
    let administrator = app.administrator();
    let organisation = administrator.get("/v1/organisation").expect(200);
    let moved =
        administrator.patch("/v1/organisation", &organisation.etag(), &json!({"time_zone": "Europe/Lisbon"}));
    moved.expect(200);
    let reader = app.reader();
    let asked = ask(&reader, "\"0\"", json!({"wanted": true, "weekday": "saturday", "local_time_h": 8}));
    assert_eq!(asked["next_at"], "2026-10-24T07:00:00Z");
    work(&app, &app.later(TimeDelta::days(1)));
    assert_eq!(letters(&app).len(), 1);
    assert_eq!(reader.get(OWN).expect(200).json["next_at"], "2026-10-31T08:00:00Z");
    let site = json!({"name": "A basin", "time_zone": "Pacific/Auckland", "climate": "temperate_sea"});
    let site = app.lead().post("/v1/sites", &site).expect(201);
    let asked = ask(&reader, "\"1\"", json!({"site_id": site.id()}));
    assert_eq!(asked["next_at"], "2026-10-23T19:00:00Z");
    // The organisation moves, and the site's hour stays; then the site moves.
    let organisation = administrator.get("/v1/organisation").expect(200);
    administrator.patch("/v1/organisation", &organisation.etag(), &json!({"time_zone": "UTC"})).expect(200);
    assert_eq!(reader.get(OWN).expect(200).json["next_at"], "2026-10-23T19:00:00Z");
    app.lead()
        .patch(&format!("/v1/sites/{}", site.id()), &site.etag(), &json!({"time_zone": "UTC"}))
        .expect(200);
    assert_eq!(reader.get(OWN).expect(200).json["next_at"], "2026-10-24T08:00:00Z");
}

#[test]
fn one_post_of_the_mail_program_ends_the_letters_and_a_look_at_the_link_does_not() {
    let app = TestApp::start();
    let reader = app.reader();
    ask(&reader, "\"0\"", json!({"wanted": true, "local_time_h": 11}));
    work(&app, &app.later(TimeDelta::hours(2)));
    let path = ending(&letters(&app)[0]);
    let secret = path.rsplit('.').next().expect("a secret").to_owned();
    let anonymous = app.anonymous();
    let page = anonymous.request("GET", &path).send().expect("an answer");
    assert_eq!(page.status().as_u16(), 200);
    assert!(page.text().expect("a page").contains("<form method=\"post\">"));
    assert_eq!(reader.get(OWN).expect(200).json["wanted"], true, "a GET ends nothing");
    let post = |path: &str, kind: &str| {
        let request = anonymous.request("POST", path).header("Content-Type", kind);
        request.body("List-Unsubscribe=One-Click").send().expect("an answer").status().as_u16()
    };
    let form = "application/x-www-form-urlencoded";
    assert_eq!(post(&path, "application/json"), 415);
    let wrong = path.replace(&secret, "AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA");
    for gone in [wrong.as_str(), "/v1/digest-endings/x", "/v1/digest-endings/a.b.c", "/v1/digest-endings/..."]
    {
        assert_eq!(post(gone, form), 404, "{gone}");
    }
    assert_eq!(post(&path, form), 200);
    let after = reader.get(OWN).expect(200);
    assert_eq!((&after.json["wanted"], &after.json["next_at"]), (&json!(false), &Value::Null));
    assert_eq!(post(&path, form), 404, "it works once");
    work(&app, &app.later(TimeDelta::days(15)));
    assert_eq!(letters(&app).len(), 1);
    // Asked for again, the old address stays what it is.
    ask(&reader, &after.etag(), json!({"wanted": true}));
    assert_eq!(post(&path, form), 404);
    let audit = app.administrator().get("/v1/audit").expect(200);
    assert!(audit.text.contains("withdraw_digest") && !audit.text.contains(&secret));
}

#[test]
fn who_left_gets_no_letter() {
    let app = TestApp::start();
    ask(&app.reader(), "\"0\"", json!({"wanted": true, "local_time_h": 11}));
    as_superuser(
        &app,
        &format!("UPDATE members SET ended_at = now() WHERE person_id = '{}'", app.home.people["reader"].0),
    );
    work(&app, &app.later(TimeDelta::days(15)));
    assert!(letters(&app).is_empty());
}

#[test]
fn without_a_post_nothing_is_sent_and_nothing_can_be_asked_for() {
    let app = TestApp::start();
    ask(&app.reader(), "\"0\"", json!({"wanted": true, "local_time_h": 11}));
    let folder = tempfile::tempdir().expect("a folder");
    let bounds = Bounds { requests_per_second: 0, ..Bounds::default() };
    let silent = Arc::new(Guards::new(bounds, folder.path(), None).expect("a key can be made"));
    let tally = run_until_idle(&app.later(TimeDelta::hours(2)), &routes::senders(&silent)).expect("in reach");
    assert_eq!((tally.done, tally.failed), (1, 0));
    assert!(letters(&app).is_empty());
}

#[test]
fn a_letter_that_the_post_refuses_is_tried_again_and_arrives_by_smtp() {
    let letterbox = Letterbox::open();
    let mail =
        Mail::by_smtp(&letterbox.url, "hulls@marina.example", "https://hulls.example").expect("set up");
    let bounds = Bounds { requests_per_second: 0, ..Bounds::default() };
    let app = TestApp::start_posting(TODAY, bounds, mail, Arc::default());
    let rename = |email: &str| {
        as_superuser(
            &app,
            &format!(
                "UPDATE people SET email = '{email}' WHERE person_id = '{}'",
                app.home.people["reader"].0
            ),
        );
    };
    rename("refused@home.example");
    ask(&app.reader(), "\"0\"", json!({"wanted": true, "local_time_h": 11}));
    let tally =
        run_until_idle(&app.later(TimeDelta::hours(2)), &routes::senders(&app.guards)).expect("in reach");
    assert_eq!((tally.done, tally.failed), (0, 1));
    rename("reader@home.example");
    let tally =
        run_until_idle(&app.later(TimeDelta::hours(3)), &routes::senders(&app.guards)).expect("in reach");
    assert_eq!((tally.done, tally.failed), (1, 0));
    let letter = letterbox.letters.recv().expect("a letter was taken");
    for line in ["To: reader@home.example", "Subject: Home: 0 overdue, 0 due within four weeks"] {
        assert!(letter.iter().any(|found| found == line), "{line} in {letter:#?}");
    }
    // On the wire, too, it is both plain text and HTML, in this order (RFC 2046, 5.1.4).
    let kinds: Vec<&str> = letter
        .iter()
        .filter_map(|line| line.strip_prefix("Content-Type: "))
        .filter_map(|kind| kind.split(';').next())
        .collect();
    assert_eq!(kinds, ["multipart/alternative", "text/plain", "text/html"]);
    let said = letter.iter().filter(|line| line.contains("Nothing is overdue.")).count();
    assert_eq!(said, 2, "{letter:#?}");
}

//! `/v1/me/calendar-feeds` and `/v1/calendars`, read by the grammar of RFC 5545. (By hand, once: Python's icalendar package reads it too.)

use serde_json::{Value, json};

use crate::support::app::{Client, TestApp};
use crate::support::hulls::{settle, vessel};

fn cored(launched_on: &str) -> Value {
    json!({"launched_on": launched_on, "zones": [{"zone": "bottom", "cored": true}]})
}

fn text(client: &Client, address: &str) -> String {
    let answer = client.request("GET", address).send().expect("an answer");
    assert_eq!(answer.status().as_u16(), 200);
    assert_eq!(answer.headers()["content-type"], "text/calendar; charset=utf-8");
    answer.text().expect("text")
}

/// A property: its name, its parameters and its value, as RFC 5545 writes them.
struct Property {
    name: String,
    params: Vec<(String, String)>,
    value: String,
}

/// The properties of an event.
struct Event {
    properties: Vec<Property>,
}

/// A calendar, read by the grammar of RFC 5545: unfolded by 3.1 (a line break and one blank are taken out), a content
/// line being `name *(";" name "=" value) ":" value`, and components of 3.6 between BEGIN and END.
struct Calendar {
    properties: Vec<Property>,
    events: Vec<Event>,
}

fn content_line(line: &str) -> Property {
    // Nothing of ours quotes a parameter, so the first colon ends them.
    let (head, value) = line.split_once(':').expect("a colon");
    let mut parts = head.split(';');
    let name = parts.next().expect("a name").to_owned();
    assert!(name.chars().all(|c| c.is_ascii_alphanumeric() || c == '-'), "{line}");
    let params = parts.map(|part| part.split_once('=').expect("a parameter"));
    let params = params.map(|(name, value)| (name.to_owned(), value.to_owned())).collect();
    Property { name, params, value: value.to_owned() }
}

fn parsed(text: &str) -> Calendar {
    let whole = text.replace("\r\n ", "").replace("\r\n\t", "");
    let mut lines = whole.strip_suffix("\r\n").expect("a last line break").split("\r\n").map(content_line);
    let first = lines.next().expect("a line");
    assert_eq!((first.name.as_str(), first.value.as_str()), ("BEGIN", "VCALENDAR"));
    let mut calendar = Calendar { properties: Vec::new(), events: Vec::new() };
    let mut event: Option<Event> = None;
    let mut ended = false;
    for property in lines {
        assert!(!ended, "nothing after the end");
        match (property.name.as_str(), property.value.as_str(), event.as_mut()) {
            ("BEGIN", "VEVENT", None) => event = Some(Event { properties: Vec::new() }),
            ("END", "VEVENT", Some(_)) => calendar.events.extend(event.take()),
            ("END", "VCALENDAR", None) => ended = true,
            ("BEGIN" | "END", other, _) => unreachable!("{other} out of place"),
            (_, _, Some(event)) => event.properties.push(property),
            (_, _, None) => calendar.properties.push(property),
        }
    }
    assert!(ended, "an end");
    // 3.6: what a calendar and an event must have.
    for name in ["VERSION", "PRODID"] {
        assert_eq!(calendar.properties.iter().filter(|p| p.name == name).count(), 1, "{name}");
    }
    for event in &calendar.events {
        for name in ["UID", "DTSTAMP", "DTSTART"] {
            value(event, name);
        }
    }
    calendar
}

fn value(event: &Event, name: &str) -> String {
    let found: Vec<_> = event.properties.iter().filter(|property| property.name == name).collect();
    assert_eq!(found.len(), 1, "{name} once");
    found[0].value.clone()
}

fn feed(client: &Client, fields: Value) -> (String, String, String) {
    let made = client.post("/v1/me/calendar-feeds", &fields).expect(201);
    (made.id(), made.etag(), made.json["address"].as_str().expect("an address").to_owned())
}

#[test]
fn a_calendar_is_read_without_a_token_and_ends_when_its_person_says_so() {
    let app = TestApp::start();
    let reader = app.reader();
    let (id, etag, address) = feed(&reader, json!({"name": "Hulls"}));
    text(&app.anonymous(), &address);
    let shown = reader.get(&format!("/v1/me/calendar-feeds/{id}")).expect(200).json;
    let secret = address.rsplit('.').nth(1).expect("a secret");
    assert!(!shown.to_string().contains(secret), "told once");
    app.lead().get(&format!("/v1/me/calendar-feeds/{id}")).expect(404);
    let wrong = address.replace(secret, "AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA");
    for gone in [wrong.as_str(), "/v1/calendars/x", "/v1/calendars/a.b.c.ics"] {
        app.anonymous().get(gone).expect_problem(404, "not_found", "");
    }
    let ended =
        reader.patch(&format!("/v1/me/calendar-feeds/{id}"), &etag, &json!({"ended": true})).expect(200);
    app.anonymous().get(&address).expect_problem(404, "not_found", "");
    let again = reader.patch(&format!("/v1/me/calendar-feeds/{id}"), &ended.etag(), &json!({"ended": false}));
    again.expect_problem(422, "invalid", "/ended");
    reader
        .post(
            "/v1/me/calendar-feeds",
            &json!({"name": "x", "site_id": "01900000-0000-7000-8000-000000000000"}),
        )
        .expect_problem(422, "invalid", "/site_id");
}

#[test]
fn a_calendar_of_a_person_who_left_ends() {
    let app = TestApp::start();
    let (_, _, address) = feed(&app.reader(), json!({"name": "Hulls"}));
    let administrator = app.administrator();
    let members =
        administrator.get("/v1/members").expect(200).json["items"].as_array().expect("items").clone();
    let member = members.iter().find(|member| member["role"] == "reader").expect("the reader");
    let path = format!("/v1/members/{}", member["person_id"].as_str().expect("an id"));
    let etag = administrator.get(&path).expect(200).etag();
    administrator.patch(&path, &etag, &json!({"ended": true})).expect(200);
    app.anonymous().get(&address).expect_problem(404, "not_found", "");
}

#[test]
fn an_event_is_a_whole_day_with_the_reason_and_keeps_its_id_when_it_moves() {
    let app = TestApp::start();
    let lead = app.lead();
    let name = "Zoë, of; the \\ quay ".repeat(6);
    let made = vessel(&lead, name.trim(), cored("2025-01-15"));
    settle(&app);
    let (_, _, address) = feed(&lead, json!({"name": "Inspections", "kind": "inspection"}));
    let first = text(&app.anonymous(), &address);
    // RFC 5545, 3.1: lines end with CR LF and are folded at 75 octets.
    assert!(first.ends_with("\r\n"));
    assert!(first.split("\r\n").all(|line| line.len() <= 75 && !line.contains('\n')), "{first}");
    let calendar = parsed(&first);
    assert_eq!(calendar.events.len(), 1);
    let event = &calendar.events[0];
    assert_eq!(value(event, "DTSTART"), "20270115");
    let start = event.properties.iter().find(|property| property.name == "DTSTART").expect("a start");
    assert_eq!(start.params, [("VALUE".to_owned(), "DATE".to_owned())]);
    // 3.6.1: an event with a date and no end lasts that day; 3.3.11: what is escaped in a text.
    assert!(event.properties.iter().all(|property| property.name != "DTEND"));
    let escaped = name.trim().replace('\\', "\\\\").replace(';', "\\;").replace(',', "\\,");
    assert_eq!(value(event, "SUMMARY"), format!("{escaped}: inspection due"));
    let row = lead.get("/v1/due?kind=inspection").expect(200).json["items"][0].clone();
    let reason = row["reason"].as_str().expect("a reason").replace(';', "\\;").replace(',', "\\,");
    assert!(value(event, "DESCRIPTION").starts_with(&reason), "{}", value(event, "DESCRIPTION"));
    assert_eq!(value(event, "STATUS"), "CONFIRMED");
    lead.patch(&format!("/v1/vessels/{}", made.id()), &made.etag(), &json!({"launched_on": "2025-03-20"}))
        .expect(200);
    settle(&app);
    let moved = parsed(&text(&app.anonymous(), &address));
    assert_eq!(moved.events.len(), 1);
    assert_eq!(value(&moved.events[0], "UID"), value(event, "UID"));
    assert_eq!(value(&moved.events[0], "DTSTART"), "20270320");
}

#[test]
fn what_is_due_no_longer_is_cancelled() {
    let app = TestApp::start();
    let lead = app.lead();
    let made = vessel(&lead, "Sold", cored("2025-01-15"));
    settle(&app);
    let (_, _, address) = feed(&lead, json!({"name": "Inspections", "kind": "inspection"}));
    let before = parsed(&text(&app.anonymous(), &address));
    lead.patch(&format!("/v1/vessels/{}", made.id()), &made.etag(), &json!({"retired_on": "2026-06-01"}))
        .expect(200);
    settle(&app);
    let after = parsed(&text(&app.anonymous(), &address));
    assert_eq!(after.events.len(), 1);
    assert_eq!(value(&after.events[0], "STATUS"), "CANCELLED");
    assert_eq!(value(&after.events[0], "UID"), value(&before.events[0], "UID"));
    assert_eq!(value(&after.events[0], "DTSTART"), "20270115");
}

#[test]
fn an_unchanged_calendar_is_not_sent_again() {
    let app = TestApp::start();
    let lead = app.lead();
    vessel(&lead, "Plain", cored("2025-01-15"));
    settle(&app);
    let (_, _, address) = feed(&lead, json!({"name": "All"}));
    let anonymous = app.anonymous();
    let first = anonymous.request("GET", &address).send().expect("an answer");
    let tag = first.headers()["etag"].to_str().expect("an etag").to_owned();
    let again = anonymous.request("GET", &address).header("If-None-Match", &tag).send().expect("an answer");
    assert_eq!(again.status().as_u16(), 304);
    assert_eq!(again.headers()["etag"], tag.as_str());
    vessel(&lead, "Other", cored("2025-02-15"));
    settle(&app);
    let changed = anonymous.request("GET", &address).header("If-None-Match", &tag).send().expect("an answer");
    assert_eq!(changed.status().as_u16(), 200);
}

//! `/v1/me/calendar-feeds` and `/v1/calendars`, read by the grammar of RFC 5545 and by a parser that has nothing to do with
//! the writer (the calcard crate).

use calcard::common::PartialDateTime;
use calcard::icalendar::{
    ICalendarComponent, ICalendarComponentType, ICalendarProperty, ICalendarStatus, ICalendarValue,
};
use calcard::{Entry, Parser};
use diesel::prelude::*;
use diesel::sql_types::{BigInt, Text};
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
    assert_eq!(value(&after.events[0], "SUMMARY"), "Sold: inspection no longer due");
    assert_eq!(value(&after.events[0], "UID"), value(&before.events[0], "UID"));
    assert_eq!(value(&after.events[0], "DTSTART"), "20270115");
}

/// The events, as the independent parser reads them.
fn read_elsewhere(text: &str) -> Vec<ICalendarComponent> {
    // Its strict way takes no component within another.
    let mut parser = Parser::new(text);
    let Entry::ICalendar(calendar) = parser.entry() else { unreachable!("no calendar: {text}") };
    assert!(matches!(parser.entry(), Entry::Eof), "and nothing else");
    let is_event = |part: &ICalendarComponent| part.component_type == ICalendarComponentType::VEvent;
    calendar.components.into_iter().filter(is_event).collect()
}

fn text_of(event: &ICalendarComponent, property: &ICalendarProperty) -> String {
    let found = event.property(property).expect("the property");
    let parts: Vec<&str> = found.values.iter().filter_map(ICalendarValue::as_text).collect();
    parts.join(",")
}

#[test]
fn an_independent_parser_reads_what_was_written() {
    let app = TestApp::start();
    let lead = app.lead();
    let site = json!({"name": "Basin, north; old", "time_zone": "UTC", "climate": "temperate_sea"});
    let site = lead.post("/v1/sites", &site).expect(201).id();
    let name = "Zoë, of; the \\ quay — 漁船 ".repeat(5);
    let mut fields = cored("2025-01-15");
    fields["site_id"] = json!(site);
    fields["berth"] = json!("B 7");
    vessel(&lead, name.trim(), fields);
    let broken = vessel(&lead, "Broken", cored("2025-01-15")).id();
    let finding =
        json!({"vessel_id": broken, "kind": "impact_damage", "found_on": "2026-06-01", "zone": "bottom"});
    let finding = app.surveyor().post("/v1/findings", &finding).expect(201).id();
    settle(&app);
    let (_, _, address) = feed(&lead, json!({"name": "All"}));
    let events = read_elsewhere(&text(&app.anonymous(), &address));
    let rows =
        lead.get("/v1/due?status=due&limit=200").expect(200).json["items"].as_array().expect("rows").clone();
    let rows: Vec<&Value> = rows.iter().filter(|row| row["due_on"].is_string()).collect();
    assert_eq!(events.len(), rows.len(), "an event a date");
    for row in rows {
        let uid = format!("{}@garboard", row["id"].as_str().expect("an id"));
        let event = events.iter().find(|event| event.uid() == Some(&uid)).expect("its event");
        let vessel_name = row["vessel_name"].as_str().expect("a name");
        let kind = row["kind"].as_str().expect("a kind");
        assert_eq!(text_of(event, &ICalendarProperty::Summary), format!("{vessel_name}: {kind} due"));
        let told = text_of(event, &ICalendarProperty::Description);
        assert!(told.starts_with(row["reason"].as_str().expect("a reason")), "{told}");
        assert!(told.contains("qualified surveyor"), "{told}");
        let start = event.property(&ICalendarProperty::Dtstart).expect("a start").values.first();
        let start: &PartialDateTime = start.and_then(ICalendarValue::as_partial_date_time).expect("a day");
        let day = format!(
            "{:04}-{:02}-{:02}",
            start.year.unwrap_or(0),
            start.month.unwrap_or(0),
            start.day.unwrap_or(0)
        );
        assert_eq!((json!(day), start.hour), (row["due_on"].clone(), None), "a whole day");
        assert_eq!(event.status(), Some(&ICalendarStatus::Confirmed));
        if row["site_name"].is_string() {
            assert_eq!(text_of(event, &ICalendarProperty::Location), "Basin, north; old, B 7");
        }
    }
    // Done: what was to be repaired is cancelled, under the same id.
    let repair = |events: &[ICalendarComponent]| {
        let found = events.iter().find(|event| {
            let summary = text_of(event, &ICalendarProperty::Summary);
            summary == "Broken: repair due" || summary == "Broken: repair no longer due"
        });
        let event = found.expect("the repair").clone();
        (event.uid().expect("an id").to_owned(), event.status().cloned())
    };
    let before = repair(&events);
    let repaired = json!({"state": "repaired", "repaired_on": "2026-06-10"});
    app.surveyor().patch(&format!("/v1/findings/{finding}"), "\"1\"", &repaired).expect(200);
    settle(&app);
    let after = repair(&read_elsewhere(&text(&app.anonymous(), &address)));
    assert_eq!(after, (before.0, Some(ICalendarStatus::Cancelled)));
}

#[derive(QueryableByName)]
struct Named {
    #[diesel(sql_type = Text)]
    name: String,
}

#[derive(QueryableByName)]
struct Counted {
    #[diesel(sql_type = BigInt)]
    n: i64,
}

/// Asked for with a key that lets it be asked for again, the answer would be kept: the secret is not in it.
#[test]
fn the_secret_of_an_address_stands_in_no_table() {
    let app = TestApp::start();
    let reader = app.reader();
    let ask = || {
        let request =
            reader.request("POST", "/v1/me/calendar-feeds").header("Idempotency-Key", "one-of-the-tests");
        reader.send(request.json(&json!({"name": "Hulls"})))
    };
    let made = ask().expect(201);
    let address = made.json["address"].as_str().expect("an address").to_owned();
    let secret = address.rsplit('.').nth(1).expect("a secret").to_owned();
    assert!(secret.len() >= 40, "{secret}");
    text(&app.anonymous(), &address);
    let mut superuser =
        PgConnection::establish(&app.database.superuser_url()).expect("the superuser connects");
    let tables: Vec<Named> =
        diesel::sql_query("SELECT tablename::text AS name FROM pg_tables WHERE schemaname = 'public'")
            .load(&mut superuser)
            .expect("the catalog");
    assert!(tables.len() > 50, "{}", tables.len());
    let mut holding = |text: &str| -> Vec<String> {
        let found = tables.iter().filter(|table| {
            let statement =
                format!("SELECT count(*) AS n FROM {} t WHERE t::text LIKE '%{text}%'", table.name);
            diesel::sql_query(statement).get_result::<Counted>(&mut superuser).expect("a count").n > 0
        });
        found.map(|table| table.name.clone()).collect()
    };
    assert_eq!(holding(&secret), Vec::<String>::new());
    assert!(holding(&made.id()).contains(&"calendar_feeds".to_owned()), "the search finds what is there");
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

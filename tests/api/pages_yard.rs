//! The pages of the yard: entering a survey, hulls that dry, a treatment. Signed in by cookie, as a browser is; what a page
//! wrote is read again over the API.

use std::collections::BTreeMap;

use chrono::{DateTime, Duration, Utc};
use garboard::ids::{Id, ReadingId};
use serde_json::{Value, json};

use crate::support::app::{Answer, PASSWORD, TestApp};
use crate::treatments::{NOW, Yard, made, product};

/// A browser of one person.
struct Browser {
    address: String,
    http: reqwest::blocking::Client,
    cookies: BTreeMap<String, String>,
}

/// A page.
struct Page {
    status: u16,
    text: String,
    location: Option<String>,
}

impl Page {
    #[track_caller]
    fn expect(self, status: u16) -> Self {
        assert_eq!(self.status, status, "{}", self.text);
        self
    }
    fn to(&self) -> &str {
        self.location.as_deref().unwrap_or_default()
    }
    /// The value of a field, of the form of an act where one is named.
    fn value(&self, act: &str, name: &str) -> String {
        let own = format!("name=\"act\" value=\"{act}\"");
        let from = if act.is_empty() { 0 } else { self.text.find(&own).expect("the form is there") };
        let (_, rest) = self.text.split_at(from);
        let (_, after) = rest.split_once(&format!("name=\"{name}\" value=\"")).expect("the field is there");
        after.split('"').next().expect("a value ends").to_owned()
    }
    fn token(&self) -> String {
        self.value("", "form")
    }
}

impl Browser {
    fn of(app: &TestApp, word: &str) -> Self {
        let http = app.anonymous().http;
        let mut browser = Self { address: app.address.clone(), http, cookies: BTreeMap::new() };
        let token = browser.get("/sign-in").expect(200).token();
        let email = format!("{word}@home.example");
        let entered = [("form", token.as_str()), ("email", &email), ("password", PASSWORD)];
        assert_eq!(browser.post("/sign-in", &entered).expect(303).to(), "/due");
        browser
    }

    fn send(&mut self, request: reqwest::blocking::RequestBuilder) -> Page {
        let cookies: Vec<String> =
            self.cookies.iter().map(|(name, value)| format!("{name}={value}")).collect();
        let answer = request.header("cookie", cookies.join("; ")).send().expect("the server answers");
        for cookie in answer.headers().get_all("set-cookie") {
            let cookie = cookie.to_str().expect("a cookie is text");
            let (name, value) =
                cookie.split(';').next().and_then(|c| c.split_once('=')).expect("a cookie has a name");
            assert!(cookie.contains("HttpOnly"), "{cookie}");
            self.cookies.insert(name.to_owned(), value.to_owned());
        }
        let location = answer.headers().get("location").and_then(|to| to.to_str().ok()).map(str::to_owned);
        let policy =
            answer.headers().get("content-security-policy").and_then(|p| p.to_str().ok()).map(str::to_owned);
        let (status, html) = (
            answer.status().as_u16(),
            answer
                .headers()
                .get("content-type")
                .is_some_and(|kind| kind.to_str().is_ok_and(|kind| kind.starts_with("text/html"))),
        );
        let text = answer.text().expect("text");
        if html {
            let policy = policy.expect("a page has a policy");
            assert!(!policy.contains("unsafe"), "{policy}");
            assert!(
                !text.contains(" style=") && !text.contains("<style") && !text.contains(" onclick"),
                "{text}"
            );
            assert!(
                !text.contains("POST /v1") && !text.contains("{id}"),
                "requests are for programs: {text}"
            );
        }
        Page { status, text, location }
    }

    fn get(&mut self, path: &str) -> Page {
        let request = self.http.get(format!("{}{path}", self.address));
        self.send(request)
    }

    fn post(&mut self, path: &str, fields: &[(&str, &str)]) -> Page {
        let body = form_urlencoded::Serializer::new(String::new()).extend_pairs(fields).finish();
        let request = self.http.post(format!("{}{path}", self.address));
        let request = request.header("content-type", "application/x-www-form-urlencoded").body(body);
        self.send(request)
    }

    /// As the script sends them.
    fn post_readings(&mut self, path: &str, token: &str, batch: &Value) -> Page {
        self.post(path, &[("form", token), ("readings", &batch.to_string())])
    }
}

fn readings(app: &TestApp, survey: &str) -> Vec<Value> {
    let list = app.reader().get(&format!("/v1/readings?survey_id={survey}&limit=200")).expect(200);
    list.json["items"].as_array().expect("items").clone()
}

fn station(app: &TestApp, vessel: &str, code: &str, side: &str, x_m: f64) -> String {
    let station = json!({"vessel_id": vessel, "code": code, "hull": "centre", "side": side, "zone": "bottom", "x_m": x_m});
    app.crew().post("/v1/stations", &station).expect(201).id()
}

/// A survey begun on the page, and the path of its entry.
fn begun(browser: &mut Browser, vessel: &str) -> (String, String) {
    let path = format!("/vessels/{vessel}/surveys/new");
    let form = browser.get(&path).expect(200);
    let (token, id) = (form.token(), form.value("begin", "id"));
    let typed = [
        ("form", token.as_str()),
        ("act", "begin"),
        ("id", &id),
        ("surveyed_on", "2026-06-14"),
        ("meter", "Meter <one>"),
        ("meter_scale", "relative"),
        ("air_temperature_c", "17,5"),
        ("relative_humidity_pct", "64"),
    ];
    let first = browser.post(&path, &typed).expect(303);
    let entry = first.to().to_owned();
    assert_eq!(browser.post(&path, &typed).expect(303).to(), entry, "sent twice it is one survey");
    let survey =
        entry.strip_prefix("/surveys/").and_then(|rest| rest.strip_suffix("/entry")).expect("the entry");
    (survey.to_owned(), entry)
}

fn vessel(app: &TestApp) -> String {
    let vessel =
        json!({"name": "Hull <b>one", "form": "fin_keel", "length_m": 10.0, "launched_on": "2010-05-01"});
    app.lead().post("/v1/vessels", &vessel).expect(201).id()
}

fn due_on(app: &TestApp, vessel: &str) -> String {
    let workers = garboard::routes::workers(&app.guards);
    garboard::jobs::run_until_idle(&app.db, &workers).expect("the queue is in reach");
    let due = app.reader().get(&format!("/v1/due?vessel_id={vessel}&kind=inspection")).expect(200);
    due.json["items"][0]["due_on"].as_str().unwrap_or_default().to_owned()
}

#[test]
#[expect(clippy::too_many_lines, reason = "one day's work, step after step")]
fn a_survey_is_begun_read_and_signed_and_the_date_moves() {
    let app = TestApp::start();
    let vessel = vessel(&app);
    let before = due_on(&app, &vessel);
    for (code, side, x_m) in
        [("F", "starboard", 1.0), ("A", "port", 1.0), ("C", "port", 7.5), ("D", "starboard", 7.5)]
    {
        station(&app, &vessel, code, side, x_m);
    }
    let mut browser = Browser::of(&app, "surveyor");
    let (survey, entry) = begun(&mut browser, &vessel);
    let page = browser.get(&entry).expect(200);
    // Down along port, back along starboard.
    let places: Vec<usize> = ["A", "C", "D", "F"]
        .map(|code| page.text.find(&format!("<strong>{code}</strong>")).expect("the station is there"))
        .to_vec();
    assert!(places.is_sorted(), "{places:?}");
    assert!(
        page.text.contains("Scale: <strong>relative</strong>") && page.text.contains("inputmode=\"decimal\"")
    );
    assert!(page.text.contains("Hull &#60;b&#62;one") && !page.text.contains("<b>one"));
    assert!(page.text.contains("17.5 °C"), "a comma is a decimal point");
    // A station more, from the page.
    let typed = [
        ("form", page.token()),
        ("act", "station".to_owned()),
        ("id", page.value("station", "id")),
        ("code", "K".to_owned()),
        ("side", "port".to_owned()),
        ("hull", "centre".to_owned()),
        ("zone", "keel".to_owned()),
    ];
    let typed: Vec<(&str, &str)> = typed.iter().map(|(name, text)| (*name, text.as_str())).collect();
    for _ in 0..2 {
        browser.post(&format!("/surveys/{survey}/stations"), &typed).expect(303);
    }
    let stations = app.reader().get(&format!("/v1/stations?vessel_id={vessel}")).expect(200);
    assert_eq!(stations.json["items"].as_array().map(Vec::len), Some(5));

    // What the script sends: twice, with an answer lost between.
    let ids: Vec<String> = stations.json["items"]
        .as_array()
        .expect("items")
        .iter()
        .map(|s| s["id"].as_str().expect("an id").to_owned())
        .collect();
    let items: Vec<Value> = (0..3).map(|n| json!({"id": ReadingId::fresh(), "station_id": ids[n], "sequence": 1, "value": 10.5, "taken_at": "2026-06-14T09:00:00Z"})).collect();
    let (path, batch) = (format!("/surveys/{survey}/readings"), json!({"items": items}));
    browser.post_readings(&path, "", &batch).expect(403);
    browser.post_readings(&path, "AAAA", &batch).expect(403);
    assert!(readings(&app, &survey).is_empty(), "without the token of a page of ours nothing is kept");
    for status in ["created", "unchanged"] {
        let answer = browser.post_readings(&path, &page.token(), &batch).expect(200);
        assert_eq!(answer.text.matches(status).count(), 3, "{}", answer.text);
    }
    assert_eq!(readings(&app, &survey).len(), 3);
    let other =
        json!({"items": [{"id": ReadingId::fresh(), "station_id": ids[0], "sequence": 1, "value": 11}]});
    let refused = browser.post_readings(&path, &page.token(), &other).expect(200);
    assert!(refused.text.contains("\"refused\"") && refused.text.contains("conflict"), "{}", refused.text);

    // The plain form: one figure that is none keeps the others from nothing.
    let (good, bad) = (format!("value-{}", ids[3]), format!("value-{}", ids[4]));
    let token = page.token();
    let again = browser.post(&entry, &[("form", &token), (&good, "12,25"), (&bad, "wet<")]).expect(422);
    assert!(
        again.text.contains("That is no number") && again.text.contains("value=\"wet&#60;\""),
        "{}",
        again.text
    );
    assert_eq!(readings(&app, &survey).len(), 4);
    let value = readings(&app, &survey)
        .iter()
        .find(|r| r["station_id"] == ids[3].as_str())
        .map(|r| r["value"].clone());
    assert_eq!(value, Some(json!(12.25)));

    // A slip is corrected with its reason.
    let page = browser.get(&entry).expect(200);
    let first =
        readings(&app, &survey).into_iter().find(|r| r["station_id"] == ids[0].as_str()).expect("a reading");
    let chosen = format!("{} 1", first["id"].as_str().expect("an id"));
    let (token, path) = (page.token(), format!("/surveys/{survey}/corrections"));
    let without = [("form", token.as_str()), ("act", "correct"), ("reading", &chosen), ("value", "15")];
    let refused = browser.post(&path, &without).expect(422);
    assert!(
        refused.text.contains("aria-invalid") && refused.text.contains("Why it was wrong"),
        "{}",
        refused.text
    );
    let with: Vec<(&str, &str)> =
        without.into_iter().chain([("correction_reason", "read upside down")]).collect();
    browser.post(&path, &with).expect(303);
    assert!(readings(&app, &survey).iter().any(|r| r["value"] == json!(15.0) && r["version"] == 2));

    // Signing asks for what a signature stands for, and moves the date.
    let page = browser.get(&entry).expect(200);
    let (token, version, path) =
        (page.token(), page.value("sign", "version"), format!("/surveys/{survey}/signature"));
    let unsaid =
        [("form", token.as_str()), ("act", "sign"), ("version", &version), ("bottom_examined", "whole")];
    let refused = browser.post(&path, &unsaid).expect(422);
    assert!(refused.text.contains("The deepest blistering found is required"), "{}", refused.text);
    let said: Vec<(&str, &str)> =
        unsaid.into_iter().chain([("blistering", "none"), ("sounding", "sound")]).collect();
    browser.post(&path, &said).expect(303);
    let signed = app.reader().get(&format!("/v1/surveys/{survey}")).expect(200).json;
    assert_eq!((&signed["state"], &signed["blistering"]), (&json!("signed"), &json!("none")));
    let page = browser.get(&entry).expect(200);
    assert!(page.text.contains("This survey is signed") && !page.text.contains("class=\"value\""));
    let after = due_on(&app, &vessel);
    assert!(!after.is_empty() && after > before, "from {before:?} to {after:?}");
}

#[test]
fn the_doors_open_for_whom_they_are() {
    let app = TestApp::start();
    let vessel = vessel(&app);
    let survey = json!({"vessel_id": vessel, "surveyed_on": "2026-06-14", "meter_scale": "relative"});
    let survey = app.surveyor().post("/v1/surveys", &survey).expect(201).id();
    let foreign = json!({"name": "Away", "form": "motor", "length_m": 8.0});
    let foreign = app.stranger().post("/v1/vessels", &foreign).expect(201).id();
    let elsewhere = json!({"vessel_id": foreign, "surveyed_on": "2026-06-14"});
    let elsewhere = app.stranger().post("/v1/surveys", &elsewhere).expect(201).id();
    let mut lead = Browser::of(&app, "lead");
    lead.get(&format!("/surveys/{elsewhere}/entry")).expect(404);
    lead.get(&format!("/vessels/{foreign}/surveys/new")).expect(404);
    lead.get(&format!("/treatments/{elsewhere}")).expect(404);
    lead.get("/surveys/none/entry").expect(404);
    let token = lead.get("/drying").expect(200).token();
    let batch = json!({"items": [{"station_id": ReadingId::fresh(), "value": 1}]});
    lead.post_readings(&format!("/surveys/{elsewhere}/readings"), &token, &batch).expect(404);
    let mut crew = Browser::of(&app, "crew");
    let page = crew.get(&format!("/surveys/{survey}/entry")).expect(200);
    assert!(!page.text.contains("Sign this survey"), "the crew does not sign");
    let said =
        [("form", page.token()), ("bottom_examined", "whole".to_owned()), ("blistering", "none".to_owned())];
    let said: Vec<(&str, &str)> = said.iter().map(|(name, text)| (*name, text.as_str())).collect();
    crew.post(&format!("/surveys/{survey}/signature"), &said).expect(403);
    crew.get(&format!("/vessels/{vessel}/surveys/new")).expect(403);
    let mut reader = Browser::of(&app, "reader");
    reader.get(&format!("/surveys/{survey}/entry")).expect(403);
    // A bearer token opens no page, a cookie no endpoint.
    let token = app.lead().get("/drying").expect(303);
    assert_eq!(token.header("location").as_deref(), Some("/sign-in?next=%2Fdrying"));
    lead.get("/v1/vessels").expect(401);
}

fn day(n: f64) -> DateTime<Utc> {
    let first: DateTime<Utc> = "2026-06-03T12:00:00Z".parse().expect("a time");
    #[expect(clippy::cast_possible_truncation, reason = "whole seconds of some days")]
    let seconds = (n * 86_400.0) as i64;
    first + Duration::seconds(seconds)
}

/// A treatment that dries: its readings the first series of `tests/checks/dry-decision.json` (common practice).
fn dried(yard: &Yard) -> String {
    let file: Value = serde_json::from_str(include_str!("../checks/dry-decision.json")).expect("JSON");
    let inputs = &file["cases"][0]["inputs"];
    let target = json!({"scale": "relative", "target": inputs["threshold"], "consecutive": inputs["consecutive"], "steady_range": inputs["stable_range"]});
    let treatment = yard.plan(&json!({"kind": "curative", "dry_target": target}));
    yard.accept(&treatment);
    let station = station(&yard.app, &yard.vessel, "P<1>", "port", 2.0);
    let survey = json!({"vessel_id": yard.vessel, "haul_out_id": yard.haul_out, "surveyed_on": "2026-06-03", "meter_scale": "relative"});
    let survey = yard.app.surveyor().post("/v1/surveys", &survey).expect(201).id();
    let items: Vec<Value> = (0..)
        .zip(inputs["series"].as_array().expect("a series"))
        .map(|(n, value)| json!({"station_id": station, "sequence": n + 1, "value": value, "taken_at": day(f64::from(n))}))
        .collect();
    yard.app.crew().post(&format!("/v1/surveys/{survey}/readings"), &json!({"items": items})).expect(200);
    treatment
}

#[test]
fn hulls_that_dry_are_shown_with_what_the_api_says() {
    let yard = Yard::set();
    let mut browser = Browser::of(&yard.app, "reader");
    assert!(browser.get("/drying").expect(200).text.contains("No hull is drying"));
    let treatment = dried(&yard);
    let page = browser.get("/drying").expect(200).text;
    let told = yard.app.reader().get(&format!("/v1/treatments/{treatment}/drying")).expect(200).json;
    let words = match told["status"].as_str() {
        Some("ready") => "Ready: dry and steady",
        Some("stalled") => "Stalled above the target",
        Some("drying") => "Drying",
        _ => "Too early to tell",
    };
    assert!(page.contains(&format!("\">{words}</strong>")), "{told} in {page}");
    assert!(
        page.contains("<svg class=\"drying\"")
            && page.contains("P&lt;1&gt;</text>")
            && page.contains("P&#60;1&#62;"),
        "{page}"
    );
    // The table behind has every reading.
    let readings = told["stations"][0]["readings"].as_array().expect("readings").len();
    let (_, table) = page.split_once("<ul class=\"figures\">").expect("a table");
    assert_eq!(table.split("</ul>").next().map(|list| list.matches("<li>").count()), Some(readings));
    assert!(
        browser.get(&format!("/treatments/{treatment}")).expect(200).text.contains("<svg class=\"drying\"")
    );
    assert!(browser.get("/drying?from=12").expect(200).text.contains("No hull is drying"));
    browser.get("/drying?from=-1").expect(422);
}

/// The form of an act as it stands on the page, with what is typed into it.
fn filled<'a>(page: &'a Page, act: &'a str, typed: &[(&'a str, &'a str)]) -> Vec<(String, String)> {
    let mut fields = vec![("form".to_owned(), page.token()), ("act".to_owned(), act.to_owned())];
    if act != "climate" && act != "closing" {
        fields.push(("id".to_owned(), page.value(act, "id")));
    }
    fields.extend(typed.iter().map(|(name, text)| ((*name).to_owned(), (*text).to_owned())));
    fields
}

fn sent(browser: &mut Browser, path: &str, fields: &[(String, String)]) -> Page {
    let fields: Vec<(&str, &str)> =
        fields.iter().map(|(name, text)| (name.as_str(), text.as_str())).collect();
    browser.post(path, &fields)
}

fn entries(yard: &Yard, treatment: &str) -> Vec<Value> {
    let plan: Answer = yard.app.reader().get(&format!("/v1/treatments/{treatment}/plan")).expect(200);
    plan.json["entries"].as_array().expect("entries").clone()
}

#[test]
#[expect(clippy::too_many_lines, reason = "one day's work, step after step")]
fn a_treatment_is_worked_on_from_its_page() {
    let yard = Yard::set();
    let barrier = made(&yard.app.lead(), &product("barrier", &["barrier"], &json!({})));
    let steps = json!([{"step": "abrade"}, {"step": "barrier", "coats": 2, "product_id": barrier}]);
    let treatment = yard
        .plan(&json!({"kind": "preventive", "steps": steps, "zones": [{"zone": "bottom", "area_m2": 21}]}));
    let path = format!("/treatments/{treatment}");
    let (work, decisions, climate) =
        (format!("{path}/work"), format!("{path}/decisions"), format!("{path}/climate"));
    let (mut surveyor, mut crew) = (Browser::of(&yard.app, "surveyor"), Browser::of(&yard.app, "crew"));
    let page = crew.get(&path).expect(200);
    assert!(
        page.text.contains("Accept first") && !page.text.contains("Accept the plan as it stands"),
        "the crew does not decide"
    );
    crew.post(&decisions, &[("form", &page.token()), ("act", "acceptance")]).expect(403);
    let page = surveyor.get(&path).expect(200);
    let accept = filled(
        &page,
        "acceptance",
        &[
            ("person_name", "Person A"),
            ("qualification", "Hull surveyor"),
            ("happened_at", "2026-07-29T08:00"),
        ],
    );
    // Sent twice it is one decision; the door of decisions takes no work.
    for _ in 0..2 {
        assert!(sent(&mut surveyor, &decisions, &accept).expect(303).to().ends_with("?done=acceptance"));
    }
    assert_eq!(entries(&yard, &treatment).len(), 1);
    surveyor
        .post(&decisions, &[("form", &page.token()), ("act", "wash"), ("happened_at", "2026-07-29T08:00")])
        .expect(409);

    // A step out of its turn is refused with what is missing, and what was typed stands there still.
    let page = crew.get(&path).expect(200);
    let early = filled(
        &page,
        "step_done",
        &[("at", "barrier bottom"), ("happened_at", "2026-07-29T09:00"), ("note", "all <done>")],
    );
    let refused = sent(&mut crew, &work, &early).expect(409);
    assert!(
        refused.text.contains("role=\"alert\"")
            && refused.text.contains("of 2 coats are recorded")
            && refused.text.contains("all &#60;done&#62;"),
        "{}",
        refused.text
    );
    let wash = filled(&page, "wash", &[("happened_at", "2026-07-29T08:30"), ("person_name", "Person B")]);
    for _ in 0..2 {
        sent(&mut crew, &work, &wash).expect(303);
    }
    let future = filled(&crew.get(&path).expect(200), "wash", &[("happened_at", "2031-07-29T08:30")]);
    assert!(sent(&mut crew, &work, &future).expect(422).text.contains("lies in the future"));
    let page = crew.get(&path).expect(200);
    sent(
        &mut crew,
        &work,
        &filled(
            &page,
            "step_done",
            &[("at", "abrade bottom"), ("happened_at", "2026-07-29T10:00"), ("note", "80 grit")],
        ),
    )
    .expect(303);
    let kinds: Vec<String> = entries(&yard, &treatment)
        .iter()
        .map(|entry| entry["kind"].as_str().unwrap_or_default().to_owned())
        .collect();
    assert_eq!(kinds, ["acceptance", "wash", "step_done"]);

    // A coat needs a climate that is known; both are entered here.
    let coat = [
        ("at", "barrier bottom"),
        ("product_id", barrier.as_str()),
        ("colour", "grey"),
        ("started_at", "2026-07-30T08:00"),
        ("finished_at", "2026-07-30T09:00"),
        ("litres", "4,5"),
        ("area_m2", "21"),
    ];
    let page = crew.get(&path).expect(200);
    let held = sent(&mut crew, &work, &filled(&page, "coat", &coat)).expect(409);
    assert!(
        held.text.contains("Enter air, humidity and hull temperature.") && held.text.contains("#climate"),
        "{}",
        held.text
    );
    let dry = [("air_temperature_c", "20"), ("relative_humidity_pct", "60"), ("surface_temperature_c", "20")];
    for at in ["2026-07-30T07:30", "2026-07-30T09:30"] {
        let measured: Vec<(&str, &str)> = dry.into_iter().chain([("measured_at", at)]).collect();
        sent(&mut crew, &climate, &filled(&page, "climate", &measured)).expect(303);
    }
    let wrong: Vec<(&str, &str)> = dry
        .into_iter()
        .chain([("measured_at", "2026-07-30T09:30")])
        .map(|(n, v)| (n, if n == "relative_humidity_pct" { "70" } else { v }))
        .collect();
    let refused = sent(&mut crew, &climate, &filled(&page, "climate", &wrong)).expect(422);
    assert!(refused.text.contains("another value is kept"), "{}", refused.text);
    let page = crew.get(&path).expect(200);
    assert!(page.text.contains("A coat may go on"), "20 °C, 60 %, dew point 12 °C keep every limit");
    sent(&mut crew, &work, &filled(&page, "coat", &coat)).expect(303);
    let coats = yard.app.reader().get(&format!("/v1/coats?vessel_id={}", yard.vessel)).expect(200).json;
    assert_eq!(
        (&coats["items"][0]["litres"], &coats["items"][0]["role"], &coats["items"][0]["applied_on"]),
        (&json!(4.5), &json!("barrier"), &json!("2026-07-30"))
    );
    // The clock is that of the endpoint of the coat.
    let id = coats["items"][0]["id"].as_str().expect("an id").to_owned();
    let told = yard.app.reader().get(&format!("/v1/coats/{id}")).expect(200).json;
    assert_eq!(told["overcoating"][0]["state"], "too_soon", "one hour of four has passed at {NOW}: {told}");
    let page = crew.get(&path).expect(200);
    assert!(
        page.text.contains("Too soon</strong>")
            && page.text.contains("Opens in 3 hours (30 Jul 2026, 13:00)"),
        "{}",
        page.text
    );
    let film = [
        ("coat", id.as_str()),
        ("method", "ultrasonic"),
        ("rule", "iso-19840"),
        ("nominal_um", "100"),
        ("readings_um", "110 105;99,5"),
        ("measured_at", "2026-07-30T09:50"),
    ];
    sent(&mut crew, &work, &filled(&page, "film", &film)).expect(303);
    let films = yard.app.reader().get(&format!("/v1/coats/{id}/films")).expect(200).json;
    assert_eq!(films["items"][0]["readings_um"], json!([110.0, 105.0, 99.5]));

    // Over a hold goes who is qualified, with a reason that stays visible.
    let page = surveyor.get(&path).expect(200);
    let over = [
        ("of_hold", "too_soon barrier bottom"),
        ("person_name", "Person A"),
        ("qualification", "Coating inspector"),
        ("happened_at", "2026-07-30T09:55"),
    ];
    assert!(
        sent(&mut surveyor, &decisions, &filled(&page, "override", &over))
            .expect(422)
            .text
            .contains("The reason is required")
    );
    let over: Vec<(&str, &str)> = over.into_iter().chain([("note", "A trial patch <held>")]).collect();
    sent(&mut surveyor, &decisions, &filled(&page, "override", &over)).expect(303);
    let page = crew.get(&path).expect(200);
    assert!(page.text.contains("A trial patch &#60;held&#62;") && page.text.contains("Coating inspector"));
    let wash = entries(&yard, &treatment)
        .iter()
        .find(|entry| entry["kind"] == "wash")
        .and_then(|entry| entry["id"].as_str().map(str::to_owned))
        .expect("the wash");
    sent(
        &mut crew,
        &work,
        &filled(
            &page,
            "withdrawal",
            &[("of_entry_id", &wash), ("note", "another hull"), ("happened_at", "2026-07-30T09:58")],
        ),
    )
    .expect(303);
    assert!(crew.get(&path).expect(200).text.contains("withdrawn</span>"));
}

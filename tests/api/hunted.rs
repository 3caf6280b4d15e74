//! What people who were wet, hurried or malicious sent, and what became of it.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde_json::{Value, json};

use crate::support::app::TestApp;

// RFC 3339, 5.6: a year has four digits. PostgreSQL's documentation, table 8.9: its times begin in 4713 BC.
#[test]
fn times_that_no_database_keeps_are_refused() {
    let app = TestApp::start();
    let lead = app.lead();
    for list in ["vessels", "sites", "haul-outs", "surveys", "coats", "due", "readings"] {
        for time in ["-262143-01-01T00:00:00Z", "-4713-01-01T00:00:00Z", "%2B262142-12-31T00:00:00Z"] {
            lead.get(&format!("/v1/{list}?updated_since={time}")).expect_problem(
                422,
                "invalid",
                "updated_since",
            );
        }
        lead.get(&format!("/v1/{list}?updated_since=9999-12-31T23:59:59Z")).expect(200);
        lead.get(&format!("/v1/{list}?updated_since=0001-01-01T00:00:00Z")).expect(200);
    }
    lead.get("/v1/due?before=-262143-01-01").expect_problem(422, "invalid", "before");
}

#[test]
fn a_cursor_that_was_tampered_with_is_refused() {
    let app = TestApp::start();
    let lead = app.lead();
    for name in ["First", "Second"] {
        lead.post("/v1/vessels", &json!({"name": name, "form": "motor", "length_m": 8})).expect(201);
    }
    let page = lead.get("/v1/vessels?limit=1").expect(200);
    let cursor = page.json["next_cursor"].as_str().expect("a second page");
    let text = String::from_utf8(URL_SAFE_NO_PAD.decode(cursor).expect("base64")).expect("text");
    let parts: Vec<&str> = text.split('.').collect();
    for key in ["-300000000000000000", "8000000000000000000", "9223372036854775807", "-9223372036854775808"] {
        let tampered = URL_SAFE_NO_PAD.encode([parts[0], parts[1], key, parts[3]].join("."));
        lead.get(&format!("/v1/vessels?limit=1&cursor={tampered}")).expect_problem(400, "malformed", "");
    }
}

#[test]
fn names_of_nothing_but_space_and_names_that_steer_a_terminal_are_refused() {
    let app = TestApp::start();
    let lead = app.lead();
    for name in ["   ", "\t\n", "\u{a0}", "red \u{1b}[31m", "\u{7f}", "\u{85}x"] {
        let body = json!({"name": name, "form": "motor", "length_m": 8});
        lead.post("/v1/vessels", &body).expect_problem(422, "invalid", "/name");
    }
    let note = json!({"name": "Möwe 船 ⚓", "form": "motor", "length_m": 8, "note": "two\r\n\tlines"});
    assert_eq!(lead.post("/v1/vessels", &note).expect(201).json["note"], "two\r\n\tlines");
}

#[test]
fn refusals_say_what_to_enter_instead() {
    let app = TestApp::start();
    let lead = app.lead();
    let told = |change: Value| {
        let mut body = json!({"name": "A", "form": "motor", "length_m": 8});
        for (name, value) in change.as_object().expect("an object") {
            body[name] = value.clone();
        }
        let answer = lead.post("/v1/vessels", &body).expect(422);
        answer.json["errors"][0]["detail"].as_str().expect("a sentence").to_owned()
    };
    assert_eq!(told(json!({"length_m": 1})), "is too small: at least 2. Correct it.");
    assert_eq!(told(json!({"name": "x".repeat(201)})), "is too long: at most 200. Shorten it.");
    assert_eq!(
        told(json!({"built_year": 1990.5})),
        "is of the wrong kind: floating point `1990.5`. Enter a whole number without a decimal point."
    );
    assert_eq!(
        told(json!({"launched_on": "2023-02-30"})),
        "is not a date or time there is. Write a date as 2026-05-04, a time as 2026-05-04T09:30:00Z."
    );
    assert_eq!(
        told(json!({"bilge": "soaked"})),
        "is `soaked`, which is not known here. Use one of `dry`, `damp`, `wet`."
    );
}

#[test]
fn no_date_is_taken_that_a_forecast_refuses() {
    let app = TestApp::start();
    let lead = app.lead();
    let built = |date: &str, year: i32| json!({"name": "A", "form": "motor", "length_m": 8, "launched_on": date, "built_year": year});
    lead.post("/v1/vessels", &built("2200-01-01", 2199)).expect_problem(422, "invalid", "/launched_on");
    lead.post("/v1/vessels", &built("2199-12-31", 2200)).expect_problem(422, "invalid", "/built_year");
    let vessel = lead.post("/v1/vessels", &built("2199-12-31", 2199)).expect(201);
    let forecast = format!("/v1/vessels/{}/forecast", vessel.id());
    for day in ["0001-01-01", "1939-12-31"] {
        lead.get(&format!("{forecast}?as_of={day}")).expect_problem(422, "invalid", "as_of");
    }
    let then = lead.get(&format!("{forecast}?as_of=1940-01-01")).expect(200);
    let reasons = then.json["dates"].to_string();
    assert!(!reasons.contains("is corrected"), "{reasons}");
}

// RFC 9110, 9.3.2: what GET would say, without the content.
#[test]
fn head_is_answered_wherever_get_is() {
    let app = TestApp::start();
    let lead = app.lead();
    let head = |path: &str, status: u16| lead.send(lead.request("HEAD", path)).expect(status);
    for path in ["/health/live", "/v1/vessels", "/v1/due?format=csv"] {
        assert_eq!(head(path, 200).json, Value::Null, "{path}");
    }
    let site = lead
        .post("/v1/sites", &json!({"name": "Basin", "time_zone": "UTC", "climate": "temperate_sea"}))
        .expect(201);
    assert_eq!(head(&format!("/v1/sites/{}", site.id()), 200).etag(), site.etag());
    head("/v1/sign-in", 405);
    app.anonymous().send(app.anonymous().request("HEAD", "/v1/vessels")).expect(401);
}

// The error values are those of OpenFormula (ODF 1.3, part 4, 5.12).
#[test]
fn what_a_failed_formula_shows_is_no_name_and_unnamed_columns_are_counted() {
    let app = TestApp::start();
    let lead = app.lead();
    let import = |file: &'static str| {
        let request = lead.request("POST", "/v1/imports/vessels").header("Content-Type", "text/csv");
        lead.send(request.body(file)).expect(422)
    };
    for file in
        ["ref,name,form,length_m\nA,#REF!,motor,8\n", "ref,name,form,length_m\nA,a\u{1b}[2J,motor,8\n"]
    {
        let refused = import(file);
        assert_eq!(refused.pointers(), ["line 2, column name"]);
        assert!(!refused.json.to_string().contains("u001b"), "{}", refused.text);
    }
    let unnamed = import("ref;name;form;length_m;;\nA;a;motor;8;;\n");
    assert_eq!(unnamed.pointers(), ["line 1, column 5", "line 1, column 6"]);
}

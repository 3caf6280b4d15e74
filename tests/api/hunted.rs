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

// The Unicode Standard, 23.2 and 23.8; UAX #9, 2. The good ones are spelt as their scripts are: a joiner in Persian
// and Malayalam words, a mark of direction in a Hebrew one, an emoji of several joined.
#[test]
fn what_is_not_seen_makes_no_two_names_out_of_one() {
    let app = TestApp::start();
    let lead = app.lead();
    let named = |name: &str| lead.post("/v1/vessels", &json!({"name": name, "form": "motor", "length_m": 8}));
    for unseen in ["\u{200b}", "\u{2060}", "\u{feff}", "\u{202e}", "\u{2066}", "\u{2028}", "\u{fff9}"] {
        named(&format!("Gu{unseen}ll")).expect_problem(422, "invalid", "/name");
    }
    for blank in ["\u{200d}", "\u{200c}\u{200d} ", "\u{ad}"] {
        named(blank).expect_problem(422, "invalid", "/name");
    }
    for good in ["می\u{200c}خواهم", "അവന്\u{200d}", "שלום\u{200f}!", "👩\u{200d}🔧", "Zoë", "海鷗", "Ω-4"]
    {
        assert_eq!(named(good).expect(201).json["name"], good);
    }
}

#[test]
fn a_launch_does_not_move_past_a_survey() {
    let app = TestApp::start();
    let lead = app.lead();
    let vessel = lead.post("/v1/vessels", &json!({"name": "A", "form": "motor", "length_m": 8})).expect(201);
    let survey = json!({"vessel_id": vessel.id(), "surveyed_on": "2026-03-02"});
    app.surveyor().post("/v1/surveys", &survey).expect(201);
    let path = format!("/v1/vessels/{}", vessel.id());
    let launch = |day: &str| lead.patch(&path, &vessel.etag(), &json!({"launched_on": day}));
    launch("2026-03-03").expect_problem(409, "conflict", "/launched_on");
    launch("2026-03-02").expect(200);
}

// What a form, a script or somebody in a hurry sends to the doors. None is the service's fault, and nothing is left.
#[test]
fn bad_input_at_the_doors_is_the_senders_and_leaves_nothing() {
    let app = TestApp::start();
    let counted = || -> Vec<usize> {
        let administrator = app.administrator();
        ["members", "programs", "invitations"]
            .map(|list| {
                administrator.get(&format!("/v1/{list}")).expect(200).json["items"]
                    .as_array()
                    .map_or(0, Vec::len)
            })
            .to_vec()
    };
    let before = counted();
    let odd = [
        json!(null),
        json!(true),
        json!(-1),
        json!(1e308),
        json!(""),
        json!(" "),
        json!([]),
        json!({}),
        json!([[[]]]),
        json!("\u{0}"),
        json!("'; DROP TABLE people; --"),
        json!("x".repeat(100_000)),
        json!("\u{202e}x"),
        json!("a@b\r\nBcc: c@d.example"),
        json!("00000000-0000-0000-0000-000000000000"),
        json!({"email": "a"}),
        json!("AAAA"),
        json!("A".repeat(86)),
        json!("-".repeat(107)),
        json!("9999-12-31T23:59:60Z"),
    ];
    let doors: [(&str, bool, Value); 12] = [
        (
            "/v1/sign-in",
            false,
            json!({"email": "ghost@home.example", "password": "a guess at it", "code": "1", "org_id": app.home.org_id}),
        ),
        ("/v1/sign-in/refresh", false, json!({"refresh_token": "x"})),
        ("/v1/sign-out", false, json!({"refresh_token": "x", "everywhere": true})),
        ("/v1/password-resets", false, json!({"email": "ghost@home.example"})),
        ("/v1/password-resets/completion", false, json!({"token": "x", "password": "short"})),
        (
            "/v1/invitations/acceptance",
            false,
            json!({"token": "x", "password": "short", "display_name": "x", "code": "1"}),
        ),
        ("/v1/invitations", true, json!({"email": "nobody", "role": "captain"})),
        (
            "/v1/programs",
            true,
            json!({"name": "", "scopes": ["steer"], "expires_at": "2020-01-01T00:00:00Z"}),
        ),
        ("/v1/me/password", true, json!({"password": "x", "new_password": "short", "code": "1"})),
        ("/v1/me/second-factor", true, json!({"password": "x", "code": "1"})),
        ("/v1/me/second-factor/confirmation", true, json!({"code": "1"})),
        ("/v1/me/second-factor/removal", true, json!({"password": "x", "code": "1"})),
    ];
    for (path, signed_in, body) in doors {
        // From an address of its own each time, or the throttle would answer instead.
        for (n, value) in odd.iter().enumerate() {
            for field in body.as_object().expect("an object").keys() {
                let mut body = body.clone();
                body[field] = value.clone();
                let mut client = app.at_address(&format!("127.1.{}.{}", n + 1, path.len()));
                client.token = signed_in.then(|| app.administrator().token).flatten();
                let answer = client.post(path, &body);
                assert!(answer.status < 500, "{path} {field} {value}: {} {}", answer.status, answer.text);
                if answer.status >= 400 {
                    assert!(
                        answer.json["code"].is_string() || answer.json["error"].is_string(),
                        "{path}: {}",
                        answer.text
                    );
                }
            }
        }
        for raw in ["", "{", "[]", "null", "\"", "{\"a\":1,\"a\":2}", "\u{feff}{}"] {
            let mut client = app.at_address("127.2.0.1");
            client.token = signed_in.then(|| app.administrator().token).flatten();
            let request = client.request("POST", path).header("content-type", "application/json");
            let answer = client.send(request.body(raw));
            assert!((400..500).contains(&answer.status), "{path} {raw:?}: {}", answer.status);
        }
    }
    assert_eq!(counted(), before, "half-written rows");
    assert!(garboard::cli::audit::verify(&app.db, &[]).expect("it reads").1);
}

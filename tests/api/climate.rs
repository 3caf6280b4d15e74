//! /v1/haul-outs/{id}/climate-values and /v1/haul-outs/{id}/coating-windows

use chrono::{DateTime, Duration, Utc};
use garboard::features::climate::model::window::{ClimateMoment, MAX_GAP_H, WindowAnswer, window};
use garboard::science::moist_air::CoatingLimits;
use serde_json::{Value, json};

use crate::lists::walk;
use crate::support::app::{Answer, Client, TestApp};

/// A haul-out that began on 1 June 2026 and goes on; the tests' clock stands at 15 June, ten o'clock.
pub fn haul_out(app: &TestApp) -> (String, String) {
    let lead = app.lead();
    let vessel =
        json!({"name": "Test hull", "form": "fin_keel", "length_m": 10.0, "launched_on": "2010-05-01"});
    let vessel = lead.post("/v1/vessels", &vessel).expect(201).id();
    let body = json!({"vessel_id": vessel, "lifted_on": "2026-06-01", "reason": "treatment"});
    let haul_out = lead.post("/v1/haul-outs", &body).expect(201).id();
    (vessel, haul_out)
}

pub fn value(at: &str, air: f64, humidity: f64, surface: f64) -> Value {
    json!({"measured_at": at, "source": "hand", "air_temperature_c": air, "relative_humidity_pct": humidity,
        "surface_temperature_c": surface})
}

fn path(haul_out: &str) -> String {
    format!("/v1/haul-outs/{haul_out}/climate-values")
}

fn report(answer: &Answer) -> (u64, u64, u64) {
    let count = |name: &str| answer.json[name].as_u64().expect("a count");
    (count("created"), count("corrected"), count("unchanged"))
}

fn send_file(client: &Client, path: &str, text: &str) -> Answer {
    client.send(client.request("POST", path).header("Content-Type", "text/csv").body(text.to_owned()))
}

#[test]
fn values_are_kept_once_and_corrected_with_a_reason() {
    let app = TestApp::start();
    let (vessel, haul_out) = haul_out(&app);
    let (crew, path) = (app.crew(), path(&haul_out));
    let body = json!({"items": [value("2026-06-02T08:00:00Z", 15.0, 60.0, 14.0), value("2026-06-02T09:00:00Z", 16.0, 58.0, 15.0)]});
    assert_eq!(report(&crew.post(&path, &body).expect(200)), (2, 0, 0));
    assert_eq!(report(&crew.post(&path, &body).expect(200)), (0, 0, 2), "a batch sent twice");
    let mut wrong = value("2026-06-02T09:00:00Z", 61.0, 58.0, 15.0);
    crew.post(&path, &json!({"items": [wrong]})).expect_problem(422, "invalid", "/items/0/air_temperature_c");
    wrong = value("2026-06-02T09:00:00Z", 17.0, 58.0, 15.0);
    crew.post(&path, &json!({"items": [wrong]})).expect_problem(422, "invalid", "/items/0/correction_reason");
    wrong["correction_reason"] = "misread".into();
    assert_eq!(report(&crew.post(&path, &json!({"items": [wrong]})).expect(200)), (0, 1, 0));
    // Another source at the same time is another value.
    let mut logged = value("2026-06-02T09:00:00Z", 17.4, 57.0, 15.2);
    logged["source"] = "logger".into();
    assert_eq!(report(&crew.post(&path, &json!({"items": [logged]})).expect(200)), (1, 0, 0));

    let reader = app.reader();
    let told = |query: &str| -> Vec<f64> {
        let page = reader.get(&format!("{path}?{query}")).expect(200);
        let items = page.json["items"].as_array().expect("items").clone();
        assert!(
            items.iter().all(|item| item["vessel_id"] == json!(vessel) && item["recorded_by"].is_string())
        );
        items.iter().map(|item| item["air_temperature_c"].as_f64().expect("a number")).collect()
    };
    assert_eq!(told("source=hand"), [15.0, 17.0]);
    assert_eq!(told("source=hand&all_versions=true"), [15.0, 16.0, 17.0], "the old value stays");
    assert_eq!(told("source=logger"), [17.4]);
    assert_eq!(told("measured_since=2026-06-02T08:30:00Z&source=hand"), [17.0]);
    assert_eq!(told("measured_before=2026-06-02T08:30:00Z"), [15.0]);

    let mut gone = value("2026-06-02T08:00:00Z", 15.0, 60.0, 14.0);
    gone["withdrawn"] = true.into();
    gone["correction_reason"] = "another hull".into();
    assert_eq!(report(&crew.post(&path, &json!({"items": [gone]})).expect(200)), (0, 1, 0));
    assert_eq!(told("source=hand"), [17.0]);
    assert_eq!(told("source=hand&withdrawn=true"), [15.0, 17.0]);
}

#[test]
fn each_rule_is_refused_at_its_field_and_nothing_is_kept() {
    let app = TestApp::start();
    let (_, haul_out) = haul_out(&app);
    let (crew, path) = (app.crew(), path(&haul_out));
    let good = value("2026-06-02T08:00:00Z", 15.0, 60.0, 14.0);
    let with = |field: &str, given: Value| {
        let mut value = value("2026-06-02T09:00:00Z", 15.0, 60.0, 14.0);
        value[field] = given;
        value
    };
    for (bad, pointer) in [
        (with("measured_at", json!("2026-06-15T10:00:01Z")), "measured_at"),
        (with("measured_at", json!("2026-05-30T10:00:00Z")), "measured_at"),
        (with("measured_at", json!("2026-06-02T08:00:00Z")), "measured_at"),
        (with("air_temperature_c", json!(-46)), "air_temperature_c"),
        (with("relative_humidity_pct", json!(0)), "relative_humidity_pct"),
        (with("relative_humidity_pct", json!(100.1)), "relative_humidity_pct"),
        (with("surface_temperature_c", json!("cold")), "surface_temperature_c"),
        (with("source", json!("guess")), "source"),
        (with("withdrawn", json!(true)), "withdrawn"),
        (with("correction_reason", json!("none before")), "correction_reason"),
        (with("dew_point_c", json!(7)), "dew_point_c"),
    ] {
        crew.post(&path, &json!({"items": [good, bad]})).expect_problem(
            422,
            "invalid",
            &format!("/items/1/{pointer}"),
        );
    }
    crew.post(&path, &json!({"items": []})).expect_problem(422, "invalid", "/items");
    assert_eq!(crew.get(&path).expect(200).json["items"], json!([]));
    app.reader().post(&path, &json!({"items": [good]})).expect_problem(403, "forbidden", "");
    let stranger = app.stranger();
    stranger.get(&path).expect_problem(404, "not_found", "");
    stranger.post(&path, &json!({"items": [good]})).expect_problem(404, "not_found", "");
}

#[test]
fn the_list_is_walked_page_by_page() {
    let app = TestApp::start();
    let (_, haul_out) = haul_out(&app);
    let (crew, path) = (app.crew(), path(&haul_out));
    let items: Vec<Value> =
        (0..5).map(|hour| value(&format!("2026-06-02T0{hour}:00:00Z"), 15.0, 60.0, 14.0)).collect();
    crew.post(&path, &json!({"items": items})).expect(200);
    let all = walk(&crew, &format!("{path}?source=hand"), 200);
    assert_eq!(all.len(), 5);
    for limit in [1, 2] {
        assert_eq!(walk(&crew, &format!("{path}?source=hand"), limit), all, "by {limit}");
    }
    let since = |time: &str| walk(&crew, &format!("{path}?updated_since=2026-06-15T{time}Z"), 200).len();
    assert_eq!((since("10:00:00"), since("10:00:01")), (5, 0));
}

#[test]
fn a_loggers_file_is_read_with_either_mark() {
    let app = TestApp::start();
    let (_, haul_out) = haul_out(&app);
    let (crew, path) = (app.crew(), format!("{}/file", path(&haul_out)));
    let comma = "time,air_temperature_c,relative_humidity_pct,surface_temperature_c\r\n\
                 2026-06-02T08:00:00Z,15.5,60.5,14.0\r\n2026-06-02T11:00:00+02:00,16,59,\r\n";
    assert_eq!(report(&send_file(&crew, &path, comma).expect(200)), (2, 0, 0));
    let semicolon = "\u{feff}time;air_temperature_c;relative_humidity_pct;surface_temperature_c\n\
                     2026-06-02 10:00;15,5;60,5;14\n2026-06-02 12:00;16,25;58;15,75\n";
    send_file(&crew, &path, semicolon).expect_problem(422, "invalid", "line 2, column time");
    let local = format!("{path}?utc_offset_h=2");
    assert_eq!(report(&send_file(&crew, &local, semicolon).expect(200)), (1, 0, 1), "10:00 is 8:00 UTC");
    assert_eq!(report(&send_file(&crew, &local, semicolon).expect(200)), (0, 0, 2));
    let kept = crew.get(&format!("/v1/haul-outs/{haul_out}/climate-values")).expect(200);
    let items = kept.json["items"].as_array().expect("items");
    let told: Vec<(&str, &Value)> = items
        .iter()
        .map(|item| (item["measured_at"].as_str().expect("a time"), &item["surface_temperature_c"]))
        .collect();
    assert_eq!(
        told,
        [
            ("2026-06-02T08:00:00Z", &json!(14.0)),
            ("2026-06-02T09:00:00Z", &Value::Null),
            ("2026-06-02T10:00:00Z", &json!(15.75))
        ]
    );
    let header = "time,air_temperature_c,relative_humidity_pct,surface_temperature_c\n";
    for (rows, pointer) in [
        ("2026-06-03T08:00:00Z,warm,60,14\n", "line 2, column air_temperature_c"),
        ("2026-06-03T08:00:00Z,\"15,5\",60,14\n", "line 2, column air_temperature_c"),
        ("2026-06-03T08:00:00Z,15,60,14\n03/06/2026 09:00,15,60,14\n", "line 3, column time"),
        ("2026-06-03T08:00:00Z,15,160,14\n", "line 2, column relative_humidity_pct"),
        ("2026-06-03T08:00:00Z,15,,14\n", "line 2, column relative_humidity_pct"),
        ("2026-06-03T08:00:00Z,15,60,14\n2027-06-03T08:00:00Z,15,60,14\n", "line 3, column time"),
        ("", ""),
        ("2026-06-03T08:00:00Z,15\n", ""),
    ] {
        send_file(&crew, &path, &format!("{header}{rows}")).expect_problem(422, "invalid", pointer);
    }
    send_file(&crew, &path, "time,air_temperature_c\n").expect_problem(
        422,
        "invalid",
        "line 1, column relative_humidity_pct",
    );
    let unknown = header.replace("surface", "hull");
    send_file(&crew, &path, &unknown).expect_problem(422, "invalid", "line 1, column hull_temperature_c");
    crew.post(&path, &json!({})).expect_problem(415, "unsupported_media_type", "");
    send_file(&crew, &format!("{path}?utc_offset_h=15"), comma).expect_problem(
        422,
        "invalid",
        "utc_offset_h",
    );
    send_file(&app.stranger(), &path, comma).expect_problem(404, "not_found", "");
}

fn hour(hour: u32, humidity: f64, surface: f64) -> Value {
    json!({"at": format!("2026-06-16T{hour:02}:00:00Z"), "air_temperature_c": 20.0,
        "relative_humidity_pct": humidity, "surface_temperature_c": surface})
}

#[test]
fn a_forecast_has_its_windows() {
    let app = TestApp::start();
    let (_, haul_out) = haul_out(&app);
    let (crew, path) = (app.crew(), format!("/v1/haul-outs/{haul_out}/coating-windows"));
    // Humid until 8, good from 9 to 15, a cold hull at 16, good from 17 to 19.
    let forecast: Vec<Value> = (6..20)
        .map(|h| match h {
            6..=8 => hour(h, 90.0, 22.0),
            16 => hour(h, 60.0, 9.0),
            _ => hour(h, 60.0, 22.0),
        })
        .collect();
    let mut question = json!({"limits": {}, "application_h": 1, "cure_h": 3, "forecast": forecast});
    let told = crew.post(&path, &question).expect(200);
    assert_eq!(
        told.json["windows"],
        json!([{"opens_at": "2026-06-16T09:00:00Z", "latest_start_at": "2026-06-16T11:00:00Z", "closes_at": "2026-06-16T15:00:00Z"}]),
        "from 17 to 19 is too short for four hours"
    );
    let codes: Vec<&str> = told.json["refusals"]
        .as_array()
        .expect("refusals")
        .iter()
        .map(|refusal| refusal["code"].as_str().expect("a code"))
        .collect();
    assert_eq!(
        codes,
        ["air_too_humid", "air_too_humid", "air_too_humid", "margin_too_small", "surface_too_cold"]
    );
    question["cure_h"] = json!(1);
    assert_eq!(crew.post(&path, &question).expect(200).json["windows"].as_array().map(Vec::len), Some(2));

    // Values further apart than three hours are no forecast of the time between.
    question["forecast"] = json!([hour(0, 60.0, 22.0), hour(3, 60.0, 22.0), hour(7, 60.0, 22.0)]);
    let sparse = crew.post(&path, &question).expect(200);
    assert_eq!(sparse.json["windows"][0]["closes_at"], "2026-06-16T03:00:00Z");
    assert_eq!(sparse.json["windows"].as_array().map(Vec::len), Some(1));

    // The product's sheet gives its own limits.
    let product = json!({"name": "Generic", "role": "barrier", "max_relative_humidity_pct": 55});
    let product = app.lead().post("/v1/products", &product).expect(201).id();
    let by_product = json!({"product_id": product, "application_h": 1, "cure_h": 1,
        "forecast_csv": "time,air_temperature_c,relative_humidity_pct,surface_temperature_c\n2026-06-16T06:00:00Z,20,55,22\n2026-06-16T08:00:00Z,20,55,22\n2026-06-16T09:00:00Z,20,56,22\n"});
    let told = crew.post(&path, &by_product).expect(200);
    assert_eq!(told.json["windows"][0]["closes_at"], "2026-06-16T08:00:00Z");
    assert_eq!(told.json["limits"]["max_relative_humidity_pct"], 55.0);

    for (field, given, pointer) in [
        ("limits", Value::Null, "/product_id"),
        ("product_id", json!(product), "/limits"),
        ("product_id", json!(haul_out), "/limits"),
        ("forecast", Value::Null, "/forecast"),
        ("forecast", json!([]), "/forecast"),
        ("forecast", json!([hour(3, 60.0, 22.0), hour(3, 60.0, 22.0)]), "/forecast/1/at"),
        ("forecast", json!([hour(3, 60.0, 22.0), hour(4, 160.0, 22.0)]), "/forecast/1/relative_humidity_pct"),
        ("forecast_csv", json!("time"), "/forecast_csv"),
        ("application_h", json!(-1), "/application_h"),
        ("max_gap_h", json!(0), "/max_gap_h"),
    ] {
        let mut wrong = question.clone();
        wrong[field] = given;
        crew.post(&path, &wrong).expect_problem(422, "invalid", pointer);
    }
    let mut foreign = by_product;
    foreign["product_id"] = json!(haul_out);
    crew.post(&path, &foreign).expect_problem(422, "invalid", "/product_id");
    app.stranger().post(&path, &question).expect_problem(404, "not_found", "");
}

/// Source: tests/checks/climate-coating-rule.json (ISO 8502-4 guidance, dew point by WMO-No. 8).
#[test]
fn a_single_hour_is_judged_as_the_standard_says() {
    let app = TestApp::start();
    let (_, haul_out) = haul_out(&app);
    let path = format!("/v1/haul-outs/{haul_out}/coating-windows");
    let file: Value =
        serde_json::from_str(include_str!("../checks/climate-coating-rule.json")).expect("JSON");
    let cases = file["cases"].as_array().expect("cases");
    assert!(cases.len() >= 8);
    for case in cases {
        let inputs = &case["inputs"];
        let question = json!({"application_h": 0, "cure_h": 0,
            "limits": {"min_margin_k": inputs["margin_C"], "max_relative_humidity_pct": inputs["rh_max_pct"],
                "min_surface_temperature_c": -40, "max_surface_temperature_c": 90},
            "forecast": [{"at": "2026-06-16T09:00:00Z", "air_temperature_c": inputs["T_air_C"],
                "relative_humidity_pct": inputs["RH_pct"], "surface_temperature_c": inputs["T_surface_C"]}]});
        let told = app.crew().post(&path, &question).expect(200);
        let open = told.json["windows"] != json!([]);
        assert_eq!(json!(open), case["expected"]["ok"], "{case}");
    }
}

fn start() -> DateTime<Utc> {
    "2026-06-10T08:00:00Z".parse().expect("a time")
}

fn moment(hour: i64, relative_humidity_pct: f64) -> ClimateMoment {
    ClimateMoment {
        at: start() + Duration::hours(hour),
        air_temperature_c: 20.0,
        relative_humidity_pct,
        surface_temperature_c: 20.0,
    }
}

/// 20 °C and 70 % leave 5.6 K over the dew point, and 85 % leave 2.6 K (`tests/checks/climate-coating-rule.json`: dew
/// points of 14.359 and 17.399 °C); gaps of three hours: common practice, no source.
#[test]
fn a_coat_is_judged_over_application_and_cure_not_at_one_instant() {
    let (from, to) = (start(), start() + Duration::hours(6));
    let answer = |values: &[ClimateMoment]| {
        let told = window(&CoatingLimits::default(), values, from, to, MAX_GAP_H).expect("in range");
        let codes: Vec<String> = told.refusals.iter().map(|refusal| refusal.code.clone()).collect();
        (told.answer, codes, told.gaps.len())
    };
    let good = |hours: &[i64]| hours.iter().map(|hour| moment(*hour, 70.0)).collect::<Vec<_>>();
    let allowed = (WindowAnswer::Allowed, Vec::new(), 0);
    assert_eq!(answer(&good(&[0, 3, 6])), allowed);
    assert_eq!(answer(&good(&[-1, 2, 5, 8])), allowed, "those on either side close the ends");
    assert_eq!(answer(&good(&[1, 3])), allowed, "within three hours of either end");
    let missing = |gaps| (WindowAnswer::NotEnoughValues, Vec::new(), gaps);
    assert_eq!(answer(&[]), missing(1));
    assert_eq!(answer(&good(&[0, 4, 6])), missing(1));
    assert_eq!(answer(&good(&[0, 2])), missing(1), "nothing of the end");
    assert_eq!(answer(&good(&[4, 6])), missing(1), "nothing of the beginning");
    assert_eq!(answer(&good(&[-9, 15])), missing(1), "values of another time");
    let broken = |codes: &[&str], gaps| {
        (WindowAnswer::NotAllowed, codes.iter().map(|code| (*code).to_owned()).collect(), gaps)
    };
    let mut values = good(&[0, 2, 4, 6]);
    values[2].relative_humidity_pct = 85.0;
    assert_eq!(answer(&values), broken(&["margin_too_small"], 0), "during the cure");
    values[2].relative_humidity_pct = 90.0;
    assert_eq!(answer(&values), broken(&["margin_too_small", "air_too_humid"], 0));
    values.pop();
    values.remove(1);
    assert_eq!(answer(&values), broken(&["margin_too_small", "air_too_humid"], 1), "a gap excuses nothing");
    let mut before = good(&[-2, 1, 4]);
    before[0].relative_humidity_pct = 90.0;
    assert_eq!(answer(&before).0, WindowAnswer::NotAllowed, "it stands until the next");
    let mut after = good(&[0, 3, 6, 7]);
    after[3].relative_humidity_pct = 90.0;
    assert_eq!(answer(&after), allowed, "the coat has cured");
}

//! /v1/coats with products, films and the live window of the next coat

use chrono::{DateTime, Duration, Utc};
use garboard::features::forecasts::store::subjects;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::climate::haul_out;
use crate::forecast_requests::{forget, waiting};
use crate::lists::walk;
use crate::products::sheet;
use crate::support::app::{TODAY, TestApp};

struct Yard {
    app: TestApp,
    vessel: String,
    haul_out: String,
    product: String,
}

impl Yard {
    fn set() -> Self {
        Self::of(&sheet())
    }

    fn of(sheet: &Value) -> Self {
        let app = TestApp::start();
        let (vessel, haul_out) = haul_out(&app);
        let product = app.lead().post("/v1/products", sheet).expect(201).id();
        Self { app, vessel, haul_out, product }
    }

    fn coat(&self) -> Value {
        json!({"vessel_id": self.vessel, "haul_out_id": self.haul_out, "role": "barrier", "zone": "bottom",
            "applied_on": "2026-06-10", "product_id": self.product, "batch_number": "B-7", "colour": "grey"})
    }

    fn with(&self, fields: &Value) -> Value {
        let mut body = self.coat();
        for (name, value) in fields.as_object().expect("an object") {
            body[name] = value.clone();
        }
        body
    }
}

fn film() -> Value {
    json!({"method": "ultrasonic", "rule": "iso-19840", "nominal_um": 100, "readings_um": [100, 110, 120],
        "measured_at": "2026-06-11T09:00:00Z"})
}

fn film_with(fields: &Value) -> Value {
    let mut body = film();
    for (name, value) in fields.as_object().expect("an object") {
        body[name] = value.clone();
    }
    body
}

fn codes(list: &Value) -> Vec<&str> {
    list.as_array().expect("a list").iter().map(|item| item["code"].as_str().expect("a code")).collect()
}

#[test]
fn a_coat_takes_from_the_sheet_what_it_does_not_say() {
    let mut own = sheet();
    own["permeability_kg_m_s"] = json!(2e-12);
    let yard = Yard::of(&own);
    let crew = yard.app.crew();
    let made = crew.post("/v1/coats", &yard.coat()).expect(201);
    assert_eq!(made.json["product"], "Generic barrier A");
    assert_eq!(made.json["permeability_kg_m_s"], 2e-12);
    let told = crew.post("/v1/coats", &yard.with(&json!({"permeability_kg_m_s": 3e-12}))).expect(201);
    assert_eq!(told.json["permeability_kg_m_s"], 3e-12, "the coat's own goes before the sheet's");
    // A sheet that changes later changes no recorded coat.
    let path = format!("/v1/products/{}", yard.product);
    yard.app.lead().patch(&path, "\"1\"", &json!({"permeability_kg_m_s": 4e-12})).expect(200);
    let coat = format!("/v1/coats/{}", made.id());
    assert_eq!(crew.get(&coat).expect(200).json["permeability_kg_m_s"], 2e-12);
    // A correction to another product takes from that one.
    let other = json!({"name": "Generic barrier B", "role": "barrier"});
    let other = yard.app.lead().post("/v1/products", &other).expect(201).id();
    let change = json!({"product_id": other, "correction_reason": "the other tin"});
    let changed = crew.patch(&coat, &made.etag(), &change).expect(200);
    assert_eq!(changed.json["product"], "Generic barrier B");
    assert_eq!(changed.json["permeability_kg_m_s"], Value::Null);
    let versions = crew.get(&format!("{coat}/versions")).expect(200);
    assert_eq!(versions.json["items"][0]["product_id"], json!(yard.product), "the old one stays");
}

#[test]
fn each_rule_of_an_application_is_refused_at_its_field() {
    let yard = Yard::set();
    let crew = yard.app.crew();
    let at = |time: &str| json!(format!("2026-06-{time}:00Z"));
    for (fields, pointer) in [
        (json!({"product_id": yard.haul_out}), "/product_id"),
        (json!({"role": "sealer"}), "/product_id"),
        (json!({"litres": 0}), "/litres"),
        (json!({"area_m2": 2001}), "/area_m2"),
        (json!({"wet_film_um": 0}), "/wet_film_um"),
        (json!({"batch_number": ""}), "/batch_number"),
        (json!({"started_at": at("10T12:00"), "finished_at": at("10T11:00")}), "/finished_at"),
        (json!({"started_at": at("12T12:00")}), "/started_at"),
        (json!({"applied_on": "2026-06-15", "finished_at": at("15T10:01")}), "/finished_at"),
    ] {
        crew.post("/v1/coats", &yard.with(&fields)).expect_problem(422, "invalid", pointer);
    }
    // The product of another organisation is unknown.
    let foreign = yard.app.stranger().post("/v1/products", &sheet()).expect(201).id();
    crew.post("/v1/coats", &yard.with(&json!({"product_id": foreign}))).expect_problem(
        422,
        "invalid",
        "/product_id",
    );
}

/// Alternating colours: common practice, no source. Litres against film: `tests/checks/film-from-usage.json`, by which
/// 12 litres of half solids, 15 % lost, on 30 m² leave 170 µm.
#[test]
fn what_does_not_fit_is_told_and_refuses_nothing() {
    let mut half = sheet();
    half["volume_solids_pct"] = json!(50);
    let yard = Yard::of(&half);
    let crew = yard.app.crew();
    let checks = |fields: &Value| {
        let made = crew.post("/v1/coats", &yard.with(fields)).expect(201);
        codes(&made.json["checks"]).into_iter().map(str::to_owned).collect::<Vec<_>>()
    };
    assert_eq!(checks(&json!({})), [""; 0]);
    assert_eq!(checks(&json!({"colour": " Grey"})), ["colour_not_alternating"]);
    assert_eq!(checks(&json!({"colour": "white"})), [""; 0]);
    let used =
        |film: f64, colour: &str| json!({"litres": 12, "area_m2": 30, "dry_film_um": film, "colour": colour});
    assert_eq!(checks(&used(170.0, "red")), [""; 0]);
    assert_eq!(checks(&used(240.0, "grey")), ["litres_do_not_match"], "200 µm if nothing is lost");
    assert_eq!(checks(&used(105.0, "red")), ["litres_do_not_match"], "120 µm if two fifths are lost");
    assert_eq!(checks(&json!({"dry_film_um": 99, "colour": "grey"})), ["film_outside_sheet"]);
    assert_eq!(checks(&json!({"wet_film_um": 502, "colour": "red"})), ["film_outside_sheet"], "251 µm dry");
    assert_eq!(
        checks(&json!({"zone": "keel", "finished_at": "2026-06-10T12:00:00Z"})),
        [""; 0],
        "nothing lies under it there"
    );
    let early = json!({"zone": "keel", "colour": "red", "started_at": "2026-06-10T11:00:00Z"});
    assert_eq!(checks(&early), ["sequence_against_time"]);
}

/// Sources: the acceptance files of `tests/checks` (ISO 19840/ISO 12944-5, SSPC-PA 2, IMO MSC.215(82)).
#[test]
fn a_film_is_accepted_by_the_rule_it_is_held_against() {
    let yard = Yard::set();
    let crew = yard.app.crew();
    let coat = crew.post("/v1/coats", &yard.coat()).expect(201).id();
    let path = format!("/v1/coats/{coat}/films");
    let mut judged = 0;
    for (file, rule, readings, nominal, accept) in [
        (
            include_str!("../checks/film-iso-19840-acceptance.json"),
            "iso-19840",
            "readings_um",
            "NDFT",
            "accept_strict_less_than_20pct",
        ),
        (include_str!("../checks/film-pa-2-acceptance.json"), "pa-2", "spots_um", "spec_min", "accept"),
        (include_str!("../checks/film-pspc-90-10.json"), "pspc-90-10", "readings", "NDFT", "accept"),
    ] {
        let file: Value = serde_json::from_str(file).expect("JSON");
        for case in file["cases"].as_array().expect("cases") {
            let inputs = &case["inputs"];
            let body =
                film_with(&json!({"rule": rule, "nominal_um": inputs[nominal], "max_um": inputs["spec_max"],
                "level": inputs["level"], "readings_um": inputs[readings]}));
            let told = crew.post(&path, &body).expect(201);
            assert_eq!(told.json["accepted"], case["expected"][accept], "{rule} {case}");
            assert_eq!(told.json["failures"] == json!([]), told.json["accepted"] == json!(true));
            judged += 1;
        }
    }
    assert!(judged >= 16, "{judged} films");
    assert_eq!(walk(&crew, &format!("{path}?"), 3).len(), judged);
}

/// Sources: `tests/checks/film-wet-and-spreading.json` (250 µm wet of half solids are 125 dry) and
/// `film-from-usage.json` (both cases).
#[test]
fn wet_films_and_litres_become_dry_films() {
    let mut half = sheet();
    half["volume_solids_pct"] = json!(50);
    let yard = Yard::of(&half);
    let crew = yard.app.crew();
    let coat = crew.post("/v1/coats", &yard.with(&json!({"litres": 12, "area_m2": 30}))).expect(201).id();
    let path = format!("/v1/coats/{coat}/films");
    let wet = crew.post(&path, &film_with(&json!({"method": "wet_film", "readings_um": [250]}))).expect(201);
    assert_eq!((&wet.json["mean_film_um"], &wet.json["volume_solids_pct"]), (&json!(125.0), &json!(50.0)));
    let used = json!({"method": "litres_used", "readings_um": [], "loss_fraction": 0.15});
    let told = crew.post(&path, &film_with(&used)).expect(201);
    assert!((told.json["mean_film_um"].as_f64().expect("a film") - 170.0).abs() < 1e-9);
    let full = crew.post("/v1/coats", &yard.with(&json!({"litres": 9, "area_m2": 18}))).expect(201).id();
    let solventless = json!({"method": "litres_used", "readings_um": [], "loss_fraction": 0.1, "volume_solids_pct": 100,
        "nominal_um": 400});
    let told = crew.post(&format!("/v1/coats/{full}/films"), &film_with(&solventless)).expect(201);
    assert!((told.json["mean_film_um"].as_f64().expect("a film") - 450.0).abs() < 1e-9);
}

#[test]
fn each_rule_of_a_film_is_refused_at_its_field() {
    let mut unknown = sheet();
    unknown["volume_solids_pct"] = Value::Null;
    let yard = Yard::of(&unknown);
    let crew = yard.app.crew();
    let coat = crew.post("/v1/coats", &yard.coat()).expect(201).id();
    let path = format!("/v1/coats/{coat}/films");
    for (fields, pointer) in [
        (json!({"method": "magnetic"}), "/method"),
        (json!({"rule": "rule of thumb"}), "/rule"),
        (json!({"nominal_um": 0}), "/nominal_um"),
        (json!({"readings_um": []}), "/readings_um"),
        (json!({"readings_um": [100, -1]}), "/readings_um/1"),
        (json!({"rule": "pa-2", "level": 6}), "/level"),
        (json!({"rule": "pspc-90-10", "level": 3}), "/level"),
        (json!({"rule": "pa-2", "readings_um": []}), "/readings_um"),
        (json!({"measured_at": "2026-06-15T10:00:01Z"}), "/measured_at"),
        (json!({"measured_at": "2026-06-01T10:00:00Z"}), "/measured_at"),
        (json!({"volume_solids_pct": 50}), "/volume_solids_pct"),
        (json!({"loss_fraction": 0.1}), "/loss_fraction"),
        (json!({"method": "wet_film"}), "/volume_solids_pct"),
        (
            json!({"method": "litres_used", "readings_um": [], "loss_fraction": 0.1, "volume_solids_pct": 50}),
            "/method",
        ),
        (json!({"supersedes_id": coat}), "/supersedes_id"),
        (json!({"gauge": "x"}), "/gauge"),
    ] {
        crew.post(&path, &film_with(&fields)).expect_problem(422, "invalid", pointer);
    }
    assert_eq!(crew.get(&path).expect(200).json["items"], json!([]));
}

#[test]
fn a_film_is_made_once_superseded_once_and_nobody_elses() {
    let yard = Yard::set();
    let crew = yard.app.crew();
    let coat = crew.post("/v1/coats", &yard.coat()).expect(201).id();
    let other = crew.post("/v1/coats", &yard.with(&json!({"colour": "white"}))).expect(201).id();
    let path = format!("/v1/coats/{coat}/films");
    let first = crew.post_with_key(&path, "k", &film()).expect(201);
    assert_eq!(crew.post_with_key(&path, "k", &film()).expect(201).json, first.json);
    let elsewhere = format!("/v1/coats/{other}/films");
    crew.post_with_key(&elsewhere, "k", &film()).expect_problem(422, "key_reused", "");
    let location = first.header("location").expect("a location");
    assert_eq!(crew.get(&location).expect(200).json, first.json);
    let next = film_with(&json!({"supersedes_id": first.id(), "note": "gauge not zeroed"}));
    crew.post(&elsewhere, &next).expect_problem(422, "invalid", "/supersedes_id");
    crew.post(&path, &next).expect(201);
    crew.post(&path, &next).expect_problem(409, "conflict", "/supersedes_id");
    assert_eq!(walk(&crew, &format!("{path}?"), 1).len(), 2);
    let stranger = yard.app.stranger();
    stranger.get(&path).expect_problem(404, "not_found", "");
    stranger.get(&location).expect_problem(404, "not_found", "");
    stranger.post(&path, &film()).expect_problem(404, "not_found", "");
    yard.app.reader().post(&path, &film()).expect_problem(403, "forbidden", "");
}

fn before(seconds: f64) -> DateTime<Utc> {
    let now: DateTime<Utc> = TODAY.parse().expect("a time");
    #[expect(clippy::cast_possible_truncation, reason = "whole milliseconds of some days")]
    let milliseconds = (seconds * 1000.0) as i64;
    now - Duration::milliseconds(milliseconds)
}

/// A coat finished some hours ago, and hourly temperatures of the hull since, by a schedule of hours and degrees; the
/// state of the next coat of each role.
fn states(sheet: &Value, finished_h: f64, schedule: &[(f64, f64)], role: &str) -> Value {
    let yard = Yard::of(sheet);
    let crew = yard.app.crew();
    let (mut items, mut at_h) = (Vec::new(), 0.0);
    for &(hours, temperature_c) in schedule {
        let mut within = 0.0;
        while within < hours && at_h + within < finished_h {
            let measured_at = before((finished_h - at_h - within) * 3600.0);
            items.push(json!({"measured_at": measured_at, "source": "logger", "air_temperature_c": 15,
                "relative_humidity_pct": 60, "surface_temperature_c": temperature_c}));
            within += 1.0;
        }
        at_h += hours;
    }
    if !items.is_empty() {
        let path = format!("/v1/haul-outs/{}/climate-values", yard.haul_out);
        crew.post(&path, &json!({"items": items})).expect(200);
    }
    let finished_at = before(finished_h * 3600.0);
    let coat = yard.with(&json!({"applied_on": finished_at.date_naive(), "finished_at": finished_at}));
    let made = crew.post("/v1/coats", &coat).expect(201);
    let told = made.json["overcoating"].as_array().expect("states").clone();
    told.into_iter().find(|state| state["next_role"] == role).expect("the role is in the sheet")
}

fn with_times(min: &Value, max_h: &Value) -> Value {
    let mut own = sheet();
    let lines = min.as_array().expect("a table").iter().enumerate();
    own["overcoating"] = lines
        .map(|(n, line)| json!({"next_role": "barrier", "temperature_c": line[0], "min_h": line[1], "max_h": max_h[n]}))
        .collect();
    own
}

/// Source: `tests/checks/overcoat-accumulated.json` (common practice: the fractions add up): ten seconds before the
/// time is reached it is too soon, ten seconds after it is open.
#[test]
fn the_window_opens_when_the_shortest_time_has_run() {
    let file: Value =
        serde_json::from_str(include_str!("../checks/overcoat-accumulated.json")).expect("JSON");
    let mut reached = 0;
    for case in file["cases"].as_array().expect("cases") {
        let sheet = with_times(&case["inputs"]["min_table_h"], &json!([null, null, null]));
        let schedule: Vec<(f64, f64)> =
            serde_json::from_value(case["inputs"]["schedule_h_C"].clone()).expect("pairs");
        let whole: f64 = schedule.iter().map(|(hours, _)| hours).sum();
        if let Some(after_h) = case["expected"]["reached_after_h"].as_f64() {
            reached += 1;
            let early = states(&sheet, after_h - 10.0 / 3600.0, &schedule, "barrier");
            assert_eq!(early["state"], "too_soon", "{early}");
            let opens_at: DateTime<Utc> =
                early["opens_at"].as_str().expect("a time").parse().expect("a time");
            let in_s = (opens_at - before(0.0)).as_seconds_f64();
            assert!((in_s - 10.0).abs() < 0.5, "opens in {in_s} s");
            assert_eq!(states(&sheet, after_h + 10.0 / 3600.0, &schedule, "barrier")["state"], "open");
        } else {
            let complete = case["expected"]["fraction"].as_f64().expect("a share") >= 1.0;
            let state = states(&sheet, whole, &schedule, "barrier");
            assert_eq!(state["state"], if complete { "open" } else { "too_soon" }, "{case}");
        }
    }
    assert_eq!(reached, 2);
}

/// Source: `tests/checks/overcoat-window.json`, its sheet: at 20 °C from 10 to 336 hours.
#[test]
fn the_window_closes_when_the_longest_time_has_run() {
    let sheet = with_times(&json!([[10, 24], [20, 10], [30, 6]]), &json!([720, 336, 168]));
    // From 1 June ten o'clock it is 336 hours to the present.
    let open = states(&sheet, 335.9, &[(336.0, 20.0)], "barrier");
    assert_eq!(open["state"], "open", "{open}");
    let until: DateTime<Utc> = open["until"].as_str().expect("a time").parse().expect("a time");
    let in_h = (until - before(0.0)).as_seconds_f64() / 3600.0;
    assert!((in_h - 0.1).abs() < 0.001, "closes in {in_h} h");
    let closed = states(&sheet, 336.2, &[(337.0, 20.0)], "barrier");
    assert_eq!(closed["state"], "closed", "{closed}");
    let since: DateTime<Utc> = closed["since"].as_str().expect("a time").parse().expect("a time");
    let ago_h = (before(0.0) - since).as_seconds_f64() / 3600.0;
    assert!((ago_h - 0.2).abs() < 0.001, "closed {ago_h} h ago");
    assert!(closed["detail"].as_str().expect("a sentence").contains("abrade"));
}

/// What is not known is bounded from both sides: an answer only where both say the same.
#[test]
fn unknown_temperatures_give_no_false_answer() {
    let sheet = with_times(&json!([[10, 24], [20, 10], [30, 6]]), &json!([720, 336, 168]));
    let state = |finished_h: f64, schedule: &[(f64, f64)]| {
        states(&sheet, finished_h, schedule, "barrier")["state"].as_str().expect("a word").to_owned()
    };
    assert_eq!(state(5.0, &[]), "too_soon", "five hours are too few even at 30 °C");
    assert_eq!(state(20.0, &[]), "unknown", "open at 30 °C, too soon at 10 °C");
    assert_eq!(state(20.0, &[(11.0, 20.0)]), "open", "known until it opened, and far from closing");
    assert_eq!(state(200.0, &[(11.0, 20.0)]), "unknown", "closed by now, had it been 30 °C since");
    assert_eq!(state(30.0, &[(30.0, 5.0)]), "unknown", "colder than the sheet goes");
    assert_eq!(state(20.0, &[(20.0, 8.0)]), "too_soon", "not even the coldest line has run");
    assert_eq!(state(3.0, &[(3.0, 40.0)]), "unknown", "warmer than the sheet goes");
    let unfinished = Yard::of(&sheet);
    let made = unfinished.app.crew().post("/v1/coats", &unfinished.coat()).expect(201);
    assert_eq!(made.json["overcoating"][0]["state"], "unknown");
    assert!(made.json["overcoating"][0]["detail"].as_str().expect("a sentence").contains("finished_at"));
    let list = unfinished.app.crew().get("/v1/coats").expect(200);
    assert!(list.json["items"][0].get("overcoating").is_none(), "told where one coat is read");
}

/// The forecasts take the film that was measured last, whatever was entered with the coat.
#[test]
fn a_measured_film_bears_on_the_forecast() {
    let yard = Yard::set();
    let crew = yard.app.crew();
    let coat = crew.post("/v1/coats", &yard.coat()).expect(201).id();
    forget(&yard.app);
    crew.post(&format!("/v1/coats/{coat}/films"), &film()).expect(201);
    assert_eq!(waiting(&yard.app), [yard.vessel.clone()]);
    let vessel_id: Uuid = yard.vessel.parse().expect("an id");
    let facts = |day: &str| {
        let day = day.parse().expect("a day");
        let read = yard.app.db.read(&yard.app.service(), |tx| subjects(tx, &[vessel_id.into()], Some(day)));
        let found = read.expect("facts");
        let coat = found.first().and_then(|subject| subject.facts.coats.first()).expect("the coat");
        (coat.dry_film_um, coat.film_measured)
    };
    assert_eq!(facts("2026-06-15"), (Some(110.0), true), "the mean of the readings");
    assert_eq!(facts("2026-06-10"), (None, false), "not measured yet on that day");
}

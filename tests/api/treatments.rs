//! /v1/haul-outs/{id}/treatments and /v1/treatments/{id}/...: whole treatments over HTTP

use chrono::{DateTime, Duration, Utc};
use garboard::features::treatments::model::holds::CODES;
use serde_json::{Value, json};

use crate::support::app::{Answer, Client, TestApp};

pub const NOW: &str = "2026-07-30T10:00:00Z";

pub struct Yard {
    pub app: TestApp,
    pub vessel: String,
    pub haul_out: String,
}

fn merged(mut body: Value, fields: &Value) -> Value {
    for (name, value) in fields.as_object().expect("an object") {
        body[name] = value.clone();
    }
    body
}

/// A product with invented numbers: windows from 4 to 48 hours, a day to immersion at 20 °C.
pub fn product(role: &str, next: &[&str], fields: &Value) -> Value {
    let overcoating: Vec<Value> = next
        .iter()
        .map(|next| json!({"next_role": next, "temperature_c": 20, "min_h": 4, "max_h": 48}))
        .collect();
    let body = json!({"name": format!("Generic {role}"), "role": role, "volume_solids_pct": 50, "min_dry_film_um": 100,
        "pack_l": 5, "overcoating": overcoating, "cure": [{"temperature_c": 20, "hours": 24}]});
    merged(body, fields)
}

impl Yard {
    pub fn set() -> Self {
        let app = TestApp::start_at(NOW);
        let lead = app.lead();
        let vessel = json!({"name": "Hull <b>&\"one\"", "form": "fin_keel", "length_m": 10.0, "lwl_m": 9.0, "beam_m": 3.0,
            "draft_m": 1.7, "launched_on": "2010-05-01"});
        let vessel = lead.post("/v1/vessels", &vessel).expect(201).id();
        let lift = json!({"vessel_id": vessel, "lifted_on": "2026-06-01", "reason": "treatment"});
        let haul_out = lead.post("/v1/haul-outs", &lift).expect(201).id();
        Self { app, vessel, haul_out }
    }

    pub fn plan(&self, fields: &Value) -> String {
        let path = format!("/v1/haul-outs/{}/treatments", self.haul_out);
        self.app.crew().post(&path, fields).expect(201).id()
    }

    pub fn accept(&self, treatment: &str) {
        let accept = json!({"kind": "acceptance", "happened_at": "2026-06-02T08:00:00Z", "person_name": "Person A",
            "qualification": "Hull surveyor"});
        self.app.surveyor().post(&format!("/v1/treatments/{treatment}/decisions"), &accept).expect(201);
    }

    pub fn enter(&self, treatment: &str, at: &str, fields: &Value) -> Answer {
        let body = merged(json!({"happened_at": at, "person_name": "Person B"}), fields);
        self.app.crew().post(&format!("/v1/treatments/{treatment}/entries"), &body)
    }

    pub fn done(&self, treatment: &str, step: &str, at: &str) -> Answer {
        self.enter(treatment, at, &json!({"kind": "step_done", "step": step, "zone": "bottom"}))
    }

    /// Air and hull every two hours.
    pub fn climate(&self, from: &str, days: i64, humidity: f64) {
        let from: DateTime<Utc> = from.parse().expect("a time");
        let items: Vec<Value> = (0..=days * 12)
            .map(|n| {
                json!({"measured_at": from + Duration::hours(2 * n), "source": "logger", "air_temperature_c": 20,
                "relative_humidity_pct": humidity, "surface_temperature_c": 20})
            })
            .collect();
        let path = format!("/v1/haul-outs/{}/climate-values", self.haul_out);
        self.app.crew().post(&path, &json!({"items": items})).expect(200);
    }

    pub fn coat(&self, treatment: &str, product: &str, role: &str, from: &str, colour: &str) -> Answer {
        let started_at: DateTime<Utc> = from.parse().expect("a time");
        let body = json!({"vessel_id": self.vessel, "role": role, "zone": "bottom", "product_id": product,
            "applied_on": started_at.date_naive(), "started_at": started_at, "finished_at": started_at + Duration::hours(1),
            "colour": colour, "batch_number": "B-1", "litres": 4, "area_m2": 21});
        self.app.crew().post(&format!("/v1/treatments/{treatment}/coats"), &body)
    }

    pub fn film(&self, coat: &str, value: f64) -> Answer {
        let film = json!({"method": "ultrasonic", "rule": "iso-19840", "nominal_um": 100,
            "readings_um": [value, value], "measured_at": "2026-06-24T09:00:00Z"});
        self.app.crew().post(&format!("/v1/coats/{coat}/films"), &film).expect(201)
    }

    pub fn close(&self, treatment: &str, launch_at: &str) -> Answer {
        let body = json!({"launch_at": launch_at, "person_name": "Person C"});
        self.app.crew().post(&format!("/v1/treatments/{treatment}/closing"), &body)
    }

    pub fn state(&self, treatment: &str) -> String {
        let plan = self.app.reader().get(&format!("/v1/treatments/{treatment}/plan")).expect(200);
        plan.json["state"].as_str().expect("a state").to_owned()
    }

    pub fn override_hold(&self, treatment: &str, step: &str, hold: &str) -> Answer {
        let body = json!({"kind": "override", "step": step, "zone": "bottom", "hold": hold, "note": "Seen and <i>judged</i>",
            "happened_at": "2026-06-25T08:00:00Z", "person_name": "Person A", "qualification": "Coating inspector"});
        self.app.surveyor().post(&format!("/v1/treatments/{treatment}/decisions"), &body)
    }
}

/// The codes of the holds that refuse.
pub fn held(answer: &Answer) -> Vec<String> {
    assert_eq!((answer.status, &answer.json["code"]), (409, &json!("held")), "{}", answer.text);
    let errors = answer.json["errors"].as_array().expect("errors");
    assert!(
        errors.iter().all(|error| error["detail"].as_str().is_some_and(|detail| detail.len() > 30)),
        "{}",
        answer.text
    );
    let codes: Vec<String> =
        errors.iter().map(|error| error["code"].as_str().expect("a code").to_owned()).collect();
    assert!(codes.iter().all(|code| CODES.contains(&code.as_str())), "an override can name each: {codes:?}");
    codes
}

pub fn made(client: &Client, product: &Value) -> String {
    client.post("/v1/products", product).expect(201).id()
}

/// The series is the first of `tests/checks/dry-decision.json` (common practice); its target 10 and range 0.3.
#[test]
#[expect(clippy::too_many_lines, reason = "one treatment from its plan to its record")]
fn a_curative_treatment_from_plan_to_record() {
    let yard = Yard::set();
    let (lead, crew) = (yard.app.lead(), yard.app.crew());
    let sealer = made(
        &lead,
        &product("sealer", &["sealer", "barrier"], &json!({"amine_blush": true, "solventless": true})),
    );
    let barrier = made(&lead, &product("barrier", &["barrier", "antifouling"], &json!({})));
    let antifouling = made(&lead, &product("antifouling", &[], &json!({"max_days_to_launch": 30})));
    let steps = json!([{"step": "wash_down"}, {"step": "strip", "note": "peeled 1 mm"}, {"step": "dry"}, {"step": "abrade"},
        {"step": "seal", "coats": 2, "product_id": sealer}, {"step": "abrade_sealed"}, {"step": "barrier", "coats": 2, "product_id": barrier},
        {"step": "antifouling", "coats": 1, "product_id": antifouling}]);
    let id = yard.plan(&json!({"kind": "curative", "starts_on": "2026-06-02", "steps": steps,
        "dry_target": {"scale": "relative", "target": 10}}));
    assert_eq!(yard.state(&id), "planned");
    held_plain(&yard.done(&id, "wash_down", "2026-06-02T09:00:00Z"), "not accepted");
    yard.accept(&id);
    assert_eq!(yard.state(&id), "accepted");
    yard.done(&id, "wash_down", "2026-06-02T09:00:00Z").expect(201);
    assert_eq!(yard.state(&id), "running");
    let plan = format!("/v1/treatments/{id}/plan");
    crew.patch(&plan, "\"1\"", &json!({"note": "late"})).expect_problem(409, "conflict", "");
    yard.done(&id, "strip", "2026-06-03T10:00:00Z").expect(201);

    assert_eq!(held(&yard.done(&id, "dry", "2026-06-20T09:00:00Z")), ["readings_not_accepted"]);
    let at_once = yard.coat(&id, &sealer, "sealer", "2026-06-21T08:00:00Z", "clear");
    let codes = held(&at_once);
    assert!(
        codes.contains(&"readings_not_accepted".to_owned())
            && codes.contains(&"climate_not_known".to_owned()),
        "{codes:?}"
    );
    for at in ["03T12", "06T10", "08T10", "12T10", "14T10", "18T10"] {
        yard.enter(&id, &format!("2026-06-{at}:00:00Z"), &json!({"kind": "wash", "note": "hot water"}))
            .expect(201);
    }
    let station =
        json!({"vessel_id": yard.vessel, "code": "P1", "hull": "centre", "side": "port", "zone": "bottom"});
    let station = crew.post("/v1/stations", &station).expect(201).id();
    let survey = json!({"vessel_id": yard.vessel, "haul_out_id": yard.haul_out, "surveyed_on": "2026-06-05", "meter": "M1",
        "meter_scale": "relative"});
    let survey = yard.app.surveyor().post("/v1/surveys", &survey).expect(201).id();
    let file: Value = serde_json::from_str(include_str!("../checks/dry-decision.json")).expect("JSON");
    let series = file["cases"][0]["inputs"]["series"].as_array().expect("a series");
    let readings: Vec<Value> = (0_i64..)
        .zip(series)
        .map(|(n, value)| {
            let first: DateTime<Utc> = "2026-06-05T12:00:00Z".parse().expect("a time");
            json!({"station_id": station, "sequence": n + 1, "value": value, "taken_at": first + Duration::days(2 * n)})
        })
        .collect();
    let path = format!("/v1/surveys/{survey}/readings");
    crew.post(&path, &json!({"items": readings[..6]})).expect(200);
    assert_eq!(held(&yard.done(&id, "dry", "2026-06-20T09:00:00Z")), ["readings_not_accepted"]);
    crew.post(&path, &json!({"items": readings})).expect(200);
    yard.done(&id, "dry", "2026-06-20T09:00:00Z").expect(201);
    yard.done(&id, "abrade", "2026-06-20T12:00:00Z").expect(201);

    yard.climate("2026-06-20T00:00:00Z", 6, 60.0);
    let first = yard.coat(&id, &sealer, "sealer", "2026-06-21T08:00:00Z", "clear").expect(201).id();
    let aside = json!({"vessel_id": yard.vessel, "haul_out_id": yard.haul_out, "role": "sealer", "zone": "bottom",
        "applied_on": "2026-06-21"});
    let refused = crew.post("/v1/coats", &aside);
    held_plain(&refused, "treatment that runs");
    assert_eq!(refused.json["code"], "treatment_runs");
    assert_eq!(
        held(&yard.coat(&id, &sealer, "sealer", "2026-06-21T10:00:00Z", "clear")),
        ["blush_wash_missing", "too_soon"]
    );
    assert_eq!(
        held(&yard.coat(&id, &sealer, "sealer", "2026-06-21T16:00:00Z", "clear")),
        ["blush_wash_missing"]
    );
    yard.enter(&id, "2026-06-21T15:00:00Z", &json!({"kind": "blush_wash"})).expect(201);
    assert_eq!(held(&yard.done(&id, "seal", "2026-06-21T18:00:00Z")), ["coats_missing"]);
    let second = yard.coat(&id, &sealer, "sealer", "2026-06-21T16:00:00Z", "clear").expect(201).id();
    assert_eq!(
        held(&yard.coat(&id, &barrier, "barrier", "2026-06-22T08:00:00Z", "grey")),
        ["step_not_done", "step_not_done", "blush_wash_missing"]
    );
    yard.done(&id, "seal", "2026-06-21T18:00:00Z").expect(201);
    // Grinding an unwashed blush in would spoil the bond of the barrier.
    assert_eq!(held(&yard.done(&id, "abrade_sealed", "2026-06-22T06:30:00Z")), ["blush_wash_missing"]);
    yard.enter(&id, "2026-06-22T07:00:00Z", &json!({"kind": "blush_wash", "zone": "bottom"})).expect(201);
    yard.done(&id, "abrade_sealed", "2026-06-22T07:30:00Z").expect(201);
    let third = yard.coat(&id, &barrier, "barrier", "2026-06-22T08:00:00Z", "grey").expect(201).id();
    let fourth = yard.coat(&id, &barrier, "barrier", "2026-06-22T18:00:00Z", "white").expect(201).id();
    yard.done(&id, "barrier", "2026-06-23T07:00:00Z").expect(201);
    let last = yard.coat(&id, &antifouling, "antifouling", "2026-06-23T08:00:00Z", "red").expect(201).id();
    yard.done(&id, "antifouling", "2026-06-23T10:00:00Z").expect(201);

    let early = held(&yard.close(&id, "2026-06-23T20:00:00Z"));
    assert!(
        early.contains(&"film_not_accepted".to_owned()) && early.contains(&"immersion_too_soon".to_owned()),
        "{early:?}"
    );
    for coat in [&first, &second, &third, &fourth] {
        yard.film(coat, 110.0);
    }
    let thin = yard.film(&last, 60.0);
    assert_eq!(thin.json["accepted"], json!(false));
    assert_eq!(held(&yard.close(&id, "2026-06-25T10:00:00Z")), ["film_not_accepted"]);
    assert!(held(&yard.close(&id, "2026-07-29T10:00:00Z")).contains(&"launch_too_late".to_owned()));
    yard.override_hold(&id, "antifouling", "film_not_accepted").expect(201);
    let closed = yard.close(&id, "2026-06-25T10:00:00Z").expect(200);
    assert_eq!(
        (&closed.json["kind"], &closed.json["completed_on"]),
        (&json!("curative"), &json!("2026-06-25"))
    );
    assert_eq!(yard.state(&id), "closed");
    assert_eq!(crew.get(&format!("/v1/treatments/{id}")).expect(200).json["started_on"], "2026-06-02");
    assert_eq!(yard.close(&id, "2026-06-25T10:00:00Z").status, 409, "closed once");
    proof(&yard, &id);
    crew.post("/v1/coats", &aside).expect(201);
}

fn held_plain(answer: &Answer, words: &str) {
    assert_eq!(answer.status, 409, "{}", answer.text);
    assert!(answer.json["detail"].as_str().expect("a detail").contains(words), "{}", answer.text);
}

/// The record holds all of it, and the page escapes what people wrote.
fn proof(yard: &Yard, id: &str) {
    let reader = yard.app.reader();
    let record = reader.get(&format!("/v1/treatments/{id}/record")).expect(200);
    let count = |at: &str| record.json.pointer(at).and_then(Value::as_array).map_or(0, Vec::len);
    assert_eq!(count("/record/drying/stations/0/readings"), 8);
    assert_eq!((count("/record/coats"), count("/record/films"), count("/record/climate")), (5, 5, 73));
    assert_eq!(count("/record/plan/overrides"), 1);
    assert!(record.json["record"]["not_a_survey"].as_str().expect("a sentence").contains("not a survey"));
    let washes = record.json["record"]["plan"]["entries"].as_array().expect("entries");
    assert_eq!(washes.iter().filter(|entry| entry["kind"] == "wash").count(), 6);
    let page = reader.get(&format!("/v1/treatments/{id}/record-page")).expect(200).text;
    assert!(page.contains("not a survey") && page.contains("Coating inspector"));
    assert!(!page.contains("<i>judged") && page.contains("&#60;i&#62;judged"), "escaped");
    assert!(!page.contains("<script") && !page.contains("<b>&"), "escaped");
    if let Some(folder) = option_env!("GARBOARD_KEEP_PAGES") {
        std::fs::write(format!("{folder}/record.html"), &page).expect("a page kept to look at");
    }
}

#[test]
fn a_preventive_treatment_with_windows_quantities_and_overrides() {
    let yard = Yard::set();
    let lead = yard.app.lead();
    let barrier = made(&lead, &product("barrier", &["barrier"], &json!({})));
    let steps = json!([{"step": "wash_down"}, {"step": "degrease"}, {"step": "abrade"},
        {"step": "barrier", "coats": 2, "product_id": barrier, "dry_film_um": 125}]);
    let id = yard.plan(&json!({"kind": "preventive", "starts_on": "2026-06-10", "loss_fraction": 0,
        "zones": [{"zone": "bottom", "area_m2": 20}], "steps": steps}));
    // ISO 3233, by arithmetic: 125 µm dry of half solids are 250 µm wet, 4 m² a litre, so 20 m² twice are 10 litres.
    let quantities = yard.app.reader().get(&format!("/v1/treatments/{id}/quantities")).expect(200);
    let bought = &quantities.json["purchases"][0];
    assert!((bought["litres"].as_f64().expect("litres") - 10.0).abs() < 1e-9, "{bought}");
    assert_eq!(bought["packs"], 2);
    for (day, lines) in [("2026-06-08", 1), ("2026-06-14", 1), ("2026-06-15", 0), ("2026-06-07", 0)] {
        let week = yard.app.reader().get(&format!("/v1/purchase-list?week_of={day}")).expect(200);
        assert_eq!(week.json["lines"].as_array().map(Vec::len), Some(lines), "{day}");
    }
    yard.accept(&id);
    // A change after the acceptance needs another acceptance.
    let plan = format!("/v1/treatments/{id}/plan");
    yard.app.crew().patch(&plan, "\"1\"", &json!({"note": "two coats"})).expect(200);
    assert_eq!(yard.state(&id), "planned");
    yard.app.crew().patch(&plan, "\"1\"", &json!({"note": "stale"})).expect_problem(412, "stale", "");
    yard.accept(&id);
    held_plain(&yard.coat(&id, &barrier, "barrier", "2026-06-21T08:00:00Z", "grey"), "not running");
    assert_eq!(held(&yard.done(&id, "abrade", "2026-06-10T09:00:00Z")), ["step_not_done", "step_not_done"]);
    for step in ["wash_down", "degrease", "abrade"] {
        yard.done(&id, step, "2026-06-10T09:00:00Z").expect(201);
    }
    yard.climate("2026-06-10T00:00:00Z", 6, 60.0);
    yard.climate("2026-06-16T02:00:00Z", 1, 95.0);
    yard.coat(&id, &barrier, "barrier", "2026-06-11T08:00:00Z", "grey").expect(201);
    assert_eq!(
        held(&yard.coat(&id, &barrier, "barrier", "2026-06-14T08:00:00Z", "white")),
        ["abrasion_missing"]
    );
    let humid = held(&yard.coat(&id, &barrier, "barrier", "2026-06-16T08:00:00Z", "white"));
    assert!(humid.contains(&"climate_not_allowed".to_owned()), "{humid:?}");
    let abraded =
        yard.enter(&id, "2026-06-14T07:00:00Z", &json!({"kind": "abrasion", "note": "80 grit"})).expect(201);
    let withdrawal = json!({"kind": "withdrawal", "of_entry_id": abraded.id(), "note": "another hull"});
    yard.enter(&id, "2026-06-14T07:10:00Z", &withdrawal).expect(201);
    yard.enter(&id, "2026-06-14T07:20:00Z", &withdrawal).expect_problem(422, "invalid", "/of_entry_id");
    assert_eq!(
        held(&yard.coat(&id, &barrier, "barrier", "2026-06-14T08:00:00Z", "white")),
        ["abrasion_missing"]
    );
    yard.enter(&id, "2026-06-14T07:30:00Z", &json!({"kind": "abrasion", "note": "80 grit"})).expect(201);
    yard.coat(&id, &barrier, "barrier", "2026-06-14T08:00:00Z", "white").expect(201);
    yard.done(&id, "barrier", "2026-06-14T10:00:00Z").expect(201);
    yard.override_hold(&id, "barrier", "film_not_accepted").expect(201);
    let reason_needed = json!({"kind": "override", "step": "barrier", "zone": "bottom", "hold": "x",
        "happened_at": "2026-06-25T08:00:00Z", "person_name": "P", "qualification": "Q"});
    let decisions = format!("/v1/treatments/{id}/decisions");
    yard.app.surveyor().post(&decisions, &reason_needed).expect_problem(422, "invalid", "/note");
    yard.app.crew().post(&decisions, &reason_needed).expect_problem(403, "forbidden", "");
    yard.close(&id, "2026-06-15T20:00:00Z").expect(200);
    let plan = yard.app.reader().get(&plan).expect(200);
    assert_eq!(plan.json["overrides"].as_array().map(Vec::len), Some(1), "visible for ever");
}

#[test]
fn a_plan_is_checked_made_once_and_nobody_elses() {
    let yard = Yard::set();
    let crew = yard.app.crew();
    let path = format!("/v1/haul-outs/{}/treatments", yard.haul_out);
    for (fields, pointer) in [
        (json!({"kind": "spot"}), "/kind"),
        (
            json!({"kind": "preventive", "steps": [{"step": "barrier", "coats": 1}, {"step": "abrade"}]}),
            "/steps/1/step",
        ),
        (json!({"kind": "preventive", "steps": [{"step": "abrade"}, {"step": "barrier"}]}), "/steps/1/coats"),
        (json!({"kind": "preventive", "steps": [{"step": "abrade"}]}), "/steps"),
        (json!({"kind": "preventive", "zones": [{"zone": "keel"}, {"zone": "keel"}]}), "/zones/1/zone"),
        (json!({"kind": "preventive", "colour": "red"}), "/colour"),
    ] {
        let answer = crew.post(&path, &fields).expect(422);
        assert!(answer.pointers().contains(&pointer.to_owned()), "{}", answer.text);
    }
    let planned = crew.post_with_key(&path, "k", &json!({"kind": "curative"})).expect(201);
    assert_eq!(crew.post_with_key(&path, "k", &json!({"kind": "curative"})).expect(201).id(), planned.id());
    crew.post(&path, &json!({"kind": "curative"})).expect_problem(409, "conflict", "");
    assert_eq!(planned.json["advice"]["kind"], Value::Null, "no survey is signed");
    let own = "01900000-0000-7000-8000-000000000001";
    yard.accept(&planned.id());
    let wash = json!({"id": own, "kind": "wash"});
    yard.enter(&planned.id(), "2026-06-03T10:00:00Z", &wash).expect(201);
    yard.enter(&planned.id(), "2026-06-03T10:00:00Z", &wash).expect(200);
    let at = |what: &str| format!("/v1/treatments/{}/{what}", planned.id());
    let plan = crew.get(&at("plan")).expect(200);
    assert_eq!(plan.json["entries"].as_array().map(Vec::len), Some(2), "the acceptance and one wash");
    assert!(plan.json["progress"][0]["cautions"].as_array().is_some_and(|cautions| cautions.len() == 3));
    for what in ["plan", "drying", "quantities", "record", "record-page"] {
        yard.app.stranger().get(&at(what)).expect_problem(404, "not_found", "");
    }
    let body = json!({"kind": "wash", "happened_at": "2026-06-03T10:00:00Z"});
    yard.app.stranger().post(&at("entries"), &body).expect_problem(404, "not_found", "");
    yard.app.reader().post(&at("entries"), &body).expect_problem(403, "forbidden", "");
    yard.app.reader().post(&path, &json!({"kind": "curative"})).expect_problem(403, "forbidden", "");
}

/// Two people enter washes at the same time: each is kept.
#[test]
fn two_people_at_once_lose_nothing() {
    let yard = Yard::set();
    let id = yard.plan(&json!({"kind": "curative"}));
    yard.accept(&id);
    std::thread::scope(|scope| {
        for minutes in [0, 30] {
            let (yard, id) = (&yard, &id);
            scope.spawn(move || {
                for n in 0..10 {
                    let at = format!("2026-06-{:02}T10:{minutes:02}:00Z", 3 + n);
                    yard.enter(id, &at, &json!({"kind": "wash"})).expect(201);
                }
            });
        }
    });
    let plan = yard.app.reader().get(&format!("/v1/treatments/{id}/plan")).expect(200);
    let entries = plan.json["entries"].as_array().expect("entries");
    assert_eq!(entries.iter().filter(|entry| entry["kind"] == "wash").count(), 20);
}

/// Thresholds: common practice, no source.
#[test]
fn the_advice_follows_the_signed_survey() {
    for (fields, kind, word) in [
        (json!({"bottom_examined": "whole", "blistering": "none"}), json!("preventive"), "sound gelcoat"),
        (json!({"bottom_examined": "part", "blistering": "none"}), Value::Null, "not examined"),
        (
            json!({"bottom_examined": "whole", "blistering": "gelcoat", "blister_density_per_m2": 0.2, "largest_blister_mm": 3}),
            json!("preventive"),
            "few and small",
        ),
        (
            json!({"bottom_examined": "whole", "blistering": "gelcoat", "blister_density_per_m2": 12, "largest_blister_mm": 3}),
            json!("curative"),
            "many or large",
        ),
        (json!({"bottom_examined": "whole", "blistering": "laminate"}), json!("curative"), "laminate"),
    ] {
        let yard = Yard::set();
        let surveyor = yard.app.surveyor();
        let survey =
            json!({"vessel_id": yard.vessel, "haul_out_id": yard.haul_out, "surveyed_on": "2026-06-02"});
        let draft = surveyor.post("/v1/surveys", &merged(survey, &fields)).expect(201);
        surveyor
            .post_if_match(&format!("/v1/surveys/{}/signature", draft.id()), &draft.etag(), &json!({}))
            .expect(200);
        let path = format!("/v1/haul-outs/{}/treatments", yard.haul_out);
        let planned = yard.app.crew().post(&path, &json!({"kind": "preventive"})).expect(201);
        let advice = &planned.json["advice"];
        assert_eq!((&advice["kind"], &advice["survey_id"]), (&kind, &json!(draft.id())));
        // Whoever accepts a plan is told where the evidence supports the other kind.
        let asked = planned.json["next"][0]["detail"].as_str().expect("a detail");
        assert_eq!(asked.contains("supports a curative treatment"), kind == "curative", "{asked}");
        assert!(
            advice["reasons"].to_string().contains(word)
                && advice["reasons"].to_string().contains("16 years"),
            "{advice}"
        );
    }
}

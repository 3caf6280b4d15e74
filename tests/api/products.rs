//! /v1/products

use garboard::features::products::model::{CoatRole, ProductFields};
use serde_json::{Value, json};

use crate::lists::{ids, walk};
use crate::support::app::TestApp;

const PATH: &str = "/v1/products";

/// An invented sheet of a solventless barrier.
pub fn sheet() -> Value {
    json!({"name": "Generic barrier A", "role": "barrier", "solventless": true, "amine_blush": true,
        "volume_solids_pct": 100, "min_dry_film_um": 100, "max_dry_film_um": 250, "min_surface_temperature_c": 10,
        "max_surface_temperature_c": 30, "min_margin_k": 3, "max_relative_humidity_pct": 80, "mix_base_parts": 2,
        "mix_hardener_parts": 1, "pack_l": 3,
        "pot_life": [{"temperature_c": 20, "minutes": 40}, {"temperature_c": 10, "minutes": 90}],
        "overcoating": [
            {"next_role": "barrier", "temperature_c": 30, "min_h": 6, "max_h": 168},
            {"next_role": "barrier", "temperature_c": 10, "min_h": 24, "max_h": 720},
            {"next_role": "antifouling", "temperature_c": 20, "min_h": 4, "max_h": null}],
        "cure": [{"temperature_c": 20, "hours": 168}, {"temperature_c": 10, "hours": 336}]})
}

fn with(field: &str, value: Value) -> Value {
    let mut body = sheet();
    body[field] = value;
    body
}

#[test]
fn a_sheet_is_kept_coldest_line_first() {
    let app = TestApp::start();
    let made = app.lead().post(PATH, &sheet()).expect(201);
    let read = app.reader().get(&format!("{PATH}/{}", made.id())).expect(200);
    assert_eq!(read.json, made.json);
    assert_eq!(read.json["mix_base_parts"], 2.0);
    let temperatures = |table: &str| -> Vec<f64> {
        let lines = read.json[table].as_array().expect("a table");
        lines.iter().map(|line| line["temperature_c"].as_f64().expect("a number")).collect()
    };
    assert_eq!(temperatures("pot_life"), [10.0, 20.0]);
    assert_eq!(temperatures("cure"), [10.0, 20.0]);
    assert_eq!(temperatures("overcoating"), [10.0, 30.0, 20.0], "by role, then by temperature");
    let least = app.lead().post(PATH, &json!({"name": "A filler", "role": "sealer"})).expect(201);
    assert_eq!(least.json["solventless"], false);
    assert_eq!(least.json["overcoating"], json!([]));
}

#[test]
fn each_rule_is_refused_at_its_field() {
    let app = TestApp::start();
    let lead = app.lead();
    let line = |temperature_c: f64, min_h: f64, max_h: Value| json!({"next_role": "barrier", "temperature_c": temperature_c, "min_h": min_h, "max_h": max_h});
    for (field, value, pointer) in [
        ("name", Value::Null, "/name"),
        ("role", json!("primer"), "/role"),
        ("volume_solids_pct", json!(0.5), "/volume_solids_pct"),
        ("volume_solids_pct", json!(101), "/volume_solids_pct"),
        ("max_dry_film_um", json!(99), "/max_dry_film_um"),
        ("max_surface_temperature_c", json!(9), "/max_surface_temperature_c"),
        ("max_relative_humidity_pct", json!(101), "/max_relative_humidity_pct"),
        ("mix_hardener_parts", Value::Null, "/mix_hardener_parts"),
        ("mix_base_parts", Value::Null, "/mix_base_parts"),
        ("pack_l", json!(0), "/pack_l"),
        ("pot_life", json!([{"temperature_c": 20, "minutes": 0}]), "/pot_life/0/minutes"),
        (
            "pot_life",
            json!([{"temperature_c": 20, "minutes": 9}, {"temperature_c": 20, "minutes": 8}]),
            "/pot_life/1/temperature_c",
        ),
        ("cure", json!([{"temperature_c": 90, "hours": 5}]), "/cure/0/temperature_c"),
        ("overcoating", json!([line(20.0, 10.0, json!(9))]), "/overcoating/0/max_h"),
        (
            "overcoating",
            json!([line(10.0, 24.0, json!(99)), line(20.0, 10.0, Value::Null)]),
            "/overcoating/1/max_h",
        ),
        (
            "overcoating",
            json!([line(10.0, 24.0, json!(99)), line(10.0, 10.0, json!(50))]),
            "/overcoating/1/temperature_c",
        ),
        ("max_days_to_launch", json!(90), "/max_days_to_launch"),
        ("wear_um_per_month_15c", json!(5), "/wear_um_per_month_15c"),
        ("season_limit_months", json!(12), "/season_limit_months"),
        ("max_days_dry", json!(30), "/max_days_dry"),
        ("permeability_kg_m_s", json!(1), "/permeability_kg_m_s"),
        ("colour", json!("grey"), "/colour"),
    ] {
        lead.post(PATH, &with(field, value)).expect_problem(422, "invalid", pointer);
    }
    // The usual limits (10 and 35 °C) count where a sheet gives one end only.
    let mut warm = sheet();
    warm["min_surface_temperature_c"] = json!(36);
    warm["max_surface_temperature_c"] = Value::Null;
    lead.post(PATH, &warm).expect_problem(422, "invalid", "/min_surface_temperature_c");
    assert_eq!(ids(&lead, PATH), [""; 0]);
}

#[test]
fn stale_repeated_and_foreign_requests_are_told_apart() {
    let app = TestApp::start();
    let (lead, stranger) = (app.lead(), app.stranger());
    let body = with("ref", json!("BA"));
    let made = lead.post_with_key(PATH, "k", &body).expect(201);
    assert_eq!(lead.post_with_key(PATH, "k", &body).expect(201).id(), made.id());
    lead.post_with_key(PATH, "k", &sheet()).expect_problem(422, "key_reused", "");
    lead.post(PATH, &body).expect_problem(409, "duplicate", "/ref");
    let mut own = sheet();
    own["id"] = "0190163d-8694-739b-aea5-966c26f8ad91".into();
    lead.post(PATH, &own).expect(201);
    lead.post(PATH, &own).expect(200);
    let path = format!("{PATH}/{}", made.id());
    lead.send(lead.request("PATCH", &path).json(&json!({}))).expect_problem(428, "version_required", "");
    let changed = lead.patch(&path, &made.etag(), &json!({"pack_l": 5, "cure": []})).expect(200);
    assert_eq!((&changed.json["version"], &changed.json["pack_l"]), (&json!(2), &json!(5.0)));
    assert_eq!(changed.json["overcoating"], made.json["overcoating"], "what is absent stays");
    lead.patch(&path, &made.etag(), &json!({"pack_l": 6})).expect_problem(412, "stale", "");
    lead.patch(&path, &changed.etag(), &json!({"min_dry_film_um": 300})).expect_problem(
        422,
        "invalid",
        "/max_dry_film_um",
    );
    stranger.get(&path).expect_problem(404, "not_found", "");
    stranger.patch(&path, "\"2\"", &json!({})).expect_problem(404, "not_found", "");
    stranger.post(PATH, &body).expect(201);
    for client in [app.surveyor(), app.crew(), app.reader()] {
        client.get(&path).expect(200);
        client.post(PATH, &sheet()).expect_problem(403, "forbidden", "");
        client.patch(&path, "\"2\"", &json!({})).expect_problem(403, "forbidden", "");
    }
}

#[test]
fn the_list_is_walked_and_filtered() {
    let app = TestApp::start();
    let lead = app.lead();
    let made: Vec<String> = (0..3).map(|_| lead.post(PATH, &sheet()).expect(201).id()).collect();
    lead.post(PATH, &json!({"name": "Generic antifouling", "role": "antifouling"})).expect(201);
    for limit in [1, 2, 200] {
        assert_eq!(walk(&lead, &format!("{PATH}?role=barrier"), limit), made, "by {limit}");
    }
    let since = |time: &str| ids(&lead, &format!("{PATH}?updated_since=2026-06-15T{time}Z")).len();
    assert_eq!((since("10:00:00"), since("10:00:01")), (4, 0));
    assert_eq!(ids(&app.stranger(), PATH), [""; 0]);
    lead.get(&format!("{PATH}?role=primer")).expect_problem(422, "invalid", "role");
}

/// Source: tests/checks/quantity-paint.json (analytic; loss as a share of the paint used).
#[test]
fn litres_and_packs_follow_from_the_sheet() {
    let file: Value = serde_json::from_str(include_str!("../checks/quantity-paint.json")).expect("JSON");
    let cases = file["cases"].as_array().expect("cases");
    assert!(cases.len() >= 3);
    for case in cases {
        let given = |name: &str| case["inputs"][name].as_f64().expect("a number");
        let mut fields: ProductFields = serde_json::from_value(sheet()).expect("the sheet");
        fields.volume_solids_pct = Some(given("VS") * 100.0);
        fields.pack_l = Some(2.5);
        let coats = usize::try_from(case["inputs"]["coats"].as_u64().expect("a count")).expect("few");
        let film = Some(given("DFT_per_coat_um"));
        let told = fields.quantity(given("area_m2"), coats, film, given("loss_fraction")).expect("known");
        let practical = case["expected"]["litres_practical_divide"].as_f64().expect("a number");
        assert!((told.practical_l / practical - 1.0).abs() < 1e-6, "{}", told.practical_l);
        let packs = f64::from(told.packs.expect("a pack is known"));
        assert!(packs * 2.5 >= practical && (packs - 1.0) * 2.5 < practical, "{packs} packs");
    }
    let mut unknown: ProductFields = serde_json::from_value(sheet()).expect("the sheet");
    assert_eq!(unknown.role, CoatRole::Barrier);
    unknown.volume_solids_pct = None;
    let refused = unknown.quantity(10.0, 1, None, 0.1).expect_err("volume solids are not known");
    assert_eq!(refused.fields[0].pointer, "/volume_solids_pct");
}

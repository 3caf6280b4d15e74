//! `/v1/vessels/{id}/what-if`

use serde_json::{Value, json};

use crate::support::app::{Client, TestApp};
use crate::support::hulls::{settle, vessel};

fn ask(client: &Client, id: &str, question: &Value) -> Value {
    client.post(&format!("/v1/vessels/{id}/what-if"), question).expect(200).json
}

fn later(answer: &Value, kind: &str) -> i64 {
    let differences = answer["differences"].as_array().expect("a list");
    let difference = differences.iter().find(|difference| difference["kind"] == kind).expect("the kind");
    difference["later_days"].as_i64().expect("both dates within the horizon")
}

#[test]
fn old_dates_new_dates_and_the_difference_are_told_and_nothing_is_kept() {
    let app = TestApp::start();
    let lead = app.lead();
    let fields = json!({"launched_on": "2021-05-01", "bilge": "wet", "laminate_class": "isophthalic",
        "ashore_from_month": 11, "ashore_until_month": 2});
    let id = vessel(&lead, "Wet", fields).id();
    settle(&app);
    let kept = lead.get(&format!("/v1/vessels/{id}/forecast")).expect(200).json;
    let dry = ask(&app.reader(), &id, &json!({"bilge": "dry"}));
    assert_eq!(dry["before"]["dates"], kept["dates"], "as things are, it is the forecast");
    assert_eq!(dry["before"]["inputs_hash"], kept["inputs_hash"]);
    assert_ne!(dry["after"]["inputs_hash"], kept["inputs_hash"]);
    assert_eq!(dry["as_of"], "2026-06-15");
    // Within a month exposure is taken to grow evenly, and the change cuts the month: a thousandth of a year.
    let [was, is] = ["before", "after"].map(|side| dry[side]["exposure_years_now"]["p50"].as_f64());
    assert!(was.zip(is).is_some_and(|(was, is)| (was - is).abs() < 1e-3), "the past stays: {was:?} {is:?}");
    assert!(dry["onset_difference"]["p50_later_days"].as_i64().is_some_and(|days| days > 30), "{dry}");
    assert!(later(&dry, "inspection") >= 0, "{dry}");

    let afloat = ask(&lead, &id, &json!({"season_ashore": {}}));
    assert!(afloat["onset_difference"]["p50_later_days"].as_i64().is_some_and(|days| days < 0), "{afloat}");
    let coated = ask(&lead, &id, &json!({"barrier": {"dry_film_um": 300.0}}));
    let thick = ask(&lead, &id, &json!({"barrier": {"dry_film_um": 600.0}}));
    let [some, more] = [&coated, &thick].map(|answer| answer["onset_difference"]["p10_later_days"].as_i64());
    assert!(some.is_some_and(|some| some > 100 && more.is_none_or(|more| more > some)), "{some:?} {more:?}");
    let warm = ask(&lead, &id, &json!({"climate": "warm_sea"}));
    assert!(warm["onset_difference"]["p50_later_days"].as_i64().is_some_and(|days| days < -30), "{warm}");
    let site = lead.post("/v1/sites", &json!({"name": "South", "time_zone": "UTC", "climate": "warm_sea"}));
    let moved = ask(&lead, &id, &json!({"site_id": site.expect(201).id()}));
    assert_eq!(moved["after"]["dates"], warm["after"]["dates"]);

    assert_eq!(lead.get(&format!("/v1/vessels/{id}/forecast")).expect(200).json, kept, "nothing is kept");
    assert_eq!(settle(&app).done, 0, "and nothing asked for");
}

#[test]
fn no_change_and_changes_that_contradict_are_refused_at_their_field() {
    let app = TestApp::start();
    let lead = app.lead();
    let id = vessel(&lead, "Plain", json!({"launched_on": "2015-05-01"})).id();
    let path = format!("/v1/vessels/{id}/what-if");
    let site =
        lead.post("/v1/sites", &json!({"name": "A", "time_zone": "UTC", "climate": "warm_sea"})).expect(201);
    let elsewhere =
        app.stranger().post("/v1/sites", &json!({"name": "B", "time_zone": "UTC", "climate": "warm_sea"}));
    for (question, pointer) in [
        (json!({}), ""),
        (json!({"season_ashore": {"ashore_from_month": 11}}), "/season_ashore/ashore_until_month"),
        (json!({"season_ashore": {"ashore_until_month": 2}}), "/season_ashore/ashore_from_month"),
        (
            json!({"season_ashore": {"ashore_from_month": 13, "ashore_until_month": 2}}),
            "/season_ashore/ashore_from_month",
        ),
        (json!({"barrier": {"dry_film_um": 0.0}}), "/barrier/dry_film_um"),
        (
            json!({"barrier": {"dry_film_um": 300.0, "permeability_kg_m_s": 1.0}}),
            "/barrier/permeability_kg_m_s",
        ),
        (json!({"barrier": {"film_um": 300.0}}), "/barrier/film_um"),
        (json!({"bilge": "flooded"}), "/bilge"),
        (json!({"climate": "moon"}), "/climate"),
        (json!({"climate": "warm_sea", "site_id": site.id()}), "/climate"),
        (json!({"site_id": elsewhere.expect(201).id()}), "/site_id"),
        (json!({"hull": "new"}), "/hull"),
    ] {
        lead.post(&path, &question).expect_problem(422, "invalid", pointer);
    }
    app.stranger().post(&path, &json!({"bilge": "dry"})).expect_problem(404, "not_found", "");
}

#[test]
fn a_hull_without_a_beginning_has_no_onset_to_move() {
    let app = TestApp::start();
    let lead = app.lead();
    let id = vessel(&lead, "Unknown", json!({})).id();
    let answer = ask(&lead, &id, &json!({"bilge": "wet"}));
    assert_eq!(answer["onset_difference"], Value::Null);
    let differences = answer["differences"].as_array().expect("a list");
    assert!(differences.iter().all(|difference| difference["later_days"].is_null()), "{differences:?}");
}

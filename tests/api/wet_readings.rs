//! Meter readings that make a hull look wet, from the survey to the due list. The rule is common practice, no source.

use serde_json::{Value, json};

use crate::support::app::{Client, TestApp};
use crate::support::hulls::{settle, vessel};

/// Signs a clean survey of the whole bottom with a reading of each station, and gives the readings' ids.
fn survey(
    client: &Client,
    vessel_id: &str,
    on: &str,
    stations: &[String],
    value: f64,
    more: Value,
) -> Vec<String> {
    let mut body = json!({"vessel_id": vessel_id, "surveyed_on": on, "bottom_examined": "whole", "blistering": "none",
        "meter_scale": "relative"});
    if let (Value::Object(body), Value::Object(more)) = (&mut body, more) {
        body.extend(more);
    }
    let draft = client.post("/v1/surveys", &body).expect(201);
    let readings = stations
        .iter()
        .map(|station| {
            let reading = json!({"survey_id": draft.id(), "station_id": station, "value": value});
            client.post("/v1/readings", &reading).expect(201).id()
        })
        .collect();
    let path = format!("/v1/surveys/{}", draft.id());
    let etag = client.get(&path).expect(200).etag();
    client.post_if_match(&format!("{path}/signature"), &etag, &json!({})).expect(200);
    readings
}

fn hull(client: &Client, name: &str) -> (String, Vec<String>) {
    let fields = json!({"launched_on": "2015-05-01", "laminate_class": "epoxy", "bilge": "dry"});
    let id = vessel(client, name, fields).id();
    let station = |code: &str| {
        let body = json!({"vessel_id": id, "code": code, "hull": "centre", "side": "port", "zone": "bottom", "x_m": 2.0, "girth_m": 0.6});
        client.post("/v1/stations", &body).expect(201).id()
    };
    let stations = ["P1", "P2", "P3"].map(station).to_vec();
    (id, stations)
}

fn inspection(app: &TestApp, vessel_id: &str) -> (String, String, String) {
    settle(app);
    let page = app.reader().get(&format!("/v1/due?vessel_id={vessel_id}&kind=inspection")).expect(200).json;
    let word = |name: &str| page["items"][0][name].as_str().expect("a word").to_owned();
    (word("driver"), word("due_on"), word("reason"))
}

#[test]
fn a_rise_on_the_same_stations_calls_for_a_look_within_a_year_until_it_is_corrected() {
    let app = TestApp::start();
    let lead = app.lead();
    let (id, stations) = hull(&lead, "Risen");
    survey(&lead, &id, "2023-05-10", &stations, 10.0, json!({}));
    let readings = survey(&lead, &id, "2026-05-10", &stations, 18.0, json!({}));
    let (driver, due_on, reason) = inspection(&app, &id);
    assert_eq!((driver.as_str(), due_on.as_str()), ("wet_readings", "2027-05-10"));
    assert!(reason.contains("3 of its stations had risen by 8.0 (median) since 2023-05-10"), "{reason}");
    // The policy sets the limit.
    let policy = lead.get(&format!("/v1/vessels/{id}/policy")).expect(200);
    assert_eq!(policy.json["limits"]["reading_rise"], Value::Null);
    // Two of the three were misread: the dates follow the correction.
    for reading in &readings[..2] {
        let path = format!("/v1/readings/{reading}");
        let etag = lead.get(&path).expect(200).etag();
        lead.patch(&path, &etag, &json!({"value": 11.0, "correction_reason": "misread"})).expect(200);
    }
    let (driver, due_on, _) = inspection(&app, &id);
    assert_eq!((driver.as_str(), due_on.as_str()), ("calendar_maximum", "2028-05-10"));
}

#[test]
fn readings_that_do_not_compare_move_nothing() {
    let app = TestApp::start();
    let lead = app.lead();
    // On another meter.
    let (other, stations) = hull(&lead, "Another meter");
    survey(&lead, &other, "2023-05-10", &stations, 10.0, json!({"meter_serial": "A1"}));
    survey(&lead, &other, "2026-05-10", &stations, 30.0, json!({"meter_serial": "B2"}));
    // Two hours after the lift, when the hull is wet outside.
    let (fresh, stations) = hull(&lead, "Fresh from the water");
    survey(&lead, &fresh, "2023-05-10", &stations, 10.0, json!({}));
    survey(&lead, &fresh, "2026-05-10", &stations, 30.0, json!({"hours_since_lift": 2.0}));
    for id in [&other, &fresh] {
        assert_eq!(inspection(&app, id).0, "calendar_maximum");
    }
    // High over the dry reference of the day, whatever it was before.
    let (wet, stations) = hull(&lead, "Wet");
    survey(
        &lead,
        &wet,
        "2026-05-10",
        &stations,
        30.0,
        json!({"dry_reference_reading": 5.0, "hours_since_lift": 48.0}),
    );
    let (driver, due_on, reason) = inspection(&app, &wet);
    assert_eq!((driver.as_str(), due_on.as_str()), ("wet_readings", "2027-05-10"));
    assert!(reason.contains("stood 25.0 over the dry reference"), "{reason}");
}

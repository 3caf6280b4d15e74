//! /v1/treatments/{id}/record: kept at the closing, with its digest; what comes later stands beside it

use diesel::{Connection, PgConnection, RunQueryDsl, sql_query};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use crate::treatments::{Yard, made, product};

/// A preventive treatment with a corrected reading and a superseded film, closed.
struct Closed {
    yard: Yard,
    id: String,
    coat: String,
    film: String,
    reading: String,
}

fn closed() -> Closed {
    let yard = Yard::set();
    let product = made(&yard.app.lead(), &product("barrier", &["barrier"], &json!({})));
    let steps = json!([{"step": "abrade"}, {"step": "barrier", "coats": 1, "product_id": product}]);
    let id = yard.plan(&json!({"kind": "preventive", "steps": steps}));
    yard.accept(&id);
    let crew = yard.app.crew();
    let station =
        json!({"vessel_id": yard.vessel, "code": "P1", "hull": "centre", "side": "port", "zone": "bottom"});
    let station = crew.post("/v1/stations", &station).expect(201).id();
    let survey = json!({"vessel_id": yard.vessel, "haul_out_id": yard.haul_out, "surveyed_on": "2026-06-09", "meter_scale": "relative"});
    let survey = yard.app.surveyor().post("/v1/surveys", &survey).expect(201).id();
    let items =
        json!({"items": [{"station_id": station, "value": 12.0, "taken_at": "2026-06-09T12:00:00Z"}]});
    let sent = crew.post(&format!("/v1/surveys/{survey}/readings"), &items).expect(200);
    let reading = sent.json["items"][0]["id"].as_str().expect("an id").to_owned();
    let misread = json!({"value": 7.0, "correction_reason": "misread"});
    crew.patch(&format!("/v1/readings/{reading}"), "\"1\"", &misread).expect(200);
    yard.done(&id, "abrade", "2026-06-10T07:00:00Z").expect(201);
    yard.climate("2026-06-10T00:00:00Z", 15, 60.0);
    let airy = json!({"items": [{"measured_at": "2026-06-10T01:00:00Z", "source": "hand", "air_temperature_c": 19.5,
        "relative_humidity_pct": 58}]});
    crew.post(&format!("/v1/haul-outs/{}/climate-values", yard.haul_out), &airy).expect(200);
    let coat = yard.coat(&id, &product, "barrier", "2026-06-11T08:00:00Z", "grey").expect(201).id();
    let thin = yard.film(&coat, 60.0).id();
    let again = json!({"method": "ultrasonic", "rule": "iso-19840", "nominal_um": 100, "readings_um": [110, 112],
        "measured_at": "2026-06-24T10:00:00Z", "supersedes_id": thin});
    let film = crew.post(&format!("/v1/coats/{coat}/films"), &again).expect(201).id();
    yard.done(&id, "barrier", "2026-06-11T10:00:00Z").expect(201);
    Closed { yard, id, coat, film, reading }
}

impl Closed {
    fn record(&self) -> Value {
        self.yard.app.reader().get(&format!("/v1/treatments/{}/record", self.id)).expect(200).json
    }

    fn page(&self) -> String {
        self.yard.app.reader().get(&format!("/v1/treatments/{}/record-page", self.id)).expect(200).text
    }
}

/// SHA-256 by another implementation's definition: FIPS 180-4, of the bytes that the answer carries.
#[test]
fn the_record_is_kept_as_it_was_closed() {
    let treatment = closed();
    let before = treatment.record();
    assert_eq!((&before["kept_at"], &before["digest_sha256"]), (&Value::Null, &Value::Null));
    assert_eq!(
        (&before["origin"], &before["record"]["treatment"]),
        (&json!("as_things_stand"), &Value::Null)
    );
    assert!(treatment.page().contains("not yet"));
    treatment.yard.close(&treatment.id, "2026-06-24T20:00:00Z").expect(200);
    let kept = treatment.record();
    let bytes = serde_json::to_string(&kept["record"]).expect("JSON");
    let digest: String = Sha256::digest(bytes.as_bytes()).iter().map(|byte| format!("{byte:02x}")).collect();
    assert_eq!(kept["digest_sha256"], json!(digest));
    assert!(treatment.page().contains(&digest));
    assert_eq!(kept["record"]["plan"]["state"], "closed");
    assert_eq!(kept["corrections_after_closing"], json!([]));
    assert_eq!(
        (&kept["origin"], &kept["record"]["treatment"]["completed_on"]),
        (&json!("kept_at_closing"), &json!("2026-06-24"))
    );
    let airy: Vec<&Value> = kept["record"]["climate"]
        .as_array()
        .expect("climate")
        .iter()
        .filter(|value| value["surface_temperature_c"].is_null())
        .collect();
    assert_eq!(airy.len(), 1, "a value without the hull's temperature is kept");
    assert_eq!((&airy[0]["source"], &airy[0]["air_temperature_c"]), (&json!("hand"), &json!(19.5)));
    assert!(treatment.page().contains("19.5 °C  58 %  not measured"));

    // Both values of the corrected reading and both films stand in it, and people have names.
    let versions = kept["record"]["reading_versions"].as_array().expect("versions");
    let values: Vec<_> =
        versions.iter().map(|own| (own["value"].as_f64(), own["superseded"].as_bool())).collect();
    assert_eq!(values, [(Some(12.0), Some(true)), (Some(7.0), Some(false))]);
    let films = kept["record"]["films"].as_array().expect("films");
    assert_eq!(films.len(), 2);
    assert_eq!(
        films.iter().filter(|film| film["superseded"] == true && film["accepted"] == false).count(),
        1
    );
    let persons = kept["record"]["persons"].as_array().expect("persons");
    let recorder = &kept["record"]["coats"][0]["recorded_by"];
    let name = persons.iter().find(|person| person["id"] == *recorder).expect("named")["name"].clone();
    assert!(treatment.page().contains(name.as_str().expect("a name")));
    assert!(!treatment.page().contains(recorder.as_str().expect("an id")), "people by name, not by id");
    assert!(kept["record"]["plan"]["cautions"].as_array().is_some_and(|cautions| cautions.len() > 2));

    // What comes later changes nothing in it and is told beside it.
    let crew = treatment.yard.app.crew();
    let reading = format!("/v1/readings/{}", treatment.reading);
    crew.patch(&reading, "\"2\"", &json!({"value": 9.0, "correction_reason": "again"})).expect(200);
    let coat = crew.get(&format!("/v1/coats/{}", treatment.coat)).expect(200);
    let patch = json!({"colour": "white", "correction_reason": "it was white"});
    crew.patch(&format!("/v1/coats/{}", treatment.coat), &coat.etag(), &patch).expect(200);
    let film = json!({"method": "ultrasonic", "rule": "iso-19840", "nominal_um": 100, "readings_um": [90, 70],
        "measured_at": "2026-06-26T10:00:00Z", "supersedes_id": treatment.film});
    crew.post(&format!("/v1/coats/{}/films", treatment.coat), &film).expect(201);
    let value = json!({"items": [{"measured_at": "2026-06-10T00:00:00Z", "source": "logger", "air_temperature_c": 20,
        "relative_humidity_pct": 61, "surface_temperature_c": 20, "correction_reason": "a typing error"}]});
    crew.post(&format!("/v1/haul-outs/{}/climate-values", treatment.yard.haul_out), &value).expect(200);
    let path = format!("/v1/treatments/{}", treatment.id);
    let own = crew.get(&path).expect(200);
    crew.patch(&path, &own.etag(), &json!({"note": "a later word", "correction_reason": "left out"}))
        .expect(200);
    let after = treatment.record();
    assert_eq!((&after["record"], &after["digest_sha256"]), (&kept["record"], &kept["digest_sha256"]));
    let later = after["corrections_after_closing"].as_array().expect("corrections");
    let of: Vec<&str> = later.iter().filter_map(|own| own["of"].as_str()).collect();
    for what in ["reading", "coat", "film", "climate_value", "treatment"] {
        assert_eq!(of.iter().filter(|own| **own == what).count(), 1, "{what}: {after}");
    }
    assert!(
        later.iter().all(|own| own["recorded_by_name"] == name),
        "those who corrected are named: {after}"
    );
    let id = later[0]["recorded_by"].as_str().expect("an id");
    assert!(!treatment.page().contains(id), "and on the page too");
    let reasons: Vec<&str> = later.iter().filter_map(|own| own["reason"].as_str()).collect();
    assert!(reasons.contains(&"again") && reasons.contains(&"it was white"), "{reasons:?}");
    let page = treatment.page();
    assert!(page.contains("it was white") && page.contains("Corrections after the closing"));
    if let Some(folder) = option_env!("GARBOARD_KEEP_PAGES") {
        std::fs::write(format!("{folder}/corrected.html"), &page).expect("a page kept to look at");
    }
}

/// A treatment closed before records were kept has one made as it is read, marked so, without a digest.
#[test]
fn a_record_that_was_not_kept_is_made_afterwards_and_says_so() {
    let treatment = closed();
    treatment.yard.close(&treatment.id, "2026-06-24T20:00:00Z").expect(200);
    let kept = treatment.record();
    let mut superuser =
        PgConnection::establish(&treatment.yard.app.database.superuser_url()).expect("it connects");
    sql_query("DELETE FROM treatment_records").execute(&mut superuser).expect("the row goes");
    let made = treatment.record();
    assert_eq!(
        (&made["origin"], &made["kept_at"], &made["digest_sha256"]),
        (&json!("made_afterwards"), &Value::Null, &Value::Null)
    );
    for what in ["coats", "films", "climate", "reading_versions", "treatment"] {
        assert_eq!(made["record"][what], kept["record"][what], "{what}");
    }
    let page = treatment.page();
    assert!(page.contains("made afterwards") && !page.contains("not yet"), "{page}");
}

/// Two who close at once: one closes it, the other is told so, and one record is kept.
#[test]
fn closed_twice_at_once_it_is_closed_once() {
    let treatment = closed();
    let statuses: Vec<u16> = std::thread::scope(|scope| {
        let close = || treatment.yard.close(&treatment.id, "2026-06-24T20:00:00Z").status;
        let threads: Vec<_> = (0..4).map(|_| scope.spawn(close)).collect();
        threads.into_iter().map(|thread| thread.join().expect("an answer")).collect()
    });
    assert_eq!(statuses.iter().filter(|status| **status == 200).count(), 1, "{statuses:?}");
    assert_eq!(statuses.iter().filter(|status| **status == 409).count(), 3, "{statuses:?}");
    let entries = treatment.record()["record"]["plan"]["entries"].clone();
    let closings =
        entries.as_array().expect("entries").iter().filter(|entry| entry["kind"] == "closing").count();
    assert_eq!(closings, 1);
    let listed = treatment.yard.app.reader().get("/v1/treatments").expect(200);
    assert_eq!(listed.json["items"].as_array().map(Vec::len), Some(1));
    // Programs elsewhere are told once.
    let told = treatment.yard.app.reader().get("/v1/events?kinds=treatment.closed").expect(200).json;
    let events = told["items"].as_array().expect("a list");
    assert_eq!(events.len(), 1, "{events:?}");
    assert_eq!(events[0]["vessel_id"], treatment.yard.vessel);
    let content = &events[0]["content"];
    assert_eq!((&content["treatment_id"], &content["kind"]), (&json!(treatment.id), &json!("preventive")));
    assert_eq!(content["completed_on"], "2026-06-24");
}

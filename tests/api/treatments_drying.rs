//! /v1/treatments/{id}/drying

use chrono::{DateTime, Duration, Utc};
use diesel::{Connection, PgConnection, RunQueryDsl, sql_query};
use serde_json::{Value, json};

use crate::support::app::Answer;
use crate::treatments::{Yard, held};

struct Drying {
    yard: Yard,
    treatment: String,
    survey: String,
    station: String,
}

fn day(n: f64) -> DateTime<Utc> {
    let first: DateTime<Utc> = "2026-06-03T12:00:00Z".parse().expect("a time");
    #[expect(clippy::cast_possible_truncation, reason = "whole seconds of some days")]
    let seconds = (n * 86_400.0) as i64;
    first + Duration::seconds(seconds)
}

impl Drying {
    fn set(target: &Value) -> Self {
        let yard = Yard::set();
        let treatment = yard.plan(&json!({"kind": "curative", "dry_target": target}));
        yard.accept(&treatment);
        let crew = yard.app.crew();
        let station = json!({"vessel_id": yard.vessel, "code": "P1", "hull": "centre", "side": "port", "zone": "bottom"});
        let station = crew.post("/v1/stations", &station).expect(201).id();
        let survey = json!({"vessel_id": yard.vessel, "haul_out_id": yard.haul_out, "surveyed_on": "2026-06-03", "meter": "M1",
            "meter_scale": "relative"});
        let survey = yard.app.surveyor().post("/v1/surveys", &survey).expect(201).id();
        Self { yard, treatment, survey, station }
    }

    fn items(&self, series: &[(f64, f64)]) -> Value {
        let items = (1..).zip(series).map(|(n, (at, value))| {
            json!({"station_id": self.station, "sequence": n, "value": value, "taken_at": day(*at)})
        });
        json!({"items": items.collect::<Vec<_>>()})
    }

    fn send(&self, items: &Value) -> Answer {
        self.yard.app.crew().post(&format!("/v1/surveys/{}/readings", self.survey), items).expect(200)
    }

    fn read(&self) -> Value {
        self.yard.app.reader().get(&format!("/v1/treatments/{}/drying", self.treatment)).expect(200).json
    }

    fn wash(&self, at: f64) {
        let body = json!({"kind": "wash"});
        self.yard.enter(&self.treatment, &day(at).to_rfc3339(), &body).expect(201);
    }

    fn warnings(&self) -> Vec<String> {
        let told = self.read();
        let warnings = told["warnings"].as_array().expect("warnings");
        warnings.iter().map(|warning| warning["code"].as_str().expect("a code").to_owned()).collect()
    }
}

/// Source: `tests/checks/dry-decision.json` (common practice).
#[test]
fn dry_is_what_the_decision_file_says() {
    let file: Value = serde_json::from_str(include_str!("../checks/dry-decision.json")).expect("JSON");
    for case in file["cases"].as_array().expect("cases") {
        let inputs = &case["inputs"];
        let drying = Drying::set(&json!({"scale": "relative", "target": inputs["threshold"],
            "consecutive": inputs["consecutive"], "steady_range": inputs["stable_range"]}));
        let values: Vec<f64> = serde_json::from_value(inputs["series"].clone()).expect("numbers");
        let series: Vec<(f64, f64)> = (0..).map(f64::from).zip(values).collect();
        drying.send(&drying.items(&series));
        let told = drying.read();
        assert_eq!(told["status"] == "ready", case["expected"]["dry"] == true, "{told}");
        assert_eq!(
            told["status"] == "stalled",
            case["expected"]["plateau_above_threshold"] == true,
            "{told}"
        );
        assert_eq!(told["slowest_station"], "P1");
        // Programs elsewhere are told once, however often it is looked at.
        for _ in 0..2 {
            drying.send(&drying.items(&series));
            let workers = garboard::routes::workers(&drying.yard.app.guards);
            garboard::jobs::run_until_idle(&drying.yard.app.db, &workers).expect("the queue is in reach");
        }
        let events = drying
            .yard
            .app
            .reader()
            .get("/v1/events?kinds=hull.ready_to_coat,hull.drying_stalled")
            .expect(200);
        let kinds: Vec<&str> = events.json["items"]
            .as_array()
            .expect("a list")
            .iter()
            .filter_map(|e| e["kind"].as_str())
            .collect();
        let expected: &[&str] = match told["status"].as_str() {
            Some("ready") => &["hull.ready_to_coat"],
            Some("stalled") => &["hull.drying_stalled"],
            _ => &[],
        };
        assert_eq!(kinds, expected);
    }
}

/// Source: `tests/checks/drying-exponential-fit.json` (scipy).
#[test]
fn the_fit_of_a_station_is_that_of_the_reference() {
    let file: Value =
        serde_json::from_str(include_str!("../checks/drying-exponential-fit.json")).expect("JSON");
    for case in file["cases"].as_array().expect("cases") {
        let inputs = &case["inputs"];
        let days: Vec<f64> = serde_json::from_value(inputs["t_days"].clone()).expect("numbers");
        let values: Vec<f64> = serde_json::from_value(inputs["y"].clone()).expect("numbers");
        let drying = Drying::set(&json!({"scale": "relative", "target": inputs["threshold"]}));
        drying.send(&drying.items(&days.into_iter().zip(values).collect::<Vec<_>>()));
        let told = drying.read();
        let fit = &told["stations"][0]["fit"];
        for (ours, theirs, tolerance) in
            [("y0", "y0", 1e-3), ("y_eq", "y_eq", 1e-3), ("k_per_day", "k", 1e-5)]
        {
            let (got, wanted) =
                (fit[ours].as_f64().expect("a number"), case["expected"][theirs].as_f64().expect("a number"));
            assert!((got - wanted).abs() < tolerance, "{ours}: {got}, {wanted}");
        }
    }
}

/// The least moisture is that of `tests/checks/drying-equilibrium.json`, case 2: 0.675 % of 0.9 % at 75 %.
#[test]
fn warnings_tell_what_spoils_a_series() {
    let drying = Drying::set(&json!({"scale": "relative", "target": 9, "saturated_moisture_pct": 0.9,
        "dry_moisture_pct": 0.67}));
    drying.wash(0.0);
    drying.wash(3.0);
    drying.send(&drying.items(&[(1.5, 30.0), (3.5, 28.0), (5.0, 27.0)]));
    let told = drying.read();
    let readings = told["stations"][0]["readings"].as_array().expect("readings");
    assert_eq!(readings.iter().filter(|reading| reading["counted"] == true).count(), 2);
    assert_eq!(readings[1]["left_out"], "soon_after_wash");
    let warned = drying.warnings();
    assert!(
        warned.contains(&"reading_soon_after_wash".to_owned())
            && warned.contains(&"too_few_washes".to_owned()),
        "{warned:?}"
    );
    assert!(!warned.iter().any(|code| code.ends_with("_changed") || code == "air_too_humid"), "{warned:?}");
    let climate = json!({"items": [{"measured_at": "2026-07-29T10:00:00Z", "source": "hand", "air_temperature_c": 15,
        "relative_humidity_pct": 75, "surface_temperature_c": 15}]});
    drying
        .yard
        .app
        .crew()
        .post(&format!("/v1/haul-outs/{}/climate-values", drying.yard.haul_out), &climate)
        .expect(200);
    // Another person, on another meter and scale.
    let surveyor = drying.yard.app.surveyor();
    let survey = json!({"vessel_id": drying.yard.vessel, "haul_out_id": drying.yard.haul_out, "surveyed_on": "2026-06-09",
        "meter": "M2", "meter_scale": "other"});
    let other = surveyor.post("/v1/surveys", &survey).expect(201).id();
    let items = json!({"items": [{"station_id": drying.station, "value": 80, "taken_at": day(6.0)}]});
    surveyor.post(&format!("/v1/surveys/{other}/readings"), &items).expect(200);
    let warned = drying.warnings();
    for code in ["meter_changed", "scale_changed", "person_changed", "air_too_humid"] {
        assert!(warned.contains(&code.to_owned()), "{code}: {warned:?}");
    }
}

#[test]
fn a_batch_sent_twice_two_people_at_once_and_a_correction_lose_nothing() {
    let drying = Drying::set(&json!({"scale": "relative", "target": 9}));
    let batch = drying.items(&[(1.0, 30.0), (2.0, 25.0), (3.0, 21.0)]);
    let first = drying.send(&batch);
    let again = drying.send(&batch);
    assert!(
        again.json["items"].as_array().expect("results").iter().all(|item| item["status"] == "unchanged")
    );
    std::thread::scope(|scope| {
        for half in 0..2 {
            let drying = &drying;
            scope.spawn(move || {
                for n in 0..5 {
                    let at = 4.0 + f64::from(n) + 0.4 * f64::from(half);
                    let item = json!({"items": [{"station_id": drying.station, "sequence": 10 + 2 * n + half,
                        "value": 20 - n, "taken_at": day(at)}]});
                    assert_eq!(drying.send(&item).json["items"][0]["status"], "created");
                }
            });
        }
    });
    let count = |told: &Value| told["stations"][0]["readings"].as_array().map(Vec::len);
    assert_eq!(count(&drying.read()), Some(13));
    let reading = first.json["items"][0]["id"].as_str().expect("an id");
    let path = format!("/v1/readings/{reading}");
    let crew = drying.yard.app.crew();
    crew.patch(&path, "\"1\"", &json!({"value": 33.0, "correction_reason": "misread"})).expect(200);
    let told = drying.read();
    assert_eq!((count(&told), &told["stations"][0]["readings"][0]["value"]), (Some(13), &json!(33.0)));
    assert_eq!(told["stations"][0]["readings"][0]["version"], 2);
    let versions = crew.get(&format!("{path}/versions")).expect(200);
    assert_eq!(versions.json["items"][0]["value"], json!(30.0), "the old value stays");
}

/// Fewer than two washes in any seven days (common practice, no source): told for a week in the middle and for the
/// first, not where two stand in each.
#[test]
fn too_few_washes_are_told_for_any_seven_days() {
    let warned = |washes: &[f64]| {
        let drying = Drying::set(&json!({"scale": "relative", "target": 9}));
        drying.yard.done(&drying.treatment, "wash_down", "2026-06-03T11:00:00Z").expect(201);
        drying.yard.done(&drying.treatment, "strip", "2026-06-03T12:00:00Z").expect(201);
        for at in washes {
            drying.wash(*at);
        }
        drying.warnings().contains(&"too_few_washes".to_owned())
    };
    // The clock stands 57 days after the stripping.
    let steady: Vec<f64> = (0..19).map(|n| 3.0 * f64::from(n) + 0.5).collect();
    assert!(!warned(&steady));
    let gap: Vec<f64> = steady.iter().copied().filter(|at| !(20.0..28.0).contains(at)).collect();
    assert!(warned(&gap), "a week without any in the middle");
    assert!(warned(&steady[4..]), "none in the first days");
    assert!(warned(&[]), "none at all");
}

/// A reading under 24 hours after a wash is kept, left out of the curve, and told; at 24 hours it counts.
#[test]
fn a_reading_soon_after_a_wash_is_told() {
    for (after_days, told) in [(0.99, true), (1.0, false)] {
        let drying = Drying::set(&json!({"scale": "relative", "target": 9}));
        drying.wash(2.0);
        drying.send(&drying.items(&[(1.0, 30.0), (2.0 + after_days, 28.0)]));
        assert_eq!(drying.warnings().contains(&"reading_soon_after_wash".to_owned()), told, "{after_days}");
        let point = &drying.read()["stations"][0]["readings"][1];
        assert_eq!((&point["value"], point["counted"] == false), (&json!(28.0), told));
    }
}

/// Each change by itself: the meter alone, the scale alone, the person alone.
#[test]
fn a_change_of_meter_scale_or_person_is_told_alone() {
    for (meter, scale, by_surveyor, code) in [
        ("M2", "relative", false, Some("meter_changed")),
        ("M1", "other", false, Some("scale_changed")),
        ("M1", "relative", true, Some("person_changed")),
        ("M1", "relative", false, None),
    ] {
        let drying = Drying::set(&json!({"scale": "relative", "target": 9}));
        drying.send(&drying.items(&[(1.0, 30.0), (2.0, 28.0)]));
        let survey = json!({"vessel_id": drying.yard.vessel, "haul_out_id": drying.yard.haul_out, "surveyed_on": "2026-06-09",
            "meter": meter, "meter_scale": scale});
        let other = drying.yard.app.surveyor().post("/v1/surveys", &survey).expect(201).id();
        let items = json!({"items": [{"station_id": drying.station, "value": 27, "taken_at": day(6.0)}]});
        let who = if by_surveyor { drying.yard.app.surveyor() } else { drying.yard.app.crew() };
        who.post(&format!("/v1/surveys/{other}/readings"), &items).expect(200);
        let changed: Vec<String> =
            drying.warnings().into_iter().filter(|code| code.ends_with("_changed")).collect();
        assert_eq!(changed, code.map(str::to_owned).into_iter().collect::<Vec<_>>());
    }
}

/// `tests/checks/drying-equilibrium.json`, case 2: at 75 % the laminate comes down to 0.675 % of 0.9 %.
#[test]
fn air_that_cannot_let_the_laminate_get_there_is_told() {
    for (dry_moisture_pct, told) in [(0.67, true), (0.68, false)] {
        let target = json!({"scale": "relative", "target": 9, "saturated_moisture_pct": 0.9,
            "dry_moisture_pct": dry_moisture_pct});
        let drying = Drying::set(&target);
        drying.wash(0.0);
        let climate = json!({"items": [{"measured_at": "2026-07-29T10:00:00Z", "source": "hand", "air_temperature_c": 15,
            "relative_humidity_pct": 75, "surface_temperature_c": 15}]});
        let path = format!("/v1/haul-outs/{}/climate-values", drying.yard.haul_out);
        drying.yard.app.crew().post(&path, &climate).expect(200);
        assert_eq!(drying.warnings().contains(&"air_too_humid".to_owned()), told, "{dry_moisture_pct}");
    }
}

/// The hull is ready when its slowest station is. Source: `tests/checks/drying-exponential-fit.json` (scipy), its dated
/// series at three stations, taken as independent: P(hull by t) = P(station by t)^3, so the hull's median lies past
/// each station's, at its quantile 0.79.
#[test]
fn the_hull_waits_for_its_slowest_station() {
    let file: Value =
        serde_json::from_str(include_str!("../checks/drying-exponential-fit.json")).expect("JSON");
    let inputs = &file["cases"][0]["inputs"];
    let days: Vec<f64> = serde_json::from_value(inputs["t_days"].clone()).expect("numbers");
    let values: Vec<f64> = serde_json::from_value(inputs["y"].clone()).expect("numbers");
    let drying = Drying::set(&json!({"scale": "relative", "target": inputs["threshold"]}));
    let crew = drying.yard.app.crew();
    for code in ["P1", "P2", "P3"] {
        let station = if code == "P1" {
            drying.station.clone()
        } else {
            let body = json!({"vessel_id": drying.yard.vessel, "code": code, "hull": "centre", "side": "port", "zone": "bottom"});
            crew.post("/v1/stations", &body).expect(201).id()
        };
        let items = (1..).zip(days.iter().zip(&values)).map(|(n, (at, value))| {
            json!({"station_id": station, "sequence": n, "value": value, "taken_at": day(*at)})
        });
        drying.send(&json!({"items": items.collect::<Vec<_>>()}));
    }
    let told = drying.read();
    let time = |value: &Value| value.as_str().expect("a time").parse::<DateTime<Utc>>().expect("a time");
    let hull = &told["ready_at"];
    for station in told["stations"].as_array().expect("stations") {
        let own = &station["ready_at"];
        assert!(time(&hull["p10"]) > time(&own["p10"]), "{told}");
        assert!(time(&hull["p50"]) > time(&own["p50"]) && time(&hull["p50"]) < time(&own["p90"]), "{told}");
    }
    assert!(told["cautions"].to_string().contains("independent"));
}

/// Dry is dry at every station (the design of this service, after common practice): one that nobody read in this haul-out
/// holds the seal, and the answer names it.
#[test]
fn a_station_that_nobody_read_is_not_dry() {
    let drying = Drying::set(&json!({"scale": "relative", "target": 9}));
    let (yard, id) = (&drying.yard, &drying.treatment);
    let station = |code: &str, zone: &str| {
        let body =
            json!({"vessel_id": yard.vessel, "code": code, "hull": "centre", "side": "port", "zone": zone});
        yard.app.crew().post("/v1/stations", &body).expect(201).id()
    };
    let (unread, elsewhere) = (station("P2", "bottom"), station("K1", "keel"));
    for step in ["wash_down", "strip", "salt_check"] {
        yard.done(id, step, "2026-06-03T11:00:00Z").expect(201);
    }
    let dry = [(2.0, 8.0), (4.0, 8.0), (6.0, 8.0)];
    drying.send(&drying.items(&dry));
    let told = drying.read();
    assert_eq!((&told["status"], &told["slowest_station"]), (&json!("too_early"), &json!("P2")), "{told}");
    let seen: Vec<&Value> =
        told["stations"].as_array().expect("stations").iter().map(|station| &station["station_id"]).collect();
    assert!(
        seen.contains(&&json!(unread)) && !seen.contains(&&json!(elsewhere)),
        "the keel does not dry here"
    );
    let refused = yard.done(id, "dry", "2026-06-12T09:00:00Z");
    assert_eq!(held(&refused), ["readings_not_accepted"]);
    assert!(refused.text.contains("P2") && !refused.text.contains("P1"), "{}", refused.text);
    let items = (1..).zip(dry).map(
        |(n, (at, value))| json!({"station_id": unread, "sequence": n, "value": value, "taken_at": day(at)}),
    );
    drying.send(&json!({"items": items.collect::<Vec<_>>()}));
    assert_eq!(drying.read()["status"], "ready");
    yard.done(id, "dry", "2026-06-12T09:00:00Z").expect(201);
    // A station made afterwards was never asked to be dry.
    station("P3", "bottom");
    let mut superuser = PgConnection::establish(&yard.app.database.superuser_url()).expect("it connects");
    sql_query("UPDATE stations SET created_at = created_at + interval '1 hour' WHERE code = 'P3'")
        .execute(&mut superuser)
        .expect("the clock of the test stands still");
    assert_eq!(drying.read()["status"], "ready");
}

/// What to do stands in each answer (science.md 7). Stalled: the series of `tests/checks/dry-decision.json` that settles
/// above its target. Too early: three readings; and readings that are dry and still move by more than the steady range.
#[test]
fn stalled_and_too_early_say_what_to_do() {
    let file: Value = serde_json::from_str(include_str!("../checks/dry-decision.json")).expect("JSON");
    let cases = file["cases"].as_array().expect("cases");
    let stalled = cases
        .iter()
        .find(|case| case["expected"]["plateau_above_threshold"] == true)
        .expect("one that stalls");
    let values: Vec<f64> = serde_json::from_value(stalled["inputs"]["series"].clone()).expect("numbers");
    let series: Vec<(f64, f64)> = (1..).map(f64::from).zip(values).collect();
    let moving = [(1.0, 20.0), (8.0, 9.0), (15.0, 6.9), (22.0, 6.3), (29.0, 5.8)];
    for (target, series, status, words) in [
        (&stalled["inputs"]["threshold"], series, "stalled", "wash, warm, strip deeper"),
        (&json!(9), vec![(1.0, 30.0), (2.0, 25.0), (3.0, 21.0)], "too_early", "at least four"),
        (&json!(9), moving.to_vec(), "", "lie 1.1 apart, not yet within 0.3"),
    ] {
        let drying = Drying::set(&json!({"scale": "relative", "target": target}));
        drying.send(&drying.items(&series));
        let told = drying.read();
        assert!(status.is_empty() || told["status"] == status, "{told}");
        assert_ne!(told["status"], "ready");
        for reason in [&told["reason"], &told["stations"][0]["reason"]] {
            assert!(reason.as_str().expect("a sentence").contains(words), "{reason}");
        }
        let own = &told["stations"][0];
        assert_eq!(own["fit"].is_null(), own["never_reaches_probability"].is_null(), "{told}");
        assert_eq!(told["never_reaches_probability"], own["never_reaches_probability"], "of one station");
    }
}

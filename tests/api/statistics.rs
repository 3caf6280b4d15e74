//! `/v1/statistics/lifetimes`.

use std::sync::{Mutex, MutexGuard, PoisonError};

use serde_json::{Value, json};

use crate::support::app::{Client, TestApp};
use crate::support::fleet::{HULLS, enter};
use crate::support::hulls::vessel;

/// A service reads one fleet at a time, and the tests of this file are one service's.
fn turn() -> MutexGuard<'static, ()> {
    static TURN: Mutex<()> = Mutex::new(());
    TURN.lock().unwrap_or_else(PoisonError::into_inner)
}

#[track_caller]
fn lifetimes(client: &Client, query: &str) -> Value {
    client.get(&format!("/v1/statistics/lifetimes{query}")).expect(200).json
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

#[track_caller]
fn assert_near(what: &str, found: &Value, expected: f64, share: f64) {
    let found = number(found);
    assert!((found - expected).abs() <= share * expected.abs(), "{what}: {found}, expected {expected}");
}

/// Source: tests/checks/lifetime-synthetic-hulls.json (lifelines 0.30.3). The years of the data set become days, so that a
/// bound is off by half a day at most: 2 in 1,000 of the values is allowed, and the file's 2 % of the standard errors.
#[test]
fn the_curves_of_a_fleet_are_those_of_the_reference_library() {
    let _turn = turn();
    let app = TestApp::start();
    let (lead, surveyor) = (app.lead(), app.surveyor());
    let site = |name: &str, climate: &str| {
        let body = json!({"name": name, "time_zone": "UTC", "climate": climate});
        lead.post("/v1/sites", &body).expect(201).id()
    };
    let (lake, sea) = (site("A lake", "temperate_fresh"), site("A basin", "temperate_sea"));
    enter(&lead, &surveyor, HULLS, |n| match n % 3 {
        0 => json!({"laminate_class": "orthophthalic", "site_id": lake}),
        1 => json!({"laminate_class": "isophthalic", "site_id": sea}),
        _ => json!({"zones": [{"zone": "bottom", "cored": true}]}),
    });
    let all = lifetimes(&app.reader(), "");
    for (field, count) in [("hulls", 60), ("lives", 60), ("events", 41), ("lives_left_out", 0)] {
        assert_eq!(all[field], count, "{field}");
    }
    // What interval censoring means, in words that need no statistics.
    let words = all["interval_censoring"].as_str().expect("a text");
    for part in ["after the last clean", "interval, not a day", "nothing tells when", "95 % band"] {
        assert!(words.contains(part), "{part}: {words}");
    }
    let whole = &all["groups"][0];
    let fit = &whole["weibull"];
    assert_near("scale", &fit["scale"], 8.71802, 2e-3);
    assert_near("shape", &fit["shape"], 2.413_074, 2e-3);
    assert_near("scale_se", &fit["scale_se"], 0.56655, 2e-2);
    assert_near("shape_se", &fit["shape_se"], 0.31671, 2e-2);
    assert_near("p10", &whole["quantiles"][0]["value"], 3.43089, 2e-3);
    assert_near("p50", &whole["quantiles"][1]["value"], 7.48953, 2e-3);
    let masses: f64 =
        whole["turnbull"].as_array().expect("masses").iter().map(|mass| number(&mass["mass"])).sum();
    assert!((masses - 1.0).abs() < 1e-9, "{masses}");
    let curve = whole["curve"].as_array().expect("points");
    for point in curve {
        let expected = (-(number(&point["t"]) / number(&fit["scale"])).powf(number(&fit["shape"]))).exp();
        assert!((number(&point["weibull"]) - expected).abs() < 1e-9);
        assert!(number(&point["lower"]) <= expected && expected <= number(&point["upper"]));
    }
    assert!(curve.windows(2).all(|pair| number(&pair[1]["weibull"]) < number(&pair[0]["weibull"])));

    // The groups share the hulls out between them.
    for (by, field, words) in [
        ("laminate_class", "laminate_class", vec![json!("orthophthalic"), json!("isophthalic"), Value::Null]),
        ("water", "water", vec![json!("fresh"), json!("salt"), Value::Null]),
        ("skin_system", "skin_system", vec![json!("gelcoat")]),
    ] {
        let view = lifetimes(&lead, &format!("?by={by}"));
        let groups = view["groups"].as_array().expect("groups");
        assert_eq!(groups.iter().map(|group| group[field].clone()).collect::<Vec<_>>(), words, "{by}");
        assert_eq!(groups.iter().filter_map(|group| group["hulls"].as_i64()).sum::<i64>(), 60, "{by}");
        assert_eq!(groups.iter().filter_map(|group| group["events"].as_i64()).sum::<i64>(), 41, "{by}");
    }
    let sites = lifetimes(&lead, "?by=site");
    let names: Vec<&Value> =
        sites["groups"].as_array().expect("groups").iter().map(|group| &group["site_name"]).collect();
    assert!(
        names.contains(&&json!("A lake")) && names.contains(&&json!("A basin")) && names.len() == 3,
        "{names:?}"
    );
    // Cored bottoms have years and no exposure.
    let exposure = lifetimes(&lead, "?time=exposure_years");
    assert_eq!(
        (&exposure["hulls"], &exposure["lives_left_out"], &exposure["groups"][0]["hulls"]),
        (&json!(60), &json!(20), &json!(40))
    );
    let filtered = lifetimes(&lead, &format!("?laminate_class=isophthalic&site_id={sea}"));
    assert_eq!((&filtered["hulls"], &filtered["groups"].as_array().map(Vec::len)), (&json!(20), &Some(1)));
    assert_eq!(lifetimes(&lead, "?laminate_class=unknown")["hulls"], 20);
    assert_eq!(lifetimes(&app.stranger(), "")["groups"], json!([]), "another organisation has its own");
}

#[test]
fn csv_holds_what_json_does() {
    let _turn = turn();
    let app = TestApp::start();
    let (lead, surveyor) = (app.lead(), app.surveyor());
    let body = json!({"name": "=A site", "time_zone": "UTC", "climate": "temperate_sea"});
    let site = lead.post("/v1/sites", &body).expect(201).id();
    enter(&lead, &surveyor, 12, |_| json!({"site_id": site}));
    let view = lifetimes(&lead, "?by=site");
    let answer = lead.get("/v1/statistics/lifetimes?by=site&format=csv").expect(200);
    assert_eq!(answer.header("content-type").as_deref(), Some("text/csv; charset=utf-8; header=present"));
    let mut reader = csv::Reader::from_reader(answer.text.as_bytes());
    let header = reader.headers().expect("a header").clone();
    let place = |name: &str| header.iter().position(|column| column == name).expect("the column");
    let rows: Vec<csv::StringRecord> = reader.records().map(|row| row.expect("a line")).collect();
    let group = &view["groups"][0];
    let of = |line: &str| rows.iter().filter(|row| &row[place("line")] == line).collect::<Vec<_>>();
    assert_eq!(of("interval").len(), group["turnbull"].as_array().map_or(0, Vec::len));
    assert_eq!(of("curve").len(), group["curve"].as_array().map_or(0, Vec::len));
    assert_eq!(of("interval").len() + of("curve").len(), rows.len());
    for (row, point) in of("curve").iter().zip(group["curve"].as_array().expect("points")) {
        for name in ["t", "weibull", "lower", "upper"] {
            assert_eq!(row[place(name)].parse().ok(), point[name].as_f64(), "{name}");
        }
        assert_eq!(row[place("turnbull")].parse().ok(), point["turnbull"].as_f64());
        assert_eq!(
            (&row[place("hulls")], &row[place("site_name")]),
            ("12", "'=A site"),
            "no formula for a spreadsheet"
        );
    }
    let request = lead.request("GET", "/v1/statistics/lifetimes").header("Accept", "text/csv");
    assert!(lead.send(request).expect(200).text.starts_with("time,"));
}

#[test]
fn a_fleet_without_an_event_has_a_curve_and_no_fit() {
    let _turn = turn();
    let app = TestApp::start();
    let (lead, surveyor) = (app.lead(), app.surveyor());
    let id = vessel(&lead, "Clean", json!({"launched_on": "2015-05-01"})).id();
    let on = "2020-05-01".parse().expect("a day");
    crate::support::fleet::survey(&surveyor, &id, on, "none");
    let group = lifetimes(&lead, "")["groups"][0].clone();
    assert_eq!(
        (&group["weibull"], &group["no_maximum"]["code"]),
        (&Value::Null, &json!("all_right_censored"))
    );
    assert_eq!(group["turnbull"][0]["to"], Value::Null, "the life may never end");
    for (query, pointer) in [
        ("by=colour", "by"),
        ("time=days", "time"),
        ("format=xml", "format"),
        ("laminate_class=glass", "laminate_class"),
        ("site_id=here", "site_id"),
        ("bygone=1", ""),
    ] {
        lead.get(&format!("/v1/statistics/lifetimes?{query}")).expect_problem(422, "invalid", pointer);
    }
    let request = lead.request("GET", "/v1/statistics/lifetimes").header("Accept", "image/png");
    lead.send(request).expect_problem(406, "not_acceptable", "");
}

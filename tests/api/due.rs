//! `/v1/due`.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use diesel::connection::InstrumentationEvent;
use diesel::prelude::*;
use garboard::db::paging::PageRequest;
use garboard::features::due::model::DueFilter;
use garboard::features::due::store;
use serde_json::{Value, json};

use crate::support::app::{Client, TODAY, TestApp};
use crate::support::hulls::{settle, vessel};

/// A hull whose dates are plain calendar arithmetic: cored, so without a water forecast.
fn cored(launched_on: &str) -> Value {
    json!({"launched_on": launched_on, "zones": [{"zone": "bottom", "cored": true}]})
}

fn with(mut fields: Value, more: Value) -> Value {
    if let (Value::Object(fields), Value::Object(more)) = (&mut fields, more) {
        fields.extend(more);
    }
    fields
}

fn items(client: &Client, query: &str) -> Vec<Value> {
    let answer = client.get(&format!("/v1/due{query}")).expect(200);
    answer.json["items"].as_array().expect("items").clone()
}

fn walk(client: &Client, query: &str) -> Vec<Value> {
    let mut found = Vec::new();
    let mut cursor = String::new();
    loop {
        let page = client.get(&format!("/v1/due?{query}{cursor}")).expect(200);
        found.extend(page.json["items"].as_array().expect("items").clone());
        match page.json["next_cursor"].as_str() {
            Some(next) => cursor = format!("&cursor={next}"),
            None => return found,
        }
    }
}

#[test]
fn a_new_vessel_is_in_the_list_once_its_job_ran_and_says_why() {
    let app = TestApp::start();
    let lead = app.lead();
    let particulars =
        json!({"ref": "B-12", "berth": "C 4", "owner_name": "An Owner", "owner_phone": "+99 1"});
    let id = vessel(&lead, "Plain", with(cored("2025-01-15"), particulars)).id();
    assert_eq!(items(&lead, ""), Vec::<Value>::new());
    assert_eq!(settle(&app).done, 1);
    let rows = items(&lead, "");
    let inspection = rows.iter().find(|row| row["kind"] == "inspection").expect("an inspection is due");
    assert_eq!(inspection["vessel_id"], id.as_str());
    for (field, value) in
        [("vessel_name", "Plain"), ("vessel_ref", "B-12"), ("berth", "C 4"), ("owner_phone", "+99 1")]
    {
        assert_eq!(inspection[field], value);
    }
    // 24 months after the launch: the default of the policy, by the calendar.
    assert_eq!(inspection["due_on"], "2027-01-15");
    assert_eq!(inspection["overdue"], false);
    assert_eq!(inspection["stale"], false);
    assert_eq!(inspection["driver"], "calendar_maximum");
    assert!(!inspection["reason"].as_str().expect("a sentence").is_empty());
    let answer = lead.get("/v1/due").expect(200);
    assert!(answer.json["cautions"][0].is_string());
    assert_eq!(items(&app.stranger(), ""), Vec::<Value>::new(), "nobody else's list");
}

#[test]
fn a_changed_fact_makes_the_row_stale_until_the_worker_has_moved_its_date() {
    let app = TestApp::start();
    let lead = app.lead();
    let made = vessel(&lead, "Moved", cored("2025-01-15"));
    settle(&app);
    let row = |kind: &str| items(&lead, &format!("?kind={kind}"))[0].clone();
    let before = row("inspection");
    lead.patch(&format!("/v1/vessels/{}", made.id()), &made.etag(), &json!({"launched_on": "2025-03-20"}))
        .expect(200);
    let stale = row("inspection");
    assert_eq!((&stale["stale"], &stale["due_on"]), (&json!(true), &before["due_on"]));
    settle(&app);
    let after = row("inspection");
    assert_eq!((&after["stale"], &after["due_on"]), (&json!(false), &json!("2027-03-20")));
    assert_eq!(after["id"], before["id"], "a row keeps its id");
    assert_ne!(after["inputs_hash"], before["inputs_hash"]);
}

#[test]
fn filters_choose_rows() {
    let app = TestApp::start();
    let lead = app.lead();
    let site = json!({"name": "North basin", "time_zone": "UTC", "climate": "cool_sea"});
    let site = lead.post("/v1/sites", &site).expect(201).id();
    let here = with(cored("2023-01-10"), json!({"site_id": site, "laminate_class": "epoxy"}));
    let here = vessel(&lead, "Here", here).id();
    vessel(&lead, "There", cored("2026-02-10"));
    settle(&app);
    let names = |query: &str| -> BTreeSet<String> {
        items(&lead, query)
            .iter()
            .map(|row| row["vessel_name"].as_str().expect("a name").to_owned())
            .collect()
    };
    let only = |name: &str| BTreeSet::from([name.to_owned()]);
    let both = BTreeSet::from(["Here".to_owned(), "There".to_owned()]);
    assert_eq!(names(""), both);
    assert_eq!(names(&format!("?site_id={site}")), only("Here"));
    assert_eq!(names(&format!("?vessel_id={here}")), only("Here"));
    assert_eq!(names("?laminate_class=epoxy"), only("Here"));
    assert_eq!(names("?laminate_class=unknown"), only("There"));
    assert_eq!(names("?laminate_class=vinylester"), BTreeSet::new());
    // "Here" was due 2025-01-10, "There" is on 2028-02-10; today is 2026-06-15.
    assert_eq!(names("?overdue=true"), only("Here"));
    assert_eq!(names("?overdue=false"), only("There"));
    assert_eq!(names("?kind=inspection&before=2028-02-10"), only("Here"));
    assert_eq!(names("?kind=inspection&before=2028-02-11"), both);
    assert_eq!(names(&format!("?updated_since={TODAY}")), both);
    assert_eq!(names("?updated_since=2026-06-15T10:00:00.000001Z"), BTreeSet::new());
    let kinds = |query: &str| -> BTreeSet<String> {
        items(&lead, query).iter().map(|row| row["kind"].as_str().expect("a kind").to_owned()).collect()
    };
    assert_eq!(kinds("?kind=inspection"), only("inspection"));
    assert!(items(&lead, "?status=not_enough_data").iter().all(|row| row["due_on"].is_null()));
    assert!(items(&lead, "?status=due").iter().all(|row| row["status"] == "due"));
    lead.get("/v1/due?knid=inspection").expect_problem(422, "invalid", "");
    lead.get("/v1/due?kind=haircut").expect_problem(422, "invalid", "kind");
    lead.get("/v1/due?limit=201").expect_problem(422, "invalid", "limit");
    lead.get("/v1/due?within_days=3").expect_problem(422, "invalid", "within_days");
    app.anonymous().get("/v1/due").expect_problem(401, "unauthenticated", "");
}

#[test]
fn a_walk_over_five_hundred_rows_visits_each_once_in_order() {
    let app = TestApp::start();
    let lead = app.lead();
    for n in 0..270 {
        // Many share a day, so that pages end between rows of one date; the CSV comes in more than one piece.
        vessel(&lead, &format!("Hull {n:03}"), cored(&format!("2025-{:02}-01", n % 12 + 1)));
    }
    settle(&app);
    let whole = walk(&lead, "limit=7");
    assert!(whole.len() > 500, "{} rows", whole.len());
    let ids: BTreeSet<&str> = whole.iter().map(|row| row["id"].as_str().expect("an id")).collect();
    assert_eq!(ids.len(), whole.len(), "each once");
    let place = |row: &Value| {
        let day = row["due_on"].as_str().unwrap_or("9999-12-31").to_owned();
        (day, row["id"].as_str().expect("an id").to_owned())
    };
    assert!(whole.is_sorted_by_key(place), "by date, rows without one last");
    assert!(whole.last().is_some_and(|row| row["due_on"].is_null()));
    assert_eq!(walk(&lead, "limit=200"), whole, "pages of another size give the same");
    let foreign =
        lead.get("/v1/due?limit=7").expect(200).json["next_cursor"].as_str().expect("more").to_owned();
    lead.get(&format!("/v1/due?kind=inspection&cursor={foreign}")).expect_problem(400, "malformed", "");

    csv_equals_json(&lead, &whole);
}

fn csv(client: &Client, path: &str, accept: &str) -> (Vec<String>, Vec<BTreeMap<String, String>>) {
    let answer = client.send(client.request("GET", path).header("Accept", accept)).expect(200);
    let content_type = answer.header("content-type").expect("a content type");
    // RFC 9112, 7.1: written as it is read, its length not known beforehand.
    assert_eq!(answer.header("transfer-encoding").as_deref(), Some("chunked"));
    assert_eq!(answer.header("content-length"), None);
    assert!(content_type.starts_with("text/csv"), "{content_type}");
    let mut reader = csv::Reader::from_reader(answer.text.as_bytes());
    let header: Vec<String> = reader.headers().expect("a header").iter().map(str::to_owned).collect();
    let rows = reader
        .records()
        .map(|record| {
            let record = record.expect("a well-formed line");
            header.iter().cloned().zip(record.iter().map(str::to_owned)).collect()
        })
        .collect();
    (header, rows)
}

/// What JSON says, as a cell.
fn cell(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) if text.starts_with(['=', '+', '-', '@', '\t', '\r']) => format!("'{text}"),
        Value::String(text) => text.clone(),
        other => other.to_string(),
    }
}

fn csv_equals_json(client: &Client, rows: &[Value]) {
    let (header, lines) = csv(client, "/v1/due", "text/csv");
    assert_eq!(lines.len(), rows.len());
    for (line, row) in lines.iter().zip(rows) {
        for name in &header {
            let value = match name.as_str() {
                "evidence" => {
                    let texts = row["evidence"].as_array().expect("evidence").iter();
                    json!(
                        texts
                            .map(|item| item["text"].as_str().expect("a text"))
                            .collect::<Vec<_>>()
                            .join(" | ")
                    )
                }
                "due_range_p10" | "due_range_p50" | "due_range_p90" => {
                    row["due_range"][name.replace("due_range_", "")].clone()
                }
                _ if name.starts_with("onset_") => row["onset"][name.replace("onset_", "")].clone(),
                name => row.get(name).expect("JSON has every column of the CSV").clone(),
            };
            assert_eq!(line[name], cell(&value), "{name}");
        }
    }
}

#[test]
fn the_csv_disarms_formulas_and_is_chosen_by_format_or_accept() {
    let app = TestApp::start();
    let lead = app.lead();
    let sly = json!({"berth": "@1", "owner_name": "-1+2", "owner_phone": "+99 1"});
    vessel(&lead, "=cmd()", with(cored("2025-01-15"), sly));
    settle(&app);
    for (path, accept) in [("/v1/due?format=csv", "application/json"), ("/v1/due", "text/csv, */*;q=0.1")] {
        let (_, lines) = csv(&lead, path, accept);
        assert!(!lines.is_empty());
        for line in lines {
            assert_eq!(line["vessel_name"], "'=cmd()");
            assert_eq!(line["berth"], "'@1");
            assert_eq!(line["owner_name"], "'-1+2");
            assert_eq!(line["owner_phone"], "'+99 1");
        }
    }
    let with_accept =
        |path: &str, accept: &str| lead.send(lead.request("GET", path).header("Accept", accept));
    assert!(with_accept("/v1/due?format=json", "text/csv").expect(200).json["items"].is_array());
    assert!(with_accept("/v1/due", "*/*").expect(200).json["items"].is_array());
    with_accept("/v1/due", "application/xml").expect_problem(406, "not_acceptable", "");
    lead.get("/v1/due?format=csv&limit=5").expect_problem(422, "invalid", "limit");
    lead.get("/v1/due?format=csv&group_by=lift").expect_problem(422, "invalid", "group_by");
    app.stranger().get("/v1/due?format=csv").expect(200);
}

#[test]
fn a_lift_serves_what_is_due_around_it_and_tells_what_it_leaves() {
    let app = TestApp::start();
    let lead = app.lead();
    let sheet = json!({"displacement_kg": 5200.0, "sling_forward_m": 2.5, "sling_aft_m": 7.5, "owner_name": "An Owner"});
    let late = vessel(&lead, "Late", with(cored("2023-01-10"), sheet)).id();
    let soon = vessel(&lead, "Soon", cored("2024-08-01")).id();
    vessel(&lead, "Undated", json!({}));
    finding(&app, &late, "2026-05-20");
    finding(&app, &soon, "2026-05-20");
    settle(&app);
    let lifts = items(&lead, "?group_by=lift");
    let names: Vec<_> = lifts.iter().map(|lift| lift["vessel_name"].as_str().expect("a name")).collect();
    assert_eq!(names, ["Late", "Soon"], "by the day they are due by; what has no date needs no lift");
    assert_eq!((&lifts[0]["lift_by"], &lifts[0]["overdue"]), (&json!("2025-01-10"), &json!(true)));
    assert_eq!((&lifts[1]["lift_by"], &lifts[1]["overdue"]), (&json!("2026-08-01"), &json!(false)));
    assert_eq!(lifts[0]["displacement_kg"], 5200.0);
    assert_eq!((&lifts[0]["sling_forward_m"], &lifts[0]["sling_aft_m"]), (&json!(2.5), &json!(7.5)));
    assert_eq!(lifts[0]["owner_name"], "An Owner");
    // The damage is due three months after it was found at the latest (the policy's default): 2026-08-20, which
    // is 66 days from today and 19 from the lift of the other.
    let served = |lift: &Value| kinds_of(&lift["rows"]);
    let narrow = items(&lead, "?group_by=lift&within_days=65");
    let wide = items(&lead, "?group_by=lift&within_days=66");
    assert_eq!(served(&narrow[0]), BTreeSet::from(["inspection".to_owned()]));
    assert_eq!(served(&wide[0]), BTreeSet::from(["inspection".to_owned(), "repair".to_owned()]));
    assert_eq!(served(&lifts[1]), BTreeSet::from(["inspection".to_owned(), "repair".to_owned()]));
    let day_of_lift = items(&lead, "?group_by=lift&within_days=0");
    assert_eq!(served(&day_of_lift[1]), BTreeSet::from(["inspection".to_owned()]));
    for lift in narrow.iter().chain(&wide) {
        let shown = kinds_of(&lift["rows"]).union(&kinds_of(&lift["later"])).cloned().collect();
        let vessel_id = lift["vessel_id"].as_str().expect("an id");
        let listed = kinds_of(&json!(items(&lead, &format!("?vessel_id={vessel_id}"))));
        assert_eq!(listed, shown, "no row of the vessel is lost");
    }
    let chosen = items(&lead, &format!("?group_by=lift&vessel_id={soon}"));
    assert_eq!(chosen, lifts[1..]);
    // Filters choose the lift; what it serves is shown whole.
    assert_eq!(items(&lead, "?group_by=lift&kind=inspection"), lifts);
    let by_repair = items(&lead, "?group_by=lift&kind=repair");
    assert!(by_repair.iter().all(|lift| lift["lift_by"] == "2026-08-20"), "{by_repair:?}");
    assert_eq!(served(&by_repair[0]), BTreeSet::from(["inspection".to_owned(), "repair".to_owned()]));
    assert_eq!(walk(&lead, "group_by=lift&limit=1"), lifts);
    app.stranger().get("/v1/due?group_by=lift").expect(200);
    assert_eq!(items(&app.stranger(), "?group_by=lift"), Vec::<Value>::new());
}

fn kinds_of(rows: &Value) -> BTreeSet<String> {
    let rows = rows.as_array().expect("rows").iter();
    rows.map(|row| row["kind"].as_str().expect("a kind").to_owned()).collect()
}

fn finding(app: &TestApp, vessel_id: &str, found_on: &str) {
    let body = json!({"vessel_id": vessel_id, "kind": "impact_damage", "state": "open", "found_on": found_on, "zone": "bottom"});
    app.surveyor().post("/v1/findings", &body).expect(201);
}

#[test]
fn a_page_takes_the_same_few_statements_however_long_it_is() {
    let app = TestApp::start();
    let lead = app.lead();
    for n in 0..40 {
        vessel(&lead, &format!("Hull {n}"), cored("2025-01-15"));
    }
    settle(&app);
    let statements = |limit: i64| {
        let count = Arc::new(AtomicUsize::new(0));
        let counted = count.clone();
        let rows = app.db.read(&app.service(), move |tx| {
            tx.conn().set_instrumentation(move |event: InstrumentationEvent<'_>| {
                if matches!(event, InstrumentationEvent::StartQuery { .. }) {
                    counted.fetch_add(1, Ordering::SeqCst);
                }
            });
            let page = PageRequest { limit, after: None };
            let listed = store::list(tx, &DueFilter::default(), page)?.items;
            let lifts = store::lifts(tx, &DueFilter::default(), page)?.items;
            let ids: Vec<_> = lifts.iter().map(|lift| lift.vessel_id).collect();
            let of_lifts = store::of_vessels(tx, &ids)?;
            tx.conn().set_instrumentation(|_: InstrumentationEvent<'_>| {});
            Ok((listed.len(), lifts.len(), of_lifts.len()))
        });
        (rows.expect("readable"), count.load(Ordering::SeqCst))
    };
    let (few, of_few) = statements(2);
    let (many, of_many) = statements(40);
    assert_eq!(few.0, 2);
    assert_eq!((many.0, many.1), (40, 40));
    assert!(many.2 >= 80);
    assert_eq!((of_few, of_many), (3, 3), "one each for rows, lifts and the rows of lifts");
}

//! The due list and the fleet in their other forms: `/v1/due?format=`, `/v1/fleet`.

use std::io::{Cursor, Read};

use calamine::{Data, Reader, Xlsx, open_workbook_from_rs};
use chrono::NaiveDate;
use serde_json::{Value, json};

use crate::support::app::{Client, TestApp};
use crate::support::hulls::{settle, vessel};

fn cored(launched_on: &str) -> Value {
    json!({"launched_on": launched_on, "zones": [{"zone": "bottom", "cored": true}]})
}

fn bytes(client: &Client, path: &str, kind: &str) -> Vec<u8> {
    let answer = client.request("GET", path).send().expect("an answer");
    assert_eq!(answer.status().as_u16(), 200);
    assert_eq!(answer.headers()["content-type"], kind);
    answer.bytes().expect("a body").to_vec()
}

const WORKBOOK: &str = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet";

/// The rows of the first sheet, as an independent reader (the calamine crate) finds them.
fn sheet(file: &[u8]) -> (Vec<String>, Vec<Vec<Data>>) {
    let mut book: Xlsx<_> = open_workbook_from_rs(Cursor::new(file.to_vec())).expect("a workbook");
    let names = book.sheet_names();
    let first = book.worksheet_range(&names[0]).expect("a sheet");
    (names, first.rows().map(<[Data]>::to_vec).collect())
}

fn at<'a>(rows: &'a [Vec<Data>], row: usize, column: &str) -> &'a Data {
    let place = rows[0].iter().position(|name| *name == *column).expect("a column");
    &rows[row][place]
}

/// A part of the package (ECMA-376, part 2: a ZIP file), as text.
fn part(file: &[u8], name: &str) -> String {
    let mut package = zip::ZipArchive::new(Cursor::new(file.to_vec())).expect("a package");
    let mut text = String::new();
    package.by_name(name).expect("the part").read_to_string(&mut text).expect("text");
    text
}

#[test]
fn a_workbook_of_the_due_list_holds_days_as_days_and_texts_as_texts() {
    let app = TestApp::start();
    let lead = app.lead();
    let mut fields = cored("2025-01-15");
    fields["owner_name"] = json!("=1+1");
    fields["berth"] = json!("007");
    vessel(&lead, "Zoë \"two\" <three>", fields);
    settle(&app);
    let file = bytes(&lead, "/v1/due?format=xlsx&kind=inspection", WORKBOOK);
    let (names, rows) = sheet(&file);
    assert_eq!(names, ["What falls due", "Definitions"]);
    assert_eq!(rows.len(), 2, "the header and one row");
    assert_eq!(at(&rows, 1, "vessel_name"), &Data::String("Zoë \"two\" <three>".into()));
    assert_eq!(at(&rows, 1, "owner_name"), &Data::String("=1+1".into()), "a text, not a formula");
    assert_eq!(at(&rows, 1, "berth"), &Data::String("007".into()));
    assert_eq!(at(&rows, 1, "overdue"), &Data::Bool(false));
    let Data::DateTime(day) = at(&rows, 1, "due_on") else { unreachable!("a day is a day") };
    // 24 months after the launch, by the default policy; day 1 is 1900-01-01 and 1900 counts as a leap year
    // (ECMA-376, part 1, 18.17.4.1), so days are counted from 1899-12-30.
    let since = NaiveDate::from_ymd_opt(2027, 1, 15).expect("a day")
        - NaiveDate::from_ymd_opt(1899, 12, 30).expect("a day");
    assert_eq!(format!("{}", day.as_f64()), since.num_days().to_string());
    let page = part(&file, "xl/worksheets/sheet1.xml");
    assert!(page.contains("state=\"frozen\""), "the header stays in sight");
    assert!(page.contains("<autoFilter ref=\"A1:AF2\""), "{page}");
    assert!(!page.contains("<f>"), "no formulas");
}

/// Each cell of a column is of the column's kind, in the reader library's eyes, or empty; and the second sheet says what
/// each column means, in their order, then what the list is not.
#[test]
fn cells_are_of_their_columns_kind_and_every_column_is_defined() {
    let app = TestApp::start();
    let lead = app.lead();
    let site = json!({"name": "Basin", "time_zone": "UTC", "climate": "temperate_sea"});
    let site = lead.post("/v1/sites", &site).expect(201).id();
    for (n, launched_on) in ["2001-05-01", "2012-05-01", "2022-01-15", "2025-01-15"].into_iter().enumerate() {
        vessel(&lead, &format!("Hull {n}"), json!({"launched_on": launched_on, "site_id": site}));
    }
    vessel(&lead, "Cored", cored("2025-01-15"));
    vessel(&lead, "Bare", json!({}));
    settle(&app);
    for (path, name) in [("/v1/due", "What falls due"), ("/v1/fleet", "Fleet")] {
        let file = bytes(&lead, &format!("{path}?format=xlsx"), WORKBOOK);
        let mut book: Xlsx<_> = open_workbook_from_rs(Cursor::new(file.clone())).expect("a workbook");
        assert_eq!(book.sheet_names(), [name, "Definitions"]);
        let (_, rows) = sheet(&file);
        assert!(rows.len() > 5, "{path}");
        let mut kinds = [0; 4];
        for (place, title) in rows[0].iter().enumerate() {
            let title = title.to_string();
            let is_day = title.ends_with("_on")
                || title.ends_with("_at")
                || title.contains("_p10")
                || title.contains("_p50")
                || title.contains("_p90");
            let is_number =
                title.ends_with("_m") || title.ends_with("_probability") || title == "open_findings";
            let is_truth = ["overdue", "stale", "ashore"].contains(&title.as_str());
            for row in &rows[1..] {
                let (kind, right) = match &row[place] {
                    Data::Empty => continue,
                    cell if is_day => (0, matches!(cell, Data::DateTime(at) if at.is_datetime())),
                    cell if is_number => (1, matches!(cell, Data::Float(_) | Data::Int(_))),
                    cell if is_truth => (2, matches!(cell, Data::Bool(_))),
                    cell => (3, matches!(cell, Data::String(_))),
                };
                assert!(right, "{path} {title}: {:?}", row[place]);
                kinds[kind] += 1;
            }
        }
        assert!(kinds.iter().all(|count| *count > 0), "{path}: {kinds:?}");
        let definitions = book.worksheet_range("Definitions").expect("the definitions");
        let lines: Vec<(String, String)> =
            definitions.rows().map(|row| (row[0].to_string(), row[1].to_string())).collect();
        let defined: Vec<String> = lines[1..]
            .iter()
            .take_while(|(name, _)| !name.is_empty())
            .map(|(name, _)| name.clone())
            .collect();
        let titles: Vec<String> = rows[0].iter().map(ToString::to_string).collect();
        assert_eq!(defined, titles, "{path}");
        assert!(
            lines[1..].iter().all(|(_, meaning)| meaning.len() > 5 && meaning.ends_with('.')),
            "{lines:?}"
        );
        assert!(
            lines.iter().any(|(_, note)| note.contains("qualified surveyor")),
            "{path}: it says who decides"
        );
        assert!(
            lines.iter().any(|(_, note)| note.starts_with("As of 2026-06-15")),
            "{path}: and of which day"
        );
    }
}

#[test]
fn all_forms_have_the_same_rows_and_columns() {
    let app = TestApp::start();
    let lead = app.lead();
    vessel(&lead, "One", cored("2022-01-15"));
    vessel(&lead, "Two", cored("2025-03-15"));
    settle(&app);
    for path in ["/v1/due", "/v1/fleet"] {
        let json = lead.get(path).expect(200).json["items"].as_array().expect("items").len();
        let csv = bytes(&lead, &format!("{path}?format=csv"), "text/csv; charset=utf-8; header=present");
        let mut reader = csv::Reader::from_reader(csv.as_slice());
        let header: Vec<String> = reader.headers().expect("a header").iter().map(str::to_owned).collect();
        let (_, rows) = sheet(&bytes(&lead, &format!("{path}?format=xlsx"), WORKBOOK));
        let first: Vec<String> = rows[0].iter().map(ToString::to_string).collect();
        assert_eq!(header, first, "{path}");
        assert_eq!((reader.records().count(), rows.len() - 1), (json, json), "{path}");
        let page = lead.request("GET", &format!("{path}?format=html")).send().expect("an answer");
        assert_eq!(page.headers()["content-type"], "text/html; charset=utf-8");
        let text = page.text().expect("a page");
        assert_eq!(text.matches("<tr>").count() - text.matches("<thead>").count(), json, "{path}");
    }
    let answer = lead.get("/v1/due?format=xlsx&limit=5");
    answer.expect_problem(422, "invalid", "limit");
    lead.get("/v1/due?format=html&group_by=lift").expect_problem(422, "invalid", "group_by");
    lead.get("/v1/fleet?format=csv&cursor=x").expect_problem(422, "invalid", "cursor");
}

#[test]
fn the_printed_list_tells_a_name_as_text() {
    let app = TestApp::start();
    let lead = app.lead();
    vessel(&lead, "<b>Bold</b>", cored("2022-01-15"));
    settle(&app);
    for path in ["/v1/due?format=html", "/v1/fleet?format=html"] {
        let page = lead.request("GET", path).send().expect("an answer").text().expect("a page");
        assert!(!page.contains("<b>Bold"), "{path}");
        assert!(page.contains("&#60;b&#62;Bold"), "{path}");
        assert!(page.contains("qualified surveyor"), "{path}: it says who decides");
    }
}

#[test]
fn the_fleet_says_how_each_hull_stands_today() {
    let app = TestApp::start();
    let lead = app.lead();
    let ashore = vessel(&lead, "Ashore", cored("2024-01-15")).id();
    let afloat = vessel(&lead, "Afloat", cored("2024-01-15")).id();
    vessel(&lead, "Gone", json!({"launched_on": "2001-01-01", "retired_on": "2020-01-01"}));
    let lift = |id: &str, from: &str, until: Value| {
        let body =
            json!({"vessel_id": id, "lifted_on": from, "relaunched_on": until, "reason": "inspection"});
        lead.post("/v1/haul-outs", &body).expect(201).id()
    };
    lift(&ashore, "2025-03-01", json!("2025-03-20"));
    let now = lift(&ashore, "2026-06-01", Value::Null);
    lift(&afloat, "2026-05-01", json!("2026-05-20"));
    let coat = |role: &str, on: &str, more: Value| {
        let mut body = json!({"vessel_id": ashore, "zone": "bottom", "role": role, "applied_on": on});
        if let (Value::Object(body), Value::Object(more)) = (&mut body, more) {
            body.extend(more);
        }
        lead.post("/v1/coats", &body).expect(201);
    };
    coat("barrier", "2024-01-10", json!({}));
    coat("antifouling", "2024-01-12", json!({"removed_on": "2025-03-02"}));
    let finding = json!({"vessel_id": ashore, "kind": "impact_damage", "zone": "bottom", "found_on": "2026-06-02", "state": "open"});
    lead.post("/v1/findings", &finding).expect(201);
    settle(&app);
    let rows = |query: &str| {
        lead.get(&format!("/v1/fleet{query}")).expect(200).json["items"].as_array().expect("items").clone()
    };
    let all = rows("");
    let names: Vec<&str> = all.iter().map(|row| row["vessel_name"].as_str().expect("a name")).collect();
    assert_eq!(names, ["Ashore", "Afloat"], "in the order they were entered, in service");
    let row = &all[0];
    assert_eq!(
        (&row["ashore"], &row["lifted_on"], &row["relaunched_on"]),
        (&json!(true), &json!("2026-06-01"), &json!("2025-03-20")),
        "{now}"
    );
    assert_eq!(
        (&row["barrier_applied_on"], &row["antifouling_applied_on"]),
        (&json!("2024-01-10"), &Value::Null)
    );
    assert_eq!(row["open_findings"], 1);
    assert_eq!(all[1]["ashore"], false);
    assert_eq!(all[1]["inspection_due_on"], "2026-01-15", "24 months after the launch");
    assert_eq!(rows("?ashore=true").len(), 1);
    assert_eq!(rows("?ashore=false")[0]["vessel_name"], "Afloat");
    let page = lead.get("/v1/fleet?limit=1").expect(200).json;
    assert_eq!(page["items"][0]["vessel_name"], "Ashore");
    let next = page["next_cursor"].as_str().expect("more");
    assert_eq!(rows(&format!("?limit=1&cursor={next}"))[0]["vessel_name"], "Afloat");
    assert!(app.stranger().get("/v1/fleet").expect(200).json["items"].as_array().expect("items").is_empty());
}

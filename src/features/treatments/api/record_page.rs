//! The record as a page: made from its JSON alone, so that what was kept is what is printed.

use std::collections::HashMap;

use askama::Template;
use chrono::{DateTime, Utc};
use serde_json::Value;

use super::record::RecordView;
use crate::error::{Error, Result};
use crate::features::treatments::model::record::RecordOrigin;

/// A table of the page.
struct Table {
    headings: Vec<&'static str>,
    rows: Vec<Row>,
}

struct Row {
    /// Struck out: withdrawn or superseded.
    struck: bool,
    cells: Vec<String>,
}

struct Section {
    heading: &'static str,
    lines: Vec<String>,
    table: Option<Table>,
}

#[derive(Template)]
#[template(path = "treatment_record.html")]
struct RecordPage {
    title: String,
    not_a_survey: String,
    facts: Vec<(&'static str, String)>,
    sections: Vec<Section>,
    cautions: Vec<String>,
    climate: Vec<String>,
}

/// Writes values for people: times in UTC to the minute, codes in words, people by name.
struct Words<'a> {
    names: HashMap<&'a str, &'a str>,
}

impl Words<'_> {
    fn cell(&self, value: &Value) -> String {
        match value {
            Value::Null => String::new(),
            Value::Bool(true) => "yes".to_owned(),
            Value::Bool(false) => "no".to_owned(),
            Value::String(text) => match (self.names.get(text.as_str()), text.parse::<DateTime<Utc>>()) {
                (Some(name), _) => (*name).to_owned(),
                (None, Ok(at)) => at.format("%Y-%m-%d %H:%M").to_string(),
                (None, Err(_)) => text.clone(),
            },
            Value::Number(number) => number.as_f64().map_or_else(|| number.to_string(), short),
            Value::Array(items) => items.iter().map(|item| self.cell(item)).collect::<Vec<_>>().join(", "),
            Value::Object(_) => value.to_string(),
        }
    }

    /// A row of the columns, each a name of the item; codes are written in words.
    fn row(&self, item: &Value, columns: &[(&'static str, &str)]) -> Row {
        let flag = |name: &str| item[name] == Value::Bool(true);
        let cell = |(_, name): &(&str, &str)| {
            let text = self.cell(&item[*name]);
            if CODES.contains(name) { text.replace('_', " ") } else { text }
        };
        Row { struck: flag("withdrawn") || flag("superseded"), cells: columns.iter().map(cell).collect() }
    }

    fn table(&self, items: &[&Value], columns: &[(&'static str, &str)]) -> Option<Table> {
        (!items.is_empty()).then(|| Table {
            headings: columns.iter().map(|(heading, _)| *heading).collect(),
            rows: items.iter().map(|item| self.row(item, columns)).collect(),
        })
    }
}

/// The fields that hold codes, written with spaces.
const CODES: [&str; 12] = [
    "kind",
    "zone",
    "step",
    "state",
    "hold",
    "role",
    "method",
    "rule",
    "left_out",
    "status",
    "of",
    "area_source",
];

/// A number as a person writes it: up to three decimals.
fn short(number: f64) -> String {
    let text = format!("{number:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn items(value: &Value) -> Vec<&Value> {
    value.as_array().map(|items| items.iter().collect()).unwrap_or_default()
}

fn texts(value: &Value) -> Vec<String> {
    items(value).into_iter().filter_map(Value::as_str).map(str::to_owned).collect()
}

fn section(heading: &'static str, lines: Vec<String>, table: Option<Table>) -> Section {
    Section { heading, lines, table }
}

/// A step with who did it and when, in one row.
fn step_of(progress: &Value) -> Value {
    let mut row = progress.clone();
    for (name, of) in [("done_at", "happened_at"), ("person_name", "person_name"), ("note", "note")] {
        row[name] = progress["done"][of].clone();
    }
    // Who did it was not named: who recorded it is.
    if row["person_name"].is_null() {
        row["person_name"] = progress["done"]["recorded_by"].clone();
    }
    row
}

/// A film with the coat it was measured on in words.
fn film_of(film: &Value, coats: &Value) -> Value {
    let mut row = film.clone();
    let failures: Vec<_> =
        items(&film["failures"]).into_iter().map(|failure| failure["detail"].clone()).collect();
    row["why_not"] = Value::Array(failures);
    if let Some((n, coat)) =
        items(coats).into_iter().enumerate().find(|(_, coat)| coat["id"] == film["coat_id"])
    {
        let text = |name: &str| coat[name].as_str().unwrap_or_default().to_owned();
        row["coat"] = Value::String(format!("{}: {} on {}", n + 1, text("role"), text("zone")));
    }
    row
}

fn sections(view: &RecordView, words: &Words<'_>) -> Vec<Section> {
    let record = &view.record;
    let plan = &record["plan"];
    let mut sections = Vec::new();
    if view.kept_at.is_some() {
        let mut corrections = serde_json::to_value(&view.corrections_after_closing).unwrap_or_default();
        for correction in corrections.as_array_mut().into_iter().flatten() {
            // Who is no member here has no name here: the id says who.
            if correction["recorded_by_name"].is_null() {
                correction["recorded_by_name"] = correction["recorded_by"].clone();
            }
        }
        let none = if corrections.as_array().is_none_or(Vec::is_empty) {
            vec!["None by the time this page was made.".to_owned()]
        } else {
            vec!["Recorded after the closing; the record below stands as it was closed.".to_owned()]
        };
        let table = words.table(
            &items(&corrections),
            &[
                ("When", "recorded_at"),
                ("Of", "of"),
                ("What", "detail"),
                ("Why", "reason"),
                ("Recorded by", "recorded_by_name"),
            ],
        );
        sections.push(section("Corrections after the closing", none, table));
    }
    sections.push(section(
        "Overrides",
        none_of(&plan["overrides"], "None: no hold was overridden."),
        words.table(
            &items(&plan["overrides"]),
            &[
                ("When", "happened_at"),
                ("Hold", "hold"),
                ("Step", "step"),
                ("Zone", "zone"),
                ("By", "person_name"),
                ("Qualification", "qualification"),
                ("Reason", "note"),
                ("Recorded by", "recorded_by"),
            ],
        ),
    ));
    let supported = match plan["advice"]["kind"].as_str() {
        Some(kind) => format!("When this was made the evidence supported a {kind} treatment."),
        None => "When this was made the evidence supported neither kind of treatment.".to_owned(),
    };
    let advice = std::iter::once(supported).chain(texts(&plan["advice"]["reasons"])).collect();
    sections.push(section("Advice", advice, None));
    let steps: Vec<Value> = items(&plan["progress"]).into_iter().map(step_of).collect();
    sections.push(section(
        "Steps",
        Vec::new(),
        words.table(
            &steps.iter().collect::<Vec<_>>(),
            &[
                ("Zone", "zone"),
                ("Step", "step"),
                ("State", "state"),
                ("Done", "done_at"),
                ("By", "person_name"),
                ("Note", "note"),
            ],
        ),
    ));
    sections.push(section(
        "What was done and decided",
        Vec::new(),
        words.table(
            &items(&plan["entries"]),
            &[
                ("When", "happened_at"),
                ("What", "kind"),
                ("Zone", "zone"),
                ("Step", "step"),
                ("Person", "person_name"),
                ("Qualification", "qualification"),
                ("Note", "note"),
                ("Recorded", "recorded_at"),
                ("Recorded by", "recorded_by"),
            ],
        ),
    ));
    readings(record, words, &mut sections);
    coats(record, words, &mut sections);
    sections
}

fn readings(record: &Value, words: &Words<'_>, sections: &mut Vec<Section>) {
    let drying = &record["drying"];
    if drying.is_object() {
        let mut lines = vec![format!(
            "Dry at or under {} on the scale {}. {}",
            words.cell(&drying["target"]["target"]),
            words.cell(&drying["target"]["scale"]),
            words.cell(&drying["reason"])
        )];
        lines.extend(items(&drying["warnings"]).into_iter().map(|warning| words.cell(&warning["detail"])));
        let points: Vec<&Value> =
            items(&drying["stations"]).into_iter().flat_map(|station| items(&station["readings"])).collect();
        let table = words.table(
            &points,
            &[
                ("Station", "station_code"),
                ("Zone", "zone"),
                ("Taken", "taken_at"),
                ("Value", "value"),
                ("Scale", "scale"),
                ("Left out of the curve", "left_out"),
                ("Meter", "meter"),
                ("Recorded by", "recorded_by"),
            ],
        );
        sections.push(section("Readings", lines, table));
    }
    let gone: Vec<&Value> = items(&record["reading_versions"])
        .into_iter()
        .filter(|own| own["superseded"] == true || own["withdrawn"] == true || own["version"] != 1)
        .collect();
    if !gone.is_empty() {
        let lines = vec![
            "Each version of the readings that were corrected or withdrawn; struck out, it counts no more."
                .to_owned(),
        ];
        let table = words.table(
            &gone,
            &[
                ("Station", "station_code"),
                ("Taken", "taken_at"),
                ("Version", "version"),
                ("Value", "value"),
                ("Why", "correction_reason"),
                ("Recorded", "recorded_at"),
                ("Recorded by", "recorded_by"),
            ],
        );
        sections.push(section("Corrected readings", lines, table));
    }
}

fn coats(record: &Value, words: &Words<'_>, sections: &mut Vec<Section>) {
    let numbered: Vec<Value> = (1..)
        .zip(items(&record["coats"]))
        .map(|(n, coat)| {
            let mut row = coat.clone();
            row["number"] = Value::from(n);
            row
        })
        .collect();
    sections.push(section(
        "Coats",
        none_of(&record["coats"], "No coat is recorded."),
        words.table(
            &numbered.iter().collect::<Vec<_>>(),
            &[
                ("Coat", "number"),
                ("Zone", "zone"),
                ("Role", "role"),
                ("Product", "product"),
                ("Batch", "batch_number"),
                ("Colour", "colour"),
                ("Started", "started_at"),
                ("Finished", "finished_at"),
                ("Litres", "litres"),
                ("Area, m²", "area_m2"),
                ("Wet film, µm", "wet_film_um"),
                ("Taken off", "removed_on"),
                ("Recorded by", "recorded_by"),
            ],
        ),
    ));
    let films: Vec<Value> =
        items(&record["films"]).into_iter().map(|film| film_of(film, &record["coats"])).collect();
    sections.push(section(
        "Dry films",
        none_of(&record["films"], "No film was measured."),
        words.table(
            &films.iter().collect::<Vec<_>>(),
            &[
                ("Coat", "coat"),
                ("Method", "method"),
                ("Rule", "rule"),
                ("Nominal, µm", "nominal_um"),
                ("Readings, µm", "readings_um"),
                ("Mean, µm", "mean_film_um"),
                ("Accepted", "accepted"),
                ("Why not", "why_not"),
                ("Measured", "measured_at"),
                ("Recorded by", "recorded_by"),
            ],
        ),
    ));
    sections.push(section(
        "Paint reckoned",
        none_of(&record["quantities"]["lines"], "None."),
        words.table(
            &items(&record["quantities"]["lines"]),
            &[
                ("Step", "step"),
                ("Zone", "zone"),
                ("Product", "product"),
                ("Coats", "coats"),
                ("Area, m²", "area_m2"),
                ("Area by", "area_source"),
                ("Litres", "litres"),
                ("Missing", "missing"),
            ],
        ),
    ));
}

fn none_of(found: &Value, text: &str) -> Vec<String> {
    if found.as_array().is_none_or(Vec::is_empty) { vec![text.to_owned()] } else { Vec::new() }
}

/// The record as a page for printing.
///
/// # Errors
/// Internal, when the page cannot be written.
pub(super) fn page(view: &RecordView) -> Result<String> {
    let record = &view.record;
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let names = items(&record["persons"])
        .into_iter()
        .filter_map(|person| Some((person["id"].as_str()?, person["name"].as_str()?)))
        .collect();
    let words = Words { names };
    let kind =
        if record["plan"]["kind"] == "curative" { "Curative treatment" } else { "Preventive treatment" };
    let mut facts = vec![
        ("Vessel", text(&record["vessel"])),
        ("Treatment", view.treatment_id.to_string()),
        ("State", text(&record["plan"]["state"])),
        ("Plan", format!("version {}", record["plan"]["version"])),
        ("Times", "UTC".to_owned()),
    ];
    let done = &record["treatment"];
    if done.is_object() {
        facts.push(("Done", format!("{} to {}", text(&done["started_on"]), text(&done["completed_on"]))));
        if let Some(mm) = done["laminate_removed_mm"].as_f64() {
            facts.push(("Laminate taken off", format!("{} mm", short(mm))));
        }
    }
    match (&view.kept_at, &view.digest_sha256) {
        (Some(at), Some(digest)) => {
            facts.push(("Record kept", at.format("%Y-%m-%d %H:%M").to_string()));
            facts.push(("SHA-256 of the record", digest.clone()));
        }
        _ if view.origin == RecordOrigin::MadeAfterwards => facts.push((
            "Record kept",
            "none: the treatment was closed before records were kept. This one was made afterwards, from what is recorded now."
                .to_owned(),
        )),
        _ => facts.push(("Record kept", "not yet: the treatment is not closed".to_owned())),
    }
    let climate = items(&record["climate"])
        .into_iter()
        .map(|value| {
            let hull = match &value["surface_temperature_c"] {
                Value::Null => "not measured".to_owned(),
                measured => format!("{} °C", words.cell(measured)),
            };
            format!(
                "{}  {} °C  {} %  {hull}",
                words.cell(&value["at"]),
                words.cell(&value["air_temperature_c"]),
                words.cell(&value["relative_humidity_pct"]),
            )
        })
        .collect();
    let page = RecordPage {
        title: format!("{kind}: {}", text(&record["vessel"])),
        not_a_survey: text(&record["not_a_survey"]),
        facts,
        sections: sections(view, &words),
        cautions: texts(&record["plan"]["cautions"]),
        climate,
    };
    page.render().map_err(Error::internal)
}

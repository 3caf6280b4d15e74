//! A number says what it is measured in, by its name: in the document and in the database.

use std::collections::BTreeSet;

use garboard::cli::openapi::document;
use serde_json::Value;

use super::sql::{connect, rows, text};
use crate::support::app::database;

/// How the name of a measure ends: units of the SI and those of the glossary.
const UNITS: [&str; 39] = [
    "_activity",
    "_bar",
    "_barcol",
    "_bytes",
    "_c",
    "_days",
    "_days_dry",
    "_fraction",
    "_g_kg",
    "_g_m3",
    "_h",
    "_hpa",
    "_j_mol",
    "_k",
    "_kg",
    "_kg_m3",
    "_kg_m_s",
    "_kg_m_s_pa",
    "_l",
    "_m",
    "_m2",
    "_m2_l",
    "_m2_s",
    "_m2_s_kg",
    "_m3",
    "_mm",
    "_month",
    "_months",
    "_pct",
    "_per_day",
    "_per_m2",
    "_per_year",
    "_ph",
    "_px",
    "_probability",
    "_s",
    "_um",
    "_year",
    "_years",
];
/// Names that tell their unit otherwise, or count, each with its reason. May only shrink.
const OTHERWISE: [(&str, &str); 118] = [
    ("open_findings", "counts"),
    ("hulls", "counts"),
    ("lives", "counts"),
    ("events", "counts"),
    ("contradicted", "counts"),
    ("peers", "counts"),
    ("hulls_moved", "counts"),
    ("dates", "counts"),
    ("moved", "counts"),
    ("sooner", "counts"),
    ("later", "counts"),
    ("newly_dated", "counts"),
    ("no_longer_dated", "counts"),
    ("overdue_before", "counts"),
    ("overdue_after", "counts"),
    ("due_within_year_before", "counts"),
    ("due_within_year_after", "counts"),
    ("lives_left_out", "counts"),
    ("scale_ratio", "a ratio"),
    ("prior_shape", "of a Weibull law, a pure number"),
    ("deliveries", "counts"),
    ("failures", "counts"),
    ("grants_ended", "counts"),
    ("expires_in", "seconds; the name is that of RFC 6749, section 5.1"),
    ("coats", "counts"),
    ("plan_version", "the number of a version"),
    ("corrected", "counts"),
    ("litres", "litres"),
    ("minutes", "minutes"),
    ("max_days_to_launch", "days, said in it"),
    ("mix_base_parts", "parts by volume, of a ratio"),
    ("mix_hardener_parts", "parts by volume, of a ratio"),
    ("hours_since_lift", "hours, said first"),
    ("hours_since_wash", "hours, said first"),
    ("wear_um_per_month_15c", "micrometres a month at 15 degrees Celsius"),
    ("days", "days"),
    ("month", "1 to 12"),
    ("p10", "in the unit of the field it stands in"),
    ("p50", "in the unit of the field it stands in"),
    ("p90", "in the unit of the field it stands in"),
    ("value", "of a reading: in the scale named beside it"),
    ("check_block_reading", "in the meter's scale, named beside it"),
    ("dry_reference_reading", "in the meter's scale, named beside it"),
    ("reading_rise", "on the meter's scale, whichever it is"),
    ("reading_over_dry_reference", "on the meter's scale, whichever it is"),
    ("risk", "a probability, 0 to 1"),
    ("inspection_risk", "a probability, 0 to 1"),
    ("repair_risk", "a probability, 0 to 1"),
    ("version", "a number of versions"),
    ("signed_version", "the number of a version"),
    ("sequence", "a place in an order"),
    ("line", "a place in a file"),
    ("status", "an HTTP status"),
    ("count", "counts"),
    ("attempts", "counts"),
    ("rows", "counts"),
    ("created", "counts"),
    ("updated", "counts"),
    ("unchanged", "counts"),
    ("refused", "counts"),
    ("hours", "hours"),
    ("day", "days since the first reading"),
    ("age", "in the unit of the lives given"),
    ("interval", "in the unit of the lives given"),
    ("from", "in the unit of the lives given"),
    ("to", "in the unit of the lives given"),
    ("lower", "in the unit of the lives given"),
    ("upper", "in the unit of the lives given"),
    ("t", "the usual letter of a time, in the unit of the lives given"),
    ("scale", "of a Weibull law, in the unit of the lives given"),
    ("scale_se", "standard error of it"),
    ("shape", "of a Weibull law, a pure number"),
    ("shape_se", "standard error of it"),
    ("p", "the usual letter of a probability"),
    ("confidence", "a probability, 0 to 1"),
    ("mass", "a probability, 0 to 1"),
    ("turnbull", "a probability, 0 to 1"),
    ("weibull", "a probability, 0 to 1"),
    ("share", "a share of the whole, 0 to 1"),
    ("tortuosity", "a pure number"),
    ("osmotic_coefficient", "a pure number"),
    ("midship_coefficient", "a pure number"),
    ("aspect_ratio", "a pure number"),
    ("log_likelihood", "a pure number"),
    ("level", "a level of the standard"),
    ("iso", "a size class of the standard"),
    ("astm", "a size class of the standard"),
    ("iso_quantity", "a quantity of the standard"),
    ("seed", "a number to draw from"),
    ("below_80pct", "counts"),
    ("between_80_and_100pct", "counts"),
    ("consecutive", "counts"),
    ("packs", "counts"),
    ("target", "in the meter's scale"),
    ("steady_range", "in the meter's scale"),
    ("meter_step", "in the meter's scale"),
    ("y0", "in the meter's scale"),
    ("y_eq", "in the meter's scale"),
    ("already_blistered", "counts"),
    ("not_forecast", "counts"),
    ("skin_changed", "counts"),
    ("undecided", "counts"),
    ("without_a_day_before", "counts"),
    ("found", "counts"),
    ("found_expected", "counts, the mean of"),
    ("found_standard_deviation", "of counts"),
    ("members", "counts"),
    ("surveys", "counts"),
    ("vessels", "counts"),
    ("forecast", "a score, a pure number"),
    ("baseline", "a score, a pure number"),
    ("skill", "a pure number"),
    ("difference_standard_error", "of a score, a pure number"),
    ("chi_square", "a pure number"),
    ("cost_planned", "in a currency of the caller's"),
    ("cost_failure", "in a currency of the caller's"),
    ("cost_rate", "in that currency over the unit of the lives"),
    ("run_to_failure_cost_rate", "in that currency over the unit of the lives"),
];
/// Columns of times and days that are not called `_at` and `_on`. May only shrink.
const TIMES_OTHERWISE: [(&str, &str); 6] = [
    ("run_after", "a job waits until then"),
    ("locked_until", "a lease ends then"),
    ("as_of", "the day a forecast looks from"),
    ("p10", "a quantile of the day something is due"),
    ("p50", "a quantile of the day something is due"),
    ("p90", "a quantile of the day something is due"),
];

fn has_unit(name: &str) -> bool {
    UNITS.iter().any(|unit| name.ends_with(unit))
}

fn excuse(name: &str) -> Option<&'static str> {
    OTHERWISE.iter().map(|(excused, _)| *excused).find(|excused| name == *excused)
}

/// The names of the document's properties and parameters that are numbers.
fn numbers(value: &Value, found: &mut BTreeSet<String>) {
    let is_number = |schema: &Value| {
        let kinds = schema["type"].as_array().cloned().unwrap_or_else(|| vec![schema["type"].clone()]);
        kinds.iter().any(|kind| kind == "number" || kind == "integer")
    };
    match value {
        Value::Object(members) => {
            if let Some(Value::Object(properties)) = members.get("properties") {
                let numeric = properties.iter().filter(|(_, property)| is_number(property));
                found.extend(numeric.map(|(name, _)| name.clone()));
            }
            members.values().for_each(|member| numbers(member, found));
        }
        Value::Array(items) => items.iter().for_each(|item| numbers(item, found)),
        _ => {}
    }
}

#[test]
fn every_number_carries_its_unit() {
    let database = database();
    let mut superuser = connect(&database.superuser_url());
    let columns = rows(
        &mut superuser,
        "SELECT DISTINCT a.attname::text AS name FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid
         WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p') AND a.attnum > 0
           AND a.atttypid::regtype::text IN ('smallint', 'integer', 'bigint', 'real', 'double precision', 'numeric')",
    );
    let mut names: BTreeSet<String> = columns.iter().map(|row| text(row, "name").to_owned()).collect();
    assert!(names.len() > 30, "{} columns", names.len());
    let document: Value = serde_json::from_str(&document().expect("a document")).expect("JSON");
    numbers(&document, &mut names);
    assert!(names.len() > 60, "{} numbers", names.len());
    let nameless: Vec<_> = names.iter().filter(|name| !has_unit(name) && excuse(name).is_none()).collect();
    assert!(nameless.is_empty(), "numbers without a unit: {nameless:?}");
    let needed: BTreeSet<&str> =
        names.iter().filter(|name| !has_unit(name)).filter_map(|name| excuse(name)).collect();
    for (name, _) in OTHERWISE {
        assert!(needed.contains(name), "{name} is gone: take it off the list");
    }
}

#[test]
fn every_time_says_that_it_is_one() {
    let database = database();
    let mut superuser = connect(&database.superuser_url());
    let columns = rows(
        &mut superuser,
        "SELECT DISTINCT a.attname::text AS name, a.atttypid::regtype::text AS kind
         FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid
         WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p') AND a.attnum > 0
           AND c.relname <> '__diesel_schema_migrations'
           AND a.atttypid::regtype::text IN ('date', 'timestamp with time zone', 'timestamp without time zone')",
    );
    assert!(columns.len() > 15, "{columns:?}");
    let right = |row: &&Value| match text(row, "kind") {
        "date" => text(row, "name").ends_with("_on"),
        "timestamp with time zone" => text(row, "name").ends_with("_at"),
        _ => false,
    };
    let wrong: Vec<&str> = columns.iter().filter(|row| !right(row)).map(|row| text(row, "name")).collect();
    let listed: Vec<&str> = TIMES_OTHERWISE.iter().map(|(name, _)| *name).collect();
    let rest: Vec<_> = wrong.iter().filter(|name| !listed.contains(name)).collect();
    assert!(rest.is_empty(), "days end in _on, times with their zone in _at: {rest:?}");
    for name in listed {
        assert!(wrong.contains(&name), "{name} is gone: take it off the list");
    }
}

#[test]
fn a_number_without_a_unit_would_be_seen() {
    let mut found = BTreeSet::new();
    let planted = serde_json::json!({"a": [{"properties": {
        "depth": {"type": "number"}, "width": {"type": ["null", "integer"]}, "name": {"type": "string"}}}]});
    numbers(&planted, &mut found);
    assert_eq!(found.iter().map(String::as_str).collect::<Vec<_>>(), ["depth", "width"]);
    assert!(!has_unit("depth") && excuse("depth").is_none() && excuse("film_count").is_none());
    assert!(has_unit("depth_m") && excuse("count").is_some());
}

//! `garboard vessel` and `garboard export`: what a service keeps, as a table, CSV or JSON.

use std::collections::BTreeMap;
use std::io::{IsTerminal, Write};
use std::path::PathBuf;

use chrono::{DateTime, NaiveDate, NaiveTime, TimeZone, Utc};
use clap::{Args, ValueEnum};
use serde_json::Value;

use super::{Remote, Service};
use crate::cli::due::Form;
use crate::cli::output::{hushed, print, write_to};
use crate::error::{Code, Error, Result};
use crate::http::csv::{harmless, lines};
use crate::http::table::WORKBOOK;

/// Show the vessels of a service, or one of them with what is due.
#[derive(Debug, Args)]
pub struct Vessel {
    #[command(flatten)]
    remote: Remote,
    /// One vessel, by its reference, its name or its id; all when left out
    #[arg(value_name = "VESSEL")]
    which: Option<String>,
    /// Write the vessel's dossier, a page for printing, to this file
    #[arg(long, value_name = "FILE", requires = "which")]
    dossier: Option<PathBuf>,
    /// The form
    #[arg(long = "as", alias = "format", value_enum, default_value_t = Form::Table)]
    form: Form,
}

/// What can be exported.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Record {
    /// What is due.
    Due,
    /// How each hull stands today.
    Fleet,
    Sites,
    Vessels,
    HaulOuts,
    Stations,
    Surveys,
    Readings,
    Findings,
    Products,
    Coats,
    Treatments,
    Attachments,
}

/// The form of an export.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum FileForm {
    Csv,
    Json,
    /// A workbook, of what is due or of the fleet
    Xlsx,
}

/// Write what a service keeps to a file: all records of one kind.
#[derive(Debug, Args)]
pub struct Export {
    #[command(flatten)]
    remote: Remote,
    /// The kind of record
    #[arg(value_enum)]
    record: Record,
    /// Write to this file, whole or not at all; to standard output when left out
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Only what changed since: a day, or a time as 2026-05-01T08:00:00Z
    #[arg(long, value_name = "TIME")]
    since: Option<String>,
    /// The form
    #[arg(long = "as", value_enum, default_value_t = FileForm::Csv)]
    form: FileForm,
}

impl Record {
    /// Whether the service gives it as a whole in other forms than JSON.
    fn is_report(self) -> bool {
        matches!(self, Self::Due | Self::Fleet)
    }

    fn path(self) -> &'static str {
        match self {
            Self::Due => "/v1/due",
            Self::Fleet => "/v1/fleet",
            Self::Sites => "/v1/sites",
            Self::Vessels => "/v1/vessels",
            Self::HaulOuts => "/v1/haul-outs",
            Self::Stations => "/v1/stations",
            Self::Surveys => "/v1/surveys",
            Self::Readings => "/v1/readings",
            Self::Findings => "/v1/findings",
            Self::Products => "/v1/products",
            Self::Coats => "/v1/coats",
            Self::Treatments => "/v1/treatments",
            Self::Attachments => "/v1/attachments",
        }
    }
}

/// The time that `--since` names.
fn time(text: &str) -> Result<DateTime<Utc>> {
    if let Ok(day) = text.parse::<NaiveDate>() {
        return Ok(Utc.from_utc_datetime(&day.and_time(NaiveTime::MIN)));
    }
    text.parse().map_err(|cause: chrono::ParseError| {
        Error::new(
            Code::Invalid,
            format!(
                "--since {text} is neither a day nor a time. Enter it as 2026-05-01 or 2026-05-01T08:00:00Z."
            ),
        )
        .because(cause)
    })
}

impl Export {
    pub(in crate::cli) fn run(&self) -> Result<()> {
        let mut query = Vec::new();
        if let Some(since) = &self.since {
            query.push(("updated_since", time(since)?.to_rfc3339()));
        }
        if self.form == FileForm::Xlsx && !self.record.is_report() {
            return Err(Error::new(
                Code::Invalid,
                "There are workbooks of due and of fleet. Take --as csv for the others.",
            ));
        }
        if self.form == FileForm::Xlsx && self.out.is_none() && std::io::stdout().is_terminal() {
            return Err(Error::new(
                Code::Invalid,
                "A workbook is nothing to read here. Name a file with --out.",
            ));
        }
        let service = self.remote.enter(self.remote.needed()?)?;
        let path = self.record.path();
        write_to(self.out.as_deref(), |mut out| match self.form {
            // The service writes these itself.
            FileForm::Csv if self.record.is_report() => service.copy(path, &query, "text/csv", &mut out),
            FileForm::Xlsx => service.copy(path, &query, WORKBOOK, &mut out),
            FileForm::Csv => written(out, &csv(&service.all(path, &query)?)?),
            FileForm::Json => {
                let rows = service.all(path, &query)?;
                written(
                    out,
                    (serde_json::to_string_pretty(&rows).map_err(Error::internal)? + "\n").as_bytes(),
                )
            }
        })
    }
}

fn written(out: &mut dyn Write, bytes: &[u8]) -> Result<()> {
    match out.write_all(bytes).and_then(|()| out.flush()) {
        // Whoever read along has seen enough.
        Err(cause) if cause.kind() != std::io::ErrorKind::BrokenPipe => {
            Err(Error::new(Code::Unavailable, "The output cannot be written.").because(cause))
        }
        _ => Ok(()),
    }
}

/// The members of a row, those of its parts joined by an underscore, as the service names them in its own CSV; a list
/// as JSON.
fn flat(prefix: &str, value: &Value, cells: &mut BTreeMap<String, String>, order: &mut Vec<String>) {
    let text = match value {
        Value::Object(members) => {
            for (name, member) in members {
                let name = if prefix.is_empty() { name.clone() } else { format!("{prefix}_{name}") };
                flat(&name, member, cells, order);
            }
            return;
        }
        Value::Null => String::new(),
        Value::String(text) => harmless(text).into_owned(),
        Value::Array(items) if items.is_empty() => String::new(),
        other => other.to_string(),
    };
    if !order.iter().any(|known| known == prefix) {
        order.push(prefix.to_owned());
    }
    cells.insert(prefix.to_owned(), text);
}

/// Rows as CSV with a header: id and version first, then the fields in the order of the alphabet.
pub(super) fn csv(rows: &[Value]) -> Result<Vec<u8>> {
    let mut order = Vec::new();
    let flattened: Vec<BTreeMap<String, String>> = rows
        .iter()
        .map(|row| {
            let mut cells = BTreeMap::new();
            flat("", row, &mut cells, &mut order);
            cells
        })
        .collect();
    let rank = |name: &str| {
        ["id", "version", "vessel_id", "ref", "name"]
            .iter()
            .position(|first| *first == name)
            .unwrap_or(usize::MAX)
    };
    order.sort_by(|one, two| (rank(one), one).cmp(&(rank(two), two)));
    if order.is_empty() {
        order.push("id".to_owned());
    }
    let body = flattened
        .iter()
        .map(|cells| order.iter().map(|name| cells.get(name).cloned().unwrap_or_default()).collect());
    lines(std::iter::once(order.clone()).chain(body).collect::<Vec<Vec<String>>>())
}

/// Columns wide enough for what stands in them.
pub(in crate::cli) fn table(header: &[&str], rows: &[Vec<String>]) -> String {
    let width = |n: usize| {
        let cells = rows.iter().filter_map(|row| row.get(n)).map(|cell| cell.chars().count());
        cells.chain(header.get(n).map(|name| name.chars().count())).max().unwrap_or(0)
    };
    let widths: Vec<usize> = (0..header.len()).map(width).collect();
    let line = |cells: &mut dyn Iterator<Item = &str>| {
        let padded: Vec<String> =
            cells.zip(&widths).map(|(cell, width)| format!("{cell:<width$}", width = *width)).collect();
        padded.join("  ").trim_end().to_owned() + "\n"
    };
    let mut text = line(&mut header.iter().copied());
    for row in rows {
        text.push_str(&line(&mut row.iter().map(String::as_str)));
    }
    text
}

fn text(row: &Value, name: &str) -> String {
    match &row[name] {
        Value::Null => String::new(),
        Value::String(text) => hushed(text),
        other => other.to_string(),
    }
}

impl Vessel {
    pub(in crate::cli) fn run(&self) -> Result<()> {
        let service = self.remote.enter(self.remote.needed()?)?;
        match &self.which {
            None => self.list(&service),
            Some(asked) => {
                let vessel = found(&service, asked)?;
                if let Some(path) = &self.dossier {
                    let id = text(&vessel, "id");
                    return write_to(Some(path), |mut out| {
                        service.copy(&format!("/v1/vessels/{id}/dossier-page"), &[], "text/html", &mut out)
                    });
                }
                self.one(&service, &vessel)
            }
        }
    }

    fn list(&self, service: &Service) -> Result<()> {
        let vessels = service.all("/v1/vessels", &[])?;
        match self.form {
            Form::Json => print(&(serde_json::to_string_pretty(&vessels).map_err(Error::internal)? + "\n")),
            Form::Csv => written(&mut std::io::stdout().lock(), &csv(&vessels)?),
            Form::Table => {
                let names = ["name", "ref", "form", "length_m", "berth", "owner_name", "id"];
                let mut rows: Vec<Vec<String>> = vessels
                    .iter()
                    .map(|vessel| names.iter().map(|name| text(vessel, name)).collect())
                    .collect();
                rows.sort();
                print(&format!("{}\n{} vessels.\n", table(&names, &rows), rows.len()))
            }
        }
    }

    fn one(&self, service: &Service, vessel: &Value) -> Result<()> {
        if self.form == Form::Csv {
            return written(&mut std::io::stdout().lock(), &csv(std::slice::from_ref(vessel))?);
        }
        let forecast = service.get(&format!("/v1/vessels/{}/forecast", text(vessel, "id")), &[])?;
        if self.form == Form::Json {
            let both = serde_json::json!({"vessel": vessel, "forecast": forecast});
            return print(&(serde_json::to_string_pretty(&both).map_err(Error::internal)? + "\n"));
        }
        let mut cells = BTreeMap::new();
        let mut order = Vec::new();
        flat("", vessel, &mut cells, &mut order);
        let width = cells.keys().map(|name| name.chars().count()).max().unwrap_or(0);
        let facts: String = cells
            .iter()
            .filter(|(_, cell)| !cell.is_empty())
            .map(|(name, cell)| format!("{name:<width$}  {}\n", hushed(cell)))
            .collect();
        let mut rows = Vec::new();
        for date in forecast["dates"].as_array().into_iter().flatten() {
            let on = match (date["due_on"].as_str(), date["status"].as_str()) {
                (Some(on), _) => on.to_owned(),
                (None, Some("due")) => "later".to_owned(),
                (None, _) => "?".to_owned(),
            };
            rows.push(vec![text(date, "kind"), on, text(date, "basis"), text(date, "reason")]);
        }
        let dates = table(&["due", "on", "rests on", "why"], &rows);
        let advice = forecast["cautions"][0].as_str().map(hushed).unwrap_or_default();
        print(&format!("{facts}\n{dates}\n{advice}\n"))
    }
}

/// The vessel of that reference, name or id.
fn found(service: &Service, asked: &str) -> Result<Value> {
    if uuid::Uuid::parse_str(asked).is_ok() {
        return service.get(&format!("/v1/vessels/{asked}"), &[]);
    }
    let mut vessels = service.all("/v1/vessels", &[("ref", asked.to_owned())])?;
    if vessels.is_empty() {
        vessels = service.all("/v1/vessels", &[("name", asked.to_owned())])?;
        if vessels.iter().any(|vessel| vessel["name"] == asked) {
            vessels.retain(|vessel| vessel["name"] == asked);
        }
    }
    match vessels.len() {
        1 => Ok(vessels.remove(0)),
        0 => Err(Error::new(
            Code::Invalid,
            format!("No vessel has the reference or the name {asked}. See them all: garboard vessel"),
        )),
        _ => {
            let some: Vec<String> = vessels
                .iter()
                .take(10)
                .map(|vessel| format!("{} ({})", text(vessel, "name"), text(vessel, "id")))
                .collect();
            Err(Error::new(
                Code::Invalid,
                format!("{} vessels fit {asked}: {}. Name one by its id.", vessels.len(), some.join(", ")),
            ))
        }
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::{csv, table, time};

    #[test]
    fn rows_become_csv_with_their_parts_joined() {
        let rows = [
            json!({"name": "=A", "id": "1", "part": {"b": 2.5, "a": null}, "list": []}),
            json!({"name": "B, C", "id": "2", "list": [{"x": 1}], "late": true}),
        ];
        let text = String::from_utf8(csv(&rows).expect("rows")).expect("text");
        assert_eq!(
            text,
            "id,name,late,list,part_a,part_b\r\n1,'=A,,,,2.5\r\n2,\"B, C\",true,\"[{\"\"x\"\":1}]\",,\r\n"
        );
    }

    #[test]
    fn a_table_is_as_wide_as_its_widest_cell() {
        let rows = [vec!["a".to_owned(), "bb".to_owned()], vec!["long one".to_owned(), String::new()]];
        assert_eq!(table(&["x", "y"], &rows), "x         y\na         bb\nlong one\n");
    }

    #[test]
    fn since_is_a_day_or_a_time() {
        assert_eq!(time("2026-05-01").expect("a day").to_rfc3339(), "2026-05-01T00:00:00+00:00");
        assert_eq!(
            time("2026-05-01T08:00:00+02:00").expect("a time").to_rfc3339(),
            "2026-05-01T06:00:00+00:00"
        );
        assert!(time("yesterday").is_err());
    }
}

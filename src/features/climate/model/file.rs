//! A logger's file: CSV with a header. Comma or semicolon parts the cells; a decimal comma is read where semicolons
//! part them. What can be read in two ways is refused, with line and column.

use chrono::{DateTime, NaiveDateTime, Utc};

use super::window::hours;
use crate::error::{Error, FieldError, Result};

/// Most lines of a file.
pub const MAX_LINES: usize = 20_000;
/// Most faults that are told of a file.
const MAX_FAULTS: usize = 100;

/// One line of a file.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Its number in the file.
    pub number: u64,
    /// When.
    pub at: DateTime<Utc>,
    /// Temperature of the air.
    pub air_temperature_c: f64,
    /// Relative humidity over water.
    pub relative_humidity_pct: f64,
    /// Temperature of the hull's surface, where the line has it.
    pub surface_temperature_c: Option<f64>,
}

const TIME: &str = "time";
const AIR: &str = "air_temperature_c";
const HUMIDITY: &str = "relative_humidity_pct";
const SURFACE: &str = "surface_temperature_c";

/// Reads a file of the columns `time`, `air_temperature_c`, `relative_humidity_pct` and, where it is there,
/// `surface_temperature_c`. A time without an offset is read at `utc_offset_h`, where one is given.
///
/// # Errors
/// Invalid, with a pointer for each cell at fault, at most a hundred of them.
pub fn read(text: &str, utc_offset_h: Option<f64>) -> Result<Vec<Line>> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let header = text.lines().next().unwrap_or_default();
    let semicolons = header.contains(';');
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(if semicolons { b';' } else { b',' })
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let names = reader.headers().map_err(|cause| malformed(&cause))?.clone();
    let place = |name: &str| names.iter().position(|column| column == name);
    let mut faults = Vec::new();
    for name in [TIME, AIR, HUMIDITY] {
        if place(name).is_none() {
            faults.push(FieldError::new(
                format!("line 1, column {name}"),
                "missing",
                "is missing. Name the columns time, air_temperature_c, relative_humidity_pct and surface_temperature_c in the first line.",
            ));
        }
    }
    for name in names.iter().filter(|name| ![TIME, AIR, HUMIDITY, SURFACE].contains(name)) {
        faults.push(FieldError::new(
            format!("line 1, column {name}"),
            "unknown_column",
            "is not a column here. Correct its name or take it out.",
        ));
    }
    if !faults.is_empty() {
        return Err(Error::invalid(faults));
    }
    let mut lines = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|cause| malformed(&cause))?;
        let number = record.position().map_or(0, csv::Position::line);
        let cell = |name: &str| place(name).and_then(|n| record.get(n)).unwrap_or_default();
        let mut fault = |name: &str, (code, detail): (&str, String)| {
            faults.push(FieldError::new(format!("line {number}, column {name}"), code, detail));
        };
        let at = time(cell(TIME), utc_offset_h).map_err(|refused| fault(TIME, refused)).ok();
        let air = degree(cell(AIR), semicolons).map_err(|refused| fault(AIR, refused)).ok();
        let humidity = degree(cell(HUMIDITY), semicolons).map_err(|refused| fault(HUMIDITY, refused)).ok();
        let surface = if cell(SURFACE).is_empty() {
            Some(None)
        } else {
            degree(cell(SURFACE), semicolons).map(Some).map_err(|refused| fault(SURFACE, refused)).ok()
        };
        if let (Some(at), Some(air_temperature_c), Some(relative_humidity_pct), Some(surface_temperature_c)) =
            (at, air, humidity, surface)
        {
            lines.push(Line { number, at, air_temperature_c, relative_humidity_pct, surface_temperature_c });
        }
        if lines.len() > MAX_LINES {
            return Err(Error::field(
                "",
                "too_many",
                format!("has more than {MAX_LINES} lines. Send the file in parts."),
            ));
        }
        if faults.len() >= MAX_FAULTS {
            break;
        }
    }
    if !faults.is_empty() {
        return Err(Error::invalid(faults));
    }
    if lines.is_empty() {
        return Err(Error::field("", "empty", "holds no values. Send a header and at least one line."));
    }
    Ok(lines)
}

fn malformed(cause: &csv::Error) -> Error {
    Error::field("", "file", format!("is not CSV that can be read: {cause}."))
}

fn time(text: &str, utc_offset_h: Option<f64>) -> Result<DateTime<Utc>, (&'static str, String)> {
    if let Ok(time) = DateTime::parse_from_rfc3339(&text.replacen(' ', "T", 1)) {
        return Ok(time.to_utc());
    }
    let local = ["%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M"]
        .iter()
        .find_map(|form| NaiveDateTime::parse_from_str(text, form).ok());
    match (local, utc_offset_h) {
        (Some(local), Some(offset_h)) => match local.checked_sub_signed(hours(offset_h)) {
            Some(time) => Ok(time.and_utc()),
            None => Err(("time", format!("is `{text}`, which is out of range. Correct the year."))),
        },
        (Some(_), None) => Err((
            "no_offset",
            "has no offset from UTC. Write it as 2026-05-04T10:30:00+02:00, or send utc_offset_h for the file."
                .to_owned(),
        )),
        (None, _) => Err((
            "time",
            format!("is `{text}`, which is no time. Write it as 2026-05-04T10:30:00Z (RFC 3339)."),
        )),
    }
}

fn degree(text: &str, semicolons: bool) -> Result<f64, (&'static str, String)> {
    let read = if semicolons && !text.contains('.') {
        text.replacen(',', ".", 1).parse::<f64>()
    } else {
        text.parse::<f64>()
    };
    match read {
        Ok(value) if value.is_finite() => Ok(value),
        _ => Err((
            "number",
            format!(
                "is `{text}`, which is no number. Write 12.5; a decimal comma only where semicolons part the cells, and no mark of thousands."
            ),
        )),
    }
}

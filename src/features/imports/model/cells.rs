//! What stands in a cell: numbers with a decimal point or comma, ISO dates, times, codes, truth values,
//! text. A cell without text is not given; the text `null` clears.

use chrono::{DateTime, NaiveDate, SubsecRound, Utc};
use serde_json::Value;

use super::text::Delimiter;
use crate::error::{Error, FieldError, Result};

/// How a column's cells are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// Any text.
    Text,
    /// A number, with a decimal point or comma.
    Number,
    /// A whole number.
    Whole,
    /// One word of a list.
    Word(&'static [&'static str]),
    /// true or false, yes or no.
    Truth,
    /// A date, year-month-day (ISO 8601).
    Date,
    /// A time with its offset (RFC 3339).
    Time,
}

/// A cell as read.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    /// Nothing stands in it: not given, or on an update left as it is.
    NotGiven,
    /// `null`: on an update the stored value is cleared.
    Clear,
    /// A value, as it stands in the JSON of the record.
    Given(Value),
}

/// Why a cell cannot be read: a short word for programs, and a sentence.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unread(pub &'static str, pub String);

/// The decimal mark of a file's numbers. One mark for the whole file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DecimalMark {
    /// `1.5`
    Point,
    /// `1,5`
    Comma,
}

/// A number's shape, before its mark is understood.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Shape {
    /// No mark.
    Plain,
    /// One mark; `doubtful` when it might part thousands: one to three digits, not beginning with 0, then
    /// exactly three.
    Marked { mark: DecimalMark, doubtful: bool },
    /// More than one mark or a space between digits: thousands are parted.
    Grouped,
    /// Not a number.
    Other,
}

fn shape(text: &str) -> Shape {
    let unsigned = text.strip_prefix(['+', '-']).unwrap_or(text);
    let (digits, exponent) = match unsigned.split_once(['e', 'E']) {
        Some((digits, exponent)) => (digits, Some(exponent.strip_prefix(['+', '-']).unwrap_or(exponent))),
        None => (unsigned, None),
    };
    let all_digits = |part: &str| part.bytes().all(|byte| byte.is_ascii_digit());
    if exponent.is_some_and(|exponent| exponent.is_empty() || !all_digits(exponent)) {
        return Shape::Other;
    }
    let marks = |c: char| matches!(c, '.' | ',' | ' ' | '\'' | '\u{a0}' | '\u{202f}' | '\u{2019}');
    let parts: Vec<&str> = digits.split(marks).collect();
    if !parts.iter().all(|part| all_digits(part)) || parts.iter().all(|part| part.is_empty()) {
        return Shape::Other;
    }
    match parts.as_slice() {
        [_] => Shape::Plain,
        [before, after] if digits.contains(['.', ',']) => Shape::Marked {
            mark: if digits.contains(',') { DecimalMark::Comma } else { DecimalMark::Point },
            doubtful: exponent.is_none()
                && (1..=3).contains(&before.len())
                && !before.starts_with('0')
                && after.len() == 3,
        },
        _ => Shape::Grouped,
    }
}

/// A number's place in the file.
#[derive(Debug, Clone, Copy)]
pub struct Numeral<'a> {
    /// The row's line.
    pub line: u32,
    /// The column.
    pub column: &'a str,
    /// The cell.
    pub text: &'a str,
}

impl Numeral<'_> {
    fn fault(&self, detail: String) -> FieldError {
        FieldError::new(format!("line {}, column {}", self.line, self.column), "ambiguous_decimal", detail)
    }
}

impl DecimalMark {
    /// The one mark of all the numbers of a file.
    ///
    /// A point is a decimal point and a comma a decimal comma. A comma-delimited file's `"1,234"` might as
    /// well have parted thousands: it is taken as decimal only where another number of the file has a
    /// comma that cannot (`"1,5"`, `"0,250"`).
    ///
    /// # Errors
    /// Invalid, naming two cells, when the file has both marks: `1.234` may then be a thousand; and for a
    /// file in which nothing decides what a comma means.
    pub fn of<'a>(numerals: impl Iterator<Item = Numeral<'a>>, delimiter: Delimiter) -> Result<Self> {
        let (mut point, mut comma, mut certain) = (None, None, delimiter == Delimiter::Semicolon);
        for numeral in numerals {
            match shape(numeral.text) {
                Shape::Marked { mark: Self::Point, .. } => _ = point.get_or_insert(numeral),
                Shape::Marked { mark: Self::Comma, doubtful } => {
                    comma.get_or_insert(numeral);
                    certain |= !doubtful;
                }
                _ => {}
            }
        }
        match (point, comma) {
            (Some(point), Some(comma)) => {
                let detail = |own: &str, other: &Numeral<'_>, mark: &str| {
                    format!(
                        "`{own}` stands in a file that has `{}` on line {} too: the decimal {mark} cannot be told from a mark of thousands. Write all numbers with the same decimal mark and without thousands.",
                        other.text, other.line
                    )
                };
                Err(Error::invalid(vec![
                    point.fault(detail(point.text, &comma, "point")),
                    comma.fault(detail(comma.text, &point, "comma")),
                ]))
            }
            (None, Some(comma)) if !certain => Err(Error::invalid(vec![comma.fault(format!(
                "`{}` may be a decimal number or thousands, and nothing in the file decides it. Write it with a decimal point or without a mark of thousands.",
                comma.text
            ))])),
            (None, Some(_)) => Ok(Self::Comma),
            _ => Ok(Self::Point),
        }
    }
}

/// The cell's text: without surrounding space, and without the apostrophe that an export sets before what a
/// spreadsheet would take for a formula.
#[must_use]
pub fn plain(raw: &str) -> &str {
    match raw.strip_prefix('\'') {
        Some(rest) if rest.starts_with(['=', '+', '-', '@', '\t', '\r']) => rest.trim_end(),
        _ => raw.trim(),
    }
}

impl Form {
    /// Reads a cell.
    ///
    /// # Errors
    /// Why it cannot be read, and what to write instead.
    pub fn read(self, raw: &str, mark: DecimalMark) -> std::result::Result<Cell, Unread> {
        let text = plain(raw);
        match text {
            "" => return Ok(Cell::NotGiven),
            "null" => return Ok(Cell::Clear),
            _ => {}
        }
        let value = match self {
            Self::Text => Value::from(words_of(text)?),
            Self::Number => Value::from(number(text, mark)?),
            Self::Whole => Value::from(whole(text)?),
            Self::Word(words) => Value::from(word(text, words)?),
            Self::Truth => Value::from(truth(text)?),
            Self::Date => Value::from(date(text)?.to_string()),
            Self::Time => serde_json::to_value(time(text)?).unwrap_or_default(),
        };
        Ok(Cell::Given(value))
    }

    /// What may stand in such a cell, in words.
    #[must_use]
    pub fn in_words(self) -> String {
        match self {
            Self::Text => "text".to_owned(),
            Self::Number => "number".to_owned(),
            Self::Whole => "whole number".to_owned(),
            Self::Word(words) => words.join(", "),
            Self::Truth => "true, false, yes, no".to_owned(),
            Self::Date => "date, year-month-day".to_owned(),
            Self::Time => "time, RFC 3339".to_owned(),
        }
    }
}

/// What a cell shows whose formula failed: the error values of `OpenFormula` (ODF 1.3 part 4, 5.12), which
/// spreadsheets write into their CSV.
const FAILED_FORMULAS: [&str; 7] = ["#N/A", "#DIV/0!", "#NAME?", "#NULL!", "#NUM!", "#REF!", "#VALUE!"];

fn words_of(text: &str) -> std::result::Result<&str, Unread> {
    if FAILED_FORMULAS.contains(&text) {
        return Err(Unread(
            "failed_formula",
            "is what a spreadsheet shows for a formula that failed. Correct the formula, or empty the cell."
                .to_owned(),
        ));
    }
    match text.chars().find(|&c| c.is_control() && !matches!(c, '\t' | '\n' | '\r')) {
        None => Ok(text),
        Some(character) => Err(Unread(
            "character",
            format!("holds the control character U+{:04X}. Take it out.", u32::from(character)),
        )),
    }
}

fn number(text: &str, mark: DecimalMark) -> std::result::Result<f64, Unread> {
    let refused = |reason: &str| Unread("number", reason.to_owned());
    let read = match shape(text) {
        Shape::Plain => text.parse::<f64>(),
        // `DecimalMark::of` has seen every number of the file: its mark is this one.
        Shape::Marked { mark: own, .. } if own == mark => text.replace(',', ".").parse(),
        Shape::Marked { .. } => return Err(refused("has another decimal mark than the file.")),
        Shape::Grouped => return Err(refused("has marks of thousands. Write the number without them.")),
        Shape::Other => {
            return Err(refused("is not a number. Write digits, with a decimal point if needed."));
        }
    };
    read.ok().filter(|number| number.is_finite()).ok_or_else(|| refused("is not a finite number."))
}

fn whole(text: &str) -> std::result::Result<i64, Unread> {
    text.parse()
        .map_err(|_unreadable| Unread("whole_number", "is not a whole number. Write digits only.".to_owned()))
}

fn word(text: &str, words: &[&'static str]) -> std::result::Result<&'static str, Unread> {
    words
        .iter()
        .find(|word| word.eq_ignore_ascii_case(text))
        .copied()
        .ok_or_else(|| Unread("word", format!("is not known here. Write one of: {}.", words.join(", "))))
}

fn truth(text: &str) -> std::result::Result<bool, Unread> {
    match text.to_ascii_lowercase().as_str() {
        "true" | "yes" => Ok(true),
        "false" | "no" => Ok(false),
        _ => Err(Unread("truth", "is neither true nor false. Write true, false, yes or no.".to_owned())),
    }
}

fn date(text: &str) -> std::result::Result<NaiveDate, Unread> {
    let refused = |reason: &str| Unread("date", reason.to_owned());
    let iso = text.len() == 10
        && text
            .bytes()
            .enumerate()
            .all(|(n, byte)| if n == 4 || n == 7 { byte == b'-' } else { byte.is_ascii_digit() });
    if iso {
        return text.parse().map_err(|_unreadable| refused("is no day of the calendar. Correct it."));
    }
    let numbers = text.split(['/', '.', '-']);
    if numbers.clone().count() == 3 && numbers.clone().all(|part| part.parse::<u32>().is_ok()) {
        return Err(refused(
            "can be read as several dates. Write it as year-month-day with two digits each for month and day, such as 2026-05-04.",
        ));
    }
    Err(refused("is not a date. Write it as year-month-day, such as 2026-05-04."))
}

fn time(text: &str) -> std::result::Result<DateTime<Utc>, Unread> {
    DateTime::parse_from_rfc3339(text)
        // The database keeps microseconds.
        .map(|time| time.to_utc().trunc_subsecs(6))
        .map_err(|_unreadable| {
            Unread(
                "time",
                "is not a time of RFC 3339. Write it with its offset, such as 2026-05-04T10:30:00Z."
                    .to_owned(),
            )
        })
}

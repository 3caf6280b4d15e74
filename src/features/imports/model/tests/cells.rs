//! What stands in cells.

use proptest::prelude::*;
use serde_json::{Value, json};

use crate::features::imports::model::cells::{Cell, DecimalMark, Form, Numeral};
use crate::features::imports::model::text::Delimiter;

fn mark(texts: &[&str], delimiter: Delimiter) -> Result<DecimalMark, Vec<String>> {
    let numerals = (2..).zip(texts).map(|(line, text)| Numeral { line, column: "value", text });
    DecimalMark::of(numerals, delimiter)
        .map_err(|error| error.fields.into_iter().map(|field| field.pointer).collect())
}

/// The numerals of a file, its delimiter, and the mark or the places at fault.
type Case<'a> = (&'a [&'a str], Delimiter, Result<DecimalMark, Vec<String>>);

#[test]
fn a_file_has_one_decimal_mark_or_is_refused() {
    let at = |lines: &[u32]| Err(lines.iter().map(|line| format!("line {line}, column value")).collect());
    let cases: Vec<Case<'_>> = vec![
        (&["1", "2"], Delimiter::Comma, Ok(DecimalMark::Point)),
        (&["1.5", "1.234"], Delimiter::Comma, Ok(DecimalMark::Point)),
        // Alone, a point is a decimal point, in a semicolon file too.
        (&["1.234"], Delimiter::Comma, Ok(DecimalMark::Point)),
        (&["1.234"], Delimiter::Semicolon, Ok(DecimalMark::Point)),
        (&["1,5"], Delimiter::Semicolon, Ok(DecimalMark::Comma)),
        (&["1,234"], Delimiter::Semicolon, Ok(DecimalMark::Comma)),
        // In quotation marks in a comma file: decided by a comma that cannot part thousands.
        (&["1,5"], Delimiter::Comma, Ok(DecimalMark::Comma)),
        (&["1,234", "0,250"], Delimiter::Comma, Ok(DecimalMark::Comma)),
        (&["12,25", "1,234"], Delimiter::Comma, Ok(DecimalMark::Comma)),
        (&["1234,567"], Delimiter::Comma, Ok(DecimalMark::Comma)),
        (&["1,234"], Delimiter::Comma, at(&[2])),
        (&["3", "1,234", "999,000"], Delimiter::Comma, at(&[3])),
        // Both marks: the point might part thousands.
        (&["1.234", "1,5"], Delimiter::Semicolon, at(&[2, 3])),
        (&["7", "1,5", "2.5"], Delimiter::Semicolon, at(&[4, 3])),
        (&["1.5", "1,234"], Delimiter::Comma, at(&[2, 3])),
        // Not numbers, and numbers with thousands, decide nothing: their rows are refused.
        (&["a,b", "1.234,5", "n.a."], Delimiter::Semicolon, Ok(DecimalMark::Point)),
    ];
    for (texts, delimiter, expected) in cases {
        assert_eq!(mark(texts, delimiter), expected, "{texts:?} {delimiter:?}");
    }
}

#[test]
fn numbers() {
    let given = |number: f64| Ok(Cell::Given(Value::from(number)));
    let cases: Vec<(&str, DecimalMark, Result<Cell, &str>)> = vec![
        ("12", DecimalMark::Point, given(12.0)),
        (" 12.5 ", DecimalMark::Point, given(12.5)),
        ("-0.25", DecimalMark::Point, given(-0.25)),
        ("'-0.25", DecimalMark::Point, given(-0.25)),
        ("+3", DecimalMark::Point, given(3.0)),
        (".5", DecimalMark::Point, given(0.5)),
        ("1.2e-10", DecimalMark::Point, given(1.2e-10)),
        ("1,2E+3", DecimalMark::Comma, given(1200.0)),
        ("12,5", DecimalMark::Comma, given(12.5)),
        ("", DecimalMark::Point, Ok(Cell::NotGiven)),
        ("  ", DecimalMark::Point, Ok(Cell::NotGiven)),
        ("null", DecimalMark::Point, Ok(Cell::Clear)),
        ("NaN", DecimalMark::Point, Err("number")),
        ("inf", DecimalMark::Point, Err("number")),
        ("-Infinity", DecimalMark::Point, Err("number")),
        ("1e999", DecimalMark::Point, Err("number")),
        ("0x10", DecimalMark::Point, Err("number")),
        ("1.234,5", DecimalMark::Point, Err("number")),
        ("1,234.5", DecimalMark::Comma, Err("number")),
        ("1 234", DecimalMark::Point, Err("number")),
        ("1'234", DecimalMark::Point, Err("number")),
        ("12 m", DecimalMark::Point, Err("number")),
        (".", DecimalMark::Point, Err("number")),
        ("1e", DecimalMark::Point, Err("number")),
        ("--1", DecimalMark::Point, Err("number")),
        ("١٢", DecimalMark::Point, Err("number")),
        ("1,5", DecimalMark::Point, Err("number")),
    ];
    for (raw, mark, expected) in cases {
        assert_eq!(Form::Number.read(raw, mark).map_err(|unread| unread.0), expected, "{raw}");
    }
}

/// Dates by ISO 8601 (calendar dates, extended format), times by RFC 3339.
#[test]
fn other_forms() {
    const WORDS: Form = Form::Word(&["dry", "damp"]);
    let given = |value: Value| Ok(Cell::Given(value));
    let cases: Vec<(Form, &str, Result<Cell, &str>)> = vec![
        (Form::Whole, "7", given(json!(7))),
        (Form::Whole, "-7", given(json!(-7))),
        (Form::Whole, "7.0", Err("whole_number")),
        (Form::Whole, "99999999999999999999", Err("whole_number")),
        (WORDS, "Damp", given(json!("damp"))),
        (WORDS, "wet", Err("word")),
        (Form::Truth, "TRUE", given(json!(true))),
        (Form::Truth, "no", given(json!(false))),
        (Form::Truth, "1", Err("truth")),
        (Form::Date, "2026-05-04", given(json!("2026-05-04"))),
        (Form::Date, "2024-02-29", given(json!("2024-02-29"))),
        (Form::Date, "2026-02-29", Err("date")),
        (Form::Date, "04/05/2026", Err("date")),
        (Form::Date, "4.5.2026", Err("date")),
        (Form::Date, "2026-5-4", Err("date")),
        (Form::Date, "20260504", Err("date")),
        (Form::Date, "+2026-05-04", Err("date")),
        (Form::Date, "2026-05-04T00:00:00Z", Err("date")),
        (Form::Date, "46146", Err("date")),
        (Form::Time, "2026-05-04T10:30:00Z", given(json!("2026-05-04T10:30:00Z"))),
        (Form::Time, "2026-05-04T12:30:00.5+02:00", given(json!("2026-05-04T10:30:00.500Z"))),
        (Form::Time, "2026-05-04T10:30:00.1234567Z", given(json!("2026-05-04T10:30:00.123456Z"))),
        (Form::Time, "2026-05-04T10:30:00", Err("time")),
        (Form::Time, "2026-05-04", Err("time")),
        (Form::Text, " B 14 ", given(json!("B 14"))),
        (Form::Text, "", Ok(Cell::NotGiven)),
        (Form::Text, "null", Ok(Cell::Clear)),
        (Form::Text, "Null", given(json!("Null"))),
        (Form::Text, "'=1+1", given(json!("=1+1"))),
        (Form::Text, "'\tx", given(json!("\tx"))),
        (Form::Text, "'Ohana", given(json!("'Ohana"))),
        (Form::Text, " '=1", given(json!("'=1"))),
        (Form::Text, "=1+1", given(json!("=1+1"))),
    ];
    for (form, raw, expected) in cases {
        let read = form.read(raw, DecimalMark::Point).map_err(|unread| unread.0);
        assert_eq!(read, expected, "{form:?} {raw}");
    }
}

proptest! {
    /// The standard library's shortest decimal text of a number reads back as the same number.
    #[test]
    fn every_number_is_read_to_the_bit(bits in any::<u64>()) {
        let number = f64::from_bits(bits);
        prop_assume!(number.is_finite());
        let text = number.to_string();
        let expected = Ok(Cell::Given(Value::from(number)));
        prop_assert_eq!(Form::Number.read(&text, DecimalMark::Point), expected.clone());
        prop_assert_eq!(Form::Number.read(&text.replace('.', ","), DecimalMark::Comma), expected.clone());
        prop_assert_eq!(Form::Number.read(&format!("{number:e}"), DecimalMark::Point), expected);
    }

    #[test]
    fn any_cell_is_read_or_refused_with_a_reason(raw in "\\PC{0,12}") {
        for form in [Form::Text, Form::Number, Form::Whole, Form::Word(&["a"]), Form::Truth, Form::Date, Form::Time] {
            if let Err(unread) = form.read(&raw, DecimalMark::Point) {
                prop_assert!(unread.1.ends_with('.'));
            }
        }
    }
}

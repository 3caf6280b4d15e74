//! Texts that are read, and texts that are refused.

use proptest::prelude::*;

use crate::error::{Code, Error};
use crate::features::imports::model::text::{Delimiter, MAX_FILE_BYTES, Table};

fn table(bytes: impl AsRef<[u8]>) -> Result<Table, Error> {
    Table::read(bytes.as_ref(), MAX_FILE_BYTES)
}

fn rows(table: &Table) -> Vec<(u32, Vec<&str>)> {
    table.rows().map(|row| (row.line(), row.cells().collect())).collect()
}

/// The rules are those of RFC 4180, section 2 (lines, delimiters, quotation marks), with the semicolon beside
/// the comma, LF beside CR LF, and the byte order mark of Unicode.
#[test]
fn dialects_are_read() {
    type Row = (u32, Vec<&'static str>);
    let cases: Vec<(&str, &str, Delimiter, Vec<Row>)> = vec![
        ("comma", "a,b\n1,2\n3,4\n", Delimiter::Comma, vec![(2, vec!["1", "2"]), (3, vec!["3", "4"])]),
        ("no last line end", "a,b\n1,2", Delimiter::Comma, vec![(2, vec!["1", "2"])]),
        ("semicolon", "a;b\n1,5;2\n", Delimiter::Semicolon, vec![(2, vec!["1,5", "2"])]),
        ("CR LF", "a,b\r\n1,2\r\n", Delimiter::Comma, vec![(2, vec!["1", "2"])]),
        ("byte order mark", "\u{feff}a,b\n1,2\n", Delimiter::Comma, vec![(2, vec!["1", "2"])]),
        ("quoted mark after BOM", "\u{feff}\"a\",b\n1,2\n", Delimiter::Comma, vec![(2, vec!["1", "2"])]),
        ("a quoted semicolon in the header", "a,\"b;c\"\n1,2\n", Delimiter::Comma, vec![(2, vec!["1", "2"])]),
        ("quoted delimiter", "a,b\n\"1,2\",3\n", Delimiter::Comma, vec![(2, vec!["1,2", "3"])]),
        ("doubled marks", "a,b\n\"say \"\"x\"\"\",3\n", Delimiter::Comma, vec![(2, vec!["say \"x\"", "3"])]),
        ("empty quoted cell", "a,b\n\"\",3\n", Delimiter::Comma, vec![(2, vec!["", "3"])]),
        (
            "a quoted line end counts as a line of the file",
            "a,b\n\"1\n1\",2\n3,4\n",
            Delimiter::Comma,
            vec![(2, vec!["1\n1", "2"]), (4, vec!["3", "4"])],
        ),
        (
            "blank lines and lines of nothing but delimiters",
            "\n\r\na,b\n\n1,2\n , \n,\n3,4\n\n",
            Delimiter::Comma,
            vec![(5, vec!["1", "2"]), (8, vec!["3", "4"])],
        ),
        ("one column", "a\n1\n", Delimiter::Comma, vec![(2, vec!["1"])]),
        ("other scripts", "a,b\nÅse,船\n", Delimiter::Comma, vec![(2, vec!["Åse", "船"])]),
        ("only a header", "a,b\n", Delimiter::Comma, vec![]),
        (
            "too few and too many cells are the row's affair",
            "a,b\n1\n1,2,3\n",
            Delimiter::Comma,
            vec![(2, vec!["1"]), (3, vec!["1", "2", "3"])],
        ),
    ];
    for (name, text, delimiter, expected) in cases {
        let read = table(text).unwrap_or_else(|error| unreachable!("{name}: {error}"));
        assert_eq!(read.delimiter(), delimiter, "{name}");
        assert_eq!(rows(&read), expected, "{name}");
    }
}

#[test]
fn the_header_is_tolerant_of_capitals_and_space() {
    let read = table(" Name ;LENGTH_M\n1;2\n").expect("a table");
    assert_eq!(read.header(), ["name", "length_m"]);
    assert_eq!(read.header_line(), 1);
    assert_eq!(table("\n\nname\nx\n").expect("a table").header_line(), 3);
}

#[test]
fn what_can_be_read_in_two_ways_is_refused_with_its_line() {
    let cases: Vec<(&str, &[u8], Code, &str, &str)> = vec![
        ("nothing", b"", Code::Malformed, "empty", "line 1"),
        ("only blank lines", b"\n \r\n\n", Code::Malformed, "empty", "line 1"),
        ("Latin-1", b"a,b\nx,\xE9t\xE9\n", Code::Malformed, "encoding", "line 2"),
        ("cut in a character", b"a,b\n1,2\nx,\xC3", Code::Malformed, "encoding", "line 3"),
        ("UTF-16, little-endian", b"\xFF\xFEa\0,\0b\0", Code::Malformed, "encoding", "line 1"),
        ("UTF-16, big-endian", b"\xFE\xFF\0a\0,\0b", Code::Malformed, "encoding", "line 1"),
        ("U+0000", b"a,b\n1,\0\n", Code::Malformed, "character", "line 2"),
        ("both delimiters", b"a,b;c\n1,2;3\n", Code::Invalid, "ambiguous_delimiter", "line 1"),
        ("tabs", b"\na\tb\n1\t2\n", Code::Invalid, "ambiguous_delimiter", "line 2"),
        ("a mark never closed", b"a,b\n1,2\n\"3,4\n5,6\n", Code::Malformed, "quotation_mark", "line 3"),
        ("a mark inside a bare cell", b"a,b\n1,5\" pipe\n", Code::Malformed, "quotation_mark", "line 2"),
        ("text after a closing mark", b"a,b\n\"1\"2,3\n", Code::Malformed, "quotation_mark", "line 2"),
        ("space after a closing mark", b"a,b\n\"1\" ,3\n", Code::Malformed, "quotation_mark", "line 2"),
        ("CR alone", b"a,b\r1,2\r", Code::Malformed, "line_end", "line 1"),
    ];
    for (name, bytes, code, word, place) in cases {
        let error = table(bytes).expect_err(name);
        assert_eq!(error.code, code, "{name}");
        let field = error.fields.first().expect(name);
        assert_eq!((field.code.as_str(), field.pointer.as_str()), (word, place), "{name}");
        assert!(error.detail.contains(place), "{name}: {}", error.detail);
    }
}

#[test]
fn a_bad_byte_is_named_with_its_place() {
    let error = table(b"a,b\nx,\xE9").expect_err("Latin-1");
    assert!(error.detail.contains("0xE9 at byte 7 of the file"), "{}", error.detail);
}

#[test]
fn a_longer_file_than_the_bound_is_too_large() {
    let text = "a,b\n1,2\n";
    let bound = u32::try_from(text.len()).expect("a short text");
    assert!(Table::read(text.as_bytes(), bound).is_ok());
    let error = Table::read(text.as_bytes(), bound - 1).expect_err("one byte too many");
    assert_eq!(error.code, Code::TooLarge);
}

/// A cell without U+0000; the first of a row is never blank, for a blank row is passed over.
fn cells() -> impl Strategy<Value = Vec<Vec<String>>> {
    let cell = "[^\\x00]{0,6}|[,;\"\r\n ']{0,4}|[a-z]{1,3}";
    (1_usize..5).prop_flat_map(move |width| {
        let row = ("[a-z0-9]{1,3}", prop::collection::vec(cell, width))
            .prop_map(|(first, rest)| std::iter::once(first).chain(rest).collect::<Vec<String>>());
        prop::collection::vec(row, 0..8)
    })
}

proptest! {
    /// The reference is the writer of the csv crate.
    #[test]
    fn what_another_library_writes_is_read_back(rows in cells(), semicolon in any::<bool>(), crlf in any::<bool>()) {
        let width = rows.first().map_or(2, Vec::len);
        let mut writer = csv::WriterBuilder::new()
            .delimiter(if semicolon { b';' } else { b',' })
            .terminator(if crlf { csv::Terminator::CRLF } else { csv::Terminator::Any(b'\n') })
            .from_writer(Vec::new());
        writer.write_record((0..width).map(|n| format!("column{n}"))).expect("a record");
        for row in &rows {
            writer.write_record(row).expect("a record");
        }
        let bytes = writer.into_inner().expect("the bytes");
        let read = table(&bytes).map_err(|error| TestCaseError::fail(error.detail))?;
        let found: Vec<Vec<String>> = read.rows().map(|row| row.cells().map(str::to_owned).collect()).collect();
        prop_assert_eq!(found, rows);
    }

    /// The lines told are those on which the rows begin.
    #[test]
    fn a_row_is_on_the_line_it_begins_on(gaps in prop::collection::vec(0_usize..3, 1..10)) {
        let mut text = "a,b\n".to_owned();
        let mut expected = Vec::new();
        let mut line = 2;
        for (n, gap) in gaps.iter().enumerate() {
            text.push_str(&"\n".repeat(*gap));
            line += gap;
            expected.push(u32::try_from(line).expect("few lines"));
            text.push_str(&format!("\"{n}{}\",x\n", "\n".repeat(*gap)));
            line += gap + 1;
        }
        let read = table(&text).map_err(|error| TestCaseError::fail(error.detail))?;
        prop_assert_eq!(read.rows().map(|row| row.line()).collect::<Vec<_>>(), expected);
    }

    /// Any bytes are read or refused, and a refusal says where.
    #[test]
    fn any_bytes_are_read_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..60)) {
        if let Err(error) = table(&bytes) {
            prop_assert!(matches!(error.code, Code::Malformed | Code::Invalid));
            prop_assert!(error.fields.iter().all(|field| field.pointer.starts_with("line ")));
        }
    }
}

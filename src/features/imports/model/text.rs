//! The text of an import, read strictly: UTF-8, cells and quotation marks as RFC 4180 has them, comma or
//! semicolon. Whatever could be read in two ways is refused with its line, because a guess that moves a
//! cell moves a number to another hull.

use std::io::Read;

use sha2::{Digest, Sha256};

use crate::error::{Code, Error, FieldError, Result};

/// The bytes of an import taken at most, over HTTP and from a file: 64 MiB.
pub const MAX_FILE_BYTES: u32 = 64 * 1024 * 1024;

/// What parts the cells of a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Delimiter {
    /// `,`
    Comma,
    /// `;`
    Semicolon,
}

impl Delimiter {
    /// Its byte.
    #[must_use]
    pub fn byte(self) -> u8 {
        match self {
            Self::Comma => b',',
            Self::Semicolon => b';',
        }
    }
}

/// A file's header and rows. All cells stand one after another in one text, so that a file of 100,000 rows
/// is a handful of allocations.
#[derive(Debug)]
pub struct Table {
    text: String,
    ends: Vec<u32>,
    rows: Vec<Span>,
    header: Vec<String>,
    header_line: u32,
    delimiter: Delimiter,
    sha256: [u8; 32],
}

#[derive(Debug, Clone, Copy)]
struct Span {
    line: u32,
    first: u32,
    cells: u32,
}

/// One row of a [`Table`].
#[derive(Debug, Clone, Copy)]
pub struct Row<'a> {
    table: &'a Table,
    span: Span,
}

impl<'a> Row<'a> {
    /// The line of the file it begins on; the first line is 1.
    #[must_use]
    pub fn line(&self) -> u32 {
        self.span.line
    }

    /// How many cells it has.
    #[must_use]
    pub fn len(&self) -> usize {
        self.span.cells as usize
    }

    /// Never: rows without a cell are skipped.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.span.cells == 0
    }

    /// A cell as it stands in the file, without its quotation marks.
    #[must_use]
    pub fn get(&self, column: usize) -> Option<&'a str> {
        (column < self.len()).then(|| self.table.cell(self.span.first as usize + column))
    }

    /// All cells as they stand in the file.
    pub fn cells(&self) -> impl Iterator<Item = &'a str> + use<'a> {
        let (table, span) = (self.table, self.span);
        (0..span.cells as usize).map(move |n| table.cell(span.first as usize + n))
    }
}

impl Table {
    /// Reads at most `max_bytes` of `source`.
    ///
    /// # Errors
    /// Too large; malformed, naming the line, for anything but strict CSV in UTF-8; invalid for a header
    /// that does not tell its delimiter.
    pub fn read(source: impl Read, max_bytes: u32) -> Result<Self> {
        let mut bytes = Vec::new();
        source.take(u64::from(max_bytes) + 1).read_to_end(&mut bytes).map_err(|cause| {
            Error::new(Code::Malformed, "The file cannot be read to its end. Send it again.").because(cause)
        })?;
        if bytes.len() > max_bytes as usize {
            return Err(too_large(max_bytes));
        }
        let sha256 = Sha256::digest(&bytes).into();
        refuse_other_encodings(&bytes)?;
        let start = if bytes.starts_with(b"\xEF\xBB\xBF") { 3 } else { 0 };
        let delimiter = delimiter_of(&bytes, start)?;
        Scanner { bytes, at: start, kept: 0, line: 1, delimiter, ends: Vec::new() }.table(sha256)
    }

    fn cell(&self, n: usize) -> &str {
        let end = self.ends.get(n).map_or(0, |end| *end as usize);
        let start = n.checked_sub(1).and_then(|n| self.ends.get(n)).map_or(0, |end| *end as usize);
        self.text.get(start..end).unwrap_or_default()
    }

    /// The header's names: lower case, without surrounding space.
    #[must_use]
    pub fn header(&self) -> &[String] {
        &self.header
    }

    /// The line of the header.
    #[must_use]
    pub fn header_line(&self) -> u32 {
        self.header_line
    }

    /// What parts the cells.
    #[must_use]
    pub fn delimiter(&self) -> Delimiter {
        self.delimiter
    }

    /// The digest of the file's bytes.
    #[must_use]
    pub fn sha256(&self) -> &[u8; 32] {
        &self.sha256
    }

    /// The rows below the header; lines without any text are left out.
    #[must_use]
    pub fn rows(&self) -> impl ExactSizeIterator<Item = Row<'_>> {
        self.rows.iter().map(|span| Row { table: self, span: *span })
    }
}

/// The refusal of a file longer than `max_bytes`.
#[must_use]
pub fn too_large(max_bytes: u32) -> Error {
    Error::new(
        Code::TooLarge,
        format!(
            "The file is longer than {max_bytes} bytes. Split it and import the parts one after another."
        ),
    )
}

fn malformed(line: u32, code: &str, detail: &str) -> Error {
    let place = format!("line {line}");
    Error {
        code: Code::Malformed,
        detail: format!("The file cannot be read at {place}: it {detail}"),
        fields: vec![FieldError::new(place, code, detail)],
        cause: None,
        retry_after_s: None,
    }
}

fn line_of(bytes: &[u8], position: usize) -> u32 {
    let ends = bytes.iter().take(position).filter(|byte| **byte == b'\n').count();
    u32::try_from(ends + 1).unwrap_or(u32::MAX)
}

fn refuse_other_encodings(bytes: &[u8]) -> Result<()> {
    if bytes.starts_with(b"\xFF\xFE") || bytes.starts_with(b"\xFE\xFF") {
        return Err(malformed(1, "encoding", "is UTF-16 text. Save it as CSV in UTF-8."));
    }
    if let Err(error) = std::str::from_utf8(bytes) {
        let position = error.valid_up_to();
        let byte = bytes.get(position).copied().unwrap_or_default();
        return Err(malformed(
            line_of(bytes, position),
            "encoding",
            &format!(
                "holds the byte {byte:#04X} at byte {} of the file, which is not UTF-8. Save the file as CSV in UTF-8.",
                position + 1
            ),
        ));
    }
    match bytes.iter().position(|byte| *byte == 0) {
        None => Ok(()),
        Some(position) => Err(malformed(
            line_of(bytes, position),
            "character",
            "holds the character U+0000, which cannot be kept. Take it out.",
        )),
    }
}

/// The delimiter the header shows: of comma and semicolon, only one may stand outside quotation marks.
fn delimiter_of(bytes: &[u8], start: usize) -> Result<Delimiter> {
    let (mut line, mut quoted, mut text) = (1, false, false);
    let (mut comma, mut semicolon, mut tab) = (false, false, false);
    for byte in bytes.iter().skip(start) {
        match byte {
            b'"' => (quoted, text) = (!quoted, true),
            b'\n' if !quoted && !text => line += 1,
            b'\n' if !quoted => break,
            _ if quoted => {}
            b',' => (comma, text) = (true, true),
            b';' => (semicolon, text) = (true, true),
            b'\t' => tab = true,
            other if !other.is_ascii_whitespace() => text = true,
            _ => {}
        }
    }
    if !text {
        return Err(malformed(1, "empty", "is empty. The first line names the columns; see the template."));
    }
    match (comma, semicolon) {
        (true, true) => Err(header_fault(
            line,
            "ambiguous_delimiter",
            "holds commas and semicolons, so that the columns cannot be told. Use one of them throughout.",
        )),
        (false, true) => Ok(Delimiter::Semicolon),
        (false, false) if tab => Err(header_fault(
            line,
            "ambiguous_delimiter",
            "is parted by tabs. Save the file with commas or semicolons.",
        )),
        _ => Ok(Delimiter::Comma),
    }
}

fn header_fault(line: u32, code: &str, detail: &str) -> Error {
    let mut error = Error::field(format!("line {line}"), code, detail);
    error.detail = format!("The header on line {line} {detail}");
    error
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum After {
    Cell,
    Line,
    End,
}

/// Walks the bytes once, moving the text of each cell to the front: what is kept is never longer than what
/// was read.
struct Scanner {
    bytes: Vec<u8>,
    at: usize,
    kept: usize,
    line: u32,
    delimiter: Delimiter,
    ends: Vec<u32>,
}

impl Scanner {
    fn table(mut self, sha256: [u8; 32]) -> Result<Table> {
        let mut header = None;
        let mut rows = Vec::new();
        loop {
            let (line, first, kept) = (self.line, self.ends.len(), self.kept);
            let after = self.record()?;
            if self.is_blank(kept) {
                self.ends.truncate(first);
                self.kept = kept;
            } else {
                let narrow =
                    |n: usize| u32::try_from(n).map_err(|cause| too_large(MAX_FILE_BYTES).because(cause));
                let span = Span { line, first: narrow(first)?, cells: narrow(self.ends.len() - first)? };
                if header.is_none() { header = Some(span) } else { rows.push(span) }
            }
            if after == After::End {
                break;
            }
        }
        let header =
            header.ok_or_else(|| malformed(1, "empty", "is empty. The first line names the columns."))?;
        let Self { mut bytes, kept, delimiter, ends, .. } = self;
        bytes.truncate(kept);
        let text = String::from_utf8(bytes).map_err(Error::internal)?;
        let mut table =
            Table { text, ends, rows, header: Vec::new(), header_line: header.line, delimiter, sha256 };
        table.header =
            Row { table: &table, span: header }.cells().map(|name| name.trim().to_lowercase()).collect();
        Ok(table)
    }

    fn is_blank(&self, from: usize) -> bool {
        self.bytes.get(from..self.kept).is_none_or(|kept| kept.iter().all(u8::is_ascii_whitespace))
    }

    fn record(&mut self) -> Result<After> {
        loop {
            let after = if self.peek() == Some(b'"') { self.quoted()? } else { self.bare()? };
            self.ends
                .push(u32::try_from(self.kept).map_err(|cause| too_large(MAX_FILE_BYTES).because(cause))?);
            if after != After::Cell {
                return Ok(after);
            }
        }
    }

    fn peek(&self) -> Option<u8> {
        self.bytes.get(self.at).copied()
    }

    fn keep(&mut self, byte: u8) {
        if let Some(slot) = self.bytes.get_mut(self.kept) {
            *slot = byte;
            self.kept += 1;
        }
    }

    /// The end of a cell, if one stands here; takes it.
    fn ending(&mut self) -> Result<Option<After>> {
        let after = match self.peek() {
            None => return Ok(Some(After::End)),
            Some(byte) if byte == self.delimiter.byte() => After::Cell,
            Some(b'\n') => After::Line,
            Some(b'\r') if self.bytes.get(self.at + 1) == Some(&b'\n') => {
                self.at += 1;
                After::Line
            }
            Some(b'\r') => {
                return Err(malformed(
                    self.line,
                    "line_end",
                    "holds a carriage return without a line feed. Save the file with the line ends LF or CR LF.",
                ));
            }
            Some(_) => return Ok(None),
        };
        self.at += 1;
        if after == After::Line {
            self.line += 1;
        }
        Ok(Some(after))
    }

    fn bare(&mut self) -> Result<After> {
        loop {
            if let Some(after) = self.ending()? {
                return Ok(after);
            }
            match self.peek() {
                Some(b'"') => {
                    return Err(malformed(
                        self.line,
                        "quotation_mark",
                        "has a quotation mark inside a cell that does not begin with one. Put the whole cell in quotation marks and double those inside.",
                    ));
                }
                Some(byte) => self.keep(byte),
                None => {}
            }
            self.at += 1;
        }
    }

    fn quoted(&mut self) -> Result<After> {
        let opened = self.line;
        self.at += 1;
        loop {
            match self.peek() {
                None => {
                    return Err(malformed(
                        opened,
                        "quotation_mark",
                        "opens a quotation mark that is never closed. Close it.",
                    ));
                }
                Some(b'"') if self.bytes.get(self.at + 1) == Some(&b'"') => {
                    self.keep(b'"');
                    self.at += 2;
                }
                Some(b'"') => {
                    self.at += 1;
                    return self.ending()?.ok_or_else(|| {
                        malformed(
                            self.line,
                            "quotation_mark",
                            "goes on after a closing quotation mark. Double the quotation marks inside a cell.",
                        )
                    });
                }
                Some(byte) => {
                    if byte == b'\n' {
                        self.line += 1;
                    }
                    self.keep(byte);
                    self.at += 1;
                }
            }
        }
    }
}

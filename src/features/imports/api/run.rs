//! One import from a file's bytes to its report: one transaction, all or nothing unless told otherwise.

use std::io::Read;

use serde::Serialize;
use uuid::Uuid;

use super::records::Records;
use super::refusal::Refusal;
use crate::db::{Actor, Db, Tx};
use crate::error::{Code, Error, Result};
use crate::features::audit::{self, Act};
use crate::features::imports::model::kinds::{ImportKind, REFUSED_BECAUSE};
use crate::features::imports::model::report::{ImportReport, MAX_LISTED, RowError};
use crate::features::imports::model::sheet::Sheet;
use crate::features::imports::model::text::{MAX_FILE_BYTES, Row};
use crate::features::imports::store;

/// How a file is imported.
#[derive(Debug, Clone, Copy)]
pub struct Options {
    /// Try it and keep nothing.
    pub dry_run: bool,
    /// Keep the good rows although others are refused.
    pub skip_bad: bool,
    /// Change records that are kept with other values.
    pub update: bool,
    /// Write the refused rows into the report.
    pub refused_rows: bool,
    /// The bytes taken at most.
    pub max_bytes: u32,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            dry_run: false,
            skip_bad: false,
            update: false,
            refused_rows: false,
            max_bytes: MAX_FILE_BYTES,
        }
    }
}

/// What a row did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Effect {
    Created,
    Updated,
    Unchanged,
}

/// How far an import is: rows done, of rows in all.
pub type Progress<'a> = dyn FnMut(usize, usize) + 'a;

/// Imports a file for an organisation. What is wrong with rows stands in the report; whether anything was
/// kept, in its `committed`.
///
/// # Errors
/// What bars the whole file: it cannot be read, its header or its decimal mark is at fault, another import of
/// the organisation is running, or the database fails. Nothing is kept then.
pub fn run(
    db: &Db,
    actor: &Actor,
    kind: ImportKind,
    source: impl Read,
    options: Options,
    progress: &mut Progress<'_>,
) -> Result<ImportReport> {
    let sheet = Sheet::read(kind, source, options.max_bytes)?;
    let mut outcome = None;
    let written = db.write(actor, |tx| {
        store::hold_imports(tx)?;
        let mut tally = Tally::of(&sheet, options);
        tally.write(tx, &sheet, progress)?;
        let report = tally.report;
        let keep = report.committed;
        if keep && report.created + report.updated > 0 {
            record(tx, &sheet, &report)?;
        }
        outcome = Some(report);
        if keep { Ok(()) } else { Err(Error::new(Code::Conflict, "The import is taken back.")) }
    });
    match (written, outcome) {
        (Ok(()), Some(report)) => Ok(report),
        (Err(_), Some(report)) if !report.committed => Ok(report),
        (Err(error), _) => Err(error),
        (Ok(()), None) => Err(Error::internal("an import without a report")),
    }
}

/// What came of the rows so far.
struct Tally {
    report: ImportReport,
    options: Options,
    refused_rows: Option<csv::Writer<Vec<u8>>>,
}

impl Tally {
    fn of(sheet: &Sheet, options: Options) -> Self {
        let report = ImportReport {
            kind: sheet.kind(),
            dry_run: options.dry_run,
            committed: false,
            rows: sheet.table().rows().len(),
            created: 0,
            updated: 0,
            unchanged: 0,
            refused: 0,
            errors: Vec::new(),
            refused_csv: None,
        };
        let writer = || {
            csv::WriterBuilder::new()
                .delimiter(sheet.table().delimiter().byte())
                .flexible(true)
                .from_writer(Vec::new())
        };
        Self { report, options, refused_rows: options.refused_rows.then(writer) }
    }

    fn write(&mut self, tx: &mut Tx<'_>, sheet: &Sheet, progress: &mut Progress<'_>) -> Result<()> {
        let mut records = Records::of(tx, sheet, self.options.update)?;
        let rows = self.report.rows;
        for (n, row) in sheet.table().rows().enumerate() {
            if n % 200 == 0 {
                progress(n, rows);
            }
            let written = match sheet.entry(row) {
                Ok(entry) => records.write(tx, &entry),
                Err(errors) => Err(Refusal::Row(errors)),
            };
            match written {
                Ok(Effect::Created) => self.report.created += 1,
                Ok(Effect::Updated) => self.report.updated += 1,
                Ok(Effect::Unchanged) => self.report.unchanged += 1,
                Err(Refusal::Row(errors)) => self.refuse(sheet, row, errors)?,
                Err(Refusal::Import(error)) => return Err(error),
            }
        }
        self.report.committed = !self.options.dry_run && (self.report.refused == 0 || self.options.skip_bad);
        // What rows gathered for one stroke at the end is also tried for a dry run, but not for a file that
        // is lost already.
        if self.report.refused == 0 || self.options.skip_bad {
            records.finish(tx)?;
        }
        progress(rows, rows);
        if let Some(writer) = self.refused_rows.take().filter(|_| self.report.refused > 0) {
            let bytes = writer.into_inner().map_err(|cause| Error::internal(cause.to_string()))?;
            self.report.refused_csv = Some(String::from_utf8(bytes).map_err(Error::internal)?);
        }
        Ok(())
    }

    fn refuse(&mut self, sheet: &Sheet, row: Row<'_>, errors: Vec<RowError>) -> Result<()> {
        if let Some(writer) = &mut self.refused_rows {
            let header = sheet.table().header();
            // A file of refused rows that was mended in part comes with its column of reasons.
            let reasons = header.iter().position(|name| name == REFUSED_BECAUSE);
            let without = |n: usize| Some(n) != reasons;
            if self.report.refused == 0 {
                let names =
                    header.iter().enumerate().filter(|(n, _)| without(*n)).map(|(_, name)| name.as_str());
                writer.write_record(names.chain([REFUSED_BECAUSE])).map_err(Error::internal)?;
            }
            let reason = errors.iter().map(RowError::sentence).collect::<Vec<_>>().join(" ");
            let reason = format!("line {}: {reason}", row.line());
            let cells = row.cells().enumerate().filter(|(n, _)| without(*n)).map(|(_, cell)| cell);
            writer.write_record(cells.chain([reason.as_str()])).map_err(Error::internal)?;
        }
        self.report.refused += 1;
        let room = MAX_LISTED.saturating_sub(self.report.errors.len());
        self.report.errors.extend(errors.into_iter().take(room));
        Ok(())
    }
}

/// What the audit keeps of an import as a whole.
#[derive(Serialize)]
struct ImportRecord<'a> {
    kind: &'a str,
    file_sha256: String,
    rows: usize,
    created: usize,
    updated: usize,
    unchanged: usize,
    refused: usize,
}

fn record(tx: &mut Tx<'_>, sheet: &Sheet, report: &ImportReport) -> Result<()> {
    let after = ImportRecord {
        kind: report.kind.as_str(),
        file_sha256: sheet.table().sha256().iter().map(|byte| format!("{byte:02x}")).collect(),
        rows: report.rows,
        created: report.created,
        updated: report.updated,
        unchanged: report.unchanged,
        refused: report.refused,
    };
    let entity_id: Uuid = tx.actor().request_id.into();
    audit::record(
        tx,
        &Act { action: "import_file", entity: "import", entity_id, before: None, after: Some(&after) },
    )
}

//! `garboard import`: a file into the database, with every row that is wrong told by line and column.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::{Args, ValueEnum};
use indicatif::{ProgressBar, ProgressStyle};
use serde_json::Value;

use crate::cli::client::{Remote, Service};
use crate::cli::database::{ForOrganisation, Where};
use crate::cli::output::{hushed, print, print_line};
use crate::codes;
use crate::db::{Actor, Db};
use crate::error::{Code, Error, Result};
use crate::features::forecasts;
use crate::features::imports::model::kinds::ImportKind;
use crate::features::imports::model::report::ImportReport;
use crate::features::imports::{Options, run};
use crate::jobs::run_until_idle;

/// The longest a service may take over a file.
const IMPORT_TIME: Duration = Duration::from_mins(15);

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Kind {
    Vessels,
    HaulOuts,
    Readings,
    Coats,
}

/// Import a CSV file: the whole file or nothing. Importing a file twice changes nothing.
#[derive(Debug, Args)]
pub struct Import {
    #[command(flatten)]
    database: Where,
    #[command(flatten)]
    organisation: ForOrganisation,
    #[command(flatten)]
    remote: Remote,
    /// What the file holds
    #[arg(value_enum)]
    kind: Kind,
    /// The file: UTF-8, comma or semicolon, decimal point or comma, ISO dates
    #[arg(required_unless_present = "template")]
    file: Option<PathBuf>,
    /// Print a file to begin with: the header and one line of examples
    #[arg(long, conflicts_with_all = ["file", "dry_run", "skip_bad", "update"])]
    template: bool,
    /// Tell what would come of it, and keep nothing
    #[arg(long)]
    dry_run: bool,
    /// Import the good rows, and write the refused ones to FILE.bad.csv with the reasons
    #[arg(long)]
    skip_bad: bool,
    /// Change records that are kept with other values
    #[arg(long)]
    update: bool,
}

impl Import {
    pub(super) fn run(&self) -> Result<()> {
        let kind = match self.kind {
            Kind::Vessels => ImportKind::Vessels,
            Kind::HaulOuts => ImportKind::HaulOuts,
            Kind::Readings => ImportKind::Readings,
            Kind::Coats => ImportKind::Coats,
        };
        let Some(path) = &self.file else {
            return print(&kind.template());
        };
        let file = File::open(path).map_err(|cause| {
            Error::new(Code::Invalid, format!("Cannot read {}: {cause}. Check the name.", path.display()))
        })?;
        if let Some(door) = self.remote.door(self.database.data_dir.as_deref())? {
            return self.send_to(&self.remote.enter(door)?, kind, path, file);
        }
        let opened = self.database.open()?;
        let actor: Actor = self.organisation.actor(&opened.db)?;
        let options = Options {
            dry_run: self.dry_run,
            skip_bad: self.skip_bad,
            update: self.update,
            refused_rows: self.skip_bad,
            ..Options::default()
        };
        let bar = bar();
        let report = run(&opened.db, &actor, kind, file, options, &mut |done, rows| {
            bar.set_length(u64::try_from(rows).unwrap_or(u64::MAX));
            bar.set_position(u64::try_from(done).unwrap_or(u64::MAX));
        });
        bar.finish_and_clear();
        let report = report?;
        self.tell(path, &report)?;
        if report.committed && report.created + report.updated > 0 { forecast(&opened.db) } else { Ok(()) }
    }

    fn send_to(&self, service: &Service, kind: ImportKind, path: &Path, file: File) -> Result<()> {
        if self.organisation.organisation.is_some() {
            return Err(Error::new(
                Code::Invalid,
                "--organisation is for a database here. A session and a program are in one organisation each.",
            ));
        }
        let options = [("dry_run", self.dry_run), ("skip_bad", self.skip_bad), ("update", self.update)];
        let query: Vec<(&str, &str)> =
            options.iter().filter(|(_, on)| *on).map(|(name, _)| (*name, "true")).collect();
        let request = service
            .request("POST", &format!("/v1/imports/{}", codes::to_text(&kind)?))
            .query(&query)
            .timeout(IMPORT_TIME)
            .header("Content-Type", "text/csv")
            .body(file);
        let (status, answer) = service.ask(request)?;
        if status == 200 {
            let report: ImportReport = serde_json::from_value(answer).map_err(|cause| {
                Error::new(
                    Code::Invalid,
                    "The service answers otherwise than this command knows. Use one of its age.",
                )
                .because(cause)
            })?;
            return self.tell(path, &report);
        }
        for error in answer["errors"].as_array().into_iter().flatten() {
            let (place, detail) = (&error["pointer"], &error["detail"]);
            let text = |value: &Value| hushed(value.as_str().unwrap_or_default());
            eprintln!("{}: {}", text(place), text(detail));
        }
        let said = hushed(answer["detail"].as_str().unwrap_or("The service refused the file."));
        Err(Error::new(
            Code::Invalid,
            said.replace("or send skip_bad=true to import", "or import with --skip-bad"),
        ))
    }

    /// Says what came of it: the rows at fault on stderr, one a line, the outcome last.
    fn tell(&self, path: &Path, report: &ImportReport) -> Result<()> {
        for error in &report.errors {
            eprintln!("line {}: {}", error.line, error.sentence());
        }
        let counts = format!(
            "{} rows: {} created, {} updated, {} unchanged, {} refused",
            report.rows, report.created, report.updated, report.unchanged, report.refused
        );
        if report.refused > 0 && !self.skip_bad {
            return Err(Error::new(
                Code::Invalid,
                format!(
                    "{counts}. Nothing was imported. Correct the rows, or import the others with --skip-bad."
                ),
            ));
        }
        if let Some(rows) = &report.refused_csv {
            let bad = bad_path(path);
            std::fs::write(&bad, rows).map_err(|cause| {
                let refused = "The rows are imported, but the refused ones cannot be written to";
                Error::new(Code::Unavailable, format!("{refused} {}: {cause}.", bad.display()))
            })?;
            eprintln!("The refused rows and why are in {}: mend them and import that file.", bad.display());
        }
        let kept = if report.dry_run { " Nothing was kept: a dry run." } else { "" };
        print_line(&format!("{counts}.{kept}"))
    }
}

/// Brings the forecasts up to date, along with the worker of a service where one runs: without one, the due
/// list would wait for the next service.
fn forecast(db: &Db) -> Result<()> {
    let tally = run_until_idle(db, &forecasts::job::workers())?;
    if tally.done > 0 {
        eprintln!("{} forecasts computed.", tally.done);
    }
    Ok(())
}

/// `FILE.bad.csv` for `FILE.csv`, and for `FILE`.
fn bad_path(path: &Path) -> PathBuf {
    let plain = if path.extension().is_some_and(|end| end.eq_ignore_ascii_case("csv")) {
        path.with_extension("")
    } else {
        path.to_owned()
    };
    let mut name = plain.into_os_string();
    name.push(".bad.csv");
    PathBuf::from(name)
}

/// A progress bar on stderr, where that is a terminal.
fn bar() -> ProgressBar {
    let bar = ProgressBar::new(0);
    if let Ok(style) = ProgressStyle::with_template("{bar:40} {pos} of {len} rows, {eta} to go") {
        bar.set_style(style);
    }
    bar
}

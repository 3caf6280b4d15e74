//! Importing a file: its text and its columns are looked at, what would come of each row is shown in place, and only
//! then is it kept. The text travels with the form, so that it can be corrected where it stands and nothing of it
//! waits on the server; longer files go over the API or the command line.

use actix_web::HttpRequest;
use askama::Template;

use super::form::{Filled, Pairs, field};
use super::frame::{Frame, Told, organisation_name, send_telling};
use super::import_columns::{Heading, headings, renamed, signature};
use super::session::PagePermit;
use crate::error::{Code, Error, Result};
use crate::features::imports::api::endpoints::AT_WORK;
use crate::features::imports::model::kinds::ImportKind;
use crate::features::imports::model::report::{ImportReport, RowError};
use crate::features::imports::model::text::Table;
use crate::features::imports::{Options, run};
use crate::http::{App, Outcome};
use crate::permissions::KeepRegister;

/// The longest text of a file here, in bytes.
pub const MOST_TEXT_BYTES: u32 = 1024 * 1024;
/// The longest form: a text may be three times as long in it.
pub const MOST_FORM_BYTES: usize = 4 * 1024 * 1024;
/// Refused rows that are shown with their cells.
const ROWS_SHOWN: usize = 40;

/// A cell of a refused row.
struct CellShown {
    column: String,
    text: String,
    wrong: Vec<String>,
}

/// A refused row.
struct RowShown {
    line: u32,
    /// What is wrong with the row as a whole.
    wrong: Vec<String>,
    cells: Vec<CellShown>,
}

#[derive(Default)]
struct Looked {
    headings: Vec<Heading>,
    report: Option<ImportReport>,
    rows: Vec<RowShown>,
}

#[derive(Template)]
#[template(path = "import.html")]
struct ImportPage {
    frame: Frame,
    kind: ImportKind,
    text: String,
    update: bool,
    skip_bad: bool,
    looked: Looked,
}

#[expect(clippy::unused_self, reason = "the template calls it")]
impl ImportPage {
    fn kind_words(&self, kind: &ImportKind) -> &'static str {
        match kind {
            ImportKind::Vessels => "vessels",
            ImportKind::HaulOuts => "haul-outs",
            ImportKind::Readings => "readings",
            ImportKind::Coats => "coats",
        }
    }

    fn columns(&self) -> String {
        let header: Vec<String> = self.looked.headings.iter().map(|heading| heading.name.clone()).collect();
        signature(self.kind, &header)
    }

    fn ready(&self) -> bool {
        let takes = |report: &ImportReport| !report.committed && (report.refused == 0 || self.skip_bad);
        self.looked.report.as_ref().is_some_and(|report| takes(report) && report.created + report.updated > 0)
    }

    fn done(&self) -> bool {
        self.looked.report.as_ref().is_some_and(|report| report.committed)
    }
}

/// The refused rows with their cells, what is wrong beside each.
fn rows_shown(text: &str, report: &ImportReport) -> Result<Vec<RowShown>> {
    let table = Table::read(text.as_bytes(), MOST_TEXT_BYTES)?;
    let mut shown: Vec<RowShown> = Vec::new();
    for row in table.rows() {
        let errors: Vec<&RowError> = report.errors.iter().filter(|error| error.line == row.line()).collect();
        if errors.is_empty() {
            continue;
        }
        if shown.len() == ROWS_SHOWN {
            break;
        }
        let of = |column: &str| -> Vec<String> {
            errors.iter().filter(|error| error.column == column).map(|error| error.reason.clone()).collect()
        };
        let cells: Vec<CellShown> = table
            .header()
            .iter()
            .zip(row.cells())
            .map(|(column, text)| CellShown {
                wrong: of(column),
                column: column.trim_start_matches('-').to_owned(),
                text: text.to_owned(),
            })
            .filter(|cell| !cell.text.is_empty() || !cell.wrong.is_empty())
            .collect();
        // What is wrong with a column that the file does not have is told of the row.
        let elsewhere = errors.iter().filter(|error| !table.header().contains(&error.column));
        let wrong = elsewhere.map(|error| error.sentence()).collect();
        shown.push(RowShown { line: row.line(), wrong, cells });
    }
    Ok(shown)
}

async fn page(
    app: &App,
    request: &HttpRequest,
    permit: &PagePermit<KeepRegister>,
    filled: &Pairs,
    looked: Looked,
    told: Option<Told>,
) -> Outcome {
    let name = app.read(&permit.0, organisation_name).await?;
    let frame = Frame::of(request, name, "import", "Import")?.telling(told);
    let page = ImportPage {
        frame,
        kind: kind(filled).unwrap_or(ImportKind::Vessels),
        text: field(filled, "text").unwrap_or_default().to_owned(),
        update: field(filled, "update").is_some(),
        skip_bad: field(filled, "skip_bad").is_some(),
        looked,
    };
    send_telling(&page, page.frame.told.as_ref())
}

fn kind(filled: &Pairs) -> Result<ImportKind> {
    ImportKind::named(field(filled, "kind").unwrap_or("vessels"))
}

/// The page to begin with.
///
/// # Errors
/// Those of the database.
pub async fn show(app: App, request: HttpRequest, permit: PagePermit<KeepRegister>) -> Outcome {
    page(&app, &request, &permit, &Pairs::new(), Looked::default(), None).await
}

/// Looks at a file, or imports it.
///
/// # Errors
/// Those of the database.
pub async fn look(
    app: App,
    request: HttpRequest,
    permit: PagePermit<KeepRegister>,
    filled: Filled<Pairs>,
) -> Outcome {
    let filled = filled.0;
    let kind = kind(&filled)?;
    // A form ends lines by CR LF, and counts them the same.
    let text = field(&filled, "text").unwrap_or_default().to_owned();
    if text.trim().is_empty() {
        let error = Error::new(Code::Invalid, "Choose a file first, or paste its rows.");
        return page(&app, &request, &permit, &filled, Looked::default(), Some(Told::of(error)?)).await;
    }
    let mut looked = Looked::default();
    let options = Options {
        dry_run: field(&filled, "act") != Some("import"),
        skip_bad: field(&filled, "skip_bad").is_some(),
        update: field(&filled, "update").is_some(),
        max_bytes: MOST_TEXT_BYTES,
        ..Options::default()
    };
    let done = async {
        looked.headings = headings(kind, &text, &filled)?;
        let text = renamed(&text, &looked.headings)?;
        let place = AT_WORK.acquire().await.map_err(Error::internal)?;
        let bytes = text.clone().into_bytes();
        let report = app.with_db(&permit.0, move |db, actor| {
            let _place = place;
            run(db, actor, kind, &bytes[..], options, &mut |_, _| {})
        });
        let report = report.await?;
        looked.rows = rows_shown(&text, &report)?;
        looked.report = Some(report);
        Ok(())
    };
    let told = match done.await {
        Ok(()) => None,
        Err(error) => Some(Told::of(error)?),
    };
    page(&app, &request, &permit, &filled, looked, told).await
}

//! The endpoints of imports.

use actix_web::web::{Path, Payload};
use actix_web::{HttpRequest, HttpResponse, get, post};
use serde::{Deserialize, Serialize};
use tokio::sync::Semaphore;
use utoipa::IntoParams;

use super::run::{Options, run};
use super::upload::received;
use crate::error::{Code, Error, FieldError, Result};
use crate::features::imports::model::kinds::ImportKind;
use crate::features::imports::model::report::ImportReport;
use crate::features::imports::model::text::MAX_FILE_BYTES;
use crate::http::csv::TEXT_CSV;
use crate::http::problem::{CreateProblems, ReadProblems};
use crate::http::{App, Outcome, Params, Permit};
use crate::permissions::{KeepRegister, Read};

/// How to import.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ImportQuery {
    /// Try it: report what would come of it, and keep nothing.
    #[param(nullable = false)]
    pub dry_run: Option<bool>,
    /// Keep the good rows although others are refused.
    #[param(nullable = false)]
    pub skip_bad: Option<bool>,
    /// Change records that are kept with other values; without it such rows are refused.
    #[param(nullable = false)]
    pub update: Option<bool>,
}

/// Files read into memory and written at once; others wait on disk.
pub static AT_WORK: Semaphore = Semaphore::const_new(2);

fn described() -> String {
    let mut text = "Imports a CSV file: UTF-8, comma or semicolon, decimal point or comma, ISO dates; anything that \
         can be read in two ways is refused. The whole file or nothing, unless skip_bad is given. A row is told \
         from others by its ref, or by the columns named below where it has none; importing a file twice changes \
         nothing. An empty cell is not given and leaves what is kept; the text null clears it. In a problem, the \
         pointers name line and column of the file; at most 1,000 errors are listed."
        .to_owned();
    for kind in ImportKind::ALL {
        text.push_str(&kind.described());
    }
    text
}

/// Imports a file.
#[utoipa::path(tag = "imports", security(("bearer" = [])), description = described(),
    params(("kind" = inline(ImportKind), Path, description = "What the file holds"), ImportQuery),
    request_body(content = String, content_type = "text/csv", description = "The file, at most 64 MiB"),
    responses((status = 200, description = "Imported, or tried without a refused row", body = ImportReport), CreateProblems))]
#[post("/v1/imports/{kind}")]
pub async fn import_file(
    app: App,
    permit: Permit<KeepRegister>,
    kind: Path<String>,
    query: Params<ImportQuery>,
    request: HttpRequest,
    payload: Payload,
) -> Outcome {
    let kind = ImportKind::named(&kind)?;
    let query = query.0;
    let options = Options {
        dry_run: query.dry_run.unwrap_or(false),
        skip_bad: query.skip_bad.unwrap_or(false),
        update: query.update.unwrap_or(false),
        ..Options::default()
    };
    let file = received(&request, payload, MAX_FILE_BYTES).await?;
    let place = AT_WORK.acquire().await.map_err(Error::internal)?;
    let imported = app.with_db(&permit, move |db, actor| {
        // The place goes with the work, which goes on when the caller has left.
        let _place = place;
        run(db, actor, kind, file, options, &mut |_, _| {})
    });
    answer(imported.await?, options)
}

fn answer(report: ImportReport, options: Options) -> Outcome {
    if report.refused == 0 || options.skip_bad {
        return Ok(HttpResponse::Ok().json(report));
    }
    let remedy = "Correct them, or send skip_bad=true to import the others.";
    let detail =
        format!("{} of {} rows are refused, and nothing was imported. {remedy}", report.refused, report.rows);
    let fields = report.errors.iter().map(FieldError::from).collect();
    Err(Error { code: Code::Invalid, detail, fields, cause: None, retry_after_s: None })
}

/// Gives a file to begin with: the header and one line of examples.
#[utoipa::path(tag = "imports", security(("bearer" = [])),
    params(("kind" = inline(ImportKind), Path, description = "What the file is to hold")),
    responses((status = 200, description = "The template", body = String, content_type = "text/csv"), ReadProblems))]
#[get("/v1/imports/{kind}/template")]
pub async fn read_import_template(_permit: Permit<Read>, kind: Path<String>) -> Outcome {
    let template: Result<String> = ImportKind::named(&kind).map(ImportKind::template);
    Ok(HttpResponse::Ok().content_type(format!("{TEXT_CSV}; charset=utf-8")).body(template?))
}

//! Reading the audit.

use actix_web::web::Bytes;
use actix_web::{HttpResponse, get};
use chrono::{DateTime, Utc};
use futures_util::{StreamExt, stream};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::store;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position};
use crate::error::{Error, Result};
use crate::http::csv::{TEXT_CSV, harmless, lines};
use crate::http::paging::ListQuery;
use crate::http::problem::ListProblems;
use crate::http::{App, Outcome, Page, Params, Permit};
use crate::ids::{AuditId, OrgId, PersonId, ProgramId};
use crate::permissions::Administer;

/// One act.
#[derive(Debug, Serialize, ToSchema)]
pub struct AuditView {
    /// The row's id.
    pub id: AuditId,
    /// When.
    pub recorded_at: DateTime<Utc>,
    /// Who; null for the service itself.
    pub person_id: Option<PersonId>,
    /// Of which organisation, where it was another than yours: a guest, or the other side of a grant or transfer.
    pub by_org_id: Option<OrgId>,
    /// By which program, if one called.
    pub program_id: Option<ProgramId>,
    /// From which address; null for the service itself.
    pub address: Option<String>,
    /// In which request.
    pub request_id: String,
    /// The operation.
    pub action: String,
    /// The kind of record.
    pub entity: String,
    /// The record.
    pub entity_id: Uuid,
    /// The record before.
    pub before: Option<Value>,
    /// The record after.
    pub after: Option<Value>,
}

/// Which acts.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct AuditQuery {
    /// Only those on this record.
    #[param(nullable = false)]
    pub entity_id: Option<Uuid>,
    /// Only those recorded at or after this time.
    #[param(nullable = false)]
    pub updated_since: Option<DateTime<Utc>>,
    /// Rows a page, 1 to 200.
    #[param(nullable = false, minimum = 1, maximum = 200)]
    pub limit: Option<u32>,
    /// Where the page before ended.
    #[param(nullable = false)]
    pub cursor: Option<String>,
}
crate::list_query!(AuditQuery, "list_audit");

/// The newest acts, the newest first; those before `before`, if it is given.
///
/// # Errors
/// Those of the database.
pub fn newest(tx: &mut Tx<'_>, before: Option<AuditId>, limit: i64) -> Result<Vec<AuditView>> {
    Ok(store::newest(tx, before, limit)?.into_iter().map(AuditView::from).collect())
}

/// Lists who did what, oldest first.
#[utoipa::path(tag = "audit", params(AuditQuery), security(("bearer" = [])),
    responses((status = 200, description = "A page of the audit", body = Page<AuditView>), ListProblems))]
#[get("/v1/audit")]
pub async fn list_audit(app: App, permit: Permit<Administer>, query: Params<AuditQuery>) -> Outcome {
    let query = query.0;
    let page = query.page()?;
    let (entity_id, since) = (query.entity_id, query.updated_since);
    let slice = app.read(&permit, move |tx| store::list(tx, entity_id, since, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, AuditView::from)))
}

impl From<store::AuditRow> for AuditView {
    fn from(row: store::AuditRow) -> Self {
        Self {
            id: row.id,
            recorded_at: row.recorded_at,
            person_id: row.person_id,
            by_org_id: row.by_org_id,
            program_id: row.program_id,
            address: row.address,
            request_id: row.request_id,
            action: row.action,
            entity: row.entity,
            entity_id: row.entity_id,
            before: row.before,
            after: row.after,
        }
    }
}

/// The form of an export.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum AuditForm {
    /// A JSON object a line.
    #[default]
    Jsonl,
    /// CSV (RFC 4180); the record before and after as JSON in a cell.
    Csv,
}

/// How to export.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct AuditExportQuery {
    /// The form; JSON lines when left out.
    #[param(nullable = false, inline)]
    pub format: Option<AuditForm>,
}

/// The header line of the CSV: names as in JSON.
const HEADER: [&str; 11] = [
    "id",
    "recorded_at",
    "person_id",
    "program_id",
    "address",
    "request_id",
    "action",
    "entity",
    "entity_id",
    "before",
    "after",
];

fn cells(view: &AuditView) -> Result<Vec<String>> {
    let row = serde_json::to_value(view).map_err(Error::internal)?;
    let cell = |name: &&str| match &row[*name] {
        Value::Null => String::new(),
        Value::String(text) => harmless(text).into_owned(),
        other => other.to_string(),
    };
    Ok(HEADER.iter().map(cell).collect())
}

/// Rows read at once for the export.
const PIECE: i64 = 500;

/// A piece of the export, and where the next begins.
async fn piece(
    app: &App,
    permit: &Permit<Administer>,
    form: AuditForm,
    after: Option<Position>,
) -> Result<(Bytes, Option<Position>)> {
    let request = PageRequest { limit: PIECE, after };
    let slice = app.read(permit, move |tx| store::list(tx, None, None, request)).await?;
    let views = slice.items.into_iter().map(AuditView::from);
    let text = match form {
        AuditForm::Jsonl => {
            let mut text = Vec::new();
            for view in views {
                serde_json::to_writer(&mut text, &view).map_err(Error::internal)?;
                text.push(b'\n');
            }
            text
        }
        AuditForm::Csv => {
            let header = after.is_none().then(|| HEADER.map(str::to_owned).to_vec());
            let rows = views.map(|view| cells(&view)).collect::<Result<Vec<_>>>()?;
            lines(header.into_iter().chain(rows))?
        }
    };
    Ok((text.into(), slice.next))
}

/// Exports the whole audit, oldest first: a JSON object a line, or CSV.
///
/// Reading the audit is not an act of its own in it: it changes nothing, and who may read it is known.
#[utoipa::path(tag = "audit", params(AuditExportQuery), security(("bearer" = [])),
    responses((status = 200, description = "The audit, a JSON object a line", content((String = "application/x-ndjson"), (String = "text/csv"))), ListProblems))]
#[get("/v1/audit/export")]
pub async fn read_audit_export(
    app: App,
    permit: Permit<Administer>,
    query: Params<AuditExportQuery>,
) -> Outcome {
    let form = query.0.format.unwrap_or_default();
    // The first piece comes before the answer begins, so that its failure is one of the request.
    let (first, next) = piece(&app, &permit, form, None).await?;
    let rest = stream::try_unfold((app, permit, next), move |(app, permit, next)| async move {
        let Some(after) = next else { return Ok::<_, Error>(None) };
        let (bytes, next) = piece(&app, &permit, form, Some(after)).await.inspect_err(|error| {
            tracing::error!(%error, cause = ?error.cause, "the audit's export broke off");
        })?;
        Ok(Some((bytes, (app, permit, next))))
    });
    let body = stream::once(async move { Ok(first) }).chain(rest);
    let (kind, name) = match form {
        AuditForm::Jsonl => ("application/x-ndjson", "attachment; filename=\"audit.jsonl\""),
        AuditForm::Csv => (TEXT_CSV, "attachment; filename=\"audit.csv\""),
    };
    Ok(HttpResponse::Ok().content_type(kind).insert_header(("content-disposition", name)).streaming(body))
}

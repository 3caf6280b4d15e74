//! The whole due list as CSV, written as the caller reads it. Each piece is a page of its own, so that no
//! connection and no thread is held for a slow reader.

use actix_web::HttpResponse;
use actix_web::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use actix_web::web::Bytes;
use chrono::{NaiveDate, SecondsFormat};
use futures_util::{StreamExt, stream};

use super::list::{DueQuery, DueView, organisation_today};
use crate::codes;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position};
use crate::error::{Error, Result};
use crate::features::due::model::DueFilter;
use crate::features::due::store;
use crate::http::csv::{harmless, lines};
use crate::http::{App, Outcome, Permit};
use crate::permissions::Read;

/// Rows a piece.
const PIECE: i64 = 500;

/// The header line: names as in JSON, those of parts joined by an underscore.
const HEADER: [&str; 31] = [
    "id",
    "org_id",
    "org_name",
    "vessel_id",
    "vessel_ref",
    "vessel_name",
    "site_id",
    "site_name",
    "berth",
    "owner_name",
    "owner_phone",
    "laminate_class",
    "kind",
    "status",
    "due_on",
    "overdue",
    "due_range_p10",
    "due_range_p50",
    "due_range_p90",
    "driver",
    "reason",
    "evidence",
    "basis",
    "onset_p10",
    "onset_p50",
    "onset_p90",
    "onset_beyond_horizon_probability",
    "stale",
    "model",
    "inputs_hash",
    "computed_at",
];

/// How far the writing has come.
enum Progress {
    From(Option<Position>),
    Done,
}

pub(super) async fn answer(app: App, permit: Permit<Read>, query: DueQuery) -> Outcome {
    if query.limit.is_some() || query.cursor.is_some() {
        let name = if query.limit.is_some() { "limit" } else { "cursor" };
        return Err(Error::field(
            name,
            "whole_list",
            "does not go with CSV, which is the whole list. Leave it out.",
        ));
    }
    // The first piece before the answer begins: what fails there is still a problem document.
    let (first, after) = piece(&app, &permit, &query, None).await?;
    let start = after.map_or(Progress::Done, |after| Progress::From(Some(after)));
    let rest = stream::try_unfold((app, permit, query, start), |(app, permit, query, progress)| async move {
        let Progress::From(after) = progress else { return Ok::<_, Error>(None) };
        let (bytes, next) = piece(&app, &permit, &query, after).await.inspect_err(|error| {
            tracing::error!(%error, cause = ?error.cause, "the due list broke off");
        })?;
        let progress = next.map_or(Progress::Done, |next| Progress::From(Some(next)));
        Ok(Some((bytes, (app, permit, query, progress))))
    });
    let body = stream::once(async move { Ok(first) }).chain(rest);
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "text/csv; charset=utf-8; header=present"))
        .insert_header((CONTENT_DISPOSITION, "attachment; filename=\"due.csv\""))
        .streaming(body))
}

async fn piece(
    app: &App,
    permit: &Permit<Read>,
    query: &DueQuery,
    after: Option<Position>,
) -> Result<(Bytes, Option<Position>)> {
    let query = query.clone();
    app.read(permit, move |tx| {
        let today = organisation_today(tx)?;
        let (bytes, next) = csv_piece(tx, &query.filter(today), after, today)?;
        Ok((bytes.into(), next))
    })
    .await
}

/// A piece of the list as CSV, with the header before the first, and the place after it when more follow.
///
/// # Errors
/// Those of the database.
pub fn csv_piece(
    tx: &mut Tx<'_>,
    filter: &DueFilter,
    after: Option<Position>,
    today: NaiveDate,
) -> Result<(Vec<u8>, Option<Position>)> {
    let slice = store::list(tx, filter, PageRequest { limit: PIECE, after })?;
    let mut rows: Vec<Vec<String>> = Vec::with_capacity(slice.items.len() + 1);
    if after.is_none() {
        rows.push(HEADER.map(str::to_owned).to_vec());
    }
    for row in slice.items {
        rows.push(cells(&DueView::of(row, today))?);
    }
    Ok((lines(rows)?, slice.next))
}

fn cells(row: &DueView) -> Result<Vec<String>> {
    let text = |text: &str| harmless(text).into_owned();
    let optional = |value: &Option<String>| value.as_deref().map(text).unwrap_or_default();
    let day = |day: Option<NaiveDate>| day.map(|day| day.to_string()).unwrap_or_default();
    let date = &row.date;
    let evidence: Vec<&str> = date.evidence.iter().map(|item| item.text.as_str()).collect();
    let beyond = row.onset.map(|onset| onset.beyond_horizon_probability.to_string()).unwrap_or_default();
    Ok(vec![
        row.id.to_string(),
        row.org_id.to_string(),
        text(&row.org_name),
        row.vessel_id.to_string(),
        optional(&row.vessel_ref),
        text(&row.vessel_name),
        row.site_id.map(|id| id.to_string()).unwrap_or_default(),
        optional(&row.site_name),
        optional(&row.berth),
        optional(&row.owner_name),
        optional(&row.owner_phone),
        optional(&row.laminate_class),
        codes::to_text(&date.kind)?,
        codes::to_text(&date.status)?,
        day(date.due_on),
        row.overdue.to_string(),
        day(date.due_range.and_then(|range| range.p10)),
        day(date.due_range.and_then(|range| range.p50)),
        day(date.due_range.and_then(|range| range.p90)),
        codes::to_text(&date.driver)?,
        text(&date.reason),
        text(&evidence.join(" | ")),
        codes::to_text(&date.basis)?,
        day(row.onset.and_then(|onset| onset.p10)),
        day(row.onset.and_then(|onset| onset.p50)),
        day(row.onset.and_then(|onset| onset.p90)),
        beyond,
        row.stale.to_string(),
        row.model.clone(),
        row.inputs_hash.clone(),
        row.computed_at.to_rfc3339_opts(SecondsFormat::AutoSi, true),
    ])
}

//! The whole due list as CSV.

use chrono::NaiveDate;

use super::columns::{COLUMNS, cells};
use super::list::{DueQuery, DueView, organisation_today};
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position};
use crate::error::Result;
use crate::features::due::model::DueFilter;
use crate::features::due::store;
use crate::http::csv::streamed;
use crate::http::table::{csv_header, csv_lines};
use crate::http::{App, Outcome, Permit};
use crate::permissions::Read;

/// Rows a piece.
pub(super) const PIECE: i64 = 500;

pub(super) async fn answer(app: App, permit: Permit<Read>, query: DueQuery) -> Outcome {
    query.whole()?;
    streamed(app, permit, "due.csv", move |tx, after| {
        let today = organisation_today(tx)?;
        csv_piece(tx, &query.filter(today), after, today)
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
    let rows =
        slice.items.into_iter().map(|row| cells(&DueView::of(row, today))).collect::<Result<Vec<_>>>()?;
    let mut piece = if after.is_none() { csv_header(&COLUMNS)? } else { Vec::new() };
    piece.extend(csv_lines(&rows)?);
    Ok((piece, slice.next))
}

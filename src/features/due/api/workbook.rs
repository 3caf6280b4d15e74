//! The whole due list as a workbook.

use actix_web::HttpResponse;
use actix_web::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};

use super::columns::{COLUMNS, cells};
use super::export::PIECE;
use super::list::{DueQuery, DueView, organisation_today};
use crate::db::paging::PageRequest;
use crate::db::{Actor, Db};
use crate::error::Result;
use crate::features::due::model::DueFilter;
use crate::features::due::store;
use crate::http::table::{Book, WORKBOOK};
use crate::http::{App, Outcome, Permit};
use crate::permissions::Read;
use crate::science::cautions::cautions;

/// Gives the rows to `take` piece by piece, each read for itself; and tells the day they are shown for.
///
/// # Errors
/// Those of `take` and of the database.
pub(super) fn each_row(
    db: &Db,
    actor: &Actor,
    filter: impl Fn(chrono::NaiveDate) -> DueFilter,
    mut take: impl FnMut(DueView) -> Result<()>,
) -> Result<chrono::NaiveDate> {
    let mut after = None;
    loop {
        let (today, slice) = db.read(actor, |tx| {
            let today = organisation_today(tx)?;
            Ok((today, store::list(tx, &filter(today), PageRequest { limit: PIECE, after })?))
        })?;
        for row in slice.items {
            take(DueView::of(row, today))?;
        }
        match slice.next {
            Some(next) => after = Some(next),
            None => return Ok(today),
        }
    }
}

pub(super) async fn answer(app: App, permit: Permit<Read>, query: DueQuery) -> Outcome {
    query.whole()?;
    let chosen = query.in_words();
    workbook(&app, &permit, move |today| query.filter(today), chosen).await
}

/// The rows of a filter as a workbook; `chosen` says which they are.
///
/// # Errors
/// Too many rows; those of the database.
pub async fn workbook(
    app: &App,
    permit: &Permit<Read>,
    filter: impl Fn(chrono::NaiveDate) -> DueFilter + Send + 'static,
    chosen: String,
) -> Outcome {
    let bytes = app.with_db(permit, move |db, actor| {
        let mut book = Book::new("What falls due", &COLUMNS)?;
        let mut works = Vec::new();
        let today = each_row(db, actor, &filter, |row| {
            works.extend(row.date.kind.works().iter().copied());
            works.dedup();
            book.push(&cells(&row)?)
        })?;
        let mut notes = vec![format!("As of {today}. {chosen}"), ADVICE.to_owned()];
        notes.extend(cautions(works).into_iter().map(str::to_owned));
        book.finish(&COLUMNS, &notes)
    });
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, WORKBOOK))
        .insert_header((CONTENT_DISPOSITION, "attachment; filename=\"due.xlsx\""))
        .body(bytes.await?))
}

/// What the list is not.
pub(super) const ADVICE: &str = "The dates are advice: they do not say that a hull is sound. A qualified surveyor or coating \
     inspector decides, and local codes hold.";

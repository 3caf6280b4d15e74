//! The due list as a page made for printing.

use actix_web::HttpResponse;
use actix_web::http::header::CONTENT_TYPE;
use askama::Template;
use chrono::{DateTime, Days, NaiveDate, Utc};

use super::list::{DueQuery, DueView, cautions_of};
use super::workbook::{ADVICE, each_row};
use crate::codes;
use crate::error::{Error, Result};
use crate::features::due::model::DueFilter;
use crate::http::{App, Outcome, Permit};
use crate::permissions::Read;
use crate::science::forecast::dates::DueStatus;

/// The most rows that are put on paper.
const MAX_PRINTED: usize = 2_000;
/// The style of lists made for printing.
pub const STYLE: &str = include_str!("../../../html/files/list.css");

/// The rows that fall due in one span of time.
struct Part {
    title: &'static str,
    rows: Vec<DueView>,
}

#[derive(Template)]
#[template(path = "due_list.html")]
struct DueListPage {
    /// Where the style is; within the page, for one that is kept by itself.
    sheet: Option<String>,
    today: NaiveDate,
    printed_at: DateTime<Utc>,
    chosen: String,
    advice: &'static str,
    count: usize,
    parts: Vec<Part>,
    cautions: Vec<&'static str>,
}

#[expect(clippy::unused_self, reason = "the template calls methods")]
impl DueListPage {
    fn text(&self, text: &Option<String>) -> String {
        text.clone().unwrap_or_default()
    }
    fn code(&self, code: &impl serde::Serialize) -> String {
        codes::to_text(code).unwrap_or_default().replace('_', " ")
    }
    fn day(&self, day: &Option<NaiveDate>) -> String {
        day.map_or_else(|| "none within the horizon".to_owned(), |day| day.to_string())
    }
    /// One day where all are the same.
    fn range(&self, row: &DueView) -> Vec<String> {
        let day = |day: Option<NaiveDate>| day.map_or_else(|| "beyond".to_owned(), |day| day.to_string());
        let mut days: Vec<String> =
            row.date.due_range.iter().flat_map(|range| [day(range.p10), day(range.p90)]).collect();
        days.dedup();
        days
    }
}

/// Which part a row belongs to.
fn part(row: &DueView, today: NaiveDate) -> usize {
    let within = |days| today.checked_add_days(Days::new(days)).unwrap_or(NaiveDate::MAX);
    match (row.date.status, row.date.due_on) {
        (DueStatus::NotEnoughData, _) => 5,
        (DueStatus::Due, Some(day)) if day < today => 0,
        (DueStatus::Due, Some(day)) if day <= within(30) => 1,
        (DueStatus::Due, Some(day)) if day <= within(90) => 2,
        (DueStatus::Due, Some(day)) if day <= within(365) => 3,
        (DueStatus::Due, _) => 4,
    }
}

const TITLES: [&str; 6] = [
    "Overdue",
    "Within 30 days",
    "Within 90 days",
    "Within a year",
    "Later than a year",
    "Not enough data for a date",
];

pub(super) async fn answer(app: App, permit: Permit<Read>, query: DueQuery) -> Outcome {
    query.whole()?;
    let chosen = query.in_words();
    let html = printable(&app, &permit, move |today| query.filter(today), chosen, None).await?;
    Ok(HttpResponse::Ok().insert_header((CONTENT_TYPE, "text/html; charset=utf-8")).body(html))
}

/// The rows of a filter as a page made for printing, with its style within it or at an address; `chosen` says which
/// they are.
///
/// # Errors
/// Too many rows; those of the database.
pub async fn printable(
    app: &App,
    permit: &Permit<Read>,
    filter: impl Fn(NaiveDate) -> DueFilter + Send + 'static,
    chosen: String,
    sheet: Option<String>,
) -> Result<String> {
    let now = app.clock.now();
    let page = app.with_db(permit, move |db, actor| {
        let mut rows = Vec::new();
        let today = each_row(db, actor, &filter, |row| {
            if rows.len() == MAX_PRINTED {
                let detail = format!(
                    "cannot be printed: there are more than {MAX_PRINTED} rows. Narrow the filters, or ask for a workbook or CSV."
                );
                return Err(Error::field("format", "too_many_rows", &detail));
            }
            rows.push(row);
            Ok(())
        })?;
        Ok(DueListPage { sheet, ..put_together(rows, today, now, chosen) })
    });
    page.await?.render().map_err(Error::internal)
}

fn put_together(
    rows: Vec<DueView>,
    today: NaiveDate,
    printed_at: DateTime<Utc>,
    chosen: String,
) -> DueListPage {
    let (count, cautions) = (rows.len(), cautions_of(rows.iter().map(|row| row.date.kind)));
    let mut parts: Vec<Part> = TITLES.iter().map(|title| Part { title, rows: Vec::new() }).collect();
    for row in rows {
        let which = part(&row, today);
        if let Some(part) = parts.get_mut(which) {
            part.rows.push(row);
        }
    }
    parts.retain(|part| !part.rows.is_empty());
    DueListPage { sheet: None, today, printed_at, chosen, advice: ADVICE, count, parts, cautions }
}

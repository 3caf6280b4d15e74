//! The weekly letter as text and as a page.

use askama::Template;
use chrono::NaiveDate;

use crate::codes;
use crate::error::{Error, Result};
use crate::features::reports::model::digest::{Digest, MOST_ROWS, ToldRow, one_line};
use crate::http::mail::Letter;
use crate::science::cautions::ADVISES_ONLY;

/// A row in words.
struct Line {
    day: String,
    vessel: String,
    what: String,
    place: String,
    reason: String,
}

/// A part of the letter.
struct Part {
    title: String,
    lines: Vec<Line>,
    more: bool,
    none: &'static str,
}

#[derive(Template)]
#[template(path = "digest.txt")]
struct Text<'a> {
    of: &'a str,
    today: NaiveDate,
    parts: &'a [Part],
    address: &'a str,
    ending: &'a str,
    advice: &'static str,
}

#[derive(Template)]
#[template(path = "digest.html")]
struct Page<'a> {
    of: &'a str,
    today: NaiveDate,
    parts: &'a [Part],
    address: &'a str,
    ending: &'a str,
    advice: &'static str,
}

fn day(day: Option<NaiveDate>) -> String {
    day.map_or_else(|| "no date".to_owned(), |day| day.to_string())
}

fn line(row: &ToldRow, moved: bool) -> Result<Line> {
    let due = day(row.due_on);
    Ok(Line {
        day: if moved { format!("{} to {due}", day(row.before)) } else { due },
        vessel: one_line(&row.vessel_name),
        what: codes::to_text(&row.kind)?.replace('_', " "),
        place: one_line(&row.place),
        reason: one_line(&row.reason),
    })
}

fn part(title: String, rows: &[ToldRow], moved: bool, none: &'static str) -> Result<Part> {
    let lines = rows.iter().take(MOST_ROWS).map(|row| line(row, moved)).collect::<Result<_>>()?;
    Ok(Part { title, lines, more: rows.len() > MOST_ROWS, none })
}

/// The letter, with the address of the service and the path that ends the letters.
///
/// # Errors
/// Internal, when it cannot be written.
pub(super) fn written(digest: &Digest, address: &str, ending: &str) -> Result<Letter> {
    let of = one_line(&match &digest.site {
        Some(site) => format!("{site} ({})", digest.organisation),
        None => digest.organisation.clone(),
    });
    let parts = [
        part("Overdue".to_owned(), &digest.overdue, false, "Nothing is overdue.")?,
        part(
            "Due within four weeks".to_owned(),
            &digest.soon,
            false,
            "Nothing falls due within four weeks.",
        )?,
        part(format!("Moved since {}", digest.since), &digest.moved, true, "No date has moved.")?,
    ];
    let (parts, today, advice) = (parts.as_slice(), digest.today, ADVISES_ONLY);
    let ending = format!("{address}{ending}");
    let text = Text { of: &of, today, parts, address, ending: &ending, advice };
    let page = Page { of: &of, today, parts, address, ending: &ending, advice };
    Ok(Letter {
        subject: digest.subject(),
        text: text.render().map_err(Error::internal)?,
        html: page.render().map_err(Error::internal)?,
        ending,
    })
}

//! Tables as CSV (RFC 4180): UTF-8, comma, lines ended by CR LF, texts made harmless for spreadsheets.

use std::borrow::Cow;

use actix_web::HttpResponse;
use actix_web::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use actix_web::web::Bytes;
use csv::{Terminator, WriterBuilder};
use futures_util::{StreamExt, stream};

use crate::db::Tx;
use crate::db::paging::Position;
use crate::error::{Error, Result};
use crate::http::{App, Outcome, Permit};
use crate::permissions::Permission;

/// The content type of a CSV answer.
pub const TEXT_CSV: &str = "text/csv";

/// A text as a cell: one that a spreadsheet would take for a formula gets a leading apostrophe, which the
/// import takes off again.
#[must_use]
pub fn harmless(text: &str) -> Cow<'_, str> {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) {
        Cow::Owned(format!("'{text}"))
    } else {
        Cow::Borrowed(text)
    }
}

/// An answer that is a whole table, header and all, saved under this name.
#[must_use]
pub fn whole(file_name: &str, table: Vec<u8>) -> HttpResponse {
    HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "text/csv; charset=utf-8; header=present"))
        .insert_header((CONTENT_DISPOSITION, format!("attachment; filename=\"{file_name}\"")))
        .body(table)
}

/// Some lines, each of its cells.
///
/// # Errors
/// Internal, if the lines differ in their number of cells: a defect.
pub fn lines<R>(rows: impl IntoIterator<Item = R>) -> Result<Vec<u8>>
where
    R: IntoIterator,
    R::Item: AsRef<[u8]>,
{
    let mut writer = WriterBuilder::new().terminator(Terminator::CRLF).from_writer(Vec::new());
    for row in rows {
        writer.write_record(row).map_err(Error::internal)?;
    }
    writer.into_inner().map_err(|error| Error::internal(error.to_string()))
}

/// How far the writing has come.
enum Progress {
    From(Option<Position>),
    Done,
}

/// A whole list as CSV, written as the caller reads it. Each piece is read for itself, so that no connection and no
/// thread is held for a slow reader. `piece` gives what stands from a place on, and the place after it when more
/// follows.
///
/// # Errors
/// Those of the first piece: they are still a problem document.
pub async fn streamed<P: Permission>(
    app: App,
    permit: Permit<P>,
    filename: &str,
    piece: impl Fn(&mut Tx<'_>, Option<Position>) -> Result<(Vec<u8>, Option<Position>)> + Clone + Send + 'static,
) -> Outcome {
    let next_piece = move |app: App, permit: Permit<P>, after: Option<Position>| {
        let piece = piece.clone();
        async move {
            let (bytes, next) = app.read(&permit, move |tx| piece(tx, after)).await?;
            Ok::<_, Error>((Bytes::from(bytes), next, app, permit))
        }
    };
    let (first, after, app, permit) = next_piece(app, permit, None).await?;
    let start = after.map_or(Progress::Done, |after| Progress::From(Some(after)));
    let rest = stream::try_unfold((app, permit, start), move |(app, permit, progress)| {
        let next_piece = next_piece.clone();
        async move {
            let Progress::From(after) = progress else { return Ok::<_, Error>(None) };
            let (bytes, next, app, permit) = next_piece(app, permit, after).await.inspect_err(|error| {
                tracing::error!(%error, cause = ?error.cause, "a list broke off");
            })?;
            let progress = next.map_or(Progress::Done, |next| Progress::From(Some(next)));
            Ok(Some((bytes, (app, permit, progress))))
        }
    });
    let body = stream::once(async move { Ok(first) }).chain(rest);
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "text/csv; charset=utf-8; header=present"))
        .insert_header((CONTENT_DISPOSITION, format!("attachment; filename=\"{filename}\"")))
        .streaming(body))
}

#[cfg(test)]
mod tests {
    use super::{harmless, lines};

    #[test]
    fn what_looks_like_a_formula_gets_an_apostrophe_and_nothing_else_does() {
        for text in ["=1+1", "+351 900", "-", "@name", "\tx", "\rx"] {
            assert_eq!(harmless(text), format!("'{text}"));
        }
        for text in ["", "a=b", "'=1", " =1", "1-2"] {
            assert_eq!(harmless(text), text);
        }
    }

    // RFC 4180, section 2: rules 1 (CR LF), 6 and 7 (quoting, doubled quotes).
    #[test]
    fn cells_are_quoted_where_the_standard_asks_for_it() {
        let text = lines([["a", "b,c"], ["d \"e\"", "f\r\ng"]]).expect("lines of two cells");
        assert_eq!(String::from_utf8_lossy(&text), "a,\"b,c\"\r\n\"d \"\"e\"\"\",\"f\r\ng\"\r\n");
    }
}

//! A file on its way in: streamed to a nameless temporary file, never into memory.

use std::fs::File;
use std::io::{Seek, Write};

use actix_web::HttpRequest;
use actix_web::http::header::{CONTENT_LENGTH, CONTENT_TYPE};
use actix_web::web::Payload;
use futures_util::StreamExt;

use crate::error::{Code, Error, Result};
use crate::features::imports::model::text::too_large;
use crate::http::state::blocking;

/// Bytes gathered before they are written.
const PIECE: usize = 256 * 1024;

/// The body as a file, at its beginning.
pub(super) async fn received(request: &HttpRequest, mut payload: Payload, max_bytes: u32) -> Result<File> {
    refuse_other_types(request)?;
    let announced = request
        .headers()
        .get(CONTENT_LENGTH)
        .and_then(|value| value.to_str().ok())
        .and_then(|text| text.parse::<u64>().ok());
    if announced.is_some_and(|bytes| bytes > u64::from(max_bytes)) {
        return Err(too_large(max_bytes));
    }
    let mut file = blocking(|| tempfile::tempfile().map_err(Error::internal)).await?;
    let mut taken = 0;
    let mut piece = Vec::new();
    while let Some(chunk) = payload.next().await {
        let chunk = chunk.map_err(|cause| {
            Error::new(Code::Malformed, "The file broke off. Send it again.").because(cause)
        })?;
        taken += chunk.len();
        if taken > max_bytes as usize {
            return Err(too_large(max_bytes));
        }
        piece.extend_from_slice(&chunk);
        if piece.len() >= PIECE {
            file = written(file, std::mem::take(&mut piece)).await?;
        }
    }
    file = written(file, piece).await?;
    blocking(move || {
        file.rewind().map_err(Error::internal)?;
        Ok(file)
    })
    .await
}

async fn written(mut file: File, piece: Vec<u8>) -> Result<File> {
    blocking(move || {
        file.write_all(&piece).map_err(Error::internal)?;
        Ok(file)
    })
    .await
}

fn refuse_other_types(request: &HttpRequest) -> Result<()> {
    let given = request.headers().get(CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or_default();
    let mut parts = given.split(';').map(|part| part.trim().to_ascii_lowercase());
    let essence = parts.next().unwrap_or_default();
    let charset =
        parts.find_map(|part| part.strip_prefix("charset=").map(|name| name.trim_matches('"').to_owned()));
    if essence == "text/csv" && charset.is_none_or(|name| name == "utf-8" || name == "us-ascii") {
        Ok(())
    } else {
        Err(Error::new(Code::UnsupportedMediaType, "Send the file as text/csv, in UTF-8."))
    }
}

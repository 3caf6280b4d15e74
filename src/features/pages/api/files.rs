//! The plain files of the pages, out of the binary. Their addresses hold a digest of their content, so that a browser
//! keeps each for good and never uses an old one.

use std::sync::LazyLock;

use actix_web::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use actix_web::{HttpResponse, web};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use sha2::{Digest, Sha256};

use crate::error::Error;
use crate::features::dossier::api::page::STYLE;
use crate::features::due::api::printed::STYLE as LIST_STYLE;
use crate::http::Outcome;

struct File {
    name: &'static str,
    kind: &'static str,
    content: &'static str,
    digest: String,
}

static FILES: LazyLock<Vec<File>> = LazyLock::new(|| {
    let files = [
        ("pages.css", "text/css; charset=utf-8", include_str!("../../../html/files/pages.css")),
        ("dossier.css", "text/css; charset=utf-8", STYLE),
        ("figures.css", "text/css; charset=utf-8", include_str!("../../../html/files/figures.css")),
        ("hull.css", "text/css; charset=utf-8", include_str!("../../../html/files/hull.css")),
        ("hull.js", "text/javascript; charset=utf-8", include_str!("../../../html/files/hull.js")),
        ("register.css", "text/css; charset=utf-8", include_str!("../../../html/files/register.css")),
        ("choices.js", "text/javascript; charset=utf-8", include_str!("../../../html/files/choices.js")),
        ("yard.css", "text/css; charset=utf-8", include_str!("../../../html/files/yard.css")),
        ("entry.js", "text/javascript; charset=utf-8", include_str!("../../../html/files/entry.js")),
        ("import.js", "text/javascript; charset=utf-8", include_str!("../../../html/files/import.js")),
        ("list.css", "text/css; charset=utf-8", LIST_STYLE),
        ("mark.svg", "image/svg+xml", include_str!("../../../html/files/mark.svg")),
    ];
    files
        .into_iter()
        .map(|(name, kind, content)| {
            let digest = URL_SAFE_NO_PAD.encode(&Sha256::digest(content.as_bytes())[..9]);
            File { name, kind, content, digest }
        })
        .collect()
});

/// The address of a file; the folder of files for one there is not.
#[must_use]
pub fn address(name: &str) -> String {
    let file = FILES.iter().find(|file| file.name == name);
    file.map_or_else(|| "/files".to_owned(), |file| format!("/files/{}/{}", file.digest, file.name))
}

/// Answers with a file.
///
/// # Errors
/// Not found, for any other digest too.
pub async fn read(asked: web::Path<(String, String)>) -> Outcome {
    let (digest, name) = asked.into_inner();
    let file = FILES.iter().find(|file| file.name == name && file.digest == digest);
    let file = file.ok_or_else(|| Error::not_found("file"))?;
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, file.kind))
        .insert_header((CACHE_CONTROL, "public, max-age=31536000, immutable"))
        .body(file.content))
}

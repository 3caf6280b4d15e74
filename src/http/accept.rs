//! Which of the forms on offer a caller prefers (RFC 9110, section 12.5.1).

use actix_web::HttpRequest;
use actix_web::http::header::ACCEPT;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::error::{Code, Error, Result};
use crate::http::csv::TEXT_CSV;

/// The form of an answer of figures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum FigureForm {
    /// JSON.
    Json,
    /// CSV, as the operation says.
    Csv,
}

impl FigureForm {
    /// The form that the query asks for, or else the one that `Accept` prefers.
    ///
    /// # Errors
    /// Not acceptable, where neither is taken.
    pub fn asked(query: Option<Self>, request: &HttpRequest) -> Result<Self> {
        if let Some(form) = query {
            return Ok(form);
        }
        let accept = request.headers().get(ACCEPT).and_then(|value| value.to_str().ok());
        let chosen = preferred(accept, &["application/json", TEXT_CSV])?;
        Ok(if chosen == TEXT_CSV { Self::Csv } else { Self::Json })
    }
}

/// The offered media type that `accept` prefers; the first where it has no preference or says nothing.
///
/// # Errors
/// Not acceptable, where it takes none of them.
pub fn preferred<'a>(accept: Option<&str>, offered: &[&'a str]) -> Result<&'a str> {
    let accept = accept.map(str::trim).filter(|text| !text.is_empty()).unwrap_or("*/*");
    let ranges: Vec<(String, f32)> = accept.split(',').map(range).collect();
    let mut best: Option<(&'a str, f32)> = None;
    for &media_type in offered {
        let quality = quality(&ranges, media_type);
        if quality > 0.0 && best.is_none_or(|(_, best)| quality > best) {
            best = Some((media_type, quality));
        }
    }
    best.map(|(media_type, _)| media_type).ok_or_else(|| {
        Error::new(
            Code::NotAcceptable,
            format!("This can be given as {}. Ask for one of them in Accept.", offered.join(" or ")),
        )
    })
}

/// A media range and its quality; an unreadable quality counts as none at all.
fn range(text: &str) -> (String, f32) {
    let mut parts = text.split(';').map(str::trim);
    let name = parts.next().unwrap_or_default().to_ascii_lowercase();
    let quality = parts
        .find_map(|parameter| parameter.strip_prefix("q=").or_else(|| parameter.strip_prefix("Q=")))
        .map_or(1.0, |q| q.parse().ok().filter(|q| (0.0..=1.0).contains(q)).unwrap_or(0.0));
    (name, quality)
}

/// That of the most specific range that covers the type.
fn quality(ranges: &[(String, f32)], media_type: &str) -> f32 {
    let group = media_type.split('/').next().unwrap_or_default();
    let of = |wanted: &str| ranges.iter().find(|(name, _)| name == wanted).map(|&(_, q)| q);
    of(media_type).or_else(|| of(&format!("{group}/*"))).or_else(|| of("*/*")).unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::preferred;

    const OFFERED: [&str; 2] = ["application/json", "text/csv"];

    fn chosen(accept: Option<&str>) -> Option<&'static str> {
        preferred(accept, &OFFERED).ok()
    }

    // RFC 9110, section 12.5.1: no header means any; the most specific range counts; q=0 is "not acceptable".
    #[test]
    fn the_most_specific_range_with_the_highest_quality_wins() {
        assert_eq!(chosen(None), Some("application/json"));
        assert_eq!(chosen(Some("*/*")), Some("application/json"));
        assert_eq!(chosen(Some("text/csv")), Some("text/csv"));
        assert_eq!(chosen(Some("TEXT/CSV; header=present")), Some("text/csv"));
        assert_eq!(chosen(Some("text/*, application/json;q=0.5")), Some("text/csv"));
        assert_eq!(chosen(Some("text/csv;q=0.3, application/json;q=0.4")), Some("application/json"));
        assert_eq!(chosen(Some("application/json;q=0, */*")), Some("text/csv"));
        assert_eq!(chosen(Some("application/xml")), None);
        assert_eq!(chosen(Some("text/csv;q=0")), None);
    }
}

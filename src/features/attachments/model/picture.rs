//! What a file is, by its bytes; and pictures made anew from their pixels.
//!
//! Signatures: JPEG begins with FF D8 FF (ITU-T T.81, B.1.1.3), PNG with its eight bytes (W3C PNG, 5.2), PDF with `%PDF-`
//! (ISO 32000-1, 7.5.2), which here must be the first bytes.

use std::io::Cursor;

use image::codecs::jpeg::{JpegDecoder, JpegEncoder};
use image::codecs::png::{PngDecoder, PngEncoder};
use image::{DynamicImage, GenericImageView, ImageDecoder, Limits, Rgb, RgbImage};

use super::MediaType;
use crate::error::{Code, Error, Result};

/// The most pixels of a picture: what the largest sensors of telephones and cameras give.
pub const MAX_PIXELS: u64 = 64_000_000;
/// The most bytes the pixels may take while a picture is decoded.
const MAX_DECODED_BYTES: u64 = 256 * 1024 * 1024;
/// The longest edge of a thumbnail, pixels.
pub const THUMBNAIL_PX: u32 = 480;
/// Of 100: nothing to be seen is lost.
const JPEG_QUALITY: u8 = 92;
const THUMBNAIL_QUALITY: u8 = 82;
/// The end of a PDF is marked in its last bytes (ISO 32000-1, 7.5.5, and its note on readers).
const PDF_END_WITHIN: usize = 1024;

/// A file as it is kept.
#[derive(Debug)]
pub struct Prepared {
    /// What it is.
    pub media_type: MediaType,
    /// Its bytes.
    pub content: Vec<u8>,
    /// A small JPEG of a picture.
    pub thumbnail: Option<Vec<u8>>,
    /// Width and height of a picture, the right way up, pixels.
    pub size_px: Option<(u32, u32)>,
}

/// What a file is, by its first bytes.
#[must_use]
pub fn sniffed(bytes: &[u8]) -> Option<MediaType> {
    if bytes.starts_with(&[0xff, 0xd8, 0xff]) {
        Some(MediaType::Jpeg)
    } else if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
        Some(MediaType::Png)
    } else if bytes.starts_with(b"%PDF-") {
        Some(MediaType::Pdf)
    } else {
        None
    }
}

/// The file as it is kept: a picture from its pixels, turned as its orientation says; a PDF as it came.
///
/// # Errors
/// Of an unsupported type; invalid, when it is empty, broken off or cannot be decoded; too large, with too many pixels.
pub fn prepared(sent: Vec<u8>) -> Result<Prepared> {
    if sent.is_empty() {
        return Err(Error::field("", "empty", "The file is empty. Send its bytes as the body."));
    }
    let media_type = sniffed(&sent).ok_or_else(|| {
        Error::new(
            Code::UnsupportedMediaType,
            "The file is neither JPEG, PNG nor PDF. Send its bytes as the body, not in a form, and pictures of other formats as JPEG.",
        )
    })?;
    match media_type {
        MediaType::Jpeg => {
            if !jpeg_is_whole(&sent) {
                return Err(broken_off());
            }
            picture(JpegDecoder::new(Cursor::new(&sent)).map_err(undecodable)?, media_type)
        }
        MediaType::Png => {
            let decoder = PngDecoder::with_limits(Cursor::new(&sent), limits()).map_err(undecodable)?;
            picture(decoder, media_type)
        }
        MediaType::Pdf => {
            let end = sent.get(sent.len().saturating_sub(PDF_END_WITHIN)..).unwrap_or_default();
            if !end.windows(5).any(|window| window == b"%%EOF") {
                return Err(broken_off());
            }
            Ok(Prepared { media_type, content: sent, thumbnail: None, size_px: None })
        }
    }
}

fn limits() -> Limits {
    let mut limits = Limits::default();
    limits.max_alloc = Some(MAX_DECODED_BYTES);
    limits
}

fn picture(mut decoder: impl ImageDecoder, media_type: MediaType) -> Result<Prepared> {
    // By the header, before anything is made room for.
    let (width, height) = decoder.dimensions();
    if u64::from(width) * u64::from(height) > MAX_PIXELS || decoder.total_bytes() > MAX_DECODED_BYTES {
        return Err(too_large(&format!("{width} x {height} pixels")));
    }
    decoder.set_limits(limits()).map_err(undecodable)?;
    let orientation = decoder.orientation().map_err(undecodable)?;
    let mut pixels = DynamicImage::from_decoder(decoder).map_err(undecodable)?;
    pixels.apply_orientation(orientation);
    let mut content = Vec::new();
    match media_type {
        MediaType::Png => pixels.write_with_encoder(PngEncoder::new(&mut content)),
        _ => pixels.write_with_encoder(JpegEncoder::new_with_quality(&mut content, JPEG_QUALITY)),
    }
    .map_err(Error::internal)?;
    let size_px = Some(pixels.dimensions());
    Ok(Prepared { media_type, content, thumbnail: Some(thumbnail(&pixels)?), size_px })
}

/// A small one, never larger than the picture; what shows through is white.
fn thumbnail(pixels: &DynamicImage) -> Result<Vec<u8>> {
    let (width, height) = pixels.dimensions();
    let small = if width.max(height) > THUMBNAIL_PX {
        pixels.thumbnail(THUMBNAIL_PX, THUMBNAIL_PX).to_rgba8()
    } else {
        pixels.to_rgba8()
    };
    let over_white = RgbImage::from_fn(small.width(), small.height(), |x, y| {
        let [red, green, blue, alpha] = small.get_pixel(x, y).0;
        let through = |colour: u8| {
            let mixed = (u32::from(colour) * u32::from(alpha) + 255 * (255 - u32::from(alpha))) / 255;
            u8::try_from(mixed).unwrap_or(u8::MAX)
        };
        Rgb([through(red), through(green), through(blue)])
    });
    let mut bytes = Vec::new();
    over_white
        .write_with_encoder(JpegEncoder::new_with_quality(&mut bytes, THUMBNAIL_QUALITY))
        .map_err(Error::internal)?;
    Ok(bytes)
}

fn too_large(what: &str) -> Error {
    let most = MAX_PIXELS / 1_000_000;
    Error::new(
        Code::TooLarge,
        format!("The picture has {what}; {most} million in all can be taken. Send a smaller one."),
    )
}

fn undecodable(cause: image::ImageError) -> Error {
    if matches!(cause, image::ImageError::Limits(_)) {
        return too_large("more pixels than can be counted").because(cause);
    }
    Error::field("", "undecodable", "The picture cannot be decoded. Send it again, or save it anew as JPEG.")
        .because(cause)
}

fn broken_off() -> Error {
    Error::field("", "broken_off", "The file ends before its end. Send it again, whole.")
}

/// Whether the picture's end (EOI) comes after its scans: the decoder would fill what is missing with grey. What follows
/// the end is of no interest. Markers and stuffed bytes as in ITU-T T.81, B.1.1.
fn jpeg_is_whole(bytes: &[u8]) -> bool {
    let at = |n: usize| bytes.get(n).copied();
    let mut n = 2;
    loop {
        // Between segments, and in the data of a scan: to the next marker.
        while at(n) != Some(0xff) {
            if n >= bytes.len() {
                return false;
            }
            n += 1;
        }
        let Some(marker) = at(n + 1) else { return false };
        n += match marker {
            0xd9 => return true,
            // Fill, stuffing, restarts and TEM stand alone.
            0xff => 1,
            0x00 | 0x01 | 0xd0..=0xd8 => 2,
            _ => match (at(n + 2), at(n + 3)) {
                (Some(high), Some(low)) => 2 + usize::from(u16::from_be_bytes([high, low])),
                _ => return false,
            },
        };
    }
}

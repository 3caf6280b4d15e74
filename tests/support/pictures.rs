//! Files as telephones, scanners and others send them, made byte by byte.

use std::io::Cursor;

use image::{DynamicImage, ImageFormat, Rgb, RgbImage};

/// A picture whose left upper quarter is red, the rest blue.
pub fn marked(width: u32, height: u32) -> RgbImage {
    RgbImage::from_fn(width, height, |x, y| {
        if x < width / 2 && y < height / 2 { Rgb([230, 20, 20]) } else { Rgb([20, 20, 230]) }
    })
}

pub fn encoded(picture: &RgbImage, format: ImageFormat) -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    DynamicImage::ImageRgb8(picture.clone()).write_to(&mut bytes, format).expect("pixels can be encoded");
    bytes.into_inner()
}

/// The seconds of arc of the place in [`with_place`], as they stand in the file: a mark to look for.
pub const PLACE: [u8; 8] = [0x00, 0x12, 0xd6, 0x87, 0x00, 0x00, 0x27, 0x10];

/// The JPEG with an APP1 segment (Exif 2.32, 4.5) that holds an orientation and a place (GPS latitude).
pub fn with_place(jpeg: &[u8], orientation: u8) -> Vec<u8> {
    let mut tiff = Vec::new();
    // Big-endian, 42, the first directory at 8.
    tiff.extend([b'M', b'M', 0, 42, 0, 0, 0, 8]);
    // Two entries: orientation (274, SHORT), the GPS directory (34853, LONG) at 38.
    tiff.extend([0, 2]);
    tiff.extend([0x01, 0x12, 0, 3, 0, 0, 0, 1, 0, orientation, 0, 0]);
    tiff.extend([0x88, 0x25, 0, 4, 0, 0, 0, 1, 0, 0, 0, 38]);
    tiff.extend([0, 0, 0, 0]);
    // Two entries: GPSLatitudeRef (1, ASCII), GPSLatitude (2, three RATIONALs) at 68.
    tiff.extend([0, 2]);
    tiff.extend([0, 1, 0, 2, 0, 0, 0, 2, b'N', 0, 0, 0]);
    tiff.extend([0, 2, 0, 5, 0, 0, 0, 3, 0, 0, 0, 68]);
    tiff.extend([0, 0, 0, 0]);
    tiff.extend([0, 0, 0, 54, 0, 0, 0, 1, 0, 0, 0, 19, 0, 0, 0, 1]);
    tiff.extend(PLACE);
    let mut segment = b"Exif\0\0".to_vec();
    segment.extend(tiff);
    let length = u16::try_from(segment.len() + 2).expect("a short segment");
    let mut bytes = jpeg[..2].to_vec();
    bytes.extend([0xff, 0xe1]);
    bytes.extend(length.to_be_bytes());
    bytes.extend(segment);
    bytes.extend(&jpeg[2..]);
    bytes
}

/// The CRC of PNG (W3C PNG, annex D), bit by bit.
fn crc(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(!0, |crc, byte| {
        (0..8).fold(
            crc ^ u32::from(*byte),
            |crc, _| {
                if crc & 1 == 1 { (crc >> 1) ^ 0xedb8_8320 } else { crc >> 1 }
            },
        )
    })
}

pub fn chunk(kind: &[u8; 4], content: &[u8]) -> Vec<u8> {
    let mut bytes = u32::try_from(content.len()).expect("a short chunk").to_be_bytes().to_vec();
    let named = [kind.as_slice(), content].concat();
    bytes.extend(&named);
    bytes.extend(crc(&named).to_be_bytes());
    bytes
}

pub const PNG_SIGNATURE: &[u8] = b"\x89PNG\r\n\x1a\n";

/// A PNG that says it has so many pixels, of this bit depth, RGBA, with next to nothing behind it.
pub fn png_of(width: u32, height: u32, bit_depth: u8) -> Vec<u8> {
    let mut header = width.to_be_bytes().to_vec();
    header.extend(height.to_be_bytes());
    header.extend([bit_depth, 6, 0, 0, 0]);
    // Ten bytes of zlib (RFC 1950) that hold nothing.
    let nothing = [0x78, 0x9c, 0x03, 0x00, 0x00, 0x00, 0x00, 0x01];
    [PNG_SIGNATURE.to_vec(), chunk(b"IHDR", &header), chunk(b"IDAT", &nothing), chunk(b"IEND", &[])].concat()
}

/// The PNG with a text (tEXt) after its header.
pub fn png_saying(png: &[u8], text: &str) -> Vec<u8> {
    let (before, after) = png.split_at(8 + 25);
    [before, &chunk(b"tEXt", format!("Comment\0{text}").as_bytes()), after].concat()
}

/// The least a reader of PDF takes for one.
pub fn pdf(word: &str) -> Vec<u8> {
    format!("%PDF-1.4\n% {word}\n1 0 obj<</Type/Catalog/Pages 2 0 R>>endobj\n2 0 obj<</Type/Pages/Kids[]/Count 0>>endobj\ntrailer<</Root 1 0 R>>\n%%EOF\n")
        .into_bytes()
}

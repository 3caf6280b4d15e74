//! What files are taken for, and what is kept of them.

use garboard::http::guards::Bounds;
use image::{DynamicImage, ImageFormat};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use crate::recording::Scene;
use crate::support::app::{Answer, Client, TODAY, TestApp};
use crate::support::hulls::vessel;
use crate::support::pictures::{PLACE, encoded, marked, pdf, png_of, png_saying, with_place};

pub fn upload(client: &Client, query: &str, bytes: Vec<u8>) -> Answer {
    let request = client.request("POST", &format!("/v1/attachments?{query}"));
    client.send(request.header("Content-Type", "application/octet-stream").body(bytes))
}

/// The bytes behind an address, with the headers.
pub fn fetched(client: &Client, path: &str) -> (Vec<u8>, reqwest::header::HeaderMap) {
    let response = client.request("GET", path).send().unwrap();
    assert_eq!(response.status(), 200, "{path}");
    let headers = response.headers().clone();
    (response.bytes().unwrap().to_vec(), headers)
}

/// The files in the folder of objects.
pub fn objects(app: &TestApp) -> Vec<String> {
    let listed = actix_web::rt::System::new().block_on(app.objects.list("")).unwrap();
    listed.into_iter().map(|object| object.name).collect()
}

fn hex(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

fn holds(bytes: &[u8], part: &[u8]) -> bool {
    bytes.windows(part.len()).any(|window| window == part)
}

fn is_red(picture: &DynamicImage, x: u32, y: u32) -> bool {
    let [red, _, blue] = picture.to_rgb8().get_pixel(x, y).0;
    red > 150 && blue < 100
}

#[test]
fn a_photograph_stands_upright_and_does_not_say_where_it_was_taken() {
    let scene = Scene::set();
    let crew = scene.app.crew();
    let sent = with_place(&encoded(&marked(40, 20), ImageFormat::Jpeg), 6);
    assert!(holds(&sent, &PLACE) && holds(&sent, b"Exif"));
    let query =
        format!("vessel_id={}&caption=Port%20quarter&taken_on=2026-04-02&taken_by=A%20yard", scene.vessel);
    let made = upload(&crew, &query, sent.clone()).expect(201);
    assert_eq!(made.header("location").unwrap(), format!("/v1/attachments/{}", made.id()));
    let view = &made.json;
    assert_eq!((&view["media_type"], &view["kind"]), (&json!("image/jpeg"), &json!("photograph")));
    assert_eq!((&view["caption"], &view["taken_on"]), (&json!("Port quarter"), &json!("2026-04-02")));
    assert!(view["uploaded_by"].is_string() && view["erased_at"].is_null());
    assert_eq!(view["sent_sha256"], hex(&sent));
    // Exif 2.32, tag 274: with 6 the 0th row is the right-hand side, the 0th column the top.
    assert_eq!((&view["width_px"], &view["height_px"]), (&json!(20), &json!(40)));

    let (kept, headers) = fetched(&crew, &format!("/v1/attachments/{}/content", made.id()));
    assert_eq!(view["content_sha256"], hex(&kept));
    assert_eq!(view["content_bytes"].as_u64().unwrap(), kept.len() as u64);
    assert!(!holds(&kept, &PLACE) && !holds(&kept, b"Exif"), "nothing but pixels");
    let picture = image::load_from_memory(&kept).unwrap();
    assert!(is_red(&picture, 15, 5) && !is_red(&picture, 5, 5) && !is_red(&picture, 15, 35), "turned");
    let header = |name: &str| headers[name].to_str().unwrap().to_owned();
    assert_eq!(header("content-type"), "image/jpeg");
    assert_eq!(header("content-disposition"), format!("attachment; filename=\"{}.jpg\"", made.id()));
    assert_eq!(header("x-content-type-options"), "nosniff");
    assert!(header("content-security-policy").contains("sandbox"));
    assert_eq!(header("etag"), format!("\"{}\"", hex(&kept)));

    for part in ["content", "thumbnail"] {
        let path = format!("/v1/attachments/{}/{part}", made.id());
        let (_, headers) = fetched(&crew, &path);
        let known = crew.request("GET", &path).header("If-None-Match", &headers["etag"]).send().unwrap();
        assert_eq!((known.status().as_u16(), known.bytes().unwrap().len()), (304, 0), "{part}");
    }
}

#[test]
fn a_large_picture_has_a_small_one() {
    let scene = Scene::set();
    let crew = scene.app.crew();
    let sent = encoded(&marked(1200, 900), ImageFormat::Png);
    let made = upload(&crew, &format!("vessel_id={}", scene.vessel), sent).expect(201);
    assert_eq!(made.json["media_type"], "image/png");
    let (small, headers) = fetched(&crew, &format!("/v1/attachments/{}/thumbnail", made.id()));
    assert_eq!(headers["content-type"], "image/jpeg");
    let small = image::load_from_memory_with_format(&small, ImageFormat::Jpeg).unwrap();
    assert_eq!((small.width(), small.height()), (480, 360));
    assert!(is_red(&small, 100, 100) && !is_red(&small, 400, 300));
    let (kept, _) = fetched(&crew, &format!("/v1/attachments/{}/content", made.id()));
    // Without loss: pixel by pixel as it was.
    assert_eq!(image::load_from_memory(&kept).unwrap().to_rgb8(), marked(1200, 900));
}

#[test]
fn what_a_file_is_its_bytes_say_whatever_the_client_says() {
    let scene = Scene::set();
    let crew = scene.app.crew();
    let path = format!("/v1/attachments?vessel_id={}", scene.vessel);
    let as_html = crew.request("POST", &path).header("Content-Type", "text/html");
    let made = crew.send(as_html.body(encoded(&marked(4, 4), ImageFormat::Png))).expect(201);
    assert_eq!(made.json["media_type"], "image/png");
    let html = b"<!doctype html><script>alert(1)</script>".to_vec();
    let as_jpeg = crew.request("POST", &path).header("Content-Type", "image/jpeg").body(html);
    crew.send(as_jpeg).expect_problem(415, "unsupported_media_type", "");
    for other in
        [&b"GIF89a\x01\x00\x01\x00"[..], b"RIFF\x00\x00\x00\x00WEBPVP8 ", b"PK\x03\x04", b" %PDF-1.4\n%%EOF"]
    {
        upload(&crew, &format!("vessel_id={}", scene.vessel), other.to_vec()).expect_problem(
            415,
            "unsupported_media_type",
            "",
        );
    }
}

#[test]
fn a_file_that_is_two_things_is_one_afterwards() {
    let scene = Scene::set();
    let crew = scene.app.crew();
    let second = b"PK\x05\x06<script>alert('a second thing')</script>";
    let tailed = [encoded(&marked(8, 8), ImageFormat::Jpeg), second.to_vec()].concat();
    let said =
        png_saying(&encoded(&marked(8, 8), ImageFormat::Png), "<script>alert('a second thing')</script>");
    for sent in [tailed, said] {
        assert!(holds(&sent, b"a second thing"));
        let made = upload(&crew, &format!("vessel_id={}", scene.vessel), sent).expect(201);
        let (kept, _) = fetched(&crew, &format!("/v1/attachments/{}/content", made.id()));
        assert!(!holds(&kept, b"a second thing"), "{}", made.text);
    }
}

#[test]
fn a_pdf_is_kept_as_it_came() {
    let scene = Scene::set();
    let crew = scene.app.crew();
    let query = format!("vessel_id={}", scene.vessel);
    let made = upload(&crew, &query, pdf("a certificate")).expect(201);
    assert_eq!((&made.json["kind"], &made.json["width_px"]), (&json!("certificate"), &Value::Null));
    assert_eq!(made.json["content_sha256"], made.json["sent_sha256"]);
    let path = format!("/v1/attachments/{}", made.id());
    let (kept, headers) = fetched(&crew, &format!("{path}/content"));
    assert_eq!((kept, headers["content-type"].to_str().unwrap()), (pdf("a certificate"), "application/pdf"));
    crew.get(&format!("{path}/thumbnail")).expect_problem(404, "not_found", "");
    upload(&crew, &format!("{query}&kind=photograph"), pdf("another")).expect_problem(422, "invalid", "kind");
}

#[test]
fn a_broken_or_monstrous_file_is_refused_and_leaves_nothing() {
    let scene = Scene::set();
    let crew = scene.app.crew();
    let query = format!("vessel_id={}", scene.vessel);
    let jpeg = encoded(&marked(64, 64), ImageFormat::Jpeg);
    // Its own small picture in the header has an end, too: that is not the picture's.
    let with_end = {
        let mut bytes = jpeg[..2].to_vec();
        bytes.extend([0xff, 0xe1, 0x00, 0x06, 0xff, 0xd8, 0xff, 0xd9]);
        bytes.extend(&jpeg[2..]);
        bytes
    };
    upload(&crew, &query, with_end.clone()).expect(201);
    let kept = objects(&scene.app);
    let png = encoded(&marked(64, 64), ImageFormat::Png);
    let cut = |bytes: &[u8]| bytes[..bytes.len() * 2 / 3].to_vec();
    for (sent, status, code, field) in [
        (Vec::new(), 422, "invalid", "empty"),
        (cut(&jpeg), 422, "invalid", "broken_off"),
        (cut(&with_end), 422, "invalid", "broken_off"),
        (jpeg[..3].to_vec(), 422, "invalid", "broken_off"),
        (cut(&png), 422, "invalid", "undecodable"),
        (png[..8].to_vec(), 422, "invalid", "undecodable"),
        (cut(&pdf("x")), 422, "invalid", "broken_off"),
        (png_of(60_000, 60_000, 8), 413, "too_large", ""),
        (png_of(2_147_483_647, 2_147_483_647, 8), 413, "too_large", ""),
        // Few enough pixels, of eight bytes each.
        (png_of(8000, 8000, 16), 413, "too_large", ""),
        (png_of(300, 300, 8), 422, "invalid", "undecodable"),
        // Without pixels at all.
        (png_of(0, 10, 8), 422, "invalid", "undecodable"),
    ] {
        let refused = upload(&crew, &query, sent).expect_problem(status, code, "");
        let fields: Vec<&str> =
            refused.json["errors"].as_array().unwrap().iter().map(|e| e["code"].as_str().unwrap()).collect();
        assert_eq!(fields.join(" "), field, "{}", refused.text);
    }
    assert_eq!(objects(&scene.app), kept);
    assert_eq!(crate::lists::ids(&crew, "/v1/attachments").len(), 1);
}

#[test]
fn a_file_is_no_longer_than_is_allowed() {
    let bounds = Bounds { attachment_bytes: 1000, requests_per_second: 0, ..Bounds::default() };
    let app = TestApp::start_with(TODAY, bounds);
    let id = vessel(&app.lead(), "A hull", json!({})).id();
    let crew = app.crew();
    let padded = |to: usize| {
        let mut bytes = pdf("long");
        let more = to - bytes.len();
        bytes.splice(9..9, std::iter::repeat_n(b' ', more));
        bytes
    };
    upload(&crew, &format!("vessel_id={id}"), padded(1001)).expect_problem(413, "too_large", "");
    // Its length is not told beforehand.
    let path = format!("/v1/attachments?vessel_id={id}");
    let stream = reqwest::blocking::Body::new(std::io::Cursor::new(padded(300_000)));
    crew.send(crew.request("POST", &path).body(stream)).expect_problem(413, "too_large", "");
    upload(&crew, &format!("vessel_id={id}"), padded(1000)).expect(201);
    assert_eq!(objects(&app).len(), 1);
}

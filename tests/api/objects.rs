//! Objects in a store that speaks S3, as attachments use them.

use garboard::error::Code;
use garboard::objects::{Objects, S3Settings};

use crate::support::s3::{BUCKET, KEY_ID, REGION, SECRET, Store};

fn settings(store: &Store, secret: &str) -> S3Settings {
    S3Settings {
        bucket: BUCKET.to_owned(),
        endpoint: Some(store.endpoint.clone()),
        region: REGION.to_owned(),
        key_id: KEY_ID.to_owned(),
        secret: secret.to_owned(),
    }
}

#[test]
fn an_object_is_written_once_read_listed_and_removed() {
    let store = Store::start();
    let objects = Objects::in_s3(&settings(&store, SECRET)).expect("settings that fit");
    actix_web::rt::System::new().block_on(async {
        objects.put("one/content", &b"\x89bytes"[..]).await.expect("written");
        objects.put("one/thumbnail", &b"small"[..]).await.expect("written");
        objects.put("two/content", &b"others"[..]).await.expect("written");
        let again = objects.put("one/content", &b"other bytes"[..]).await.expect_err("it is there");
        assert_eq!(again.code, Code::Unavailable);
        assert_eq!(objects.get("one/content").await.expect("in reach").as_deref(), Some(&b"\x89bytes"[..]));
        assert_eq!(objects.get("nobody/content").await.expect("in reach"), None);
        let listed = objects.list("one").await.expect("in reach");
        let names: Vec<&str> = listed.iter().map(|object| object.name.as_str()).collect();
        assert_eq!(names, ["one/content", "one/thumbnail"]);
        assert_eq!(listed[0].written_at.to_rfc3339(), "2026-06-15T08:00:00+00:00");
        assert_eq!(objects.list("").await.expect("in reach").len(), 3);
        objects.remove("one/content").await.expect("removed");
        objects.remove("one/content").await.expect("gone already");
        assert_eq!(objects.get("one/content").await.expect("in reach"), None);
    });
    let left: Vec<String> = store.objects().into_keys().collect();
    assert_eq!(left, ["one/thumbnail", "two/content"]);
    assert_eq!(store.refused(), Vec::<String>::new(), "each request was signed");
}

#[test]
fn another_key_is_refused_and_so_is_a_store_in_the_open() {
    let store = Store::start();
    let objects = Objects::in_s3(&settings(&store, "another secret")).expect("settings that fit");
    let refused = actix_web::rt::System::new().block_on(objects.put("one/content", &b"bytes"[..]));
    assert_eq!(refused.expect_err("not ours").code, Code::Unavailable);
    assert_eq!(store.refused().len(), 1);
    assert!(store.objects().is_empty());
    for endpoint in ["http://store.example", "http://localhost.example", "http://127.0.0.1.example"] {
        let mut settings = settings(&store, SECRET);
        settings.endpoint = Some(endpoint.to_owned());
        let refused = Objects::in_s3(&settings).map(|_| ()).expect_err(endpoint);
        assert!(refused.detail.contains("https"), "{}", refused.detail);
    }
}

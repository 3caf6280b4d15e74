//! Addresses of pages about the records of a test.

use std::collections::BTreeMap;

/// What a page calls otherwise than the API.
fn collection(name: &str) -> &str {
    if name == "webhooks" { "subscriptions" } else { name }
}

/// A path with the ids of these records in it: `/vessels/{id}` takes that of `vessels`.
pub fn filled(path: &str, ids: &BTreeMap<&'static str, String>) -> String {
    let segments: Vec<&str> = path.split('/').collect();
    let filled: Vec<&str> = segments
        .iter()
        .enumerate()
        .map(|(n, segment)| match *segment {
            "{id}" => {
                let name = collection(segments[n - 1]);
                let id = ids.get(name).map(String::as_str);
                id.unwrap_or_else(|| unreachable!("{path}: tests/contract/seed.rs makes no {name}"))
            }
            other => {
                assert!(!other.starts_with('{'), "{path}: the walk cannot fill {other}");
                other
            }
        })
        .collect();
    filled.join("/")
}

//! Walking through a list page by page.

use crate::support::app::Client;

/// The ids of all rows of a list, read `limit` at a time, in order. `path` holds a query already.
pub fn walk(client: &Client, path: &str, limit: usize) -> Vec<String> {
    let mut ids = Vec::new();
    let mut cursor: Option<String> = None;
    loop {
        let next = cursor.map(|cursor| format!("&cursor={cursor}")).unwrap_or_default();
        let page = client.get(&format!("{path}&limit={limit}{next}")).expect(200);
        let items = page.json["items"].as_array().expect("a page has items");
        assert!(items.len() <= limit, "a page of {} rows, {limit} asked for", items.len());
        ids.extend(items.iter().map(|item| item["id"].as_str().expect("an id").to_owned()));
        match page.json["next_cursor"].as_str() {
            Some(after) => cursor = Some(after.to_owned()),
            None => return ids,
        }
    }
}

/// The ids of the first page of a list.
pub fn ids(client: &Client, path: &str) -> Vec<String> {
    let page = client.get(path).expect(200);
    let items = page.json["items"].as_array().expect("a page has items");
    items.iter().map(|item| item["id"].as_str().expect("an id").to_owned()).collect()
}

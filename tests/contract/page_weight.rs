//! What a page weighs with 2,000 vessels. How long the server takes for it: `page_times.rs`.

use super::copies;
use crate::support::app::TestApp;
use crate::support::visitor::Visitor;

/// The most a page may weigh with what it loads, as it is sent (issue 7).
const MOST_BYTES: usize = 150_000;

/// The files that a page loads.
fn loaded(visitor: &mut Visitor, html: &str) -> usize {
    let mut addresses: Vec<&str> =
        html.split("\"/files/").skip(1).filter_map(|rest| rest.split('"').next()).collect();
    addresses.sort_unstable();
    addresses.dedup();
    addresses.iter().map(|address| visitor.get(&format!("/files/{address}")).expect(200).text.len()).sum()
}

#[test]
fn no_page_weighs_more_than_a_telephone_in_a_yard_can_load() {
    let app = TestApp::start();
    let ids = copies::two_thousand(&app);
    let mut visitor = Visitor::signed_in(&app, &app.home.people["administrator"].2);
    let mut heavy = Vec::new();
    for path in copies::pages(&ids) {
        let answer = visitor.get(&path).expect(200);
        let bytes = answer.text.len() + loaded(&mut visitor, &answer.text);
        if bytes > MOST_BYTES {
            heavy.push(format!("{path}: {bytes} bytes"));
        }
    }
    let shown = visitor.get("/due").expect(200).text;
    assert!(shown.contains("Hull "), "the copies are on the list");
    assert!(heavy.is_empty(), "{heavy:?}");
}

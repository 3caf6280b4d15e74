//! Whole lists taken away from the pages: the same as the endpoints give.

use serde_json::json;

use crate::support::app::TestApp;
use crate::support::hulls::{settle, vessel};
use crate::support::visitor::Visitor;

/// What stands in the body of a page, its printing time left out.
#[track_caller]
fn body(page: &str) -> String {
    let (_, body) = page.split_once("<body>").expect("a body");
    let lines = body.lines().map(|line| line.split(" Printed ").next().unwrap_or_default());
    lines.collect::<Vec<_>>().join("\n")
}

#[test]
fn lists_are_taken_away_as_the_endpoints_give_them() {
    let app = TestApp::start();
    let lead = app.lead();
    let site = json!({"name": "A basin", "time_zone": "UTC", "climate": "temperate_sea"});
    let site = lead.post("/v1/sites", &site).expect(201).id();
    vessel(&lead, "A <b>hull", json!({"launched_on": "2012-05-01", "site_id": site}));
    vessel(&lead, "Elsewhere", json!({"launched_on": "2014-05-01"}));
    settle(&app);
    let mut visitor = Visitor::signed_in(&app, &app.home.people["reader"].2);
    let page = visitor.get(&format!("/due?site_id={site}&kind=inspection")).expect(200).text;
    for path in ["/due.csv", "/due.xlsx", "/due.print"] {
        assert!(
            page.contains(&format!("href=\"{path}?site_id={site}&#38;kind=inspection\"")),
            "{path}: {page}"
        );
    }
    for path in ["/fleet.csv", "/fleet.xlsx", "/fleet.print"] {
        assert!(page.contains(&format!("href=\"{path}?site_id={site}\"")), "{path}: {page}");
    }
    for (page, query) in [
        ("/vessels".to_owned(), String::new()),
        (format!("/vessels?site_id={site}"), format!("?site_id={site}")),
    ] {
        let page = visitor.get(&page).expect(200).text;
        for path in ["/fleet.csv", "/fleet.xlsx", "/fleet.print"] {
            assert!(page.contains(&format!("href=\"{path}{query}\"")), "{path}{query}: {page}");
        }
    }
    let workbook = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet";
    for (page, endpoint, query, name) in [
        ("/due", "/v1/due", format!("?site_id={site}&kind=inspection"), "due"),
        ("/fleet", "/v1/fleet", format!("?site_id={site}"), "fleet"),
        ("/fleet", "/v1/fleet", String::new(), "fleet"),
    ] {
        let and = if query.is_empty() { "?" } else { "&" };
        let api = |format: &str| lead.get(&format!("{endpoint}{query}{and}format={format}")).expect(200);
        assert_eq!(visitor.get(&format!("{page}.csv{query}")).expect(200).text, api("csv").text);
        let paper = visitor.get(&format!("{page}.print{query}")).expect(200);
        let policy = paper.header("content-security-policy").unwrap_or_default();
        assert!(policy.contains("style-src 'self'") && !paper.text.contains("<style"), "{policy}");
        assert!(paper.text.contains("A &#60;b&#62;hull"));
        let (own, theirs) = (body(&paper.text), body(&api("html").text));
        // The words for what was chosen are the page's own.
        let table = |text: &str| text.split_once("<table").map(|(_, rows)| rows.to_owned()).expect("a table");
        assert_eq!(table(&own), table(&theirs));
        assert_eq!(own.contains("Elsewhere"), query.is_empty());
        let book = visitor.get(&format!("{page}.xlsx{query}")).expect(200);
        assert_eq!(book.header("content-type").as_deref(), Some(workbook));
        let attached = book.header("content-disposition").unwrap_or_default();
        assert!(attached.contains(&format!("{name}.xlsx")) && book.text.starts_with("PK"), "{attached}");
    }
    // By when, which the endpoint does not know: as the list on the page.
    let list = visitor.get("/due.print?when=overdue").expect(200).text;
    assert!(list.contains("Only: overdue."), "{list}");
    assert!(!list.contains("<h2>Within") && !list.contains("<h2>Later"));
    visitor.get("/fleet.csv?colour=red").expect(422);
}

//! From what falls due to the worst hull, and what would move its dates.

use serde_json::json;

use super::driver::Browser;
use super::signing_in::sign_in;
use crate::support::app::TestApp;
use crate::support::hulls::{settle, vessel};

#[test]
fn the_worst_hull_is_found_and_a_what_if_moves_its_date() {
    let (app, mut browser) = (TestApp::start(), Browser::start());
    let lead = app.lead();
    let worst = json!({"launched_on": "2012-05-01", "bilge": "wet", "laminate_class": "orthophthalic"});
    let worst = vessel(&lead, "Worst", worst).id();
    vessel(&lead, "Better", json!({"launched_on": "2026-05-01", "bilge": "dry", "laminate_class": "epoxy"}));
    settle(&app);
    let endpoint = format!("/v1/vessels/{worst}/what-if");
    let told =
        lead.post(&endpoint, &json!({"bilge": "dry", "barrier": {"dry_film_um": 400.0}})).expect(200).json;
    let differences = told["differences"].as_array().expect("differences");
    let moved = differences
        .iter()
        .filter(|difference| difference["later_days"].as_i64().is_some_and(|days| days > 0))
        .filter_map(|difference| difference["after_on"].as_str()?.parse::<chrono::NaiveDate>().ok())
        .map(|day| day.format("%-d %b %Y").to_string())
        .next()
        .expect("a date that moves to another");

    browser.wide(360);
    sign_in(&browser, &app, "lead");
    assert_eq!(browser.text("main th a"), "Worst", "the first row of what falls due");
    browser.press("main th a");
    browser.see("form[action*=what-if]");
    assert_eq!(browser.text("h1"), "Worst");
    assert!(browser.place().ends_with(&format!("/vessels/{worst}")), "{}", browser.place());
    let shown =
        "return [...document.querySelectorAll('svg.chart')].filter(it => it.checkVisibility()).length";
    assert_eq!(browser.run(shown), 3, "life, risk and water, each once");
    assert!(!browser.text("main").contains(&moved), "{moved} is not a date of the hull as it is");

    browser.run("document.querySelector('#bilge').value = 'dry'");
    browser.write("#barrier_um", "400");
    browser.press(".what-if button");
    browser.see(".answer table");
    assert!(browser.text(".answer").contains(&moved), "{moved} in {}", browser.text(".answer"));
    assert!(browser.text(".answer").contains("later"));
    browser.see("svg .curve.other");
    browser.picture("vessels-what-if");
    browser.wide(1920);
    browser.picture("vessels-what-if");
    assert_eq!(browser.run(shown), 3);
}

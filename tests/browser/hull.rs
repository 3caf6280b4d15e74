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

    // Computed as it is chosen, and by the button where no script runs.
    browser.run("window.stays = true");
    browser.run(
        "const bilge = document.querySelector('#bilge'); bilge.value = 'dry'; bilge.dispatchEvent(new Event('change', {bubbles: true}))",
    );
    browser.see(".answer table");
    browser.until("document.querySelector('svg .curve.other')");
    assert_eq!(browser.run("return window.stays"), true, "the page was not left");
    browser.write("#barrier_um", "400");
    browser.press(".what-if button");
    // The field as the server wrote it: another page stands.
    browser.see("#barrier_um[value='400']");
    assert_eq!(browser.run("return window.stays"), json!(null));
    browser.see(".answer table");
    assert!(browser.text(".answer").contains(&moved), "{moved} in {}", browser.text(".answer"));
    assert!(browser.text(".answer").contains("later"));
    browser.see("svg .curve.other");
    browser.picture("vessels-what-if");
    browser.wide(1920);
    browser.picture("vessels-what-if");
    assert_eq!(browser.run(shown), 3);
}

#[test]
fn the_map_follows_a_slider_over_the_surveys() {
    let (app, mut browser) = (TestApp::start(), Browser::start());
    let (lead, surveyor) = (app.lead(), app.surveyor());
    let hull = vessel(&lead, "Read thrice", json!({"launched_on": "2012-05-01"})).id();
    let station = json!({"vessel_id": hull, "code": "P1", "hull": "centre", "side": "port", "zone": "bottom", "x_m": 2.0, "girth_m": 0.5});
    let station = lead.post("/v1/stations", &station).expect(201).id();
    for (on, value) in [("2024-04-10", 11.5), ("2025-04-10", 14.5), ("2026-04-10", 17.5)] {
        let survey = json!({"vessel_id": hull, "surveyed_on": on, "meter_scale": "relative"});
        let survey = surveyor.post("/v1/surveys", &survey).expect(201).id();
        let items = json!({"items": [{"station_id": station, "scale": "relative", "value": value}]});
        surveyor.post(&format!("/v1/surveys/{survey}/readings"), &items).expect(200);
    }
    settle(&app);
    browser.wide(360);
    sign_in(&browser, &app, "lead");
    browser.open(&format!("{}/vessels/{hull}", app.address));
    let shown = |text: &str| format!("document.querySelector('#map-shown').textContent.includes('{text}')");
    browser.until(&shown("17.5"));
    assert_eq!(browser.text("#along output"), "10 Apr 2026");
    // By keyboard, as whoever cannot drag does: to the first survey.
    browser.write("#slider", "\u{e011}");
    browser.until(&shown("11.5"));
    assert_eq!(browser.text("#along output"), "10 Apr 2024");
    browser
        .until("document.querySelector('nav.surveys a[aria-current]').textContent.startsWith('10 Apr 2024')");
    browser.write("#slider", "\u{e014}");
    browser.until(&shown("14.5"));
    browser.until("document.activeElement.id === 'slider'");
    browser.picture("vessels-slider");
    browser.wide(1920);
    browser.picture("vessels-slider");
    assert_eq!(browser.complaints(), Vec::<String>::new());
}

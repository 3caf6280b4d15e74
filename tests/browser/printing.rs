//! A hull on paper.

use serde_json::json;

use super::driver::Browser;
use super::signing_in::sign_in;
use crate::support::app::TestApp;
use crate::support::hulls::{settle, vessel};

/// The sides of each page of a printed file, in points: `/MediaBox` of its page objects (ISO 32000-1, table 30).
fn pages(file: &[u8]) -> Vec<(f64, f64)> {
    let text = String::from_utf8_lossy(file);
    let boxes = text.split("/MediaBox [").skip(1).filter_map(|rest| rest.split(']').next());
    boxes
        .map(|sides| {
            let sides: Vec<f64> =
                sides.split_whitespace().map(|side| side.parse().expect("a number")).collect();
            (sides[2] - sides[0], sides[3] - sides[1])
        })
        .collect()
}

#[test]
fn a_dossier_is_printed_from_the_page_of_its_hull() {
    let (app, mut browser) = (TestApp::start(), Browser::start());
    let (lead, surveyor) = (app.lead(), app.surveyor());
    let hull = vessel(&lead, "On paper", json!({"launched_on": "2012-05-01", "bilge": "damp"})).id();
    let station = json!({"vessel_id": hull, "code": "P1", "hull": "centre", "side": "port", "zone": "bottom", "x_m": 2.0, "girth_m": 0.5});
    let station = lead.post("/v1/stations", &station).expect(201).id();
    let survey = json!({"vessel_id": hull, "surveyed_on": "2026-04-10", "meter_scale": "relative", "bottom_examined": "whole",
        "blistering": "none"});
    let survey = surveyor.post("/v1/surveys", &survey).expect(201);
    let items = json!({"items": [{"station_id": station, "scale": "relative", "value": 13.5}]});
    surveyor.post(&format!("/v1/surveys/{}/readings", survey.id()), &items).expect(200);
    surveyor
        .post_if_match(&format!("/v1/surveys/{}/signature", survey.id()), &survey.etag(), &json!({}))
        .expect(200);
    settle(&app);
    let forecast = lead.get(&format!("/v1/vessels/{hull}/forecast")).expect(200).json;
    let due_on = forecast["dates"][0]["due_on"].as_str().expect("a date").to_owned();

    browser.wide(360);
    sign_in(&browser, &app, "lead");
    browser.open(&format!("{}/vessels/{hull}", app.address));
    browser.press("a[href$='/dossier']");
    browser.until(&format!("location.pathname === '/vessels/{hull}/dossier'"));
    assert_eq!(browser.text("h1"), "On paper");

    // As it is on paper, which is as wide as A4 less its margins: 180 mm at 96 to the inch.
    browser.wide(680);
    browser.medium("print", false);
    let paper = browser.text("body");
    for shown in [due_on.as_str(), "2026-04-10", "13.5", "P1", "Cautions", "Who signed", "not a survey"] {
        assert!(paper.contains(shown), "no {shown} on paper:\n{paper}");
    }
    assert_eq!(
        browser.run("return document.documentElement.scrollWidth <= innerWidth"),
        true,
        "nothing is cut off"
    );
    browser.medium("", false);
    let file = browser.print("dossier");
    assert!(file.starts_with(b"%PDF-"));
    let sides = pages(&file);
    assert!((2..=8).contains(&sides.len()), "{} pages", sides.len());
    // A4: 210 by 297 mm (ISO 216), a point being 1/72 inch; upright.
    for (across, down) in sides {
        assert!(
            (across - 210.0 / 25.4 * 72.0).abs() < 1.0 && (down - 297.0 / 25.4 * 72.0).abs() < 1.0,
            "{across} {down}"
        );
    }
    assert!(
        String::from_utf8_lossy(&file).contains("Hull dossier, On paper"),
        "its title, by which a file is found again"
    );
    assert_eq!(browser.complaints(), Vec::<String>::new());
}

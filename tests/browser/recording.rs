//! A foreman with a telephone: from the menu to every hull ashore, and what was done recorded on the spot.

use serde_json::json;

use super::driver::Browser;
use super::importing::assert_usable;
use super::signing_in::sign_in;
use crate::support::app::TestApp;
use crate::support::hulls::vessel;

#[test]
fn what_was_done_is_recorded_two_presses_from_the_menu() {
    let (app, mut browser) = (TestApp::start(), Browser::start());
    let lead = app.lead();
    let hull = vessel(&lead, "Ashore", json!({"launched_on": "2012-05-01"})).id();
    let lift = json!({"vessel_id": hull, "lifted_on": "2026-06-01", "reason": "antifouling"});
    lead.post("/v1/haul-outs", &lift).expect(201);
    browser.wide(360);
    sign_in(&browser, &app, "lead");
    browser.press("nav.narrow summary");
    browser.press("nav.narrow a[href='/ashore']");
    browser.see(".lines li");
    assert_usable(&mut browser, "ashore-one");
    browser.wide(360);
    for way in ["/records", "/surveys/new", "/treatments/new"] {
        browser.see(&format!("main a[href$='{way}']"));
    }
    browser.press("main a[href$='/records']");
    browser.see("#coat");
    for act in ["relaunch", "lift", "coat", "finding", "treated"] {
        browser.press(&format!("#{act} > summary"));
        browser.until(&format!("document.getElementById('{act}').open"));
    }
    assert_usable(&mut browser, "records-unfolded");
    browser.wide(360);
    browser.run(
        "document.getElementById('coat-role').value = 'antifouling'; document.getElementById('coat-dry_film_um').value = 'thick';",
    );
    browser.press("#coat form > p:last-child button");
    browser.see("#coat-dry_film_um-problem");
    assert_eq!(browser.run("return document.getElementById('coat-dry_film_um').value"), "thick", "kept");
    assert_usable(&mut browser, "records-refused");
    browser.wide(360);
    browser.empty("#coat-dry_film_um");
    browser.write("#coat-dry_film_um", "100");
    browser.press("#coat form > p:last-child button");
    browser.see("[role=status]");
    assert_eq!(app.lead().get("/v1/coats").expect(200).json["items"].as_array().map(Vec::len), Some(1));

    browser.open(&format!("{}/vessels/{hull}/change", app.address));
    browser.run("for (const part of document.querySelectorAll('details')) part.open = true");
    assert_usable(&mut browser, "vessel-unfolded");
    browser.press("nav a[href='/ashore']");
    browser.press("main a[href$='/treatments/new']");
    browser.see("#plan");
    browser.run("for (const part of document.querySelectorAll('details')) part.open = true");
    assert_usable(&mut browser, "plan-unfolded");
}

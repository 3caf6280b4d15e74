//! The first administrator of an empty organisation, with a telephone: from nothing to a hull, by the pages alone.

use serde_json::json;

use super::driver::Browser;
use super::importing::assert_usable;
use super::signing_in::sign_in;
use crate::support::app::TestApp;

const UNFOLD: &str = "for (const part of document.querySelectorAll('details')) part.open = true";

#[test]
fn a_site_added_in_a_new_tab_can_be_chosen_in_the_form_that_lacked_it() {
    let (app, mut browser) = (TestApp::start(), Browser::start());
    browser.wide(360);
    sign_in(&browser, &app, "administrator");
    browser.see(".start a.key[href='/sites/new']");
    assert_usable(&mut browser, "start");
    browser.wide(360);
    browser.press(".start a.key[href='/vessels/new']");
    browser.see("#vessel-site_id");
    browser.write("#vessel-name", "First hull");
    let first = browser.tabs();
    browser.press("a.addition[href='/sites/new']");
    browser.turn_to(&browser.opened_beside(&first));
    browser.wide(360);
    browser.see("#site-name");
    browser.run(UNFOLD);
    assert_usable(&mut browser, "site-unfolded");
    browser.wide(360);
    browser.write("#site-name", "Basin");
    browser.run("document.getElementById('site-climate').value = 'warm_sea'");
    browser.write("#site-salinity_g_kg_0", "much");
    browser.press("#site form > p:last-child button");
    browser.see("#site-salinity_g_kg_0-problem");
    assert_eq!(browser.run("return document.getElementById('site-name').value"), "Basin", "kept");
    assert_usable(&mut browser, "site-refused");
    browser.wide(360);
    browser.empty("#site-salinity_g_kg_0");
    browser.write("#site-salinity_g_kg_0", "30");
    browser.press("#site form > p:last-child button");
    browser.see("[role=status]");
    browser.close_tab();
    browser.turn_to(&first[0]);
    browser.until("document.getElementById('vessel-site_id').selectedOptions[0].text === 'Basin'");
    assert_eq!(browser.run("return document.getElementById('vessel-name').value"), "First hull", "kept");
    browser.run("document.getElementById('vessel-hull_form').value = 'motor'");
    browser.write("#vessel-length_m", "8,5");
    browser.press("#vessel form > p:last-child button");
    browser.see("[role=status]");
    let made = app.lead().get("/v1/vessels").expect(200).json["items"][0].clone();
    let site = app.lead().get("/v1/sites").expect(200).json["items"][0].clone();
    assert_eq!((&made["name"], &made["site_id"]), (&json!("First hull"), &site["id"]));
    assert_eq!(site["months"][0]["salinity_g_kg"], 30.0);
    browser.open(&format!("{}/products/new", app.address));
    browser.run(UNFOLD);
    assert_usable(&mut browser, "product-unfolded");
    assert_eq!(browser.complaints(), Vec::<String>::new());
}

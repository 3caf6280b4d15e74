//! A file with two bad rows, as people import it; and what a change of the policy would do.

use std::io::Write;

use super::driver::{Browser, WIDTHS};
use super::every_page::faults;
use super::seed;
use super::signing_in::sign_in;
use crate::support::app::TestApp;

const FILE: &str =
    "Ref,Name,Form,Length,Colour\nP-1,One,fin_keel,9.5,red\nP-2,Two,raft,8,\nP-3,Three,motor,long,blue\n";

/// Fails unless everybody can use the page as it stands, at both widths and in the dark.
#[track_caller]
pub fn assert_usable(browser: &mut Browser, name: &str) {
    let mut found = Vec::new();
    for width in WIDTHS {
        browser.wide(width);
        browser.medium("", true);
        found.extend(faults(browser, &format!("{name} at {width} px in the dark")));
        browser.medium("", false);
        found.extend(faults(browser, &format!("{name} at {width} px")));
        browser.picture(name);
    }
    assert!(found.is_empty(), "{}", found.join("\n"));
}

#[test]
fn a_file_with_two_bad_rows_is_mended_in_place_and_imported() {
    let (app, mut browser) = (TestApp::start(), Browser::start());
    sign_in(&browser, &app, "lead");
    browser.open(&format!("{}/import", app.address));
    let mut file = tempfile::Builder::new().suffix(".csv").tempfile().expect("a file");
    file.write_all(FILE.as_bytes()).expect("it can be written");
    browser.write("#file", &file.path().to_string_lossy());
    browser.until("document.getElementById('text').value.includes('Three')");
    browser.press("button[value=look]");
    browser.see("#line-4");
    assert_eq!(browser.text("#outcome"), "2 of 3 rows cannot be read");
    assert!(browser.text("#line-3 ~ dl .wrong").contains("raft"));
    assert_usable(&mut browser, "import-refused");
    browser.run(
        "const text = document.getElementById('text'); text.value = text.value.replace('raft', 'motor').replace('long', '11.25');",
    );
    browser.press("button[value=look]");
    browser.see("button[value=import]");
    assert_eq!(browser.text("#outcome"), "Every row can be read");
    browser.press("button[value=import]");
    browser.until("document.getElementById('outcome')?.textContent === 'Imported'");
    assert_usable(&mut browser, "imported");
    let vessels = app.lead().get("/v1/vessels").expect(200);
    assert_eq!(vessels.json["items"].as_array().map(Vec::len), Some(3));
}

#[test]
fn what_a_policy_would_do_is_looked_at_before_it_is_saved() {
    let (app, mut browser) = (TestApp::start(), Browser::start());
    seed::home(&app);
    sign_in(&browser, &app, "administrator");
    browser.open(&format!("{}/policy", app.address));
    browser.empty("#inspection_max_months");
    browser.write("#inspection_max_months", "2");
    browser.empty("#inspection_min_months");
    browser.write("#inspection_min_months", "0");
    browser.press("button[value=preview]");
    browser.see("#effect");
    assert_usable(&mut browser, "policy-effect");
    browser.press("button[value=save]");
    browser.see("[role=status]");
    assert_eq!(app.lead().get("/v1/policy").expect(200).json["limits"]["inspection_max_months"], 2);
}

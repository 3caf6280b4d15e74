//! The main menu on a telephone: low while it is closed, the place one is at always to be read, targets for wet hands, and
//! nothing but the keyboard needed.

use serde_json::{Value, json};

use super::driver::Browser;
use super::every_page::faults;
use super::signing_in::sign_in;
use crate::support::app::TestApp;

/// The least height of a target, in CSS pixels: WCAG 2.2, success criterion 2.5.5 (Target Size, Enhanced).
const TARGET_PX: f64 = 44.0;
/// What stands above a page at most. Our choice: a seventh of a telephone's height.
const HEAD_PX: f64 = 110.0;
/// The key Enter (W3C `WebDriver`, keyboard actions, table of normalised key values).
const ENTER: &str = "\u{e007}";

fn heights(browser: &Browser, selector: &str) -> Vec<f64> {
    let script = format!(
        "return [...document.querySelectorAll({})].filter(it => it.checkVisibility()).map(it => it.getBoundingClientRect().height)",
        json!(selector)
    );
    browser.run(&script).as_array().expect("heights").iter().filter_map(Value::as_f64).collect()
}

#[test]
fn the_menu_of_a_telephone_is_low_and_says_where_one_is() {
    let (app, mut browser) = (TestApp::start(), Browser::start());
    browser.wide(360);
    sign_in(&browser, &app, "administrator");
    for (path, here) in [
        ("/due", "What falls due"),
        ("/drying", "Drying hulls"),
        ("/statistics", "Statistics"),
        ("/hindcast", "Statistics"),
        ("/import", "Import"),
        ("/policy", "Home"),
        ("/me", "You"),
    ] {
        browser.open(&format!("{}{path}", app.address));
        assert_eq!(browser.text("nav.narrow summary"), format!("Menu: {here}"), "{path}");
        let head = heights(&browser, "header.top");
        assert!(head.len() == 1 && head[0] <= HEAD_PX, "{path}: {head:?}");
        assert!(heights(&browser, "header.top nav a").is_empty(), "{path}: closed");
        let targets = heights(&browser, "header.top summary, header.top button");
        assert!(targets.len() == 2 && targets.iter().all(|px| *px >= TARGET_PX), "{path}: {targets:?}");
        let inside = "return (rect => rect.left >= 0 && rect.right <= innerWidth)(document.querySelector('nav.narrow summary strong').getBoundingClientRect())";
        assert_eq!(browser.run(inside), true, "{path}: the place stands within the window");
    }
    browser.write("nav.narrow summary", ENTER);
    browser.until("document.querySelector('nav.narrow details').open");
    let targets = heights(&browser, "header.top nav a");
    assert!(targets.len() == 9 && targets.iter().all(|px| *px >= TARGET_PX), "{targets:?}");
    assert_eq!(browser.text("nav.narrow a[aria-current=page]"), "You");
    for dark in [false, true] {
        browser.medium("", dark);
        let found = faults(&browser, &format!("the open menu, dark: {dark}"));
        assert!(found.is_empty(), "{}", found.join("\n"));
        browser.picture(if dark { "menu-open-dark" } else { "menu-open" });
    }
    browser.write("nav.narrow a[href='/ashore']", ENTER);
    browser.until("location.pathname === '/ashore'");
    // At a desk all stands in one line.
    browser.wide(1920);
    assert_eq!(heights(&browser, "nav.broad a").len(), 9);
    assert!(heights(&browser, "nav.narrow summary").is_empty());
}

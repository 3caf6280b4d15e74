//! Signing in and out as people do.

use super::driver::Browser;
use crate::support::app::{PASSWORD, TestApp};

/// Signs somebody of the home organisation in, by the form.
#[track_caller]
pub fn sign_in(browser: &Browser, app: &TestApp, word: &str) {
    browser.open(&format!("{}/sign-in", app.address));
    browser.write("#email", &app.home.people[word].2);
    browser.write("#password", PASSWORD);
    browser.press("main button");
    browser.see("form.leave");
}

#[test]
fn who_signs_in_sees_what_falls_due_and_who_leaves_sees_nothing() {
    let (app, browser) = (TestApp::start(), Browser::start());
    browser.open(&format!("{}/due?kind=repair", app.address));
    assert!(browser.place().contains("/sign-in?next="), "{}", browser.place());
    browser.write("#email", &app.home.people["lead"].2);
    browser.write("#password", "not the password");
    browser.press("main button");
    browser.see("[role=alert]");
    browser.empty("#email");
    browser.write("#email", &app.home.people["lead"].2);
    browser.write("#password", PASSWORD);
    browser.press("main button");
    browser.see("form.leave");
    assert_eq!(browser.place(), format!("{}/due?kind=repair", app.address), "where they wanted to go");
    assert_eq!(browser.text("h1"), "What falls due");
    assert_eq!(browser.run("return document.cookie"), "", "no script can read the cookies");
    browser.press("form.leave button");
    browser.see("#password");
    browser.open(&format!("{}/due", app.address));
    assert!(browser.place().contains("/sign-in"), "{}", browser.place());
}

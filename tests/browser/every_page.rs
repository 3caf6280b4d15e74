//! Every page of `pages::PAGES`, at the width of a telephone and of a desk, in the light and in the dark.

use garboard::features::pages::PAGES;

use super::axe;
use super::driver::{Browser, WIDTHS};
use super::seed;
use super::signing_in::sign_in;
use crate::support::app::TestApp;
use crate::support::page_paths::filled;

/// The name of a page's picture.
fn name(path: &str) -> String {
    path.trim_matches('/').replace(['/', '{', '}'], "-").replace("--", "-").trim_matches('-').to_owned()
}

/// What is wrong with the page as it is shown now.
pub fn faults(browser: &Browser, what: &str) -> Vec<String> {
    let mut faults = axe::violations(browser);
    let over =
        browser.run("return document.documentElement.scrollWidth - document.documentElement.clientWidth");
    if over.as_i64() != Some(0) {
        faults.push(format!("wider than the window by {over} px"));
    }
    // A page that tells of a refusal has the refusal's status.
    let own = format!("{} - Failed to load resource", browser.place());
    faults.extend(browser.complaints().into_iter().filter(|line| !line.starts_with(&own)));
    faults.into_iter().map(|fault| format!("{what}: {fault}")).collect()
}

fn looked_at(browser: &mut Browser, address: &str, name: &str) -> Vec<String> {
    let mut found = Vec::new();
    for width in WIDTHS {
        browser.wide(width);
        for dark in [false, true] {
            browser.medium("", dark);
            browser.open(address);
            found.extend(faults(browser, &format!("{name} at {width} px, dark: {dark}")));
            if !dark {
                browser.picture(name);
            }
        }
    }
    browser.medium("", false);
    found
}

#[test]
fn every_page_can_be_used_by_everybody() {
    let app = TestApp::start();
    let mut ids = seed::home(&app);
    ids.insert("organisations", app.home.org_id.to_string());
    let mut browser = Browser::start();
    let mut found = looked_at(&mut browser, &format!("{}/sign-in", app.address), "sign-in");
    found.extend(looked_at(
        &mut browser,
        &format!("{}/sign-in?next=%2Fdue&next=%2Fdue", app.address),
        "refused",
    ));
    sign_in(&browser, &app, "administrator");
    let mut pages = 0;
    for page in PAGES.iter().filter(|page| page.method == "GET" && page.roles.is_some()) {
        let path = filled(page.path, &ids);
        // The policy of the page looked at last may let nothing be fetched: the dossier's does not.
        browser.open(&format!("{}/due", app.address));
        let answer = browser.run_until_done(&format!(
            "fetch('{path}').then(it => done([it.status, it.headers.get('content-type')]));"
        ));
        assert_eq!(answer[0], 200, "{path}");
        if answer[1].as_str().is_some_and(|kind| kind.starts_with("text/html")) {
            pages += 1;
            found.extend(looked_at(&mut browser, &format!("{}{path}", app.address), &name(page.path)));
        }
    }
    assert!(pages > 1, "the walk found no pages");
    assert!(found.is_empty(), "{}", found.join("\n"));
}

/// The walk above would see faults: these are there.
#[test]
fn faults_are_found() {
    let (app, browser) = (TestApp::start(), Browser::start());
    browser.open(&format!("{}/sign-in", app.address));
    assert_eq!(faults(&browser, "as it is"), Vec::<String>::new());
    browser.run(
        "const image = document.createElement('img'); image.src = 'https://elsewhere.example/a.png';
         const line = document.createElement('p'); line.textContent = 'pale'; line.className = 'pale';
         const field = document.createElement('input');
         const wide = document.createElement('pre'); wide.textContent = 'w'.repeat(2000); wide.setAttribute('class', 'wide');
         document.querySelector('main').append(image, line, field, wide);
         line.style.color = '#ccc'; line.style.background = '#fff'; wide.style.overflowWrap = 'normal';",
    );
    let found = faults(&browser, "spoilt").join("\n");
    for fault in ["image-alt", "color-contrast", "label", "Content Security Policy", "wider than the window"]
    {
        assert!(found.contains(fault), "{fault} in {found}");
    }
}

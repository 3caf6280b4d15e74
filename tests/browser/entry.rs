//! A survey entered beside the hull, where the network comes and goes.

use serde_json::{Value, json};

use super::axe;
use super::driver::{Browser, WIDTHS};
use super::signing_in::sign_in;
use crate::support::app::TestApp;

/// The key Enter (`WebDriver`, 17.4.2).
const ENTER: &str = "\u{E007}";

fn readings(app: &TestApp, vessel: &str) -> Vec<Value> {
    let list = app.reader().get(&format!("/v1/readings?vessel_id={vessel}&limit=200")).expect(200);
    list.json["items"].as_array().expect("items").clone()
}

fn due_on(app: &TestApp, vessel: &str) -> String {
    let workers = garboard::routes::workers(&app.guards);
    garboard::jobs::run_until_idle(&app.db, &workers).expect("the queue is in reach");
    let due = app.reader().get(&format!("/v1/due?vessel_id={vessel}&kind=inspection")).expect(200);
    due.json["items"][0]["due_on"].as_str().unwrap_or_default().to_owned()
}

/// Types what the meter shows at the nth station of the way round.
fn read(browser: &Browser, n: usize, value: &str) {
    let id = browser.run(&format!("return document.querySelectorAll('.value')[{n}].id"));
    let field = format!("[id='{}']", id.as_str().expect("a field has an id"));
    browser.write(&field, &format!("{value}{ENTER}"));
}

fn says(text: &str) -> String {
    format!("document.getElementById('kept').textContent.includes('{text}')")
}

#[test]
fn a_survey_entered_while_the_network_is_cut_arrives_once_and_moves_the_date() {
    let app = TestApp::start();
    let lead = app.lead();
    let vessel =
        json!({"name": "Hull one", "form": "fin_keel", "length_m": 10.0, "launched_on": "2010-05-01"});
    let vessel = lead.post("/v1/vessels", &vessel).expect(201).id();
    for n in 0..6 {
        let (side, x_m) = if n < 3 { ("port", 2 * n + 1) } else { ("starboard", 11 - 2 * n) };
        let station = json!({"vessel_id": vessel, "code": format!("S{n}"), "hull": "centre", "side": side, "zone": "bottom", "x_m": x_m});
        lead.post("/v1/stations", &station).expect(201);
    }
    let before = due_on(&app, &vessel);
    let mut browser = Browser::start();
    browser.wide(WIDTHS[0]);
    sign_in(&browser, &app, "surveyor");
    browser.open(&format!("{}/vessels/{vessel}/surveys/new", app.address));
    browser.press("#begin button");
    browser.see(".station");
    let entry = browser.place();

    // With the network: sent by itself.
    read(&browser, 0, "10.5");
    assert_eq!(
        browser.run("return document.activeElement === document.querySelectorAll('.value')[1]"),
        true,
        "Enter goes on"
    );
    read(&browser, 1, "11,25");
    browser.until(&says("2 kept here, not yet sent."));
    browser.until(&says("All sent."));
    assert_eq!(readings(&app, &vessel).len(), 2);

    // Without: kept, said so, and the signature waits.
    browser.cut_off(true);
    read(&browser, 2, "12");
    read(&browser, 3, "13.5");
    browser.until(&says("2 kept here, not yet sent. No connection."));
    assert_eq!(readings(&app, &vessel).len(), 2);
    assert_eq!(browser.run("return document.querySelectorAll('.station.waiting').length"), 2);
    assert_eq!(axe::violations(&browser), Vec::<String>::new());
    browser.picture("entry-cut-off");
    let choose = "for (const [name, value] of [['bottom_examined', 'whole'], ['blistering', 'none']])
        document.querySelector(`#sign [name=${name}]`).value = value;
        document.getElementById('sign').open = true;";
    browser.run(choose);
    browser.press("#sign button");
    browser.until(&says("Sign when all is sent."));
    assert_eq!(browser.place(), entry);

    // Back again, and an answer lost on its way: the service has it, the tablet does not know.
    browser.run(
        "const own = window.fetch; window.lost = 0;
         window.fetch = async (...what) => { await own(...what); window.lost += 1; window.fetch = own; throw new TypeError('lost'); };",
    );
    browser.cut_off(false);
    browser.until("window.lost === 1");
    browser.until(&says("2 kept here, not yet sent. No connection."));
    assert_eq!(readings(&app, &vessel).len(), 4, "the service took what the tablet still keeps");
    browser.press("#send");
    browser.until(&says("All sent."));
    assert_eq!(readings(&app, &vessel).len(), 4, "sent twice, kept once");

    // The page left before a figure went out, and opened again.
    read(&browser, 4, "9.75");
    browser.until(&says("1 kept here, not yet sent."));
    browser.open(&format!("{}/due", app.address));
    browser.open(&entry);
    browser.until(&says("All sent."));
    read(&browser, 5, "9");
    browser.until(&says("1 kept here, not yet sent."));
    browser.until(&says("All sent."));
    assert_eq!(browser.run("return localStorage.length"), 0, "what was sent is kept here no more");

    let mut kept: Vec<(f64, i64, String)> = readings(&app, &vessel)
        .into_iter()
        .map(|reading| {
            let taken_at = reading["taken_at"].as_str().expect("when").to_owned();
            assert!(taken_at.starts_with("2026-06-15T10:"), "by the clock of the service: {taken_at}");
            let sequence = reading["sequence"].as_i64().expect("which");
            (reading["value"].as_f64().expect("a value"), sequence, reading["station_id"].to_string())
        })
        .collect();
    kept.sort_by(|a, b| a.0.total_cmp(&b.0));
    let values: Vec<f64> = kept.iter().map(|(value, ..)| *value).collect();
    assert_eq!(values, [9.0, 9.75, 10.5, 11.25, 12.0, 13.5]);
    assert!(kept.iter().all(|(_, sequence, _)| *sequence == 1), "one reading a station: {kept:?}");

    // Signed, and the date moves.
    assert_eq!(due_on(&app, &vessel), before, "a draft bears on no date");
    browser.run(choose);
    browser.press("#sign button");
    browser.see("main > .note a[href='/due']");
    browser.picture("entry-signed");
    let after = due_on(&app, &vessel);
    assert!(!after.is_empty() && after > before, "from {before:?} to {after:?}");
    browser.open(&format!("{}/due?kind=inspection", app.address));
    let shown = chrono::NaiveDate::parse_from_str(&after, "%Y-%m-%d")
        .expect("a date")
        .format("%-d %b %Y")
        .to_string();
    assert!(browser.text("main").contains(&shown), "{shown}");
}

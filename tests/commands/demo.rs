//! From an empty folder to a due list, to a service, and to a service after it was killed.

use std::path::Path;

use serde_json::Value;

use crate::running::{Scratch, Serving, refused, run, stderr, stdout, succeeded, text};

fn due(folder: &Path) -> Vec<Value> {
    let output = run(&["due", "--format", "json", "--data-dir", text(folder)]);
    succeeded(&output);
    serde_json::from_str(&stdout(&output)).unwrap()
}

#[test]
fn from_an_empty_folder_to_a_due_list() {
    let folder = Scratch::new();
    let output = run(&["demo", "--once", "--data-dir", text(&folder.0)]);
    succeeded(&output);
    let printed = stdout(&output);
    for word in ["inspection", "barrier", "antifouling", "repair", "treatment", "lead@sandwhistle.example"] {
        assert!(printed.contains(word), "no {word} in\n{printed}");
    }

    let rows = due(&folder.0);
    let vessels: std::collections::BTreeSet<&str> =
        rows.iter().filter_map(|row| row["vessel_id"].as_str()).collect();
    assert!(vessels.len() >= 48, "{} hulls", vessels.len());
    let of =
        |name: &str, kind: &str| rows.iter().find(|row| row["vessel_name"] == name && row["kind"] == kind);
    assert_eq!(of("Cinder Bobbin", "repair").unwrap()["status"], "due", "the open break");
    assert_eq!(of("Barley Lapwing", "treatment").unwrap()["status"], "due", "the blistered hull");
    assert!(of("Barley Lapwing", "barrier").is_none(), "a blistered hull is treated, not given a barrier");
    assert_eq!(of("Rush Trinket", "inspection").unwrap()["status"], "not_enough_data");
    assert!(of("Juniper Dipper", "barrier").unwrap()["reason"].as_str().unwrap().contains("cored"));
    assert!(rows.iter().all(|row| row["basis"] == "prior" && row["stale"] == false));

    // A list in which everything is due helps nobody. Antifouling is due every season and is left out.
    let within_a_year = |row: &&Value| {
        let soon = (garboard::clock::Clock::System.now().date_naive() + chrono::Days::new(365)).to_string();
        row["kind"] != "antifouling" && row["due_on"].as_str().is_some_and(|on| on < soon.as_str())
    };
    let soon: std::collections::BTreeSet<&str> =
        rows.iter().filter(within_a_year).filter_map(|row| row["vessel_id"].as_str()).collect();
    assert!(
        soon.len() * 3 <= vessels.len(),
        "{} of {} hulls are due for a look or work within a year",
        soon.len(),
        vessels.len()
    );

    // The same list as CSV, and a second run that loads nothing anew.
    let csv = run(&["due", "--format", "csv", "--data-dir", text(&folder.0)]);
    succeeded(&csv);
    assert_eq!(csv::Reader::from_reader(&csv.stdout[..]).records().map(Result::unwrap).count(), rows.len());
    succeeded(&run(&["demo", "--once", "--data-dir", text(&folder.0)]));
    assert_eq!(due(&folder.0).len(), rows.len());
    refused(
        &run(&["due", "--site", "Nowhere", "--data-dir", text(&folder.0)]),
        &["Nowhere", "Sandwhistle Haven"],
    );
}

#[test]
fn it_serves_shares_its_folder_with_commands_and_survives_being_killed() {
    let folder = Scratch::new();
    let mut serving = Serving::start(&folder.0);
    let get = |address: &str, path: &str| {
        rustls::crypto::ring::default_provider().install_default().ok();
        reqwest::blocking::get(format!("{address}{path}")).unwrap()
    };
    assert_eq!(get(&serving.address, "/health/ready").status(), 200);
    assert_eq!(get(&serving.address, "/openapi.json").status(), 200);
    assert!(get(&serving.address, "/docs/").text().unwrap().contains("swagger"));
    assert_eq!(get(&serving.address, "/v1/due").status(), 401);
    // A command reads along with the service; a second service says so and leaves the first alone.
    let rows = due(&folder.0).len();
    let second = run(&["serve", "--listen", "127.0.0.1:0", "--data-dir", text(&folder.0)]);
    refused(&second, &["another garboard", "--data-dir"]);
    assert_eq!(get(&serving.address, "/health/ready").status(), 200);

    serving.signal(rustix::process::Signal::KILL);
    let mut serving = Serving::start(&folder.0);
    assert_eq!(due(&folder.0).len(), rows);
    let status = serving.signal(rustix::process::Signal::TERM);
    assert!(status.success(), "a stop that was asked for is no failure: {status}");
    // Stopped with the service: nobody holds the folder, and a command starts the server anew.
    assert_eq!(due(&folder.0).len(), rows);
    let migrate = run(&["migrate", "--data-dir", text(&folder.0)]);
    succeeded(&migrate);
    assert!(stdout(&migrate).contains("up to date"), "{}", stderr(&migrate));
}

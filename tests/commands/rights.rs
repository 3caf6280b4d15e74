//! Erasing and exporting as whoever runs the service does.

use crate::running::{Scratch, refused, run, stdout, succeeded, text};

#[test]
fn an_organisation_is_exported_erased_and_restored_by_commands() {
    let folder = Scratch::new();
    let data = ["--data-dir", text(&folder.0)];
    let make =
        |name: &str, email: &str| run(&["organisation", "--name", name, "--email", email, data[0], data[1]]);
    let first = make("North Basin", "a@basin.example");
    succeeded(&first);
    assert!(stdout(&first).contains("kept nowhere else"));
    let second = make("South Basin", "a@basin.example");
    succeeded(&second);
    assert!(
        !stdout(&second).contains("kept nowhere else") && stdout(&second).contains("the password it has")
    );
    succeeded(&make("East Basin", "b@basin.example"));

    let archive = folder.0.join("north.tar");
    let export = ["archive", "--organisation", "North Basin", text(&archive), data[0], data[1]];
    succeeded(&run(&export));
    refused(&run(&export), &["Name a new file"]);
    let erase = |confirm: &str| {
        run(&[
            "erase",
            "organisation",
            "--organisation",
            "North Basin",
            "--confirm",
            confirm,
            data[0],
            data[1],
        ])
    };
    refused(&erase("yes"), &["Nothing was erased", "North Basin"]);
    refused(&run(&["restore", text(&archive), data[0], data[1]]), &["is here already"]);
    succeeded(&erase("North Basin"));
    refused(&erase("North Basin"), &["Name one organisation", "South Basin"]);
    let restored = run(&["restore", text(&archive), data[0], data[1]]);
    succeeded(&restored);
    assert!(stdout(&restored).contains("is back"));
    let verified = run(&["audit", "verify", data[0], data[1]]);
    succeeded(&verified);

    let person = |email: &str, confirm: &str| {
        run(&["erase", "person", "--email", email, "--confirm", confirm, data[0], data[1]])
    };
    refused(&person("b@basin.example", "c@basin.example"), &["Nothing was erased"]);
    refused(&person("b@basin.example", "b@basin.example"), &["East Basin", "without an administrator"]);
    refused(&person("ghost@basin.example", "ghost@basin.example"), &["Nobody has the address"]);
    // Another administrator, and the first can go.
    let third = make("West Basin", "c@basin.example");
    succeeded(&third);
}

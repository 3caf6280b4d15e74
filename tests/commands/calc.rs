//! The calculators at the command line, and wrong arguments.

use serde_json::Value;

use crate::running::{refused, run, run_with, stderr, stdout, succeeded};

#[test]
fn an_example_computes_and_a_bad_field_is_named() {
    let example = run(&["calc", "--example", "exposure"]);
    succeeded(&example);
    let answer = run_with(&["calc", "exposure"], &stdout(&example));
    succeeded(&answer);
    let json: Value = serde_json::from_str(&stdout(&answer)).unwrap();
    assert!(json["model"]["name"] == "exposure" && json["cautions"].is_array(), "{json}");
    let mut input: Value = serde_json::from_str(&stdout(&example)).unwrap();
    input["laminate"]["thickness_m"] = (-0.01).into();
    refused(&run_with(&["calc", "exposure"], &input.to_string()), &["/laminate/thickness_m"]);
    input["laminate"]["thickness_m"] = "thick".into();
    refused(&run_with(&["calc", "exposure"], &input.to_string()), &["/laminate/thickness_m"]);
    refused(&run_with(&["calc", "exposure"], "{\"laminate\": NaN}"), &["JSON"]);
    refused(&run_with(&["calc", "no-such"], "{}"), &["no-such"]);
}

#[test]
fn wrong_arguments_end_with_two() {
    for arguments in
        [&["no-such-command"][..], &["due", "--kind", "painting"], &["serve", "--listen", "nowhere"], &[]]
    {
        let output = run(arguments);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {}", stderr(&output));
    }
}

#[test]
fn an_address_open_to_others_needs_a_proxy() {
    refused(&run(&["serve", "--listen", "0.0.0.0:0"]), &["--behind-proxy"]);
}

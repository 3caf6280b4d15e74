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
fn documents_a_line_are_answered_a_line() {
    let lines = "{\"air_temperature_c\":20,\"relative_humidity_pct\":70}\n\n{\"air_temperature_c\":20,\"relative_humidity_pct\":50}\n";
    let answered = run_with(&["calc", "dew-point"], lines);
    succeeded(&answered);
    let answers: Vec<Value> =
        stdout(&answered).lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(answers.len(), 2);
    assert!(answers[0]["dew_point_c"].as_f64() > answers[1]["dew_point_c"].as_f64());

    let with_faults =
        lines.replace("50", "150") + "no JSON\n{\"air_temperature_c\":20,\"relative_humidity_pct\":60}\n";
    let output = run_with(&["calc", "dew-point"], &with_faults);
    refused(&output, &["2 of 4"]);
    let answers: Vec<Value> =
        stdout(&output).lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(answers.len(), 4);
    assert_eq!(answers[1]["errors"][0]["pointer"], "/relative_humidity_pct");
    assert_eq!(answers[2]["code"], "malformed");
    assert!(answers[0]["dew_point_c"].is_number() && answers[3]["dew_point_c"].is_number());
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

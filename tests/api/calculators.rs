//! The calculators: both doors give the same answers and the same refusals.

use std::io::Write;
use std::process::{Command, Output, Stdio};

use serde_json::{Value, json};

use crate::support::app::TestApp;

fn calc(arguments: &[&str], input: &str) -> Output {
    let mut child = Command::new(env!("CARGO_BIN_EXE_garboard"))
        .arg("calc")
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the command starts");
    child.stdin.take().expect("a pipe").write_all(input.as_bytes()).ok();
    child.wait_with_output().expect("the command ends")
}

fn example() -> Value {
    let output = calc(&["--example", "exposure"], "");
    assert!(output.status.success());
    serde_json::from_slice(&output.stdout).expect("the example is JSON")
}

#[test]
fn both_doors_give_the_answer_of_the_published_check_values() {
    let app = TestApp::start();
    let checks: Value =
        serde_json::from_str(include_str!("../checks/moisture-exposure.json")).expect("a check file");
    let mut input = checks["cases"][0]["input"].clone();
    input.as_object_mut().expect("an object").remove("name");
    let over_http = app.reader().post("/v1/calculators/exposure", &input).expect(200);
    let by_command = calc(&["exposure"], &input.to_string());
    assert!(by_command.status.success(), "{}", String::from_utf8_lossy(&by_command.stderr));
    let by_command: Value = serde_json::from_slice(&by_command.stdout).expect("the answer is JSON");
    assert_eq!(over_http.json, by_command);
    assert!(over_http.json["model"]["name"].is_string() && over_http.json["cautions"][0].is_string());
    // The file holds an independent finite-volume solution and its tolerances.
    let expected = checks["cases"][0]["expected"].as_array().expect("a list");
    assert!(!expected.is_empty());
    for expected in expected {
        let after = usize::try_from(expected["after_segment"].as_u64().expect("a count")).expect("small");
        for field in ["outer_face_activity", "mean_activity"] {
            let number = |value: &Value| value.as_f64().expect("a number");
            let difference = number(&over_http.json["segments"][after - 1][field]) - number(&expected[field]);
            assert!(difference.abs() <= number(&checks["tolerance"][field]), "{field} after {after}");
        }
    }
}

#[test]
fn both_doors_refuse_alike() {
    let app = TestApp::start();
    let reader = app.reader();
    let example = example();
    let with = |pointer: &str, value: Value| {
        let mut input = example.clone();
        *input.pointer_mut(pointer).expect("a field of the example") = value;
        input
    };
    let mut unknown = example.clone();
    unknown["colour"] = json!("blue");
    let mut missing = example.clone();
    missing.as_object_mut().expect("an object").remove("segments");
    for (input, pointer) in [
        (with("/segments/1/days", json!(-1)), "/segments/1/days"),
        (with("/laminate/thickness_m", json!("thick")), "/laminate/thickness_m"),
        (with("/segments", json!([])), "/segments"),
        (with("/segments", json!(vec![example["segments"][0].clone(); 5_001])), "/segments"),
        (missing, "/segments"),
        (unknown, "/colour"),
        (json!([1]), ""),
    ] {
        let refused = reader.post("/v1/calculators/exposure", &input).expect_problem(422, "invalid", pointer);
        let output = calc(&["exposure"], &input.to_string());
        assert_eq!(output.status.code(), Some(1));
        assert_eq!(output.stdout, b"");
        let line = String::from_utf8(output.stderr).expect("text");
        assert_eq!(line.lines().count(), 1, "{line}");
        let detail = refused.json["detail"].as_str().expect("a detail");
        assert_eq!(line, format!("garboard: {detail}\n"));
        assert!(line.contains(pointer));
    }
    let output = calc(&["exposure"], "{");
    assert_eq!(output.status.code(), Some(1));
    assert_eq!(String::from_utf8(output.stderr).expect("text").lines().count(), 1);
}

/// Every calculator: its example computes, by both doors alike, and stands in the OpenAPI document under an operation
/// of its own.
#[test]
fn every_example_is_computed_and_documented() {
    let app = TestApp::start();
    let reader = app.reader();
    let document = app.anonymous().get("/openapi.json").expect(200);
    let list = String::from_utf8(calc(&["--list"], "").stdout).expect("text");
    let names: Vec<&str> = list.lines().filter_map(|line| line.split(' ').next()).collect();
    assert_eq!(names.len(), 13, "{names:?}");
    for name in names {
        let example = calc(&["--example", name], "");
        let input: Value = serde_json::from_slice(&example.stdout).expect("the example is JSON");
        let path = format!("/v1/calculators/{name}");
        let over_http = reader.post(&path, &input).expect(200);
        let by_command = calc(&[name], &input.to_string());
        let by_command: Value = serde_json::from_slice(&by_command.stdout).expect("the answer is JSON");
        assert_eq!(over_http.json, by_command, "{name}");
        assert_eq!(by_command["model"]["name"], name);
        let operation = &document.json["paths"][&path]["post"];
        assert_eq!(operation["operationId"], format!("calculate_{}", name.replace('-', "_")));
        assert_eq!(operation["requestBody"]["content"]["application/json"]["example"], input, "{name}");
        reader.post(&path, &json!({"colour": "blue"})).expect(422);
    }
}

#[test]
fn a_token_is_needed_and_five_thousand_segments_are_taken() {
    let app = TestApp::start();
    let mut input = example();
    let segment = input["segments"][0].clone();
    input["segments"] = json!(vec![segment; 5_000]);
    app.anonymous().post("/v1/calculators/exposure", &input).expect(401);
    let answer = app.reader().post("/v1/calculators/exposure", &input).expect(200);
    assert_eq!(answer.json["segments"].as_array().map(Vec::len), Some(5_000));
}

/// Lives in even steps of a Weibull's quantiles with scale 10 and shape 2.5, each bracketed by looks of its own, with all
/// their digits.
fn many_observations(n: u32) -> Value {
    let observations: Vec<Value> = (0..n)
        .map(|k| {
            let life = 10.0 * (-((f64::from(k) + 0.5) / f64::from(n)).ln()).powf(0.4);
            let phase = (f64::from(k) * 0.618_033_988_749_895).fract();
            let (lower, upper) = ((life - phase).max(0.0), life + 1.0 - phase);
            if k % 3 == 0 {
                json!({"lower": lower, "upper": null})
            } else {
                json!({"lower": lower, "upper": upper})
            }
        })
        .collect();
    json!({"observations": observations, "quantiles": [{"p": 0.1}], "at": [5]})
}

/// They need more than a record's megabyte. A third is censored before its end, so that life looks longer than it is.
#[test]
fn two_hundred_thousand_observations_are_taken_and_too_long_a_body_is_refused() {
    let app = TestApp::start();
    let input = many_observations(200_000);
    let text = input.to_string();
    assert!(text.len() > 8 * 1024 * 1024, "{} bytes", text.len());
    let answer = app.reader().post("/v1/calculators/lifetime", &input).expect(200).json;
    let number = |pointer: &str| answer.pointer(pointer).and_then(Value::as_f64).expect("a number");
    assert!(
        (10.0..13.0).contains(&number("/weibull/scale")) && (2.0..3.0).contains(&number("/weibull/shape"))
    );
    assert!((number("/survival/0/turnbull") - number("/survival/0/weibull")).abs() < 0.02);
    assert_eq!(answer["cautions"].as_array().map(Vec::len), Some(1), "it has settled");
    let by_command = calc(&["lifetime"], &text);
    assert!(by_command.status.success());
    assert_eq!(answer, serde_json::from_slice::<Value>(&by_command.stdout).expect("JSON"));

    let too_long = format!("{{\"observations\": [{}]}}", " ".repeat(16 * 1024 * 1024));
    let by_command = calc(&["lifetime"], &too_long);
    assert_eq!(by_command.status.code(), Some(1));
    let refused = app
        .reader()
        .request("POST", "/v1/calculators/lifetime")
        .header("content-type", "application/json")
        .body(too_long)
        .send()
        .expect("the server answers");
    assert_eq!(refused.status().as_u16(), 413);
}

#[test]
fn the_command_lists_what_there_is_and_names_it_when_asked_for_something_else() {
    let list = calc(&["--list"], "");
    assert!(list.status.success());
    assert!(String::from_utf8_lossy(&list.stdout).lines().any(|line| line.starts_with("exposure ")));
    let unknown = calc(&["weather"], "{}");
    assert_eq!(unknown.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&unknown.stderr).contains("There are: dew-point, "));
    assert_eq!(calc(&[], "").status.code(), Some(2));
}

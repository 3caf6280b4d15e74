//! Bad input to every calculator: the same refusal from both doors, with the field's pointer, and nothing clamped.

use std::collections::BTreeSet;
use std::io::Write;
use std::process::{Command, Stdio};

use serde_json::{Map, Value, json};

use crate::support::app::TestApp;

/// `garboard calc NAME` with a document a line.
fn calc(name: &str, lines: &[String]) -> Vec<Value> {
    let mut child = Command::new(env!("CARGO_BIN_EXE_garboard"))
        .args(["calc", name])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("the command starts");
    let mut stdin = child.stdin.take().expect("a pipe");
    let text = lines.join("\n") + "\n";
    let writer = std::thread::spawn(move || stdin.write_all(text.as_bytes()));
    let output = child.wait_with_output().expect("the command ends");
    writer.join().expect("no panic").expect("the command reads all of it");
    String::from_utf8(output.stdout)
        .expect("text")
        .lines()
        .map(|line| serde_json::from_str(line).expect("an answer a line"))
        .collect()
}

/// Every pointer into a value, the whole first, of lists the first two items.
fn pointers(value: &Value, here: &str, found: &mut Vec<String>) {
    found.push(here.to_owned());
    match value {
        Value::Array(items) => {
            items
                .iter()
                .take(2)
                .enumerate()
                .for_each(|(n, item)| pointers(item, &format!("{here}/{n}"), found));
        }
        Value::Object(members) => {
            members.iter().for_each(|(name, item)| pointers(item, &format!("{here}/{name}"), found));
        }
        _ => {}
    }
}

/// What must come of an input.
#[derive(Debug, PartialEq)]
enum Outcome {
    /// Refused, naming this field.
    Names(String),
    /// Not JSON.
    Malformed,
    /// The calculator says; both doors the same.
    Either,
}

/// Numbers that may be below zero: temperatures, and a meter's own scale.
fn may_be_negative(pointer: &str) -> bool {
    ["temperature_c", "/target", "/value"].iter().any(|end| pointer.ends_with(end))
}

/// The example with each field made wrong in each way.
fn wrong_inputs(example: &Value, required: &BTreeSet<String>) -> Vec<(String, Outcome)> {
    let mut all = Vec::new();
    pointers(example, "", &mut all);
    let mut wrong = vec![
        ("[]".to_owned(), Outcome::Names(String::new())),
        ("null".to_owned(), Outcome::Names(String::new())),
        ("7".to_owned(), Outcome::Names(String::new())),
        ("{}".to_owned(), Outcome::Either),
        ("{".to_owned(), Outcome::Malformed),
    ];
    for pointer in all {
        let with = |new: Value| {
            let mut input = example.clone();
            *input.pointer_mut(&pointer).expect("a field of the example") = new;
            input.to_string()
        };
        let names = || Outcome::Names(pointer.clone());
        let value = example.pointer(&pointer).expect("a field of the example");
        match value {
            Value::Number(_) => {
                for too_far in [1e30, -1e30] {
                    wrong.push((with(json!(too_far)), names()));
                }
                let negative = if may_be_negative(&pointer) { Outcome::Either } else { names() };
                wrong.push((with(json!(-1.5)), negative));
                wrong.push((with(json!(0)), Outcome::Either));
                // Written out, since JSON has no such numbers.
                let marked = with(json!("@"));
                for no_number in ["NaN", "Infinity", "1e999"] {
                    wrong.push((marked.replace("\"@\"", no_number), Outcome::Malformed));
                }
            }
            Value::Array(_) => {
                wrong.push((
                    with(json!([])),
                    if pointer.ends_with("/at") || pointer.ends_with("/quantiles") {
                        Outcome::Either
                    } else {
                        names()
                    },
                ));
            }
            Value::Object(members) => {
                let mut with_another = members.clone();
                with_another.insert("colour".to_owned(), json!(1));
                wrong.push((with(Value::Object(with_another)), Outcome::Names(format!("{pointer}/colour"))));
                for name in members.keys() {
                    let mut without: Map<String, Value> = members.clone();
                    without.remove(name);
                    let missing = format!("{pointer}/{name}");
                    let is_required = pointer.is_empty() && required.contains(name);
                    let outcome = if is_required { Outcome::Names(missing) } else { Outcome::Either };
                    wrong.push((with(Value::Object(without)), outcome));
                }
            }
            _ => {}
        }
        if !pointer.is_empty() {
            for other in [json!("thick"), json!(true), json!({"colour": 1})] {
                wrong.push((with(other), Outcome::Either));
            }
            wrong.push((with(Value::Null), Outcome::Either));
        }
    }
    wrong
}

/// A refusal as the command prints it, from a problem document.
fn refusal(problem: &Value) -> Value {
    let errors = problem.get("errors").cloned().unwrap_or_else(|| json!([]));
    json!({"code": problem["code"], "detail": problem["detail"], "errors": errors})
}

#[test]
fn every_calculator_refuses_alike_by_both_doors() {
    let app = TestApp::start();
    let reader = app.reader();
    let document = app.anonymous().get("/openapi.json").expect(200).json;
    let paths = document["paths"].as_object().expect("paths");
    let names: Vec<&str> = paths.keys().filter_map(|path| path.strip_prefix("/v1/calculators/")).collect();
    assert_eq!(names.len(), 13, "{names:?}");
    for name in names {
        let path = format!("/v1/calculators/{name}");
        let content = &paths[&path]["post"]["requestBody"]["content"]["application/json"];
        let schema = content["schema"]["$ref"].as_str().expect("a schema of its own");
        let schema = document.pointer(schema.trim_start_matches('#')).expect("it is in the document");
        let required: BTreeSet<String> =
            serde_json::from_value(schema["required"].clone()).expect("what is required");
        assert!(!required.is_empty(), "{name}");

        let inputs = wrong_inputs(&content["example"], &required);
        let lines: Vec<String> = inputs.iter().map(|(line, _)| line.clone()).collect();
        let by_command = calc(name, &lines);
        assert_eq!(by_command.len(), lines.len(), "{name}");
        for ((line, outcome), by_command) in inputs.iter().zip(by_command) {
            let answer = reader
                .request("POST", &path)
                .header("content-type", "application/json")
                .body(line.clone())
                .send()
                .expect("the server answers");
            let status = answer.status().as_u16();
            let over_http: Value = answer.json().expect("JSON");
            let place = format!("{name} {line}: {over_http}");
            if status == 200 {
                assert_eq!(*outcome, Outcome::Either, "{place}");
                assert_eq!(over_http, by_command, "{place}");
                continue;
            }
            assert_eq!(refusal(&over_http), by_command, "{place}");
            let named: Vec<&str> = over_http["errors"]
                .as_array()
                .map(|errors| errors.iter().filter_map(|error| error["pointer"].as_str()).collect())
                .unwrap_or_default();
            if status == 400 {
                assert_eq!(*outcome, Outcome::Malformed, "{place}");
                assert_eq!(over_http["code"], "malformed", "{place}");
                continue;
            }
            assert_eq!((status, &over_http["code"]), (422, &json!("invalid")), "{place}");
            assert!(!named.is_empty(), "no field is named: {place}");
            if let Outcome::Names(pointer) = outcome {
                assert!(named.contains(&pointer.as_str()), "{pointer} is not named: {place}");
            }
            let details = over_http["errors"].as_array().expect("errors");
            assert!(details.iter().all(|error| error["detail"].is_string() && error["code"].is_string()));
        }
    }
}

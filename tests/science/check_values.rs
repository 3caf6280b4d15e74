//! Reads the check files and their tolerances.

use std::path::Path;

use serde_json::Value;

/// The whole of `tests/checks/NAME.json`.
pub fn file(name: &str) -> Value {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/checks").join(format!("{name}.json"));
    let text = std::fs::read_to_string(path).expect("the check file is part of the project");
    serde_json::from_str(&text).expect("the check file is JSON")
}

/// The cases of a check file; never none.
pub fn cases(name: &str) -> Vec<Value> {
    let cases = file(name)["cases"].as_array().expect("a list of cases").clone();
    assert!(!cases.is_empty(), "{name} holds no cases");
    cases
}

/// A number that must be there.
pub fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

/// Asserts that `actual` is within the file's tolerance: a number is absolute, "1e-6 rel" is relative.
pub fn assert_close(what: &str, actual: f64, expected: f64, tolerance: &Value) {
    let allowed = match tolerance {
        Value::String(text) => {
            let share = text.strip_suffix(" rel").expect("a relative tolerance");
            share.parse::<f64>().expect("a number") * expected.abs()
        }
        other => number(other),
    };
    assert!(
        (actual - expected).abs() <= allowed,
        "{what}: {actual} instead of {expected}, allowed {allowed}"
    );
}

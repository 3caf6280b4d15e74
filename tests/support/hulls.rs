//! Vessels of the tests, and their forecasts.

use garboard::features::forecasts;
use garboard::jobs::{Tally, run_until_idle};
use serde_json::{Value, json};

use super::app::{Answer, Client, TestApp};

/// Makes a vessel with the three fields that are required, and these.
#[track_caller]
pub fn vessel(client: &Client, name: &str, fields: Value) -> Answer {
    let mut body = json!({"name": name, "form": "fin_keel", "length_m": 10.0});
    if let (Value::Object(body), Value::Object(fields)) = (&mut body, fields) {
        body.extend(fields);
    }
    client.post("/v1/vessels", &body).expect(201)
}

/// Runs the worker until no job waits.
#[track_caller]
pub fn settle(app: &TestApp) -> Tally {
    let tally = run_until_idle(&app.db, &forecasts::job::workers()).expect("the queue is in reach");
    assert_eq!(tally.failed, 0);
    tally
}

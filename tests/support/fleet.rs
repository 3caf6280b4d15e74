//! A fleet whose lives are those of a committed data set, entered as a yard enters them.

use chrono::{Days, NaiveDate};
use serde_json::{Value, json};

use super::app::Client;
use super::hulls::vessel;

/// `tests/checks/data-synthetic-hulls-interval.csv`: 60 lives in years, right-censored where the second column is
/// infinite.
pub const HULLS: usize = 60;

/// The lives of the data set: last year clean, first year blistered.
pub fn lives() -> Vec<(f64, Option<f64>)> {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/checks/data-synthetic-hulls-interval.csv");
    let text = std::fs::read_to_string(path).expect("the data set is part of the project");
    text.lines()
        .skip(1)
        .map(|line| {
            let (lower, upper) = line.split_once(',').expect("two columns");
            let upper: f64 = upper.trim().parse().expect("a number");
            (lower.trim().parse().expect("a number"), upper.is_finite().then_some(upper))
        })
        .collect()
}

fn after(launched_on: NaiveDate, years: f64) -> NaiveDate {
    // Whole years of the data set, to within half a day of years of 365.25 days.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "years of a life")]
    let days = (years * 365.25).round() as u64;
    launched_on + Days::new(days)
}

/// Signs a survey of the whole bottom.
#[track_caller]
pub fn survey(surveyor: &Client, vessel_id: &str, on: NaiveDate, blistering: &str) {
    let body = json!({"vessel_id": vessel_id, "surveyed_on": on, "bottom_examined": "whole", "blistering": blistering});
    let draft = surveyor.post("/v1/surveys", &body).expect(201);
    let path = format!("/v1/surveys/{}/signature", draft.id());
    surveyor.post_if_match(&path, &draft.etag(), &json!({})).expect(200);
}

/// Enters the first lives of the data set as hulls of these fields, and gives their ids.
pub fn enter(lead: &Client, surveyor: &Client, hulls: usize, fields: impl Fn(usize) -> Value) -> Vec<String> {
    let launched_on = NaiveDate::from_ymd_opt(2010, 5, 1).expect("a day");
    let mut ids = Vec::new();
    for (n, (lower, upper)) in lives().into_iter().take(hulls).enumerate() {
        let mut body = json!({"launched_on": launched_on});
        if let (Value::Object(body), Value::Object(more)) = (&mut body, fields(n)) {
            body.extend(more);
        }
        let id = vessel(lead, &format!("Hull {n}"), body).id();
        if lower > 0.0 {
            survey(surveyor, &id, after(launched_on, lower), "none");
        }
        if let Some(upper) = upper {
            survey(surveyor, &id, after(launched_on, upper), "gelcoat");
        }
        ids.push(id);
    }
    ids
}

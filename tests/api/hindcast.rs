//! `/v1/hindcast`, `/v1/vessels/{id}/sensitivity`

use std::sync::{Mutex, MutexGuard, PoisonError};
use std::thread;
use std::time::Instant;

use diesel::prelude::*;
use diesel::sql_types::BigInt;
use garboard::error::Code;
use garboard::features::hindcasts::model::Asked;
use garboard::features::hindcasts::store::hindcast;
use garboard::jobs::run_until_idle;
use garboard::routes;
use serde_json::{Value, json};

use crate::support::app::{Client, TestApp};
use crate::support::fleet::{HULLS, enter};
use crate::support::hulls::{settle, vessel};

/// One hindcast at a time is all that a service makes, and the tests of this file are one service's.
fn turn() -> MutexGuard<'static, ()> {
    static TURN: Mutex<()> = Mutex::new(());
    TURN.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Signs a survey of the whole bottom.
fn survey(client: &Client, vessel_id: &str, on: &str, blistering: &str) -> String {
    let made = client
        .post(
            "/v1/surveys",
            &json!({"vessel_id": vessel_id, "surveyed_on": on, "bottom_examined": "whole", "blistering": blistering}),
        )
        .expect(201);
    let (id, etag) = (made.id(), made.etag());
    client.post_if_match(&format!("/v1/surveys/{id}/signature"), &etag, &json!({})).expect(200);
    id
}

fn fleet(client: &Client) -> Vec<String> {
    [
        ("A", "2005-05-01", None),
        ("B", "1996-05-01", Some("2016-05-10")),
        ("C", "2012-05-01", Some("2022-05-10")),
    ]
    .into_iter()
    .map(|(name, launched_on, found_on)| {
        let fields = json!({"launched_on": launched_on, "laminate_class": "orthophthalic", "bilge": "dry"});
        let id = vessel(client, name, fields).id();
        for year in [2013, 2016, 2019, 2022] {
            let on = format!("{year}-05-10");
            if found_on.is_none_or(|found| on.as_str() < found) {
                survey(client, &id, &on, "none");
            } else if found_on == Some(on.as_str()) {
                survey(client, &id, &on, "gelcoat");
            }
        }
        id
    })
    .collect()
}

#[test]
fn past_surveys_are_held_against_forecasts_and_both_baselines() {
    let _turn = turn();
    let app = TestApp::start();
    let lead = app.lead();
    fleet(&lead);
    let answer = app.reader().get("/v1/hindcast?from_year=2014").expect(200).json;
    // A: 2016, 2019, 2022; B: 2016; C: 2016, 2019, 2022.
    assert_eq!((&answer["surveys"], &answer["vessels"], &answer["found"]), (&json!(7), &json!(3), &json!(2)));
    assert_eq!((&answer["lead_months"], &answer["lives"]), (&json!(12), &json!(3)));
    assert_eq!(answer["basis"], "prior");
    let rows = app.reader().get("/v1/hindcast?from_year=2014&format=csv").expect(200);
    let text = &rows.text;
    let lines: Vec<Vec<&str>> = text.lines().map(|line| line.split(',').collect()).collect();
    assert_eq!(lines.len(), 8, "{text}");
    let column = |name: &str| lines[0].iter().position(|head| *head == name).expect("a column");
    let number = |row: &[&str], name: &str| row[column(name)].parse::<f64>().expect("a number");
    // The scores again from the rows: Brier's mean square, and the shares of all others worked by hand.
    let (mut own, mut mean) = (0.0, 0.0);
    for row in &lines[1..] {
        let found = if row[column("found")] == "true" { 1.0 } else { 0.0 };
        own += (number(row, "found_probability") - found).powi(2) / 7.0;
        let of_others = (2.0 - found + 0.5) / 7.0;
        assert!((number(row, "fleet_mean_probability") - of_others).abs() < 1e-6, "{row:?}");
        mean += (of_others - found).powi(2) / 7.0;
    }
    let score = |path: &str| answer.pointer(path).and_then(Value::as_f64).expect("a score");
    assert!((score("/brier_score/fleet_mean/forecast") - own).abs() < 1e-5);
    assert!((score("/brier_score/fleet_mean/baseline") - mean).abs() < 1e-5);
    let skill = score("/brier_score/fleet_mean/skill");
    assert!((skill - (1.0 - own / mean)).abs() < 1e-4, "{skill}");
    let expected: f64 = lines[1..].iter().map(|row| number(row, "found_probability")).sum();
    assert!((score("/found_expected") - expected).abs() < 1e-4);
    let words = answer["findings"].to_string();
    assert!(words.contains("Of 7 surveys from 2014 on, 2 found blistering"), "{words}");
    assert!(words.contains("these figures say little yet"), "{words}");
    let last_ten = app.reader().get("/v1/hindcast").expect(200).json;
    assert_eq!((&last_ten["from_year"], &last_ten["surveys"]), (&json!(2016), &json!(7)));
    let other = app.stranger().get("/v1/hindcast?from_year=2014").expect(200).json;
    assert_eq!((&other["surveys"], &other["brier_score"]), (&json!(0), &Value::Null));
}

#[test]
fn a_forecast_of_then_follows_what_was_in_use_then() {
    let _turn = turn();
    let app = TestApp::start();
    enter(&app.lead(), &app.surveyor(), HULLS, |_| json!({"laminate_class": "isophthalic"}));
    let ask = || app.reader().get("/v1/hindcast?from_year=2012").expect(200).json;
    let by_priors = ask();
    assert_eq!(by_priors["basis"], "prior");
    app.lead().post("/v1/calibrations", &json!({})).expect(202);
    assert_eq!(run_until_idle(&app.db, &routes::learners()).expect("the queue is in reach").failed, 0);
    assert!(app.reader().get("/v1/learning").expect(200).json["calibration_id"].is_string(), "it is in use");
    assert_eq!(ask(), by_priors, "no forecast of the past could know it");
    // As if it had been in use since before them.
    let mut superuser =
        PgConnection::establish(&app.database.superuser_url()).expect("the superuser connects");
    let moved =
        diesel::sql_query("UPDATE calibration_choices SET chosen_at = '2011-01-01'").execute(&mut superuser);
    assert_eq!(moved, Ok(1));
    let by_lesson = ask();
    assert_eq!(by_lesson["basis"], "learned");
    assert_eq!(by_lesson["surveys"], by_priors["surveys"]);
    assert_ne!(by_lesson["brier_score"], by_priors["brier_score"]);
}

#[test]
fn a_correction_is_known_from_the_day_it_was_recorded_on() {
    let app = TestApp::start();
    let lead = app.lead();
    let id =
        vessel(&lead, "Late", json!({"launched_on": "2010-05-01", "laminate_class": "isophthalic"})).id();
    // Recorded by the clock of the tests on 15 June 2026: one of them soon after its day, the other from papers.
    let soon = survey(&lead, &id, "2026-06-01", "none");
    let papers = survey(&lead, &id, "2019-06-01", "none");
    let correct = |survey_id: &str| {
        let path = format!("/v1/surveys/{survey_id}");
        let etag = lead.get(&path).expect(200).etag();
        let reason = json!({"reason": "The wrong box was ticked."});
        let open = lead.post_if_match(&format!("{path}/correction"), &etag, &reason).expect(200);
        let graded = lead.patch(&path, &open.etag(), &json!({"blistering": "gelcoat"})).expect(200);
        lead.post_if_match(&format!("{path}/signature"), &graded.etag(), &json!({})).expect(200);
    };
    let kinds = |as_of: &str| -> Vec<String> {
        let forecast = lead.get(&format!("/v1/vessels/{id}/forecast?as_of={as_of}")).expect(200).json;
        let dates = forecast["dates"].as_array().expect("dates").iter();
        dates.filter_map(|date| date["kind"].as_str()).map(str::to_owned).collect()
    };
    let treated = |as_of: &str| kinds(as_of).contains(&"treatment".to_owned());
    assert!(!treated("2026-06-10") && !treated("2026-06-15"));
    correct(&soon);
    assert!(!treated("2026-06-10"), "as it was first written down");
    assert!(treated("2026-06-15"), "as corrected");
    correct(&papers);
    assert!(treated("2020-06-10"), "what was entered from papers, as it stands");
}

#[test]
fn a_withdrawn_survey_is_held_against_no_forecast_and_known_only_until_then() {
    let _turn = turn();
    let app = TestApp::start();
    let lead = app.lead();
    fleet(&lead);
    let withdraw = |survey_id: &str| {
        let path = format!("/v1/surveys/{survey_id}");
        let etag = lead.get(&path).expect(200).etag();
        let reason = json!({"reason": "another hull"});
        lead.post_if_match(&format!("{path}/withdrawal"), &etag, &reason).expect(200);
    };
    let judged = || {
        let told = lead.get("/v1/hindcast?from_year=2013").expect(200).json;
        (told["surveys"].as_u64().expect("a number"), told["found"].as_u64().expect("a number"))
    };
    let before = judged();
    let id =
        vessel(&lead, "Late", json!({"launched_on": "2010-05-01", "laminate_class": "isophthalic"})).id();
    let soon = survey(&lead, &id, "2026-06-01", "gelcoat");
    let papers = survey(&lead, &id, "2019-06-01", "gelcoat");
    assert_eq!(judged().1, before.1 + 1, "what came first is held against its forecast");
    let treated = |as_of: &str| {
        let forecast = lead.get(&format!("/v1/vessels/{id}/forecast?as_of={as_of}")).expect(200).json;
        forecast["dates"].as_array().expect("dates").iter().any(|date| date["kind"] == "treatment")
    };
    assert!(treated("2020-06-10") && treated("2026-06-10") && treated("2026-06-15"));
    withdraw(&papers);
    assert!(!treated("2020-06-10"), "what was entered from papers, as it stands");
    withdraw(&soon);
    assert!(treated("2026-06-10"), "as it was first written down");
    assert!(!treated("2026-06-15"), "as it stands since");
    assert_eq!(judged(), before);
}

#[test]
fn years_leads_and_forms_that_cannot_be_are_refused_at_their_field() {
    let _turn = turn();
    let app = TestApp::start();
    let reader = app.reader();
    for (query, field) in [
        ("from_year=1800", "from_year"),
        ("from_year=2027", "from_year"),
        ("from_year=2014&lead_months=0", "lead_months"),
        ("from_year=2014&lead_months=121", "lead_months"),
        ("from_year=2014&format=xml", "format"),
        ("from_year=2014&since=2", "since"),
    ] {
        reader.get(&format!("/v1/hindcast?{query}")).expect_problem(422, "invalid", field);
    }
}

#[derive(QueryableByName)]
struct Count {
    #[diesel(sql_type = BigInt)]
    n: i64,
}

#[test]
fn who_asks_while_another_hindcast_is_made_is_told_to_come_again() {
    let _turn = turn();
    let app = TestApp::start();
    fleet(&app.lead());
    let mut superuser =
        PgConnection::establish(&app.database.superuser_url()).expect("the superuser connects");
    for statement in ["BEGIN", "LOCK TABLE survey_versions IN ACCESS EXCLUSIVE MODE"] {
        diesel::sql_query(statement).execute(&mut superuser).expect("it runs");
    }
    let reader = app.reader();
    let first = thread::spawn(move || reader.get("/v1/hindcast?from_year=2014"));
    // Until it stands before the lock, in the one place there is.
    loop {
        let waiting = "SELECT count(*) AS n FROM pg_locks l JOIN pg_database d ON d.oid = l.database \
            WHERE NOT l.granted AND d.datname = current_database()";
        let waiting: Count = diesel::sql_query(waiting).get_result(&mut superuser).expect("a count");
        if waiting.n > 0 {
            break;
        }
        thread::yield_now();
    }
    let second = app.reader().get("/v1/hindcast?from_year=2014").expect_problem(503, "unavailable", "");
    assert!(second.header("retry-after").is_some(), "{}", second.text);
    diesel::sql_query("COMMIT").execute(&mut superuser).expect("it runs");
    assert_eq!(first.join().expect("the first was answered").expect(200).json["surveys"], 7);
    app.reader().get("/v1/hindcast?from_year=2014").expect(200);
}

#[test]
fn a_hindcast_that_takes_too_long_is_given_up() {
    let app = TestApp::start();
    fleet(&app.lead());
    let asked = Asked { from_year: 2014, lead_months: 12 };
    let late = hindcast(&app.db, &app.service(), asked, Some(Instant::now())).expect_err("no time at all");
    assert_eq!(late.code, Code::Unavailable, "{late:?}");
    assert!(late.to_string().contains("command hindcast"), "{late}");
    // The command takes the time it needs.
    let (view, cases) = hindcast(&app.db, &app.service(), asked, None).expect("as long as it takes");
    assert_eq!((view.surveys, cases.len()), (7, 7));
}

#[test]
fn more_than_twenty_thousand_surveys_are_refused_at_the_year() {
    let _turn = turn();
    let app = TestApp::start();
    let lead = app.lead();
    let id = vessel(&lead, "Looked at often", json!({"launched_on": "2005-05-01"})).id();
    survey(&lead, &id, "2020-05-10", "none");
    let mut superuser =
        PgConnection::establish(&app.database.superuser_url()).expect("the superuser connects");
    // Copies of that survey, past the triggers.
    for statement in [
        "SET session_replication_role = replica",
        "INSERT INTO surveys SELECT (jsonb_populate_record(s, jsonb_build_object('id', gen_random_uuid()))).* \
         FROM surveys s, generate_series(1, 20000)",
        "INSERT INTO survey_versions SELECT (jsonb_populate_record(v, jsonb_build_object('survey_id', s.id))).* \
         FROM survey_versions v, surveys s WHERE v.signed_at IS NOT NULL AND s.id <> v.survey_id",
    ] {
        diesel::sql_query(statement).execute(&mut superuser).expect("it runs");
    }
    let refused = app.reader().get("/v1/hindcast?from_year=2020").expect_problem(422, "invalid", "from_year");
    assert!(refused.text.contains("more than 20000 surveys"), "{}", refused.text);
    assert_eq!(app.reader().get("/v1/hindcast?from_year=2021").expect(200).json["surveys"], 0);
}

#[test]
fn what_widens_a_date_and_what_would_narrow_it_is_told() {
    let app = TestApp::start();
    let lead = app.lead();
    let ask = |id: &str| lead.get(&format!("/v1/vessels/{id}/sensitivity")).expect(200).json;
    let share = |answer: &Value, list: &str, name: &str, code: &str| -> f64 {
        let items = answer["onset"][list].as_array().expect("a list");
        let item = items.iter().find(|item| item[name] == code);
        item.and_then(|item| item["variance_fraction"].as_f64()).unwrap_or(0.0)
    };
    let unknown = vessel(&lead, "Unknown", json!({"built_year": 2015})).id();
    let answer = ask(&unknown);
    for (list, name, code) in [
        ("quantities", "quantity", "laminate_class"),
        ("quantities", "quantity", "bilge"),
        ("measurements", "measurement", "confirm_laminate_class"),
        ("measurements", "measurement", "look_at_the_bilge"),
        ("measurements", "measurement", "take_film_readings"),
    ] {
        assert!(share(&answer, list, name, code) > 0.0, "{code}: {answer}");
    }
    let quantities = answer["onset"]["quantities"].as_array().expect("a list");
    let shares: Vec<f64> = quantities.iter().filter_map(|q| q["variance_fraction"].as_f64()).collect();
    assert!(shares.is_sorted_by(|a, b| a >= b) && shares.iter().sum::<f64>() < 1.1, "{shares:?}");
    assert_eq!(answer["onset"]["widened_most_by"], quantities[0]["quantity"]);

    let known = json!({"launched_on": "2015-05-01", "laminate_class": "orthophthalic", "bilge": "wet",
        "zones": [{"zone": "bottom", "cored": false, "laminate_thickness_mm": 8.0, "gelcoat_thickness_um": 600.0}]});
    let known = ask(&vessel(&lead, "Known", known).id());
    for (list, name, code) in [
        ("quantities", "quantity", "laminate_class"),
        ("quantities", "quantity", "bilge"),
        ("measurements", "measurement", "take_film_readings"),
    ] {
        assert!(share(&known, list, name, code).abs() < 1e-12, "{code}: {known}");
    }
    let spread = |answer: &Value| answer["onset"]["standard_deviation_days"].as_f64().expect("days");
    assert!(spread(&known) < spread(&answer), "what is known is less wide");
    let inspection = &known["dates"].as_array().expect("dates")[0];
    assert_eq!(inspection["kind"], "inspection");
    assert!(inspection["dry_the_bilge_later_days"].as_i64().is_some_and(|days| days >= 0), "{inspection}");
    settle(&app);
    app.stranger().get(&format!("/v1/vessels/{unknown}/sensitivity")).expect_problem(404, "not_found", "");
}

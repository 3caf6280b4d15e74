//! Every hold, one by one: refused with 409 and how to supply what is missing, opened by a named person with a reason, and
//! that override visible in the record for ever

use garboard::features::treatments::model::holds::CODES;
use serde_json::{Value, json};

use crate::support::app::Answer;
use crate::treatments::{Yard, held, made, product};
use crate::treatments_holds::Barrier;

type Attempt = Box<dyn Fn(&Yard, &str) -> Answer>;

/// A treatment that meets a hold, what meets it, and the words of how to supply what is missing.
struct Meets {
    yard: Yard,
    id: String,
    attempt: Attempt,
    words: &'static str,
}

const LAUNCH: &str = "2026-06-25T10:00:00Z";
const DAYS_OF_CLIMATE: i64 = 20;

fn close(yard: &Yard, id: &str, launch_at: &str) -> Answer {
    yard.close(id, launch_at)
}

/// The first coat of a barrier, in a climate.
fn coat(humidity: Option<f64>, fields: &Value, words: &'static str) -> Meets {
    let barrier = Barrier::set(1, &json!({}));
    if let Some(humidity) = humidity {
        barrier.yard.climate("2026-06-10T00:00:00Z", DAYS_OF_CLIMATE, humidity);
    }
    let body = barrier.body(fields);
    let Barrier { yard, id, .. } = barrier;
    let attempt: Attempt =
        Box::new(move |yard, id| yard.app.crew().post(&format!("/v1/treatments/{id}/coats"), &body));
    Meets { yard, id, attempt, words }
}

/// An antifouling over a barrier of this sheet, finished at nine on 11 June.
fn over(sheet: &Value, from: &'static str, words: &'static str) -> Meets {
    let (yard, id, barrier, antifouling) = antifouled(sheet, &json!({}));
    put_on(&yard, &id, "barrier", &barrier, "2026-06-11T08:00:00Z");
    let attempt: Attempt = Box::new(move |yard, id| yard.coat(id, &antifouling, "antifouling", from, "red"));
    Meets { yard, id, attempt, words }
}

/// A treatment of a barrier coat and an antifouling, abraded, and the two products.
fn antifouled(barrier: &Value, antifouling: &Value) -> (Yard, String, String, String) {
    let yard = Yard::set();
    let lead = yard.app.lead();
    let barrier = made(&lead, &product("barrier", &["antifouling"], barrier));
    let antifouling = made(&lead, &product("antifouling", &[], antifouling));
    let steps = json!([{"step": "abrade"}, {"step": "barrier", "coats": 1, "product_id": barrier},
        {"step": "antifouling", "coats": 1, "product_id": antifouling}]);
    let id = yard.plan(&json!({"kind": "preventive", "steps": steps}));
    yard.accept(&id);
    yard.done(&id, "abrade", "2026-06-10T07:00:00Z").expect(201);
    yard.climate("2026-06-10T00:00:00Z", DAYS_OF_CLIMATE, 60.0);
    (yard, id, barrier, antifouling)
}

fn put_on(yard: &Yard, id: &str, role: &str, product: &str, from: &str) {
    let coat = yard.coat(id, product, role, from, "grey").expect(201).id();
    yard.film(&coat, 110.0);
    yard.done(id, role, "2026-06-11T20:00:00Z").expect(201);
}

/// A barrier of one coat that is on and done, to be closed.
fn closing(
    sheet: &Value,
    climate: &[(&str, i64, f64)],
    film: bool,
    launch_at: &'static str,
    words: &'static str,
) -> Meets {
    let barrier = Barrier::set(1, sheet);
    for (from, days, humidity) in climate {
        barrier.yard.climate(from, *days, *humidity);
    }
    if film {
        barrier.coated();
    } else {
        barrier.coat(&json!({})).expect(201);
        barrier.yard.done(&barrier.id, "barrier", "2026-06-11T10:00:00Z").expect(201);
    }
    let Barrier { yard, id, .. } = barrier;
    Meets { yard, id, attempt: Box::new(move |yard, id| close(yard, id, launch_at)), words }
}

/// An antifouling that may stand three days, a fortnight before the launch.
fn late() -> Meets {
    let (yard, id, barrier, antifouling) = antifouled(&json!({}), &json!({"max_days_to_launch": 3}));
    put_on(&yard, &id, "barrier", &barrier, "2026-06-11T08:00:00Z");
    put_on(&yard, &id, "antifouling", &antifouling, "2026-06-11T18:00:00Z");
    Meets { yard, id, attempt: Box::new(|yard, id| close(yard, id, LAUNCH)), words: "Put on another coat" }
}

/// A treatment whose step is said to be done.
fn step(plan: &Value, before: &[&str], step: &'static str, words: &'static str) -> Meets {
    let yard = Yard::set();
    let id = yard.plan(plan);
    yard.accept(&id);
    for own in before {
        yard.done(&id, own, "2026-06-10T07:00:00Z").expect(201);
    }
    Meets { yard, id, attempt: Box::new(move |yard, id| yard.done(id, step, "2026-06-12T07:00:00Z")), words }
}

fn meeting(code: &str) -> Option<Meets> {
    let usual = json!({});
    let good: &[(&str, i64, f64)] = &[("2026-06-10T00:00:00Z", DAYS_OF_CLIMATE, 60.0)];
    let short: &[(&str, i64, f64)] = &[("2026-06-10T18:00:00Z", 1, 60.0)];
    let humid: &[(&str, i64, f64)] = &[("2026-06-10T12:00:00Z", 1, 60.0), ("2026-06-11T14:00:00Z", 10, 95.0)];
    let coats = json!({"kind": "preventive", "steps": [{"step": "abrade"}, {"step": "barrier", "coats": 1}]});
    let curative = json!({"kind": "curative", "steps": [{"step": "strip"}, {"step": "dry"}, {"step": "seal", "coats": 2},
        {"step": "barrier", "coats": 1}]});
    Some(match code {
        "abrasion_missing" => over(&usual, "2026-06-14T08:00:00Z", "Enter an abrasion"),
        "blush_wash_missing" => {
            over(&json!({"amine_blush": true}), "2026-06-11T18:00:00Z", "enter a blush_wash")
        }
        "climate_not_allowed" => coat(Some(95.0), &usual, "/coating-windows"),
        "climate_not_known" => coat(None, &usual, "/climate-values"),
        "coats_missing" => step(&coats, &["abrade"], "barrier", "/coats"),
        "cure_climate_not_allowed" => closing(&usual, humid, true, LAUNCH, "override with the reason"),
        "cure_climate_not_known" => closing(&usual, short, true, LAUNCH, "/climate-values/file"),
        "cure_unknown" => closing(&json!({"cure": []}), good, true, LAUNCH, "Enter cure in the product"),
        "film_not_accepted" => closing(&usual, good, false, LAUNCH, "/films"),
        "immersion_not_known" => closing(&usual, short, true, LAUNCH, "Enter the surface temperatures"),
        "immersion_too_soon" => {
            closing(&usual, good, true, "2026-06-11T20:00:00Z", "Wait until 2026-06-12 09:00")
        }
        "launch_too_late" => late(),
        "overcoating_unknown" => over(&json!({"overcoating": []}), "2026-06-12T08:00:00Z", "Enter them"),
        "readings_not_accepted" => step(&curative, &["strip"], "dry", "POST /v1/stations"),
        "step_not_done" => step(&coats, &[], "barrier", "Enter step_done for abrade"),
        "times_missing" => {
            let untimed = json!({"started_at": null, "finished_at": null});
            coat(Some(60.0), &untimed, "Enter started_at and finished_at")
        }
        "too_soon" => over(&usual, "2026-06-11T10:00:00Z", "Wait until 2026-06-11 13:00"),
        _ => return None,
    })
}

/// A named person opens every hold that an answer tells, each with the step it stands before.
fn open(meets: &Meets, refused: &Answer) {
    let mut opened = Vec::new();
    for error in refused.json["errors"].as_array().expect("errors") {
        let code = error["code"].as_str().expect("a code").to_owned();
        let detail = error["detail"].as_str().expect("a detail");
        let step = detail.split(" on ").next().expect("a step").to_owned();
        if !opened.contains(&(step.clone(), code.clone())) {
            meets.yard.override_hold(&meets.id, &step, &code).expect(201);
            opened.push((step, code));
        }
    }
}

#[test]
fn every_hold_refuses_says_what_to_do_and_keeps_its_override_for_ever() {
    for code in CODES {
        let meets = meeting(code).unwrap_or_else(|| unreachable!("the hold {code} has no test"));
        let (yard, id) = (&meets.yard, &meets.id);
        let refused = (meets.attempt)(yard, id);
        assert!(held(&refused).contains(&code.to_owned()), "{code}: {}", refused.text);
        let errors = refused.json["errors"].as_array().expect("errors");
        let own = errors.iter().find(|error| error["code"] == code).expect("the hold");
        assert!(own["detail"].as_str().is_some_and(|detail| detail.contains(meets.words)), "{code}: {own}");
        assert!(refused.text.contains(&format!("/v1/treatments/{id}/decisions")), "{code}: who may override");
        assert!(
            !refused.text.contains("/treatments/{id}") && !refused.text.contains("/haul-outs/{id}"),
            "{code}"
        );
        // Crew do not decide.
        let body = json!({"kind": "override", "step": "barrier", "zone": "bottom", "hold": code, "note": "no",
            "happened_at": LAUNCH, "person_name": "P", "qualification": "Q"});
        yard.app.crew().post(&format!("/v1/treatments/{id}/decisions"), &body).expect_problem(
            403,
            "forbidden",
            "",
        );
        open(&meets, &refused);
        let passed = (meets.attempt)(yard, id);
        assert!([200, 201].contains(&passed.status), "{code}: {}", passed.text);
        if yard.state(id) != "closed" {
            let refused = yard.close(id, LAUNCH);
            if refused.status != 200 {
                open(&meets, &refused);
                yard.close(id, LAUNCH).expect(200);
            }
        }
        let record = yard.app.reader().get(&format!("/v1/treatments/{id}/record")).expect(200);
        assert_eq!(record.json["origin"], "kept_at_closing", "{code}");
        let overrides = record.json["record"]["plan"]["overrides"].as_array().expect("overrides");
        let kept = overrides.iter().find(|own| own["hold"] == code).expect("the override");
        assert_eq!(
            (&kept["person_name"], &kept["qualification"], &kept["note"]),
            (&json!("Person A"), &json!("Coating inspector"), &json!("Seen and <i>judged</i>")),
            "{code}"
        );
        assert!(kept["recorded_by"].is_string() && kept["recorded_at"].is_string(), "{code}: {kept}");
        let page = yard.app.reader().get(&format!("/v1/treatments/{id}/record-page")).expect(200).text;
        assert!(page.contains(&code.replace('_', " ")) && page.contains("Coating inspector"), "{code}");
    }
}

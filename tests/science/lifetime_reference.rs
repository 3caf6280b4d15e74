//! Lives known by intervals against reference libraries: reference/lifetime.json (lifetime.py; versions and seed in the
//! file). Samples of exact, left, right and interval observations, mixed, with counts.

use garboard::science::lifetime::{LifetimeInput, LifetimeOutput, lifetime};
use serde_json::{Value, json};

use crate::check_values::{assert_close, number};
use crate::lifetime::turnbull_log_likelihood;

fn reference() -> Vec<Value> {
    let reference: Value = serde_json::from_str(include_str!("reference/lifetime.json"))
        .expect("the committed reference output");
    let cases = reference["cases"].as_array().expect("cases").clone();
    assert_eq!(cases.len(), 12);
    cases
}

fn asked(case: &Value, at: &[f64]) -> (LifetimeInput, LifetimeOutput) {
    let input = json!({"observations": case["observations"], "at": at});
    let input: LifetimeInput = serde_json::from_value(input).expect("the calculator's fields");
    let output = lifetime(&input).expect("in range");
    (input, output)
}

/// The likelihood's maximum at 40 digits: to 1e-7 of each value. lifelines stops sooner: 2e-3, as its own gradient says.
#[test]
fn weibull_is_the_root_of_the_likelihoods_gradient() {
    let mut by_library = 0;
    for case in reference() {
        let (_, answer) = asked(&case, &[]);
        let fit = serde_json::to_value(answer.weibull.expect("a maximum")).expect("plain numbers");
        let (expected, tight) = (&case["weibull"], Value::from("1e-7 rel"));
        for name in ["scale", "shape", "log_likelihood", "scale_se", "shape_se"] {
            assert_close(name, number(&fit[name]), number(&expected[name]), &tight);
        }
        for (row, column) in [(0, 0), (0, 1), (1, 0), (1, 1)] {
            let (ours, theirs) = (&fit["covariance"][row][column], &expected["covariance"][row][column]);
            assert_close("covariance", number(ours), number(theirs), &Value::from("1e-6 rel"));
        }
        if case["lifelines"].is_object() {
            for name in ["scale", "shape"] {
                let theirs = number(&case["lifelines"][name]);
                assert_close(name, number(&fit[name]), theirs, &Value::from("2e-3 rel"));
            }
            by_library += 1;
        }
    }
    assert!(by_library >= 4);
}

/// The reference puts masses on every elementary set and is within `gain_still_possible`, a unit of weight, of the
/// greatest likelihood: ours is no less likely, and survival is the same where observations tell it.
#[test]
fn masses_are_as_likely_as_any() {
    for case in reference() {
        let expected = &case["turnbull"];
        let survival = expected["survival"].as_array().expect("times");
        let times: Vec<f64> = survival.iter().map(|at| number(&at["t"])).collect();
        let (input, answer) = asked(&case, &times);
        let ours = turnbull_log_likelihood(&input.observations, &answer.turnbull);
        let theirs = number(&expected["log_likelihood"]);
        let weight: f64 = input.observations.iter().map(|o| f64::from(o.count)).sum();
        let gain = number(&expected["gain_still_possible"]).max(0.0) * weight;
        assert!((-1e-6..=gain + 1e-6).contains(&(ours - theirs)), "{ours} against {theirs}");
        let told = answer.survival.iter().zip(survival).filter(|(ours, _)| ours.turnbull.is_some());
        let mut compared = 0;
        for (ours, theirs) in told {
            let found = ours.turnbull.expect("told");
            assert_close(&format!("at {}", ours.t), found, number(&theirs["value"]), &Value::from(2e-3));
            compared += 1;
        }
        assert!(3 * compared >= survival.len(), "{compared} of {}", survival.len());
    }
}

/// `reference/lifetime_band.json` (`lifetime_band.py`): the band about each fit, its derivatives taken numerically at 40
/// digits.
#[test]
fn the_band_about_a_fit_is_that_of_numerical_derivatives() {
    let bands: Value = serde_json::from_str(include_str!("reference/lifetime_band.json"))
        .expect("the committed reference output");
    let bands = bands["bands"].as_array().expect("bands").clone();
    assert_eq!(bands.len(), reference().len());
    for (case, band) in reference().iter().zip(bands) {
        let (_, answer) = asked(case, &[]);
        let fit = answer.weibull.expect("a maximum");
        for point in band.as_array().expect("points") {
            let (survival, lower, upper) = fit.survival_band(number(&point["t"]));
            for (name, ours) in [("survival", survival), ("lower", lower), ("upper", upper)] {
                assert_close(name, ours, number(&point[name]), &Value::from("1e-5 rel"));
            }
        }
        assert_eq!(fit.survival_band(0.0), (1.0, 1.0, 1.0));
    }
}

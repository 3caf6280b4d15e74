//! Lifetimes: lifetime-*.json and the data sets they name; the source of each stands in it.

use std::path::Path;

use garboard::science::lifetime::{
    LifetimeInput, LifetimeOutput, Observation, QuantileAsked, TurnbullMass, WeibullFit,
    conditional_quantile, lifetime, survival,
};
use proptest::prelude::*;
use serde_json::{Value, json};

use crate::check_values::{assert_close, cases, number};

fn observation(lower: f64, upper: Option<f64>, count: u32) -> Observation {
    Observation { lower, upper, count }
}

fn ask(observations: Vec<Observation>, quantiles: &[(f64, f64)], at: &[f64]) -> LifetimeOutput {
    let quantiles = quantiles.iter().map(|&(p, age)| QuantileAsked { p, age }).collect();
    lifetime(&LifetimeInput { observations, quantiles, at: at.to_vec() }).expect("in range")
}

fn lines(file: &str) -> Vec<Vec<String>> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/checks").join(file);
    let text = std::fs::read_to_string(path).expect("the data set is part of the project");
    let lines: Vec<_> = text
        .lines()
        .skip(1)
        .map(|line| line.split(',').map(|cell| cell.trim().to_owned()).collect())
        .collect();
    assert!(lines.len() > 10);
    lines
}

fn value(cell: &str) -> f64 {
    cell.parse().expect("a number")
}

fn intervals(file: &str) -> Vec<Observation> {
    lines(file)
        .iter()
        .map(|line| {
            let upper = value(&line[1]);
            observation(value(&line[0]), upper.is_finite().then_some(upper), 1)
        })
        .collect()
}

/// Exact where the second column is 1, right-censored where it is 0; of one group or of all.
fn right_censored(dataset: &str) -> Vec<Observation> {
    let (file, group) = dataset.split_once(" (").unwrap_or((dataset, ""));
    let group = group.trim_end_matches(')').trim_start_matches("group=");
    lines(file)
        .iter()
        .filter(|line| matches!(group, "" | "all") || line[2] == group)
        .map(|line| observation(value(&line[0]), (line[1] == "1").then(|| value(&line[0])), 1))
        .collect()
}

/// A tolerance of the files: a number, "1e-4 rel" or "2 % rel".
fn tolerance(tol: &Value) -> Value {
    match tol.as_str().and_then(|text| text.strip_suffix(" % rel")) {
        Some(percent) => Value::from(format!("{} rel", value(percent) / 100.0)),
        None => tol.clone(),
    }
}

fn assert_fit(fit: &WeibullFit, expected: &Value, tol: &Value, names: [&str; 5]) {
    let values = [fit.scale, fit.shape, fit.log_likelihood, fit.scale_se, fit.shape_se];
    for (name, value) in names.into_iter().zip(values) {
        assert_close(name, value, number(&expected[name]), &tolerance(&tol[name]));
    }
}

const NAMES: [&str; 5] = ["lambda_", "rho", "loglik", "se_lambda", "se_rho"];

#[test]
fn weibull_of_exact_and_right_censored_data() {
    for case in cases("lifetime-weibull-mle") {
        let (expected, tol) = (&case["expected"], &case["tol"]);
        let observations = right_censored(case["inputs"]["dataset"].as_str().expect("a data set"));
        assert_eq!(Some(observations.len() as u64), case["inputs"]["n"].as_u64());
        let answer = ask(
            observations,
            &[(0.5, 0.0), (0.1, 20.0), (0.5, 20.0), (0.1, 40.0), (0.5, 40.0)],
            &[20.0, 40.0, 60.0],
        );
        let fit = answer.weibull.expect("a maximum");
        assert_fit(&fit, expected, tol, NAMES);
        assert_close(
            "covariance",
            fit.covariance[0][1],
            number(&expected["cov_lambda_rho"]),
            &Value::from("2e-2 rel"),
        );
        for at in &answer.survival {
            let name = at.t.to_string();
            assert_close("survival", at.weibull.expect("a fit"), number(&expected["S"][&name]), &tol["S"]);
        }
        assert_close(
            "median",
            answer.quantiles[0].value.expect("a fit"),
            number(&expected["median"]),
            &tol["conditional"],
        );
        for quantile in &answer.quantiles[1..] {
            let name = format!("t={},p={}", quantile.age, quantile.p);
            let expected = number(&expected["conditional"][&name]);
            assert_close(&name, quantile.value.expect("a fit"), expected, &tol["conditional"]);
        }
    }
    for case in cases("lifetime-weibull-nist") {
        let (inputs, expected) = (&case["inputs"], &case["expected"]);
        let times = inputs["times"].as_array().expect("times");
        let censored = u32::try_from(inputs["n"].as_u64().expect("a count")).expect("small") - 10;
        let mut observations: Vec<_> =
            times.iter().map(|t| observation(number(t), Some(number(t)), 1)).collect();
        observations.push(observation(number(&inputs["censor_time"]), None, censored));
        let answer = ask(observations, &[], &[500.0]);
        let names = ["scale", "shape", "loglik", "se_scale", "se_shape"];
        assert_fit(&answer.weibull.expect("a maximum"), expected, &case["tol"], names);
        let survival = answer.survival[0].weibull.expect("a fit");
        assert_close("survival", survival, number(&expected["R_500"]), &Value::from(1e-5));
        let from_file =
            ask(right_censored("data-nist-weibull-right.csv"), &[], &[]).weibull.expect("a maximum");
        assert_fit(&from_file, expected, &case["tol"], names);
    }
}

#[test]
fn weibull_of_interval_data() {
    for name in ["lifetime-weibull-cosmesis", "lifetime-synthetic-hulls"] {
        for case in cases(name) {
            let observations = intervals(case["inputs"]["dataset"].as_str().expect("a data set"));
            let expected = &case["expected"];
            let ages: Vec<(f64, f64)> =
                [0.1, 0.5].into_iter().flat_map(|p| [0.0, 2.0, 5.0, 8.0].map(|age| (p, age))).collect();
            let answer = ask(observations, &ages, &[]);
            let fit = answer.weibull.expect("a maximum");
            assert_fit(&fit, expected, &case["tol"], NAMES);
            // The file gives no tolerance for it; that of the standard errors is 2 %.
            if let Some(covariance) = expected["cov"].as_f64() {
                assert_close("covariance", fit.covariance[0][1], covariance, &Value::from("2e-2 rel"));
            }
            for quantile in &answer.quantiles {
                let field = if quantile.p < 0.3 { "remaining_years_p10" } else { "remaining_years_p50" };
                let Some(expected) = expected[field][quantile.age.to_string()].as_f64() else { continue };
                let found = quantile.value.expect("a fit");
                assert_close(field, found - quantile.age, expected, &Value::from("1e-3 rel"));
                assert!(
                    quantile.lower < Some(found)
                        && Some(found) < quantile.upper
                        && quantile.lower > Some(quantile.age)
                );
            }
        }
    }
}

/// The mass that lies within an observation.
fn probability(masses: &[TurnbullMass], o: &Observation) -> f64 {
    let upper = o.upper.unwrap_or(f64::INFINITY);
    let within = |mass: &&TurnbullMass| {
        let to = mass.to.unwrap_or(f64::INFINITY);
        // A mass at one time, and the open left end of an interval.
        let (at_one_time, exact) = (mass.from >= to, o.lower >= upper);
        let begins = if at_one_time && !exact { mass.from > o.lower } else { mass.from >= o.lower };
        begins && to <= upper
    };
    masses.iter().filter(within).map(|mass| mass.mass).sum()
}

/// The log likelihood of masses.
pub fn turnbull_log_likelihood(observations: &[Observation], masses: &[TurnbullMass]) -> f64 {
    observations.iter().map(|o| f64::from(o.count) * probability(masses, o).ln()).sum()
}

#[test]
fn turnbull_is_the_published_estimate() {
    for case in cases("lifetime-turnbull-cosmesis") {
        let (expected, tol) = (&case["expected"], &case["tol"]);
        let observations = intervals(case["inputs"]["dataset"].as_str().expect("a data set"));
        let times: Vec<f64> = expected["S_at"].as_object().expect("times").keys().map(|t| value(t)).collect();
        let answer = ask(observations.clone(), &[], &times);
        let log_likelihood = turnbull_log_likelihood(&observations, &answer.turnbull);
        assert_close("log likelihood", log_likelihood, number(&expected["loglik"]), &tol["loglik"]);
        let masses = expected["masses"].as_array().expect("masses");
        assert_eq!(answer.turnbull.len(), masses.len(), "{:?}", answer.turnbull);
        for (found, expected) in answer.turnbull.iter().zip(masses) {
            assert_eq!((Some(found.from), found.to), (expected["left"].as_f64(), expected["right"].as_f64()));
            assert_close("mass", found.mass, number(&expected["mass"]), &tol["masses"]);
        }
        for at in &answer.survival {
            let expected = number(&expected["S_at"][at.t.to_string()]);
            assert_close("survival", at.turnbull.expect("between the masses"), expected, &tol["S_at"]);
        }
    }
}

/// On right-censored data Turnbull's estimate is that of Kaplan and Meier.
#[test]
fn turnbull_is_kaplan_meier_on_right_censored_data() {
    for case in cases("lifetime-kaplan-meier") {
        let observations = right_censored(case["inputs"]["dataset"].as_str().expect("a data set"));
        let expected = &case["expected"];
        let median = number(&expected["median"]);
        let answer = ask(observations, &[], &[20.0, 40.0, 60.0, median, median - 0.5]);
        for at in &answer.survival[..3] {
            let expected = number(&expected["S_at"][at.t.to_string()]);
            assert_close("survival", at.turnbull.expect("no mass beyond"), expected, &case["tol"]);
        }
        assert!(answer.survival[3].turnbull <= Some(0.5) && answer.survival[4].turnbull > Some(0.5));
    }
}

#[test]
fn conditional_quantiles_are_those_of_the_formula() {
    for case in cases("lifetime-conditional-quantiles") {
        let i = &case["inputs"];
        let (scale, shape, age) = (number(&i["scale"]), number(&i["shape"]), number(&i["age"]));
        let quantile = conditional_quantile(scale, shape, age, number(&i["p"]));
        assert_close("quantile", quantile, number(&case["expected"]["quantile"]), &case["tol"]);
        assert_close("remaining", quantile - age, number(&case["expected"]["remaining"]), &case["tol"]);
    }
}

/// interval-risk-based.json (analytic): the age at which the chance since the last look reaches the risk.
#[test]
fn the_next_look_is_a_conditional_quantile() {
    for case in cases("interval-risk-based") {
        let i = &case["inputs"];
        let age = number(&i["age"]);
        let next = conditional_quantile(number(&i["scale"]), number(&i["shape"]), age, number(&i["risk"]));
        assert_close("next look", next, number(&case["expected"]["next_at"]), &case["tol"]);
        assert_close("interval", next - age, number(&case["expected"]["raw_interval"]), &case["tol"]);
    }
}

#[test]
fn a_likelihood_without_a_maximum_is_said_so() {
    for (observations, code) in [
        (vec![observation(3.0, None, 2), observation(5.0, None, 1)], "all_right_censored"),
        (vec![observation(0.0, Some(3.0), 2)], "all_left_censored"),
        (vec![observation(4.0, Some(4.0), 3)], "one_time_fits_all"),
        (vec![observation(2.0, Some(5.0), 3), observation(0.0, Some(4.0), 1)], "one_time_fits_all"),
        (vec![observation(0.0, Some(5.0), 1), observation(8.0, None, 1)], "unbounded"),
    ] {
        let answer = ask(observations, &[(0.1, 0.0)], &[1.0]);
        assert!(answer.weibull.is_none() && answer.quantiles[0].value.is_none());
        let none = answer.no_maximum.expect("said so");
        assert_eq!(none.code, code);
        assert_eq!(none.scale_lower_bound.is_some(), code == "all_right_censored");
        if let Some(bound) = none.scale_lower_bound {
            // At the bound, seeing nothing over 11 units of time has a chance of 1 - confidence.
            assert!((survival(11.0, bound.scale, bound.shape) - (1.0 - bound.confidence)).abs() < 1e-9);
        }
    }
}

/// Few events and lives far apart: the likelihood has a maximum, and it is flat (found by scipy 1.17.1 on a grid of shapes
/// 0.012 to 900: 0.080).
#[test]
fn a_maximum_far_from_the_events_is_found() {
    let observations = vec![
        observation(67_500.0, None, 2),
        observation(4_827.0, None, 100),
        observation(0.009_19, Some(0.009_19), 1),
    ];
    let fit = ask(observations.clone(), &[], &[]).weibull.expect("a maximum");
    assert!((0.07..0.09).contains(&fit.shape), "{fit:?}");
    for (by_scale, by_shape) in [(1.1, 1.0), (0.9, 1.0), (1.0, 1.01), (1.0, 0.99)] {
        let near = log_likelihood(&observations, fit.scale * by_scale, fit.shape * by_shape);
        assert!(near < fit.log_likelihood);
    }
}

#[test]
fn bad_observations_are_named() {
    for (observations, pointer) in [
        (json!([]), "/observations"),
        (json!([{"lower": -1, "upper": 2}]), "/observations/0/lower"),
        (json!([{"lower": 1, "upper": 2}, {"lower": 3, "upper": 2}]), "/observations/1/upper"),
        (json!([{"lower": 0, "upper": 0}]), "/observations/0/upper"),
        (json!([{"lower": 1, "upper": 2, "count": 0}]), "/observations/0/count"),
    ] {
        let input: LifetimeInput =
            serde_json::from_value(json!({"observations": observations})).expect("well-formed");
        assert_eq!(lifetime(&input).expect_err("refused").0[0].pointer, pointer);
    }
    let asked = json!({"observations": [{"lower": 1, "upper": 2}], "quantiles": [{"p": 1}], "at": [-1]});
    let refused = lifetime(&serde_json::from_value(asked).expect("well-formed")).expect_err("refused");
    assert_eq!(refused.0.iter().map(|r| r.pointer.as_str()).collect::<Vec<_>>(), ["/quantiles/0/p", "/at/0"]);
}

/// The log likelihood written out again, plainly.
fn log_likelihood(observations: &[Observation], scale: f64, shape: f64) -> f64 {
    let one = |o: &Observation| match o.upper {
        None => survival(o.lower, scale, shape).ln(),
        Some(upper) if upper > o.lower => {
            (survival(o.lower, scale, shape) - survival(upper, scale, shape)).ln()
        }
        Some(t) => (shape / t).ln() + shape * (t / scale).ln() - (t / scale).powf(shape),
    };
    observations.iter().map(|o| f64::from(o.count) * one(o)).sum()
}

fn mixed() -> impl Strategy<Value = Vec<Observation>> {
    let one =
        (0.5..10.0_f64, 0.1..5.0_f64, 0..4_u8, 1..4_u32).prop_map(|(t, width, kind, count)| match kind {
            0 => observation(t, Some(t), count),
            1 => observation(t, None, count),
            2 => observation(0.0, Some(t + 3.0), count),
            _ => observation(t, Some(t + width), count),
        });
    prop::collection::vec(one, 12..60)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// No mass anywhere would add to the likelihood (Kuhn and Tucker; Gentleman and Geyer 1994): at no time does Σ count/P,
    /// over the observations that allow an event then, exceed the number of all.
    #[test]
    fn no_other_masses_are_more_likely(observations in mixed()) {
        let answer = ask(observations.clone(), &[], &[]);
        let total: f64 = observations.iter().map(|o| f64::from(o.count)).sum();
        let beyond_all = 1e6;
        for t in observations.iter().filter_map(|o| o.upper).chain([beyond_all]) {
            let allows = |o: &&Observation| match o.upper {
                Some(upper) if upper > o.lower => o.lower < t && t <= upper,
                Some(upper) => t.to_bits() == upper.to_bits(),
                None => o.lower < t,
            };
            let pull: f64 = observations
                .iter()
                .filter(allows)
                .map(|o| f64::from(o.count) / probability(&answer.turnbull, o))
                .sum();
            prop_assert!(pull <= total * (1.0 + 1e-6), "{pull} of {total} at {t}");
        }
    }

    /// Survival falls from 1 towards 0 by both estimates, quantiles lie within their intervals, and what fails by a
    /// quantile's time is its share.
    #[test]
    fn survival_falls(observations in mixed(), age in 0.0..8.0_f64) {
        let times: Vec<f64> = (0..40).map(|n| f64::from(n) * 0.5).collect();
        let answer = ask(observations, &[(0.1, age), (0.5, age)], &times);
        let by_masses: Vec<f64> = answer.survival.iter().filter_map(|at| at.turnbull).collect();
        prop_assert!(by_masses.windows(2).all(|pair| pair[1] <= pair[0] + 1e-9));
        prop_assert!(by_masses.iter().all(|survival| (0.0..=1.0 + 1e-9).contains(survival)));
        let Some(fit) = answer.weibull else {
            prop_assert!(answer.no_maximum.is_some() && answer.survival.iter().all(|at| at.weibull.is_none()));
            return Ok(());
        };
        let by_fit: Vec<f64> = answer.survival.iter().filter_map(|at| at.weibull).collect();
        prop_assert!(by_fit.len() == 40 && (by_fit[0] - 1.0).abs() < 1e-12);
        prop_assert!(by_fit.windows(2).all(|pair| pair[1] <= pair[0]));
        for quantile in answer.quantiles {
            let value = quantile.value.expect("a fit");
            prop_assert!(quantile.lower <= Some(value) && Some(value) <= quantile.upper && quantile.lower >= Some(age));
            let alive = survival(value, fit.scale, fit.shape) / survival(age, fit.scale, fit.shape);
            // Hardly any are alive at an age far beyond the scale: digits are lost in the ratio.
            if survival(age, fit.scale, fit.shape) > 1e-100 {
                prop_assert!((alive - (1.0 - quantile.p)).abs() < 1e-9);
            }
        }
    }

    /// A fit is a maximum: nothing near it is more likely. The unit of time does not matter, a count is repetition, and
    /// Turnbull's masses add up to one.
    #[test]
    fn a_fit_is_a_maximum(observations in mixed(), unit in 0.1..50.0_f64) {
        let answer = ask(observations.clone(), &[(0.1, 1.0), (0.2, 1.0)], &[]);
        let total: f64 = answer.turnbull.iter().map(|mass| mass.mass).sum();
        prop_assert!((total - 1.0).abs() < 1e-4);
        let Some(fit) = answer.weibull else { return Ok(()) };
        let best = log_likelihood(&observations, fit.scale, fit.shape);
        prop_assert!((best - fit.log_likelihood).abs() < 1e-6 * best.abs().max(1.0));
        for (by_scale, by_shape) in [(1.01, 1.0), (0.99, 1.0), (1.0, 1.01), (1.0, 0.99), (1.01, 0.99)] {
            prop_assert!(log_likelihood(&observations, fit.scale * by_scale, fit.shape * by_shape) <= best + 1e-9);
        }
        prop_assert!(answer.quantiles[0].value < answer.quantiles[1].value && answer.quantiles[0].value > Some(1.0));
        let other: Vec<_> = observations.iter().flat_map(|o| {
            vec![observation(o.lower * unit, o.upper.map(|upper| upper * unit), 1); usize::try_from(o.count).unwrap_or(1)]
        }).collect();
        let other = ask(other, &[], &[]).weibull.expect("as before");
        prop_assert!((other.scale / fit.scale / unit - 1.0).abs() < 1e-6 && (other.shape / fit.shape - 1.0).abs() < 1e-6);
    }
}

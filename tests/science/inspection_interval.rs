//! Renewal intervals: interval-*.json; the source of each stands in it.

use garboard::science::inspection_interval::{
    InspectionIntervalInput, InspectionIntervalOutput, WeibullLife, age_replacement_cost_rate,
    inspection_interval, inspections_before_failure,
};
use proptest::prelude::*;

use crate::check_values::{assert_close, cases, number};

fn of(scale: f64, shape: f64, cost_planned: f64, cost_failure: f64) -> InspectionIntervalOutput {
    let model = WeibullLife { scale, shape };
    inspection_interval(&InspectionIntervalInput { model, cost_planned, cost_failure }).expect("in range")
}

#[test]
fn the_optimum_is_that_of_age_replacement() {
    let mut without = 0;
    for case in cases("interval-age-replacement") {
        let (i, expected, tol) = (&case["inputs"], &case["expected"], &case["tol"]);
        let answer = of(number(&i["scale"]), number(&i["shape"]), number(&i["Cp"]), number(&i["Cf"]));
        let Some(interval) = expected["T_opt"].as_f64() else {
            assert!(answer.interval.is_none() && answer.cost_rate.is_none());
            assert!(answer.reason.is_some_and(|reason| reason.contains("No finite optimum")));
            without += 1;
            continue;
        };
        assert_close("interval", answer.interval.expect("finite"), interval, &tol["T_opt"]);
        assert_close(
            "cost rate",
            answer.cost_rate.expect("finite"),
            number(&expected["cost_rate"]),
            &tol["cost_rate"],
        );
        let run_to_failure = number(&expected["run_to_failure_rate"]);
        assert_close(
            "run to failure",
            answer.run_to_failure_cost_rate,
            run_to_failure,
            &tol["run_to_failure_rate"],
        );
    }
    assert_eq!(without, 2);
}

/// Of a uniform life on 0..m: R = 1 - T/m, ∫R = T - T²/2m.
#[test]
fn the_cost_rate_is_the_published_one_for_a_uniform_life() {
    for case in cases("interval-uniform-life") {
        let (i, expected, tol) = (&case["inputs"], &case["expected"], &case["tol"]);
        let most = number(&i["uniform_max"]);
        let t = i["T"].as_f64().unwrap_or_else(|| number(&expected["T_opt_continuous"]));
        let rate = age_replacement_cost_rate(
            number(&i["Cp"]),
            number(&i["Cf"]),
            1.0 - t / most,
            t - t * t / 2.0 / most,
        );
        let tol = if tol.is_object() { &tol["cost_rate"] } else { tol };
        assert_close("cost rate", rate, number(&expected["cost_rate"]), tol);
    }
}

#[test]
fn inspections_are_counted_by_what_may_be_missed() {
    for case in cases("interval-p-f") {
        let (i, expected) = (&case["inputs"], &case["expected"]);
        let detection = number(&i["p_detect"]);
        // Where the file gives the inspections, what they all miss must ask for as many.
        let accepted = i["accept_miss"].as_f64().unwrap_or_else(|| number(&expected["p_miss_all"]));
        let counted = if i["accept_miss"].is_null() { &i["inspections_in_PF"] } else { &expected["n"] };
        let count = inspections_before_failure(detection, accepted).expect("possible");
        assert_eq!(Some(u64::from(count)), counted.as_u64());
        let interval = number(&i["PF_interval_months"]) / f64::from(count);
        assert_close("interval", interval, number(&expected["inspection_interval"]), &case["tol"]);
    }
    assert_eq!(inspections_before_failure(0.0, 0.1), None);
}

#[test]
fn impossible_lives_are_refused_and_cheap_failures_run() {
    let refused = |scale, shape| {
        let model = WeibullLife { scale, shape };
        inspection_interval(&InspectionIntervalInput { model, cost_planned: 1.0, cost_failure: -1.0 })
            .expect_err("refused")
            .0
            .into_iter()
            .map(|refusal| refusal.pointer)
            .collect::<Vec<_>>()
    };
    assert_eq!(refused(0.0, f64::NAN), ["/model/scale", "/model/shape", "/cost_failure"]);
    assert!(of(10.0, 3.0, 5.0, 5.0).reason.is_some());
    assert!(of(10.0, 1.001, 1.0, 1.001).interval.is_none());
}

proptest! {
    /// The optimum beats its neighbours and running to failure; costlier failures never lengthen it; units carry through.
    #[test]
    fn an_optimum_is_cheapest(scale in 0.5..100.0_f64, shape in 1.2..8.0_f64, ratio in 1.5..100.0_f64, unit in 0.1..50.0_f64) {
        let answer = of(scale, shape, 1.0, ratio);
        let Some((interval, rate)) = answer.interval.zip(answer.cost_rate) else { return Ok(()) };
        prop_assert!(rate <= answer.run_to_failure_cost_rate * (1.0 + 1e-9));
        // The cost rate by plain summation.
        let plain = |t: f64| {
            let survival = |t: f64| (-(t / scale).powf(shape)).exp();
            let n = 4_000;
            let step = t / f64::from(n);
            let served: f64 = (0..n).map(|k| survival((f64::from(k) + 0.5) * step) * step).sum();
            (survival(t) + ratio * (1.0 - survival(t))) / served
        };
        prop_assert!((plain(interval) / rate - 1.0).abs() < 1e-5);
        prop_assert!(plain(interval * 1.05) >= rate * (1.0 - 1e-6) && plain(interval * 0.95) >= rate * (1.0 - 1e-6));
        prop_assert!(of(scale, shape, 1.0, ratio * 1.5).interval <= Some(interval * (1.0 + 1e-9)));
        let other = of(scale * unit, shape, 3.0, 3.0 * ratio).interval.expect("as before");
        prop_assert!((other / interval / unit - 1.0).abs() < 1e-8);
    }
}

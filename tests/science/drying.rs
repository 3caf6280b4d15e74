//! Drying: drying-*.json and dry-decision.json; the source of each stands in it.

use garboard::science::drying::{
    DryingInput, DryingOutput, DryingStatus, drying, drying_with_draws, equilibrium_moisture, slowest,
};
use proptest::prelude::*;
use serde_json::{Value, json};

use crate::check_values::{assert_close, cases, number};

fn list(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(number).collect()
}

fn input(target: f64, days: &[f64], values: &[f64]) -> DryingInput {
    let observations: Vec<Value> =
        days.iter().zip(values).map(|(day, value)| json!({"day": day, "value": value})).collect();
    serde_json::from_value(json!({"target": target, "observations": observations})).expect("well-formed")
}

fn of(target: f64, days: &[f64], values: &[f64]) -> DryingOutput {
    drying(&input(target, days, values)).expect("in range")
}

/// drying-exponential-fit.json: scipy 1.17.1. Standard errors are the roots of its covariance, 1 % there. The second
/// series' plateau is not told apart from the target: no date, though the fit is returned. The spread of the day is
/// that of the file's own bootstrap, as a standard deviation: its 95 % interval is 3.92 of them, p10 to p90 2.563.
#[test]
fn the_curve_is_that_of_the_reference_library() {
    let mut dated = 0;
    for case in cases("drying-exponential-fit") {
        let (i, expected, tol) = (&case["inputs"], &case["expected"], &case["tol"]);
        let answer = of(number(&i["threshold"]), &list(&i["t_days"]), &list(&i["y"]));
        let fit = answer.fit.expect("a curve");
        assert_close("y0", fit.y0, number(&expected["y0"]), &tol["y0"]);
        assert_close("y_eq", fit.y_eq, number(&expected["y_eq"]), &tol["y_eq"]);
        assert_close("k", fit.k_per_day, number(&expected["k"]), &tol["k"]);
        for (n, error) in [fit.se.y0, fit.se.y_eq, fit.se.k_per_day].into_iter().enumerate() {
            let variance = number(&expected["cov"][n][n]);
            assert_close("variance", error * error, variance, &Value::from("1e-2 rel"));
        }
        let never = answer.never_reaches_probability.expect("a curve");
        let of_theirs = number(&expected["bootstrap_not_reaching"]) / 2_000.0;
        assert!((never - of_theirs).abs() < 0.03, "{never} instead of {of_theirs}");
        let t = ((fit.y0 - fit.y_eq) / (number(&i["threshold"]) - fit.y_eq)).ln() / fit.k_per_day;
        assert_close("day", t, number(&expected["t_threshold"]), &tol["t_threshold"]);
        if let Some(day) = answer.ready_day {
            dated += 1;
            assert_eq!(answer.status, DryingStatus::Drying);
            let interval = list(&expected["ci95_parametric_bootstrap"]);
            let theirs = (interval[1] - interval[0]) / 3.92;
            let ours = (day.p90 - day.p10) / 2.563;
            assert!((ours / theirs - 1.0).abs() < 0.15, "{ours} instead of {theirs}");
            assert!((day.p50 - number(&expected["t_threshold"])).abs() < 0.5);
        } else {
            assert_eq!(answer.status, DryingStatus::TooEarly);
        }
    }
    assert_eq!(dated, 1);
}

/// dry-decision.json (common practice): one reading a week.
#[test]
fn dry_is_decided_by_the_last_readings() {
    for case in cases("dry-decision") {
        let (i, expected) = (&case["inputs"], &case["expected"]);
        let values = list(&i["series"]);
        let days: Vec<f64> =
            (0..values.len()).map(|n| f64::from(u32::try_from(n).expect("few")) * 7.0).collect();
        let mut input = input(number(&i["threshold"]), &days, &values);
        input.steady_range = Some(number(&i["stable_range"]));
        input.consecutive = usize::try_from(i["consecutive"].as_u64().expect("a count")).expect("small");
        let answer = drying(&input).expect("in range");
        assert_eq!(
            Some(answer.status == DryingStatus::Ready),
            expected["dry"].as_bool(),
            "{}",
            answer.reason
        );
        let stalled = answer.status == DryingStatus::Stalled;
        assert_eq!(Some(stalled), expected["plateau_above_threshold"].as_bool(), "{}", answer.reason);
        assert!(answer.ready_day.is_none());
    }
}

/// drying-equilibrium.json (from memory).
#[test]
fn a_laminate_keeps_what_the_air_allows() {
    for case in cases("drying-equilibrium") {
        let i = &case["inputs"];
        let moisture = equilibrium_moisture(number(&i["Msat_pct"]), number(&i["RH_pct"]));
        assert_close("moisture", moisture, number(&case["expected"]["Meq_pct"]), &case["tol"]);
    }
}

#[test]
fn readings_that_tell_nothing_give_no_date() {
    let none = |days: &[f64], values: &[f64]| {
        let answer = of(5.0, days, values);
        assert!(answer.ready_day.is_none(), "{answer:?}");
        answer
    };
    assert!(none(&[0.0], &[20.0]).fit.is_none());
    assert_eq!(none(&[0.0, 7.0, 14.0], &[20.0, 17.0, 15.0]).status, DryingStatus::TooEarly);
    // A straight fall shows no plateau.
    assert_eq!(
        none(&[0.0, 7.0, 14.0, 21.0, 28.0], &[30.0, 27.0, 24.0, 21.0, 18.0]).status,
        DryingStatus::TooEarly
    );
    assert_eq!(none(&[0.0, 7.0, 14.0, 21.0], &[20.0; 4]).status, DryingStatus::Stalled);
    assert_eq!(none(&[0.0, 7.0, 14.0, 21.0], &[4.0; 4]).status, DryingStatus::Ready);
}

#[test]
fn bad_readings_are_named() {
    let good = json!({"target": 5, "observations": [{"day": 0, "value": 20}, {"day": 7, "value": 15}]});
    for (pointer, value, named) in [
        ("/observations", json!([]), "/observations"),
        ("/observations/1/day", json!(0), "/observations/1/day"),
        ("/observations/0/day", json!(-1), "/observations/0/day"),
        ("/observations/1/value", json!(1e7), "/observations/1/value"),
        ("/target", json!(1e9), "/target"),
    ] {
        let mut input = good.clone();
        *input.pointer_mut(pointer).expect("a field") = value;
        let input: DryingInput = serde_json::from_value(input).expect("well-formed");
        assert_eq!(drying(&input).expect_err("refused").0[0].pointer, named);
    }
    let mut input = good;
    input["meter_step"] = json!(0.2);
    let by_default: DryingInput = serde_json::from_value(input.clone()).expect("well-formed");
    assert!(drying(&by_default).is_ok(), "without a range it is twice the step");
    input["steady_range"] = json!(0.3);
    let input: DryingInput = serde_json::from_value(input).expect("well-formed");
    assert_eq!(drying(&input).expect_err("refused").0[0].pointer, "/steady_range");
}

/// Two-sided quantiles of Student's t with 9 degrees of freedom, as printed in any table of it.
const STUDENT_9: [(f64, f64); 3] = [(0.8, 1.383), (0.9, 1.833), (0.99, 3.250)];

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// A date is only told where the fit supports one: the readings span 2/k, and the plateau's interval at the
    /// confidence asked for lies under the target. Else the fit is there all the same, and no date.
    #[test]
    fn no_date_where_the_fit_cannot_support_one(
        k in 0.003..0.1_f64, y_eq in 2.0..12.0_f64, fall in 5.0..30.0_f64, target in 3.0..10.0_f64,
        noise in prop::collection::vec(-1.0..1.0_f64, 12), confidence in 0..3_usize,
    ) {
        let days: Vec<f64> = (0..12).map(|n| f64::from(n) * 7.0).collect();
        let values: Vec<f64> = days.iter().zip(&noise).map(|(day, noise)| y_eq + fall * (-k * day).exp() + noise).collect();
        let mut input = input(target, &days, &values);
        let (level, student) = STUDENT_9[confidence];
        input.confidence = level;
        let answer = drying(&input).expect("in range");
        let Some(fit) = answer.fit else {
            prop_assert!(answer.ready_day.is_none() && answer.never_reaches_probability.is_none());
            return Ok(());
        };
        let spans = fit.k_per_day * 77.0 >= 2.0 - 1e-9;
        // The table's last digit.
        let clear = fit.y_eq + (student - 0.001) * fit.se.y_eq < target;
        prop_assert!(answer.ready_day.is_none() || (spans && clear), "{answer:?}");
        prop_assert_eq!(answer.ready_day.is_some(), answer.status == DryingStatus::Drying);
        prop_assert!(fit.k_per_day > 0.0 && fit.se.k_per_day >= 0.0 && fit.se.y_eq >= 0.0);
    }

    /// A date comes only with a plateau clear under the target, a span of two time constants and few curves that never
    /// get there; it is in order, comes again with the same seed, and carries the units of value and time through.
    #[test]
    fn a_date_is_supported(
        k in 0.01..0.1_f64, y_eq in 2.0..12.0_f64, fall in 5.0..30.0_f64,
        noise in prop::collection::vec(-0.5..0.5_f64, 12), unit in 0.5..4.0_f64,
    ) {
        let days: Vec<f64> = (0..12).map(|n| f64::from(n) * 7.0).collect();
        let values: Vec<f64> = days.iter().zip(&noise).map(|(day, noise)| y_eq + fall * (-k * day).exp() + noise).collect();
        let answer = of(8.0, &days, &values);
        prop_assert!(answer.never_reaches_probability.is_none_or(|p| (0.0..=1.0).contains(&p)));
        prop_assert_eq!(&answer, &of(8.0, &days, &values));
        if let Some(day) = answer.ready_day {
            let fit = answer.fit.expect("a date needs a curve");
            prop_assert!(answer.status == DryingStatus::Drying && fit.y_eq < 8.0 && fit.k_per_day * 77.0 >= 2.0);
            prop_assert!(answer.never_reaches_probability < Some(0.1));
            prop_assert!(day.p10 <= day.p50 && day.p50 <= day.p90 && day.p90.is_finite());
            // A lower target is never reached sooner.
            if let Some(lower) = of(7.9, &days, &values).ready_day {
                prop_assert!(lower.p50 >= day.p50 - 1e-9);
            }
            let scaled: Vec<f64> = values.iter().map(|value| value * unit).collect();
            let mut input = input(8.0 * unit, &days.iter().map(|day| day * unit).collect::<Vec<_>>(), &scaled);
            input.steady_range = Some(0.3 * unit);
            let other = drying(&input).expect("in range").ready_day.expect("as before");
            prop_assert!((other.p50 / unit / day.p50.max(1e-9) - 1.0).abs() < 1e-4 || day.p50 == 0.0);
        }
    }
}

/// The largest of n independent variables has the distribution F(t)^n (David and Nagaraja, Order Statistics, 2003, 2.1;
/// from memory). The dated series of drying-exponential-fit.json at 1, 2, 4 and 8 stations, each with draws of its own.
#[test]
fn the_slowest_of_independent_stations_is_the_power_of_one() {
    let case = &cases("drying-exponential-fit")[0];
    let i = &case["inputs"];
    let mut input = input(number(&i["threshold"]), &list(&i["t_days"]), &list(&i["y"]));
    let mut drawn: Vec<Vec<f64>> = Vec::new();
    for seed in 0..8 {
        input.seed = seed;
        drawn.push(drying_with_draws(&input).expect("in range").1.expect("a date"));
    }
    let mut one: Vec<f64> = drawn.iter().flatten().copied().collect();
    one.sort_by(f64::total_cmp);
    #[expect(clippy::cast_precision_loss, reason = "some thousands")]
    let share_by = |t: f64| one.iter().filter(|&&day| day <= t).count() as f64 / one.len() as f64;
    for stations in [1, 2, 4, 8] {
        let hull = slowest(&drawn[..stations]).expect("draws");
        for (p, day) in [(0.1, hull.p10), (0.5, hull.p50)] {
            let got = share_by(day.expect("finite")).powi(i32::try_from(stations).expect("few"));
            // Four standard errors of a share of a thousand draws.
            assert!((got - p).abs() < 0.065, "{stations} stations, {p}: {got}");
        }
    }
    assert_eq!(slowest(&[]), None);
    let never = slowest(&[vec![1.0; 10], vec![f64::INFINITY; 10]]).expect("draws");
    assert_eq!((never.p10, never.p50, never.p90), (None, None, None));
}

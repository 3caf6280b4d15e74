//! Overcoating windows: overcoat-window.json (analytic) and overcoat-accumulated.json (common practice).

use garboard::science::overcoat::{
    OvercoatWindowInput, SheetTimes, TemperatureStretch, WindowState, overcoat_window,
};
use proptest::prelude::*;
use serde_json::Value;

use crate::check_values::{assert_close, cases, number};

fn pairs(value: &Value) -> Vec<(f64, f64)> {
    value.as_array().expect("pairs").iter().map(|pair| (number(&pair[0]), number(&pair[1]))).collect()
}

fn sheet(inputs: &Value) -> Vec<SheetTimes> {
    let longest = inputs.get("max_table_h").map(pairs);
    pairs(&inputs["min_table_h"])
        .into_iter()
        .enumerate()
        .map(|(n, (temperature_c, min_h))| SheetTimes {
            temperature_c,
            min_h,
            max_h: longest.as_ref().map(|longest| longest[n].1),
        })
        .collect()
}

fn asked(sheet: Vec<SheetTimes>, at: Option<f64>, history: &[(f64, f64)]) -> OvercoatWindowInput {
    let stretches = || {
        history.iter().map(|&(hours, temperature_c)| TemperatureStretch { hours, temperature_c }).collect()
    };
    OvercoatWindowInput { sheet, at_temperature_c: at, history: (!history.is_empty()).then(stretches) }
}

#[test]
fn reads_between_the_lines_of_the_sheet_and_refuses_outside() {
    let mut refused = 0;
    for case in cases("overcoat-window") {
        let input = asked(sheet(&case["inputs"]), case["inputs"]["T_C"].as_f64(), &[]);
        if case["expected"]["min_h"].is_null() {
            let refusals = overcoat_window(&input).expect_err("outside the sheet");
            assert_eq!(refusals.0[0].pointer, "/at_temperature_c");
            refused += 1;
            continue;
        }
        let at = overcoat_window(&input).expect("within the sheet").at.expect("asked for");
        assert_close("shortest", at.min_h, number(&case["expected"]["min_h"]), &case["tol"]);
        let longest = at.max_h.expect("in the sheet");
        assert_close("longest", longest, number(&case["expected"]["max_h"]), &case["tol"]);
    }
    assert!(refused > 0);
}

/// The file's fraction stops at 1; a history cut off at the hour it names is exactly through.
#[test]
fn fractions_add_up_over_a_history() {
    for case in cases("overcoat-accumulated") {
        let (inputs, expected) = (&case["inputs"], &case["expected"]);
        let history = pairs(&inputs["schedule_h_C"]);
        let answer = overcoat_window(&asked(sheet(inputs), None, &history)).expect("within the sheet");
        let fraction = answer.min_fraction.expect("a history");
        assert_close("fraction", fraction.min(1.0), number(&expected["fraction"]), &case["tol"]);
        if let Some(mut left) = expected["reached_after_h"].as_f64() {
            let mut cut = Vec::new();
            for &(hours, temperature_c) in &history {
                cut.push((hours.min(left), temperature_c));
                left -= hours.min(left);
            }
            let at_that_hour = overcoat_window(&asked(sheet(inputs), None, &cut)).expect("within the sheet");
            assert_close("fraction", at_that_hour.min_fraction.expect("a history"), 1.0, &case["tol"]);
            assert_eq!(answer.state, Some(WindowState::Open));
        }
    }
}

fn two_lines() -> Vec<SheetTimes> {
    vec![
        SheetTimes { temperature_c: 10.0, min_h: 24.0, max_h: Some(720.0) },
        SheetTimes { temperature_c: 20.0, min_h: 10.0, max_h: Some(336.0) },
    ]
}

#[test]
fn a_time_on_its_limit_is_in_the_window_and_a_missed_one_asks_for_abrading() {
    let state = |hours| overcoat_window(&asked(two_lines(), None, &[(hours, 20.0)])).expect("within").state;
    assert_eq!(state(9.99), Some(WindowState::TooSoon));
    assert_eq!(state(10.0), Some(WindowState::Open));
    assert_eq!(state(336.0), Some(WindowState::Open));
    assert_eq!(state(336.1), Some(WindowState::Closed));
    let missed = overcoat_window(&asked(two_lines(), None, &[(400.0, 20.0)])).expect("within");
    assert!(missed.cautions.iter().any(|caution| caution.contains("abrade")));
    assert!(missed.opens_in_h.is_none() && missed.closes_in_h.is_none());
    let soon = overcoat_window(&asked(two_lines(), Some(10.0), &[(5.0, 20.0)])).expect("within");
    assert!((soon.opens_in_h.expect("not yet open") - 12.0).abs() < 1e-9);
}

#[test]
fn a_sheet_out_of_order_is_refused() {
    let pointer =
        |input: &OvercoatWindowInput| overcoat_window(input).expect_err("refused").0[0].pointer.clone();
    let mut reversed = two_lines();
    reversed.reverse();
    assert_eq!(pointer(&asked(reversed, Some(15.0), &[])), "/sheet/1/temperature_c");
    let mut mixed = two_lines();
    mixed[1].max_h = None;
    assert_eq!(pointer(&asked(mixed, Some(15.0), &[])), "/sheet/1/max_h");
    assert_eq!(pointer(&asked(Vec::new(), Some(15.0), &[])), "/sheet");
    assert_eq!(pointer(&asked(two_lines(), None, &[])), "/at_temperature_c");
    assert_eq!(pointer(&asked(two_lines(), None, &[(1.0, 25.0)])), "/history/0/temperature_c");
    assert_eq!(pointer(&asked(two_lines(), None, &[(-1.0, 15.0)])), "/history/0/hours");
}

proptest! {
    /// Warmer never lengthens the window of a sheet that shortens with warmth; the answer stays within the lines.
    #[test]
    fn warmth_shortens(t in 10.0..20.0_f64, more in 0.0..5.0_f64) {
        let at = |t: f64| overcoat_window(&asked(two_lines(), Some(t.min(20.0)), &[])).expect("within").at.expect("asked");
        let (colder, warmer) = (at(t), at(t + more));
        prop_assert!(warmer.min_h <= colder.min_h + 1e-9 && warmer.min_h >= 10.0 && colder.min_h <= 24.0);
        prop_assert!(warmer.max_h <= colder.max_h.map(|max_h| max_h + 1e-9));
    }

    /// Hours of the sheet and of the history may be minutes: the fractions are the same, and the state. Longer never goes
    /// back from open to too soon or from closed to open.
    #[test]
    fn a_window_has_no_unit_and_no_way_back(hours in 0.1..800.0_f64, more in 1.0..2.0_f64, t in 10.0..20.0_f64, unit in 0.1..60.0_f64) {
        let run = |sheet, hours| overcoat_window(&asked(sheet, None, &[(hours, t)])).expect("within");
        let scaled = two_lines().into_iter().map(|line| SheetTimes {
            min_h: line.min_h * unit, max_h: line.max_h.map(|max_h| max_h * unit), ..line
        });
        let (answer, other) = (run(two_lines(), hours), run(scaled.collect(), hours * unit));
        let near = |a: Option<f64>, b: Option<f64>| a.zip(b).is_some_and(|(a, b)| (a / b - 1.0).abs() < 1e-9);
        prop_assert!(near(answer.min_fraction, other.min_fraction) && near(answer.max_fraction, other.max_fraction));
        prop_assert_eq!(answer.state, other.state);
        let place = |state| match state {
            Some(WindowState::TooSoon) => 0,
            Some(WindowState::Open) => 1,
            _ => 2,
        };
        prop_assert!(place(run(two_lines(), hours * more).state) >= place(answer.state));
    }

    /// Splitting a stretch changes nothing; waiting what is told opens the window.
    #[test]
    fn a_history_adds_up(hours in 0.1..9.0_f64, share in 0.0..1.0_f64, t in 10.0..20.0_f64) {
        let run = |history: &[(f64, f64)]| overcoat_window(&asked(two_lines(), None, history)).expect("within");
        let (whole, split) = (run(&[(hours, t)]), run(&[(hours * share, t), (hours * (1.0 - share), t)]));
        prop_assert!((whole.min_fraction.unwrap_or(0.0) - split.min_fraction.unwrap_or(9.0)).abs() < 1e-9);
        let opens_in_h = whole.opens_in_h.expect("less than the shortest time");
        prop_assert_eq!(run(&[(hours, t), (opens_in_h, t)]).state, Some(WindowState::Open));
    }
}

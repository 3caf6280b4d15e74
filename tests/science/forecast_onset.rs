//! Lives, weights and conditional risk against formulas and numbers worked by hand.

use chrono::Datelike;
use garboard::science::forecast::ensemble::Ensemble;
use garboard::science::forecast::onset::{CleanSurveys, conditional_quantile, survival};
use garboard::science::forecast::priors::Priors;
use garboard::science::forecast::{forecast, forecast_with};
use serde_json::Value;

use crate::hulls::{blistered, clean, curative, date, haul_out, hull};

fn cases(text: &str) -> Vec<Value> {
    let file: Value = serde_json::from_str(text).expect("a check file");
    file["cases"].as_array().expect("cases").clone()
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

/// Source: tests/checks/lifetime-conditional-quantiles.json (analytic).
#[test]
fn conditional_quantile_matches_the_check_values() {
    for case in cases(include_str!("../checks/lifetime-conditional-quantiles.json")) {
        let inputs = &case["inputs"];
        let [scale, shape, age, p] = ["scale", "shape", "age", "p"].map(|key| number(&inputs[key]));
        let quantile = conditional_quantile(age, scale, shape, p);
        assert!((quantile - number(&case["expected"]["quantile"])).abs() < 1e-7, "{inputs}");
        // The same statement from the other side: 1 - S(u)/S(age) = p.
        let risk = 1.0 - survival(quantile, scale, shape) / survival(age, scale, shape);
        assert!((risk - p).abs() < 1e-12, "{inputs}");
    }
}

/// Source: tests/checks/interval-risk-based.json (analytic).
#[test]
fn risk_based_interval_matches_the_check_values() {
    for case in cases(include_str!("../checks/interval-risk-based.json")) {
        let inputs = &case["inputs"];
        let [scale, shape, age, risk] = ["scale", "shape", "age", "risk"].map(|key| number(&inputs[key]));
        let next = conditional_quantile(age, scale, shape, risk);
        assert!((next - number(&case["expected"]["next_at"])).abs() < 1e-7, "{inputs}");
    }
}

/// Worked by hand. Two members with exponential lives of scale 10 and 5, a year being one unit of exposure:
/// - clean at 4, every onset seen: S = e^-0.4 = 0.670320 and e^-0.8 = 0.449329, so 0.670320/1.119649 =
///   0.598688 on the first;
/// - what began in the year before seen with 0.9 only: S(3) = e^-0.3 = 0.740818 and e^-0.6 = 0.548812, so
///   0.670320 + 0.1·0.070498 = 0.677370 and 0.449329 + 0.1·0.099483 = 0.459277: 0.595937;
/// - first seen at 8 (S = 0.449329, 0.201897) after clean at 4, every onset seen: 0.220991 and 0.247432:
///   0.471776;
/// - the same seen with 0.9 in its first year, S(7) = 0.496585 and 0.246597: 0.677370 - 0.496585 +
///   0.9·0.047256 = 0.223315 and 0.459277 - 0.246597 + 0.9·0.044700 = 0.252910: 0.468927.
#[test]
fn two_members_are_weighed_by_bayes_rule() {
    let alive = |scale: f64| move |year: f64| survival(year.max(0.0), scale, 1.0);
    let share = |likelihood: &dyn Fn(f64) -> f64| {
        let [first, second] = [10.0, 5.0].map(likelihood);
        first / (first + second)
    };
    let surveys = |q: f64| CleanSurveys::new(&[4.0], q, 1.0);
    for (expected, found) in [
        (0.598_688, share(&|scale| surveys(1.0).likelihood(alive(scale)))),
        (0.595_937, share(&|scale| surveys(0.9).likelihood(alive(scale)))),
        (0.471_776, share(&|scale| surveys(1.0).likelihood_seen(8.0, alive(scale)))),
        (0.468_927, share(&|scale| surveys(0.9).likelihood_seen(8.0, alive(scale)))),
    ] {
        assert!((expected - found).abs() < 2e-6, "{expected} against {found}");
    }
}

/// Worked by hand, on a life whose onset is even over 0 to 10: surveys a year or more apart are one fact, the
/// last; within a year an onset before both was missed twice.
#[test]
fn clean_surveys_leave_what_they_could_have_missed() {
    let even = |year: f64| (1.0 - year / 10.0).clamp(0.0, 1.0);
    let likelihood = |days: &[f64], q: f64| CleanSurveys::new(days, q, 1.0).likelihood(even);
    for (days, q, expected) in [
        (&[][..], 0.9, 1.0),
        (&[5.0][..], 1.0, 0.5),
        (&[5.0][..], 0.9, 0.5 + 0.1 * 0.1),
        (&[2.0, 4.0, 5.0][..], 0.9, 0.5 + 0.1 * 0.1),
        (&[4.6, 5.0][..], 0.9, 0.5 + 0.04 * 0.1 + 0.06 * 0.01),
        (&[0.5][..], 0.9, 0.95 + 0.05 * 0.1),
    ] {
        let found = likelihood(days, q);
        assert!((found - expected).abs() < 1e-12, "{days:?}: {found} against {expected}");
    }
    let two = CleanSurveys::new(&[4.6, 5.0], 0.9, 1.0);
    for (day, expected) in
        [(7.0, 0.3), (5.0, 0.5), (4.8, 0.5 + 0.02 * 0.1), (4.3, 0.5 + 0.04 * 0.1 + 0.03 * 0.01)]
    {
        let found = two.likelihood_after(day, even);
        assert!((found - expected).abs() < 1e-12, "{day}: {found} against {expected}");
    }
    let nothing = CleanSurveys::new(&[], 0.9, 1.0).likelihood_seen(3.0, |_| 1.0);
    assert!(nothing.abs() < 1e-15, "nothing begins without exposure");
}

/// Analytic: with one member and every onset seen, R(t) = 1 - S(t)/S(t₁), so the day on which R is p is the
/// day on which exposure reaches the conditional quantile. The exposures themselves are read from forecasts
/// of the same hull made on later days.
#[test]
fn conditional_risk_of_one_member_is_the_formula() {
    let central = Ensemble::central(Priors::default());
    let mut facts = hull("2010-04-01", "2020-04-01");
    facts.policy.detection_probability = 1.0;
    facts.surveys = vec![clean("2014-03-20"), clean("2018-03-20")];
    let forecast = forecast_with(&facts, &central).expect("a forecast");
    let exposure = |on: chrono::NaiveDate| {
        let mut later = facts.clone();
        later.as_of = on;
        later.surveys.clear();
        forecast_with(&later, &central).expect("a forecast").exposure_years_now.expect("exposure").p50
    };
    let onset = forecast.onset.expect("an onset forecast");
    let survived = exposure(date("2018-03-20"));
    for (p, on) in [(0.1, onset.p10), (0.5, onset.p50)] {
        let on = on.expect("within the horizon");
        let target = conditional_quantile(survived, 8.0, 2.5, p);
        let reached = exposure(on);
        // A day's exposure at most: dates are whole days.
        assert!((reached - target).abs() < 0.01, "p = {p}: {reached} against {target}");
    }
    for point in &forecast.risk_curve {
        let expected = 1.0 - survival(exposure(point.on), 8.0, 2.5) / survival(survived, 8.0, 2.5);
        assert!((point.risk - expected).abs() < 1e-6, "{point:?} against {expected}");
    }
}

/// Exact by the definition of the mixture: the risk at the quantiles' days is 0.1, 0.5 and 0.9, read off the
/// yearly curve on either side.
#[test]
fn onset_quantiles_lie_on_the_risk_curve() {
    let mut facts = hull("2005-04-01", "2020-04-01");
    facts.surveys = vec![clean("2012-05-01"), clean("2015-05-01")];
    let forecast = crate::hulls::of(&facts);
    let onset = forecast.onset.expect("an onset forecast");
    let p50 = onset.p50.expect("within the horizon");
    let after = forecast.risk_curve.iter().position(|point| point.on >= p50).expect("on the curve");
    assert!(forecast.risk_curve[after].risk >= 0.5 && forecast.risk_curve[after - 1].risk <= 0.5);
    assert!(forecast.risk_curve.windows(2).all(|pair| pair[0].risk <= pair[1].risk));
    let last = forecast.risk_curve.last().expect("a curve").risk;
    assert!((onset.beyond_horizon_probability - (1.0 - last)).abs() < 1e-12);
}

/// By the rule: a curative treatment starts exposure and the life afresh on the day of relaunch; the onset
/// seen before it bears on what carries over only, and the new life has a forecast of its own.
#[test]
fn a_curative_treatment_starts_a_new_life() {
    let mut facts = hull("1995-04-01", "2012-03-01");
    facts.surveys = vec![clean("2003-03-01"), blistered("2010-10-20", 12.0, 14.0)];
    let untreated = crate::hulls::of(&facts);
    assert_eq!(untreated.onset, None, "no onset is forecast once it was found");
    facts.haul_outs = vec![haul_out("2010-10-15", Some("2011-05-10"))];
    facts.treatments = vec![curative("2010-11-01", Some("2011-04-20"))];
    let treated = crate::hulls::of(&facts);
    let exposure = treated.exposure_years_now.expect("exposure");
    assert!(exposure.p90 < 1.0, "ten months afloat, {exposure:?}");
    let onset = treated.onset.expect("a new life");
    assert!(onset.p10.is_none_or(|on| on.year() >= 2012), "{onset:?}");
    assert!(onset.beyond_horizon_probability > 0.0);
    let risk_now = treated.risk_curve[0].risk;
    assert!(risk_now < 0.05, "{risk_now}");
}

/// By the rule: what was found on the day a treatment began belongs to the life that it ended, also where
/// the treatment is recorded with a single day.
#[test]
fn a_treatment_recorded_on_one_day_still_parts_two_lives() {
    let mut facts = hull("1995-04-01", "2020-03-01");
    facts.surveys = vec![blistered("2010-11-01", 12.0, 14.0)];
    facts.treatments = vec![curative("2010-11-01", Some("2010-11-01"))];
    let forecast = crate::hulls::of(&facts);
    assert!(forecast.onset.is_some());
    let contradicted = |due: &garboard::science::forecast::dates::DueDate| {
        due.evidence.iter().any(|evidence| evidence.code == "surveys_contradict_prior")
    };
    assert!(!forecast.dates.iter().any(contradicted), "{:?}", forecast.dates);
}

/// By Bayes' rule: a hull that blistered early, treated, is forecast sooner than one that blistered late.
#[test]
fn an_early_onset_is_carried_over_as_a_wetter_hull() {
    let treated = |found: &str| {
        let mut facts = hull("1990-04-01", "2012-03-01");
        facts.surveys = vec![blistered(found, 12.0, 14.0)];
        facts.haul_outs = vec![haul_out("2010-10-15", Some("2011-05-10"))];
        facts.treatments = vec![curative("2010-11-01", Some("2011-04-20"))];
        facts.coats.clear();
        let forecast = forecast(&facts, 1024, 1).expect("a forecast");
        forecast.risk_curve.iter().map(|point| point.risk).sum::<f64>()
    };
    let (early, late) = (treated("1995-04-01"), treated("2010-10-20"));
    assert!(early > late, "{early} {late}");
}

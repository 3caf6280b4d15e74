//! Scores against reference libraries; forecasts of the past against numbers worked by hand and simulated hulls.

use chrono::NaiveDate;
use garboard::science::forecast::day;
use garboard::science::forecast::ensemble::Ensemble;
use garboard::science::forecast::facts::{
    Blistering, BottomExamined, CoatRole, HullFacts, LaminateClass, SurveyFact,
};
use garboard::science::forecast::onset::survival;
use garboard::science::forecast::onset_outlook;
use garboard::science::forecast::priors::Priors;
use garboard::science::hindcast::scores::{
    Comparison, LEAST_PROBABILITY, Spread, all_but_one_share, brier_score, covered_fraction, log_score,
};
use garboard::science::hindcast::{Answer, Question, answer, questions};
use serde_json::Value;

use crate::check_values::{assert_close, cases, number};
use crate::hulls::{clean, coat, curative, date as on, hull};
use crate::simulation::{PRIOR_WORLD, Random, live};

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(number).collect()
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / f64::from(u32::try_from(values.len()).expect("few"))
}

/// Source: scikit-learn, scipy and statsmodels (versions and script in the file).
#[test]
fn scores_are_those_of_the_reference_libraries() {
    for case in cases("forecast-scores") {
        let (inputs, expected, tol) = (&case["inputs"], &case["expected"], &case["tol"]);
        let probabilities = numbers(&inputs["probabilities"]);
        let came: Vec<bool> =
            inputs["came"].as_array().expect("a list").iter().map(|came| came == true).collect();
        let clusters: Vec<usize> = numbers(&inputs["clusters"])
            .iter()
            .map(|&cluster| cluster.to_string().parse().expect("a whole number"))
            .collect();
        let shares = all_but_one_share(&came);
        for (share, expected) in shares.iter().zip(numbers(&expected["all_but_one_shares"])) {
            assert_close("share of the others", *share, expected, tol);
        }
        let scored = |probabilities: &[f64], score: fn(f64, bool) -> f64| -> Vec<f64> {
            probabilities.iter().zip(&came).map(|(&p, &came)| score(p, came)).collect()
        };
        let [own, baseline] = [&probabilities, &shares].map(|p| scored(p, brier_score));
        let found = Comparison::of(&own, &baseline, &clusters).expect("surveys");
        assert_close("Brier score", found.forecast, number(&expected["brier_score"]), tol);
        assert_close("its baseline", found.baseline, number(&expected["baseline_brier_score"]), tol);
        assert_close("skill", found.skill.expect("a baseline"), number(&expected["skill"]), tol);
        let error = number(&expected["difference_standard_error"]);
        assert_close("standard error", found.difference_standard_error, error, tol);
        let log = mean(&scored(&probabilities, log_score));
        assert_close("log score", log, number(&expected["log_score"]), tol);
        let ranges: Vec<(f64, f64)> = inputs["ranges"]
            .as_array()
            .expect("a list")
            .iter()
            .map(|range| (number(&range[0]), number(&range[1])))
            .collect();
        let covered = covered_fraction(&ranges, 0.1, 0.9).expect("ranges");
        assert_close("share covered", covered, number(&expected["covered_fraction"]), tol);
        let spread = Spread::of(&numbers(&inputs["values"])).expect("values");
        let tenths: Vec<f64> = spread.tenths.iter().map(|&seen| f64::from(seen)).collect();
        assert_eq!(tenths, numbers(&expected["tenths"]));
        assert_close("chi-square", spread.chi_square, number(&expected["chi_square"]), tol);
        assert_close(
            "its p",
            spread.chi_square_probability,
            number(&expected["chi_square_probability"]),
            tol,
        );
    }
}

/// Worked by hand; the bound of the log score is the project's own.
#[test]
fn scores_at_their_ends_are_finite_and_of_nothing_there_are_none() {
    assert!((log_score(0.0, true) + LEAST_PROBABILITY.ln()).abs() < 1e-12);
    assert!(log_score(1.0, true) < 2e-6);
    assert!((brier_score(1.0, false) - 1.0).abs() < 1e-12);
    assert_eq!(covered_fraction(&[(0.5, 0.5), (0.95, 0.95)], 0.1, 0.9), Some(0.5));
    assert_eq!(covered_fraction(&[], 0.1, 0.9), None);
    assert_eq!(Comparison::of(&[], &[], &[]), None);
    assert_eq!(Spread::of(&[]), None);
    assert_eq!(all_but_one_share(&[true]), [0.5]);
    let perfect = Comparison::of(&[0.0], &[0.0], &[1]).expect("a survey");
    assert_eq!(perfect.skill, None);
}

fn survey(day: &str, blistering: Blistering, bottom_examined: BottomExamined) -> SurveyFact {
    SurveyFact { blistering, bottom_examined, ..clean(day) }
}

fn surveyed(surveys: Vec<SurveyFact>) -> HullFacts {
    HullFacts { surveys, ..hull("2005-05-01", "2026-06-15") }
}

/// The rules of which surveys are asked about are the project's own; days counted by hand.
#[test]
fn each_survey_is_asked_about_from_the_lead_time_before_it_or_the_last_look() {
    let mut facts = surveyed(vec![
        clean("2010-06-01"),
        clean("2015-06-01"),
        clean("2015-12-01"),
        survey("2018-03-01", Blistering::None, BottomExamined::Part),
        survey("2020-02-29", Blistering::Gelcoat, BottomExamined::Whole),
        survey("2021-05-01", Blistering::Gelcoat, BottomExamined::Whole),
        clean("2023-06-01"),
    ]);
    facts.treatments = vec![curative("2021-10-01", Some("2022-04-01"))];
    let found = questions(&facts, 2011, 12);
    let asked: Vec<(NaiveDate, NaiveDate, bool, usize)> =
        found.asked.iter().map(|q| (q.as_of, q.surveyed_on, q.found, q.life)).collect();
    assert_eq!(
        asked,
        [
            (on("2014-06-01"), on("2015-06-01"), false, 0),
            (on("2015-06-01"), on("2015-12-01"), false, 0),
            (on("2019-02-28"), on("2020-02-29"), true, 0),
            (on("2022-06-01"), on("2023-06-01"), false, 1),
        ]
    );
    assert_eq!((found.undecided, found.already_blistered), (1, 1));
    assert_eq!((found.skin_changed, found.without_a_day_before), (0, 0));
    let first = &found.asked[0];
    assert_eq!(first.followed_on, [on("2015-06-01"), on("2015-12-01"), on("2020-02-29")]);
    assert!(first.found_at_last && !first.found);
    assert!((first.life_years - 10.084).abs() < 1e-3, "{}", first.life_years);

    facts.coats = vec![coat(CoatRole::Barrier, "2015-09-01", 250.0)];
    let coated = questions(&facts, 2011, 12);
    assert_eq!(coated.skin_changed, 1, "the survey after the barrier, forecast from before it");
    assert_eq!(coated.asked[0].followed_on, [on("2015-06-01")], "followed until the barrier");
    assert!(!coated.asked[0].found_at_last);
}

fn one(facts: &HullFacts, from_year: i32) -> Question {
    questions(facts, from_year, 12).asked.into_iter().next().expect("a survey")
}

/// Analytic: with surveys that see all there is and one member, found by the next with 1 - S(t)/S(t₀), and the ranges of
/// what followed from the same survivals (any text on life data).
#[test]
fn with_one_member_the_chance_of_finding_is_that_of_the_textbook() {
    let ensemble = Ensemble::central(Priors::default());
    let mut facts = surveyed(vec![
        clean("2010-06-01"),
        clean("2013-06-01"),
        clean("2016-06-01"),
        survey("2019-06-01", Blistering::Gelcoat, BottomExamined::Whole),
    ]);
    facts.laminate_class = Some(LaminateClass::Orthophthalic);
    facts.policy.detection_probability = 1.0;
    let question = one(&facts, 2013);
    let then = HullFacts { as_of: question.as_of, ..facts.clone() };
    let Answer { found_probability, transform } =
        answer(&question, &then, &ensemble).expect("facts").expect("a forecast");
    // The exposure is checked elsewhere; here it is read back from the risk of a hull at which nobody looked.
    let blank = HullFacts { surveys: Vec::new(), ..then };
    let outlook = onset_outlook(&blank, &ensemble, on("2020-01-01")).expect("facts").expect("an outlook");
    let alive = |text: &str| 1.0 - outlook.risk(day::number(on(text)));
    let next = 1.0 - alive("2013-06-01") / alive("2010-06-01");
    assert!((found_probability - next).abs() < 1e-9, "{found_probability} {next}");
    let [from, to] = ["2016-06-01", "2019-06-01"].map(|day| 1.0 - alive(day) / alive("2010-06-01"));
    assert!(
        (transform.0 - from).abs() < 1e-9 && (transform.1 - to).abs() < 1e-9,
        "{transform:?} {from} {to}"
    );
    let (scale, shape) = ensemble.weibull(0, 0, facts.laminate_class);
    assert!(survival(scale, scale, shape) < 0.37, "the scale is passed by 63 %");
}

/// What was found later must not change what was said before.
#[test]
fn what_came_later_does_not_reach_the_forecast() {
    let ensemble = Ensemble::draw(64, 1, Priors::default());
    let early = surveyed(vec![clean("2010-06-01"), clean("2013-06-01")]);
    let mut later = early.clone();
    later.surveys.push(survey("2020-06-01", Blistering::Laminate, BottomExamined::Whole));
    let [a, b] = [&early, &later].map(|facts| {
        let question = one(facts, 2013);
        let then = HullFacts { as_of: question.as_of, ..facts.clone() };
        answer(&question, &then, &ensemble).expect("facts").expect("a forecast").found_probability
    });
    assert!((a - b).abs() < 1e-12, "{a} {b}");
}

/// Simulated hulls of the priors, their water by an independent solver: what is forecast comes as often as forecast. The
/// bounds are three standard errors, for the seed; a forecast that ignored the surveys or the detection would leave them.
#[test]
fn on_simulated_hulls_surveys_find_as_many_as_forecast() {
    let ensemble = Ensemble::draw(256, 1, Priors::default());
    let today = on("2026-06-15");
    let mut found = 0.0;
    let (mut expected, mut variance) = (0.0, 0.0);
    let mut ranges = Vec::new();
    for seed in 0..220 {
        let hull = live(&mut Random::new(77_000 + seed), &PRIOR_WORLD, today, false);
        let mut first = true;
        for question in questions(&hull.facts, 1995, 12).asked {
            let then = HullFacts { as_of: question.as_of, ..hull.facts.clone() };
            let said = answer(&question, &then, &ensemble).expect("facts").expect("a forecast");
            found += f64::from(u8::from(question.found));
            expected += said.found_probability;
            variance += said.found_probability * (1.0 - said.found_probability);
            if std::mem::take(&mut first) {
                ranges.push(said.transform);
            }
        }
    }
    assert!(ranges.len() > 150, "{} lives", ranges.len());
    let off = (found - expected) / f64::sqrt(variance);
    assert!(found > 20.0 && off.abs() < 3.0, "{found} found, {expected} expected, {off} standard errors");
    let mut random = Random::new(5);
    let values: Vec<f64> = ranges.iter().map(|(from, to)| from + (to - from) * random.even()).collect();
    let spread = Spread::of(&values).expect("lives");
    assert!(spread.chi_square_probability > 0.01, "{spread:?}");
}

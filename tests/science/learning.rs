//! The fit of a fleet's lives against reference libraries.

use garboard::science::forecast::ensemble::Ensemble;
use garboard::science::forecast::facts::LaminateClass;
use garboard::science::forecast::onset::{CleanSurveys, survival};
use garboard::science::forecast::priors::Priors;
use garboard::science::learning::calibration::Calibration;
use garboard::science::learning::evidence::{
    FleetEvidence, HullEvidence, LifeEvidence, SkinSystem, read_hull,
};
use garboard::science::learning::fit::{LIVES, fit};
use garboard::science::learning::pooling::{LikelihoodSums, pooled};
use garboard::science::learning::prior::{LearningPrior, PARAMETERS, SHAPE};
use garboard::science::learning::skin_systems::compare;
use proptest::prelude::*;
use serde_json::Value;

use crate::check_values::{assert_close, cases, number};
use crate::hulls::{blistered, clean, coat, curative, date, haul_out, hull};

const NOTHING: f64 = -300.0;

fn log(exposure: f64) -> f64 {
    if exposure > 0.0 { exposure.ln() } else { NOTHING }
}

/// A prior that says nothing.
fn flat() -> LearningPrior {
    let mut prior = LearningPrior::of(&Priors::default());
    prior.covariance = std::array::from_fn(|i| std::array::from_fn(|j| if i == j { 1e10 } else { 0.0 }));
    prior
}

/// Hulls of one class and one member, whose exposures are the times themselves.
fn one_member(intervals: &[(f64, Option<f64>)]) -> FleetEvidence {
    let hulls = intervals
        .iter()
        .map(|&(lower, upper)| {
            let mut terms = vec![(1.0, lower)];
            terms.extend(upper.map(|upper| (-1.0, upper)));
            let life = LifeEvidence {
                system: SkinSystem::Gelcoat,
                event: upper.is_some(),
                factors: terms.iter().map(|term| term.0).collect(),
                log_exposures: terms.iter().map(|term| log(term.1)).collect(),
            };
            HullEvidence { class: Some(LaminateClass::Orthophthalic), lives: vec![life] }
        })
        .collect();
    FleetEvidence { members: 1, unknown_classes: vec![LaminateClass::Orthophthalic], hulls }
}

fn intervals(file: &str) -> Vec<(f64, Option<f64>)> {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/checks").join(file);
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

/// Sources: lifetime-weibull-cosmesis.json and lifetime-synthetic-hulls.json (lifelines): with one member and a flat
/// prior the fit is the interval-censored Weibull.
#[test]
fn with_one_member_and_a_flat_prior_it_is_the_weibull_of_the_reference_library() {
    for name in ["lifetime-weibull-cosmesis", "lifetime-synthetic-hulls"] {
        for case in cases(name) {
            let expected = &case["expected"];
            let data = case["inputs"]["dataset"].as_str().unwrap_or("data-synthetic-hulls-interval.csv");
            let found = fit(&one_member(&intervals(data)), &flat(), &LIVES).expect("a maximum");
            assert!(found.converged);
            let (scale, shape) = (found.theta[0].exp(), found.theta[SHAPE].exp());
            let rel = |share: f64| Value::from(format!("{share} rel"));
            assert_close("scale", scale, number(&expected["lambda_"]), &rel(1e-4));
            assert_close("shape", shape, number(&expected["rho"]), &rel(1e-4));
            assert_close(
                "log likelihood",
                found.log_likelihood,
                number(&expected["loglik"]),
                &Value::from(1e-3),
            );
            // The delta method takes log scale and log shape to scale and shape.
            let se = |i: usize, value: f64| value * found.covariance[i][i].sqrt();
            assert_close("se of scale", se(0, scale), number(&expected["se_lambda"]), &rel(0.02));
            assert_close("se of shape", se(SHAPE, shape), number(&expected["se_rho"]), &rel(0.02));
        }
    }
}

/// Source: reference/learning.json (scipy and mpmath, the density written out plainly at 30 digits): parameters and
/// weights together, lives of several looks, hulls of two lives, classes unknown.
#[test]
fn a_fleet_of_several_members_is_fitted_as_by_the_reference() {
    let file: Value = serde_json::from_str(include_str!("reference/learning.json")).expect("the reference");
    let list = |value: &Value| -> Vec<f64> { value.as_array().expect("a list").iter().map(number).collect() };
    let class =
        |value: &Value| value.as_u64().map(|n| LaminateClass::ALL[usize::try_from(n).expect("small")]);
    let rows = |value: &Value| value.as_array().expect("a list").clone();
    let hulls = rows(&file["hulls"])
        .iter()
        .map(|hull| HullEvidence {
            class: class(&hull["class"]),
            lives: rows(&hull["lives"])
                .iter()
                .map(|life| LifeEvidence {
                    system: SkinSystem::Gelcoat,
                    event: life["event"] == true,
                    factors: list(&life["factors"]),
                    log_exposures: rows(&life["exposures"]).iter().flat_map(&list).map(log).collect(),
                })
                .collect(),
        })
        .collect();
    let unknown_classes = rows(&file["classes_of_unknown"]).iter().filter_map(class).collect();
    let fleet = FleetEvidence { members: 4, unknown_classes, hulls };
    let mut prior = flat();
    prior.weights_worth_hulls = number(&file["worth_hulls"]);
    let places = [0, 1, SHAPE];
    let (means, covariance) = (list(&file["means"]), rows(&file["covariance"]));
    for (row, &i) in places.iter().enumerate() {
        prior.means[i] = means[row];
        for (column, &j) in places.iter().enumerate() {
            prior.covariance[i][j] = number(&covariance[row][column]);
        }
    }
    let found = fit(&fleet, &prior, &LIVES).expect("a maximum");
    assert!(found.converged, "{} steps", found.steps);
    let expected = &file["expected"];
    for (row, &i) in places.iter().enumerate() {
        assert!((found.theta[i] - number(&expected["theta"][row])).abs() < 1e-6, "{i}: {:?}", found.theta);
        for (column, &j) in places.iter().enumerate() {
            let (ours, theirs) = (found.covariance[i][j], number(&expected["covariance"][row][column]));
            assert!((ours - theirs).abs() < 1e-6, "{i}, {j}: {ours} {theirs}");
        }
    }
    for (ours, theirs) in found.weights.iter().zip(list(&expected["weights"])) {
        assert!((ours - theirs).abs() < 1e-5, "{ours} {theirs}");
    }
    // Sensitive to every part: without the weights' freedom the scale would come out elsewhere.
    assert!(found.weights.iter().any(|weight| (weight - 0.25).abs() > 0.1));
}

proptest! {
    /// The terms of a life's likelihood say the same as the likelihood (an identity), for any surveys and any
    /// survival.
    #[test]
    fn terms_add_up_to_the_likelihood(
        gaps in proptest::collection::vec(10.0..900.0_f64, 0..5),
        seen in proptest::option::of(10.0..900.0_f64),
        q in 0.05..=1.0_f64,
        scale in 200.0..5000.0_f64,
        shape in 0.5..4.0_f64,
    ) {
        let days: Vec<f64> = gaps.iter().scan(0.0, |day, gap| { *day += gap; Some(*day) }).collect();
        let seen_on = seen.map(|gap| days.last().copied().unwrap_or(0.0) + gap);
        let surveys = CleanSurveys::new(&days, q, 365.25);
        let alive = |day: f64| survival(day.max(0.0), scale, shape);
        let expected = match seen_on {
            Some(day) => surveys.likelihood_seen(day, alive),
            None => surveys.likelihood(alive),
        };
        let terms = surveys.terms(seen_on);
        let found: f64 = terms.iter().map(|&(day, factor)| factor * alive(day)).sum();
        prop_assert!((found - expected).abs() < 1e-12, "{found} {expected} {terms:?}");
    }
}

/// By the rule: lives that nobody looked at say nothing, an onset and its treatment part two lives, skins are told
/// apart by what is on when they are last looked at.
#[test]
fn facts_are_read_into_lives() {
    let ensemble = Ensemble::draw(16, 3, Priors::default());
    let mut facts = hull("1995-04-01", "2020-03-01");
    assert_eq!(read_hull(&facts, &ensemble), None, "nobody looked");
    facts.surveys = vec![clean("2003-03-01"), blistered("2010-10-20", 12.0, 14.0), clean("2018-04-01")];
    facts.haul_outs = vec![haul_out("2010-10-15", Some("2011-05-10"))];
    facts.treatments = vec![curative("2010-11-01", Some("2011-04-20"))];
    let found = read_hull(&facts, &ensemble).expect("two lives");
    let kinds: Vec<_> = found.lives.iter().map(|life| (life.system, life.event)).collect();
    assert_eq!(kinds, [(SkinSystem::Gelcoat, true), (SkinSystem::Rebuilt, false)]);
    for life in &found.lives {
        assert_eq!(life.log_exposures.len(), life.factors.len() * 16);
    }
    // The likelihood of a member is what the forecast weighs it by: Σ c S at its exposures.
    let first = &found.lives[0];
    let likelihood: f64 = (0..first.factors.len())
        .map(|k| first.factors[k] * survival(first.log_exposures[k].exp(), 8.0, 2.5))
        .sum();
    assert!((0.0..=1.0).contains(&likelihood), "{likelihood}");
    facts.treatments.clear();
    facts.surveys.truncate(1);
    facts.coats = vec![coat(garboard::science::forecast::facts::CoatRole::Barrier, "2001-04-01", 300.0)];
    let coated = read_hull(&facts, &ensemble).expect("a life");
    assert_eq!(coated.lives[0].system, SkinSystem::Barrier);
    facts.surveys[0].surveyed_on = date("2000-03-01");
    let before = read_hull(&facts, &ensemble).expect("a life");
    assert_eq!(before.lives[0].system, SkinSystem::Gelcoat, "looked at before the barrier went on");
    facts.cored = true;
    assert_eq!(read_hull(&facts, &ensemble), None, "no water forecast, no exposure");
}

/// Exact: nothing learned leaves the priors, and the ensemble as it was.
#[test]
fn an_empty_fleet_leaves_the_prior() {
    let ensemble = Ensemble::draw(16, 3, Priors::default());
    let prior = LearningPrior::of(&ensemble.priors);
    let fleet = FleetEvidence::read(&[], &ensemble);
    let learned = Calibration::learn(&fleet, &ensemble, &prior).expect("the prior");
    assert_eq!((learned.hulls, learned.events, learned.steps), (0, 0, 0));
    for (i, mean) in learned.means.iter().enumerate() {
        assert!((mean - prior.means[i]).abs() < 1e-12);
        assert!((learned.covariance[i][i] - prior.covariance[i][i]).abs() < 1e-12);
    }
    let lesson = garboard::science::forecast::ensemble::Lesson { name: "n".into(), text: "t".into() };
    let applied = learned.applied_to(&ensemble, lesson.clone()).expect("made with it");
    for member in 0..16 {
        let [(a, b), (c, d)] = [&applied, &ensemble].map(|e| e.weibull(member, 0, None));
        assert!((a - c).abs() < 1e-9 && (b - d).abs() < 1e-9);
    }
    assert!(
        learned.applied_to(&Ensemble::draw(16, 4, Priors::default()), lesson.clone()).is_none(),
        "another ensemble"
    );
    assert!(learned.lives_applied_to(&Ensemble::draw(32, 4, Priors::default()), lesson.clone()).is_some());
    let older = Calibration { model: "fleet-lives 1".to_owned(), ..learned };
    assert!(older.applied_to(&ensemble, lesson).is_none(), "another version of the fit");
}

/// A fleet seen through one member whose exposures are years: lives of a Weibull by even steps, looked at yearly.
fn lived(count: u32, class: LaminateClass, system: SkinSystem, scale: f64, shape: f64) -> Vec<HullEvidence> {
    (0..count)
        .map(|k| {
            let onset = scale * (-(1.0 - (f64::from(k) + 0.5) / f64::from(count)).ln()).powf(1.0 / shape);
            let lower = onset.floor();
            let life = LifeEvidence {
                system,
                event: true,
                factors: vec![1.0, -1.0],
                log_exposures: vec![log(lower), log(lower + 1.0)],
            };
            HullEvidence { class: Some(class), lives: vec![life] }
        })
        .collect()
}

fn fleet(hulls: Vec<HullEvidence>) -> FleetEvidence {
    FleetEvidence { members: 1, unknown_classes: vec![LaminateClass::Orthophthalic], hulls }
}

/// By construction: lives under a barrier that last 1.5 times as long as under gelcoat are told so, and where nobody
/// has seen a skin nothing is said of it.
#[test]
fn skins_are_compared_by_the_ratio_of_their_scales() {
    let prior = LearningPrior::of(&Priors::default());
    let class = LaminateClass::Isophthalic;
    let mut hulls = lived(300, class, SkinSystem::Gelcoat, 12.0, 2.5);
    hulls.extend(lived(300, class, SkinSystem::Barrier, 18.0, 2.5));
    let found = compare(&fleet(hulls), &prior);
    assert_eq!(found.len(), 2);
    assert!((found[0].scale_ratio - 1.0).abs() < 1e-12 && found[0].system == SkinSystem::Gelcoat);
    let barrier = found[1];
    assert!(
        (barrier.lower..barrier.upper).contains(&1.5) && (barrier.scale_ratio - 1.5).abs() < 0.05,
        "{barrier:?}"
    );
    assert!(barrier.lower > 1.3 && barrier.upper < 1.7, "{barrier:?}");
    let alike = compare(&fleet(lived(300, class, SkinSystem::Gelcoat, 12.0, 2.5)), &prior);
    assert_eq!(alike.len(), 1);
}

/// Direction known: many hulls of one class that last half as long as was held move another class a part of the way
/// down, and more than not pooled at all.
#[test]
fn classes_are_pooled_in_part() {
    let prior = LearningPrior::of(&Priors::default());
    let learn = |prior: &LearningPrior| {
        fit(&fleet(lived(400, LaminateClass::Orthophthalic, SkinSystem::Gelcoat, 4.0, 2.5)), prior, &LIVES)
            .expect("a maximum")
    };
    let found = learn(&prior);
    assert!((found.theta[0].exp() - 4.0).abs() < 0.25, "{:?}", found.theta);
    // Its mean given the first class's, in a normal prior: half of the way.
    let expected = prior.means[1] + 0.5 * (found.theta[0] - prior.means[0]);
    assert!((found.theta[1] - expected).abs() < 1e-6, "{} {expected}", found.theta[1]);
    let mut apart = prior.clone();
    for i in 0..PARAMETERS {
        for j in 0..PARAMETERS {
            apart.covariance[i][j] = if i == j { prior.covariance[i][j] } else { 0.0 };
        }
    }
    assert!((learn(&apart).theta[1] - prior.means[1]).abs() < 1e-9);
}

/// Source: the normal-normal model (Gelman et al. 2013 §5.4, from memory), worked by hand over one dimension: with
/// prior variance v, of which a fifth lies between organisations, and two peers whose estimates are nearly exact and the
/// same, the mean goes 2/(0.2 v) / (1/(0.8 v) + 2/(0.2 v)) = 8/9 of the way to it and the variance left is
/// 0.2 v + 1 / (1/(0.8 v) + 2/(0.2 v)) = (0.2 + 4/45) v.
#[test]
fn organisations_are_pooled_in_part_and_by_sums() {
    let prior = LearningPrior::of(&Priors::default());
    let ensemble = Ensemble::central(Priors::default());
    let many = fleet(lived(5000, LaminateClass::Orthophthalic, SkinSystem::Gelcoat, 5.0, 2.5));
    let learned = Calibration::learn(&many, &ensemble, &prior).expect("a fit");
    let sums = LikelihoodSums::of(&learned, &prior).expect("enough behind it");
    assert_eq!(
        pooled(&prior, std::slice::from_ref(&sums)),
        prior,
        "what one peer alone has seen is not used"
    );
    let moved = pooled(&prior, &[sums.clone(), sums.clone()]);
    let way = (moved.means[0] - prior.means[0]) / (5.0_f64.ln() - prior.means[0]);
    assert!((way - 8.0 / 9.0).abs() < 0.02, "{way}");
    let left = moved.covariance[0][0] / prior.covariance[0][0];
    assert!((left - 0.2 - 4.0 / 45.0).abs() < 0.02, "{left}");
    // Three peers who saw the same leave less, never less than what lies between organisations.
    let thrice = pooled(&prior, &[sums.clone(), sums.clone(), sums]);
    let still = thrice.covariance[0][0] / prior.covariance[0][0];
    assert!(still < left && still > 0.2, "{still}");
    assert!((pooled(&prior, &[]).means[0] - prior.means[0]).abs() < 1e-12);
    assert!((pooled(&prior, &[]).covariance[0][0] - prior.covariance[0][0]).abs() < 1e-12);
    // Too few stay at home.
    let few = fleet(lived(19, LaminateClass::Orthophthalic, SkinSystem::Gelcoat, 5.0, 2.5));
    let learned = Calibration::learn(&few, &ensemble, &prior).expect("a fit");
    assert_eq!(LikelihoodSums::of(&learned, &prior), None);
}

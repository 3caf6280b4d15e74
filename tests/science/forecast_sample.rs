//! Sobol points and weighted quantiles against a reference library and numbers worked by hand.

use garboard::science::forecast::ensemble::Ensemble;
use garboard::science::forecast::facts::LaminateClass;
use garboard::science::forecast::priors::Priors;
use garboard::science::forecast::quantile::WeightedSample;
use garboard::science::forecast::sobol;
use serde_json::Value;

fn reference() -> Value {
    serde_json::from_str(include_str!("reference/sobol.json")).expect("the committed reference output")
}

/// Source: scipy (version in the file), which follows Joe and Kuo 2008.
#[test]
fn sobol_points_are_those_of_the_reference_library() {
    let reference = reference();
    let rows = reference["points"].as_array().expect("points");
    assert_eq!(rows.len(), 64);
    for (index, row) in (0_u32..).zip(rows) {
        let gray = index ^ (index >> 1);
        let row = row.as_array().expect("a row");
        assert_eq!(row.len(), sobol::DIMENSIONS);
        for (dimension, expected) in row.iter().enumerate() {
            let ours = u64::from(sobol::digits(gray, dimension));
            assert_eq!(Some(ours), expected.as_u64(), "point {index}, dimension {dimension}");
        }
    }
}

/// Source: Owen 1995, a scrambled net keeps its strata.
#[test]
fn scrambled_points_stay_one_to_each_stratum() {
    for dimension in 0..sobol::DIMENSIONS {
        for seed in [0, 1, 77] {
            let mut strata: Vec<f64> =
                sobol::points(64, dimension, seed).iter().map(|x| (x * 64.0).floor()).collect();
            strata.sort_by(f64::total_cmp);
            let expected: Vec<f64> = (0..64).map(f64::from).collect();
            assert_eq!(strata, expected, "dimension {dimension}, seed {seed}");
        }
    }
}

#[test]
fn other_seeds_give_other_members_and_the_same_seed_the_same() {
    let draw = |seed| Ensemble::draw(64, seed, Priors::default());
    assert_eq!(draw(3).carried, draw(3).carried);
    assert_eq!(draw(3).lives, draw(3).lives);
    assert_ne!(draw(3).carried, draw(4).carried);
}

/// Source: the distributions of the science document, section 4; medians and spreads of 1,024 members.
#[test]
fn members_follow_the_priors() {
    let ensemble = Ensemble::draw(1024, 5, Priors::default());
    let class = Some(LaminateClass::Orthophthalic);
    let spread = |values: Vec<f64>| {
        let sample = WeightedSample::new(values.into_iter().map(|value| (value, 1.0))).expect("members");
        // One geometric standard deviation either side of the median.
        (sample.quantile(0.5), sample.quantile(0.841_344_7) / sample.quantile(0.5))
    };
    let near = |value: f64, expected: f64| (value / expected - 1.0).abs() < 0.02;
    let (median, gsd) = spread(ensemble.carried.iter().map(|c| c.diffusivity_15c_m2_s).collect());
    assert!(near(median, 4e-13) && near(gsd, 2.0), "diffusivity {median} {gsd}");
    let (median, gsd) = spread(ensemble.lives[0].iter().map(|life| life.skin_factor).collect());
    assert!(near(median, 1.0) && near(gsd, 1.5), "skin {median} {gsd}");
    let (median, gsd) = spread(ensemble.lives[0].iter().map(|life| life.pocket_resistance_m2_s_kg).collect());
    assert!(near(median, 3e7) && near(gsd, 1.6), "pocket {median} {gsd}");
    let (median, gsd) = spread((0..1024).map(|member| ensemble.weibull(member, 1, class).1).collect());
    assert!(near(median, 2.5) && near(gsd, 1.2), "shape {median} {gsd}");
    // Class and hull spread together: exp √(ln² 1.6 + ln² 1.25) = 1.682.
    let (median, gsd) = spread((0..1024).map(|member| ensemble.weibull(member, 0, class).0 / 8.0).collect());
    assert!(near(median, 1.0) && near(gsd, 1.682), "scale {median} {gsd}");
    assert!(ensemble.carried.iter().all(|c| (25_000.0..=60_000.0).contains(&c.activation_energy_j_mol)));
    assert!(ensemble.carried.iter().all(|c| (0.72..=0.96).contains(&c.threshold_activity)));
    let (median, _) = spread(ensemble.carried.iter().map(|c| c.threshold_activity).collect());
    assert!((median - 0.85).abs() < 0.001, "threshold {median}");
}

/// Source: numpy `method="hazen"` (version in the file), the same definition for equal weights.
#[test]
fn quantiles_of_equal_weights_are_those_of_the_reference_library() {
    let reference = reference();
    let values = reference["sample"].as_array().expect("sample").iter().filter_map(Value::as_f64);
    let sample = WeightedSample::new(values.map(|value| (value, 2.5))).expect("weights");
    for case in reference["quantiles"].as_array().expect("quantiles") {
        let (p, expected) = (case["p"].as_f64().expect("p"), case["value"].as_f64().expect("value"));
        assert!((sample.quantile(p) - expected).abs() < 1e-12, "p = {p}");
    }
}

/// Worked by hand: weights 1, 2, 5 of 8 stand at 1/16, 4/16 and 11/16.
#[test]
fn quantiles_of_unequal_weights() {
    let sample = WeightedSample::new([(30.0, 5.0), (10.0, 1.0), (20.0, 2.0)]).expect("weights");
    for (p, expected) in [
        (0.05, 10.0),
        (1.0 / 16.0, 10.0),
        (0.1, 10.0 + 10.0 * (0.1 - 0.0625) / 0.1875),
        (0.25, 20.0),
        (0.5, 20.0 + 10.0 * 0.25 / 0.4375),
        (11.0 / 16.0, 30.0),
        (0.9, 30.0),
    ] {
        assert!((sample.quantile(p) - expected).abs() < 1e-12, "p = {p}: {}", sample.quantile(p));
    }
}

/// By the definition: what lies between a finite and an infinite member is infinite.
#[test]
fn members_that_never_get_there_count_as_infinite() {
    let never = f64::INFINITY;
    let sample = WeightedSample::new([(1.0, 1.0), (2.0, 1.0), (never, 1.0), (never, 1.0)]).expect("weights");
    assert!((sample.quantile(0.25) - 1.5).abs() < 1e-12);
    assert!(sample.quantile(0.375).is_finite());
    assert!(sample.quantile(0.4).is_infinite());
    assert!(sample.quantile(0.9).is_infinite());
    assert!(WeightedSample::new([(1.0, 0.0)]).is_none());
}

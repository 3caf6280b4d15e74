//! Shares of variance against functions whose shares are known.

use std::f64::consts::PI;

use garboard::science::forecast::sobol;
use garboard::science::sensitivity::{Weighted, effective_members, first_order_share, moments};
use statrs::distribution::{ContinuousCDF, Normal};

fn inputs(count: u32) -> [Vec<f64>; 3] {
    std::array::from_fn(|dimension| sobol::points(count, dimension, 9))
}

fn even(values: impl Iterator<Item = f64>) -> Vec<Weighted> {
    values.map(|value| (value, 1.0)).collect()
}

/// Source: Ishigami and Homma 1990, sin x₁ + 7 sin² x₂ + 0.1 x₃⁴ sin x₁ over (-π, π); first-order shares by its closed
/// form V₁ = ½(1 + bπ⁴/5)², V₂ = a²/8, V = V₁ + V₂ + 8b²π⁸/225. Groups of a finite width miss some of them: 0.02.
#[test]
fn the_shares_of_ishigamis_function_are_its_closed_form() {
    let points = inputs(4096);
    let x = |dimension: usize, i: usize| PI * (2.0 * points[dimension][i] - 1.0);
    let values = even(
        (0..4096)
            .map(|i| x(0, i).sin() + 7.0 * x(1, i).sin().powi(2) + 0.1 * x(2, i).powi(4) * x(0, i).sin()),
    );
    let first = 0.5 * (1.0 + 0.1 * PI.powi(4) / 5.0).powi(2);
    let second = 49.0 / 8.0;
    let whole = first + second + 8.0 * 0.01 * PI.powi(8) / 225.0;
    for (dimension, expected) in [first / whole, second / whole, 0.0].into_iter().enumerate() {
        let share = first_order_share(&points[dimension], &values).expect("it varies");
        assert!((share - expected).abs() < 0.02, "x{}: {share} instead of {expected}", dimension + 1);
    }
    let (_, variance) = moments(&values).expect("values");
    assert!((variance / whole - 1.0).abs() < 0.01, "{variance} {whole}");
}

/// Analytic: of y = Σ cᵢ zᵢ with independent normal z the share of zᵢ is cᵢ²/Σc²; as many members as a page has.
#[test]
fn the_shares_of_a_sum_are_the_squares_of_its_factors() {
    let normal = Normal::standard();
    let points =
        inputs(1024).map(|column| column.iter().map(|u| normal.inverse_cdf(*u)).collect::<Vec<f64>>());
    let factors = [3.0, 2.0, 1.0];
    let values = even((0..1024).map(|i| (0..3).map(|d| factors[d] * points[d][i]).sum()));
    for (dimension, factor) in factors.into_iter().enumerate() {
        let share = first_order_share(&points[dimension], &values).expect("it varies");
        assert!((share - factor * factor / 14.0).abs() < 0.04, "{dimension}: {share}");
    }
}

/// Analytic: members of weight 0 are as if they were not there; n members of one weight count n.
#[test]
fn weights_count_as_members_do() {
    let points = inputs(1024);
    let halves = |x: f64, y: f64| if x < 0.5 { y } else { 0.0 };
    let whole: Vec<Weighted> = (0..1024).map(|i| (points[0][i], 1.0)).collect();
    assert!((effective_members(&whole) - 1024.0).abs() < 1e-9);
    let cut: Vec<Weighted> =
        (0..1024).map(|i| (points[0][i] + points[1][i], halves(points[0][i], 1.0))).collect();
    let kept: Vec<usize> = (0..1024).filter(|&i| points[0][i] < 0.5).collect();
    let few: Vec<Weighted> = kept.iter().map(|&i| (points[0][i] + points[1][i], 1.0)).collect();
    let input: Vec<f64> = kept.iter().map(|&i| points[1][i]).collect();
    let [a, b] =
        [first_order_share(&points[1], &cut), first_order_share(&input, &few)].map(Option::unwrap_or_default);
    assert!((a - b).abs() < 1e-9, "{a} {b}");
    // Var of x over (0, ½) is 1/48, of y over (0, 1) 1/12: four parts of five are y's.
    assert!((a - 0.8).abs() < 0.04, "{a}");
}

#[test]
fn what_does_not_vary_has_no_shares_and_classes_stay_whole() {
    let points = inputs(256);
    assert_eq!(first_order_share(&points[0], &even((0..256).map(|_| 3.0))), None);
    assert_eq!(first_order_share(&points[0][..8], &even((0..8).map(f64::from))), None, "too few to tell");
    let class: Vec<f64> = points[0].iter().map(|u| (u * 3.0).floor()).collect();
    let share = first_order_share(&class, &even(class.iter().map(|c| c * c))).expect("it varies");
    assert!((share - 1.0).abs() < 1e-12, "{share}");
}

//! Speed of the lifetime fits.
//!
//! Limits: one Weibull fit of 731 bracketed events within 1 ms (a reference library takes 136 ms); 200,000 distinct
//! observations, with Turnbull's estimate, survival and quantiles, within a second.

use criterion::{Criterion, criterion_group, criterion_main};
use garboard::science::lifetime::{LifetimeInput, Observation, QuantileAsked, lifetime, weibull_fit};

/// Yearly inspections of hulls that blister after Weibull lives of scale 9, shape 2.4, as the synthetic hulls of the
/// check files; here each inspection falls on its own day, so that no two observations are alike.
fn hulls(n: u32) -> Vec<Observation> {
    (0..n)
        .map(|k| {
            let life = 9.0 * (-(1.0 - scattered(k, GOLDEN)).ln()).powf(1.0 / 2.4);
            let phase = scattered(k, PLASTIC);
            let lower = ((life - phase).floor() + phase).max(0.0);
            let seen = lower < 12.0;
            Observation {
                lower: lower.min(12.0 + phase),
                upper: seen.then(|| (life - phase).floor() + 1.0 + phase),
                count: 1,
            }
        })
        .collect()
}

/// Steps that scatter evenly over 0 to 1.
const GOLDEN: f64 = 0.618_033_988_749_895;
const PLASTIC: f64 = 0.754_877_666_246_693;

fn scattered(k: u32, step: f64) -> f64 {
    (f64::from(k) * step + 0.5).fract()
}

/// So many observations, no two alike: exact, right, left and interval by turns, lives of a Weibull by even steps.
fn distinct(n: u32) -> Vec<Observation> {
    (0..n)
        .map(|k| {
            let (u, v) = (scattered(k, GOLDEN), scattered(k, PLASTIC));
            let life = 10.0 * (-(1.0 - u).ln()).powf(1.0 / 2.5);
            let looked = 15.0 * v;
            let (lower, upper) = match k % 4 {
                1 if looked < life => (looked, None),
                0 | 1 => (life, Some(life)),
                2 if looked > life => (0.0, Some(looked)),
                2 => (looked, None),
                _ => ((life - 2.0 * v).max(0.0), Some(life + 2.0 * (1.0 - v))),
            };
            Observation { lower, upper, count: 1 }
        })
        .collect()
}

fn fits(criterion: &mut Criterion) {
    let hulls = hulls(731);
    criterion.bench_function("Weibull fit of 731 bracketed events (limit 1 ms)", |bencher| {
        bencher.iter(|| weibull_fit(&hulls).expect("a maximum"));
    });
    let whole = |observations| LifetimeInput {
        observations,
        quantiles: (1..10).map(|n| QuantileAsked { p: f64::from(n) / 10.0, age: 1.0 }).collect(),
        at: (1..20).map(f64::from).collect(),
    };
    let of_hulls = whole(hulls);
    criterion.bench_function("731 bracketed events, all answers", |bencher| {
        bencher.iter(|| lifetime(&of_hulls).expect("in range"));
    });
    let many = whole(distinct(200_000));
    let mut group = criterion.benchmark_group("many");
    group.sample_size(10);
    group.bench_function("200,000 distinct observations, all answers (limit 1 s)", |bencher| {
        bencher.iter(|| lifetime(&many).expect("in range"));
    });
    group.finish();
}

criterion_group!(benches, fits);
criterion_main!(benches);

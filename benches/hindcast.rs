//! How long hindcasts and learning take: `cargo bench --bench hindcast`.
//!
//! Limits on two cores: a hindcast of 10,000 surveys, and learning from 100,000 lives, each within a minute. Hulls are
//! invented: launched 3 to 28 years ago, looked at every other year, some with winters ashore, some blistered. Medians of
//! three; no database.

use std::hint::black_box;
use std::time::Instant;

use chrono::{Months, NaiveDate};
use garboard::science::climate::{MonthNormals, climates};
use garboard::science::forecast::ensemble::{DEFAULT_MEMBERS, Ensemble};
use garboard::science::forecast::facts::{
    Bilge, Blistering, BottomExamined, HullFacts, LaminateClass, SurveyFact,
};
use garboard::science::forecast::policy::Policy;
use garboard::science::forecast::priors::Priors;
use garboard::science::hindcast::{answer, questions};
use garboard::science::learning::calibration::Calibration;
use garboard::science::learning::evidence::FleetEvidence;
use garboard::science::learning::prior::LearningPrior;
use rayon::prelude::*;

const SURVEYS: usize = 10_000;
const LIVES: u32 = 100_000;
const RUNS: usize = 3;

/// Steps that scatter evenly over 0 to 1.
const GOLDEN: f64 = 0.618_033_988_749_895;

fn scattered(k: u32, step: f64) -> f64 {
    (f64::from(k) * step + 0.5).fract()
}

fn months_of(name: &str) -> [MonthNormals; 12] {
    climates().iter().find(|climate| climate.name == name).expect("a named climate").months
}

fn hull(k: u32) -> HullFacts {
    let as_of = NaiveDate::from_ymd_opt(2026, 5, 12).expect("a day");
    let classes = [LaminateClass::Orthophthalic, LaminateClass::Isophthalic, LaminateClass::VinylesterSkin];
    let climate = ["temperate_sea", "warm_sea", "brackish_cool"][k as usize % 3];
    let years = 3 + k % 26;
    let launched_on = as_of.checked_sub_months(Months::new(12 * years + k % 12)).expect("a day");
    let blistered = k.is_multiple_of(4) && years > 8;
    let visits = years / 2;
    let surveys = (1..=visits).map(|visit| SurveyFact {
        surveyed_on: launched_on.checked_add_months(Months::new(24 * visit)).expect("a day"),
        bottom_examined: BottomExamined::Whole,
        blistering: if blistered && visit == visits { Blistering::Gelcoat } else { Blistering::None },
        blister_density_per_m2: None,
        largest_blister_mm: None,
        coating_failure: false,
    });
    let ashore = k.is_multiple_of(2);
    HullFacts {
        as_of,
        length_m: 7.0 + 8.0 * scattered(k, GOLDEN),
        laminate_class: (!k.is_multiple_of(5)).then(|| classes[k as usize % 3]),
        laminate_thickness_mm: Some(6.0 + 5.0 * scattered(k, GOLDEN)),
        gelcoat_thickness_um: Some(600.0),
        cored: false,
        launched_on: Some(launched_on),
        built_year: None,
        bilge: [Some(Bilge::Dry), Some(Bilge::Damp), Some(Bilge::Wet), None][k as usize % 4],
        ashore_from_month: ashore.then_some(11),
        ashore_until_month: ashore.then_some(3),
        months: months_of(climate),
        site_known: true,
        haul_outs: Vec::new(),
        coats: Vec::new(),
        treatments: Vec::new(),
        logged_air: Vec::new(),
        meter_visits: Vec::new(),
        surveys: surveys.collect(),
        findings: Vec::new(),
        policy: Policy::default(),
        intent: None,
    }
}

/// Runs a few times and prints each and the median.
fn timed(what: &str, mut f: impl FnMut() -> String) {
    let mut taken: Vec<f64> = Vec::new();
    let mut said = String::new();
    for _ in 0..RUNS {
        let started = Instant::now();
        said = f();
        taken.push(started.elapsed().as_secs_f64());
    }
    taken.sort_by(f64::total_cmp);
    println!("{what}: median {:.2} s of {taken:.2?}; {said}", taken[RUNS / 2]);
}

fn main() {
    let ensemble = Ensemble::draw(DEFAULT_MEMBERS, 1, Priors::default());
    println!("{} cores, {} members", rayon::current_num_threads(), ensemble.members());
    let mut asked = Vec::new();
    for k in 0.. {
        let facts = hull(k);
        let own = questions(&facts, 1990, 12).asked;
        asked.extend(own.into_iter().map(|question| {
            let then = HullFacts { as_of: question.as_of, ..facts.clone() };
            (question, then)
        }));
        if asked.len() >= SURVEYS {
            break;
        }
    }
    asked.truncate(SURVEYS);
    timed("hindcast of 10,000 surveys", || {
        let expected: f64 = asked
            .par_iter()
            .filter_map(|(question, then)| answer(question, black_box(then), &ensemble).ok().flatten())
            .map(|said| said.found_probability)
            .sum();
        format!("{expected:.1} expected to find blistering")
    });
    let fleet: Vec<HullFacts> = (0..LIVES).map(hull).collect();
    timed("evidence of 100,000 lives", || {
        let evidence = FleetEvidence::read(black_box(&fleet), &ensemble);
        format!("{:?} lives and events", evidence.counts())
    });
    let evidence = FleetEvidence::read(&fleet, &ensemble);
    timed("fit of 100,000 lives", || {
        let learned =
            Calibration::learn(black_box(&evidence), &ensemble, &LearningPrior::of(&ensemble.priors));
        learned.map_or("no fit".to_owned(), |learned| {
            format!("{} steps, converged: {}", learned.steps, learned.converged)
        })
    });
}

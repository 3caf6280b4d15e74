//! How right the dates are on invented hulls whose truth is known: writes `docs/calibration.md`.
//!
//! `cargo run --release --example calibration [SEED]`

#[path = "../tests/science/finite_volume.rs"]
#[expect(dead_code, reason = "the fine grid serves the tests alone")]
mod finite_volume;
#[path = "../tests/science/simulation.rs"]
mod simulation;

use std::error::Error;
use std::fmt::Write;
use std::time::Instant;

use chrono::{Datelike, NaiveDate};
use garboard::science::forecast::day;
use garboard::science::forecast::ensemble::{Ensemble, Lesson};
use garboard::science::forecast::facts::{HullFacts, LaminateClass};
use garboard::science::forecast::onset_outlook;
use garboard::science::forecast::priors::Priors;
use garboard::science::learning::calibration::Calibration;
use garboard::science::learning::evidence::FleetEvidence;
use garboard::science::learning::prior::LearningPrior;
use rayon::prelude::*;
use simulation::{PRIOR_WORLD, Random, Truth, World, judged, live, randomised_pit};

const SEED: u64 = 20_261_125;
const HULLS: u64 = 5_000;
const FLEETS: u64 = 50;
const FLEET_HULLS: u64 = 500;
const LEARNED_FROM: u64 = 300;
const JUDGED_BY: u64 = 2_000;

fn as_of() -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 6, 15).expect("a day")
}

/// Hulls of a world, each from a seed of its own.
fn lived(world: World, seed: u64, count: u64, horizon: bool) -> Vec<Truth> {
    (0..count)
        .into_par_iter()
        .map(|index| live(&mut Random::new(seed.wrapping_add(index * 7919)), &world, as_of(), horizon))
        .collect()
}

/// The transform of every hull that no survey has found blistered.
fn pits(hulls: &[Truth], ensemble: &Ensemble, seed: u64) -> Vec<f64> {
    let horizon = day::months_after(as_of(), 12 * 30);
    hulls
        .par_iter()
        .enumerate()
        .filter(|(_, hull)| !hull.found)
        .filter_map(|(index, hull)| {
            let outlook = onset_outlook(&hull.facts, ensemble, horizon).ok().flatten()?;
            let mut random = Random::new(seed ^ (index as u64 * 104_729));
            let end = f64::from(horizon.num_days_from_ce());
            Some(randomised_pit(&mut random, hull.onset, end, |at| outlook.risk(at)))
        })
        .collect()
}

fn learned(hulls: &[Truth], ensemble: &Ensemble) -> Option<Calibration> {
    let facts: Vec<HullFacts> = hulls.iter().map(|hull| hull.facts.clone()).collect();
    let fleet = FleetEvidence::read(&facts, ensemble);
    Calibration::learn(&fleet, ensemble, &LearningPrior::of(&ensemble.priors))
}

fn applied(calibration: &Calibration, ensemble: &Ensemble) -> Option<Ensemble> {
    let lesson = Lesson { name: "simulated".to_owned(), text: "Simulated.".to_owned() };
    calibration.applied_to(ensemble, lesson)
}

fn percent(share: f64) -> String {
    format!("{:.1} %", 100.0 * share)
}

fn prior_checks(text: &mut String, seed: u64) -> Result<(), Box<dyn Error>> {
    let hulls = lived(PRIOR_WORLD, seed, HULLS, true);
    let found = hulls.iter().filter(|hull| hull.found).count();
    writeln!(text, "## From the priors\n")?;
    writeln!(
        text,
        "{HULLS} hulls; a survey had found blistering on {found} of them, which have no onset left to forecast. Of the \
         others:\n"
    )?;
    writeln!(
        text,
        "| members | hulls | onset within p10-p90 | chi-square p of the transform | hulls by tenth of the transform |"
    )?;
    writeln!(text, "|---|---|---|---|---|")?;
    for members in [1024, 256, 64] {
        let started = Instant::now();
        let ensemble = Ensemble::draw(members, 1, Priors::default());
        let pits = pits(&hulls, &ensemble, seed);
        let (covered, p, cells) = judged(&pits);
        writeln!(text, "| {members} | {} | {} | {p:.3} | {cells:?} |", pits.len(), percent(covered))?;
        println!("{members} members: {covered} {p} {cells:?} {:?}", started.elapsed());
    }
    writeln!(text)?;
    Ok(())
}

fn fleet_checks(text: &mut String, seed: u64) -> Result<(), Box<dyn Error>> {
    writeln!(text, "## The class scale of a fleet\n")?;
    writeln!(
        text,
        "{FLEETS} fleets of {FLEET_HULLS} isophthalic hulls; the scale and the shape of each fleet are drawn from the prior. \
         Bias: mean of log(fitted / true), back from the logarithm; the standard error beside it. Inside: fleets whose true \
         scale lies in the fitted 90 % interval.\n"
    )?;
    writeln!(
        text,
        "| members | bias of the scale | standard error | spread | inside 90 % | bias of the shape |"
    )?;
    writeln!(text, "|---|---|---|---|---|---|")?;
    let fleets: Vec<(f64, f64, Vec<Truth>)> = (0..FLEETS)
        .map(|fleet| {
            let mut random = Random::new(seed ^ (fleet + 1).wrapping_mul(0x9e37_79b9));
            let priors = Priors::default();
            let over = (priors.class_scale_gsd.ln() * random.normal()).exp();
            let shape = priors.shape.at(random.normal());
            let class = Some(LaminateClass::Isophthalic);
            let world = World { scale_over_prior: Some(over), shape: Some(shape), class };
            (over, shape, lived(world, seed.wrapping_add(1_000_000 * (fleet + 1)), FLEET_HULLS, false))
        })
        .collect();
    for members in [64, 256] {
        let started = Instant::now();
        let ensemble = Ensemble::draw(members, 1, Priors::default());
        let mut scales = Vec::new();
        let mut shapes = Vec::new();
        let mut inside = 0_u32;
        for (over, shape, hulls) in &fleets {
            let learned = learned(hulls, &ensemble).ok_or("a fit without a top")?;
            let class = learned.classes[LaminateClass::Isophthalic as usize];
            let truth = class.prior_scale_exposure_years * over;
            scales.push((class.scale_exposure_years / truth).ln());
            shapes.push((learned.shape.shape / shape).ln());
            inside += u32::from((class.lower_exposure_years..class.upper_exposure_years).contains(&truth));
        }
        let (mean, sd) = moments(&scales);
        let error = sd / f64::from(u32::try_from(scales.len())?).sqrt();
        writeln!(
            text,
            "| {members} | {} | {} | {} | {inside} of {FLEETS} | {} |",
            percent(mean.exp_m1()),
            percent(error),
            percent(sd),
            percent(moments(&shapes).0.exp_m1())
        )?;
        println!("{members}: scale {mean} ± {error}, {inside} inside, {:?}", started.elapsed());
    }
    writeln!(text)?;
    Ok(())
}

fn moments(values: &[f64]) -> (f64, f64) {
    let count = f64::from(u32::try_from(values.len()).unwrap_or(u32::MAX));
    let mean = values.iter().sum::<f64>() / count;
    let square: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    (mean, (square / (count - 1.0)).sqrt())
}

fn wrong_prior(text: &mut String, seed: u64) -> Result<(), Box<dyn Error>> {
    writeln!(text, "## A prior that is wrong by two\n")?;
    writeln!(
        text,
        "The true scale of every class is twice, or half, what the prior says. Onset within p10-p90 of {JUDGED_BY} other \
         hulls of the same world (those not found blistered), with 1,024 members and with 64, before and after learning \
         from {LEARNED_FROM} hulls.\n"
    )?;
    writeln!(
        text,
        "| truth over prior | members | before | after | scale learned over prior (isophthalic) | events |"
    )?;
    writeln!(text, "|---|---|---|---|---|---|")?;
    for (place, over) in [(0, 2.0), (1, 0.5)] {
        let world = World { scale_over_prior: Some(over), shape: Some(2.5), class: None };
        let home = lived(world, seed.wrapping_add(500_000_000 * (place + 1)), LEARNED_FROM, false);
        let others = lived(world, seed.wrapping_add(700_000_000 * (place + 1)), JUDGED_BY, true);
        for members in [1024, 64] {
            let ensemble = Ensemble::draw(members, 1, Priors::default());
            let before = judged(&pits(&others, &ensemble, seed)).0;
            let learned = learned(&home, &ensemble).ok_or("a fit without a top")?;
            let applied = applied(&learned, &ensemble).ok_or("another ensemble")?;
            let after = judged(&pits(&others, &applied, seed)).0;
            let class = learned.classes[LaminateClass::Isophthalic as usize];
            let found = class.scale_exposure_years / class.prior_scale_exposure_years;
            writeln!(
                text,
                "| {over} | {members} | {} | {} | {found:.2} | {} |",
                percent(before),
                percent(after),
                learned.events
            )?;
            println!("{over} {members}: {before} -> {after}, {found}");
        }
    }
    writeln!(text)?;
    Ok(())
}

fn main() -> Result<(), Box<dyn Error>> {
    let seed = std::env::args().nth(1).map_or(Ok(SEED), |seed| seed.parse())?;
    let mut text = String::from("# How right the dates are: simulated hulls\n\n");
    writeln!(
        text,
        "Written by `cargo run --release --example calibration {seed}`; the seed is {seed}. Hulls are invented: drawn from \
         the priors, their water by an independent finite-volume solver, surveyed every half year to five years until \
         blistering is found, what began within a year before being overlooked one time in ten. Dates set by the \
         calendar are left out: these figures are about the onset of blistering alone. They say that the arithmetic \
         holds where the model does; how right the model is of real hulls, only a fleet's own hindcast can say.\n"
    )?;
    prior_checks(&mut text, seed)?;
    fleet_checks(&mut text, seed)?;
    wrong_prior(&mut text, seed)?;
    std::fs::write("docs/calibration.md", text)?;
    Ok(())
}

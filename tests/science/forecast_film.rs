//! What measuring a film does to the dates. Of a skin's spread (geometric standard deviation 1.5) a part of 1.3 is its
//! film (common practice, no source); the rest of the arithmetic is that of independent normal logarithms.

use garboard::science::forecast::dates::DueKind;
use garboard::science::forecast::ensemble::Ensemble;
use garboard::science::forecast::facts::{Bilge, CoatRole, HullFacts};
use garboard::science::forecast::paths::SkinSpread;
use garboard::science::forecast::priors::Priors;
use garboard::science::forecast::sensitivity::{Measurement, Sensitivity, hull_sensitivity};

use crate::hulls::{climate, coat, hull};

fn deviation(values: &[f64]) -> f64 {
    let count = f64::from(u32::try_from(values.len()).expect("few"));
    let mean = values.iter().sum::<f64>() / count;
    (values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / count).sqrt()
}

#[test]
fn a_measured_film_leaves_the_spread_of_its_permeability() {
    let ensemble = Ensemble::draw(1024, 1, Priors::default());
    let logs = |nominal: f64, measured: f64| -> Vec<f64> {
        (0..1024)
            .map(|member| SkinSpread::of(&ensemble, member, 0).resistance(nominal, measured).ln())
            .collect()
    };
    let (all, none) = (logs(7e7, 0.0), logs(7e7, 7e7));
    assert!((deviation(&all) - 1.5_f64.ln()).abs() < 0.005, "{}", deviation(&all));
    let left = (1.5_f64.ln().powi(2) - 1.3_f64.ln().powi(2)).sqrt();
    assert!((deviation(&none) - left).abs() < 0.005, "{} {left}", deviation(&none));
    let half = deviation(&logs(7e7, 3.5e7));
    assert!((left..1.5_f64.ln()).contains(&half), "{half}");
    // A break has no skin to measure.
    assert!(SkinSpread::of(&ensemble, 3, 0).resistance(0.0, 0.0).abs() < 1e-12);
}

fn onset(facts: &HullFacts, ensemble: &Ensemble) -> (f64, f64, Sensitivity) {
    let told = hull_sensitivity(facts, ensemble).expect("facts").onset.expect("an onset");
    let film = told.measurements.iter().find(|share| share.measurement == Measurement::TakeFilmReadings);
    (told.standard_deviation_days.powi(2), film.map_or(0.0, |share| share.variance_fraction), told)
}

/// What "take film readings" promises is what they then give at least: the share of the variance that is told before them
/// is a first-order one, and what is gone when a quantity is known is its total one, never less (Saltelli and others 2008,
/// Global Sensitivity Analysis, 4.5, from memory). 0.04 for shares told from groups of members; at most twice, for dates
/// do not go linearly with a resistance.
#[test]
fn film_readings_take_away_what_was_told_of_them() {
    let ensemble = Ensemble::draw(1024, 1, Priors::default());
    let mut facts = hull("2022-05-01", "2024-06-01");
    facts.months = climate("warm_sea");
    facts.bilge = Some(Bilge::Wet);
    facts.gelcoat_thickness_um = None;
    facts.coats = vec![coat(CoatRole::Barrier, "2022-04-01", 250.0)];
    facts.coats[0].film_measured = false;
    let (before, told, unmeasured) = onset(&facts, &ensemble);
    assert!(told > 0.05, "{unmeasured:?}");
    // The gelcoat alone: a part, in which the barrier's share remains.
    facts.gelcoat_thickness_um = Some(600.0);
    let (part, rest, _) = onset(&facts, &ensemble);
    assert!(part < before && rest > 0.0 && rest < told, "{part} {before}, {rest} {told}");
    facts.coats[0].film_measured = true;
    let (after, nothing, measured) = onset(&facts, &ensemble);
    assert!(nothing.abs() < 1e-12, "{measured:?}");
    let gone = 1.0 - after / before;
    assert!((told - 0.04..2.0 * told).contains(&gone), "told {told}, gone {gone}");
}

/// No measurement of worn antifouling bears on its date, so none is advised.
#[test]
fn nothing_is_advised_that_would_not_narrow_the_date() {
    let ensemble = Ensemble::draw(64, 1, Priors::default());
    let mut facts = hull("2016-05-01", "2024-06-01");
    let mut worn = coat(CoatRole::Antifouling, "2024-04-01", 150.0);
    worn.wear_um_per_month_15c = Some(8.0);
    facts.coats = vec![worn];
    let told = hull_sensitivity(&facts, &ensemble).expect("facts");
    let antifouling = told.dates.iter().find(|date| date.kind == DueKind::Antifouling).expect("its row");
    assert!(antifouling.sensitivity.standard_deviation_days > 1.0, "{antifouling:?}");
    assert_eq!(antifouling.sensitivity.narrowed_most_by, None);
    assert!(antifouling.sensitivity.measurements.is_empty());
}

//! The named climates are approximations; what can be checked is that they are possible and distinct, and that the
//! temperate sea is the one that the exposure checks use.

use std::collections::HashSet;

use garboard::science::climate::climates;
use garboard::science::seawater::water_activity;

use crate::check_values::{cases, number};

#[test]
fn the_temperate_sea_is_the_one_of_the_exposure_checks() {
    let temperate = climates().iter().find(|climate| climate.name == "temperate_sea").expect("named so");
    let checks = cases("moisture-exposure");
    let segments = checks[0]["input"]["segments"].as_array().expect("segments");
    for (month, segment) in temperate.months.iter().zip(segments) {
        let (normal, check) = (month.water_temperature_c, number(&segment["temperature_c"]));
        assert!((normal - check).abs() <= 0.05, "{normal} °C instead of {check} °C");
        let activity = water_activity(month.salinity_g_kg, month.water_temperature_c);
        assert!((activity - number(&segment["outer_activity"])).abs() < 5e-4);
    }
}

#[test]
fn every_climate_is_possible_and_has_its_own_name() {
    let names: HashSet<_> = climates().iter().map(|climate| climate.name).collect();
    assert_eq!(names.len(), climates().len());
    for climate in climates() {
        assert!(climate.description.contains("approximation"), "{} hides what it is", climate.name);
        for month in &climate.months {
            assert!((0.0..=35.0).contains(&month.water_temperature_c));
            assert!((0.0..=42.0).contains(&month.salinity_g_kg));
            assert!((-45.0..=60.0).contains(&month.air_temperature_c));
            assert!((0.0..=100.0).contains(&month.relative_humidity_pct));
        }
    }
}

//! The table of expectations of the exposure model, science section 2. Common practice, no source.

use chrono::Months;
use garboard::science::forecast::dates::DueKind;
use garboard::science::forecast::ensemble::Ensemble;
use garboard::science::forecast::facts::{Bilge, CoatRole, FindingKind, HullFacts, LaminateClass};
use garboard::science::forecast::forecast_with;
use garboard::science::forecast::priors::Priors;

use crate::hulls::{climate, coat, find, finding, hull};

const LAUNCH: &str = "2000-01-01";

fn new_hull() -> HullFacts {
    hull(LAUNCH, LAUNCH)
}

/// Years from new until the chance of onset is 20 %, at central values: the risk on the day of forecasts made
/// month after month, nobody having looked.
fn years_to_risk(facts: &HullFacts) -> f64 {
    let central = Ensemble::central(Priors::default());
    let risk = |months: u32| {
        let mut facts = facts.clone();
        facts.as_of = facts.launched_on.expect("launched") + Months::new(months);
        forecast_with(&facts, &central).expect("a forecast").risk_curve[0].risk
    };
    let (mut low, mut high) = (0, 720);
    while high - low > 1 {
        let middle = u32::midpoint(low, high);
        if risk(middle) < 0.2 { low = middle } else { high = middle }
    }
    let (before, after) = (risk(low), risk(high));
    assert!(after >= 0.2, "20 % within 60 years");
    (f64::from(low) + (0.2 - before) / (after - before)) / 12.0
}

#[test]
fn time_to_twenty_percent_risk() {
    let plain = years_to_risk(&new_hull());
    assert!((plain - 7.6).abs() <= 0.15, "temperate sea, gelcoat, dry bilge: {plain} years");

    let mut barrier = new_hull();
    barrier.coats = vec![coat(CoatRole::Barrier, LAUNCH, 250.0)];
    let barrier = years_to_risk(&barrier);
    assert!(barrier >= 2.0 * plain, "250 µm of barrier: {barrier} years");

    let mut wet = new_hull();
    wet.bilge = Some(Bilge::Wet);
    wet.coats = vec![coat(CoatRole::Barrier, LAUNCH, 250.0)];
    let wet = years_to_risk(&wet);
    assert!(wet <= plain + (barrier - plain) * 2.0 / 3.0, "barrier over a wet bilge: {wet} years");

    let mut warm = new_hull();
    warm.months = climate("warm_sea");
    let warm = years_to_risk(&warm);
    assert!(warm <= 0.4 * plain, "warm sea: {warm} years");

    let mut fresh = new_hull();
    for month in &mut fresh.months {
        month.salinity_g_kg = 0.3;
    }
    let fresh = years_to_risk(&fresh);
    assert!(fresh < plain, "fresh water as warm as the sea: {fresh} years");

    let mut ashore = new_hull();
    ashore.ashore_from_month = Some(11);
    ashore.ashore_until_month = Some(3);
    let ashore = years_to_risk(&ashore);
    assert!(ashore >= 1.3 * plain, "five winter months ashore: {ashore} years");

    let mut bare = new_hull();
    bare.gelcoat_thickness_um = Some(0.0);
    let bare = years_to_risk(&bare);
    assert!(bare <= 0.4 * plain, "a break in the skin: {bare} years");
}

/// A better resin begins later; an unknown one lies between the first and the last it may be.
#[test]
fn laminate_classes_keep_their_order() {
    let risk = |class: Option<LaminateClass>| {
        let mut facts = hull("2000-01-01", "2012-01-01");
        facts.laminate_class = class;
        crate::hulls::of(&facts).risk_curve[0].risk
    };
    let risks = [
        LaminateClass::Orthophthalic,
        LaminateClass::Isophthalic,
        LaminateClass::VinylesterSkin,
        LaminateClass::Vinylester,
        LaminateClass::Epoxy,
    ]
    .map(|class| risk(Some(class)));
    assert!(risks.windows(2).all(|pair| pair[0] > pair[1]), "{risks:?}");
    let unknown = risk(None);
    assert!(risks[2] < unknown && unknown < risks[0], "{unknown} among {risks:?}");
}

/// An open break in warm water is pressing; the same break in cold water may wait the longest time allowed.
#[test]
fn a_break_is_more_pressing_in_warm_water() {
    let due = |climate_name: &str, launched_on: &str| {
        let mut facts = hull(launched_on, "2020-06-01");
        facts.months = climate(climate_name);
        facts.findings = vec![finding(FindingKind::SkinBreak, "2020-05-20")];
        let forecast = crate::hulls::of(&facts);
        find(&forecast, DueKind::Repair).and_then(|due| due.due_on).expect("a repair date")
    };
    assert!(due("warm_sea", "2012-01-01") < due("cool_sea", "2012-01-01"));
}

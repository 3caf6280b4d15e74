//! The members' exposure against the water model run segment by segment over the same history, which is itself
//! checked against an independent finite-volume reference (tests/checks/moisture-exposure.json).

use garboard::science::exposure::{self, HullWater, Laminate, WaterState};
use garboard::science::forecast::course;
use garboard::science::forecast::day;
use garboard::science::forecast::ensemble::Ensemble;
use garboard::science::forecast::facts::{Bilge, CoatRole, FindingKind, HullFacts};
use garboard::science::forecast::history::History;
use garboard::science::forecast::paths::Paths;
use garboard::science::forecast::priors::Priors;

use crate::hulls::{blistered, climate, coat, curative, date, finding, haul_out, hull};

fn water(ensemble: &Ensemble, member: usize, thickness_m: f64) -> HullWater {
    let (carried, priors) = (&ensemble.carried[member], &ensemble.priors);
    HullWater {
        laminate: Laminate {
            thickness_m,
            diffusivity_15c_m2_s: carried.diffusivity_15c_m2_s,
            capacity_kg_m3: priors.capacity_kg_m3,
            activation_energy_j_mol: carried.activation_energy_j_mol,
        },
        inner_resistance_m2_s_kg: priors.inner_resistance_m2_s_kg,
        reference_skin_resistance_m2_s_kg: priors.reference_skin_resistance_m2_s_kg,
        pocket_resistance_m2_s_kg: ensemble.life(member, 0).pocket_resistance_m2_s_kg,
        threshold_activity: carried.threshold_activity,
        hydrolysis_activation_energy_j_mol: carried.hydrolysis_energy_j_mol,
    }
}

/// Years taken to repeat against every month run: 1 % and 0.002 years, the tolerances of the check file.
fn agrees_with_every_month_run(facts: &HullFacts) {
    let ensemble = Ensemble::draw(16, 3, Priors::default());
    let facts = facts.known();
    let until = day::months_after(facts.as_of, 12 * 30);
    let history = History::read(&facts);
    let (course, _) = course::build(&facts, &history, until, &ensemble.priors).expect("a water forecast");
    let paths = Paths::run(&course, &ensemble);
    for member in 0..ensemble.members() {
        let hull = water(&ensemble, member, course.thickness_m);
        let mut segments = course.timeline.segments.clone();
        for (segment, measured) in segments.iter_mut().zip(&course.timeline.measured_skin_15c_m2_s_kg) {
            // Gsd 1.5 of the whole, 1.3 of it the film's: where that was measured, the rest is permeability's.
            let factor = ensemble.life(member, 0).skin_factor;
            let left = factor.powf(f64::sqrt(1.0 - (1.3_f64.ln() / 1.5_f64.ln()).powi(2)));
            let skin = &mut segment.skin_resistance_15c_m2_s_kg;
            *skin = (*skin - measured) * factor + measured * left;
        }
        let mut state = WaterState::new(&hull, ensemble.priors.launch_activity);
        let path = paths.member(member);
        exposure::run(&hull, &mut state, &segments, |index, end| {
            let (ours, full) = (path[index + 1], end.exposure_years);
            assert!((ours - full).abs() <= 0.002 + 0.01 * full, "member {member}, {index}: {ours} {full}");
        });
    }
}

#[test]
fn years_that_repeat_are_the_years_that_would_have_been_run() {
    let mut facts = hull("2005-05-10", "2025-06-15");
    agrees_with_every_month_run(&facts);
    facts.laminate_thickness_mm = Some(20.0);
    facts.bilge = Some(Bilge::Wet);
    agrees_with_every_month_run(&facts);
    facts.bilge = Some(Bilge::Dry);
    facts.months = climate("brackish_cool");
    facts.ashore_from_month = Some(10);
    facts.ashore_until_month = Some(4);
    facts.coats = vec![coat(CoatRole::Barrier, "2015-04-10", 250.0)];
    facts.haul_outs =
        vec![haul_out("2008-10-10", Some("2009-04-20")), haul_out("2015-03-01", Some("2015-05-02"))];
    agrees_with_every_month_run(&facts);
    // A thick laminate under a heavy barrier, slow to reach any exposure at all.
    facts.laminate_thickness_mm = Some(30.0);
    facts.bilge = Some(Bilge::Damp);
    facts.months = climate("temperate_fresh");
    facts.coats = vec![coat(CoatRole::Barrier, "2005-05-10", 600.0)];
    agrees_with_every_month_run(&facts);
}

/// By the rule: exposure starts at zero on the relaunch after a curative treatment, grows before and after it,
/// and grows faster at a break than beneath the skin around it.
#[test]
fn exposure_restarts_with_a_life_and_runs_faster_at_a_break() {
    let mut facts = hull("1995-05-01", "2025-06-01");
    facts.surveys = vec![blistered("2014-10-20", 8.0, 12.0)];
    facts.haul_outs = vec![haul_out("2014-10-10", Some("2015-05-10"))];
    facts.treatments = vec![curative("2014-11-01", Some("2015-04-20"))];
    facts.findings = vec![finding(FindingKind::SkinBreak, "2024-06-10")];
    let ensemble = Ensemble::draw(16, 3, Priors::default());
    let history = History::read(&facts);
    let (course, breaks) =
        course::build(&facts, &history, date("2040-01-01"), &ensemble.priors).expect("a water forecast");
    assert_eq!(breaks, [Some(0)]);
    let paths = Paths::run(&course, &ensemble);
    let at = |on: &str| course.timeline.position(day::number(date(on))).segment;
    let (treated, relaunched) = (at("2014-11-01"), at("2015-05-10"));
    let broken = course.breaks[0];
    assert_eq!(course.timeline.bounds[broken.from].to_bits(), day::number(date("2024-06-10")).to_bits());
    assert_eq!(course.timeline.bounds[broken.until].to_bits(), day::number(date("2024-09-10")).to_bits());
    let mut exposed_members = 0;
    for member in 0..ensemble.members() {
        let path = paths.member(member);
        exposed_members += u32::from(path[treated] > 1.0);
        assert!(path[relaunched].abs() < 1e-12, "a new life: {}", path[relaunched]);
        assert!(path[relaunched..].windows(2).all(|pair| pair[0] <= pair[1]));
        let bare = paths.at_break(0, member);
        let around = &path[broken.from..=broken.until];
        assert_eq!(bare.len(), around.len());
        let gained = |path: &[f64]| path[path.len() - 1] - path[0];
        assert!(gained(bare) > gained(around), "{} {}", gained(bare), gained(around));
    }
    // Where the pocket needs a wetter face than the dry bilge allows, a member never gathers any.
    assert!(exposed_members >= 12, "{exposed_members} of 16 after twenty years without a barrier");
}

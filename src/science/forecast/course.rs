//! From a hull's lives to what its members are run through, and the defaults that rests on.

use chrono::NaiveDate;

use super::calendar::Timeline;
use super::dates::{Evidence, repair};
use super::day;
use super::ensemble::Lesson;
use super::facts::{Bilge, CoatFact, CoatRole, HullFacts, TreatmentKind};
use super::history::{Beginning, History, coats_in_place};
use super::paths::{Break, Course, Deed};
use super::priors::Priors;
use super::skins;

/// Evidence that onset times were learned from a fleet.
pub(super) const LEARNED_ONSET: &str = "learned_onset";

/// The course of one hull and, for each of its findings, the index of its break.
///
/// None for a cored bottom, an unknown beginning, or a curative treatment under way: no onset is forecast then.
#[must_use]
pub fn build(
    facts: &HullFacts,
    history: &History,
    until: NaiveDate,
    priors: &Priors,
) -> Option<(Course, Vec<Option<usize>>)> {
    if facts.cored || history.treatment_open_since.is_some() {
        return None;
    }
    let launched_on = history.lives.first()?.began_on?;
    let began_on = history.current().began_on?;

    let spans: Vec<Option<(NaiveDate, NaiveDate)>> = facts
        .findings
        .iter()
        .map(|finding| {
            let broken =
                repair::needs_repair(finding) && repair::breaks_skin(finding) && finding.zone_is_bottom;
            broken.then(|| {
                let from = finding.happened_on.unwrap_or(finding.found_on).max(began_on);
                let latest = day::months_after(finding.found_on, facts.policy.repair_max_months);
                (from, latest.max(day::date_after(from)))
            })
        })
        .collect();
    let mut cuts: Vec<NaiveDate> =
        spans.iter().flatten().flat_map(|&(from, latest)| [from, latest]).collect();
    cuts.extend(history.lives.iter().filter_map(|life| life.began_on));
    let timeline = Timeline::build(facts, launched_on, until, &cuts, priors);

    let bound = |date: NaiveDate| timeline.bounds.partition_point(|&bound| bound < day::number(date));
    let mut breaks = Vec::new();
    let indices = spans
        .iter()
        .map(|span| {
            let (from, latest) = (*span)?;
            let broken = Break { from: bound(from), until: bound(latest) };
            // A span outside the timeline leaves nothing to run.
            (broken.from < broken.until && broken.until < timeline.bounds.len()).then(|| {
                breaks.push(broken);
                breaks.len() - 1
            })
        })
        .collect();
    let deeds = deeds(facts, history, bound);
    let thickness_mm =
        facts.laminate_thickness_mm.unwrap_or_else(|| priors.laminate_thickness_mm(facts.length_m));
    let course = Course {
        timeline,
        deeds,
        breaks,
        thickness_m: thickness_mm / 1000.0,
        first_lives_back: history.lives.len() - 1,
    };
    Some((course, indices))
}

/// Stripping and relaunch of every completed curative treatment.
fn deeds(facts: &HullFacts, history: &History, bound: impl Fn(NaiveDate) -> usize) -> Vec<(usize, Deed)> {
    let curative =
        facts.treatments.iter().filter(|t| t.kind == TreatmentKind::Curative && t.completed_on.is_some());
    let launched_on = history.lives[0].began_on;
    let mut deeds = Vec::new();
    for (index, treatment) in curative.enumerate() {
        let next_life = index + 1;
        let started_on = launched_on.map_or(treatment.started_on, |date| date.max(treatment.started_on));
        let removed_m = treatment.laminate_removed_mm.unwrap_or(0.0) / 1000.0;
        let lives_back = history.lives.len() - 1 - next_life;
        deeds.push((bound(started_on), Deed::Strip { removed_m, lives_back }));
        if let Some(began_on) = history.lives[next_life].began_on {
            deeds.push((bound(began_on), Deed::Launch));
        }
    }
    deeds
}

/// The defaults and circumstances that every number of the onset model rests on.
#[must_use]
pub fn evidence(
    facts: &HullFacts,
    history: &History,
    priors: &Priors,
    lesson: Option<&Lesson>,
) -> Vec<Evidence> {
    let mut evidence = Vec::new();
    if facts.laminate_class.is_none() {
        evidence.push(Evidence::new(
            "default_laminate_class",
            "Laminate class not recorded: orthophthalic, isophthalic and vinylester skin are taken as equally likely.",
        ));
    }
    if facts.laminate_thickness_mm.is_none() {
        evidence.push(Evidence::new(
            "default_laminate_thickness",
            format!(
                "Laminate thickness not recorded: {:.1} mm from the length of {:.1} m is used.",
                priors.laminate_thickness_mm(facts.length_m),
                facts.length_m
            ),
        ));
    }
    evidence.extend(skin_evidence(facts, history, priors));
    if facts.bilge.is_none() {
        let bilge = match priors.unknown_bilge() {
            Bilge::Dry => "dry",
            Bilge::Damp => "damp",
            Bilge::Wet => "wet",
        };
        evidence.push(Evidence::new("default_bilge", format!("Bilge not recorded: a {bilge} one is used.")));
    }
    if !facts.site_known {
        evidence.push(Evidence::new(
            "default_site",
            "The site is not recorded: the water and air of a stand-in climate are used.",
        ));
    }
    if facts.ashore_months().is_none() {
        evidence.push(Evidence::new(
            "default_afloat",
            "No usual season ashore is recorded: afloat all year but for recorded haul-outs.",
        ));
    }
    if history.lives[0].beginning == Beginning::BuiltYear
        && let Some(launched_on) = history.lives[0].began_on
    {
        evidence.push(Evidence::new(
            "default_launch",
            format!("The launch is not recorded: {launched_on}, from the year built, is used."),
        ));
    }
    if let Some(haul_out) = facts.haul_outs.iter().rev().find(|haul_out| haul_out.relaunched_on.is_none()) {
        evidence.push(Evidence::new(
            "default_relaunch",
            format!(
                "Ashore since {} with no relaunch recorded: {} is used.",
                haul_out.lifted_on,
                super::calendar::assumed_relaunch(facts, haul_out.lifted_on)
            ),
        ));
    }
    evidence.push(match lesson {
        Some(lesson) => Evidence::new(LEARNED_ONSET, lesson.text.clone()),
        None => Evidence::new(
            "prior_onset",
            "Onset times are priors: no fleet history has been learned and no published table was found.",
        ),
    });
    evidence
}

/// The defaults of the skin as it is now.
fn skin_evidence(facts: &HullFacts, history: &History, priors: &Priors) -> Vec<Evidence> {
    let mut evidence = Vec::new();
    let stripped_on = facts
        .treatments
        .iter()
        .filter(|t| t.kind == TreatmentKind::Curative && t.completed_on.is_some())
        .map(|t| t.started_on)
        .max();
    match stripped_on {
        Some(started_on) if !skins::has_new_skin(facts, started_on) => evidence.push(Evidence::new(
            "default_skin_after_treatment",
            format!(
                "No coats are recorded for the curative treatment of {started_on}: {:.0} µm of sealer and {:.0} µm of \
                 barrier are used.",
                priors.system_film_um(CoatRole::Sealer),
                priors.system_film_um(CoatRole::Barrier)
            ),
        )),
        Some(_) => {}
        None => {
            let recorded = facts.coats.iter().any(|coat| {
                coat.role == CoatRole::Gelcoat && history.lives[0].began_on.is_some_and(|on| coat.applied_on <= on)
            });
            if facts.gelcoat_thickness_um.is_none() && !recorded {
                evidence.push(Evidence::new(
                    "default_gelcoat",
                    format!(
                        "Gelcoat thickness not recorded: {:.0} µm is used.",
                        priors.system_film_um(CoatRole::Gelcoat)
                    ),
                ));
            }
        }
    }
    let refused = coats_in_place(facts)
        .filter(|coat| stripped_on.is_some() && coat.film_refused && coat.role != CoatRole::Antifouling)
        .count();
    if refused > 0 {
        evidence.push(Evidence::new(
            "film_refused",
            format!(
                "{refused} of the coats put on since the curative treatment began have no accepted film, refused by its rule or \
                 never measured: they count as no skin."
            ),
        ));
    }
    let logged_days: i64 = facts.logged_air.iter().map(|air| (air.until - air.from).num_days()).sum();
    if logged_days > 0 {
        evidence.push(Evidence::new(
            "logged_air",
            format!("The air logged over {logged_days} days of treatment dries the laminate, not the site's normals."),
        ));
    }
    let roles = [
        (CoatRole::Gelcoat, "default_film_gelcoat", "default_permeability_gelcoat", "gelcoat"),
        (CoatRole::Sealer, "default_film_sealer", "default_permeability_sealer", "sealer"),
        (CoatRole::Barrier, "default_film_barrier", "default_permeability_barrier", "barrier"),
        (CoatRole::Topcoat, "default_film_topcoat", "default_permeability_topcoat", "topcoat"),
    ];
    for (role, film_code, permeability_code, name) in roles {
        let counts = |coat: &&CoatFact| !(stripped_on.is_some() && coat.film_refused);
        let of_role = || coats_in_place(facts).filter(move |coat| coat.role == role).filter(counts);
        if of_role().any(|coat: &CoatFact| coat.dry_film_um.is_none()) {
            evidence.push(Evidence::new(
                film_code,
                format!(
                    "Film of the {name} not recorded: {:.0} µm a system is used.",
                    priors.system_film_um(role)
                ),
            ));
        }
        let built_in = role == CoatRole::Gelcoat && stripped_on.is_none();
        if (built_in || of_role().any(|coat| coat.permeability_kg_m_s.is_none()))
            && let Some(permeability) = priors.permeability_kg_m_s(role)
        {
            evidence.push(Evidence::new(
                permeability_code,
                format!(
                    "Permeability of the {name} not recorded: {permeability:.1e} kg/(m s) at 15 °C is used."
                ),
            ));
        }
    }
    evidence
}

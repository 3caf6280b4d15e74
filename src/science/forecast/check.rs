//! What a forecast is not computed from.

use chrono::{Datelike, NaiveDate};

use super::facts::{HullFacts, TreatmentKind};
use super::priors::Priors;
use crate::science::climate::MonthNormals;
use crate::science::refusal::Refusals;

/// Refuses facts that no forecast can be made from.
///
/// # Errors
/// Every field out of its range or contradicting another, with its pointer.
pub fn check(facts: &HullFacts) -> Result<(), Refusals> {
    let mut refusals = Refusals::default();
    let r = &mut refusals;
    year(r, "/as_of", facts.as_of);
    r.range("/length_m", facts.length_m, 2.0, 100.0, "m");
    optional(r, "/laminate_thickness_mm", facts.laminate_thickness_mm, 1.0, 200.0, "mm");
    optional(r, "/gelcoat_thickness_um", facts.gelcoat_thickness_um, 0.0, 5000.0, "µm");
    if let Some(date) = facts.launched_on {
        year(r, "/launched_on", date);
    }
    optional(r, "/built_year", facts.built_year.map(f64::from), 1900.0, 2199.0, "");
    pattern(r, "", (facts.ashore_from_month, facts.ashore_until_month));
    normals(r, "", &facts.months);
    if let Some(intent) = &facts.intent {
        year(r, "/intent/from", intent.from);
        pattern(r, "/intent", (intent.ashore_from_month, intent.ashore_until_month));
        normals(r, "/intent", &intent.months);
    }
    for (index, haul_out) in facts.haul_outs.iter().enumerate() {
        let at = format!("/haul_outs/{index}");
        year(r, &format!("{at}/lifted_on"), haul_out.lifted_on);
        ordered(r, &format!("{at}/relaunched_on"), haul_out.lifted_on, haul_out.relaunched_on, "lift");
    }
    for (index, coat) in facts.coats.iter().enumerate() {
        let at = |field: &str| format!("/coats/{index}/{field}");
        year(r, &at("applied_on"), coat.applied_on);
        ordered(r, &at("removed_on"), coat.applied_on, coat.removed_on, "day it was put on");
        optional(r, &at("dry_film_um"), coat.dry_film_um, 1.0, 10_000.0, "µm");
        optional(r, &at("permeability_kg_m_s"), coat.permeability_kg_m_s, 1e-14, 1e-9, "kg/(m s)");
        optional(r, &at("wear_um_per_month_15c"), coat.wear_um_per_month_15c, 0.0, 1000.0, "µm per month");
        optional(
            r,
            &at("season_limit_months"),
            coat.season_limit_months.map(f64::from),
            1.0,
            240.0,
            "months",
        );
        optional(r, &at("max_days_dry"), coat.max_days_dry.map(f64::from), 1.0, 3650.0, "days");
    }
    treatments(r, facts);
    for (index, air) in facts.logged_air.iter().enumerate() {
        let at = |field: &str| format!("/logged_air/{index}/{field}");
        year(r, &at("from"), air.from);
        ordered(r, &at("until"), air.from, Some(air.until), "first day");
        r.range(&at("surface_temperature_c"), air.surface_temperature_c, -45.0, 100.0, "°C");
        r.range(&at("outer_activity"), air.outer_activity, 0.0, 1.0, "");
    }
    for (index, survey) in facts.surveys.iter().enumerate() {
        let at = |field: &str| format!("/surveys/{index}/{field}");
        year(r, &at("surveyed_on"), survey.surveyed_on);
        let density = survey.blister_density_per_m2;
        optional(r, &at("blister_density_per_m2"), density, 0.0, 1_000_000.0, "per m²");
        optional(r, &at("largest_blister_mm"), survey.largest_blister_mm, 0.0, 1000.0, "mm");
    }
    for (index, visit) in facts.meter_visits.iter().enumerate() {
        year(r, &format!("/meter_visits/{index}/surveyed_on"), visit.surveyed_on);
    }
    for (index, finding) in facts.findings.iter().enumerate() {
        let at = |field: &str| format!("/findings/{index}/{field}");
        year(r, &at("found_on"), finding.found_on);
        if let Some(happened_on) = finding.happened_on {
            year(r, &at("happened_on"), happened_on);
            ordered(r, &at("found_on"), happened_on, Some(finding.found_on), "day it happened");
        }
        ordered(r, &at("repaired_on"), finding.found_on, finding.repaired_on, "day it was found");
        if let Some(follow_up_on) = finding.follow_up_on {
            year(r, &at("follow_up_on"), follow_up_on);
        }
    }
    facts.policy.check("/policy", r);
    refusals.into_result()
}

fn optional(refusals: &mut Refusals, at: &str, value: Option<f64>, low: f64, high: f64, unit: &str) {
    if let Some(value) = value {
        refusals.range(at, value, low, high, unit);
    }
}

fn year(refusals: &mut Refusals, at: &str, date: NaiveDate) {
    if !(1900..2200).contains(&date.year()) {
        refusals.refuse(at, "out_of_range", format!("is {date}; enter a date from 1900 to 2199"));
    }
}

fn ordered(refusals: &mut Refusals, at: &str, first: NaiveDate, then: Option<NaiveDate>, what: &str) {
    if let Some(then) = then.filter(|&then| then < first) {
        refusals.refuse(
            at,
            "out_of_order",
            format!("{then} lies before the {what}, {first}; enter a later date"),
        );
    }
}

fn normals(refusals: &mut Refusals, below: &str, months: &[MonthNormals; 12]) {
    for (month, normals) in months.iter().enumerate() {
        let at = |field: &str| format!("{below}/months/{month}/{field}");
        refusals.range(&at("water_temperature_c"), normals.water_temperature_c, -2.0, 35.0, "°C");
        refusals.range(&at("salinity_g_kg"), normals.salinity_g_kg, 0.0, 42.0, "g/kg");
        refusals.range(&at("air_temperature_c"), normals.air_temperature_c, -45.0, 60.0, "°C");
        refusals.range(&at("relative_humidity_pct"), normals.relative_humidity_pct, 0.0, 100.0, "%");
    }
}

fn pattern(refusals: &mut Refusals, below: &str, (from, until): (Option<u32>, Option<u32>)) {
    let [at_from, at_until] =
        ["ashore_from_month", "ashore_until_month"].map(|field| format!("{below}/{field}"));
    for (at, month) in [(&at_from, from), (&at_until, until)] {
        optional(refusals, at, month.map(f64::from), 1.0, 12.0, "");
    }
    match (from, until) {
        (Some(_), None) => {
            refusals.refuse(at_until, "missing", "is missing; enter the last month usually ashore");
        }
        (None, Some(_)) => {
            refusals.refuse(at_from, "missing", "is missing; enter the first month usually ashore");
        }
        _ => {}
    }
}

fn treatments(refusals: &mut Refusals, facts: &HullFacts) {
    let mut left_mm = facts
        .laminate_thickness_mm
        .unwrap_or_else(|| Priors::default().laminate_thickness_mm(facts.length_m));
    for (index, treatment) in facts.treatments.iter().enumerate() {
        let at = |field: &str| format!("/treatments/{index}/{field}");
        year(refusals, &at("started_on"), treatment.started_on);
        ordered(refusals, &at("completed_on"), treatment.started_on, treatment.completed_on, "start");
        let Some(removed_mm) = treatment.laminate_removed_mm else {
            continue;
        };
        refusals.range(&at("laminate_removed_mm"), removed_mm, 0.0, 100.0, "mm");
        if treatment.kind == TreatmentKind::Curative {
            left_mm -= removed_mm;
            if left_mm < 1.0 {
                refusals.refuse(
                    at("laminate_removed_mm"),
                    "out_of_range",
                    format!(
                        "{removed_mm} mm leaves less than 1 mm of laminate; enter the laminate thickness or mend this"
                    ),
                );
            }
        }
    }
}

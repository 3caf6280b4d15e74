//! From records to the facts of a forecast.

use std::collections::HashMap;

use chrono::{Days, NaiveDate};
use chrono_tz::Tz;
use serde::Serialize;
use serde::de::DeserializeOwned;

use super::records::{Records, records};
use crate::codes;
use crate::db::Tx;
use crate::error::{Error, Result};
use crate::features::accounts;
use crate::features::climate::store::DayOfAir;
use crate::features::coats::model::CoatFields;
use crate::features::forecasts::model::{today, zone};
use crate::features::policies;
use crate::features::sites::store::{self as sites, Site};
use crate::features::surveys::store::StationMean;
use crate::features::treatments::model::TreatmentKind;
use crate::features::vessels::model::{VesselZone, Zone};
use crate::ids::{SiteId, VesselId};
use crate::science::climate::{MonthNormals, climates};
use crate::science::forecast::facts::{
    CoatFact, FindingFact, HaulOutFact, HullFacts, LoggedAir, MeterVisit, StationReading, SurveyFact,
    TreatmentFact,
};
use crate::science::forecast::policy::Policy;
use crate::science::moist_air::saturation_vapour_pressure_hpa;

/// The climate that stands in for a site nobody entered.
const STAND_IN_CLIMATE: &str = "temperate_sea";

/// Readings sooner after a lift or a wash are not held against others (common practice, no source).
const SETTLED_AFTER_H: f64 = 24.0;
/// Days of logged air that are taken together.
const WEEK: u64 = 7;

/// One vessel to forecast.
#[derive(Debug, Clone)]
pub struct Subject {
    /// The vessel.
    pub vessel_id: VesselId,
    /// Where it lies.
    pub site_id: Option<SiteId>,
    /// Its laminate class as stored, if known.
    pub laminate_class: Option<String>,
    /// The time zone its days begin in.
    pub zone: Tz,
    /// The day it left for good, or will.
    pub retired_on: Option<NaiveDate>,
    /// What the forecast is computed from.
    pub facts: HullFacts,
}

impl Subject {
    /// Whether the vessel has left for good by the day of the forecast.
    #[must_use]
    pub fn is_retired(&self) -> bool {
        self.retired_on.is_some_and(|day| day <= self.facts.as_of)
    }
}

/// What the facts of a vessel rest on besides its records.
#[derive(Debug, Clone)]
pub(super) struct Grounds {
    site: Option<Site>,
    policy: Policy,
    zone: Tz,
    /// Today, where it lies.
    pub(super) today: NaiveDate,
}

impl Grounds {
    /// The vessel with its facts for a day.
    pub(super) fn subject(&self, records: &Records, as_of: NaiveDate) -> Result<Subject> {
        let vessel = &records.vessel;
        Ok(Subject {
            vessel_id: vessel.id,
            site_id: vessel.fields.site_id,
            laminate_class: vessel.fields.laminate_class.as_ref().map(codes::to_text).transpose()?,
            zone: self.zone,
            retired_on: vessel.fields.retired_on,
            facts: facts(records, self.site.as_ref(), self.policy, as_of)?,
        })
    }
}

/// What the facts of some vessels rest on besides their records, by vessel.
pub(super) fn grounds(tx: &mut Tx<'_>, found: &[Records]) -> Result<HashMap<VesselId, Grounds>> {
    let ids: Vec<VesselId> = found.iter().map(|records| records.vessel.id).collect();
    let mut site_ids: Vec<SiteId> = found.iter().filter_map(|r| r.vessel.fields.site_id).collect();
    site_ids.sort_unstable();
    site_ids.dedup();
    let sites: HashMap<SiteId, Site> =
        sites::read_many(tx, &site_ids)?.into_iter().map(|site| (site.id, site)).collect();
    let policies = policies::store::effective(tx, &ids)?;
    let organisation_zone = accounts::store::organisation(tx)?.fields.time_zone;
    let now = tx.now();
    let grounds = found.iter().map(|records| {
        let vessel = &records.vessel;
        let site = vessel.fields.site_id.and_then(|id| sites.get(&id)).cloned();
        let zone =
            zone(site.as_ref().map_or(organisation_zone.as_str(), |site| site.fields.time_zone.as_str()));
        (vessel.id, Grounds { policy: policies.of(vessel.id), site, zone, today: today(now, zone) })
    });
    Ok(grounds.collect())
}

/// Those of the vessels that exist, with their facts as now recorded for a day: today where each lies, if none is given.
///
/// # Errors
/// Those of the database.
pub fn subjects(tx: &mut Tx<'_>, ids: &[VesselId], as_of: Option<NaiveDate>) -> Result<Vec<Subject>> {
    let found = records(tx, ids)?;
    let grounds = grounds(tx, &found)?;
    found
        .iter()
        .filter_map(|records| Some((grounds.get(&records.vessel.id)?, records)))
        .map(|(grounds, records)| grounds.subject(records, as_of.unwrap_or(grounds.today)))
        .collect()
}

/// The science has words of its own for what the records name, spelt alike.
fn word<A: Serialize, B: DeserializeOwned>(of_record: &A) -> Result<B> {
    codes::from_text(&codes::to_text(of_record)?)
}

fn months(site: Option<&Site>) -> Result<[MonthNormals; 12]> {
    let normals = match site {
        Some(site) => site.fields.normals(),
        None => climates().iter().find(|climate| climate.name == STAND_IN_CLIMATE).map(|c| c.months),
    };
    normals.ok_or_else(|| Error::internal("a site or climate without its twelve months"))
}

fn facts(records: &Records, site: Option<&Site>, policy: Policy, as_of: NaiveDate) -> Result<HullFacts> {
    let vessel = &records.vessel.fields;
    let bottom: Option<&VesselZone> = vessel.zones.iter().find(|zone| zone.zone == Zone::Bottom);
    let month = |month: Option<i32>| month.and_then(|month| u32::try_from(month).ok());
    Ok(HullFacts {
        as_of,
        length_m: vessel.length_m,
        laminate_class: vessel.laminate_class.as_ref().map(word).transpose()?,
        laminate_thickness_mm: bottom.and_then(|zone| zone.laminate_thickness_mm),
        gelcoat_thickness_um: bottom.and_then(|zone| zone.gelcoat_thickness_um),
        cored: bottom.is_some_and(|zone| zone.cored),
        launched_on: vessel.launched_on,
        built_year: vessel.built_year,
        bilge: vessel.bilge.as_ref().map(word).transpose()?,
        ashore_from_month: month(vessel.ashore_from_month),
        ashore_until_month: month(vessel.ashore_until_month),
        months: months(site)?,
        site_known: site.is_some(),
        haul_outs: records
            .haul_outs
            .iter()
            .map(|haul_out| HaulOutFact {
                lifted_on: haul_out.fields.lifted_on,
                relaunched_on: haul_out.fields.relaunched_on,
            })
            .collect(),
        coats: coats(records, as_of)?,
        treatments: treatments(records)?,
        logged_air: logged_air(records),
        surveys: surveys(records)?,
        meter_visits: meter_visits(records),
        findings: findings(records)?,
        policy,
        intent: None,
    })
}

/// Whether a coat went on in a treatment run from a plan: that one asks for an accepted film of each coat, and an override
/// of that hold lets the hull go afloat, not the coat count. Of a treatment recorded as already done nobody asked for films.
fn asked_for_film(coat: &CoatFields, records: &Records) -> bool {
    let run = records.treatments.iter().filter(|treatment| records.run_here.contains(&treatment.id));
    run.map(|treatment| &treatment.fields).any(|treatment| {
        coat.haul_out_id == treatment.haul_out_id
            && (treatment.started_on..=treatment.completed_on).contains(&coat.applied_on)
    })
}

/// The coats of the bottom, those taken off too: they were its skin until then.
fn coats(records: &Records, as_of: NaiveDate) -> Result<Vec<CoatFact>> {
    let whole = |number: Option<i32>| number.and_then(|number| u32::try_from(number).ok());
    records
        .coats
        .iter()
        .map(|coat| (coat.id, &coat.fields))
        .filter(|(_, coat)| coat.zone == Zone::Bottom)
        .map(|(id, coat)| {
            // What was measured last goes before what was entered with the coat.
            let measured = records
                .films
                .iter()
                .rfind(|film| film.coat_id == id && film.fields.measured_at.date_naive() <= as_of);
            let mean_um = measured.map(|film| film.mean_film_um);
            Ok(CoatFact {
                role: word(&coat.role)?,
                applied_on: coat.applied_on,
                dry_film_um: mean_um.or(coat.dry_film_um),
                permeability_kg_m_s: coat.permeability_kg_m_s,
                wear_um_per_month_15c: coat.wear_um_per_month_15c,
                season_limit_months: whole(coat.season_limit_months),
                max_days_dry: whole(coat.max_days_dry),
                film_measured: measured.is_some() || coat.film_measured,
                film_refused: measured.map_or_else(|| asked_for_film(coat, records), |film| !film.accepted),
                removed_on: coat.removed_on,
            })
        })
        .collect()
}

fn treatments(records: &Records) -> Result<Vec<TreatmentFact>> {
    records
        .treatments
        .iter()
        .map(|treatment| {
            Ok(TreatmentFact {
                kind: word(&treatment.fields.kind)?,
                started_on: treatment.fields.started_on,
                completed_on: Some(treatment.fields.completed_on),
                laminate_removed_mm: treatment.fields.laminate_removed_mm,
            })
        })
        .collect()
}

/// The air logged while a curative treatment ran, a week or less at a time: the water moves over months. Days without a
/// value stand for themselves in the mean of their week; a week without any is left to the site's normals.
fn logged_air(records: &Records) -> Vec<LoggedAir> {
    let mut logged: Vec<LoggedAir> = Vec::new();
    let curative = records.treatments.iter().map(|treatment| &treatment.fields);
    for treatment in curative.filter(|treatment| treatment.kind == TreatmentKind::Curative) {
        let own: Vec<&DayOfAir> =
            records.days_of_air.iter().filter(|day| Some(day.haul_out_id) == treatment.haul_out_id).collect();
        let mut from = treatment.started_on;
        while from < treatment.completed_on {
            let until = (from + Days::new(WEEK)).min(treatment.completed_on);
            let week: Vec<&DayOfAir> =
                own.iter().copied().filter(|day| (from..until).contains(&day.on)).collect();
            let apart = logged.last().is_none_or(|before| before.until <= from);
            if apart && let Some(air) = mean_air(&week, from, until) {
                logged.push(air);
            }
            from = until;
        }
    }
    logged
}

fn mean_air(days: &[&DayOfAir], from: NaiveDate, until: NaiveDate) -> Option<LoggedAir> {
    #[expect(clippy::cast_precision_loss, reason = "at most a week")]
    let count = days.len() as f64;
    let mean = |of: fn(&DayOfAir) -> f64| days.iter().map(|day| of(day)).sum::<f64>() / count;
    // A hull warmer than the air meets drier air at its surface: the same vapour, over more that it could hold.
    let activity = |day: &DayOfAir| {
        let vapour_hpa =
            saturation_vapour_pressure_hpa(day.air_temperature_c) * day.relative_humidity_pct / 100.0;
        (vapour_hpa / saturation_vapour_pressure_hpa(day.surface_temperature_c)).min(1.0)
    };
    (!days.is_empty()).then(|| LoggedAir {
        from,
        until,
        surface_temperature_c: mean(|day| day.surface_temperature_c),
        outer_activity: mean(activity),
    })
}

/// A survey that is signed says how much was examined and what was found.
fn surveys(records: &Records) -> Result<Vec<SurveyFact>> {
    records
        .surveys
        .iter()
        .map(|survey| &survey.fields)
        .filter_map(|survey| Some((survey, survey.bottom_examined?, survey.blistering?)))
        .map(|(survey, bottom_examined, blistering)| {
            Ok(SurveyFact {
                surveyed_on: survey.surveyed_on,
                bottom_examined: word(&bottom_examined)?,
                blistering: word(&blistering)?,
                blister_density_per_m2: survey.blister_density_per_m2,
                largest_blister_mm: survey.largest_blister_mm,
                coating_failure: survey.coating_failure,
            })
        })
        .collect()
}

/// What meters said in signed surveys, a visit an instrument. Readings soon after a lift or a wash tell of water on the
/// hull and not in it; the drying leaves them out as well.
fn meter_visits(records: &Records) -> Vec<MeterVisit> {
    let mut visits = Vec::new();
    for survey in &records.surveys {
        let fields = &survey.fields;
        let fresh = |hours: Option<f64>| hours.is_some_and(|hours| hours < SETTLED_AFTER_H);
        if fresh(fields.hours_since_lift) || fresh(fields.hours_since_wash) {
            continue;
        }
        let own: Vec<&StationMean> =
            records.station_means.iter().filter(|mean| mean.survey_id == survey.id).collect();
        for of_scale in own.chunk_by(|one, other| one.scale == other.scale) {
            let Some(first) = of_scale.first() else { continue };
            let depth = fields.depth_mode.as_ref().and_then(|mode| codes::to_text(mode).ok());
            let instrument = [
                Some(first.scale.as_str()),
                fields.meter.as_deref(),
                fields.meter_serial.as_deref(),
                depth.as_deref(),
            ];
            visits.push(MeterVisit {
                surveyed_on: fields.surveyed_on,
                instrument: instrument.map(Option::unwrap_or_default).join("|"),
                dry_reference_reading: fields
                    .dry_reference_reading
                    .filter(|_| fields.meter_scale.as_ref().is_none_or(|scale| *scale == first.scale)),
                stations: of_scale
                    .iter()
                    .map(|mean| StationReading { station: mean.station_id.to_string(), value: mean.value })
                    .collect(),
            });
        }
    }
    visits
}

fn findings(records: &Records) -> Result<Vec<FindingFact>> {
    records
        .findings
        .iter()
        .map(|finding| &finding.fields)
        .map(|finding| {
            Ok(FindingFact {
                kind: word(&finding.kind)?,
                state: word(&finding.state)?,
                found_on: finding.found_on,
                happened_on: finding.happened_on,
                repaired_on: finding.repaired_on,
                follow_up_on: finding.follow_up_on,
                // The waterline band is hull laminate too; keel, rudder and appendages are not.
                zone_is_bottom: matches!(finding.zone, Zone::Bottom | Zone::Waterline),
            })
        })
        .collect()
}

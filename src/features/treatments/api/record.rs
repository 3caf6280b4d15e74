//! The record of a treatment: all that was measured, put on, done and decided, kept as it stood at the closing.

use std::collections::{BTreeMap, HashMap, HashSet};

use actix_web::http::header::CONTENT_TYPE;
use actix_web::{HttpResponse, get};
use chrono::{DateTime, Utc};
use serde::Serialize;
use serde_json::Value;
use sha2::{Digest, Sha256};
use utoipa::ToSchema;

use super::TreatmentView;
use super::facts::{Facts, is_own, lifted_at};
use super::plan::PlanView;
use super::quantities::{PurchaseList, purchase_list};
use super::record_page::page;
use crate::db::Tx;
use crate::error::{Error, Result};
use crate::features::accounts::store::names_of;
use crate::features::climate::store::{self as climate, ClimateValue};
use crate::features::coats::api::CoatView;
use crate::features::coats::api::films::FilmView;
use crate::features::coats::store::{self as coats};
use crate::features::surveys::store::survey;
use crate::features::treatments::model::drying::HullDrying;
use crate::features::treatments::model::entry::{TreatmentState, state};
use crate::features::treatments::model::record::{
    LaterCorrection, NOT_A_SURVEY, ReadingVersion, RecordClimate, RecordOrigin, RecordPerson, canonical,
    recorders,
};
use crate::features::treatments::store::drying::reading_versions;
use crate::features::treatments::store::plan::{self as store, Plan};
use crate::features::treatments::store::record as kept;
use crate::features::treatments::store::{self as treatments};
use crate::features::vessels::store as vessels;
use crate::http::problem::ReadProblems;
use crate::http::{App, At, Outcome, Permit};
use crate::ids::{CoatId, FilmId, SurveyId, TreatmentId};
use crate::permissions::Read;

/// What was measured, put on, done and decided in a treatment.
#[derive(Debug, Serialize, ToSchema)]
pub struct TreatmentRecord {
    /// What it is not.
    pub not_a_survey: &'static str,
    /// The vessel's name.
    pub vessel: String,
    /// The treatment as it was done, with its days and the laminate taken off; null while it is not closed.
    pub treatment: Option<TreatmentView>,
    /// Plan, steps, entries, overrides, advice and cautions.
    pub plan: PlanView,
    /// The readings by station, with those left out, and how the hull dried; null where the plan has no such step.
    pub drying: Option<HullDrying>,
    /// Every version of every reading of the haul-out, those corrected and withdrawn too.
    pub reading_versions: Vec<ReadingVersion>,
    /// The coats, those taken off again too.
    pub coats: Vec<CoatView>,
    /// Their films, those superseded too.
    pub films: Vec<RecordFilm>,
    /// The climate that was logged in the haul-out, values without the hull's temperature too.
    pub climate: Vec<RecordClimate>,
    /// What was reckoned to be bought.
    pub quantities: PurchaseList,
    /// The people that it names by id.
    pub persons: Vec<RecordPerson>,
}

/// A film of the record.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecordFilm {
    /// Whether another film took its place.
    pub superseded: bool,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub film: FilmView,
}

/// The record of a treatment: kept at the closing, until then as things stand.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecordView {
    /// The treatment.
    pub treatment_id: TreatmentId,
    /// Where the record comes from.
    pub origin: RecordOrigin,
    /// When it was kept, at the closing; null of the others.
    pub kept_at: Option<DateTime<Utc>>,
    /// SHA-256 of `record` in hexadecimal, over its compact JSON with sorted keys (UTF-8, no spaces); null unless kept.
    pub digest_sha256: Option<String>,
    /// The record.
    #[schema(value_type = TreatmentRecord)]
    pub record: Value,
    /// What was recorded after the closing and bears on it. It changes nothing in the record.
    pub corrections_after_closing: Vec<LaterCorrection>,
}

fn made(tx: &mut Tx<'_>, plan: &Plan) -> Result<Value> {
    let facts = Facts::load(tx, plan.clone())?;
    let mut shown = coats::of_haul_out(tx, plan.haul_out_id)?;
    shown.retain(|coat| is_own(coat, &facts.entries));
    let ids: Vec<CoatId> = shown.iter().map(|coat| coat.id).collect();
    let films = coats::film::all_of_coats(tx, &ids)?;
    let superseded: Vec<_> = films.iter().filter_map(|film| film.fields.supersedes_id).collect();
    let from = lifted_at(tx, plan)?;
    let climate = climate::kept(tx, plan.haul_out_id, from, facts.now)?
        .into_iter()
        .filter(|value| !value.fields.withdrawn)
        .map(of_record)
        .collect();
    let closed = facts.state == TreatmentState::Closed;
    let record = TreatmentRecord {
        not_a_survey: NOT_A_SURVEY,
        vessel: vessels::read(tx, plan.vessel_id)?.fields.name,
        treatment: closed.then(|| super::read(tx, plan.id)).transpose()?,
        quantities: purchase_list(tx, std::slice::from_ref(plan))?,
        plan: super::plan::read(tx, plan.id)?,
        reading_versions: reading_versions(tx, plan.haul_out_id)?,
        drying: facts.drying,
        coats: shown.into_iter().map(CoatView::from).collect(),
        films: films
            .into_iter()
            .map(|film| RecordFilm { superseded: superseded.contains(&film.id), film: film.into() })
            .collect(),
        climate,
        persons: Vec::new(),
    };
    let mut record = serde_json::to_value(record).map_err(Error::internal)?;
    let mut ids = Vec::new();
    recorders(&record, &mut ids);
    ids.sort_unstable();
    ids.dedup();
    let persons: Vec<RecordPerson> =
        names_of(tx, &ids)?.into_iter().map(|(id, name)| RecordPerson { id, name }).collect();
    record["persons"] = serde_json::to_value(persons).map_err(Error::internal)?;
    Ok(record)
}

fn of_record(value: ClimateValue) -> RecordClimate {
    RecordClimate {
        at: value.fields.measured_at,
        source: value.fields.source,
        air_temperature_c: value.fields.air_temperature_c,
        relative_humidity_pct: value.fields.relative_humidity_pct,
        surface_temperature_c: value.fields.surface_temperature_c,
        recorded_by: value.recorded_by,
    }
}

/// Keeps the record of a treatment that is being closed in this transaction.
pub(super) fn keep(tx: &mut Tx<'_>, plan: &Plan) -> Result<()> {
    let record = canonical(&made(tx, plan)?).map_err(Error::internal)?;
    let digest: String = Sha256::digest(record.as_bytes()).iter().map(|byte| format!("{byte:02x}")).collect();
    kept::insert(tx, plan.id, plan.vessel_id, &record, &digest)
}

/// What is recorded and not in the record: told by what it holds and not by the time, for two who write at once may
/// commit in either order.
fn corrections(
    tx: &mut Tx<'_>,
    plan: &Plan,
    record: &Value,
    kept_at: DateTime<Utc>,
) -> Result<Vec<LaterCorrection>> {
    let versions: HashMap<(Option<&str>, Option<i64>), bool> = items(&record["reading_versions"])
        .map(|own| ((own["id"].as_str(), own["version"].as_i64()), own["withdrawn"] == true))
        .collect();
    let mut later = Vec::new();
    let mut gone: BTreeMap<SurveyId, usize> = BTreeMap::new();
    for reading in reading_versions(tx, plan.haul_out_id)? {
        let id = reading.id.to_string();
        if let Some(was_withdrawn) = versions.get(&(Some(id.as_str()), Some(reading.version.into()))) {
            // A version never changes: its survey was withdrawn since.
            if reading.withdrawn && !was_withdrawn {
                *gone.entry(reading.survey_id).or_default() += 1;
            }
            continue;
        }
        let what = if reading.withdrawn { "is withdrawn" } else { "reads" };
        later.push(LaterCorrection {
            of: "reading",
            id: Some(reading.id.into()),
            recorded_at: reading.recorded_at,
            recorded_by: reading.recorded_by,
            recorded_by_name: None,
            detail: format!(
                "Version {} of the reading at {} {what} {} on the scale {}.",
                reading.version, reading.station_code, reading.value, reading.scale
            ),
            reason: reading.correction_reason,
        });
    }
    for (survey_id, readings) in gone {
        let survey = survey::read(tx, survey_id)?;
        later.push(LaterCorrection {
            of: "survey",
            id: Some(survey_id.into()),
            recorded_at: survey.recorded_at,
            recorded_by: survey.recorded_by,
            recorded_by_name: None,
            detail: format!(
                "The survey of {} was withdrawn; versions of readings that go with it: {readings}.",
                survey.fields.surveyed_on
            ),
            reason: survey.correction_reason,
        });
    }
    later.extend(coats_and_films(tx, record)?);
    later.extend(climate_since(tx, plan, record, kept_at)?);
    for version in treatments::versions_after(tx, plan.id, 1)? {
        let what = if version.fields.withdrawn { "withdrawn" } else { "corrected" };
        later.push(LaterCorrection {
            of: "treatment",
            id: Some(version.id.into()),
            recorded_at: version.recorded_at,
            recorded_by: version.recorded_by,
            recorded_by_name: None,
            detail: format!("The treatment was {what}: version {}.", version.version),
            reason: version.fields.correction_reason,
        });
    }
    later.sort_by_key(|correction| correction.recorded_at);
    let ids: Vec<_> = later.iter().filter_map(|correction| correction.recorded_by).collect();
    let names: HashMap<_, _> = names_of(tx, &ids)?.into_iter().collect();
    for correction in &mut later {
        correction.recorded_by_name = correction.recorded_by.and_then(|id| names.get(&id).cloned());
    }
    Ok(later)
}

fn items(list: &Value) -> impl Iterator<Item = &Value> {
    list.as_array().into_iter().flatten()
}

fn id_in<T: From<uuid::Uuid>>(item: &Value) -> Option<T> {
    item["id"].as_str()?.parse::<uuid::Uuid>().ok().map(T::from)
}

fn coats_and_films(tx: &mut Tx<'_>, record: &Value) -> Result<Vec<LaterCorrection>> {
    let mut later = Vec::new();
    let mut ids: Vec<CoatId> = Vec::new();
    for own in items(&record["coats"]) {
        let Some(id) = id_in(own) else { continue };
        ids.push(id);
        let coat = coats::read(tx, id)?;
        if own["version"].as_i64() == Some(coat.version.into()) {
            continue;
        }
        let what = match (coat.fields.withdrawn, coat.fields.removed_on) {
            (true, _) => "withdrawn".to_owned(),
            (false, Some(day)) => format!("taken off on {day}"),
            (false, None) => format!("corrected to version {}", coat.version),
        };
        later.push(LaterCorrection {
            of: "coat",
            id: Some(coat.id.into()),
            recorded_at: coat.recorded_at,
            recorded_by: coat.recorded_by,
            recorded_by_name: None,
            detail: format!("The coat of {} is {what}.", coat.fields.applied_on),
            reason: coat.fields.correction_reason,
        });
    }
    let films: HashSet<FilmId> = items(&record["films"]).filter_map(id_in).collect();
    for film in coats::film::all_of_coats(tx, &ids)?.into_iter().filter(|film| !films.contains(&film.id)) {
        let accepted = if film.accepted { "accepted" } else { "not accepted" };
        later.push(LaterCorrection {
            of: "film",
            id: Some(film.id.into()),
            recorded_at: film.recorded_at,
            recorded_by: film.recorded_by,
            recorded_by_name: None,
            detail: format!(
                "A film of a coat was measured, {accepted}: {:.0} µm in the mean.",
                film.mean_film_um
            ),
            reason: film.fields.note,
        });
    }
    Ok(later)
}

/// What a value of the climate says, whoever recorded it.
fn told(value: &Value) -> String {
    ["at", "air_temperature_c", "relative_humidity_pct", "surface_temperature_c"]
        .map(|name| value[name].to_string())
        .join(" ")
}

/// The values of the climate up to the closing that are not those of the record, told together.
fn climate_since(
    tx: &mut Tx<'_>,
    plan: &Plan,
    record: &Value,
    kept_at: DateTime<Utc>,
) -> Result<Option<LaterCorrection>> {
    let own: HashSet<String> = items(&record["climate"]).map(told).collect();
    // Records kept before 26 November 2026 name no source, and leave out what has no temperature of the hull.
    let whole = items(&record["climate"]).any(|value| value["source"].is_string());
    let from = lifted_at(tx, plan)?;
    let mut changed = Vec::new();
    for value in climate::kept(tx, plan.haul_out_id, from, kept_at)? {
        let known = whole || value.fields.surface_temperature_c.is_some() || value.recorded_at >= kept_at;
        let now = serde_json::to_value(of_record(value.clone())).map_err(Error::internal)?;
        let same = own.contains(&told(&now));
        let corrected = if value.fields.withdrawn { same && value.recorded_at >= kept_at } else { !same };
        if known && corrected {
            changed.push(value);
        }
    }
    Ok(changed.iter().max_by_key(|value| value.recorded_at).map(|last| LaterCorrection {
        of: "climate_value",
        id: None,
        recorded_at: last.recorded_at,
        recorded_by: last.recorded_by,
        recorded_by_name: None,
        reason: last.fields.correction_reason.clone(),
        detail: format!(
            "{} values of the climate before the closing were entered or corrected.",
            changed.len()
        ),
    }))
}

/// Reads the record of a treatment within a transaction: as it was kept, or as things stand where none was kept.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: TreatmentId) -> Result<RecordView> {
    let plan = store::read(tx, id)?;
    if let Some(own) = kept::read(tx, id)? {
        let record: Value = serde_json::from_str(&own.record).map_err(Error::internal)?;
        return Ok(RecordView {
            treatment_id: id,
            origin: RecordOrigin::KeptAtClosing,
            kept_at: Some(own.recorded_at),
            digest_sha256: Some(own.digest_sha256),
            corrections_after_closing: corrections(tx, &plan, &record, own.recorded_at)?,
            record,
        });
    }
    let closed = state(plan.version, &store::entries(tx, id)?) == TreatmentState::Closed;
    Ok(RecordView {
        treatment_id: id,
        origin: if closed { RecordOrigin::MadeAfterwards } else { RecordOrigin::AsThingsStand },
        kept_at: None,
        digest_sha256: None,
        record: made(tx, &plan)?,
        corrections_after_closing: Vec::new(),
    })
}

/// The record of a treatment. At the closing it is kept for ever, with its digest; what is corrected later is told beside it.
#[utoipa::path(tag = "treatments", security(("bearer" = [])), params(("id" = TreatmentId, Path, description = "The treatment")),
    responses((status = 200, description = "The record", body = RecordView), ReadProblems))]
#[get("/v1/treatments/{id}/record")]
pub async fn read_treatment_record(app: App, permit: Permit<Read>, id: At<TreatmentId>) -> Outcome {
    let record = app.read(&permit, move |tx| read(tx, id.0)).await?;
    Ok(HttpResponse::Ok().json(record))
}

/// The record of a treatment as a page for printing.
#[utoipa::path(tag = "treatments", security(("bearer" = [])), params(("id" = TreatmentId, Path, description = "The treatment")),
    responses((status = 200, description = "The record as a page", content_type = "text/html", body = String), ReadProblems))]
#[get("/v1/treatments/{id}/record-page")]
pub async fn read_treatment_record_page(app: App, permit: Permit<Read>, id: At<TreatmentId>) -> Outcome {
    let record = app.read(&permit, move |tx| read(tx, id.0)).await?;
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "text/html; charset=utf-8"))
        .insert_header(("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'"))
        .insert_header(("X-Content-Type-Options", "nosniff"))
        .body(page(&record)?))
}

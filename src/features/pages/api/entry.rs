//! Readings beside the hull: stations in walking order, one figure each. A small script keeps what is typed in the
//! browser until it is sent; without it a plain form sends the same. Either way a reading sent twice is kept once: its
//! place (station, scale, sequence) and value tell it, as over the API.

use std::collections::HashMap;

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse};
use askama::Template;
use chrono::SecondsFormat;
use serde_json::{Value, json};

use super::act_form::{ActForm, Typed};
use super::entry_survey::{self, Acts};
use super::form::{self, Filled};
use super::frame::{Frame, organisation_name, send_as};
use super::marks::day;
use super::session::{PagePermit, see};
use super::walking_order::{in_walking_order, place, side};
use super::yard_words::{LocalTime, for_people, number};
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::error::{Code, Error, Result};
use crate::features::surveys::api::appending::{AppendStatus, ReadingBatch, append_batch};
use crate::features::surveys::model::survey::SurveyState;
use crate::features::surveys::store::reading::{self, Reading, ReadingFilter};
use crate::features::surveys::store::station::{self, Station};
use crate::features::surveys::store::survey::{self, Survey, SurveyFilter};
use crate::features::vessels::store as vessels;
use crate::http::auth::request_id;
use crate::http::problem::rendered;
use crate::http::{App, At, Outcome, body};
use crate::ids::{StationId, SurveyId, VesselId};
use crate::permissions::{Permission, Powers, RecordReadings, Survey as WriteSurvey};

/// A reading that was sent.
#[derive(Debug)]
pub struct Taken {
    /// What the meter showed.
    pub value: String,
}

/// A station to be read.
#[derive(Debug)]
pub struct Row {
    id: StationId,
    code: String,
    place: String,
    before: Option<String>,
    taken: Vec<Taken>,
    sequence: i32,
    typed: String,
    problem: Option<String>,
}

/// Stations along one side.
#[derive(Debug)]
pub struct Walk {
    title: String,
    rows: Vec<Row>,
}

#[derive(Template)]
#[template(path = "entry.html")]
struct EntryPage {
    frame: Frame,
    survey_id: SurveyId,
    vessel_id: VesselId,
    vessel: String,
    facts: Vec<(&'static str, String)>,
    scale: Option<String>,
    is_draft: bool,
    is_withdrawn: bool,
    /// Why it was opened again or withdrawn.
    reason: Option<String>,
    walks: Vec<Walk>,
    stations: usize,
    read: usize,
    acts: Vec<ActForm>,
    problems: Vec<String>,
    /// The service's clock: a tablet's may be wrong, and the curves of drying go by these times.
    now: String,
}

/// All rows of a list that goes by pages.
///
/// # Errors
/// Those of the list.
pub fn all<T>(mut list: impl FnMut(PageRequest) -> Result<Slice<T>>) -> Result<Vec<T>> {
    let (mut rows, mut after): (Vec<T>, Option<Position>) = (Vec::new(), None);
    loop {
        let Slice { items, next } = list(PageRequest { limit: 200, after })?;
        rows.extend(items);
        match next {
            Some(next) => after = Some(next),
            None => return Ok(rows),
        }
    }
}

/// What was read at each station in the survey before this one, on this scale.
fn readings_before(
    tx: &mut Tx<'_>,
    this: &Survey,
    scale: Option<&str>,
) -> Result<HashMap<StationId, String>> {
    let vessel_id = this.fields.vessel_id;
    let mut earlier = all(|page| {
        survey::list(tx, SurveyFilter { vessel_id: Some(vessel_id), ..Default::default() }, page)
    })?;
    earlier.retain(|other| other.id != this.id && other.fields.surveyed_on <= this.fields.surveyed_on);
    earlier.sort_by_key(|other| std::cmp::Reverse((other.fields.surveyed_on, other.id)));
    // The last with readings: some surveys are made with the eye only.
    for other in earlier.into_iter().take(3) {
        let found = of_survey(tx, other.id)?;
        let on = day(other.fields.surveyed_on);
        let mut before = HashMap::new();
        for reading in found.iter().filter(|reading| reading.fields.scale.as_deref() == scale) {
            before.insert(reading.fields.station_id, format!("{} on {on}", number(reading.fields.value)));
        }
        if !before.is_empty() {
            return Ok(before);
        }
    }
    Ok(HashMap::new())
}

fn of_survey(tx: &mut Tx<'_>, id: SurveyId) -> Result<Vec<Reading>> {
    let filter = ReadingFilter { survey_id: Some(id), ..ReadingFilter::default() };
    let mut readings = all(|page| reading::list(tx, filter, page))?;
    readings.sort_by_key(|reading| reading.fields.sequence);
    Ok(readings)
}

/// The name of a station's field in the plain form.
fn field(id: StationId) -> String {
    format!("value-{id}")
}

fn walks(
    stations: Vec<Station>,
    readings: &[Reading],
    scale: Option<&str>,
    before: &mut HashMap<StationId, String>,
    again: &Again,
) -> Vec<Walk> {
    let mut walks: Vec<Walk> = Vec::new();
    for Station { id, fields, .. } in stations {
        let own = readings.iter().filter(|r| r.fields.station_id == id);
        let own: Vec<&Reading> =
            own.filter(|r| scale.is_none() || r.fields.scale.as_deref() == scale).collect();
        let title = side(&fields);
        if walks.last().is_none_or(|walk| walk.title != title) {
            walks.push(Walk { title, rows: Vec::new() });
        }
        let row = Row {
            id,
            place: place(&fields),
            code: fields.code,
            before: before.remove(&id),
            sequence: own.iter().map(|r| r.fields.sequence).max().unwrap_or(0) + 1,
            // A survey that goes on for weeks of drying has many: the last tell where it is.
            taken: own
                .iter()
                .skip(own.len().saturating_sub(3))
                .map(|r| Taken { value: number(r.fields.value) })
                .collect(),
            typed: again.typed.get(&field(id)).cloned().unwrap_or_default(),
            problem: again.refused.get(&id).cloned(),
        };
        if let Some(walk) = walks.last_mut() {
            walk.rows.push(row);
        }
    }
    walks
}

/// What a form that was refused shows again.
#[derive(Debug, Default)]
pub struct Again {
    /// What was typed.
    pub typed: Typed,
    /// What is wrong at a station.
    pub refused: HashMap<StationId, String>,
    /// The act that was refused, and why.
    pub error: Option<(String, Error)>,
}

/// The page of a survey's readings.
///
/// # Errors
/// Not found; those of the database.
pub async fn page<P: Permission>(
    app: App,
    request: HttpRequest,
    permit: &PagePermit<P>,
    id: SurveyId,
    again: Again,
) -> Outcome {
    let token = form::token(&request)?;
    let may_sign = may::<WriteSurvey>(permit.0.powers());
    let status = match &again.error {
        Some((_, error)) => crate::http::problem::status(error.code),
        None if again.refused.is_empty() => StatusCode::OK,
        None => StatusCode::UNPROCESSABLE_ENTITY,
    };
    let loaded = app
        .read(&permit.0, move |tx| {
            let survey = survey::read(tx, id)?;
            let vessel_id = survey.fields.vessel_id;
            let vessel = vessels::read(tx, vessel_id)?;
            let mut stations = all(|page| station::list(tx, Some(vessel_id), None, page))?;
            in_walking_order(&mut stations);
            let readings = of_survey(tx, id)?;
            let scale = survey.fields.meter_scale.clone();
            let mut before = readings_before(tx, &survey, scale.as_deref())?;
            let local = LocalTime::of(tx)?;
            let now = local.now.to_rfc3339_opts(SecondsFormat::Secs, true);
            let acts =
                Acts { survey: &survey, stations: &stations, readings: &readings, may_sign, local }.forms();
            let (stations_n, walks) =
                (stations.len(), walks(stations, &readings, scale.as_deref(), &mut before, &again));
            let read = walks.iter().flat_map(|walk| &walk.rows).filter(|row| !row.taken.is_empty()).count();
            Ok((survey, vessel, walks, stations_n, read, acts, organisation_name(tx)?, again, now))
        })
        .await?;
    let (survey, vessel, walks, stations, read, acts, organisation, again, now) = loaded;
    let mut problems = Vec::new();
    if let Some((act, error)) = &again.error
        && !acts.iter().any(|form| form.act == act)
    {
        problems.push(for_people(&error.detail));
    }
    let shown = |form: ActForm| match &again.error {
        Some((act, error)) if form.act == act => form.refused(&again.typed, error),
        _ => form,
    };
    let acts = acts.into_iter().map(|form| ActForm { token: token.clone(), ..shown(form) }).collect();
    let title = format!("Readings: {}", vessel.fields.name);
    let frame = Frame::of(&request, organisation, "vessels", title)?;
    let page = EntryPage {
        frame,
        survey_id: id,
        vessel_id: vessel.id,
        vessel: vessel.fields.name,
        facts: entry_survey::facts(&survey),
        scale: survey.fields.meter_scale.clone(),
        is_draft: survey.state() == SurveyState::Draft,
        is_withdrawn: survey.withdrawn,
        reason: survey.correction_reason.clone(),
        walks,
        stations,
        read,
        acts,
        problems,
        now,
    };
    send_as(status, &page)
}

/// Whether a caller has a permission.
#[must_use]
pub fn may<P: Permission>(powers: &Powers) -> bool {
    powers.require::<P>().is_ok()
}

/// The page for entering readings.
///
/// # Errors
/// Not found; those of the database.
pub async fn show(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordReadings>,
    id: At<SurveyId>,
) -> Outcome {
    page(app, request, &permit, id.0, Again::default()).await
}

/// Takes the plain form: every figure that was typed.
///
/// # Errors
/// Not found; those of the database.
pub async fn enter(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordReadings>,
    id: At<SurveyId>,
    typed: Filled<Typed>,
) -> Outcome {
    let typed = typed.0;
    let (mut items, mut places, mut refused) = (Vec::new(), Vec::new(), HashMap::new());
    for (name, text) in &typed {
        let Some(station) = name.strip_prefix("value-").and_then(|id| id.parse::<uuid::Uuid>().ok()) else {
            continue;
        };
        let station = StationId::from(station);
        let sequence: Option<i32> =
            typed.get(&format!("sequence-{station}")).and_then(|text| text.parse().ok());
        match text.trim().replace(',', ".").parse::<f64>() {
            Ok(value) if value.is_finite() => {
                items.push(json!({"station_id": station, "sequence": sequence.unwrap_or(1), "value": value}));
                places.push(station);
            }
            _ => drop(refused.insert(station, "That is no number. Enter digits, as 12.5.".to_owned())),
        }
    }
    if items.is_empty() {
        app.read(&permit.0, move |tx| survey::read(tx, id.0)).await?;
    } else {
        let results = app.write(&permit.0, move |tx| append_batch(tx, id.0, items)).await?;
        for (station, result) in places.into_iter().zip(results.items) {
            if let Some(problem) = result.problem.filter(|_| result.status == AppendStatus::Refused) {
                let detail =
                    problem.errors.first().map_or(problem.detail.as_str(), |error| error.detail.as_str());
                refused.insert(station, for_people(detail));
            }
        }
    }
    if refused.is_empty() {
        return Ok(see(&format!("/surveys/{}/entry", id.0)));
    }
    let kept = typed.into_iter().filter(|(name, _)| {
        name.strip_prefix("value-")
            .and_then(|id| id.parse::<uuid::Uuid>().ok())
            .is_some_and(|id| refused.contains_key(&id.into()))
    });
    let again = Again { typed: kept.collect(), refused, error: None };
    page(app, request, &permit, id.0, again).await
}

/// Takes what the script kept: the batch of `POST /v1/surveys/{id}/readings` in the field `readings` of a form. The
/// answer is JSON, a refusal a problem document.
///
/// # Errors
/// Forbidden, without the token; not found.
pub async fn take(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordReadings>,
    id: At<SurveyId>,
    typed: Filled<Typed>,
) -> Outcome {
    let taken = app
        .write(&permit.0, move |tx| {
            survey::read(tx, id.0)?;
            let sent = typed.0.get("readings").map(String::as_str).unwrap_or_default();
            let batch: ReadingBatch = body::read_fields(body::parse(sent.as_bytes())?)?;
            append_batch(tx, id.0, batch.items)
        })
        .await;
    match taken {
        Ok(results) => Ok(HttpResponse::Ok().json(results)),
        Err(error) if matches!(error.code, Code::Internal | Code::Unavailable) => Err(error),
        Err(error) => Ok(rendered(&error, &request_id(&request).to_string())),
    }
}

/// The JSON of an act's form, without what only the page needs.
///
/// # Errors
/// Invalid.
pub fn read_act(acts: &[ActForm], act: &str, typed: &Typed, local: &LocalTime, more: Value) -> Result<Value> {
    let form = acts.iter().find(|form| form.act == act);
    form.ok_or_else(|| Error::new(Code::Conflict, "The page has no such form now. Reload it."))?
        .json(typed, local, more)
}

//! Adding readings to a survey, one or many. What is sent again finds itself and makes no second: a yard
//! tablet without signal sends its batch until it gets an answer.

use std::collections::HashSet;

use actix_web::{HttpResponse, post};
use garde::Validate;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;

use super::readings::{ReadingView, read};
use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::features::audit::{self, Act};
use crate::features::surveys::model::reading::{KnownReading, ReadingFields, Sent, SurveyReadingFields};
use crate::features::surveys::model::survey::SurveyState;
use crate::features::surveys::store::lock_vessel;
use crate::features::surveys::store::reading::{self as store, NewReadingRow};
use crate::features::surveys::store::{station, survey};
use crate::http::creation::{Created, Creation};
use crate::http::problem::{CreateProblems, Problem};
use crate::http::{App, At, New, Outcome, Permit, Plain, RetryKey};
use crate::ids::{Id, ReadingId, StationId, SurveyId};
use crate::jobs::queue;
use crate::permissions::RecordReadings;

/// Many readings of one survey.
#[derive(Debug, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReadingBatch {
    /// The readings, each taken or refused for itself.
    #[garde(length(min = 1, max = 500))]
    #[schema(value_type = Vec<New<SurveyReadingFields>>, min_items = 1, max_items = 500)]
    pub items: Vec<Value>,
}

/// What came of one reading of a batch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum AppendStatus {
    /// It was made now.
    Created,
    /// It had been sent before.
    Unchanged,
    /// It was refused: see its problem.
    Refused,
}

/// The result of one reading of a batch.
#[derive(Debug, Serialize, ToSchema)]
pub struct AppendResult {
    /// What came of it.
    pub status: AppendStatus,
    /// The reading, unless it was refused.
    pub id: Option<ReadingId>,
    /// Why it was refused.
    pub problem: Option<Problem>,
}

/// The results of a batch.
#[derive(Debug, Serialize, ToSchema)]
pub struct AppendResults {
    /// One for each reading, in the order sent.
    pub items: Vec<AppendResult>,
}

/// A reading as it is kept, and whether it was made now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Appended {
    /// Its id.
    pub id: ReadingId,
    /// Whether it was made now; if not, it had been sent before.
    pub created: bool,
}

/// Adds readings to a survey within a transaction, each taken or refused for itself. The survey's version stays.
///
/// # Errors
/// Not found, when there is no such survey; those of the database. What is wrong with one reading stands in
/// its result.
pub fn append(
    tx: &mut Tx<'_>,
    survey_id: SurveyId,
    sent: Vec<(Option<ReadingId>, ReadingFields)>,
) -> Result<Vec<Result<Appended>>> {
    let vessel_id = survey::read(tx, survey_id)?.fields.vessel_id;
    // Two tablets, or a tablet and the one who signs, take turns.
    lock_vessel(tx, vessel_id)?;
    let survey = survey::read(tx, survey_id)?;
    let state = survey.state();
    let station_ids: Vec<StationId> = sent.iter().map(|(_, fields)| fields.station_id).collect();
    let ids: Vec<ReadingId> = sent.iter().filter_map(|(id, _)| *id).collect();
    let references: Vec<&str> = sent.iter().filter_map(|(_, fields)| fields.r#ref.as_deref()).collect();
    let stations: HashSet<StationId> =
        station::of_vessel_among(tx, vessel_id, &station_ids)?.into_iter().collect();
    let mut known = store::known(tx, survey_id, &station_ids, &ids, &references)?;
    let mut rows = Vec::new();
    let mut take = |(id, fields): (Option<ReadingId>, ReadingFields)| {
        let fields = fields.made(survey.fields.meter_scale.as_deref())?;
        if !stations.contains(&fields.station_id) {
            return Err(Error::field(
                "/station_id",
                "unknown",
                "names no station of the survey's vessel. Make the station first, or correct the id.",
            ));
        }
        if let Sent::Before(id) = known.judge(id, &fields)? {
            return Ok(Appended { id, created: false });
        }
        if state != SurveyState::Draft {
            return Err(Error::new(
                Code::Conflict,
                format!(
                    "The survey is {} and takes no new readings. Open a correction first: POST /v1/surveys/{survey_id}/correction with the reason.",
                    state.word()
                ),
            ));
        }
        let id = id.unwrap_or_else(ReadingId::fresh);
        let values = vec![fields.value];
        known.insert(KnownReading { id, fields: fields.clone(), values });
        rows.push(NewReadingRow { id, vessel_id, fields });
        Ok(Appended { id, created: true })
    };
    let results = sent.into_iter().map(&mut take).collect();
    store::insert_readings(tx, &rows)?;
    if !rows.is_empty() {
        queue::request(tx, queue::DRYING, vessel_id.into())?;
    }
    Ok(results)
}

/// Adds one reading within a transaction, and tells whether it was made now.
///
/// # Errors
/// A foreign survey or station, another value at the same place, a signed survey; those of the database.
pub fn append_one(tx: &mut Tx<'_>, id: ReadingId, fields: ReadingFields) -> Result<Appended> {
    let mut results = append(tx, fields.survey_id, vec![(Some(id), fields)]).map_err(|error| {
        if error.code == Code::NotFound {
            Error::field("/survey_id", "unknown", "names no survey of your organisation. Check the id.")
        } else {
            error
        }
    })?;
    let appended = results.pop().ok_or_else(|| Error::internal("a reading without a result"))??;
    if appended.created {
        let after = store::read(tx, appended.id)?.fields;
        let entity_id = appended.id.into();
        audit::record(
            tx,
            &Act {
                action: "create_reading",
                entity: "reading",
                entity_id,
                before: None,
                after: Some(&after),
            },
        )?;
    }
    Ok(appended)
}

/// Adds a reading within a transaction, or finds the one that was sent before.
///
/// # Errors
/// As [`append_one`].
pub fn create(tx: &mut Tx<'_>, id: ReadingId, fields: ReadingFields) -> Result<ReadingView> {
    let id = append_one(tx, id, fields)?.id;
    read(tx, id)
}

/// Adds a reading to a survey that is a draft. The same value at the same place is the same reading.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), request_body = New<ReadingFields>,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry answer as the first time", nullable = false)),
    responses((status = 201, description = "Made", body = ReadingView), (status = 200, description = "It had been sent before", body = ReadingView), CreateProblems))]
#[post("/v1/readings")]
pub async fn create_reading(
    app: App,
    permit: Permit<RecordReadings>,
    key: RetryKey,
    new: New<ReadingFields>,
) -> Outcome {
    let creation = Creation { operation: "create_reading", key, new };
    let made = app.write(&permit, move |tx| {
        let mut before = false;
        let create = |tx: &mut Tx<'_>, id, fields| {
            let appended = append_one(tx, id, fields)?;
            before = !appended.created;
            read(tx, appended.id)
        };
        let made = creation.once(tx, create, read)?;
        Ok(match made {
            Created::Now(view) if before => Created::Before(view),
            other => other,
        })
    });
    Ok(made.await?.answer("/v1/readings"))
}

/// Adds many readings to a survey that is a draft, each taken or refused for itself, with a result each in
/// order. Sending the same batch again makes no second.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), request_body = ReadingBatch,
    params(("id" = SurveyId, Path, description = "The survey")),
    responses((status = 200, description = "A result for each", body = AppendResults), CreateProblems))]
#[post("/v1/surveys/{id}/readings")]
pub async fn append_readings(
    app: App,
    permit: Permit<RecordReadings>,
    id: At<SurveyId>,
    batch: Plain<ReadingBatch>,
) -> Outcome {
    let results = app.write(&permit, move |tx| append_batch(tx, id.0, batch.0.items)).await?;
    Ok(HttpResponse::Ok().json(results))
}

/// Adds a batch of readings to a survey within a transaction, each taken or refused for itself.
///
/// # Errors
/// Not found, when there is no such survey; those of the database.
pub fn append_batch(tx: &mut Tx<'_>, survey_id: SurveyId, items: Vec<Value>) -> Result<AppendResults> {
    let mut refused: Vec<Option<Error>> = Vec::new();
    let mut sent = Vec::new();
    for item in items {
        match New::<SurveyReadingFields>::from_value(item) {
            Ok(new) => {
                sent.push((new.id.map(ReadingId::from), new.fields.of(survey_id)));
                refused.push(None);
            }
            Err(error) => refused.push(Some(error)),
        }
    }
    let mut appended = append(tx, survey_id, sent)?.into_iter();
    let mut created = Vec::new();
    let instance = tx.actor().request_id.to_string();
    let mut results = Vec::new();
    for (n, refused) in refused.into_iter().enumerate() {
        let result = match refused {
            Some(error) => Err(error),
            None => appended.next().ok_or_else(|| Error::internal("a reading without a result"))?,
        };
        results.push(match result {
            Ok(Appended { id, created: true }) => {
                created.push(id);
                AppendResult { status: AppendStatus::Created, id: Some(id), problem: None }
            }
            Ok(Appended { id, created: false }) => {
                AppendResult { status: AppendStatus::Unchanged, id: Some(id), problem: None }
            }
            Err(error) => {
                let problem = Problem::of(&error.below(&format!("/items/{n}")), &instance);
                AppendResult { status: AppendStatus::Refused, id: None, problem: Some(problem) }
            }
        });
    }
    if !created.is_empty() {
        audit::record(
            tx,
            &Act {
                action: "append_readings",
                entity: "survey",
                entity_id: survey_id.into(),
                before: None,
                after: Some(&created),
            },
        )?;
    }
    Ok(AppendResults { items: results })
}

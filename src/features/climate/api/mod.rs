//! The endpoints of climate values.

pub mod coating_windows;

use std::collections::HashMap;

use actix_web::{HttpResponse, get, post};
use chrono::{DateTime, Utc};
use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::model::{Ashore, ClimateFields, ClimateSource, file, sort};
use super::store::{self, ClimateFilter, ClimateValue};
use crate::db::Tx;
use crate::error::{Error, Result};
use crate::features::audit::{self, Act};
use crate::features::haulouts::store as haulouts;
use crate::features::surveys::store::lock_vessel;
use crate::http::body::CsvText;
use crate::http::paging::ListQuery;
use crate::http::problem::{CreateProblems, VersionProblems};
use crate::http::{App, At, Outcome, Page, Params, Permit, Plain};
use crate::ids::{ClimateValueId, HaulOutId, OrgId, PersonId, VesselId};
use crate::jobs::queue::request_forecast;
use crate::permissions::{Read, RecordReadings};

/// A climate value.
#[derive(Debug, Serialize, ToSchema)]
pub struct ClimateValueView {
    /// Its id, another for each version.
    pub id: ClimateValueId,
    /// The version of what is kept for that time and source.
    pub version: i32,
    /// The vessel: the haul-out's.
    pub vessel_id: VesselId,
    /// The haul-out.
    pub haul_out_id: HaulOutId,
    /// When this version was recorded.
    pub updated_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
    /// The organisation that recorded it: yours, or another that had a grant. Only it corrects it.
    pub author_org_id: OrgId,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: ClimateFields,
}

impl From<ClimateValue> for ClimateValueView {
    fn from(value: ClimateValue) -> Self {
        Self {
            id: value.id,
            version: value.version,
            vessel_id: value.vessel_id,
            haul_out_id: value.haul_out_id,
            updated_at: value.recorded_at,
            recorded_by: value.recorded_by,
            author_org_id: value.author_org_id,
            fields: value.fields,
        }
    }
}

/// Climate values of a haul-out.
#[derive(Debug, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ClimateValues {
    /// All of them, or none, are taken.
    #[garde(length(min = 1, max = 2000), dive)]
    #[schema(min_items = 1, max_items = 2000)]
    pub items: Vec<ClimateFields>,
}

/// What came of values that were sent.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
pub struct ClimateReport {
    /// How many are new.
    pub created: usize,
    /// How many correct another.
    pub corrected: usize,
    /// How many had been sent before.
    pub unchanged: usize,
}

/// Which climate values.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ClimateQuery {
    /// Only those of this source.
    #[param(nullable = false)]
    pub source: Option<ClimateSource>,
    /// Only those measured at or after this time.
    #[param(nullable = false)]
    pub measured_since: Option<DateTime<Utc>>,
    /// Only those measured before this time.
    #[param(nullable = false)]
    pub measured_before: Option<DateTime<Utc>>,
    /// Those withdrawn too.
    #[param(nullable = false)]
    pub withdrawn: Option<bool>,
    /// The versions before the current ones too.
    #[param(nullable = false)]
    pub all_versions: Option<bool>,
    /// Only those recorded at or after this time.
    #[param(nullable = false)]
    pub updated_since: Option<DateTime<Utc>>,
    /// Rows a page, 1 to 200.
    #[param(nullable = false, minimum = 1, maximum = 200)]
    pub limit: Option<u32>,
    /// Where the page before ended.
    #[param(nullable = false)]
    pub cursor: Option<String>,
}
crate::list_query!(ClimateQuery, "list_climate_values");

impl ClimateQuery {
    fn filter(&self) -> ClimateFilter {
        ClimateFilter {
            source: self.source,
            measured_since: self.measured_since,
            measured_before: self.measured_before,
            updated_since: self.updated_since,
            withdrawn: self.withdrawn.unwrap_or(false),
            all_versions: self.all_versions.unwrap_or(false),
        }
    }
}

/// How to read a file.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ClimateFileQuery {
    /// The offset from UTC of times that name none, -14 to 14 hours.
    #[param(nullable = false, minimum = -14, maximum = 14)]
    pub utc_offset_h: Option<f64>,
}

/// Adds values to a haul-out within a transaction, all or none.
///
/// # Errors
/// Not found; invalid, with a pointer for each value at fault; those of the database.
pub fn append(tx: &mut Tx<'_>, haul_out_id: HaulOutId, sent: Vec<ClimateFields>) -> Result<ClimateReport> {
    let haul_out = haulouts::read(tx, haul_out_id)?;
    let ashore =
        Ashore { lifted_on: haul_out.fields.lifted_on, relaunched_on: haul_out.fields.relaunched_on };
    let vessel_id = haul_out.fields.vessel_id;
    // Two who send values at once take turns.
    lock_vessel(tx, vessel_id)?;
    let (mut made, mut faults) = (Vec::new(), Vec::new());
    for (n, fields) in sent.into_iter().enumerate() {
        match fields.made(ashore, tx.now()) {
            Ok(fields) => made.push(fields),
            Err(error) => faults.extend(error.below(&format!("/items/{n}")).fields),
        }
    }
    if !faults.is_empty() {
        return Err(Error::invalid(faults));
    }
    let times = || made.iter().map(|fields| fields.measured_at);
    let mut known = HashMap::new();
    if let Some((from, to)) = times().min().zip(times().max()) {
        for value in store::kept(tx, haul_out_id, from, to)? {
            known.insert(value.fields.key(), (value.fields, value.version));
        }
    }
    let sorted = sort(made, |fields| known.get(&fields.key()).cloned())?;
    store::insert(tx, vessel_id, haul_out_id, &sorted.insert)?;
    let report =
        ClimateReport { created: sorted.created, corrected: sorted.corrected, unchanged: sorted.unchanged };
    if !sorted.insert.is_empty() {
        audit::record(
            tx,
            &Act {
                action: "append_climate_values",
                entity: "haul_out",
                entity_id: haul_out_id.into(),
                before: None,
                after: Some(&report),
            },
        )?;
        // The laminate dries in this air, whenever the treatment is recorded.
        request_forecast(tx, vessel_id)?;
    }
    Ok(report)
}

/// Lists the climate values of a haul-out by time, each in its current version.
#[utoipa::path(tag = "climate", security(("bearer" = [])), params(("id" = HaulOutId, Path, description = "The haul-out"), ClimateQuery),
    responses((status = 200, description = "A page of values", body = Page<ClimateValueView>), VersionProblems))]
#[get("/v1/haul-outs/{id}/climate-values")]
pub async fn list_climate_values(
    app: App,
    permit: Permit<Read>,
    id: At<HaulOutId>,
    query: Params<ClimateQuery>,
) -> Outcome {
    let query = query.0;
    let (page, filter) = (query.page()?, query.filter());
    let slice = app.read(&permit, move |tx| {
        haulouts::read(tx, id.0)?;
        store::list(tx, id.0, filter, page)
    });
    Ok(HttpResponse::from(query.answer(slice.await?, ClimateValueView::from)))
}

/// Adds climate values to a haul-out, all or none. Values sent before are kept once; another value for the same time
/// and source is a correction and says why.
#[utoipa::path(tag = "climate", security(("bearer" = [])), request_body = ClimateValues,
    params(("id" = HaulOutId, Path, description = "The haul-out")),
    responses((status = 200, description = "Kept", body = ClimateReport), CreateProblems))]
#[post("/v1/haul-outs/{id}/climate-values")]
pub async fn append_climate_values(
    app: App,
    permit: Permit<RecordReadings>,
    id: At<HaulOutId>,
    values: Plain<ClimateValues>,
) -> Outcome {
    let report = app.write(&permit, move |tx| append(tx, id.0, values.0.items)).await?;
    Ok(HttpResponse::Ok().json(report))
}

/// Adds the values of a logger's file to a haul-out, all or none: CSV in UTF-8, with the columns time,
/// `air_temperature_c`, `relative_humidity_pct` and `surface_temperature_c`; comma, or semicolon with decimal point
/// or comma; at most 20,000 lines. Sending a file twice changes nothing.
#[utoipa::path(tag = "climate", security(("bearer" = [])),
    params(("id" = HaulOutId, Path, description = "The haul-out"), ClimateFileQuery),
    request_body(content = String, content_type = "text/csv", description = "The file, at most 4 MiB"),
    responses((status = 200, description = "Kept", body = ClimateReport), CreateProblems))]
#[post("/v1/haul-outs/{id}/climate-values/file")]
pub async fn import_climate_values(
    app: App,
    permit: Permit<RecordReadings>,
    id: At<HaulOutId>,
    query: Params<ClimateFileQuery>,
    text: CsvText,
) -> Outcome {
    let offset_h = offset(query.0.utc_offset_h)?;
    let report = app.write(&permit, move |tx| {
        haulouts::read(tx, id.0)?;
        let lines = file::read(&text.0, offset_h)?;
        let values = lines.iter().map(|line| ClimateFields {
            measured_at: line.at,
            source: ClimateSource::Logger,
            air_temperature_c: line.air_temperature_c,
            relative_humidity_pct: line.relative_humidity_pct,
            surface_temperature_c: line.surface_temperature_c,
            withdrawn: false,
            correction_reason: None,
        });
        let values = values.map(crate::http::body::validated).enumerate();
        let (mut sent, mut faults) = (Vec::new(), Vec::new());
        for (n, value) in values {
            match value {
                Ok(fields) => sent.push(fields),
                Err(error) => faults.extend(error.below(&format!("/items/{n}")).fields),
            }
        }
        let kept = if faults.is_empty() { append(tx, id.0, sent) } else { Err(Error::invalid(faults)) };
        kept.map_err(|error| by_line(error, &lines))
    });
    Ok(HttpResponse::Ok().json(report.await?))
}

/// The error with each value named by its line and column in the file.
fn by_line(mut error: Error, lines: &[file::Line]) -> Error {
    for field in &mut error.fields {
        let mut parts = field.pointer.split('/').skip(2);
        let line = parts.next().and_then(|n| n.parse::<usize>().ok()).and_then(|n| lines.get(n));
        if let Some(line) = line {
            let column = parts.next().unwrap_or_default();
            let column = if column == "measured_at" { "time" } else { column };
            field.pointer = format!("line {}, column {column}", line.number);
        }
    }
    if error.fields.is_empty() { error } else { Error { cause: error.cause, ..Error::invalid(error.fields) } }
}

fn offset(given: Option<f64>) -> Result<Option<f64>> {
    match given {
        Some(hours) if !(-14.0..=14.0).contains(&hours) => {
            Err(Error::field("utc_offset_h", "out_of_range", "must be -14 to 14."))
        }
        other => Ok(other),
    }
}

//! What a treatment's record holds besides the plan, and what came after it.

use chrono::{DateTime, Utc};
use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::features::climate::model::ClimateSource;
use crate::ids::{PersonId, ReadingId, SurveyId};

/// What the record is not.
pub const NOT_A_SURVEY: &str = "This record says what was measured, done and decided. It is not a survey and does not say that \
     the hull is sound: a qualified surveyor decides.";

/// A version of a reading.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct ReadingVersion {
    /// The reading.
    pub id: ReadingId,
    /// The survey it was taken in.
    #[serde(skip)]
    pub survey_id: SurveyId,
    /// The version.
    pub version: i32,
    /// Whether a later version took its place.
    pub superseded: bool,
    /// The station's code.
    pub station_code: String,
    /// The meter's scale.
    pub scale: String,
    /// What the meter showed.
    pub value: f64,
    /// When it was taken, where that is known.
    pub taken_at: Option<DateTime<Utc>>,
    /// Whether this version withdraws it, or its survey is withdrawn.
    pub withdrawn: bool,
    /// Why it corrects the version before.
    pub correction_reason: Option<String>,
    /// When this version was recorded.
    pub recorded_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
}

/// A value of the climate, with or without the hull's temperature.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct RecordClimate {
    /// When.
    pub at: DateTime<Utc>,
    /// Where the value comes from.
    pub source: ClimateSource,
    /// Temperature of the air.
    pub air_temperature_c: f64,
    /// Relative humidity over water.
    pub relative_humidity_pct: f64,
    /// Temperature of the hull's surface, where it was measured.
    pub surface_temperature_c: Option<f64>,
    /// By whom it was recorded.
    pub recorded_by: Option<PersonId>,
}

/// Where a record comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum RecordOrigin {
    /// The treatment is not closed: as things stand.
    AsThingsStand,
    /// Kept at the closing, for ever.
    KeptAtClosing,
    /// The treatment was closed before records were kept: made as it is read, from what is recorded by then, later
    /// corrections included. It has no digest, for it may read otherwise tomorrow.
    MadeAfterwards,
}

/// A person that the record names by id.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct RecordPerson {
    /// The id.
    pub id: PersonId,
    /// The name, as it was when the record was made.
    pub name: String,
}

/// What was recorded after the closing and bears on the record: it changes nothing in it.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct LaterCorrection {
    /// Of what: `reading`, `survey`, `coat`, `film`, `climate_value` or `treatment`.
    pub of: &'static str,
    /// Its id; null of climate values, which are told together.
    pub id: Option<Uuid>,
    /// When it was recorded; the last time, of several.
    pub recorded_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
    /// The name of that person.
    pub recorded_by_name: Option<String>,
    /// Why, as entered.
    pub reason: Option<String>,
    /// What is so now.
    pub detail: String,
}

/// The compact JSON with the keys of each object in order: what the digest is taken of.
///
/// # Errors
/// None for values that are JSON.
pub fn canonical(value: &Value) -> Result<String, serde_json::Error> {
    // The maps of serde_json keep their keys sorted: its feature that keeps another order is not used here.
    serde_json::to_string(value)
}

/// Every text under a name that ends in `recorded_by`.
pub fn recorders(value: &Value, found: &mut Vec<PersonId>) {
    match value {
        Value::Object(fields) => {
            for (name, value) in fields {
                if name == "recorded_by"
                    && let Some(id) = value.as_str().and_then(|text| text.parse::<Uuid>().ok())
                {
                    found.push(id.into());
                }
                recorders(value, found);
            }
        }
        Value::Array(items) => items.iter().for_each(|item| recorders(item, found)),
        _ => {}
    }
}

//! Readings: one value of a meter at one station. They are relative: they compare stations, trends and a dry
//! reference on one meter and scale, and bear on no date.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::fact::Faults;
use crate::error::{Code, Error, Result};
use crate::ids::{ReadingId, StationId, SurveyId};

/// A reading.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct ReadingFields {
    /// Your own reference, unique in your organisation. Fixed.
    #[garde(length(chars, min = 1, max = 100))]
    #[schema(min_length = 1, max_length = 100)]
    pub r#ref: Option<String>,
    /// The survey it belongs to. Fixed.
    #[garde(skip)]
    pub survey_id: SurveyId,
    /// The station, of the same vessel. Fixed.
    #[garde(skip)]
    pub station_id: StationId,
    /// The meter's scale; the survey's when left out. Fixed.
    #[garde(length(chars, min = 1, max = 100))]
    #[schema(min_length = 1, max_length = 100)]
    pub scale: Option<String>,
    /// Which one at this station, survey and scale; 1 when left out. Fixed.
    #[serde(default = "first")]
    #[garde(range(min = 1, max = 10_000))]
    #[schema(minimum = 1, maximum = 10_000, default = 1)]
    pub sequence: i32,
    /// What the meter showed.
    #[garde(range(min = -10_000.0, max = 10_000.0))]
    #[schema(minimum = -10_000, maximum = 10_000)]
    pub value: f64,
    /// When it was taken.
    #[garde(skip)]
    pub taken_at: Option<DateTime<Utc>>,
    /// Anything else.
    #[garde(length(chars, max = 1000))]
    #[schema(max_length = 1000)]
    pub note: Option<String>,
    /// Entered in error: it stays in the history and counts for nothing.
    #[serde(default)]
    #[garde(skip)]
    pub withdrawn: bool,
    /// Why this version corrects the one before.
    #[garde(length(chars, min = 1, max = 1000))]
    #[schema(min_length = 1, max_length = 1000)]
    pub correction_reason: Option<String>,
}

/// A reading of the survey that the address names.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct SurveyReadingFields {
    /// Your own reference, unique in your organisation.
    #[garde(length(chars, min = 1, max = 100))]
    #[schema(min_length = 1, max_length = 100)]
    pub r#ref: Option<String>,
    /// The station, of the same vessel.
    #[garde(skip)]
    pub station_id: StationId,
    /// The meter's scale; the survey's when left out.
    #[garde(length(chars, min = 1, max = 100))]
    #[schema(min_length = 1, max_length = 100)]
    pub scale: Option<String>,
    /// Which one at this station, survey and scale; 1 when left out.
    #[serde(default = "first")]
    #[garde(range(min = 1, max = 10_000))]
    #[schema(minimum = 1, maximum = 10_000, default = 1)]
    pub sequence: i32,
    /// What the meter showed.
    #[garde(range(min = -10_000.0, max = 10_000.0))]
    #[schema(minimum = -10_000, maximum = 10_000)]
    pub value: f64,
    /// When it was taken.
    #[garde(skip)]
    pub taken_at: Option<DateTime<Utc>>,
    /// Anything else.
    #[garde(length(chars, max = 1000))]
    #[schema(max_length = 1000)]
    pub note: Option<String>,
}

fn first() -> i32 {
    1
}

impl SurveyReadingFields {
    /// The reading of a survey.
    #[must_use]
    pub fn of(self, survey_id: SurveyId) -> ReadingFields {
        ReadingFields {
            r#ref: self.r#ref,
            survey_id,
            station_id: self.station_id,
            scale: self.scale,
            sequence: self.sequence,
            value: self.value,
            taken_at: self.taken_at,
            note: self.note,
            withdrawn: false,
            correction_reason: None,
        }
    }
}

impl ReadingFields {
    /// The fields of a new reading, its scale that of the survey where it names none.
    ///
    /// # Errors
    /// Invalid, with every field at fault.
    pub fn made(self, meter_scale: Option<&str>) -> Result<Self> {
        let mut faults = Faults::default();
        faults.refuse_correction(self.withdrawn, self.correction_reason.as_deref());
        let scale = self.scale.or_else(|| meter_scale.map(str::to_owned));
        faults.refuse_if(
            scale.is_none(),
            "/scale",
            "missing",
            "is required, for the survey has no meter_scale. Enter it here or in the survey.",
        );
        faults.or(Self { scale, ..self })
    }

    /// The fields as the next version of `before`.
    ///
    /// # Errors
    /// Invalid, with every field at fault.
    pub fn changing(self, before: &Self) -> Result<Self> {
        let mut faults = Faults::default();
        faults.fixed("/ref", &before.r#ref, &self.r#ref);
        faults.fixed("/survey_id", &before.survey_id, &self.survey_id);
        faults.fixed("/station_id", &before.station_id, &self.station_id);
        faults.fixed("/scale", &before.scale, &self.scale);
        faults.fixed("/sequence", &before.sequence, &self.sequence);
        faults.require_reason(self.correction_reason.as_deref());
        faults.or(self)
    }

    /// The fields without the reason of the last correction, for a change to start from.
    #[must_use]
    pub fn without_reason(self) -> Self {
        Self { correction_reason: None, ..self }
    }

    fn place(&self) -> Place {
        (self.survey_id, self.station_id, self.scale.clone().unwrap_or_default(), self.sequence)
    }
}

/// Survey, station, scale and sequence: one reading each.
type Place = (SurveyId, StationId, String, i32);

/// A reading that is kept already, with the values it had and has.
#[derive(Debug, Clone)]
pub struct KnownReading {
    /// Its id.
    pub id: ReadingId,
    /// Its fields now.
    pub fields: ReadingFields,
    /// The value of each version.
    pub values: Vec<f64>,
}

/// What a reading that is sent amounts to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sent {
    /// A new one.
    New,
    /// One that was sent before.
    Before(ReadingId),
}

/// The readings kept already among which those that are sent find themselves.
#[derive(Debug, Default)]
pub struct KnownReadings {
    known: Vec<KnownReading>,
    by_id: HashMap<ReadingId, usize>,
    by_place: HashMap<Place, usize>,
    by_ref: HashMap<String, usize>,
}

impl KnownReadings {
    /// Adds one.
    pub fn insert(&mut self, reading: KnownReading) {
        let n = self.known.len();
        self.by_id.insert(reading.id, n);
        self.by_place.insert(reading.fields.place(), n);
        if let Some(reference) = &reading.fields.r#ref {
            self.by_ref.insert(reference.clone(), n);
        }
        self.known.push(reading);
    }

    /// Whether a reading was sent before. One that was corrected since is still the same one.
    ///
    /// # Errors
    /// The id belongs to another reading; the place holds another value; the reference is taken.
    pub fn judge(&self, id: Option<ReadingId>, sent: &ReadingFields) -> Result<Sent> {
        let found = |n: &usize| self.known.get(*n);
        if let Some(same_id) = id.and_then(|id| self.by_id.get(&id)).and_then(found)
            && same_id.fields.place() != sent.place()
        {
            return Err(refused(
                Code::IdTaken,
                "/id",
                "is taken by a reading at another place. Make a new one.",
            ));
        }
        if let Some(there) = self.by_place.get(&sent.place()).and_then(found) {
            // The same number was sent, so it is the same number to the bit.
            if there.values.iter().any(|value| value.to_bits() == sent.value.to_bits()) {
                return Ok(Sent::Before(there.id));
            }
            return Err(refused(
                Code::Conflict,
                "/value",
                format!(
                    "differs from reading {} of this survey, station, scale and sequence. Correct that one by PATCH, or use the next sequence.",
                    there.id
                ),
            ));
        }
        if let Some(there) = sent.r#ref.as_ref().and_then(|text| self.by_ref.get(text)).and_then(found) {
            return Err(refused(
                Code::Duplicate,
                "/ref",
                format!("is the reference of reading {} already. Use another.", there.id),
            ));
        }
        Ok(Sent::New)
    }
}

fn refused(code: Code, pointer: &str, detail: impl Into<String>) -> Error {
    let mut error = Error::field(pointer, code.as_str(), detail);
    error.code = code;
    error
}

//! Readings: one value of a meter at one station. They are relative: they compare stations, trends and a dry
//! reference on one meter and scale, and bear on no date but that of the next inspection.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::fact::{Faults, time_within_years};
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
    #[garde(custom(time_within_years))]
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
    #[garde(custom(time_within_years))]
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

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use uuid::Uuid;

    use super::*;

    type SentReading = (Option<ReadingId>, ReadingFields);

    /// Few stations, sequences and values, so that places and values often meet. A sender gives an id to one
    /// reading only, or to none.
    fn batch() -> impl Strategy<Value = Vec<SentReading>> {
        let one = (any::<bool>(), proptest::option::of("[ab]"), 0_u128..2, 1..3_i32, 0_u8..3);
        proptest::collection::vec(one, 0..20).prop_map(|readings| {
            readings
                .into_iter()
                .zip(0_u128..)
                .map(|((own_id, reference, station, sequence, value), n)| {
                    let fields = ReadingFields {
                        r#ref: reference,
                        survey_id: SurveyId::from(Uuid::nil()),
                        station_id: StationId::from(Uuid::from_u128(station)),
                        scale: Some("relative".to_owned()),
                        sequence,
                        value: f64::from(value),
                        taken_at: None,
                        note: None,
                        withdrawn: false,
                        correction_reason: None,
                    };
                    (own_id.then(|| ReadingId::from(Uuid::from_u128(n))), fields)
                })
                .collect()
        })
    }

    /// What came of each: the reading it is, or nothing when it was refused.
    fn send(known: &mut KnownReadings, batch: &[SentReading]) -> Vec<Option<(ReadingId, bool)>> {
        let mut results = Vec::new();
        for (id, fields) in batch {
            results.push(match known.judge(*id, fields) {
                Err(_) => None,
                Ok(Sent::Before(id)) => Some((id, false)),
                Ok(Sent::New) => {
                    let id = id.unwrap_or_else(|| Uuid::from_u128(1000 + known.known.len() as u128).into());
                    known.insert(KnownReading { id, fields: fields.clone(), values: vec![fields.value] });
                    Some((id, true))
                }
            });
        }
        results
    }

    proptest! {
        #[test]
        fn a_batch_sent_again_makes_nothing_and_finds_the_same(batch in batch()) {
            let mut known = KnownReadings::default();
            let first = send(&mut known, &batch);
            let kept = known.known.len();
            prop_assert_eq!(first.iter().flatten().filter(|(_, made)| *made).count(), kept);
            let again = send(&mut known, &batch);
            prop_assert_eq!(known.known.len(), kept);
            for (first, again) in first.iter().zip(&again) {
                prop_assert!(again.is_none_or(|(_, made)| !made));
                // One refused for its reference may find its place taken by its like meanwhile.
                if let Some((id, _)) = first {
                    prop_assert_eq!(again.map(|(id, _)| id), Some(*id));
                }
            }
            // No two share an id, a place or a reference.
            prop_assert_eq!(known.by_id.len(), kept);
            prop_assert_eq!(known.by_place.len(), kept);
            let references = known.known.iter().filter(|reading| reading.fields.r#ref.is_some()).count();
            prop_assert_eq!(known.by_ref.len(), references);
        }
    }
}

//! Surveys: who looked at a hull when, under which conditions, and what the bottom was like.

use chrono::{DateTime, NaiveDate, Utc};
use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::fact::{Faults, within_years};
use crate::error::Result;
use crate::ids::{HaulOutId, VesselId};

/// Whether a survey can still be written or has been signed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum SurveyState {
    /// Being written; it bears on no date.
    Draft,
    /// Signed: evidence. A correction opens a new draft.
    Signed,
    /// Withdrawn as entered in error: it counts for nothing, nor does what was read and found in it. A correction opens it
    /// again, as a draft.
    Withdrawn,
}

impl SurveyState {
    /// The state as a sentence says it.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Draft => "a draft",
            Self::Signed => "signed",
            Self::Withdrawn => "withdrawn",
        }
    }
}

/// How deep the meter looked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum DepthMode {
    /// Near the surface.
    Shallow,
    /// Into the laminate.
    Deep,
}

/// How much of the bottom was looked at for blisters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum BottomExamined {
    /// Nothing of it.
    None,
    /// A part of it.
    Part,
    /// The whole of it.
    Whole,
}

/// The deepest blistering that was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Blistering {
    /// No blisters.
    None,
    /// In the paint only.
    CoatingOnly,
    /// Under or in the gelcoat.
    Gelcoat,
    /// In the laminate.
    Laminate,
}

/// What hammer sounding told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Sounding {
    /// Not done.
    NotDone,
    /// Sound everywhere.
    Sound,
    /// Dull in places.
    DullInPlaces,
    /// Dull over wide areas.
    DullWidely,
}

/// A survey. `bottom_examined` and `blistering` are required to sign it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct SurveyFields {
    /// Your own reference, unique in your organisation. Fixed.
    #[garde(length(chars, min = 1, max = 100))]
    #[schema(min_length = 1, max_length = 100)]
    pub r#ref: Option<String>,
    /// The vessel. Fixed.
    #[garde(skip)]
    pub vessel_id: VesselId,
    /// The haul-out it was made in, if it was made ashore; the day must lie in it. Fixed.
    #[garde(skip)]
    pub haul_out_id: Option<HaulOutId>,
    /// The day of the survey.
    #[garde(custom(within_years))]
    pub surveyed_on: NaiveDate,
    /// Who surveyed, if not the one who signs.
    #[garde(length(chars, min = 1, max = 200))]
    #[schema(min_length = 1, max_length = 200)]
    pub surveyor: Option<String>,
    /// The air's temperature.
    #[garde(range(min = -45.0, max = 60.0))]
    #[schema(minimum = -45, maximum = 60)]
    pub air_temperature_c: Option<f64>,
    /// The air's relative humidity.
    #[garde(range(min = 0.0, max = 100.0))]
    #[schema(minimum = 0, maximum = 100)]
    pub relative_humidity_pct: Option<f64>,
    /// The temperature of the hull's surface.
    #[garde(range(min = -45.0, max = 90.0))]
    #[schema(minimum = -45, maximum = 90)]
    pub hull_surface_temperature_c: Option<f64>,
    /// Hours since the hull came out of the water.
    #[garde(range(min = 0.0, max = 100_000.0))]
    #[schema(minimum = 0, maximum = 100_000)]
    pub hours_since_lift: Option<f64>,
    /// Hours since it was last washed.
    #[garde(range(min = 0.0, max = 100_000.0))]
    #[schema(minimum = 0, maximum = 100_000)]
    pub hours_since_wash: Option<f64>,
    /// The meter.
    #[garde(length(chars, min = 1, max = 200))]
    #[schema(min_length = 1, max_length = 200)]
    pub meter: Option<String>,
    /// Its serial number.
    #[garde(length(chars, min = 1, max = 100))]
    #[schema(min_length = 1, max_length = 100)]
    pub meter_serial: Option<String>,
    /// The scale it was read on: the scale of readings that name none.
    #[garde(length(chars, min = 1, max = 100))]
    #[schema(min_length = 1, max_length = 100)]
    pub meter_scale: Option<String>,
    /// What it showed on its check block.
    #[garde(range(min = -10_000.0, max = 10_000.0))]
    #[schema(minimum = -10_000, maximum = 10_000)]
    pub check_block_reading: Option<f64>,
    /// How deep it looked.
    #[garde(skip)]
    pub depth_mode: Option<DepthMode>,
    /// What it showed above the waterline, where the hull is dry.
    #[garde(range(min = -10_000.0, max = 10_000.0))]
    #[schema(minimum = -10_000, maximum = 10_000)]
    pub dry_reference_reading: Option<f64>,
    /// How much of the bottom was examined. Required to sign.
    #[garde(skip)]
    pub bottom_examined: Option<BottomExamined>,
    /// The deepest blistering found. Required to sign.
    #[garde(skip)]
    pub blistering: Option<Blistering>,
    /// Blisters a square metre, where they are.
    #[garde(range(min = 0.0, max = 1_000_000.0))]
    #[schema(minimum = 0, maximum = 1_000_000)]
    pub blister_density_per_m2: Option<f64>,
    /// The largest blister's diameter.
    #[garde(range(min = 0.0, max = 2000.0))]
    #[schema(minimum = 0, maximum = 2000)]
    pub largest_blister_mm: Option<f64>,
    /// Whether the coating has failed: flaking, lifting, bare places.
    #[serde(default)]
    #[garde(skip)]
    pub coating_failure: bool,
    /// What hammer sounding told.
    #[garde(skip)]
    pub sounding: Option<Sounding>,
    /// Barcol hardness.
    #[garde(range(min = 0.0, max = 100.0))]
    #[schema(minimum = 0, maximum = 100)]
    pub hardness_barcol: Option<f64>,
    /// Anything else.
    #[garde(length(chars, max = 4000))]
    #[schema(max_length = 4000)]
    pub note: Option<String>,
}

impl SurveyFields {
    /// The fields, if they do not contradict each other, the vessel's launch or the calendar.
    ///
    /// # Errors
    /// Invalid, with every field at fault.
    pub fn checked(self, launched_on: Option<NaiveDate>, now: DateTime<Utc>) -> Result<Self> {
        let mut faults = Faults::default();
        faults.refuse_future("/surveyed_on", Some(self.surveyed_on), now);
        faults.refuse_if(
            launched_on.is_some_and(|launched_on| self.surveyed_on < launched_on),
            "/surveyed_on",
            "before_launch",
            "is before the vessel's launch. Correct this date or the vessel's launched_on.",
        );
        let clean = self.blistering == Some(Blistering::None);
        for (pointer, measured) in [
            ("/blister_density_per_m2", self.blister_density_per_m2),
            ("/largest_blister_mm", self.largest_blister_mm),
        ] {
            faults.refuse_if(
                clean && measured.is_some_and(|measured| measured > 0.0),
                pointer,
                "contradicts",
                "measures blisters, but blistering says none. Correct one of the two.",
            );
        }
        faults.or(self)
    }

    /// The fields as a change of `before`.
    ///
    /// # Errors
    /// Invalid, when a reference is another.
    pub fn changing(self, before: &Self) -> Result<Self> {
        let mut faults = Faults::default();
        faults.fixed("/ref", &before.r#ref, &self.r#ref);
        faults.fixed("/vessel_id", &before.vessel_id, &self.vessel_id);
        faults.fixed("/haul_out_id", &before.haul_out_id, &self.haul_out_id);
        faults.or(self)
    }

    /// The fields, if nothing is missing that a signature stands for.
    ///
    /// # Errors
    /// Invalid, naming what is missing.
    pub fn signable(self) -> Result<Self> {
        let mut faults = Faults::default();
        faults.refuse_if(
            self.bottom_examined.is_none(),
            "/bottom_examined",
            "missing",
            "is required to sign. Enter none, part or whole.",
        );
        faults.refuse_if(
            self.blistering.is_none(),
            "/blistering",
            "missing",
            "is required to sign. Enter none, coating_only, gelcoat or laminate.",
        );
        faults.or(self)
    }
}

/// Why a signed or withdrawn survey is opened again, or one entered in error is withdrawn.
#[derive(Debug, Clone, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SurveyCorrection {
    /// The reason, in a few words. It stays with the survey.
    #[garde(length(chars, min = 1, max = 1000))]
    #[schema(min_length = 1, max_length = 1000)]
    pub reason: String,
}

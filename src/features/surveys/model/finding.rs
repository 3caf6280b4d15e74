//! Findings: damage and defects, from the day they are found to the day they are repaired.

use chrono::{DateTime, NaiveDate, Utc};
use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::fact::{self, Faults};
use crate::error::Result;
use crate::features::vessels::model::{HullPart, Side, Zone, within_years};
use crate::ids::{SurveyId, VesselId};

/// What was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum FindingKind {
    /// A blister or a field of them.
    Blister,
    /// A break through the skin: the laminate lies open to the water.
    SkinBreak,
    /// Damage from a blow.
    ImpactDamage,
    /// A crack.
    Crack,
    /// Layers that came apart.
    Delamination,
    /// A defect of the coating only.
    CoatingDefect,
}

/// How it stands with a finding.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum FindingState {
    /// Not dealt with.
    #[default]
    Open,
    /// Left as it is, and looked at again.
    Watched,
    /// Repaired.
    Repaired,
}

/// The layer a blister lies in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum BlisterLayer {
    /// The paint.
    Coating,
    /// Under or in the gelcoat.
    Gelcoat,
    /// The laminate.
    Laminate,
}

/// A finding.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct FindingFields {
    /// Your own reference, unique in your organisation. Fixed.
    #[garde(length(chars, min = 1, max = 100))]
    #[schema(min_length = 1, max_length = 100)]
    pub r#ref: Option<String>,
    /// The vessel. Fixed.
    #[garde(skip)]
    pub vessel_id: VesselId,
    /// The survey that found it, if one did. Fixed.
    #[garde(skip)]
    pub survey_id: Option<SurveyId>,
    /// What was found.
    #[garde(skip)]
    pub kind: FindingKind,
    /// How it stands; open when left out.
    #[serde(default)]
    #[garde(skip)]
    pub state: FindingState,
    /// The day it was found.
    #[garde(custom(fact::within_years))]
    pub found_on: NaiveDate,
    /// The day it happened, if known; not after it was found.
    #[garde(custom(within_years))]
    pub happened_on: Option<NaiveDate>,
    /// The day to look again; after it was found.
    #[garde(custom(within_years))]
    pub follow_up_on: Option<NaiveDate>,
    /// The day it was repaired: with the state repaired, and only with it.
    #[garde(custom(within_years))]
    pub repaired_on: Option<NaiveDate>,
    /// In which zone.
    #[garde(skip)]
    pub zone: Zone,
    /// On which hull.
    #[garde(skip)]
    pub hull: Option<HullPart>,
    /// On which side.
    #[garde(skip)]
    pub side: Option<Side>,
    /// Aft from the forward end of the waterline.
    #[garde(range(min = -5.0, max = 105.0))]
    #[schema(minimum = -5, maximum = 105)]
    pub x_m: Option<f64>,
    /// Up from the centreline, along the skin.
    #[garde(range(min = 0.0, max = 40.0))]
    #[schema(minimum = 0, maximum = 40)]
    pub girth_m: Option<f64>,
    /// The layer it lies in. Required of a blister.
    #[garde(skip)]
    pub layer: Option<BlisterLayer>,
    /// The largest one's diameter or length.
    #[garde(range(min = 0.0, max = 10_000.0))]
    #[schema(minimum = 0, maximum = 10_000)]
    pub largest_mm: Option<f64>,
    /// How many.
    #[garde(range(min = 0, max = 1_000_000))]
    #[schema(minimum = 0, maximum = 1_000_000)]
    pub count: Option<i32>,
    /// The area they were counted on.
    #[garde(range(min = 0.0, max = 2000.0))]
    #[schema(minimum = 0, maximum = 2000)]
    pub area_m2: Option<f64>,
    /// The fluid's pH, if tested.
    #[garde(range(min = 0.0, max = 14.0))]
    #[schema(minimum = 0, maximum = 14)]
    pub fluid_ph: Option<f64>,
    /// Anything else.
    #[garde(length(chars, max = 4000))]
    #[schema(max_length = 4000)]
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

impl FindingFields {
    /// The fields of a new finding.
    ///
    /// # Errors
    /// Invalid, with every field at fault.
    pub fn made(self, now: DateTime<Utc>) -> Result<Self> {
        let mut faults = Faults::default();
        faults.refuse_correction(self.withdrawn, self.correction_reason.as_deref());
        self.check(&mut faults, now);
        faults.or(self)
    }

    /// The fields as the next version of `before`: a reason is required unless the finding only moves on
    /// (another state, follow-up or repair) from one that was not repaired.
    ///
    /// # Errors
    /// Invalid, with every field at fault.
    pub fn changing(self, before: &Self, now: DateTime<Utc>) -> Result<Self> {
        let mut faults = Faults::default();
        faults.fixed("/ref", &before.r#ref, &self.r#ref);
        faults.fixed("/vessel_id", &before.vessel_id, &self.vessel_id);
        faults.fixed("/survey_id", &before.survey_id, &self.survey_id);
        let moved_on = Self {
            state: self.state,
            follow_up_on: self.follow_up_on,
            repaired_on: self.repaired_on,
            correction_reason: self.correction_reason.clone(),
            ..before.clone()
        };
        if before.state == FindingState::Repaired || self != moved_on {
            faults.require_reason(self.correction_reason.as_deref());
        }
        self.check(&mut faults, now);
        faults.or(self)
    }

    /// The fields without the reason of the last correction, for a change to start from.
    #[must_use]
    pub fn without_reason(self) -> Self {
        Self { correction_reason: None, ..self }
    }

    fn check(&self, faults: &mut Faults, now: DateTime<Utc>) {
        faults.refuse_future("/found_on", Some(self.found_on), now);
        faults.refuse_future("/repaired_on", self.repaired_on, now);
        faults.refuse_if(
            self.happened_on.is_some_and(|day| day > self.found_on),
            "/happened_on",
            "after_found",
            "is after found_on. Correct one of them, or leave it out.",
        );
        faults.refuse_if(
            self.follow_up_on.is_some_and(|day| day <= self.found_on),
            "/follow_up_on",
            "before_found",
            "is not after found_on. Enter a later day.",
        );
        faults.refuse_if(
            self.repaired_on.is_some_and(|day| day < self.found_on),
            "/repaired_on",
            "before_found",
            "is before found_on. Correct one of them.",
        );
        let repaired = self.state == FindingState::Repaired;
        faults.refuse_if(
            repaired && self.repaired_on.is_none(),
            "/repaired_on",
            "missing",
            "is required of a repaired finding. Enter the day of the repair.",
        );
        faults.refuse_if(
            !repaired && self.repaired_on.is_some(),
            "/state",
            "not_repaired",
            "must be repaired where repaired_on is given. Set it, or leave repaired_on out.",
        );
        faults.refuse_if(
            self.kind == FindingKind::Blister && self.layer.is_none(),
            "/layer",
            "missing",
            "is required of a blister. Enter coating, gelcoat or laminate.",
        );
    }
}

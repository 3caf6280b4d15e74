//! The rules of treatments.

pub mod advice;
pub mod drying;
mod drying_warnings;
pub mod entry;
pub mod holds;
pub mod launch;
pub mod next;
pub mod plan;
pub mod record;
pub mod relaunch;
pub mod zone;

use chrono::{DateTime, NaiveDate, Utc};
use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::error::Result;
use crate::features::surveys::model::fact::{Faults, within_years};
use crate::ids::{HaulOutId, VesselId};

/// What a treatment was for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum TreatmentKind {
    /// A barrier on sound gelcoat.
    Preventive,
    /// A blistered or wet hull stripped, dried and built up again: a new life begins.
    Curative,
}

/// A treatment that was done.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct TreatmentFields {
    /// Your own reference, unique in your organisation. Fixed.
    #[garde(length(chars, min = 1, max = 100))]
    #[schema(min_length = 1, max_length = 100)]
    pub r#ref: Option<String>,
    /// The vessel. Fixed.
    #[garde(skip)]
    pub vessel_id: VesselId,
    /// The haul-out it was done in, if one is entered. Fixed.
    #[garde(skip)]
    pub haul_out_id: Option<HaulOutId>,
    /// What it was for.
    #[garde(skip)]
    pub kind: TreatmentKind,
    /// The day it began.
    #[garde(custom(within_years))]
    pub started_on: NaiveDate,
    /// The day it was complete.
    #[garde(custom(within_years))]
    pub completed_on: NaiveDate,
    /// How much of the laminate a curative treatment took off.
    #[garde(range(min = 0.0, max = 50.0))]
    #[schema(minimum = 0, maximum = 50)]
    pub laminate_removed_mm: Option<f64>,
    /// Anything else.
    #[garde(length(chars, max = 4000))]
    #[schema(max_length = 4000)]
    pub note: Option<String>,
    /// Entered in error: it stays in the history and counts for nothing.
    #[serde(default)]
    #[garde(skip)]
    pub withdrawn: bool,
    /// Why this version corrects the one before. Required of a change.
    #[garde(length(chars, min = 1, max = 1000))]
    #[schema(min_length = 1, max_length = 1000)]
    pub correction_reason: Option<String>,
}

impl TreatmentFields {
    /// The fields of a new treatment.
    ///
    /// # Errors
    /// Invalid, with every field at fault.
    pub fn made(self, now: DateTime<Utc>) -> Result<Self> {
        let mut faults = Faults::default();
        faults.refuse_correction(self.withdrawn, self.correction_reason.as_deref());
        self.check(&mut faults, now);
        faults.or(self)
    }

    /// The fields as the next version of `before`.
    ///
    /// # Errors
    /// Invalid, with every field at fault.
    pub fn changing(self, before: &Self, now: DateTime<Utc>) -> Result<Self> {
        let mut faults = Faults::default();
        faults.fixed("/ref", &before.r#ref, &self.r#ref);
        faults.fixed("/vessel_id", &before.vessel_id, &self.vessel_id);
        faults.fixed("/haul_out_id", &before.haul_out_id, &self.haul_out_id);
        faults.require_reason(self.correction_reason.as_deref());
        self.check(&mut faults, now);
        faults.or(self)
    }

    /// The fields without the reason of the last correction, for a change to start from.
    #[must_use]
    pub fn without_reason(self) -> Self {
        Self { correction_reason: None, ..self }
    }

    fn check(&self, faults: &mut Faults, now: DateTime<Utc>) {
        faults.refuse_future("/started_on", Some(self.started_on), now);
        faults.refuse_future("/completed_on", Some(self.completed_on), now);
        faults.refuse_if(
            self.completed_on < self.started_on,
            "/completed_on",
            "before_started",
            "is before started_on. Correct one of them.",
        );
        faults.refuse_if(
            self.kind != TreatmentKind::Curative && self.laminate_removed_mm.is_some(),
            "/laminate_removed_mm",
            "curative_only",
            "is for curative treatments only. Leave it out, or correct the kind.",
        );
    }
}

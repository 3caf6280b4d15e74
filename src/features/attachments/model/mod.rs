//! The rules of attachments.

pub mod picture;

use chrono::{DateTime, NaiveDate, Utc};
use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::error::Result;
use crate::features::surveys::model::fact::Faults;
use crate::features::vessels::model::within_years;
use crate::ids::{CoatId, FindingId, StationId, SurveyId, TreatmentId, VesselId};

/// What the bytes are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub enum MediaType {
    /// A JPEG picture.
    #[serde(rename = "image/jpeg")]
    Jpeg,
    /// A PNG picture.
    #[serde(rename = "image/png")]
    Png,
    /// A PDF document.
    #[serde(rename = "application/pdf")]
    Pdf,
}

impl MediaType {
    /// As in `Content-Type`.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Jpeg => "image/jpeg",
            Self::Png => "image/png",
            Self::Pdf => "application/pdf",
        }
    }

    /// How the name of such a file ends.
    #[must_use]
    pub fn extension(self) -> &'static str {
        match self {
            Self::Jpeg => "jpg",
            Self::Png => "png",
            Self::Pdf => "pdf",
        }
    }
}

/// What an attachment is of the vessel's record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum AttachmentKind {
    /// A picture of the hull or of work on it.
    Photograph,
    /// A paper: a certificate, a data sheet, a report, scanned or as a document.
    Certificate,
}

/// What is said of an attachment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, Validate, ToSchema)]
pub struct AttachmentFields {
    /// The vessel. Fixed.
    #[garde(skip)]
    pub vessel_id: VesselId,
    /// What it is. A photograph is a picture, never a PDF.
    #[garde(skip)]
    pub kind: AttachmentKind,
    /// The survey it belongs to.
    #[garde(skip)]
    pub survey_id: Option<SurveyId>,
    /// The finding it shows.
    #[garde(skip)]
    pub finding_id: Option<FindingId>,
    /// The station it shows.
    #[garde(skip)]
    pub station_id: Option<StationId>,
    /// The coat it shows.
    #[garde(skip)]
    pub coat_id: Option<CoatId>,
    /// The treatment it belongs to, planned or recorded.
    #[garde(skip)]
    pub treatment_id: Option<TreatmentId>,
    /// What is to be seen.
    #[garde(length(chars, min = 1, max = 1000))]
    #[schema(min_length = 1, max_length = 1000)]
    pub caption: Option<String>,
    /// The day it was taken or made out.
    #[garde(custom(within_years))]
    pub taken_on: Option<NaiveDate>,
    /// Who took it or made it out.
    #[garde(length(chars, min = 1, max = 200))]
    #[schema(min_length = 1, max_length = 200)]
    pub taken_by: Option<String>,
    /// Entered in error: it stays in the history, with its bytes, and is shown nowhere else.
    #[serde(default)]
    #[garde(skip)]
    pub withdrawn: bool,
    /// Why this version corrects the one before.
    #[garde(length(chars, min = 1, max = 1000))]
    #[schema(min_length = 1, max_length = 1000)]
    pub correction_reason: Option<String>,
}

impl AttachmentFields {
    /// The fields of a new attachment of this type.
    ///
    /// # Errors
    /// Invalid, with every field at fault.
    pub fn made(self, media_type: MediaType, now: DateTime<Utc>) -> Result<Self> {
        let mut faults = Faults::default();
        faults.refuse_correction(self.withdrawn, self.correction_reason.as_deref());
        self.check(&mut faults, media_type, now);
        faults.or(self)
    }

    /// The fields as the next version of `before`: a reason is required unless they only add what was not there.
    ///
    /// # Errors
    /// Invalid, with every field at fault.
    pub fn changing(self, before: &Self, media_type: MediaType, now: DateTime<Utc>) -> Result<Self> {
        let mut faults = Faults::default();
        faults.fixed("/vessel_id", &before.vessel_id, &self.vessel_id);
        if !self.only_adds_to(before) {
            faults.require_reason(self.correction_reason.as_deref());
        }
        self.check(&mut faults, media_type, now);
        faults.or(self)
    }

    /// The fields without the reason of the last correction, for a change to start from.
    #[must_use]
    pub fn without_reason(self) -> Self {
        Self { correction_reason: None, ..self }
    }

    fn only_adds_to(&self, before: &Self) -> bool {
        fn adds<T: PartialEq>(before: &Option<T>, after: &Option<T>) -> bool {
            before.is_none() || before == after
        }
        self.kind == before.kind
            && self.withdrawn == before.withdrawn
            && adds(&before.survey_id, &self.survey_id)
            && adds(&before.finding_id, &self.finding_id)
            && adds(&before.station_id, &self.station_id)
            && adds(&before.coat_id, &self.coat_id)
            && adds(&before.treatment_id, &self.treatment_id)
            && adds(&before.caption, &self.caption)
            && adds(&before.taken_on, &self.taken_on)
            && adds(&before.taken_by, &self.taken_by)
    }

    fn check(&self, faults: &mut Faults, media_type: MediaType, now: DateTime<Utc>) {
        faults.refuse_future("/taken_on", self.taken_on, now);
        faults.refuse_if(
            self.kind == AttachmentKind::Photograph && media_type == MediaType::Pdf,
            "/kind",
            "not_a_picture",
            "is photograph, but the file is a PDF. Enter certificate, or send a picture.",
        );
    }
}

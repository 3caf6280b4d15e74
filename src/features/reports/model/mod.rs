//! The fields of calendars, the weekly letter, and how a calendar's lines are folded.

pub mod digest;
pub mod folding;

use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::ids::SiteId;
use crate::science::forecast::dates::DueKind;

/// A calendar that a person subscribes to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, Validate, ToSchema)]
#[garde(allow_unvalidated)]
pub struct CalendarFeedFields {
    /// What it is called, here and in the calendar.
    #[garde(length(chars, min = 1, max = 200))]
    #[schema(min_length = 1, max_length = 200)]
    pub name: String,
    /// Only of vessels lying at this site.
    #[serde(default)]
    pub site_id: Option<SiteId>,
    /// Only of this kind.
    #[serde(default)]
    pub kind: Option<DueKind>,
    /// Whether it has ended: its address then answers nothing any more, for good.
    #[serde(default)]
    pub ended: bool,
}

//! Stations: the fixed places of a hull where readings are taken.

use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::fact::Faults;
use crate::error::Result;
use crate::features::vessels::model::{HullPart, Side, Zone};
use crate::ids::VesselId;

/// A fixed place on a vessel's bottom where readings are taken again and again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct StationFields {
    /// The vessel. Fixed.
    #[garde(skip)]
    pub vessel_id: VesselId,
    /// What it is called, unique on the vessel.
    #[garde(length(chars, min = 1, max = 40))]
    #[schema(min_length = 1, max_length = 40, example = "P3")]
    pub code: String,
    /// Which hull.
    #[garde(skip)]
    pub hull: HullPart,
    /// Which side of it.
    #[garde(skip)]
    pub side: Side,
    /// In which zone.
    #[garde(skip)]
    pub zone: Zone,
    /// Aft from the forward end of the waterline.
    #[garde(range(min = -5.0, max = 105.0))]
    #[schema(minimum = -5, maximum = 105)]
    pub x_m: Option<f64>,
    /// Up from the centreline, along the skin.
    #[garde(range(min = 0.0, max = 40.0))]
    #[schema(minimum = 0, maximum = 40)]
    pub girth_m: Option<f64>,
}

impl StationFields {
    /// The fields as a change of `before`.
    ///
    /// # Errors
    /// Invalid, when the vessel is another.
    pub fn changing(self, before: &Self) -> Result<Self> {
        let mut faults = Faults::default();
        faults.fixed("/vessel_id", &before.vessel_id, &self.vessel_id);
        faults.or(self)
    }
}

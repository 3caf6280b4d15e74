//! A zone of a plan, and its area by girths.

use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::features::vessels::model::Zone;
use crate::science::bottom_area::{AreaMethod, BottomAreaInput, GirthStation, bottom_area};
use crate::science::refusal::Refusals;

/// A zone of a plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct PlanZone {
    /// The zone.
    #[garde(skip)]
    pub zone: Zone,
    /// Its area, for the quantities. Where it is left out the girths give it, else those last entered in a plan of the
    /// vessel, for the bottom else a formula of the vessel's form.
    #[garde(range(min = 0.01, max = 2000.0))]
    #[schema(minimum = 0.01, maximum = 2000)]
    pub area_m2: Option<f64>,
    /// Girths measured across the zone, from forward aft, from end to end; at least three.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[garde(length(max = 101), dive)]
    #[schema(max_items = 101)]
    pub girths: Vec<Girth>,
}

/// A girth measured across a zone.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct Girth {
    /// Aft from the forward end of the waterline.
    #[garde(range(min = -10.0, max = 110.0))]
    #[schema(minimum = -10, maximum = 110)]
    pub x_m: f64,
    /// The whole girth, from one side to the other.
    #[garde(range(min = 0.0, max = 60.0))]
    #[schema(minimum = 0, maximum = 60)]
    pub girth_m: f64,
}

impl PlanZone {
    /// The area by its girths; none without any.
    ///
    /// # Errors
    /// Too few, out of order, or out of the range of the science.
    pub fn area_by_girths_m2(&self) -> Result<Option<f64>, Refusals> {
        if self.girths.is_empty() {
            return Ok(None);
        }
        let stations =
            self.girths.iter().map(|girth| GirthStation { x_m: girth.x_m, girth_m: girth.girth_m });
        let input =
            BottomAreaInput { stations: Some(stations.collect()), ..BottomAreaInput::of(AreaMethod::Girths) };
        bottom_area(&input).map(|output| Some(output.area_m2))
    }
}

//! Water in a hull's laminate, and the exposure that leads to blisters: the `exposure` calculator.
//!
//! The unknown is the water activity `a(x, t)` of the structural laminate, x = 0 at the outer face:
//!
//! ```text
//! S ∂a/∂t = ∂/∂x(D S ∂a/∂x),  D = D15·arr(T),  arr(T) = exp(-E/R(1/T - 1/288.15))
//! outer face: flux = (a_out - a)/(R_skin/arr(T)),  inner face: flux = (a - a_in)/(R_inner/arr(T))
//! ```
//!
//! Skin and laminate share one activation energy, so temperature only stretches time, and between changes of the
//! skin the solution is a sum of decaying modes ([`crate::science::slab`]). A film's own storage is neglected:
//! its time lag is days, the laminate's is months.
//!
//! Exposure, in years at 15 °C with liquid fresh water at the face of a laminate under the reference gelcoat, with
//! `a*` the activity inside the pocket:
//!
//! ```text
//! X = ∫ φ max(0, (a_face - a*)/(1 - a*)) exp(-Eh/R(1/T - 1/288.15)) dt,  φ = (R_ref + R_pocket)/(R_skin + R_pocket)
//! ```
//!
//! Sources: Carslaw and Jaeger 1959, section 3.11, and Crank 1975, sections 4.3.6-4.3.7, for the diffusion; that
//! the skin decides when blisters start: reports of Rockett, Rose and co-workers to the US Coast Guard, 1987-88.
//! The exposure integral itself is the project's own model.

mod input;
mod water_state;

pub use input::{ExposureInput, ExposureOutput, MAX_SEGMENTS, exposure};
pub use water_state::{WaterState, run};

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Seconds in a day.
pub const SECONDS_PER_DAY: f64 = 86_400.0;

/// Seconds in a year of 365.25 days, the year of exposure.
pub const SECONDS_PER_YEAR: f64 = 365.25 * SECONDS_PER_DAY;

/// A structural laminate as water sees it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Laminate {
    /// Thickness l, m.
    pub thickness_m: f64,
    /// Diffusivity D₁₅ of water at 15 °C, m²/s.
    pub diffusivity_15c_m2_s: f64,
    /// Water held per unit of activity S, kg/m³.
    pub capacity_kg_m3: f64,
    /// Activation energy E of diffusion, for laminate and skin alike, J/mol.
    pub activation_energy_j_mol: f64,
}

/// What stays the same of a hull while water moves through it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HullWater {
    /// The structural laminate.
    pub laminate: Laminate,
    /// Resistance at the inner face at 15 °C, m² s/kg; 0 is a bare inside.
    pub inner_resistance_m2_s_kg: f64,
    /// Resistance of the reference gelcoat at 15 °C, m² s/kg.
    pub reference_skin_resistance_m2_s_kg: f64,
    /// Resistance between the skin and a soluble pocket at 15 °C, m² s/kg; above 0.
    pub pocket_resistance_m2_s_kg: f64,
    /// Water activity a* inside the pocket; below 1.
    pub threshold_activity: f64,
    /// Activation energy Eh of hydrolysis, J/mol.
    pub hydrolysis_activation_energy_j_mol: f64,
}

/// A stretch of time with everything outside the laminate held constant.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Segment {
    /// Length, days.
    pub days: f64,
    /// Temperature of skin and laminate, °C.
    pub temperature_c: f64,
    /// Water activity outside: that of the water afloat, relative humidity ashore.
    pub outer_activity: f64,
    /// Water activity inside, in the bilge.
    pub inner_activity: f64,
    /// Resistance of the skin at 15 °C, m² s/kg; 0 is an open break.
    pub skin_resistance_15c_m2_s_kg: f64,
}

/// The laminate at the end of a segment.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct SegmentEnd {
    /// Water activity at the laminate's outer face, under the skin.
    pub outer_face_activity: f64,
    /// Mean water activity of the laminate.
    pub mean_activity: f64,
    /// Exposure since the start, years.
    pub exposure_years: f64,
}

//! The `exposure` calculator: its input, what it refuses, its answer.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{HullWater, Laminate, SECONDS_PER_DAY, Segment, SegmentEnd, WaterState, run};
use crate::science::arrhenius;
use crate::science::model::Model;
use crate::science::refusal::Refusals;
use crate::science::slab::SHORTEST_FOURIER;

/// Longest history the calculator takes.
pub const MAX_SEGMENTS: usize = 5_000;

/// Refusals listed before the rest of the segments is left unread.
const MOST_REFUSALS: usize = 100;

/// Highest resistance taken, m² s/kg: about a hundred times a barrier's; beyond it a hull is sealed.
const MAX_RESISTANCE_M2_S_KG: f64 = 1e10;

/// A hull's laminate and what it went through.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ExposureInput {
    /// The structural laminate.
    pub laminate: Laminate,
    /// Resistance at the inner face at 15 °C, m² s/kg; 0 is a bare inside.
    pub inner_resistance_m2_s_kg: f64,
    /// Resistance of the reference gelcoat at 15 °C, m² s/kg.
    pub reference_skin_resistance_m2_s_kg: f64,
    /// Resistance between the skin and a soluble pocket at 15 °C, m² s/kg.
    pub pocket_resistance_m2_s_kg: f64,
    /// Water activity of the whole laminate at the start.
    pub initial_activity: f64,
    /// Water activity inside the pocket.
    pub threshold_activity: f64,
    /// Activation energy of hydrolysis, J/mol.
    pub hydrolysis_activation_energy_j_mol: f64,
    /// The history, first to last; at most 5,000.
    pub segments: Vec<Segment>,
}

/// The laminate at the end of every segment.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct ExposureOutput {
    /// One for each segment, in their order; exposure is cumulative.
    pub segments: Vec<SegmentEnd>,
    /// Which formula gave the answer.
    pub model: Model,
    /// What the answer cannot be used for.
    pub cautions: Vec<String>,
}

impl ExposureInput {
    /// The part of the input that stays the same through the history.
    #[must_use]
    pub fn hull(&self) -> HullWater {
        HullWater {
            laminate: self.laminate,
            inner_resistance_m2_s_kg: self.inner_resistance_m2_s_kg,
            reference_skin_resistance_m2_s_kg: self.reference_skin_resistance_m2_s_kg,
            pocket_resistance_m2_s_kg: self.pocket_resistance_m2_s_kg,
            threshold_activity: self.threshold_activity,
            hydrolysis_activation_energy_j_mol: self.hydrolysis_activation_energy_j_mol,
        }
    }

    fn check(&self) -> Result<(), Refusals> {
        let mut refusals = Refusals::default();
        let laminate = &self.laminate;
        for (pointer, value, low, high, unit) in [
            ("/laminate/thickness_m", laminate.thickness_m, 0.000_5, 0.2, "m"),
            ("/laminate/diffusivity_15c_m2_s", laminate.diffusivity_15c_m2_s, 1e-15, 1e-10, "m2/s"),
            ("/laminate/capacity_kg_m3", laminate.capacity_kg_m3, 0.1, 500.0, "kg/m3"),
            ("/laminate/activation_energy_j_mol", laminate.activation_energy_j_mol, 0.0, 200_000.0, "J/mol"),
            (
                "/inner_resistance_m2_s_kg",
                self.inner_resistance_m2_s_kg,
                0.0,
                MAX_RESISTANCE_M2_S_KG,
                "m2 s/kg",
            ),
            (
                "/reference_skin_resistance_m2_s_kg",
                self.reference_skin_resistance_m2_s_kg,
                0.0,
                MAX_RESISTANCE_M2_S_KG,
                "m2 s/kg",
            ),
            (
                "/pocket_resistance_m2_s_kg",
                self.pocket_resistance_m2_s_kg,
                1.0,
                MAX_RESISTANCE_M2_S_KG,
                "m2 s/kg",
            ),
            ("/initial_activity", self.initial_activity, 0.0, 1.0, ""),
            ("/threshold_activity", self.threshold_activity, 0.0, 0.999, ""),
            (
                "/hydrolysis_activation_energy_j_mol",
                self.hydrolysis_activation_energy_j_mol,
                0.0,
                200_000.0,
                "J/mol",
            ),
        ] {
            refusals.range(pointer, value, low, high, unit);
        }
        match self.segments.len() {
            0 => refusals.refuse("/segments", "empty", "is empty; enter at least one segment"),
            1..=MAX_SEGMENTS => {}
            count => refusals.refuse(
                "/segments",
                "too_many",
                format!("has {count} segments; enter at most {MAX_SEGMENTS}, joining those that are alike"),
            ),
        }
        let hull_is_sound = refusals.0.is_empty();
        for (index, segment) in self.segments.iter().take(MAX_SEGMENTS).enumerate() {
            if refusals.0.len() >= MOST_REFUSALS {
                break;
            }
            self.check_segment(index, segment, hull_is_sound, &mut refusals);
        }
        refusals.into_result()
    }

    fn check_segment(&self, index: usize, segment: &Segment, hull_is_sound: bool, refusals: &mut Refusals) {
        let before = refusals.0.len();
        for (field, value, low, high, unit) in [
            ("days", segment.days, 0.0, 36_525.0, "days"),
            ("temperature_c", segment.temperature_c, -30.0, 80.0, "°C"),
            ("outer_activity", segment.outer_activity, 0.0, 1.0, ""),
            ("inner_activity", segment.inner_activity, 0.0, 1.0, ""),
            (
                "skin_resistance_15c_m2_s_kg",
                segment.skin_resistance_15c_m2_s_kg,
                0.0,
                MAX_RESISTANCE_M2_S_KG,
                "m2 s/kg",
            ),
        ] {
            // The pointer is only spelt out for a value that is refused.
            if !(low..=high).contains(&value) {
                refusals.range(&format!("/segments/{index}/{field}"), value, low, high, unit);
            }
        }
        if hull_is_sound && refusals.0.len() == before {
            let shortest = shortest_days(&self.laminate, segment.temperature_c);
            if segment.days < shortest {
                refusals.refuse(
                    format!("/segments/{index}/days"),
                    "too_short",
                    format!(
                        "is {}, too short to be resolved in this laminate at this temperature; \
                         enter at least {shortest:.3} days",
                        segment.days
                    ),
                );
            }
        }
    }
}

/// The shortest segment the modes resolve in this laminate at this temperature, days.
fn shortest_days(laminate: &Laminate, temperature_c: f64) -> f64 {
    let diffusivity =
        laminate.diffusivity_15c_m2_s * arrhenius::ratio(laminate.activation_energy_j_mol, temperature_c);
    SHORTEST_FOURIER * laminate.thickness_m * laminate.thickness_m / diffusivity / SECONDS_PER_DAY
}

/// Follows the water in a laminate through a history and adds up its exposure.
///
/// ```
/// let input = serde_json::json!({
///     "laminate": {"thickness_m": 0.008, "diffusivity_15c_m2_s": 4e-13, "capacity_kg_m3": 15,
///                  "activation_energy_j_mol": 42000},
///     "inner_resistance_m2_s_kg": 0, "reference_skin_resistance_m2_s_kg": 7e7,
///     "pocket_resistance_m2_s_kg": 3e7, "initial_activity": 0.6, "threshold_activity": 0.85,
///     "hydrolysis_activation_energy_j_mol": 60000,
///     "segments": [{"days": 1461, "temperature_c": 12, "outer_activity": 0.981, "inner_activity": 0.65,
///                   "skin_resistance_15c_m2_s_kg": 7e7}]
/// });
/// let input = serde_json::from_value(input).expect("the fields above");
/// let output = garboard::science::exposure::exposure(&input).expect("values in range");
/// assert!(output.segments[0].exposure_years > 1.0);
/// ```
///
/// # Errors
/// Every field that is out of its range, with its pointer; a segment too short to be resolved.
pub fn exposure(input: &ExposureInput) -> Result<ExposureOutput, Refusals> {
    input.check()?;
    let hull = input.hull();
    let mut state = WaterState::new(&hull, input.initial_activity);
    let mut segments = Vec::with_capacity(input.segments.len());
    run(&hull, &mut state, &input.segments, |_, end| segments.push(end));
    Ok(ExposureOutput {
        segments,
        model: Model { name: "exposure", version: 1 },
        cautions: vec![
            "Exposure compares hulls and years; it is no measurement of moisture and no verdict on a laminate. \
             A qualified surveyor decides."
                .to_owned(),
            "Solid laminate only: water in a core, in voids or behind a delamination is not followed.".to_owned(),
        ],
    })
}

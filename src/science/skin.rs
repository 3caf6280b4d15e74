//! Resistance of a hull's skin to water: the `skin` calculator.
//!
//! Films in series: R = Σ thickness/permeability (Crank, The Mathematics of Diffusion, 2nd ed. 1975, section
//! 12.2), permeability per unit of water activity. Flakes lengthen the way through a film: Nielsen, J. Macromol.
//! Sci. A1 (1967) 929, for rolled and brushed films; Cussler et al., J. Membr. Sci. 38 (1988) 161, aligned
//! ribbons, as the other bound. Antifouling counts as no skin.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::model::Model;
use super::refusal::Refusals;

/// Saturation vapour pressure over water at 15 °C, Pa, as this project rounds it (Magnus after WMO-No. 8 gives 1702,
/// the steam tables 1706): turns a permeability per pascal into one per unit of activity.
pub const SATURATION_VAPOUR_PRESSURE_15C_PA: f64 = 1_704.0;

/// What a film of the skin is there for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum LayerRole {
    /// The moulded outer skin.
    Gelcoat,
    /// An unfilled epoxy that closes the surface.
    Sealer,
    /// A flake-filled epoxy that keeps water out.
    Barrier,
    /// A coat for looks or wear over the others.
    Topcoat,
}

/// The values used where a hull's own are not known. Common practice, no source; each one used is named in the
/// evidence of the date that rests on it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SkinDefaults {
    /// Gelcoat thickness, µm.
    pub gelcoat_thickness_um: f64,
    /// Gelcoat permeability at 15 °C per unit of activity, kg/(m s).
    pub gelcoat_permeability_kg_m_s: f64,
    /// Sealer and topcoat permeability at 15 °C per unit of activity, kg/(m s).
    pub sealer_permeability_kg_m_s: f64,
    /// Flake-filled barrier permeability at 15 °C per unit of activity, kg/(m s).
    pub barrier_permeability_kg_m_s: f64,
    /// A full barrier system's film, µm.
    pub barrier_thickness_um: f64,
    /// Resistance at the inner face, m² s/kg.
    pub inner_resistance_m2_s_kg: f64,
    /// Resistance of the reference gelcoat, m² s/kg.
    pub reference_skin_resistance_m2_s_kg: f64,
    /// Resistance between the skin and a pocket, m² s/kg.
    pub pocket_resistance_m2_s_kg: f64,
}

/// The defaults.
pub const SKIN_DEFAULTS: SkinDefaults = SkinDefaults {
    gelcoat_thickness_um: 600.0,
    gelcoat_permeability_kg_m_s: 8.6e-12,
    sealer_permeability_kg_m_s: 4e-12,
    barrier_permeability_kg_m_s: 2.3e-12,
    barrier_thickness_um: 250.0,
    inner_resistance_m2_s_kg: 0.0,
    reference_skin_resistance_m2_s_kg: 7e7,
    pocket_resistance_m2_s_kg: 3e7,
};

/// Permeability at 15 °C per unit of activity assumed for a film of this role, kg/(m s). A topcoat counts as a
/// sealer (common practice, no source).
///
/// ```
/// use garboard::science::skin::{LayerRole, default_permeability_kg_m_s};
/// assert!(default_permeability_kg_m_s(LayerRole::Barrier) < default_permeability_kg_m_s(LayerRole::Sealer));
/// ```
#[must_use]
pub fn default_permeability_kg_m_s(role: LayerRole) -> f64 {
    match role {
        LayerRole::Gelcoat => SKIN_DEFAULTS.gelcoat_permeability_kg_m_s,
        LayerRole::Sealer | LayerRole::Topcoat => SKIN_DEFAULTS.sealer_permeability_kg_m_s,
        LayerRole::Barrier => SKIN_DEFAULTS.barrier_permeability_kg_m_s,
    }
}

/// Resistance of one film, m² s/kg: thickness over permeability.
///
/// ```
/// use garboard::science::skin::{LayerRole, default_permeability_kg_m_s, layer_resistance_m2_s_kg};
/// let gelcoat = layer_resistance_m2_s_kg(600.0, default_permeability_kg_m_s(LayerRole::Gelcoat));
/// assert!((gelcoat - 7e7).abs() < 0.01 * 7e7);
/// ```
#[must_use]
pub fn layer_resistance_m2_s_kg(thickness_um: f64, permeability_kg_m_s: f64) -> f64 {
    thickness_um * 1e-6 / permeability_kg_m_s
}

/// How much longer flakes make the way through a film: 1 + (α/2)φ, φ their volume fraction and α their length
/// over their thickness (Nielsen 1967). For φ of 0 to 0.7.
///
/// ```
/// assert!((garboard::science::skin::tortuosity(0.1, 40.0) - 3.0).abs() < 1e-12);
/// ```
#[must_use]
pub fn tortuosity(volume_fraction: f64, aspect_ratio: f64) -> f64 {
    1.0 + aspect_ratio / 2.0 * volume_fraction
}

/// Permeability of a flake-filled film over that of its resin, (1 - φ)/(1 + (α/2)φ) (Nielsen 1967). For φ of 0 to 0.7.
///
/// ```
/// assert!((garboard::science::skin::flake_permeability_ratio(0.1, 40.0) - 0.3).abs() < 1e-12);
/// ```
#[must_use]
pub fn flake_permeability_ratio(volume_fraction: f64, aspect_ratio: f64) -> f64 {
    (1.0 - volume_fraction) / tortuosity(volume_fraction, aspect_ratio)
}

/// Permeability of a film of perfectly aligned ribbons over that of its resin, 1/(1 + α²φ²/(1 - φ)), here with α
/// half the ribbon's width over its thickness (Cussler et al. 1988): the other bound. For φ of 0 to 0.7.
///
/// ```
/// let ratio = garboard::science::skin::aligned_ribbon_permeability_ratio(0.5, 4.0);
/// assert!((ratio - 1.0 / 9.0).abs() < 1e-12);
/// ```
#[must_use]
pub fn aligned_ribbon_permeability_ratio(volume_fraction: f64, half_aspect_ratio: f64) -> f64 {
    let reach = half_aspect_ratio * volume_fraction;
    1.0 / (1.0 + reach * reach / (1.0 - volume_fraction))
}

/// Flakes in a film.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Flake {
    /// Volume of flakes over volume of dry film.
    pub volume_fraction: f64,
    /// Length of a flake over its thickness.
    pub aspect_ratio: f64,
}

/// One film of a skin. Exactly one of the two permeabilities is given; with `flake` it is that of the resin.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SkinLayer {
    /// What the film is there for.
    pub role: LayerRole,
    /// Dry film thickness, µm.
    pub thickness_um: f64,
    /// Permeability at 15 °C per unit of activity, kg/(m s).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub permeability_kg_m_s: Option<f64>,
    /// Permeability at 15 °C per pascal of vapour pressure, kg/(m s Pa).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub permeability_kg_m_s_pa: Option<f64>,
    /// Flakes in the film, if the permeability is that of the resin without them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flake: Option<Flake>,
}

/// A skin, its films in any order.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SkinInput {
    /// The films; at most 100.
    pub layers: Vec<SkinLayer>,
}

/// What one film adds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct LayerResistance {
    /// Resistance at 15 °C, m² s/kg.
    pub resistance_m2_s_kg: f64,
    /// Its part of the whole, 0 to 1.
    pub share: f64,
}

/// A skin's resistance.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct SkinOutput {
    /// Resistance of the whole skin at 15 °C, m² s/kg.
    pub resistance_m2_s_kg: f64,
    /// One for each film, in their order.
    pub layers: Vec<LayerResistance>,
    /// Tortuosity of the flake-filled film, the greatest if there are several; 1 without flakes.
    pub tortuosity: f64,
    /// Which formula gave the answer.
    pub model: Model,
}

impl SkinLayer {
    fn check(&self, index: usize, refusals: &mut Refusals) {
        let at = |field: &str| format!("/layers/{index}/{field}");
        refusals.range(&at("thickness_um"), self.thickness_um, 1.0, 20_000.0, "µm");
        match (self.permeability_kg_m_s, self.permeability_kg_m_s_pa) {
            (Some(per_activity), None) => {
                refusals.range(&at("permeability_kg_m_s"), per_activity, 1e-16, 1e-6, "kg/(m s)");
            }
            (None, Some(per_pascal)) => {
                refusals.range(&at("permeability_kg_m_s_pa"), per_pascal, 1e-19, 1e-9, "kg/(m s Pa)");
            }
            (None, None) => refusals.refuse(
                at("permeability_kg_m_s"),
                "required",
                "is missing; enter permeability_kg_m_s or permeability_kg_m_s_pa",
            ),
            (Some(_), Some(_)) => refusals.refuse(
                at("permeability_kg_m_s_pa"),
                "exclusive",
                "stands beside permeability_kg_m_s; enter only one of the two",
            ),
        }
        if let Some(flake) = self.flake {
            refusals.range(&at("flake/volume_fraction"), flake.volume_fraction, 0.0, 0.7, "");
            refusals.range(&at("flake/aspect_ratio"), flake.aspect_ratio, 1.0, 1_000.0, "");
        }
    }

    /// Permeability of the film as it is, per unit of activity; 0 when none was given.
    fn permeability_kg_m_s(&self) -> f64 {
        let per_activity = self.permeability_kg_m_s.unwrap_or_else(|| {
            self.permeability_kg_m_s_pa
                .map_or(0.0, |per_pascal| per_pascal * SATURATION_VAPOUR_PRESSURE_15C_PA)
        });
        let filled = |flake: Flake| flake_permeability_ratio(flake.volume_fraction, flake.aspect_ratio);
        per_activity * self.flake.map_or(1.0, filled)
    }
}

/// Resistance of a skin from its films.
///
/// # Formula
/// `R = Σ thickness/permeability` (films in series, Crank 1975, §12.2), m² s/kg at 15 °C; a flake-filled film's
/// permeability is its resin's times `(1 - φ)/(1 + (α/2) φ)` (Nielsen 1967); one per pascal times 1,704 Pa is one per unit
/// of activity. Films of 1 to 20,000 µm, permeabilities of 1e-16 to 1e-6 kg/(m s), flakes to 0.7 of the volume and of 1
/// to 1,000 times their thickness.
///
/// ```
/// let input = serde_json::json!({"layers": [
///     {"role": "gelcoat", "thickness_um": 600, "permeability_kg_m_s": 8.6e-12},
///     {"role": "barrier", "thickness_um": 250, "permeability_kg_m_s": 2.3e-12}
/// ]});
/// let input = serde_json::from_value(input).expect("the fields above");
/// let skin = garboard::science::skin::skin(&input).expect("values in range");
/// assert!(skin.layers[1].share > skin.layers[0].share);
/// ```
///
/// # Errors
/// No layers or more than 100; a value out of its range; none or both of the permeabilities.
pub fn skin(input: &SkinInput) -> Result<SkinOutput, Refusals> {
    let mut refusals = Refusals::default();
    match input.layers.len() {
        0 => refusals.refuse("/layers", "empty", "is empty; enter at least one film"),
        1..=100 => {}
        count => {
            refusals.refuse("/layers", "too_many", format!("has {count} films; enter at most 100"));
        }
    }
    for (index, layer) in input.layers.iter().take(100).enumerate() {
        layer.check(index, &mut refusals);
    }
    refusals.into_result()?;
    let resistances: Vec<f64> = input
        .layers
        .iter()
        .map(|layer| layer_resistance_m2_s_kg(layer.thickness_um, layer.permeability_kg_m_s()))
        .collect();
    let whole: f64 = resistances.iter().sum();
    Ok(SkinOutput {
        resistance_m2_s_kg: whole,
        layers: resistances
            .into_iter()
            .map(|resistance| LayerResistance { resistance_m2_s_kg: resistance, share: resistance / whole })
            .collect(),
        tortuosity: input
            .layers
            .iter()
            .filter_map(|layer| layer.flake)
            .map(|flake| tortuosity(flake.volume_fraction, flake.aspect_ratio))
            .fold(1.0, f64::max),
        model: Model { name: "skin", version: 1 },
    })
}

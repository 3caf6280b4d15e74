//! Water activity and osmotic pressure of sea water: the `seawater` calculator.
//!
//! The chemical potential of water in sea water, relative to pure water at the same temperature and pressure, is
//! g^S - S ∂g^S/∂S with the saline part g^S(S, T, p) of the Gibbs function: IAPWS, Release on the IAPWS
//! Formulation 2008 for the Thermodynamic Properties of Seawater (IAPWS R13-08, part of TEOS-10); R. Feistel,
//! Deep-Sea Research I 55 (2008) 1639-1672. Pressure acts on pure water as in IAPWS SR7-09 (Feistel 2003).
//! Absolute salinity S in kg/kg; p₀ = 101 325 Pa. Valid here: 0-42 g/kg, 0-35 °C, within 2e-6 of GSW.

mod coefficients;

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::arrhenius::ZERO_CELSIUS_K;
use super::model::Model;
use super::refusal::Refusals;
use coefficients::{SALINE, WATER_PRESSURE};

/// Specific gas constant of water, J/(kg K): molar gas constant 8.314472 (CODATA 2006, as IAPWS R13-08 has it)
/// over the molar mass of water.
const WATER_GAS_CONSTANT_J_KG_K: f64 = 8.314_472 / WATER_MOLAR_MASS_KG_MOL;

/// Molar mass of water, kg/mol (IAPWS R13-08).
const WATER_MOLAR_MASS_KG_MOL: f64 = 0.018_015_268;

/// Mean molar mass of sea salt, kg/mol (reference composition: Millero et al. 2008).
const SALT_MOLAR_MASS_KG_MOL: f64 = 0.031_403_821_8;

/// Salinity at which the reduced root of salinity is 1, kg/kg.
const SALINITY_SCALE: f64 = 0.035_165_04 * 40.0 / 35.0;

/// Highest absolute salinity taken, g/kg.
pub const MAX_ABSOLUTE_SALINITY_G_KG: f64 = 42.0;

/// A water.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SeawaterInput {
    /// Absolute salinity, g/kg; 0 to 42.
    pub absolute_salinity_g_kg: f64,
    /// Temperature, °C; 0 to 35.
    pub temperature_c: f64,
}

/// How strongly a water draws water.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct SeawaterOutput {
    /// Water activity, relative to pure water at the same temperature.
    pub water_activity: f64,
    /// Osmotic coefficient; null in fresh water, which has none.
    pub osmotic_coefficient: Option<f64>,
    /// Osmotic pressure against pure water at atmospheric pressure, bar.
    pub osmotic_pressure_bar: f64,
    /// Which formula gave the answer.
    pub model: Model,
}

/// Water activity, osmotic coefficient and osmotic pressure of a sea water.
///
/// # Formula
/// `ln a = (g^S - S ∂g^S/∂S)/(R_w T)`; osmotic coefficient `-ln a/(m M_w)`; osmotic pressure where the potential of
/// water in the sea water is that of pure water at 101,325 Pa (IAPWS R13-08 with SR7-09, as in TEOS-10). Absolute
/// salinity of 0 to 42 g/kg, 0 to 35 °C.
///
/// ```
/// use garboard::science::seawater::{SeawaterInput, seawater};
/// let sea = SeawaterInput { absolute_salinity_g_kg: 35.165, temperature_c: 15.0 };
/// let answer = seawater(&sea).expect("in range");
/// assert!((answer.water_activity - 0.9813).abs() < 1e-4);
/// ```
///
/// # Errors
/// A salinity outside 0..42 g/kg or a temperature outside 0..35 °C.
pub fn seawater(input: &SeawaterInput) -> Result<SeawaterOutput, Refusals> {
    let mut refusals = Refusals::default();
    let salinity = input.absolute_salinity_g_kg;
    refusals.range("/absolute_salinity_g_kg", salinity, 0.0, MAX_ABSOLUTE_SALINITY_G_KG, "g/kg");
    refusals.range("/temperature_c", input.temperature_c, 0.0, 35.0, "°C");
    refusals.into_result()?;
    Ok(SeawaterOutput {
        water_activity: water_activity(salinity, input.temperature_c),
        osmotic_coefficient: osmotic_coefficient(salinity, input.temperature_c),
        osmotic_pressure_bar: osmotic_pressure_bar(salinity, input.temperature_c),
        model: Model { name: "seawater", version: 1 },
    })
}

/// Water activity of sea water at atmospheric pressure: `ln a = (g^S - S ∂g^S/∂S)/(R_w T)` (IAPWS R13-08), for 0 to
/// 42 g/kg and 0 to 35 °C.
///
/// ```
/// use garboard::science::seawater::water_activity;
/// assert!((water_activity(35.165, 15.0) - 0.9813).abs() < 1e-4);
/// ```
#[must_use]
pub fn water_activity(absolute_salinity_g_kg: f64, temperature_c: f64) -> f64 {
    log_activity(absolute_salinity_g_kg, temperature_c).exp()
}

/// Osmotic coefficient `-ln a/(m M_w)`, `m = S/((1 - S) M_s)` the molality of the salt; none in fresh water. Ranges as
/// for [`water_activity`].
///
/// ```
/// use garboard::science::seawater::osmotic_coefficient;
/// assert!((osmotic_coefficient(35.165, 15.0).expect("salt") - 0.901).abs() < 0.002);
/// assert!(osmotic_coefficient(0.0, 15.0).is_none());
/// ```
#[must_use]
pub fn osmotic_coefficient(absolute_salinity_g_kg: f64, temperature_c: f64) -> Option<f64> {
    let salinity = absolute_salinity_g_kg / 1_000.0;
    let molality = salinity / ((1.0 - salinity) * SALT_MOLAR_MASS_KG_MOL);
    (salinity > 0.0)
        .then(|| -log_activity(absolute_salinity_g_kg, temperature_c) / (molality * WATER_MOLAR_MASS_KG_MOL))
}

/// Osmotic pressure, bar: the pressure above atmospheric at which water in the sea water has the chemical
/// potential of pure water at atmospheric pressure. Ranges as for [`water_activity`].
///
/// ```
/// use garboard::science::seawater::osmotic_pressure_bar;
/// assert!((24.0..26.5).contains(&osmotic_pressure_bar(35.165, 15.0)));
/// ```
#[must_use]
pub fn osmotic_pressure_bar(absolute_salinity_g_kg: f64, temperature_c: f64) -> f64 {
    const BAR_PER_REDUCED: f64 = 1_000.0;
    let potential = |pressure: f64| {
        saline_potential_j_kg(absolute_salinity_g_kg, temperature_c, pressure)
            + water_pressure_potential_j_kg(temperature_c, pressure)
    };
    // The potential rises almost straight with pressure, by the volume of water: secants close in at once.
    let (mut low, mut pressure) = (0.0, 0.02);
    let mut at_low = potential(low);
    for _ in 0..20 {
        let at_pressure = potential(pressure);
        let step = at_pressure * (pressure - low) / (at_pressure - at_low);
        (low, at_low) = (pressure, at_pressure);
        pressure -= step;
        if step.abs() < 1e-12 {
            break;
        }
    }
    pressure * BAR_PER_REDUCED
}

fn log_activity(absolute_salinity_g_kg: f64, temperature_c: f64) -> f64 {
    saline_potential_j_kg(absolute_salinity_g_kg, temperature_c, 0.0)
        / (WATER_GAS_CONSTANT_J_KG_K * (temperature_c + ZERO_CELSIUS_K))
}

/// g^S - S ∂g^S/∂S, J/kg, at a pressure above atmospheric, in hundreds of megapascals.
///
/// `g^S/(1 J/kg) = Σ (g_1jk ξ² ln ξ + Σ g_ijk ξⁱ) τʲ πᵏ` with ξ² = S/S*, τ = t/40 °C; S ∂/∂S turns ξⁱ into (i/2) ξⁱ
/// and ξ² ln ξ into ξ² ln ξ + ξ²/2.
fn saline_potential_j_kg(absolute_salinity_g_kg: f64, temperature_c: f64, pressure: f64) -> f64 {
    let root = (absolute_salinity_g_kg / 1_000.0 / SALINITY_SCALE).sqrt();
    let tau = temperature_c / 40.0;
    let term = |&(i, j, k, g): &(i32, i32, i32, f64)| {
        let salinity_part =
            if i == 1 { -root * root / 2.0 } else { (1.0 - f64::from(i) / 2.0) * root.powi(i) };
        g * salinity_part * tau.powi(j) * pressure.powi(k)
    };
    SALINE.iter().map(term).sum()
}

/// Gibbs function of pure water less its value at atmospheric pressure, J/kg.
fn water_pressure_potential_j_kg(temperature_c: f64, pressure: f64) -> f64 {
    let tau = temperature_c / 40.0;
    WATER_PRESSURE.iter().map(|&(j, k, g)| g * tau.powi(j) * pressure.powi(k)).sum()
}

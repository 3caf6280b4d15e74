//! Dew point, vapour pressure and the climate a coat may be put on in: `dew-point` and `coating-climate`.
//!
//! Saturation over water: `e_s = 6.112 exp(17.62 T/(243.12 + T))` hPa, T in °C, -45..60 °C (Magnus form; WMO-No. 8,
//! Guide to Instruments and Methods of Observation, annex 4.B; the constants of Sonntag 1990). Below 0 °C the
//! dew point is over supercooled water; a frost point lies up to 1.7 K higher.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::arrhenius::ZERO_CELSIUS_K;
use super::cautions::{Work, cautions};
use super::model::Model;
use super::refusal::Refusals;

/// Lowest temperature the Magnus form holds for, °C.
pub const MIN_AIR_TEMPERATURE_C: f64 = -45.0;

/// Highest temperature the Magnus form holds for, °C.
pub const MAX_AIR_TEMPERATURE_C: f64 = 60.0;

/// Specific gas constant of water vapour, J/(kg K).
const VAPOUR_GAS_CONSTANT_J_KG_K: f64 = 461.523;

/// Rounding that a value exactly on its limit is forgiven.
const ROUNDING: f64 = 1e-9;

/// Air.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DewPointInput {
    /// Temperature of the air, °C; -45 to 60.
    pub air_temperature_c: f64,
    /// Relative humidity over water, %; above 0, to 100.
    pub relative_humidity_pct: f64,
}

/// The water in the air.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct DewPointOutput {
    /// Temperature at which the air would be saturated over water, °C.
    pub dew_point_c: f64,
    /// Partial pressure of water vapour, hPa.
    pub vapour_pressure_hpa: f64,
    /// Mass of vapour in a volume of air, g/m³.
    pub absolute_humidity_g_m3: f64,
    /// Which formula gave the answer.
    pub model: Model,
}

/// What a coat asks of the climate. Settings: the defaults are the guidance of ISO 8502-4 (3 K, 85 %) and common
/// practice (10 to 35 °C); a product's data sheet goes before them.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
pub struct CoatingLimits {
    /// Least margin of the surface over the dew point, K.
    pub min_margin_k: f64,
    /// Highest relative humidity, %.
    pub max_relative_humidity_pct: f64,
    /// Coldest surface, °C.
    pub min_surface_temperature_c: f64,
    /// Warmest surface, °C.
    pub max_surface_temperature_c: f64,
}

impl Default for CoatingLimits {
    fn default() -> Self {
        Self {
            min_margin_k: 3.0,
            max_relative_humidity_pct: 85.0,
            min_surface_temperature_c: 10.0,
            max_surface_temperature_c: 35.0,
        }
    }
}

/// Air, a surface to be coated, and the limits.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CoatingClimateInput {
    /// Temperature of the air, °C; -45 to 60.
    pub air_temperature_c: f64,
    /// Relative humidity over water, %; above 0, to 100.
    pub relative_humidity_pct: f64,
    /// Temperature of the surface, °C.
    pub surface_temperature_c: f64,
    /// The limits; those not given are the defaults.
    #[serde(default)]
    pub limits: CoatingLimits,
}

/// One limit that is not kept.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct ClimateRefusal {
    /// A stable word: `margin_too_small`, `air_too_humid`, `surface_too_cold` or `surface_too_warm`.
    pub code: &'static str,
    /// One sentence with the numbers.
    pub detail: String,
}

/// Whether a coat may be put on now.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct CoatingClimateOutput {
    /// Dew point of the air, °C.
    pub dew_point_c: f64,
    /// Surface temperature less the dew point, K.
    pub margin_k: f64,
    /// Every limit is kept; a value exactly on its limit keeps it.
    pub allowed: bool,
    /// The limits that are not kept.
    pub refusals: Vec<ClimateRefusal>,
    /// Which formula gave the answer.
    pub model: Model,
    /// What to mind.
    pub cautions: Vec<&'static str>,
}

/// Saturation vapour pressure over water, hPa: `6.112 exp(17.62 T/(243.12 + T))` (Magnus, WMO-No. 8 annex 4.B), for -45
/// to 60 °C.
///
/// ```
/// use garboard::science::moist_air::saturation_vapour_pressure_hpa;
/// assert!((saturation_vapour_pressure_hpa(0.0) - 6.112).abs() < 1e-12);
/// ```
#[must_use]
pub fn saturation_vapour_pressure_hpa(temperature_c: f64) -> f64 {
    6.112 * (17.62 * temperature_c / (243.12 + temperature_c)).exp()
}

/// The temperature at which this vapour pressure saturates, °C: the Magnus form solved for T, for pressures of -45 to
/// 60 °C (0.11 to 200 hPa).
///
/// ```
/// use garboard::science::moist_air::dew_point_of_vapour_pressure_c;
/// assert!(dew_point_of_vapour_pressure_c(6.112).abs() < 1e-9);
/// ```
#[must_use]
pub fn dew_point_of_vapour_pressure_c(vapour_pressure_hpa: f64) -> f64 {
    let log = (vapour_pressure_hpa / 6.112).ln();
    243.12 * log / (17.62 - log)
}

fn check_air(air_temperature_c: f64, relative_humidity_pct: f64, refusals: &mut Refusals) {
    refusals.range(
        "/air_temperature_c",
        air_temperature_c,
        MIN_AIR_TEMPERATURE_C,
        MAX_AIR_TEMPERATURE_C,
        "°C",
    );
    // Perfectly dry air has no dew point.
    refusals.range("/relative_humidity_pct", relative_humidity_pct, 0.01, 100.0, "%");
    if refusals.0.is_empty() {
        let vapour = saturation_vapour_pressure_hpa(air_temperature_c) * relative_humidity_pct / 100.0;
        if vapour < saturation_vapour_pressure_hpa(MIN_AIR_TEMPERATURE_C) * (1.0 - ROUNDING) {
            refusals.refuse(
                "/relative_humidity_pct",
                "out_of_range",
                format!(
                    "is {relative_humidity_pct}, which puts the dew point under {MIN_AIR_TEMPERATURE_C} °C, where \
                     the formula does not hold; enter a higher humidity"
                ),
            );
        }
    }
}

/// Dew point, vapour pressure and absolute humidity of air.
///
/// # Formula
/// `e = e_s(T) RH/100`; `g = ln(e/6.112)`, `T_d = 243.12 g/(17.62 - g)`; `ρ = e/(461.523 (T + 273.15))`.
/// WMO-No. 8, annex 4.B; the ideal gas. Valid from -45 to 60 °C, of the air and of the dew point.
///
/// ```
/// use garboard::science::moist_air::{DewPointInput, dew_point};
/// let air = DewPointInput { air_temperature_c: 20.0, relative_humidity_pct: 70.0 };
/// assert!((dew_point(&air).expect("in range").dew_point_c - 14.36).abs() < 0.01);
/// ```
///
/// # Errors
/// A temperature or humidity outside the range, or so dry that the dew point lies outside it.
pub fn dew_point(input: &DewPointInput) -> Result<DewPointOutput, Refusals> {
    let mut refusals = Refusals::default();
    check_air(input.air_temperature_c, input.relative_humidity_pct, &mut refusals);
    refusals.into_result()?;
    let share = input.relative_humidity_pct / 100.0;
    let vapour_pressure_hpa = saturation_vapour_pressure_hpa(input.air_temperature_c) * share;
    let kelvin = input.air_temperature_c + ZERO_CELSIUS_K;
    Ok(DewPointOutput {
        dew_point_c: dew_point_of_vapour_pressure_c(vapour_pressure_hpa),
        vapour_pressure_hpa,
        absolute_humidity_g_m3: vapour_pressure_hpa * 100.0 / (VAPOUR_GAS_CONSTANT_J_KG_K * kelvin) * 1_000.0,
        model: Model { name: "dew-point", version: 1 },
    })
}

/// Whether the climate allows a coat to be put on a surface.
///
/// # Formula
/// Surface at least 3 K above the dew point and relative humidity at most 85 % (guidance of ISO 8502-4), the surface
/// between the temperatures of the data sheet; a value exactly on its limit is allowed. Surfaces from -45 to 100 °C.
///
/// ```
/// let input = serde_json::json!({"air_temperature_c": 20, "relative_humidity_pct": 70, "surface_temperature_c": 17});
/// let input = serde_json::from_value(input).expect("the fields above");
/// let answer = garboard::science::moist_air::coating_climate(&input).expect("in range");
/// assert!(!answer.allowed && answer.refusals[0].code == "margin_too_small");
/// ```
///
/// # Errors
/// A value outside its range; limits that leave nothing allowed.
pub fn coating_climate(input: &CoatingClimateInput) -> Result<CoatingClimateOutput, Refusals> {
    let mut refused = Refusals::default();
    check_air(input.air_temperature_c, input.relative_humidity_pct, &mut refused);
    let (surface, limits) = (input.surface_temperature_c, input.limits);
    for (pointer, value, low, high, unit) in [
        ("/surface_temperature_c", surface, MIN_AIR_TEMPERATURE_C, 100.0, "°C"),
        ("/limits/min_margin_k", limits.min_margin_k, 0.0, 50.0, "K"),
        ("/limits/max_relative_humidity_pct", limits.max_relative_humidity_pct, 0.0, 100.0, "%"),
        ("/limits/min_surface_temperature_c", limits.min_surface_temperature_c, -45.0, 100.0, "°C"),
        ("/limits/max_surface_temperature_c", limits.max_surface_temperature_c, -45.0, 100.0, "°C"),
    ] {
        refused.range(pointer, value, low, high, unit);
    }
    if limits.min_surface_temperature_c > limits.max_surface_temperature_c {
        refused.refuse(
            "/limits/min_surface_temperature_c",
            "order",
            "is above max_surface_temperature_c; enter a lower one",
        );
    }
    refused.into_result()?;
    let humidity = input.relative_humidity_pct;
    let vapour = saturation_vapour_pressure_hpa(input.air_temperature_c) * humidity / 100.0;
    let dew_point_c = dew_point_of_vapour_pressure_c(vapour);
    let margin_k = surface - dew_point_c;
    let broken = [
        (
            margin_k < limits.min_margin_k - ROUNDING,
            "margin_too_small",
            format!(
                "The surface at {surface} °C is {margin_k:.1} K above the dew point of {dew_point_c:.1} °C; at least \
                 {} K are asked for.",
                limits.min_margin_k
            ),
        ),
        (
            humidity > limits.max_relative_humidity_pct,
            "air_too_humid",
            format!(
                "The relative humidity is {humidity} %; at most {} % are allowed.",
                limits.max_relative_humidity_pct
            ),
        ),
        (
            surface < limits.min_surface_temperature_c,
            "surface_too_cold",
            format!(
                "The surface is at {surface} °C; at least {} °C are asked for.",
                limits.min_surface_temperature_c
            ),
        ),
        (
            surface > limits.max_surface_temperature_c,
            "surface_too_warm",
            format!(
                "The surface is at {surface} °C; at most {} °C are allowed.",
                limits.max_surface_temperature_c
            ),
        ),
    ];
    let refusals: Vec<ClimateRefusal> = broken
        .into_iter()
        .filter(|(is_broken, ..)| *is_broken)
        .map(|(_, code, detail)| ClimateRefusal { code, detail })
        .collect();
    Ok(CoatingClimateOutput {
        dew_point_c,
        margin_k,
        allowed: refusals.is_empty(),
        refusals,
        model: Model { name: "coating-climate", version: 1 },
        cautions: cautions([Work::EpoxyCoating]),
    })
}

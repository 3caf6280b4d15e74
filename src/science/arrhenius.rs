//! How much faster a thermally activated process runs at one temperature than at 15 °C.
//!
//! k(T)/k(15 °C) = exp(-E/R · (1/T - 1/288.15)), T in kelvin (Arrhenius 1889; R from CODATA 2018).

/// The molar gas constant R, J/(mol K) (CODATA 2018, exact since the revised SI).
pub const GAS_CONSTANT_J_MOL_K: f64 = 8.314_462_618;

/// 0 °C in kelvin.
pub const ZERO_CELSIUS_K: f64 = 273.15;

/// The temperature to which diffusivities, permeabilities and exposure are referred: 15 °C in kelvin.
pub const REFERENCE_TEMPERATURE_K: f64 = 288.15;

/// The rate at `temperature_c` relative to the rate at 15 °C, `exp(-E/R (1/T - 1/288.15 K))`, for an activation energy in
/// J/mol (Arrhenius 1889).
///
/// Valid while one activation energy describes the process: for water in glass-reinforced polyester and
/// epoxy that is from freezing to well below the glass transition (about 0..60 °C).
///
/// ```
/// use garboard::science::arrhenius::ratio;
/// assert!((ratio(42_000.0, 15.0) - 1.0).abs() < 1e-12);
/// assert!(ratio(42_000.0, 25.0) > 1.7);
/// ```
#[must_use]
pub fn ratio(activation_energy_j_mol: f64, temperature_c: f64) -> f64 {
    let inverse_kelvin = 1.0 / (temperature_c + ZERO_CELSIUS_K) - 1.0 / REFERENCE_TEMPERATURE_K;
    (-activation_energy_j_mol / GAS_CONSTANT_J_MOL_K * inverse_kelvin).exp()
}

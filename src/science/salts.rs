//! Soluble salts on a surface, from the conductivity of the water that washed them off (ISO 8502-6 and -9).

/// Kilograms a square metre for each siemens a metre and metre of water depth (ISO 8502-9, from memory).
const MASS_PER_CONDUCTIVITY: f64 = 5.0;

/// Surface density of salts, mg/m², by the patch of ISO 8502-6: `c V Δγ/A`, c = 5 kg m⁻²/(S m⁻¹) for mixed salts, V the
/// volume of water in mL, Δγ the rise of its conductivity in µS/cm, A the area of the patch in mm². With 15 mL on
/// 1,250 mm² that is 6 Δγ. Not a number where the area is 0.
///
/// ```
/// assert!((garboard::science::salts::surface_density_mg_m2(5.0, 15.0, 1_250.0) - 30.0).abs() < 1e-9);
/// ```
#[must_use]
pub fn surface_density_mg_m2(conductivity_rise_us_cm: f64, volume_ml: f64, area_mm2: f64) -> f64 {
    // µS/cm = 1e-4 S/m, mL/mm² = 1 m, kg = 1e6 mg.
    MASS_PER_CONDUCTIVITY * conductivity_rise_us_cm * 1e-4 * volume_ml / area_mm2 * 1e6
}

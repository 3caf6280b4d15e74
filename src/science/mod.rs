//! The formulas: pure functions of their arguments, with units, sources and valid ranges.
//!
//! | Module | Model | Source | Valid range | Checked against |
//! |---|---|---|---|---|
//! | [`arrhenius`] | rate at T over rate at 15 °C | Arrhenius 1889; R from CODATA 2018 | one activation energy | `arrhenius-*.json` |
//! | [`climate`] | named monthly normals | common practice, no source | a starting point only | the sea of `moisture-exposure.json` |
//! | [`exposure`] | water in the laminate, exposure of a blister's pocket | Crank 1975 §4.3.6; Carslaw and Jaeger 1959 §3.11 | solid laminate, -30..80 °C | `moisture-exposure.json`, finite volumes |
//! | [`moist_air`] | dew point, absolute humidity, coating rule | WMO-No. 8 annex 4.B; ISO 8502-4 | -45..60 °C | `climate-*.json` |
//! | [`overcoat`] | ln(time) linear in 1/T, fractions add up | Arrhenius; common practice | within the data sheet | `overcoat-*.json` |
//! | [`seawater`] | water activity and osmotic pressure | IAPWS R13-08 (TEOS-10) | 0..42 g/kg, 0..35 °C | `seawater-activity.json` |
//! | [`skin`] | films in series, flakes | Crank 1975 §12.2; Nielsen 1967; Cussler 1988 | 1..20 000 µm | `series-layers.json`, `flake-tortuosity.json` |
//! | [`slab`] | modes of a slab between two resistances | as for exposure | Fourier time from 9.3e-6 | `diffusion-*.json` |

pub mod arrhenius;
pub mod cautions;
pub mod climate;
pub mod exposure;
pub mod forecast;
pub mod model;
pub mod moist_air;
pub mod overcoat;
pub mod refusal;
pub mod seawater;
pub mod skin;
pub mod slab;

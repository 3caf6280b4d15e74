//! The formulas: pure functions of their arguments, with units, sources and valid ranges.
//!
//! | Module | Model | Source | Valid range | Checked against |
//! |---|---|---|---|---|
//! | [`arrhenius`] | rate at T over rate at 15 °C | Arrhenius 1889; R from CODATA 2018 | one activation energy | `arrhenius-*.json` |
//! | [`blister`] | density, area, size class and grade | ISO 4628-2, ASTM D714 | 0.01..2 000 mm | `blister-*.json` |
//! | [`bottom_area`] | wetted area by rule, series or girths | common practice; Gerritsma et al. 1992; Simpson | to 200 m | `area-*.json` |
//! | [`climate`] | named monthly normals | common practice, no source | a starting point only | the sea of `moisture-exposure.json` |
//! | [`drying`] | exponential fall of a meter's readings | common practice; Efron and Tibshirani 1993 | 4 readings, two time constants | `drying-*.json`, `dry-*.json` |
//! | [`exposure`] | water in the laminate, exposure of a blister's pocket | Crank 1975 §4.3.6; Carslaw and Jaeger 1959 §3.11 | solid laminate, -30..80 °C | `moisture-exposure.json`, finite volumes, `reference/exposure.json` |
//! | [`film`] | acceptance of a dry film | ISO 19840, SSPC-PA 2, IMO MSC.215(82) | to 50 000 µm | `film-iso-*.json`, `film-pa-2-*.json`, `film-pspc-*.json` |
//! | [`forecast`] | onset, outlook and dates of a hull by an ensemble | Meeker and Escobar 1998; Joe and Kuo 2008; common practice | 1 to 4,096 members | a table of expectations, `reference/sobol.json` |
//! | [`hindcast`] | past surveys against the forecasts possible before them | Dawid 1984; Brier 1950; Good 1952 | from a survey on | `forecast-scores.json`, simulated hulls |
//! | [`inspection_interval`] | age replacement | Barlow and Proschan 1965 ch. 4 | shapes 0.1..50 | `interval-*.json` |
//! | [`learning`] | lives of a fleet: classes, shape and members' weights together | Meeker and Escobar 1998; Tierney and Kadane 1986; Gelman et al. 2013 | from 8 events on | `lifetime-*.json`, `reference/learning.json`, simulated hulls: `docs/calibration.md` |
//! | [`lifetime`] | Weibull and Turnbull from bracketed events | Meeker and Escobar 1998; Turnbull 1976 | 200 000 observations | `lifetime-*.json`, `reference/lifetime.json` |
//! | [`moist_air`] | dew point, absolute humidity, coating rule | WMO-No. 8 annex 4.B; ISO 8502-4 | -45..60 °C | `climate-*.json`, a year measured: `reference/weather.csv` |
//! | [`overcoat`] | ln(time) linear in 1/T, fractions add up | Arrhenius; common practice | within the data sheet | `overcoat-*.json` |
//! | [`quantity`] | litres from dry film and volume solids | ASTM D2697, ISO 3233 | 1..10 000 µm | `quantity-*.json`, `film-wet-*.json`, `film-from-usage.json` |
//! | [`salts`] | salts by a patch and conductivity | ISO 8502-6, -9 | mixed sea salts | `salts-bresle.json` |
//! | [`seawater`] | water activity and osmotic pressure | IAPWS R13-08 (TEOS-10) | 0..42 g/kg, 0..35 °C | `seawater-activity.json` |
//! | [`sensitivity`] | shares of variance over weighted members | Pearson 1905; Kelley 1935; Saltelli et al. 2008 | 32 effective members | Ishigami and Homma 1990; a sum of normals |
//! | [`skin`] | films in series, flakes | Crank 1975 §12.2; Nielsen 1967; Cussler 1988 | 1..20 000 µm | `series-layers.json`, `flake-*.json`, `permeance-units.json` |
//! | [`slab`] | modes of a slab between two resistances; a half-space for sudden changes | as for exposure; Carslaw and Jaeger §2.7 | Fourier time from 6.2e-6 | `diffusion-*.json` |
//!
//! Files of values are those of `tests/checks/`, each with its source; those of `reference/` stand in
//! `tests/science/reference/` with the scripts that made them. [`cautions`], [`model`] and [`refusal`] are the parts that
//! answers share.

pub mod arrhenius;
pub mod blister;
pub mod bottom_area;
pub mod cautions;
pub mod climate;
pub mod drying;
pub mod exposure;
pub mod film;
pub mod forecast;
pub mod hindcast;
pub mod inspection_interval;
pub mod learning;
pub mod lifetime;
pub mod model;
pub mod moist_air;
pub mod overcoat;
pub mod quantity;
pub mod refusal;
pub mod salts;
pub mod seawater;
pub mod sensitivity;
pub mod skin;
pub mod slab;

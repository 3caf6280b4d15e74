//! A few named climates to start a site from: monthly normals of water and air.
//!
//! Approximations, common practice, no source: smooth seasons of about the right mean and range, for a northern
//! site whose own normals have not been entered yet. `temperate_sea` is the sea of the published expectations:
//! mean 12 °C, amplitude 5 K, coldest at the end of January.

use serde::Serialize;
use utoipa::ToSchema;

/// One month of an average year.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct MonthNormals {
    /// Water temperature at the hull, °C.
    pub water_temperature_c: f64,
    /// Absolute salinity, g/kg.
    pub salinity_g_kg: f64,
    /// Air temperature, °C.
    pub air_temperature_c: f64,
    /// Relative humidity of the air, %.
    pub relative_humidity_pct: f64,
}

/// A named climate.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Climate {
    /// Name, as a site refers to it.
    pub name: &'static str,
    /// One sentence on where it fits.
    pub description: &'static str,
    /// January to December.
    pub months: [MonthNormals; 12],
}

/// Every named climate.
///
/// ```
/// use garboard::science::climate::climates;
/// assert!(climates().iter().any(|climate| climate.name == "temperate_sea"));
/// ```
#[must_use]
pub const fn climates() -> &'static [Climate] {
    &CLIMATES
}

const fn month(
    water_temperature_c: f64,
    salinity_g_kg: f64,
    air_temperature_c: f64,
    relative_humidity_pct: f64,
) -> MonthNormals {
    MonthNormals { water_temperature_c, salinity_g_kg, air_temperature_c, relative_humidity_pct }
}

const CLIMATES: [Climate; 5] = [
    Climate {
        name: "temperate_sea",
        description: "A temperate open coast: cool winters, mild summers, full salinity. An approximation.",
        months: [
            month(7.2, 35.2, 4.6, 85.0),
            month(7.2, 35.2, 4.9, 85.0),
            month(8.5, 35.2, 6.9, 83.0),
            month(10.7, 35.2, 10.0, 81.0),
            month(13.3, 35.2, 13.3, 78.0),
            month(15.5, 35.2, 16.1, 76.0),
            month(16.8, 35.2, 17.4, 75.0),
            month(16.8, 35.2, 17.1, 75.0),
            month(15.5, 35.2, 15.1, 77.0),
            month(13.3, 35.2, 12.0, 79.0),
            month(10.7, 35.2, 8.7, 82.0),
            month(8.5, 35.2, 5.9, 84.0),
        ],
    },
    Climate {
        name: "cool_sea",
        description: "A cool open coast: cold winters, short summers, full salinity. An approximation.",
        months: [
            month(4.1, 34.5, -1.4, 85.0),
            month(3.5, 34.5, -1.0, 85.0),
            month(4.1, 34.5, 1.5, 83.0),
            month(5.8, 34.5, 5.2, 81.0),
            month(8.0, 34.5, 9.4, 79.0),
            month(10.2, 34.5, 12.7, 78.0),
            month(11.9, 34.5, 14.4, 77.0),
            month(12.5, 34.5, 14.0, 77.0),
            month(11.9, 34.5, 11.5, 79.0),
            month(10.3, 34.5, 7.8, 81.0),
            month(8.0, 34.5, 3.6, 83.0),
            month(5.8, 34.5, 0.3, 84.0),
        ],
    },
    Climate {
        name: "warm_sea",
        description: "A warm open coast: little difference between seasons, full salinity. An approximation.",
        months: [
            month(25.1, 35.7, 24.0, 75.0),
            month(25.1, 35.7, 24.2, 75.0),
            month(25.6, 35.7, 24.9, 76.0),
            month(26.5, 35.7, 26.1, 76.0),
            month(27.5, 35.7, 27.4, 78.0),
            month(28.4, 35.7, 28.4, 78.0),
            month(28.9, 35.7, 29.0, 79.0),
            month(28.9, 35.7, 28.8, 79.0),
            month(28.4, 35.7, 28.1, 78.0),
            month(27.5, 35.7, 26.9, 78.0),
            month(26.5, 35.7, 25.6, 76.0),
            month(25.6, 35.7, 24.6, 76.0),
        ],
    },
    Climate {
        name: "temperate_fresh",
        description: "A temperate lake or river: fresh, wider seasons than the sea. An approximation.",
        months: [
            month(6.3, 0.3, 2.0, 84.0),
            month(6.3, 0.3, 2.8, 83.0),
            month(8.3, 0.3, 5.7, 80.0),
            month(11.9, 0.3, 10.1, 77.0),
            month(16.1, 0.3, 14.7, 74.0),
            month(19.7, 0.3, 18.3, 71.0),
            month(21.7, 0.3, 20.0, 70.0),
            month(21.7, 0.3, 19.2, 71.0),
            month(19.7, 0.3, 16.3, 74.0),
            month(16.1, 0.3, 11.9, 77.0),
            month(11.9, 0.3, 7.3, 80.0),
            month(8.3, 0.3, 3.7, 83.0),
        ],
    },
    Climate {
        name: "brackish_cool",
        description: "A cool inland sea: brackish, cold winters. An approximation.",
        months: [
            month(2.5, 7.0, -1.8, 87.0),
            month(1.0, 7.0, -1.5, 86.0),
            month(1.7, 7.0, 1.1, 84.0),
            month(4.3, 7.0, 5.5, 81.0),
            month(8.2, 7.0, 10.4, 78.0),
            month(12.3, 7.0, 14.6, 76.0),
            month(15.5, 7.0, 16.8, 75.0),
            month(17.0, 7.0, 16.5, 76.0),
            month(16.3, 7.0, 13.9, 78.0),
            month(13.7, 7.0, 9.5, 81.0),
            month(9.8, 7.0, 4.6, 84.0),
            month(5.7, 7.0, 0.4, 86.0),
        ],
    },
];

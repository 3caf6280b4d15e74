//! The rules of sites.

use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::error::{Error, Result};
use crate::features::accounts::model::known_time_zone;
use crate::science::climate::{Climate, MonthNormals, climates};

/// Where hulls lie.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct SiteFields {
    /// Your own reference, unique in your organisation.
    #[garde(length(chars, min = 1, max = 100))]
    #[schema(min_length = 1, max_length = 100)]
    pub r#ref: Option<String>,
    /// Its name.
    #[garde(length(chars, min = 1, max = 200))]
    #[schema(min_length = 1, max_length = 200)]
    pub name: String,
    /// The IANA name of its time zone.
    #[garde(custom(known_time_zone))]
    #[schema(example = "UTC")]
    pub time_zone: String,
    /// The named climate its months come from (see `/v1/climates`), an approximation; null for its own figures.
    #[garde(custom(known_climate))]
    pub climate: Option<String>,
    /// Water and air, all twelve months; may be left out where a climate is named.
    #[serde(default)]
    #[garde(length(max = 12), dive)]
    #[schema(max_items = 12)]
    pub months: Vec<SiteMonth>,
    /// Anything else.
    #[garde(length(chars, max = 4000))]
    #[schema(max_length = 4000)]
    pub note: Option<String>,
}

/// A month's normals.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct SiteMonth {
    /// 1 to 12.
    #[garde(range(min = 1, max = 12))]
    #[schema(minimum = 1, maximum = 12)]
    pub month: i16,
    /// Mean water temperature.
    #[garde(range(min = -2.0, max = 35.0))]
    #[schema(minimum = -2, maximum = 35)]
    pub water_temperature_c: f64,
    /// Mean absolute salinity.
    #[garde(range(min = 0.0, max = 42.0))]
    #[schema(minimum = 0, maximum = 42)]
    pub salinity_g_kg: f64,
    /// Mean air temperature.
    #[garde(range(min = -45.0, max = 60.0))]
    #[schema(minimum = -45, maximum = 60)]
    pub air_temperature_c: f64,
    /// Mean relative humidity.
    #[garde(range(min = 0.0, max = 100.0))]
    #[schema(minimum = 0, maximum = 100)]
    pub relative_humidity_pct: f64,
}

fn named(name: &str) -> Option<&'static Climate> {
    climates().iter().find(|climate| climate.name == name)
}

fn known_climate(name: &Option<String>, _: &()) -> garde::Result {
    match name {
        Some(name) if named(name).is_none() => {
            Err(garde::Error::new("is not a named climate; see /v1/climates"))
        }
        _ => Ok(()),
    }
}

/// The months of a climate.
#[must_use]
pub fn months_of(climate: &Climate) -> Vec<SiteMonth> {
    (1..=12)
        .zip(&climate.months)
        .map(|(month, normals)| SiteMonth {
            month,
            water_temperature_c: normals.water_temperature_c,
            salinity_g_kg: normals.salinity_g_kg,
            air_temperature_c: normals.air_temperature_c,
            relative_humidity_pct: normals.relative_humidity_pct,
        })
        .collect()
}

impl SiteFields {
    /// The fields with their twelve months in order: those given, or those of the climate newly named.
    ///
    /// # Errors
    /// Invalid, when a month is missing or doubled and no climate fills it.
    pub fn completed(mut self, before: Option<&Self>) -> Result<Self> {
        let newly_named = self.climate.is_some() && before.is_none_or(|b| b.climate != self.climate);
        let months_given = before.map_or(!self.months.is_empty(), |b| b.months != self.months);
        if newly_named && !months_given {
            self.months = self.climate.as_deref().and_then(named).map(months_of).unwrap_or_default();
        } else if months_given {
            self.climate = if newly_named { self.climate } else { None };
        }
        self.months.sort_by_key(|m| m.month);
        if self.months.iter().map(|m| m.month).eq(1..=12) {
            Ok(self)
        } else {
            Err(Error::field(
                "/months",
                "twelve_months",
                "must be the twelve months, each once. Or name a climate to start from.",
            ))
        }
    }

    /// The months as the forecasts take them.
    #[must_use]
    pub fn normals(&self) -> Option<[MonthNormals; 12]> {
        let months: Vec<MonthNormals> = self
            .months
            .iter()
            .map(|m| MonthNormals {
                water_temperature_c: m.water_temperature_c,
                salinity_g_kg: m.salinity_g_kg,
                air_temperature_c: m.air_temperature_c,
                relative_humidity_pct: m.relative_humidity_pct,
            })
            .collect();
        months.try_into().ok()
    }
}

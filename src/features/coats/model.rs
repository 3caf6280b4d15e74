//! The rules of coats.

use chrono::{DateTime, NaiveDate, Utc};
use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::error::Result;
use crate::features::surveys::model::fact::{self, Faults};
use crate::features::vessels::model::{Zone, within_years};
use crate::ids::{HaulOutId, VesselId};

/// What a coat is there for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum CoatRole {
    /// The moulded or sprayed outer layer of polyester.
    Gelcoat,
    /// A thin coat that soaks in and seals.
    Sealer,
    /// A coat that slows water.
    Barrier,
    /// A coat for looks and weather.
    Topcoat,
    /// A coat against growth. It counts as no skin.
    Antifouling,
}

/// A coat as it was put on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct CoatFields {
    /// Your own reference, unique in your organisation. Fixed.
    #[garde(length(chars, min = 1, max = 100))]
    #[schema(min_length = 1, max_length = 100)]
    pub r#ref: Option<String>,
    /// The vessel. Fixed.
    #[garde(skip)]
    pub vessel_id: VesselId,
    /// The haul-out it was put on in, if one is entered. Fixed.
    #[garde(skip)]
    pub haul_out_id: Option<HaulOutId>,
    /// What it is there for.
    #[garde(skip)]
    pub role: CoatRole,
    /// On which zone.
    #[garde(skip)]
    pub zone: Zone,
    /// The day it was put on.
    #[garde(custom(fact::within_years))]
    pub applied_on: NaiveDate,
    /// Which coat of that vessel and day, counted outwards; the next when left out.
    #[garde(range(min = 1, max = 1000))]
    #[schema(minimum = 1, maximum = 1000)]
    pub sequence: Option<i32>,
    /// The product.
    #[garde(length(chars, min = 1, max = 200))]
    #[schema(min_length = 1, max_length = 200)]
    pub product: Option<String>,
    /// The colour: those of barrier coats alternate, so that a miss shows.
    #[garde(length(chars, min = 1, max = 100))]
    #[schema(min_length = 1, max_length = 100)]
    pub colour: Option<String>,
    /// Its dry film thickness. When left out, the forecasts take a default of its role.
    #[garde(range(min = 1.0, max = 5000.0))]
    #[schema(minimum = 1, maximum = 5000)]
    pub dry_film_um: Option<f64>,
    /// Whether the thickness was measured; if not, it is reckoned from litres or taken from the data sheet.
    #[serde(default)]
    #[garde(skip)]
    pub film_measured: bool,
    /// Its permeability to water by the data sheet, a unit of activity. When left out, a default of its role.
    #[garde(range(min = 1e-14, max = 1e-9))]
    #[schema(minimum = 1e-14, maximum = 1e-9)]
    pub permeability_kg_m_s: Option<f64>,
    /// What a month afloat at 15 °C wears off an antifouling.
    #[garde(range(min = 0.0, max = 200.0))]
    #[schema(minimum = 0, maximum = 200)]
    pub wear_um_per_month_15c: Option<f64>,
    /// How many months an antifouling lasts that does not wear.
    #[garde(range(min = 1, max = 120))]
    #[schema(minimum = 1, maximum = 120)]
    pub season_limit_months: Option<i32>,
    /// How many days an antifouling may stand dry before it no longer works.
    #[garde(range(min = 1, max = 3650))]
    #[schema(minimum = 1, maximum = 3650)]
    pub max_days_dry: Option<i32>,
    /// The day it was taken off again.
    #[garde(custom(within_years))]
    pub removed_on: Option<NaiveDate>,
    /// Anything else.
    #[garde(length(chars, max = 4000))]
    #[schema(max_length = 4000)]
    pub note: Option<String>,
    /// Entered in error: it stays in the history and counts for nothing.
    #[serde(default)]
    #[garde(skip)]
    pub withdrawn: bool,
    /// Why this version corrects the one before.
    #[garde(length(chars, min = 1, max = 1000))]
    #[schema(min_length = 1, max_length = 1000)]
    pub correction_reason: Option<String>,
}

impl CoatFields {
    /// The fields of a new coat.
    ///
    /// # Errors
    /// Invalid, with every field at fault.
    pub fn made(self, now: DateTime<Utc>) -> Result<Self> {
        let mut faults = Faults::default();
        faults.refuse_correction(self.withdrawn, self.correction_reason.as_deref());
        self.check(&mut faults, now);
        faults.or(self)
    }

    /// The fields as the next version of `before`: a reason is required unless the coat was only taken off.
    ///
    /// # Errors
    /// Invalid, with every field at fault.
    pub fn changing(self, before: &Self, now: DateTime<Utc>) -> Result<Self> {
        let mut faults = Faults::default();
        faults.fixed("/ref", &before.r#ref, &self.r#ref);
        faults.fixed("/vessel_id", &before.vessel_id, &self.vessel_id);
        faults.fixed("/haul_out_id", &before.haul_out_id, &self.haul_out_id);
        let taken_off = Self {
            removed_on: self.removed_on,
            correction_reason: self.correction_reason.clone(),
            ..before.clone()
        };
        if before.removed_on.is_some() || self != taken_off {
            faults.require_reason(self.correction_reason.as_deref());
        }
        self.check(&mut faults, now);
        faults.or(self)
    }

    /// The fields without the reason of the last correction, for a change to start from.
    #[must_use]
    pub fn without_reason(self) -> Self {
        Self { correction_reason: None, ..self }
    }

    fn check(&self, faults: &mut Faults, now: DateTime<Utc>) {
        faults.refuse_future("/applied_on", Some(self.applied_on), now);
        faults.refuse_future("/removed_on", self.removed_on, now);
        faults.refuse_if(
            self.removed_on.is_some_and(|day| day < self.applied_on),
            "/removed_on",
            "before_applied",
            "is before applied_on. Correct one of them.",
        );
        if self.role == CoatRole::Antifouling {
            return;
        }
        for (pointer, given) in [
            ("/wear_um_per_month_15c", self.wear_um_per_month_15c.is_some()),
            ("/season_limit_months", self.season_limit_months.is_some()),
            ("/max_days_dry", self.max_days_dry.is_some()),
        ] {
            faults.refuse_if(
                given,
                pointer,
                "antifouling_only",
                "is for antifouling only. Leave it out, or correct the role.",
            );
        }
    }
}

//! The rules of coats.

pub mod checks;
pub mod film;
pub mod overcoating;

use chrono::{DateTime, NaiveDate, Utc};
use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::error::{Error, Result};
use crate::features::products::model::{CoatRole, ProductFields};
use crate::features::surveys::model::fact::{self, Faults};
use crate::features::vessels::model::{Zone, within_years};
use crate::ids::{HaulOutId, ProductId, VesselId};

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
    /// The product, where its sheet is entered. What the sheet says and the coat leaves out is taken from it: name,
    /// permeability, wear and limits.
    #[garde(skip)]
    pub product_id: Option<ProductId>,
    /// The product's name.
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
    /// The number of the product's batch.
    #[garde(length(chars, min = 1, max = 100))]
    #[schema(min_length = 1, max_length = 100)]
    pub batch_number: Option<String>,
    /// How much was used, mixed and unthinned, litres.
    #[garde(range(min = 0.001, max = 100_000.0))]
    #[schema(minimum = 0.001, maximum = 100_000)]
    pub litres: Option<f64>,
    /// On what area.
    #[garde(range(min = 0.01, max = 2000.0))]
    #[schema(minimum = 0.01, maximum = 2000)]
    pub area_m2: Option<f64>,
    /// Its wet film thickness as a comb gauge told it.
    #[garde(range(min = 1.0, max = 10_000.0))]
    #[schema(minimum = 1, maximum = 10_000)]
    pub wet_film_um: Option<f64>,
    /// When its application began.
    #[garde(custom(fact::time_within_years))]
    pub started_at: Option<DateTime<Utc>>,
    /// When its application ended: from then on it cures.
    #[garde(custom(fact::time_within_years))]
    pub finished_at: Option<DateTime<Utc>>,
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

    /// The fields with what the product's sheet says where the coat itself says nothing.
    ///
    /// # Errors
    /// Invalid at `/product_id`, when the product serves another role.
    pub fn by_sheet(self, sheet: &ProductFields) -> Result<Self> {
        if sheet.role != self.role {
            return Err(Error::field(
                "/product_id",
                "other_role",
                "is a product of another role. Name a product of the coat's role, or correct the role.",
            ));
        }
        Ok(Self {
            product: self.product.or_else(|| Some(sheet.name.clone())),
            permeability_kg_m_s: self.permeability_kg_m_s.or(sheet.permeability_kg_m_s),
            wear_um_per_month_15c: self.wear_um_per_month_15c.or(sheet.wear_um_per_month_15c),
            season_limit_months: self.season_limit_months.or(sheet.season_limit_months),
            max_days_dry: self.max_days_dry.or(sheet.max_days_dry),
            ..self
        })
    }

    /// The fields of a correction to another product, without what `before` had from the sheet of the former.
    #[must_use]
    pub fn without_sheet(self, before: &Self) -> Self {
        fn anew<T: PartialEq>(now: Option<T>, before: &Option<T>) -> Option<T> {
            if now == *before { None } else { now }
        }
        Self {
            product: anew(self.product, &before.product),
            permeability_kg_m_s: anew(self.permeability_kg_m_s, &before.permeability_kg_m_s),
            wear_um_per_month_15c: anew(self.wear_um_per_month_15c, &before.wear_um_per_month_15c),
            season_limit_months: anew(self.season_limit_months, &before.season_limit_months),
            max_days_dry: anew(self.max_days_dry, &before.max_days_dry),
            ..self
        }
    }

    /// The times of the application, against each other, the day and the present.
    fn check_times(&self, faults: &mut Faults, now: DateTime<Utc>) {
        for (pointer, time) in [("/started_at", self.started_at), ("/finished_at", self.finished_at)] {
            let Some(time) = time else { continue };
            faults.refuse_if(
                time > now,
                pointer,
                "future",
                "lies in the future. Record what has happened; correct the time.",
            );
            // Local days reach half a day to either side of those of UTC.
            let days = (time.date_naive() - self.applied_on).num_days();
            faults.refuse_if(
                !(-1..=1).contains(&days),
                pointer,
                "other_day",
                "is not on the day of applied_on. Correct one of them.",
            );
        }
        faults.refuse_if(
            self.started_at.zip(self.finished_at).is_some_and(|(start, end)| end < start),
            "/finished_at",
            "before_start",
            "is before started_at. Correct one of them.",
        );
    }

    fn check(&self, faults: &mut Faults, now: DateTime<Utc>) {
        self.check_times(faults, now);
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

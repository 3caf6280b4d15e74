//! The rules of products.

use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::error::{Error, FieldError, Result};
use crate::science::moist_air::CoatingLimits;
use crate::science::overcoat::SheetTimes;
use crate::science::quantity::{CoatToApply, QuantityInput, QuantityOutput, quantity};

/// What a coat is there for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
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

/// How long a mixed product can be worked.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct PotLife {
    /// Temperature of the mix.
    #[garde(range(min = -30.0, max = 80.0))]
    #[schema(minimum = -30, maximum = 80)]
    pub temperature_c: f64,
    /// How long.
    #[garde(range(min = 0.1, max = 100_000.0))]
    #[schema(minimum = 0.1, maximum = 100_000)]
    pub minutes: f64,
}

/// When a coat of some role may go over this product.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct Overcoating {
    /// The role of what goes over it.
    #[garde(skip)]
    pub next_role: CoatRole,
    /// Temperature of the surface.
    #[garde(range(min = -30.0, max = 80.0))]
    #[schema(minimum = -30, maximum = 80)]
    pub temperature_c: f64,
    /// Shortest time to the next coat.
    #[garde(range(min = 0.001, max = 100_000.0))]
    #[schema(minimum = 0.001, maximum = 100_000)]
    pub min_h: f64,
    /// Longest time to it without abrading; null where there is none.
    #[garde(range(min = 0.001, max = 100_000.0))]
    #[schema(minimum = 0.001, maximum = 100_000)]
    pub max_h: Option<f64>,
}

/// How long until the product may be under water.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct Cure {
    /// Temperature of the surface.
    #[garde(range(min = -30.0, max = 80.0))]
    #[schema(minimum = -30, maximum = 80)]
    pub temperature_c: f64,
    /// Shortest time from the end of application to immersion.
    #[garde(range(min = 0.001, max = 100_000.0))]
    #[schema(minimum = 0.001, maximum = 100_000)]
    pub hours: f64,
}

/// A product by its data sheet. Only name and role are required.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct ProductFields {
    /// Your own reference, unique in your organisation.
    #[garde(length(chars, min = 1, max = 100))]
    #[schema(min_length = 1, max_length = 100)]
    pub r#ref: Option<String>,
    /// Its name.
    #[garde(length(chars, min = 1, max = 200))]
    #[schema(min_length = 1, max_length = 200)]
    pub name: String,
    /// What a coat of it is there for.
    #[garde(skip)]
    pub role: CoatRole,
    /// Whether it holds no solvent.
    #[serde(default)]
    #[garde(skip)]
    pub solventless: bool,
    /// Whether curing leaves an amine blush that must be washed off before the next coat.
    #[serde(default)]
    #[garde(skip)]
    pub amine_blush: bool,
    /// Volume of dry film over volume of paint (ASTM D2697, ISO 3233).
    #[garde(range(min = 1.0, max = 100.0))]
    #[schema(minimum = 1, maximum = 100)]
    pub volume_solids_pct: Option<f64>,
    /// Thinnest dry film of a coat.
    #[garde(range(min = 1.0, max = 5000.0))]
    #[schema(minimum = 1, maximum = 5000)]
    pub min_dry_film_um: Option<f64>,
    /// Thickest dry film of a coat.
    #[garde(range(min = 1.0, max = 5000.0))]
    #[schema(minimum = 1, maximum = 5000)]
    pub max_dry_film_um: Option<f64>,
    /// Coldest surface it may go on; 10 °C when left out.
    #[garde(range(min = -30.0, max = 80.0))]
    #[schema(minimum = -30, maximum = 80)]
    pub min_surface_temperature_c: Option<f64>,
    /// Warmest surface it may go on; 35 °C when left out.
    #[garde(range(min = -30.0, max = 80.0))]
    #[schema(minimum = -30, maximum = 80)]
    pub max_surface_temperature_c: Option<f64>,
    /// Least margin of the surface over the dew point; 3 K when left out.
    #[garde(range(min = 0.0, max = 50.0))]
    #[schema(minimum = 0, maximum = 50)]
    pub min_margin_k: Option<f64>,
    /// Highest relative humidity; 85 % when left out.
    #[garde(range(min = 0.0, max = 100.0))]
    #[schema(minimum = 0, maximum = 100)]
    pub max_relative_humidity_pct: Option<f64>,
    /// Parts of base in the mix, by volume.
    #[garde(range(min = 0.01, max = 1000.0))]
    #[schema(minimum = 0.01, maximum = 1000)]
    pub mix_base_parts: Option<f64>,
    /// Parts of hardener in the mix, by volume.
    #[garde(range(min = 0.01, max = 1000.0))]
    #[schema(minimum = 0.01, maximum = 1000)]
    pub mix_hardener_parts: Option<f64>,
    /// Content of a pack, base and hardener together.
    #[garde(range(min = 0.01, max = 1000.0))]
    #[schema(minimum = 0.01, maximum = 1000)]
    pub pack_l: Option<f64>,
    /// How long the mix can be worked, by its temperature.
    #[serde(default)]
    #[garde(length(max = 50), dive)]
    #[schema(max_items = 50)]
    pub pot_life: Vec<PotLife>,
    /// When the next coat may go over it, by the next coat's role and the surface's temperature.
    #[serde(default)]
    #[garde(length(max = 50), dive)]
    #[schema(max_items = 50)]
    pub overcoating: Vec<Overcoating>,
    /// How long until it may be under water, by the surface's temperature.
    #[serde(default)]
    #[garde(length(max = 50), dive)]
    #[schema(max_items = 50)]
    pub cure: Vec<Cure>,
    /// Longest time from an antifouling to the launch.
    #[garde(range(min = 1, max = 3650))]
    #[schema(minimum = 1, maximum = 3650)]
    pub max_days_to_launch: Option<i32>,
    /// Its permeability to water, a unit of activity.
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
    /// Anything else.
    #[garde(length(chars, max = 4000))]
    #[schema(max_length = 4000)]
    pub note: Option<String>,
}

/// Notes each temperature that a table names twice.
fn refuse_twice<K: PartialEq>(table: &str, keys: &[K], faults: &mut Vec<FieldError>) {
    for (n, key) in keys.iter().enumerate() {
        if keys.iter().take(n).any(|before| before == key) {
            faults.push(FieldError::new(
                format!("/{table}/{n}/temperature_c"),
                "twice",
                "is in the table already. Keep one line a temperature.",
            ));
        }
    }
}

impl ProductFields {
    /// The fields, if they contradict each other nowhere, with the lines of each table coldest first.
    ///
    /// # Errors
    /// Invalid, with every field at fault.
    pub fn checked(mut self) -> Result<Self> {
        let mut faults = Vec::new();
        for (low, high, pointer, other) in [
            (self.min_dry_film_um, self.max_dry_film_um, "/max_dry_film_um", "min_dry_film_um"),
            (
                self.min_surface_temperature_c.or(Some(CoatingLimits::default().min_surface_temperature_c)),
                self.max_surface_temperature_c,
                "/max_surface_temperature_c",
                "min_surface_temperature_c (10 when left out)",
            ),
            (
                self.min_surface_temperature_c,
                self.max_surface_temperature_c.or(Some(CoatingLimits::default().max_surface_temperature_c)),
                "/min_surface_temperature_c",
                "max_surface_temperature_c (35 when left out)",
            ),
        ] {
            if low.zip(high).is_some_and(|(low, high)| low > high) {
                faults.push(FieldError::new(
                    pointer,
                    "order",
                    format!("leaves nothing between it and {other}. Correct one of them."),
                ));
            }
        }
        for (given, other, pointer) in [
            (self.mix_base_parts, self.mix_hardener_parts, "/mix_hardener_parts"),
            (self.mix_hardener_parts, self.mix_base_parts, "/mix_base_parts"),
        ] {
            if given.is_some() && other.is_none() {
                faults.push(FieldError::new(
                    pointer,
                    "missing",
                    "is missing. Enter both parts of the mix, or neither.",
                ));
            }
        }
        if self.role != CoatRole::Antifouling {
            for (pointer, given) in [
                ("/max_days_to_launch", self.max_days_to_launch.is_some()),
                ("/wear_um_per_month_15c", self.wear_um_per_month_15c.is_some()),
                ("/season_limit_months", self.season_limit_months.is_some()),
                ("/max_days_dry", self.max_days_dry.is_some()),
            ] {
                if given {
                    faults.push(FieldError::new(
                        pointer,
                        "antifouling_only",
                        "is for antifouling only. Leave it out, or correct the role.",
                    ));
                }
            }
        }
        self.check_tables(&mut faults);
        if !faults.is_empty() {
            return Err(Error::invalid(faults));
        }
        self.pot_life.sort_by(|a, b| a.temperature_c.total_cmp(&b.temperature_c));
        self.cure.sort_by(|a, b| a.temperature_c.total_cmp(&b.temperature_c));
        self.overcoating
            .sort_by(|a, b| a.next_role.cmp(&b.next_role).then(a.temperature_c.total_cmp(&b.temperature_c)));
        Ok(self)
    }

    fn check_tables(&self, faults: &mut Vec<FieldError>) {
        let pot_life: Vec<f64> = self.pot_life.iter().map(|line| line.temperature_c).collect();
        refuse_twice("pot_life", &pot_life, faults);
        let cure: Vec<f64> = self.cure.iter().map(|line| line.temperature_c).collect();
        refuse_twice("cure", &cure, faults);
        let pairs: Vec<(CoatRole, f64)> =
            self.overcoating.iter().map(|line| (line.next_role, line.temperature_c)).collect();
        refuse_twice("overcoating", &pairs, faults);
        for (n, line) in self.overcoating.iter().enumerate() {
            let mut refuse = |code: &str, detail: &str| {
                faults.push(FieldError::new(format!("/overcoating/{n}/max_h"), code, detail));
            };
            if line.max_h.is_some_and(|max_h| max_h < line.min_h) {
                refuse("order", "is shorter than min_h. Enter a longer time, or leave it out.");
            }
            let first = self.overcoating.iter().find(|other| other.next_role == line.next_role);
            if first.is_some_and(|first| first.max_h.is_some() != line.max_h.is_some()) {
                refuse("mixed", "must be in every line of one next_role or in none. Complete the table.");
            }
        }
    }

    /// The times to a coat of `next_role` over this product, coldest first; empty where the sheet says nothing.
    #[must_use]
    pub fn times_to(&self, next_role: CoatRole) -> Vec<SheetTimes> {
        self.overcoating
            .iter()
            .filter(|line| line.next_role == next_role)
            .map(|line| SheetTimes {
                temperature_c: line.temperature_c,
                min_h: line.min_h,
                max_h: line.max_h,
            })
            .collect()
    }

    /// The shortest times to immersion, coldest first; empty where the sheet says nothing.
    #[must_use]
    pub fn times_to_immersion(&self) -> Vec<SheetTimes> {
        self.cure
            .iter()
            .map(|line| SheetTimes { temperature_c: line.temperature_c, min_h: line.hours, max_h: None })
            .collect()
    }

    /// The climate it may be put on in: what the sheet gives, the defaults for the rest.
    #[must_use]
    pub fn limits(&self) -> CoatingLimits {
        let usual = CoatingLimits::default();
        CoatingLimits {
            min_margin_k: self.min_margin_k.unwrap_or(usual.min_margin_k),
            max_relative_humidity_pct: self
                .max_relative_humidity_pct
                .unwrap_or(usual.max_relative_humidity_pct),
            min_surface_temperature_c: self
                .min_surface_temperature_c
                .unwrap_or(usual.min_surface_temperature_c),
            max_surface_temperature_c: self
                .max_surface_temperature_c
                .unwrap_or(usual.max_surface_temperature_c),
        }
    }

    /// Litres and packs for some coats of it on an area, each of `dry_film_um` or else of the thinnest of the sheet.
    ///
    /// # Errors
    /// Invalid, when volume solids or a film is not known, or a value is out of its range.
    pub fn quantity(
        &self,
        area_m2: f64,
        coats: usize,
        dry_film_um: Option<f64>,
        loss_fraction: f64,
    ) -> Result<QuantityOutput> {
        let unknown = |pointer: &str| {
            let detail = format!("of {} is not known. Enter it from the data sheet.", self.name);
            Error::field(pointer, "missing", detail)
        };
        let coat = CoatToApply {
            dry_film_um: dry_film_um.or(self.min_dry_film_um).ok_or_else(|| unknown("/min_dry_film_um"))?,
            volume_solids_pct: self.volume_solids_pct.ok_or_else(|| unknown("/volume_solids_pct"))?,
            thinner_pct: 0.0,
        };
        let input = QuantityInput { area_m2, coats: vec![coat; coats], loss_fraction, pack_l: self.pack_l };
        Ok(quantity(&input)?)
    }
}

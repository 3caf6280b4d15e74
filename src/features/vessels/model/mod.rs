//! The rules of vessels.

pub mod hull_id;

use std::collections::HashSet;

use chrono::{Datelike, NaiveDate};
use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use self::hull_id::HullIdNumber;
use crate::error::{Error, FieldError, Result};
use crate::ids::SiteId;
pub use crate::science::forecast::facts::{Bilge, LaminateClass};

/// The earliest year in which anything of a hull is dated: before it there were no fibreglass hulls.
pub const FIRST_YEAR: i32 = 1940;
/// The latest year in which anything of a hull is dated: the last that a forecast takes.
pub const LAST_YEAR: i32 = 2199;

/// A part of the underwater surface that is built and coated alike.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Zone {
    /// The bottom below the waterline band.
    Bottom,
    /// The band about the waterline.
    Waterline,
    /// The keel.
    Keel,
    /// The rudder.
    Rudder,
    /// Skegs, brackets, fins and the like.
    Appendage,
}

/// Which hull: the only one, or one of a multihull's.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum HullPart {
    /// The only hull, or the middle one.
    Centre,
    /// The port hull of a multihull.
    Port,
    /// The starboard hull of a multihull.
    Starboard,
}

/// Which side of a hull, looking forward.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// Left, looking forward.
    Port,
    /// Right, looking forward.
    Starboard,
}

/// The shape of the underwater hull, for areas.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum VesselForm {
    /// A sailing hull with a fin keel.
    FinKeel,
    /// A sailing hull with a long keel.
    LongKeel,
    /// A planing or semi-displacement motor hull.
    Motor,
    /// A full-bodied displacement hull.
    FullBodied,
    /// Two hulls or more.
    Multihull,
}

/// How one zone is built.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct VesselZone {
    /// The zone; each at most once.
    #[garde(skip)]
    pub zone: Zone,
    /// Thickness of the structural laminate. Of the bottom, when left out, the forecasts take it from the length.
    #[garde(range(min = 1.0, max = 200.0))]
    #[schema(minimum = 1, maximum = 200)]
    pub laminate_thickness_mm: Option<f64>,
    /// Whether it is a sandwich. A cored bottom gets no water forecast.
    #[garde(skip)]
    pub cored: bool,
    /// Thickness of the gelcoat as built. Of the bottom, when left out, the forecasts take 600 µm.
    #[garde(range(min = 0.0, max = 5000.0))]
    #[schema(minimum = 0, maximum = 5000)]
    pub gelcoat_thickness_um: Option<f64>,
}

/// What is kept of a vessel. Only name, form and length are required; the evidence of every date names the
/// defaults it rests on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct VesselFields {
    /// Your own reference, unique in your organisation.
    #[garde(length(chars, min = 1, max = 100))]
    #[schema(min_length = 1, max_length = 100)]
    pub r#ref: Option<String>,
    /// Its name.
    #[garde(length(chars, min = 1, max = 200))]
    #[schema(min_length = 1, max_length = 200)]
    pub name: String,
    /// The shape of its underwater hull.
    #[garde(skip)]
    pub form: VesselForm,
    /// Length of the hull.
    #[garde(range(min = 2.0, max = 100.0))]
    #[schema(minimum = 2, maximum = 100)]
    pub length_m: f64,
    /// Length of the waterline; not more than the length.
    #[garde(range(min = 1.0, max = 100.0))]
    #[schema(minimum = 1, maximum = 100)]
    pub lwl_m: Option<f64>,
    /// Greatest beam.
    #[garde(range(min = 0.5, max = 40.0))]
    #[schema(minimum = 0.5, maximum = 40)]
    pub beam_m: Option<f64>,
    /// Draught.
    #[garde(range(min = 0.1, max = 15.0))]
    #[schema(minimum = 0.1, maximum = 15)]
    pub draft_m: Option<f64>,
    /// Displacement, for the lift.
    #[garde(range(min = 50.0, max = 2_000_000.0))]
    #[schema(minimum = 50, maximum = 2_000_000)]
    pub displacement_kg: Option<f64>,
    /// Where the forward sling goes, measured aft from the bow.
    #[garde(range(min = 0.0, max = 100.0))]
    #[schema(minimum = 0, maximum = 100)]
    pub sling_forward_m: Option<f64>,
    /// Where the aft sling goes, measured aft from the bow.
    #[garde(range(min = 0.0, max = 100.0))]
    #[schema(minimum = 0, maximum = 100)]
    pub sling_aft_m: Option<f64>,
    /// The craft's identification number (ISO 10087), unique in your organisation; kept in capitals with the
    /// hyphen after the country.
    #[garde(skip)] // checked with its parts in `checked`, so that the refusal can name the part
    #[schema(min_length = 14, max_length = 15, example = "XX-ABC12345D626")]
    pub hull_id_number: Option<String>,
    /// The year it was built. When no launch is entered, 1 July of it stands for the launch.
    #[garde(range(min = FIRST_YEAR, max = LAST_YEAR))]
    #[schema(minimum = 1940, maximum = 2199)]
    pub built_year: Option<i32>,
    /// The day it first went into the water. Without it and the year built there is no water forecast.
    #[garde(custom(within_years))]
    pub launched_on: Option<NaiveDate>,
    /// The resin system. When left out, the forecasts take orthophthalic, isophthalic and vinylester skin as
    /// equally likely.
    #[garde(skip)]
    pub laminate_class: Option<LaminateClass>,
    /// How the bilge is usually found. When left out, the forecasts take a damp one.
    #[garde(skip)]
    pub bilge: Option<Bilge>,
    /// The first month it usually stands ashore; with `ashore_until_month`. When both are left out, the
    /// forecasts take it as afloat except for its haul-outs.
    #[garde(range(min = 1, max = 12))]
    #[schema(minimum = 1, maximum = 12)]
    pub ashore_from_month: Option<i32>,
    /// The last month it usually stands ashore, that month included.
    #[garde(range(min = 1, max = 12))]
    #[schema(minimum = 1, maximum = 12)]
    pub ashore_until_month: Option<i32>,
    /// Where it lies. When left out, the forecasts take a stand-in climate.
    #[garde(skip)]
    pub site_id: Option<SiteId>,
    /// The berth there.
    #[garde(length(chars, min = 1, max = 100))]
    #[schema(min_length = 1, max_length = 100)]
    pub berth: Option<String>,
    /// The owner's name.
    #[garde(length(chars, min = 1, max = 200))]
    #[schema(min_length = 1, max_length = 200)]
    pub owner_name: Option<String>,
    /// The owner's telephone number.
    #[garde(length(chars, min = 1, max = 100))]
    #[schema(min_length = 1, max_length = 100)]
    pub owner_phone: Option<String>,
    /// The owner's e-mail address.
    #[garde(length(chars, min = 3, max = 254), custom(has_at))]
    #[schema(min_length = 3, max_length = 254)]
    pub owner_email: Option<String>,
    /// Anything else.
    #[garde(length(chars, max = 4000))]
    #[schema(max_length = 4000)]
    pub note: Option<String>,
    /// The day it left for good: from then on nothing of it is due.
    #[garde(custom(within_years))]
    pub retired_on: Option<NaiveDate>,
    /// How its zones are built.
    #[serde(default)]
    #[garde(length(max = 5), dive)]
    #[schema(max_items = 5)]
    pub zones: Vec<VesselZone>,
}

/// A garde rule: a date between 1940 and 2199.
///
/// # Errors
/// For any other.
#[allow(clippy::trivially_copy_pass_by_ref, reason = "garde passes references")]
pub fn within_years(date: &Option<NaiveDate>, _: &()) -> garde::Result {
    match date {
        Some(date) if !(FIRST_YEAR..=LAST_YEAR).contains(&date.year()) => {
            Err(garde::Error::new(format!("is not between {FIRST_YEAR} and {LAST_YEAR}; correct the year")))
        }
        _ => Ok(()),
    }
}

#[allow(clippy::trivially_copy_pass_by_ref, clippy::ref_option, reason = "garde passes references")]
fn has_at(address: &Option<String>, _: &()) -> garde::Result {
    match address.as_deref().map(|address| address.split_once('@')) {
        None => Ok(()),
        Some(Some((local, domain))) if !local.is_empty() && !domain.is_empty() => Ok(()),
        Some(_) => Err(garde::Error::new("is not an e-mail address")),
    }
}

impl VesselFields {
    /// The fields with the hull number in its one spelling and the zones in order, if they do not contradict
    /// each other.
    ///
    /// # Errors
    /// Invalid, with every field that contradicts another.
    pub fn checked(mut self) -> Result<Self> {
        let mut wrong = Vec::new();
        if let Some(given) = self.hull_id_number.take() {
            match HullIdNumber::read(&given) {
                Ok(number) => self.hull_id_number = Some(number.to_string()),
                Err(fault) => {
                    wrong.push(FieldError::new("/hull_id_number", "hull_id_number", fault.to_string()));
                }
            }
        }
        self.check_measures(&mut wrong);
        self.check_dates(&mut wrong);
        let mut seen = HashSet::new();
        for (n, zone) in self.zones.iter().enumerate() {
            if !seen.insert(zone.zone) {
                wrong.push(FieldError::new(
                    format!("/zones/{n}/zone"),
                    "doubled",
                    "was described already. Describe each zone once.",
                ));
            }
        }
        self.zones.sort_by_key(|zone| zone.zone);
        if wrong.is_empty() { Ok(self) } else { Err(Error::invalid(wrong)) }
    }

    /// Whether anything differs that a forecast or a due row is made from.
    #[must_use]
    pub fn bears_on_dates_unlike(&self, other: &Self) -> bool {
        // Everything bears on a date but these: a field added later errs towards one forecast too many.
        let without_particulars = |fields: &Self| Self {
            r#ref: None,
            displacement_kg: None,
            sling_forward_m: None,
            sling_aft_m: None,
            hull_id_number: None,
            owner_name: None,
            owner_phone: None,
            owner_email: None,
            note: None,
            ..fields.clone()
        };
        without_particulars(self) != without_particulars(other)
    }

    fn check_measures(&self, wrong: &mut Vec<FieldError>) {
        if self.lwl_m.is_some_and(|lwl_m| lwl_m > self.length_m) {
            wrong.push(FieldError::new(
                "/lwl_m",
                "over_length",
                "is more than length_m. The waterline is not longer than the hull: correct one of them.",
            ));
        }
        if let (Some(forward), Some(aft)) = (self.sling_forward_m, self.sling_aft_m)
            && forward >= aft
        {
            wrong.push(FieldError::new(
                "/sling_aft_m",
                "order",
                "is not aft of sling_forward_m. Both are measured aft from the bow.",
            ));
        }
        for (pointer, sling_m) in
            [("/sling_forward_m", self.sling_forward_m), ("/sling_aft_m", self.sling_aft_m)]
        {
            if sling_m.is_some_and(|sling_m| sling_m > self.length_m) {
                wrong.push(FieldError::new(
                    pointer,
                    "over_length",
                    "lies behind the stern: it is more than length_m. It is measured aft from the bow.",
                ));
            }
        }
    }

    fn check_dates(&self, wrong: &mut Vec<FieldError>) {
        let missing = match (self.ashore_from_month, self.ashore_until_month) {
            (Some(_), None) => Some("/ashore_until_month"),
            (None, Some(_)) => Some("/ashore_from_month"),
            _ => None,
        };
        if let Some(pointer) = missing {
            wrong.push(FieldError::new(
                pointer,
                "pair",
                "is missing. Enter both months of the usual season ashore, or neither.",
            ));
        }
        // A hull of next year's model is launched in the autumn before.
        if let (Some(launched_on), Some(built_year)) = (self.launched_on, self.built_year)
            && launched_on.year() < built_year - 1
        {
            wrong.push(FieldError::new(
                "/launched_on",
                "before_built",
                format!("is earlier than the year before built_year ({built_year}). Correct one of them."),
            ));
        }
        if let (Some(launched_on), Some(retired_on)) = (self.launched_on, self.retired_on)
            && retired_on < launched_on
        {
            wrong.push(FieldError::new(
                "/retired_on",
                "before_launch",
                format!("is before the launch on {launched_on}. Correct one of them."),
            ));
        }
    }
}

#[cfg(test)]
mod tests;

//! The rules of the due list.

use chrono::{DateTime, Days, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::features::vessels::model::LaminateClass;
use crate::ids::{OrgId, SiteId, VesselId};
use crate::science::forecast::dates::{DueKind, DueStatus};

/// The days after a lift's first date within which other dates are served by it, unless told otherwise.
pub const DEFAULT_WITHIN_DAYS: u32 = 60;
/// The most of them.
pub const MAX_WITHIN_DAYS: u32 = 366;

/// A laminate class to look for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum LaminateFilter {
    /// General-purpose orthophthalic polyester throughout.
    Orthophthalic,
    /// Isophthalic polyester throughout.
    Isophthalic,
    /// Vinylester behind the gelcoat, polyester beneath.
    VinylesterSkin,
    /// Vinylester throughout.
    Vinylester,
    /// Epoxy throughout.
    Epoxy,
    /// Vessels whose class nobody entered.
    Unknown,
}

impl LaminateFilter {
    /// The class; none for the unknown.
    #[must_use]
    pub fn class(self) -> Option<LaminateClass> {
        match self {
            Self::Orthophthalic => Some(LaminateClass::Orthophthalic),
            Self::Isophthalic => Some(LaminateClass::Isophthalic),
            Self::VinylesterSkin => Some(LaminateClass::VinylesterSkin),
            Self::Vinylester => Some(LaminateClass::Vinylester),
            Self::Epoxy => Some(LaminateClass::Epoxy),
            Self::Unknown => None,
        }
    }
}

/// Which rows.
#[derive(Debug, Clone, Copy, Default)]
pub struct DueFilter {
    /// Of vessels of this organisation: one's own, or those it granted.
    pub org_id: Option<OrgId>,
    /// Of vessels lying at this site.
    pub site_id: Option<SiteId>,
    /// Of this vessel.
    pub vessel_id: Option<VesselId>,
    /// Of this kind.
    pub kind: Option<DueKind>,
    /// With or without a date.
    pub status: Option<DueStatus>,
    /// Of vessels of this class.
    pub laminate_class: Option<LaminateFilter>,
    /// Due before this day.
    pub before: Option<NaiveDate>,
    /// Due on or after this day.
    pub not_before: Option<NaiveDate>,
    /// Computed at or after this time.
    pub updated_since: Option<DateTime<Utc>>,
}

impl DueFilter {
    /// Narrowed to what is overdue today, or to what is not; a row without a date is neither.
    #[must_use]
    pub fn overdue(mut self, overdue: Option<bool>, today: NaiveDate) -> Self {
        match overdue {
            Some(true) => self.before = Some(self.before.map_or(today, |before| before.min(today))),
            Some(false) => self.not_before = Some(today),
            None => {}
        }
        self
    }
}

/// The last day on which a date still belongs to a lift: so many days after the lift is due, or after today
/// where it is overdue, since an overdue lift happens today at the earliest.
#[must_use]
pub fn served_until(lift_by: NaiveDate, today: NaiveDate, within_days: u32) -> NaiveDate {
    lift_by.max(today).checked_add_days(Days::new(within_days.into())).unwrap_or(NaiveDate::MAX)
}

#[cfg(test)]
mod tests {
    use super::{DueFilter, NaiveDate, served_until};

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap_or_default()
    }

    #[test]
    fn an_overdue_lift_serves_what_is_due_within_days_from_today() {
        let today = day("2026-06-15");
        assert_eq!(served_until(day("2026-08-01"), today, 60), day("2026-09-30"));
        assert_eq!(served_until(day("2025-08-01"), today, 60), day("2026-08-14"));
        assert_eq!(served_until(today, today, 0), today);
    }

    #[test]
    fn overdue_narrows_what_is_asked_for_and_never_widens_it() {
        let today = day("2026-06-15");
        let before = |text: &str| DueFilter { before: Some(day(text)), ..DueFilter::default() };
        assert_eq!(before("2026-01-01").overdue(Some(true), today).before, Some(day("2026-01-01")));
        assert_eq!(before("2027-01-01").overdue(Some(true), today).before, Some(today));
        let not_overdue = before("2027-01-01").overdue(Some(false), today);
        assert_eq!((not_overdue.not_before, not_overdue.before), (Some(today), Some(day("2027-01-01"))));
    }
}

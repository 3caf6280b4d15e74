//! The limits by which dates are set. Every default is common practice, no source; an organisation
//! sets its own, a vessel may override them.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::science::refusal::Refusals;

/// Limits of the forecasts. Each is a setting, never a constant of the model.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Policy {
    /// Longest time between examinations of the whole bottom.
    pub inspection_max_months: u32,
    /// Chance of onset since the last clean survey at which the bottom is looked at.
    pub inspection_risk: f64,
    /// Shortest time after a clean survey at which the risk alone calls for another.
    pub inspection_min_months: u32,
    /// Time from relaunch after a curative treatment to its first examination.
    pub post_treatment_inspection_months: u32,
    /// Shortest time between examinations of a blistered hull (growing, or growth unknown).
    pub growth_inspection_min_months: u32,
    /// Longest time between examinations of a blistered hull (not growing).
    pub growth_inspection_max_months: u32,
    /// Rise of a meter's readings on the same stations (median, on its scale) from which a hull looks wet.
    pub reading_rise: f64,
    /// Readings so much over the dry reference of the day (median, on the meter's scale) make a hull look wet.
    pub reading_over_dry_reference: f64,
    /// Longest time to the next examination of a hull that looked wet.
    pub wet_inspection_months: u32,
    /// Chance of onset in the coming year, given none so far, at which a barrier is due.
    pub barrier_rate_per_year: f64,
    /// Age at which a barrier is renewed whatever the rate.
    pub barrier_max_age_years: u32,
    /// Age under which the rate alone does not call for another barrier: a recoat would not lower it.
    pub barrier_min_age_years: u32,
    /// Least measured barrier film.
    pub barrier_min_film_um: f64,
    /// Antifouling film at which it counts as spent.
    pub antifouling_reserve_um: f64,
    /// Months afloat after which an antifouling without a wear rate or limit of its own is spent.
    pub antifouling_season_limit_months: u32,
    /// Days ashore after which an antifouling without a limit of its own is spent.
    pub antifouling_max_days_dry: u32,
    /// Chance of onset at an open break at which it is to be closed.
    pub repair_risk: f64,
    /// Longest time an open break or damage is left.
    pub repair_max_months: u32,
    /// Longest time from finding gelcoat blisters to their treatment.
    pub treatment_max_months: u32,
    /// Longest time from finding laminate blisters to their treatment.
    pub treatment_laminate_max_months: u32,
    /// Blister density from which gelcoat or laminate blisters count as the onset.
    pub event_min_density_per_m2: f64,
    /// Diameter over which a single blister counts as the onset.
    pub event_min_diameter_mm: f64,
    /// Chance that a whole examination sees blistering that began not long before it.
    pub detection_probability: f64,
    /// Time after its beginning from which blistering is sure to be seen.
    pub detection_sure_after_months: u32,
    /// How far ahead dates are given.
    pub horizon_years: u32,
    /// How long before its date a hull is told as due.
    pub due_notice_days: u32,
    /// A date that moved by more than this since it was told last is told again.
    pub date_moved_days: u32,
}

impl Default for Policy {
    fn default() -> Self {
        Self {
            inspection_max_months: 24,
            inspection_risk: 0.10,
            inspection_min_months: 6,
            post_treatment_inspection_months: 12,
            growth_inspection_min_months: 6,
            growth_inspection_max_months: 12,
            reading_rise: 5.0,
            reading_over_dry_reference: 15.0,
            wet_inspection_months: 12,
            barrier_rate_per_year: 0.05,
            barrier_max_age_years: 15,
            barrier_min_age_years: 5,
            barrier_min_film_um: 200.0,
            antifouling_reserve_um: 30.0,
            antifouling_season_limit_months: 12,
            antifouling_max_days_dry: 180,
            repair_risk: 0.05,
            repair_max_months: 3,
            treatment_max_months: 12,
            treatment_laminate_max_months: 6,
            event_min_density_per_m2: 1.0,
            event_min_diameter_mm: 5.0,
            detection_probability: 0.9,
            detection_sure_after_months: 12,
            horizon_years: 30,
            due_notice_days: 30,
            date_moved_days: 30,
        }
    }
}

impl Policy {
    /// Refuses limits that no date can be set by.
    ///
    /// # Errors
    /// Each field out of its range, with its pointer.
    pub fn validate(&self) -> Result<(), Refusals> {
        let mut refusals = Refusals::default();
        self.check("", &mut refusals);
        refusals.into_result()
    }

    /// Notes refusals under `at`, the JSON pointer of the policy in a larger input.
    pub(super) fn check(&self, at: &str, refusals: &mut Refusals) {
        let mut check = |field: &str, value: f64, low: f64, high: f64, unit: &str| {
            refusals.range(&format!("{at}/{field}"), value, low, high, unit);
        };
        check("inspection_max_months", self.inspection_max_months.into(), 1.0, 120.0, "months");
        check("inspection_risk", self.inspection_risk, 0.001, 0.9, "");
        check(
            "inspection_min_months",
            self.inspection_min_months.into(),
            0.0,
            self.inspection_max_months.into(),
            "months",
        );
        check(
            "post_treatment_inspection_months",
            self.post_treatment_inspection_months.into(),
            1.0,
            60.0,
            "months",
        );
        let longest = f64::from(self.growth_inspection_max_months);
        check(
            "growth_inspection_min_months",
            self.growth_inspection_min_months.into(),
            1.0,
            longest.clamp(1.0, 60.0),
            "months",
        );
        check("growth_inspection_max_months", longest, 1.0, 60.0, "months");
        check("reading_rise", self.reading_rise, 0.1, 10_000.0, "");
        check("reading_over_dry_reference", self.reading_over_dry_reference, 0.1, 10_000.0, "");
        check("wet_inspection_months", self.wet_inspection_months.into(), 1.0, 120.0, "months");
        check("barrier_rate_per_year", self.barrier_rate_per_year, 0.001, 0.9, "per year");
        check("barrier_max_age_years", self.barrier_max_age_years.into(), 1.0, 60.0, "years");
        check("barrier_min_age_years", self.barrier_min_age_years.into(), 0.0, 60.0, "years");
        check("barrier_min_film_um", self.barrier_min_film_um, 0.0, 5000.0, "µm");
        check("antifouling_reserve_um", self.antifouling_reserve_um, 0.0, 1000.0, "µm");
        check(
            "antifouling_season_limit_months",
            self.antifouling_season_limit_months.into(),
            1.0,
            120.0,
            "months",
        );
        check("antifouling_max_days_dry", self.antifouling_max_days_dry.into(), 1.0, 3650.0, "days");
        check("repair_risk", self.repair_risk, 0.001, 0.9, "");
        check("repair_max_months", self.repair_max_months.into(), 0.0, 60.0, "months");
        check("treatment_max_months", self.treatment_max_months.into(), 0.0, 120.0, "months");
        check(
            "treatment_laminate_max_months",
            self.treatment_laminate_max_months.into(),
            0.0,
            120.0,
            "months",
        );
        check("event_min_density_per_m2", self.event_min_density_per_m2, 0.0, 1000.0, "per m²");
        check("event_min_diameter_mm", self.event_min_diameter_mm, 0.0, 1000.0, "mm");
        check("detection_probability", self.detection_probability, 0.01, 1.0, "");
        check("detection_sure_after_months", self.detection_sure_after_months.into(), 0.0, 60.0, "months");
        check("horizon_years", self.horizon_years.into(), 1.0, 60.0, "years");
        check("due_notice_days", self.due_notice_days.into(), 0.0, 365.0, "days");
        check("date_moved_days", self.date_moved_days.into(), 0.0, 3650.0, "days");
    }
}

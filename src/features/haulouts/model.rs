//! The rules of haul-outs.

use chrono::NaiveDate;
use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::error::{Code, Error, FieldError, Result};
use crate::features::vessels::model::within_years;
use crate::ids::VesselId;

/// Why a vessel was lifted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum HaulOutReason {
    /// To look at the bottom.
    Inspection,
    /// To renew the antifouling.
    Antifouling,
    /// To put on barrier coats.
    Barrier,
    /// To mend damage.
    Repair,
    /// To treat a blistered or wet hull.
    Treatment,
    /// For the season ashore.
    Seasonal,
    /// Anything else; say it in the note.
    Other,
}

/// What is kept of a haul-out: a vessel's time ashore from lift to relaunch.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, Validate, ToSchema)]
pub struct HaulOutFields {
    /// Your own reference, unique in your organisation.
    #[garde(length(chars, min = 1, max = 100))]
    #[schema(min_length = 1, max_length = 100)]
    pub r#ref: Option<String>,
    /// The vessel; fixed once recorded.
    #[garde(skip)]
    pub vessel_id: VesselId,
    /// The day of the lift; not before the vessel's launch.
    #[garde(custom(within_years_required))]
    pub lifted_on: NaiveDate,
    /// The day of the relaunch; left out while the vessel stands ashore.
    #[garde(custom(within_years))]
    pub relaunched_on: Option<NaiveDate>,
    /// Why it was lifted.
    #[garde(skip)]
    pub reason: HaulOutReason,
    /// Anything else.
    #[garde(length(chars, max = 4000))]
    #[schema(max_length = 4000)]
    pub note: Option<String>,
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "garde passes references")]
fn within_years_required(date: &NaiveDate, context: &()) -> garde::Result {
    within_years(&Some(*date), context)
}

impl HaulOutFields {
    /// The fields, if they contradict neither each other nor the vessel's launch.
    ///
    /// # Errors
    /// Invalid, with the date at fault.
    pub fn checked(self, launched_on: Option<NaiveDate>) -> Result<Self> {
        let mut wrong = Vec::new();
        if self.relaunched_on.is_some_and(|relaunched_on| relaunched_on < self.lifted_on) {
            wrong.push(FieldError::new(
                "/relaunched_on",
                "before_lift",
                format!(
                    "is before the lift on {}. Enter the day of relaunch, or leave it out while the vessel stands ashore.",
                    self.lifted_on
                ),
            ));
        }
        if let Some(launched_on) = launched_on
            && self.lifted_on < launched_on
        {
            wrong.push(FieldError::new(
                "/lifted_on",
                "before_launch",
                format!("is before the vessel's launch on {launched_on}. Correct one of them."),
            ));
        }
        if wrong.is_empty() { Ok(self) } else { Err(Error::invalid(wrong)) }
    }

    /// The fields as a change of `before`: the vessel stays.
    ///
    /// # Errors
    /// Invalid, when the vessel is another one.
    pub fn still_of(self, before: &Self) -> Result<Self> {
        if self.vessel_id == before.vessel_id {
            Ok(self)
        } else {
            Err(Error::field(
                "/vessel_id",
                "fixed",
                "cannot be changed. Record the haul-out anew under the other vessel.",
            ))
        }
    }

    /// The days ashore, from the lift (included) to the one before which it ended. A vessel relaunched in the
    /// morning can be lifted again in the afternoon, so the day of relaunch does not count; of one lifted and
    /// relaunched on the same day that day counts.
    #[must_use]
    pub fn days_ashore(&self) -> (NaiveDate, Option<NaiveDate>) {
        let until = self.relaunched_on.map(|relaunched_on| {
            if relaunched_on > self.lifted_on {
                relaunched_on
            } else {
                self.lifted_on.succ_opt().unwrap_or(relaunched_on)
            }
        });
        (self.lifted_on, until)
    }

    /// Whether a forecast is made from other days or for another reason.
    #[must_use]
    pub fn bears_on_dates_unlike(&self, other: &Self) -> bool {
        (self.lifted_on, self.relaunched_on, self.reason)
            != (other.lifted_on, other.relaunched_on, other.reason)
    }
}

/// Something to look at before or after the relaunch. It refuses nothing: what was done was done.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct HaulOutWarning {
    /// A stable word: `launch_too_late` or `treatment_not_closed`.
    pub code: &'static str,
    /// The field it is about.
    pub pointer: &'static str,
    /// What is so and what to do.
    pub detail: String,
}

/// Refuses a haul-out that overlaps one from `lifted_on` to `relaunched_on`.
#[must_use]
pub fn overlap(lifted_on: NaiveDate, relaunched_on: Option<NaiveDate>) -> Error {
    let other = match relaunched_on {
        Some(relaunched_on) => {
            format!("from {lifted_on} to {relaunched_on}. Correct the dates of one of them.")
        }
        None => format!("open since {lifted_on}. Enter its relaunch first, or correct the dates."),
    };
    let mut error =
        Error::field("/lifted_on", "overlap", format!("overlaps another haul-out of this vessel, {other}"));
    error.code = Code::Conflict;
    error
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use uuid::Uuid;

    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().expect("a date of a test")
    }

    fn ashore(lifted_on: NaiveDate, relaunched_on: Option<NaiveDate>) -> HaulOutFields {
        HaulOutFields {
            r#ref: None,
            vessel_id: VesselId::from(Uuid::nil()),
            lifted_on,
            relaunched_on,
            reason: HaulOutReason::Seasonal,
            note: None,
        }
    }

    fn fault(result: Result<HaulOutFields>) -> Vec<(String, String)> {
        let refused = result.expect_err("a refusal");
        refused.fields.into_iter().map(|field| (field.pointer, field.code)).collect()
    }

    #[test]
    fn the_relaunch_is_not_before_the_lift() {
        let (lift, before) = (day("2024-11-02"), day("2024-11-01"));
        assert!(ashore(lift, Some(lift)).checked(None).is_ok());
        assert!(ashore(lift, None).checked(None).is_ok());
        assert_eq!(
            fault(ashore(lift, Some(before)).checked(None)),
            [("/relaunched_on".to_owned(), "before_lift".to_owned())]
        );
    }

    #[test]
    fn the_lift_is_not_before_the_launch() {
        let (lift, launch) = (day("2024-11-02"), day("2024-11-03"));
        assert!(ashore(launch, None).checked(Some(launch)).is_ok());
        assert_eq!(
            fault(ashore(lift, None).checked(Some(launch))),
            [("/lifted_on".to_owned(), "before_launch".to_owned())]
        );
    }

    #[test]
    fn the_vessel_stays() {
        let before = ashore(day("2024-11-02"), None);
        let mut after = before.clone();
        after.vessel_id = VesselId::from(Uuid::max());
        assert_eq!(fault(after.still_of(&before)), [("/vessel_id".to_owned(), "fixed".to_owned())]);
        assert!(before.clone().still_of(&before).is_ok());
    }

    proptest! {
        #[test]
        fn days_ashore_are_at_least_one(start in 0_u64..90_000, days in 0_u64..5_000) {
            let lifted_on = day("1940-01-01") + chrono::Days::new(start);
            let fields = ashore(lifted_on, Some(lifted_on + chrono::Days::new(days)));
            let (from, until) = fields.days_ashore();
            prop_assert_eq!(from, lifted_on);
            prop_assert_eq!(until, Some(lifted_on + chrono::Days::new(days.max(1))));
        }
    }
}

//! The rules of policies.

use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::error::Result;
use crate::science::forecast::policy::Policy;

macro_rules! limits {
    ($($(#[doc = $doc:literal])* $name:ident: $type:ty = $low:tt..$high:tt,)+) => {
        /// The limits that are set here; one left out stays as it is above, null takes it back.
        #[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
        pub struct PolicyLimits {
            $(
                $(#[doc = $doc])*
                #[serde(skip_serializing_if = "Option::is_none")]
                #[garde(skip)] // by the science, in `upon`, which knows how the limits hang together
                #[schema(minimum = $low, maximum = $high)]
                pub $name: Option<$type>,
            )+
        }

        impl PolicyLimits {
            fn laid_over(&self, base: &Policy) -> Policy {
                Policy { $($name: self.$name.unwrap_or(base.$name),)+ }
            }
        }

        /// Each limit's name, least and greatest value, and what it is.
        pub const STATED: &[(&str, f64, f64, &str)] =
            &[$((stringify!($name), $low as f64, $high as f64, concat!($($doc),*)),)+];
    };
}

limits! {
    /// Longest time between examinations of the whole bottom.
    inspection_max_months: u32 = 1..120,
    /// Chance of onset since the last clean survey at which the bottom is looked at.
    inspection_risk: f64 = 0.001..0.9,
    /// Shortest time after a clean survey at which the risk alone calls for another; at most
    /// `inspection_max_months`.
    inspection_min_months: u32 = 0..120,
    /// Time from relaunch after a curative treatment to its first examination.
    post_treatment_inspection_months: u32 = 1..60,
    /// Shortest time between examinations of a blistered hull (growing, or growth unknown); at most
    /// `growth_inspection_max_months`.
    growth_inspection_min_months: u32 = 1..60,
    /// Longest time between examinations of a blistered hull (not growing).
    growth_inspection_max_months: u32 = 1..60,
    /// Rise of a meter's readings on the same stations (median, on its scale) from which a hull looks wet.
    reading_rise: f64 = 0.1..10000,
    /// Readings so much over the dry reference of the day (median, on the meter's scale) make a hull look wet.
    reading_over_dry_reference: f64 = 0.1..10000,
    /// Longest time to the next examination of a hull that looked wet.
    wet_inspection_months: u32 = 1..120,
    /// Chance of onset in the coming year, given none so far, at which a barrier is due.
    barrier_rate_per_year: f64 = 0.001..0.9,
    /// Age at which a barrier is renewed whatever the rate.
    barrier_max_age_years: u32 = 1..60,
    /// Age under which the rate alone does not call for another barrier.
    barrier_min_age_years: u32 = 0..60,
    /// Least measured barrier film.
    barrier_min_film_um: f64 = 0..5000,
    /// Antifouling film at which it counts as spent.
    antifouling_reserve_um: f64 = 0..1000,
    /// Months afloat after which an antifouling without a wear rate or limit of its own is spent.
    antifouling_season_limit_months: u32 = 1..120,
    /// Days ashore after which an antifouling without a limit of its own is spent.
    antifouling_max_days_dry: u32 = 1..3650,
    /// Chance of onset at an open break at which it is to be closed.
    repair_risk: f64 = 0.001..0.9,
    /// Longest time an open break or damage is left.
    repair_max_months: u32 = 0..60,
    /// Longest time from finding gelcoat blisters to their treatment.
    treatment_max_months: u32 = 0..120,
    /// Longest time from finding laminate blisters to their treatment.
    treatment_laminate_max_months: u32 = 0..120,
    /// Blister density from which gelcoat or laminate blisters count as the onset.
    event_min_density_per_m2: f64 = 0..1000,
    /// Diameter over which a single blister counts as the onset.
    event_min_diameter_mm: f64 = 0..1000,
    /// Chance that a whole examination sees blistering that has begun.
    detection_probability: f64 = 0.01..1,
    /// Time after its beginning from which blistering is sure to be seen.
    detection_sure_after_months: u32 = 0..60,
    /// How far ahead dates are given.
    horizon_years: u32 = 1..60,
    /// How long before its date a hull is told as due.
    due_notice_days: u32 = 0..365,
    /// A date that moved by more than this since it was told last is told again.
    date_moved_days: u32 = 0..3650,
}

impl PolicyLimits {
    /// The limits that hold when these are set over `base`.
    ///
    /// # Errors
    /// Invalid, with each limit that is out of its range or contradicts another.
    pub fn upon(&self, base: &Policy) -> Result<Policy> {
        let policy = self.laid_over(base);
        policy.validate()?;
        Ok(policy)
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::{Policy, PolicyLimits, STATED};

    fn refused(name: &str, value: f64) -> Option<bool> {
        let whole = serde_json::to_value(Policy::default()).ok()?[name].is_u64();
        // The two pairs that bound each other are moved together, so that only the range of the one is tried.
        let partner = match name {
            "inspection_min_months" => Some(("inspection_max_months", 120)),
            "growth_inspection_min_months" => Some(("growth_inspection_max_months", 60)),
            "inspection_max_months" => Some(("inspection_min_months", 0)),
            "growth_inspection_max_months" => Some(("growth_inspection_min_months", 1)),
            _ => None,
        };
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "whole numbers under 10,000"
        )]
        let mut limits = if whole { json!({name: value as u32}) } else { json!({name: value}) };
        if let Some((partner, value)) = partner {
            limits[partner] = json!(value);
        }
        let limits: PolicyLimits = serde_json::from_value(limits).ok()?;
        let pointer = format!("/{name}");
        Some(match limits.upon(&Policy::default()) {
            Ok(_) => false,
            Err(error) => error.fields.iter().any(|field| field.pointer == pointer),
        })
    }

    #[test]
    fn the_ranges_stated_are_those_the_forecasts_enforce() {
        for &(name, low, high, _) in STATED {
            assert_eq!(refused(name, low), Some(false), "{name} at {low}");
            assert_eq!(refused(name, high), Some(false), "{name} at {high}");
            assert_eq!(refused(name, high * 1.01 + 1.0), Some(true), "{name} above {high}");
            if low > 0.0 {
                assert_eq!(refused(name, low * 0.5), Some(true), "{name} below {low}");
            }
        }
    }

    #[test]
    fn what_is_not_set_stays_as_it_was_below() {
        let limits = PolicyLimits { horizon_years: Some(7), ..PolicyLimits::default() };
        let organisation = Policy { inspection_max_months: 18, ..Policy::default() };
        let expected = Policy { horizon_years: 7, ..organisation };
        assert_eq!(limits.upon(&organisation).ok(), Some(expected));
    }
}

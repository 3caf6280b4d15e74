//! The rules of subscriptions and deliveries.

use chrono::{DateTime, TimeDelta, Utc};
use garde::Validate;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::ids::{EventId, SiteId, VesselId};

/// For so long a delivery is tried, and a subscription to which nothing arrives is left on.
pub const TRIED_FOR: TimeDelta = TimeDelta::days(3);
const FIRST_WAIT_S: i64 = 10;
const LONGEST_WAIT_S: i64 = 6 * 3600;

fn yes() -> bool {
    true
}

/// A subscription to events.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, Validate, ToSchema)]
pub struct SubscriptionFields {
    /// What you call it.
    #[garde(length(chars, min = 1, max = 200))]
    #[schema(min_length = 1, max_length = 200)]
    pub name: String,
    /// Where events are sent, by POST: https, to a host on the open internet.
    #[garde(length(bytes, min = 1, max = 2000))]
    #[schema(min_length = 1, max_length = 2000)]
    pub url: String,
    /// The kinds it takes; all, if none is named. Kinds that come with later versions are among all.
    #[serde(default)]
    #[garde(length(max = 50))]
    #[schema(max_items = 50, value_type = Vec<String>)]
    pub kinds: Vec<String>,
    /// Only events of vessels that lie at these sites; all events, if none is named.
    #[serde(default)]
    #[garde(length(max = 200))]
    #[schema(max_items = 200)]
    pub site_ids: Vec<SiteId>,
    /// Whether events are sent. Switched on again, it goes on with what waits.
    #[serde(default = "yes")]
    #[garde(skip)]
    pub active: bool,
}

/// An event, as it is listed and sent.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Event {
    /// Its id, also the `webhook-id` under which it is sent.
    pub id: EventId,
    /// Its place in the organisation's order, without gaps.
    pub sequence: i64,
    /// What happened: `vessel.due`, `vessel.overdue`, `vessel.date_moved`, `finding.opened`, `finding.closed`,
    /// `hull.ready_to_coat`, `hull.drying_stalled`, `treatment.closed`, `audit.head`, `subscription.stopped`.
    pub kind: String,
    /// When.
    pub recorded_at: DateTime<Utc>,
    /// To which vessel, if to one.
    pub vessel_id: Option<VesselId>,
    /// Where it lay then, if known.
    pub site_id: Option<SiteId>,
    /// What belongs to this kind.
    pub content: Value,
}

/// The body of a delivery, in the form that the Standard Webhooks specification recommends.
#[derive(Debug, Serialize)]
pub struct Message<'a> {
    /// The kind.
    #[serde(rename = "type")]
    pub kind: &'a str,
    /// When it happened.
    pub timestamp: DateTime<Utc>,
    /// The event as it is listed.
    #[serde(rename = "data")]
    pub event: &'a Event,
}

/// How long to wait after so many failures in a row: ten seconds, doubled with each up to six hours, and up to a tenth
/// more, by the id, so that many do not come back at once.
#[must_use]
pub fn wait_after(failures: i32, id: Uuid) -> TimeDelta {
    let doublings = u32::try_from(failures.clamp(1, 20) - 1).unwrap_or(0);
    let wait_s = (FIRST_WAIT_S << doublings).min(LONGEST_WAIT_S);
    let spread = i64::from(id.as_bytes()[15]);
    TimeDelta::milliseconds(wait_s * 1000 + wait_s * 100 * spread / 255)
}

#[cfg(test)]
mod tests {
    use super::wait_after;
    use uuid::Uuid;

    // By hand: 10 s doubled eleven times is 20480 s, the next is bounded by 21600 s; the spread is a tenth at most.
    #[test]
    fn waits_double_up_to_six_hours() {
        let waits: Vec<i64> = (1..=14).map(|n| wait_after(n, Uuid::nil()).num_seconds()).collect();
        assert_eq!(waits[..4], [10, 20, 40, 80]);
        assert_eq!(waits[11..], [20_480, 21_600, 21_600]);
        assert_eq!(wait_after(1, Uuid::max()).num_seconds(), 11);
        assert_eq!(wait_after(i32::MAX, Uuid::max()).num_seconds(), 23_760);
        // Within three days there are more than twenty attempts.
        let (mut at, mut n) = (0, 0);
        while at < 3 * 86_400 {
            n += 1;
            at += wait_after(n, Uuid::max()).num_seconds();
        }
        assert!(n > 20, "{n}");
    }
}

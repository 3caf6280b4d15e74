//! The outbox: what happened, written in the transaction in which it happened, for programs elsewhere.
//!
//! It stands here, below the capabilities, because whoever causes an event comes before the capability `events`, which
//! lists them and sends them. [`append`] writes the rows and, in the same transaction, a delivery for each subscription
//! that takes them. Their number in the organisation's order is given at the commit, by a deferred trigger under a lock
//! that is held until the commit is seen: numbers become visible in their order and without gaps, so a cursor that is
//! past a number has missed nothing. (A sequence of the database's would not do: it is drawn before the commit, and a
//! slow transaction's lower number would appear behind a reader's back.)

use std::collections::HashMap;

use diesel::prelude::*;
use diesel::sql_types::{Array, Nullable, Uuid as SqlUuid};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;

use crate::codes;
use crate::db::Tx;
use crate::db::schema::{deliveries as d, events, vessels};
use crate::error::Result;
use crate::ids::{DeliveryId, EventId, Id, SiteId, SubscriptionId, VesselId};

/// What can happen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
pub enum EventKind {
    /// A date of a vessel is near: within the policy's days.
    #[serde(rename = "vessel.due")]
    VesselDue,
    /// A date of a vessel has passed.
    #[serde(rename = "vessel.overdue")]
    VesselOverdue,
    /// A date of a vessel moved by more than the policy's days since it was told last.
    #[serde(rename = "vessel.date_moved")]
    VesselDateMoved,
    /// A finding was recorded, or opened again.
    #[serde(rename = "finding.opened")]
    FindingOpened,
    /// A finding was repaired, or withdrawn as entered in error.
    #[serde(rename = "finding.closed")]
    FindingClosed,
    /// A hull under treatment has dried to its target.
    #[serde(rename = "hull.ready_to_coat")]
    HullReadyToCoat,
    /// A hull under treatment dries no further and is not dry.
    #[serde(rename = "hull.drying_stalled")]
    HullDryingStalled,
    /// A treatment was closed: the hull may go afloat.
    #[serde(rename = "treatment.closed")]
    TreatmentClosed,
    /// The head of the audit's chain, once a day.
    #[serde(rename = "audit.head")]
    AuditHead,
    /// A subscription was switched off, since nothing arrived for too long.
    #[serde(rename = "subscription.stopped")]
    SubscriptionStopped,
}

/// An event to be written.
#[derive(Debug, Clone)]
pub struct NewEvent {
    /// What happened.
    pub kind: EventKind,
    /// To which vessel, if to one.
    pub vessel_id: Option<VesselId>,
    /// The rest: an object.
    pub content: Value,
}

impl NewEvent {
    /// An event of a vessel.
    #[must_use]
    pub fn of_vessel(kind: EventKind, vessel_id: VesselId, content: Value) -> Self {
        Self { kind, vessel_id: Some(vessel_id), content }
    }
}

/// Writes events, and a delivery of each to every subscription that takes its kind and site.
///
/// # Errors
/// Those of the database.
pub fn append(tx: &mut Tx<'_>, new: &[NewEvent]) -> Result<()> {
    if new.is_empty() {
        return Ok(());
    }
    let (org_id, now) = (tx.org_id(), tx.now());
    let vessel_ids: Vec<VesselId> = new.iter().filter_map(|event| event.vessel_id).collect();
    let sites: HashMap<VesselId, Option<SiteId>> = vessels::table
        .filter(vessels::org_id.eq(org_id).and(vessels::id.eq_any(vessel_ids)))
        .select((vessels::id, vessels::site_id))
        .load(tx.conn())?
        .into_iter()
        .collect();
    let ids: Vec<EventId> = new.iter().map(|_| EventId::fresh()).collect();
    let rows = new
        .iter()
        .zip(&ids)
        .map(|(event, id)| {
            Ok((
                events::org_id.eq(org_id),
                events::id.eq(*id),
                events::kind.eq(codes::to_text(&event.kind)?),
                events::vessel_id.eq(event.vessel_id),
                events::site_id.eq(event.vessel_id.and_then(|id| sites.get(&id).copied().flatten())),
                events::recorded_at.eq(now),
                events::content.eq(&event.content),
            ))
        })
        .collect::<Result<Vec<_>>>()?;
    diesel::insert_into(events::table).values(rows).execute(tx.conn())?;
    deliver(tx, &ids)
}

#[derive(QueryableByName)]
struct Wanted {
    #[diesel(sql_type = SqlUuid)]
    subscription: SubscriptionId,
    #[diesel(sql_type = SqlUuid)]
    event: EventId,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    vessel: Option<VesselId>,
}

fn deliver(tx: &mut Tx<'_>, ids: &[EventId]) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    let wanted: Vec<Wanted> = diesel::sql_query(
        "SELECT s.id AS subscription, e.id AS event, e.vessel_id AS vessel FROM subscriptions s
         JOIN events e ON e.org_id = s.org_id AND e.id = ANY($2)
         WHERE s.org_id = $1 AND s.active AND (s.kinds = '[]' OR s.kinds @> to_jsonb(e.kind))
           AND (s.site_ids = '[]' OR s.site_ids @> to_jsonb(e.site_id::text))
         ORDER BY s.id, e.id",
    )
    .bind::<SqlUuid, _>(org_id)
    .bind::<Array<SqlUuid>, _>(ids)
    .load(tx.conn())?;
    let rows: Vec<_> = wanted
        .into_iter()
        .map(|row| {
            (
                d::org_id.eq(org_id),
                d::id.eq(DeliveryId::fresh()),
                d::subscription_id.eq(row.subscription),
                d::event_id.eq(row.event),
                d::vessel_id.eq(row.vessel),
                d::state.eq("waiting"),
                d::next_at.eq(now),
                d::created_at.eq(now),
                d::updated_at.eq(now),
            )
        })
        .collect();
    diesel::insert_into(d::table).values(rows).execute(tx.conn())?;
    Ok(())
}

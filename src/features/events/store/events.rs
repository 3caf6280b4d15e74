//! Reading events in their order.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use serde_json::Value;

use crate::db::Tx;
use crate::db::paging::{PageRequest, Position};
use crate::db::schema::{event_order as o, events as e};
use crate::error::Result;
use crate::features::events::model::Event;
use crate::ids::{EventId, SiteId, VesselId};

pub(super) type Row = (EventId, i64, String, DateTime<Utc>, Option<VesselId>, Option<SiteId>, Value);

pub(super) fn event((id, sequence, kind, recorded_at, vessel_id, site_id, content): Row) -> Event {
    Event { id, sequence, kind, recorded_at, vessel_id, site_id, content }
}

/// The events after a place, in their order; the place after the last, and whether more follow.
///
/// # Errors
/// Those of the database.
pub fn list(
    tx: &mut Tx<'_>,
    kinds: &[String],
    vessel_id: Option<VesselId>,
    page: PageRequest,
) -> Result<(Vec<Event>, Position, bool)> {
    let after = page.after.unwrap_or(Position { key: 0, id: uuid::Uuid::nil() });
    let mut query = o::table
        .inner_join(e::table.on(e::org_id.eq(o::org_id).and(e::id.eq(o::event_id))))
        .filter(o::org_id.eq(tx.org_id()).and(o::sequence.gt(after.key)))
        .into_boxed();
    if !kinds.is_empty() {
        query = query.filter(e::kind.eq_any(kinds.to_vec()));
    }
    if let Some(vessel_id) = vessel_id {
        query = query.filter(e::vessel_id.eq(vessel_id));
    }
    let rows: Vec<Row> = query
        .order(o::sequence)
        .limit(page.fetch())
        .select((e::id, o::sequence, e::kind, e::recorded_at, e::vessel_id, e::site_id, e::content))
        .load(tx.conn())?;
    let mut events: Vec<Event> = rows.into_iter().map(event).collect();
    let limit = usize::try_from(page.limit).unwrap_or(0);
    let more = events.len() > limit;
    events.truncate(limit);
    let last = events.last().map_or(after, |event| Position { key: event.sequence, id: event.id.into() });
    Ok((events, last, more))
}

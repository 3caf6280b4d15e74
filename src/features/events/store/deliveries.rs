//! Rows of deliveries and their attempts.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_types::{BigInt, Integer, Jsonb, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use serde_json::Value;

use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::{deliveries as d, delivery_attempts as a};
use crate::error::{Error, Result};
use crate::features::events::model::Event;
use crate::ids::{DeliveryId, EventId, SiteId, SubscriptionId, VesselId};

/// A delivery as stored.
#[derive(Debug, Clone, Queryable, Selectable)]
#[diesel(table_name = d)]
pub struct Delivery {
    /// Its id.
    pub id: DeliveryId,
    /// To which subscription.
    pub subscription_id: SubscriptionId,
    /// Of which event.
    pub event_id: EventId,
    /// Of which vessel, if of one.
    pub vessel_id: Option<VesselId>,
    /// `waiting`, `delivered` or `given_up`.
    pub state: String,
    /// How often it was sent.
    pub attempts: i32,
    /// Since when it fails, in this time of trying.
    pub first_failed_at: Option<DateTime<Utc>>,
    /// How often it failed in this time of trying.
    pub failures: i32,
    /// When it is tried next, at the earliest.
    pub next_at: DateTime<Utc>,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
}

/// A delivery that may be sent now, with its event.
#[derive(Debug, Clone)]
pub struct Ready {
    /// The delivery.
    pub delivery_id: DeliveryId,
    /// The event.
    pub event: Event,
}

/// What came of an attempt.
#[derive(Debug, Clone, Queryable, Selectable)]
#[diesel(table_name = a)]
pub struct Attempt {
    /// Its place, from 1.
    pub sequence: i32,
    /// When.
    pub attempted_at: DateTime<Utc>,
    /// The HTTP status of the answer, if one came.
    pub status: Option<i32>,
    /// What happened.
    pub outcome: String,
    /// The beginning of the answer.
    pub answer: Option<String>,
}

#[derive(QueryableByName)]
struct ReadyRow {
    #[diesel(sql_type = SqlUuid)]
    delivery_id: DeliveryId,
    #[diesel(sql_type = SqlUuid)]
    id: EventId,
    #[diesel(sql_type = BigInt)]
    sequence: i64,
    #[diesel(sql_type = Text)]
    kind: String,
    #[diesel(sql_type = Timestamptz)]
    recorded_at: DateTime<Utc>,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    vessel_id: Option<VesselId>,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    site_id: Option<SiteId>,
    #[diesel(sql_type = Jsonb)]
    content: Value,
}

/// What may be sent now: of each vessel the first that waits, if its time has come.
///
/// # Errors
/// Those of the database.
pub fn ready(tx: &mut Tx<'_>, subscription_id: SubscriptionId, limit: i64) -> Result<Vec<Ready>> {
    let (org_id, now) = (tx.org_id(), tx.now());
    let rows: Vec<ReadyRow> = diesel::sql_query(
        "SELECT first.delivery_id, e.id, first.sequence, e.kind, e.recorded_at, e.vessel_id, e.site_id, e.content
         FROM (SELECT DISTINCT ON (d.vessel_id) d.id AS delivery_id, d.event_id, d.next_at, o.sequence
             FROM deliveries d JOIN event_order o ON o.org_id = d.org_id AND o.event_id = d.event_id
             WHERE d.org_id = $1 AND d.subscription_id = $2 AND d.state = 'waiting'
             ORDER BY d.vessel_id, o.sequence) AS first
         JOIN events e ON e.org_id = $1 AND e.id = first.event_id
         WHERE first.next_at <= $3 ORDER BY first.next_at, first.sequence LIMIT $4",
    )
    .bind::<SqlUuid, _>(org_id)
    .bind::<SqlUuid, _>(subscription_id)
    .bind::<Timestamptz, _>(now)
    .bind::<BigInt, _>(limit)
    .load(tx.conn())?;
    Ok(rows
        .into_iter()
        .map(|row| Ready {
            delivery_id: row.delivery_id,
            event: Event {
                id: row.id,
                sequence: row.sequence,
                kind: row.kind,
                recorded_at: row.recorded_at,
                vessel_id: row.vessel_id,
                site_id: row.site_id,
                content: row.content,
            },
        })
        .collect())
}

/// When the next may be sent, if any waits.
///
/// # Errors
/// Those of the database.
pub fn next_at(tx: &mut Tx<'_>, subscription_id: SubscriptionId) -> Result<Option<DateTime<Utc>>> {
    #[derive(QueryableByName)]
    struct Next {
        #[diesel(sql_type = Nullable<Timestamptz>)]
        next_at: Option<DateTime<Utc>>,
    }
    let next: Next = diesel::sql_query(
        "SELECT min(first.next_at) AS next_at
         FROM (SELECT DISTINCT ON (d.vessel_id) d.next_at
             FROM deliveries d JOIN event_order o ON o.org_id = d.org_id AND o.event_id = d.event_id
             WHERE d.org_id = $1 AND d.subscription_id = $2 AND d.state = 'waiting'
             ORDER BY d.vessel_id, o.sequence) AS first",
    )
    .bind::<SqlUuid, _>(tx.org_id())
    .bind::<SqlUuid, _>(subscription_id)
    .get_result(tx.conn())?;
    Ok(next.next_at)
}

/// One delivery.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: DeliveryId) -> Result<Delivery> {
    d::table
        .find((tx.org_id(), id))
        .select(Delivery::as_select())
        .first(tx.conn())
        .optional()?
        .ok_or_else(|| Error::not_found("delivery"))
}

/// Notes an attempt, and how the delivery stands after it.
///
/// # Errors
/// Those of the database.
pub fn note(tx: &mut Tx<'_>, after: &Delivery, attempt: &Attempt) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::insert_into(a::table)
        .values((
            a::org_id.eq(org_id),
            a::delivery_id.eq(after.id),
            a::sequence.eq(attempt.sequence),
            a::attempted_at.eq(attempt.attempted_at),
            a::status.eq(attempt.status),
            a::outcome.eq(&attempt.outcome),
            a::answer.eq(&attempt.answer),
        ))
        .execute(tx.conn())?;
    // The state is set only where it changes: what stays waiting asks for no job here.
    diesel::update(d::table.find((org_id, after.id)))
        .set((
            d::attempts.eq(after.attempts),
            d::first_failed_at.eq(after.first_failed_at),
            d::failures.eq(after.failures),
            d::next_at.eq(after.next_at),
            d::updated_at.eq(now),
        ))
        .execute(tx.conn())?;
    if after.state != "waiting" {
        diesel::update(d::table.find((org_id, after.id)))
            .set(d::state.eq(&after.state))
            .execute(tx.conn())?;
    }
    Ok(())
}

/// The attempts of a delivery, oldest first.
///
/// # Errors
/// Those of the database.
pub fn attempts(tx: &mut Tx<'_>, id: DeliveryId) -> Result<Vec<Attempt>> {
    Ok(a::table
        .filter(a::org_id.eq(tx.org_id()).and(a::delivery_id.eq(id)))
        .order(a::sequence)
        .select(Attempt::as_select())
        .load(tx.conn())?)
}

/// The deliveries of a subscription, by last change.
///
/// # Errors
/// Those of the database.
pub fn list(
    tx: &mut Tx<'_>,
    subscription_id: SubscriptionId,
    state: Option<&str>,
    page: PageRequest,
) -> Result<Slice<Delivery>> {
    let mut query =
        d::table.filter(d::org_id.eq(tx.org_id()).and(d::subscription_id.eq(subscription_id))).into_boxed();
    if let Some(state) = state {
        query = query.filter(d::state.eq(state.to_owned()));
    }
    if let Some((time, id)) = page.after_time() {
        let id = DeliveryId::from(id);
        query = query.filter(d::updated_at.gt(time).or(d::updated_at.eq(time).and(d::id.gt(id))));
    }
    let rows = query
        .order((d::updated_at, d::id))
        .limit(page.fetch())
        .select(Delivery::as_select())
        .load(tx.conn())?;
    Ok(page.slice(rows, |delivery| Position::at(delivery.updated_at, delivery.id)))
}

/// Lets a delivery wait again, from now, as if it had never failed.
///
/// # Errors
/// Those of the database.
pub fn replay(tx: &mut Tx<'_>, id: DeliveryId) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::update(d::table.find((org_id, id))).set(again(now)).execute(tx.conn())?;
    Ok(())
}

/// As [`replay`], for all that waits of a subscription: it is switched on again.
///
/// # Errors
/// Those of the database.
pub fn resume(tx: &mut Tx<'_>, subscription_id: SubscriptionId) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::update(d::table)
        .filter(d::org_id.eq(org_id).and(d::subscription_id.eq(subscription_id)).and(d::state.eq("waiting")))
        .set(again(now))
        .execute(tx.conn())?;
    Ok(())
}

type Again = (
    diesel::dsl::Eq<d::state, &'static str>,
    diesel::dsl::Eq<d::first_failed_at, Option<DateTime<Utc>>>,
    diesel::dsl::Eq<d::failures, i32>,
    diesel::dsl::Eq<d::next_at, DateTime<Utc>>,
    diesel::dsl::Eq<d::updated_at, DateTime<Utc>>,
);

fn again(now: DateTime<Utc>) -> Again {
    (
        d::state.eq("waiting"),
        d::first_failed_at.eq(None),
        d::failures.eq(0),
        d::next_at.eq(now),
        d::updated_at.eq(now),
    )
}

/// Lets every event of a time wait to be sent to a subscription, whether it was sent before or not, as far as the
/// subscription takes it now; how many there are.
///
/// # Errors
/// Those of the database.
pub fn replay_period(
    tx: &mut Tx<'_>,
    subscription_id: SubscriptionId,
    from: DateTime<Utc>,
    until: DateTime<Utc>,
    most: i32,
) -> Result<usize> {
    let (org_id, now) = (tx.org_id(), tx.now());
    Ok(diesel::sql_query(
        "INSERT INTO deliveries (org_id, id, subscription_id, event_id, vessel_id, state, next_at, created_at, updated_at)
         SELECT e.org_id, gen_random_uuid(), s.id, e.id, e.vessel_id, 'waiting', $5, $5, $5
         FROM subscriptions s JOIN events e ON e.org_id = s.org_id
         WHERE s.org_id = $1 AND s.id = $2 AND e.recorded_at >= $3 AND e.recorded_at < $4
           AND (s.kinds = '[]' OR s.kinds @> to_jsonb(e.kind))
           AND (s.site_ids = '[]' OR s.site_ids @> to_jsonb(e.site_id::text))
         ORDER BY e.recorded_at, e.id LIMIT $6
         ON CONFLICT (org_id, subscription_id, event_id) DO UPDATE SET state = 'waiting', first_failed_at = NULL,
             failures = 0, next_at = excluded.next_at, updated_at = excluded.updated_at",
    )
    .bind::<SqlUuid, _>(org_id)
    .bind::<SqlUuid, _>(subscription_id)
    .bind::<Timestamptz, _>(from)
    .bind::<Timestamptz, _>(until)
    .bind::<Timestamptz, _>(now)
    .bind::<Integer, _>(most)
    .execute(tx.conn())?)
}

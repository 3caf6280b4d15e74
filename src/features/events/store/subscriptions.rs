//! Rows of subscriptions and their sealed secrets.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use serde_json::Value;

use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::{subscription_secrets as secrets, subscriptions as s};
use crate::error::{Code, Error, Result};
use crate::features::events::model::SubscriptionFields;
use crate::ids::{SecretId, SubscriptionId};

/// A subscription as stored.
#[derive(Debug, Clone)]
pub struct Subscription {
    /// Its id.
    pub id: SubscriptionId,
    /// What may be changed.
    pub fields: SubscriptionFields,
    /// Why the service switched it off, if it did.
    pub stopped_reason: Option<String>,
    /// Since when nothing arrived.
    pub first_failed_at: Option<DateTime<Utc>>,
    /// How many attempts in a row failed.
    pub failures: i32,
    /// The version.
    pub version: i32,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = s)]
struct Row {
    id: SubscriptionId,
    name: String,
    url: String,
    kinds: Value,
    site_ids: Value,
    active: bool,
    stopped_reason: Option<String>,
    first_failed_at: Option<DateTime<Utc>>,
    failures: i32,
    version: i32,
    created_at: DateTime<Utc>,
    updated_at: DateTime<Utc>,
}

impl Row {
    fn subscription(self) -> Result<Subscription> {
        Ok(Subscription {
            id: self.id,
            fields: SubscriptionFields {
                name: self.name,
                url: self.url,
                kinds: serde_json::from_value(self.kinds).map_err(Error::internal)?,
                site_ids: serde_json::from_value(self.site_ids).map_err(Error::internal)?,
                active: self.active,
            },
            stopped_reason: self.stopped_reason,
            first_failed_at: self.first_failed_at,
            failures: self.failures,
            version: self.version,
            created_at: self.created_at,
            updated_at: self.updated_at,
        })
    }
}

fn list_of<T: serde::Serialize>(items: &[T]) -> Result<Value> {
    serde_json::to_value(items).map_err(Error::internal)
}

/// Adds a subscription.
///
/// # Errors
/// Those of the database.
pub fn insert(tx: &mut Tx<'_>, id: SubscriptionId, fields: &SubscriptionFields) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::insert_into(s::table)
        .values((
            s::org_id.eq(org_id),
            s::id.eq(id),
            s::name.eq(&fields.name),
            s::url.eq(&fields.url),
            s::kinds.eq(list_of(&fields.kinds)?),
            s::site_ids.eq(list_of(&fields.site_ids)?),
            s::active.eq(fields.active),
            s::created_at.eq(now),
            s::updated_at.eq(now),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// Changes a subscription from `version` to the next; what it had failed in begins anew.
///
/// # Errors
/// Stale.
pub fn update(tx: &mut Tx<'_>, id: SubscriptionId, fields: &SubscriptionFields, version: i32) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    let changed = diesel::update(s::table.find((org_id, id)).filter(s::version.eq(version)))
        .set((
            s::name.eq(&fields.name),
            s::url.eq(&fields.url),
            s::kinds.eq(list_of(&fields.kinds)?),
            s::site_ids.eq(list_of(&fields.site_ids)?),
            s::active.eq(fields.active),
            s::stopped_reason.eq(None::<String>),
            s::first_failed_at.eq(None::<DateTime<Utc>>),
            s::failures.eq(0),
            s::version.eq(version + 1),
            s::updated_at.eq(now),
        ))
        .execute(tx.conn())?;
    if changed == 1 {
        return Ok(());
    }
    Err(Error::new(
        Code::Stale,
        "The subscription changed since you read it. Read it again and repeat your change.",
    ))
}

/// Switches it off, for a reason; whether it was on.
///
/// # Errors
/// Those of the database.
pub fn stop(tx: &mut Tx<'_>, id: SubscriptionId, reason: &str) -> Result<bool> {
    let (org_id, now) = (tx.org_id(), tx.now());
    let stopped = diesel::update(s::table.find((org_id, id)).filter(s::active.eq(true)))
        .set((
            s::active.eq(false),
            s::stopped_reason.eq(reason),
            s::version.eq(s::version + 1),
            s::updated_at.eq(now),
        ))
        .execute(tx.conn())?;
    Ok(stopped == 1)
}

/// Notes how it fares: failing since when, with so many attempts in a row.
///
/// # Errors
/// Those of the database.
pub fn note(
    tx: &mut Tx<'_>,
    id: SubscriptionId,
    first_failed_at: Option<DateTime<Utc>>,
    failures: i32,
) -> Result<()> {
    diesel::update(s::table.find((tx.org_id(), id)))
        .set((s::first_failed_at.eq(first_failed_at), s::failures.eq(failures)))
        .execute(tx.conn())?;
    Ok(())
}

/// One subscription.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: SubscriptionId) -> Result<Subscription> {
    s::table
        .find((tx.org_id(), id))
        .select(Row::as_select())
        .first(tx.conn())
        .optional()?
        .ok_or_else(|| Error::not_found("subscription"))?
        .subscription()
}

/// How many there are.
///
/// # Errors
/// Those of the database.
pub fn count(tx: &mut Tx<'_>) -> Result<i64> {
    Ok(s::table.filter(s::org_id.eq(tx.org_id())).count().get_result(tx.conn())?)
}

/// The subscriptions, by last change.
///
/// # Errors
/// Those of the database.
pub fn list(
    tx: &mut Tx<'_>,
    updated_since: Option<DateTime<Utc>>,
    page: PageRequest,
) -> Result<Slice<Subscription>> {
    let mut query = s::table.filter(s::org_id.eq(tx.org_id())).into_boxed();
    if let Some(since) = updated_since {
        query = query.filter(s::updated_at.ge(since));
    }
    if let Some((time, id)) = page.after_time() {
        let id = SubscriptionId::from(id);
        query = query.filter(s::updated_at.gt(time).or(s::updated_at.eq(time).and(s::id.gt(id))));
    }
    let rows: Vec<Row> =
        query.order((s::updated_at, s::id)).limit(page.fetch()).select(Row::as_select()).load(tx.conn())?;
    let slice = page.slice(rows, |row| Position::at(row.updated_at, row.id));
    let items = slice.items.into_iter().map(Row::subscription).collect::<Result<_>>()?;
    Ok(Slice { items, next: slice.next })
}

/// Adds a sealed secret; those before it end at `earlier_until`, or when they would anyway.
///
/// # Errors
/// Those of the database.
pub fn insert_secret(
    tx: &mut Tx<'_>,
    subscription_id: SubscriptionId,
    id: SecretId,
    sealed: &[u8],
    earlier_until: DateTime<Utc>,
) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::update(secrets::table)
        .filter(secrets::org_id.eq(org_id).and(secrets::subscription_id.eq(subscription_id)))
        .filter(secrets::expires_at.is_null().or(secrets::expires_at.gt(earlier_until)))
        .set(secrets::expires_at.eq(earlier_until))
        .execute(tx.conn())?;
    diesel::insert_into(secrets::table)
        .values((
            secrets::org_id.eq(org_id),
            secrets::id.eq(id),
            secrets::subscription_id.eq(subscription_id),
            secrets::sealed.eq(sealed),
            secrets::created_at.eq(now),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// The sealed secrets that hold now, the newest first.
///
/// # Errors
/// Those of the database.
pub fn secrets(tx: &mut Tx<'_>, subscription_id: SubscriptionId) -> Result<Vec<(SecretId, Vec<u8>)>> {
    let now = tx.now();
    Ok(secrets::table
        .filter(secrets::org_id.eq(tx.org_id()).and(secrets::subscription_id.eq(subscription_id)))
        .filter(secrets::expires_at.is_null().or(secrets::expires_at.gt(now)))
        .order((secrets::created_at.desc(), secrets::id.desc()))
        .select((secrets::id, secrets::sealed))
        .load(tx.conn())?)
}

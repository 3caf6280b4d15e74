//! Rows of calendars, and of the due rows that ended.

use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;

use crate::codes;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::{calendar_feeds, due_ended, members};
use crate::error::{Code, Error, Result};
use crate::features::accounts::store::one_changed;
use crate::features::reports::model::CalendarFeedFields;
use crate::ids::{CalendarFeedId, DueId, PersonId, SiteId};
use crate::science::forecast::dates::DueKind;

/// A calendar as stored.
#[derive(Debug, Clone)]
pub struct CalendarFeed {
    /// Its id.
    pub id: CalendarFeedId,
    /// Its fields.
    pub fields: CalendarFeedFields,
    /// The version.
    pub version: i32,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = calendar_feeds)]
struct FeedRow {
    id: CalendarFeedId,
    name: String,
    site_id: Option<SiteId>,
    kind: Option<String>,
    ended: bool,
    version: i32,
    created_at: DateTime<Utc>,
    updated_at: DateTime<Utc>,
}

impl FeedRow {
    fn feed(self) -> Result<CalendarFeed> {
        Ok(CalendarFeed {
            id: self.id,
            fields: CalendarFeedFields {
                name: self.name,
                site_id: self.site_id,
                kind: self.kind.as_deref().map(codes::from_text).transpose()?,
                ended: self.ended,
            },
            version: self.version,
            created_at: self.created_at,
            updated_at: self.updated_at,
        })
    }
}

/// Adds a calendar of a person by the digest of its secret.
///
/// # Errors
/// Those of the database.
pub fn insert(
    tx: &mut Tx<'_>,
    id: CalendarFeedId,
    person_id: PersonId,
    fields: &CalendarFeedFields,
    secret_sha256: &[u8],
) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::insert_into(calendar_feeds::table)
        .values((
            calendar_feeds::org_id.eq(org_id),
            calendar_feeds::id.eq(id),
            calendar_feeds::person_id.eq(person_id),
            calendar_feeds::name.eq(&fields.name),
            calendar_feeds::site_id.eq(fields.site_id),
            calendar_feeds::kind.eq(fields.kind.as_ref().map(codes::to_text).transpose()?),
            calendar_feeds::ended.eq(fields.ended),
            calendar_feeds::secret_sha256.eq(secret_sha256),
            calendar_feeds::created_at.eq(now),
            calendar_feeds::updated_at.eq(now),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// Changes a calendar from `version` to the next.
///
/// # Errors
/// Stale.
pub fn update(tx: &mut Tx<'_>, id: CalendarFeedId, fields: &CalendarFeedFields, version: i32) -> Result<()> {
    let now = tx.now();
    let changed = diesel::update(
        calendar_feeds::table.find((tx.org_id(), id)).filter(calendar_feeds::version.eq(version)),
    )
    .set((
        calendar_feeds::name.eq(&fields.name),
        calendar_feeds::site_id.eq(fields.site_id),
        calendar_feeds::kind.eq(fields.kind.as_ref().map(codes::to_text).transpose()?),
        calendar_feeds::ended.eq(fields.ended),
        calendar_feeds::version.eq(version + 1),
        calendar_feeds::updated_at.eq(now),
    ))
    .execute(tx.conn())?;
    one_changed(changed)
}

/// A calendar of a person.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, person_id: PersonId, id: CalendarFeedId) -> Result<CalendarFeed> {
    calendar_feeds::table
        .find((tx.org_id(), id))
        .filter(calendar_feeds::person_id.eq(person_id))
        .select(FeedRow::as_select())
        .first(tx.conn())
        .optional()?
        .ok_or_else(|| Error::not_found("calendar"))?
        .feed()
}

/// The calendars of a person, by last change.
///
/// # Errors
/// Those of the database.
pub fn list(
    tx: &mut Tx<'_>,
    person_id: PersonId,
    updated_since: Option<DateTime<Utc>>,
    page: PageRequest,
) -> Result<Slice<CalendarFeed>> {
    let mut query = calendar_feeds::table
        .filter(calendar_feeds::org_id.eq(tx.org_id()).and(calendar_feeds::person_id.eq(person_id)))
        .into_boxed();
    if let Some(since) = updated_since {
        query = query.filter(calendar_feeds::updated_at.ge(since));
    }
    if let Some((time, id)) = page.after_time() {
        let id = CalendarFeedId::from(id);
        query = query.filter(
            calendar_feeds::updated_at
                .gt(time)
                .or(calendar_feeds::updated_at.eq(time).and(calendar_feeds::id.gt(id))),
        );
    }
    let rows: Vec<FeedRow> = query
        .order((calendar_feeds::updated_at, calendar_feeds::id))
        .limit(page.fetch())
        .select(FeedRow::as_select())
        .load(tx.conn())?;
    let feeds = rows.into_iter().map(FeedRow::feed).collect::<Result<Vec<_>>>()?;
    Ok(page.slice(feeds, |feed| Position::at(feed.updated_at, feed.id)))
}

/// A live calendar and the digest of its secret: one that has not ended, of a person who is a member.
///
/// # Errors
/// Not found.
pub fn subscribed(tx: &mut Tx<'_>, id: CalendarFeedId) -> Result<(CalendarFeed, Vec<u8>)> {
    let (row, digest): (FeedRow, Vec<u8>) = calendar_feeds::table
        .inner_join(members::table.on(
            members::org_id.eq(calendar_feeds::org_id).and(members::person_id.eq(calendar_feeds::person_id)),
        ))
        .filter(calendar_feeds::org_id.eq(tx.org_id()).and(calendar_feeds::id.eq(id)))
        .filter(calendar_feeds::ended.eq(false).and(members::ended_at.is_null()))
        .select((FeedRow::as_select(), calendar_feeds::secret_sha256))
        .first(tx.conn())
        .optional()?
        .ok_or_else(|| Error::new(Code::NotFound, NO_CALENDAR))?;
    Ok((row.feed()?, digest))
}

/// The same words for an address that never was, one that ended, and one of a person who left.
pub const NO_CALENDAR: &str =
    "There is no calendar at this address, or it has ended. Make another in your account.";

/// A due row that had a date and has none any more.
#[derive(Debug, Clone)]
pub struct EndedDue {
    /// Its id.
    pub id: DueId,
    /// What was due.
    pub kind: DueKind,
    /// The day it was due.
    pub due_on: NaiveDate,
    /// When it ended.
    pub ended_at: DateTime<Utc>,
    /// The name the vessel had then, where it was kept.
    pub vessel_name: Option<String>,
}

/// Those that ended after an instant, the latest first, so many at most.
///
/// # Errors
/// Those of the database.
pub fn ended(
    tx: &mut Tx<'_>,
    fields: &CalendarFeedFields,
    since: DateTime<Utc>,
    limit: i64,
) -> Result<Vec<EndedDue>> {
    let mut query = due_ended::table
        .filter(due_ended::org_id.eq(tx.org_id()).and(due_ended::ended_at.gt(since)))
        .into_boxed();
    if let Some(site_id) = fields.site_id {
        query = query.filter(due_ended::site_id.eq(site_id));
    }
    if let Some(kind) = &fields.kind {
        query = query.filter(due_ended::kind.eq(codes::to_text(kind)?));
    }
    let rows: Vec<(DueId, String, NaiveDate, DateTime<Utc>, Option<String>)> = query
        .order((due_ended::ended_at.desc(), due_ended::id))
        .limit(limit)
        .select((
            due_ended::id,
            due_ended::kind,
            due_ended::due_on,
            due_ended::ended_at,
            due_ended::vessel_name,
        ))
        .load(tx.conn())?;
    rows.into_iter()
        .map(|(id, kind, due_on, ended_at, vessel_name)| {
            Ok(EndedDue { id, kind: codes::from_text(&kind)?, due_on, ended_at, vessel_name })
        })
        .collect()
}

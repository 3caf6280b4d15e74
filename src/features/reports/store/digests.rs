//! Rows of the weekly letter: who wants it, and which were sent.

use std::collections::BTreeMap;

use chrono::{DateTime, Days, NaiveDate, Utc};
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel::sql_types::{Nullable, Text, Timestamptz, Uuid as SqlUuid};

use crate::codes;
use crate::db::Tx;
use crate::db::schema::{digest_letters, digests, members, organisations, people, sites};
use crate::error::{Code, Error, Result};
use crate::features::reports::model::digest::{DigestFields, ToldRow};
use crate::ids::{DigestLetterId, JobId, PersonId, SiteId, VesselId};
use crate::science::forecast::dates::DueKind;

/// For how long a letter's address ends the letters.
const ADDRESS_KEPT: Days = Days::new(60);
/// The most moves looked at.
const MAX_MOVES: i64 = 2_000;

/// What a member chose.
#[derive(Debug, Clone, Copy)]
pub struct Chosen {
    /// The version; 0 while nothing was chosen.
    pub version: i32,
    /// When it last changed.
    pub updated_at: Option<DateTime<Utc>>,
    /// The choice.
    pub fields: DigestFields,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = digests)]
struct DigestRow {
    wanted: bool,
    weekday: String,
    local_time_h: i16,
    site_id: Option<SiteId>,
    version: i32,
    updated_at: DateTime<Utc>,
}

impl DigestRow {
    fn fields(&self) -> Result<DigestFields> {
        Ok(DigestFields {
            wanted: self.wanted,
            weekday: codes::from_text(&self.weekday)?,
            local_time_h: self.local_time_h,
            site_id: self.site_id,
        })
    }
}

/// What a member chose; the letter is not wanted until it is asked for.
///
/// # Errors
/// Those of the database.
pub fn chosen(tx: &mut Tx<'_>, person_id: PersonId) -> Result<Chosen> {
    let row: Option<DigestRow> = digests::table
        .find((tx.org_id(), person_id))
        .select(DigestRow::as_select())
        .first(tx.conn())
        .optional()?;
    let Some(row) = row else {
        return Ok(Chosen { version: 0, updated_at: None, fields: DigestFields::default() });
    };
    Ok(Chosen { version: row.version, updated_at: Some(row.updated_at), fields: row.fields()? })
}

/// Keeps a choice in place of that of `version`.
///
/// # Errors
/// Stale.
pub fn choose(tx: &mut Tx<'_>, person_id: PersonId, fields: &DigestFields, version: i32) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    let columns = (
        digests::wanted.eq(fields.wanted),
        digests::weekday.eq(codes::to_text(&fields.weekday)?),
        digests::local_time_h.eq(fields.local_time_h),
        digests::site_id.eq(fields.site_id),
        digests::version.eq(version + 1),
        digests::updated_at.eq(now),
    );
    let changed = if version == 0 {
        diesel::insert_into(digests::table)
            .values((
                digests::org_id.eq(org_id),
                digests::person_id.eq(person_id),
                digests::created_at.eq(now),
                columns,
            ))
            .on_conflict_do_nothing()
            .execute(tx.conn())?
    } else {
        diesel::update(digests::table.find((org_id, person_id)).filter(digests::version.eq(version)))
            .set(columns)
            .execute(tx.conn())?
    };
    if changed == 0 {
        let detail = "Your choice changed since you read it. Read it again and repeat your change.";
        return Err(Error::new(Code::Stale, detail));
    }
    Ok(())
}

/// The time zone of a digest: that of its site, or of the organisation.
///
/// # Errors
/// Invalid, when the site is not one of the organisation's.
pub fn zone(tx: &mut Tx<'_>, site_id: Option<SiteId>) -> Result<Tz> {
    let name: Option<String> = match site_id {
        Some(id) => {
            sites::table.find((tx.org_id(), id)).select(sites::time_zone).first(tx.conn()).optional()?
        }
        None => organisations::table
            .find(tx.org_id())
            .select(organisations::time_zone)
            .first(tx.conn())
            .optional()?,
    };
    let name = name.ok_or_else(|| {
        Error::field("/site_id", "unknown", "is not a site of your organisation. Choose one from /v1/sites.")
    })?;
    // A zone that this version does not know is no reason to send nothing.
    Ok(name.parse().unwrap_or(Tz::UTC))
}

/// The members whose letters are wanted, with what they chose.
///
/// # Errors
/// Those of the database.
pub fn wanted(tx: &mut Tx<'_>) -> Result<Vec<(PersonId, DigestFields)>> {
    let rows: Vec<(PersonId, DigestRow)> = digests::table
        .filter(digests::org_id.eq(tx.org_id()).and(digests::wanted))
        .select((digests::person_id, DigestRow::as_select()))
        .load(tx.conn())?;
    rows.into_iter().map(|(person_id, row)| Ok((person_id, row.fields()?))).collect()
}

/// Somebody who is to get the letter.
#[derive(Debug, Clone)]
pub struct Recipient {
    /// Where it goes.
    pub email: String,
    /// The organisation's name.
    pub organisation: String,
    /// The site's, if it is of one.
    pub site: Option<String>,
    /// What was chosen.
    pub fields: DigestFields,
}

/// A member who wants the letter; none who left, or does not.
///
/// # Errors
/// Those of the database.
pub fn recipient(tx: &mut Tx<'_>, person_id: PersonId) -> Result<Option<Recipient>> {
    let row: Option<(DigestRow, String, String, Option<String>)> = digests::table
        .inner_join(
            members::table
                .on(members::org_id.eq(digests::org_id).and(members::person_id.eq(digests::person_id))),
        )
        .inner_join(people::table.on(people::person_id.eq(digests::person_id)))
        .inner_join(organisations::table.on(organisations::org_id.eq(digests::org_id)))
        .left_join(
            sites::table.on(sites::org_id.eq(digests::org_id).and(sites::id.nullable().eq(digests::site_id))),
        )
        .filter(digests::org_id.eq(tx.org_id()).and(digests::person_id.eq(person_id)))
        .filter(digests::wanted.and(members::ended_at.is_null()))
        .select((DigestRow::as_select(), people::email, organisations::name, sites::name.nullable()))
        .first(tx.conn())
        .optional()?;
    row.map(|(row, email, organisation, site)| {
        Ok(Recipient { email, organisation, site, fields: row.fields()? })
    })
    .transpose()
}

/// When the last letter to a member was sent.
///
/// # Errors
/// Those of the database.
pub fn last_sent_at(tx: &mut Tx<'_>, person_id: PersonId) -> Result<Option<DateTime<Utc>>> {
    Ok(digest_letters::table
        .filter(digest_letters::org_id.eq(tx.org_id()).and(digest_letters::person_id.eq(person_id)))
        .select(diesel::dsl::max(digest_letters::sent_at))
        .first(tx.conn())?)
}

/// Notes a letter of a job as sent, unless it is noted already; whether it was not. Those of long ago go.
///
/// # Errors
/// Those of the database.
pub fn note_sent(
    tx: &mut Tx<'_>,
    id: DigestLetterId,
    person_id: PersonId,
    job_id: JobId,
    secret_sha256: &[u8],
) -> Result<bool> {
    let (org_id, now) = (tx.org_id(), tx.now());
    let noted = diesel::insert_into(digest_letters::table)
        .values((
            digest_letters::org_id.eq(org_id),
            digest_letters::id.eq(id),
            digest_letters::person_id.eq(person_id),
            digest_letters::job_id.eq(uuid::Uuid::from(job_id)),
            digest_letters::secret_sha256.eq(secret_sha256),
            digest_letters::sent_at.eq(now),
        ))
        .on_conflict((digest_letters::org_id, digest_letters::job_id))
        .do_nothing()
        .execute(tx.conn())?;
    diesel::delete(
        digest_letters::table
            .filter(digest_letters::org_id.eq(org_id).and(digest_letters::person_id.eq(person_id)))
            .filter(digest_letters::sent_at.lt(now - ADDRESS_KEPT)),
    )
    .execute(tx.conn())?;
    Ok(noted == 1)
}

/// Takes back that a letter was sent: the post did not take it.
///
/// # Errors
/// Those of the database.
pub fn note_unsent(tx: &mut Tx<'_>, id: DigestLetterId) -> Result<()> {
    diesel::delete(digest_letters::table.find((tx.org_id(), id))).execute(tx.conn())?;
    Ok(())
}

/// Whose letter an address is of that still ends them, with the digest of its secret.
///
/// # Errors
/// Those of the database.
pub fn addressed(tx: &mut Tx<'_>, id: DigestLetterId) -> Result<Option<(PersonId, Vec<u8>)>> {
    let row: Option<(PersonId, Option<Vec<u8>>)> = digest_letters::table
        .find((tx.org_id(), id))
        .filter(digest_letters::sent_at.ge(tx.now() - ADDRESS_KEPT))
        .select((digest_letters::person_id, digest_letters::secret_sha256))
        .first(tx.conn())
        .optional()?;
    Ok(row.and_then(|(person_id, digest)| Some((person_id, digest?))))
}

/// Lets no address of a member's letters end them any more.
///
/// # Errors
/// Those of the database.
pub fn close_addresses(tx: &mut Tx<'_>, person_id: PersonId) -> Result<()> {
    diesel::update(
        digest_letters::table
            .filter(digest_letters::org_id.eq(tx.org_id()).and(digest_letters::person_id.eq(person_id))),
    )
    .set(digest_letters::secret_sha256.eq(None::<Vec<u8>>))
    .execute(tx.conn())?;
    Ok(())
}

#[derive(QueryableByName)]
struct MoveRow {
    #[diesel(sql_type = SqlUuid)]
    vessel_id: VesselId,
    #[diesel(sql_type = Text)]
    vessel_name: String,
    #[diesel(sql_type = Nullable<Text>)]
    site_name: Option<String>,
    #[diesel(sql_type = Nullable<Text>)]
    berth: Option<String>,
    #[diesel(sql_type = Text)]
    kind: String,
    #[diesel(sql_type = Nullable<Text>)]
    due_on: Option<String>,
    #[diesel(sql_type = Nullable<Text>)]
    before: Option<String>,
    #[diesel(sql_type = Text)]
    reason: String,
}

const MOVES: &str = "
    SELECT v.id AS vessel_id, v.name AS vessel_name, s.name AS site_name, v.berth, e.content->>'due_kind' AS kind,
           e.content->>'due_on' AS due_on, e.content->>'told_due_on' AS before, e.content->>'reason' AS reason
    FROM events e JOIN vessels v ON v.org_id = e.org_id AND v.id = e.vessel_id
    LEFT JOIN sites s ON s.org_id = v.org_id AND s.id = v.site_id
    WHERE e.org_id = $1 AND e.kind = 'vessel.date_moved' AND e.recorded_at > $2 AND ($3 IS NULL OR v.site_id = $3)
    ORDER BY e.recorded_at, e.id LIMIT $4";

/// The dates that moved since an instant, each once: from where it stood then to where it stands now.
///
/// # Errors
/// Those of the database.
pub fn moved(tx: &mut Tx<'_>, site_id: Option<SiteId>, since: DateTime<Utc>) -> Result<Vec<ToldRow>> {
    let rows: Vec<MoveRow> = diesel::sql_query(MOVES)
        .bind::<SqlUuid, _>(tx.org_id())
        .bind::<Timestamptz, _>(since)
        .bind::<Nullable<SqlUuid>, _>(site_id)
        .bind::<diesel::sql_types::BigInt, _>(MAX_MOVES)
        .load(tx.conn())?;
    let day = |text: Option<String>| text.and_then(|text| text.parse::<NaiveDate>().ok());
    let mut told: BTreeMap<(VesselId, String), ToldRow> = BTreeMap::new();
    for row in rows {
        let kind: DueKind = codes::from_text(&row.kind)?;
        let place = place(row.site_name.as_deref(), row.berth.as_deref());
        let (due_on, before) = (day(row.due_on), day(row.before));
        told.entry((row.vessel_id, row.kind))
            .and_modify(|told| {
                told.due_on = due_on;
                told.reason.clone_from(&row.reason);
            })
            .or_insert(ToldRow {
                kind,
                due_on,
                before,
                vessel_name: row.vessel_name,
                place,
                reason: row.reason,
            });
    }
    let mut told: Vec<ToldRow> = told.into_values().filter(|row| row.due_on != row.before).collect();
    told.sort_by_key(|row| row.due_on.unwrap_or(NaiveDate::MAX));
    Ok(told)
}

/// Site and berth in words.
#[must_use]
pub fn place(site_name: Option<&str>, berth: Option<&str>) -> String {
    [site_name, berth].into_iter().flatten().collect::<Vec<_>>().join(", ")
}

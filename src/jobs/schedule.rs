//! What recurs: each day, or a day of each week, at a local time of a time zone.
//!
//! [`set`] writes a row of `schedules`; [`request_due`], which every worker calls before it looks for jobs, asks for
//! the jobs whose time has come and moves their rows on, in one transaction: with several processes one of them does
//! it. What was missed while no service ran is asked for once. When daylight saving skips the local time, its first
//! instant after the gap counts; when the time comes twice, the earlier.

use chrono::{DateTime, Datelike, Days, NaiveDate, NaiveTime, TimeDelta, TimeZone, Utc, Weekday};
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel::sql_types::{Array, Nullable, Text, Time, Timestamptz, Uuid as SqlUuid};
use uuid::Uuid;

use crate::db::schema::schedules;
use crate::db::{Db, Tx};
use crate::error::Result;
use crate::ids::{Id, JobId, OrgId, SiteId};

/// When something recurs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Recurrence {
    /// On which day of the week; on every day, if none.
    pub weekday: Option<Weekday>,
    /// At which local time.
    pub local_time: NaiveTime,
    /// Of which time zone.
    pub zone: Tz,
}

impl Recurrence {
    /// The first of its instants after another.
    #[must_use]
    pub fn next_after(&self, instant: DateTime<Utc>) -> DateTime<Utc> {
        let today = instant.with_timezone(&self.zone).date_naive();
        today
            .iter_days()
            // A week, and the day before and after that a change of the zone could take.
            .take(9)
            .filter(|day| self.weekday.is_none_or(|weekday| weekday == day.weekday()))
            .map(|day| first_instant(self.zone, day, self.local_time))
            .find(|&at| at > instant)
            // Only at the end of the calendar.
            .unwrap_or(instant + Days::new(7))
    }
}

/// The instant of a local time: the earlier where it comes twice; where it is skipped, the first after the gap.
#[must_use]
pub fn first_instant(zone: Tz, day: NaiveDate, time: NaiveTime) -> DateTime<Utc> {
    let local = day.and_time(time);
    if let Some(found) = zone.from_local_datetime(&local).earliest() {
        return found.with_timezone(&Utc);
    }
    // In the gap. A local time before it, by the offset that held then, gives the instant from which to look; a zone
    // has skipped a whole day at most.
    let before = zone.from_local_datetime(&(local - TimeDelta::hours(25))).earliest();
    let mut low = before.map_or_else(|| local.and_utc() - TimeDelta::hours(40), |at| at.with_timezone(&Utc));
    let mut high = low + TimeDelta::hours(52);
    // The first instant whose local time is not before the one asked for: local time only jumps forward here.
    while high - low > TimeDelta::microseconds(1) {
        let middle = low + (high - low) / 2;
        if middle.with_timezone(&zone).naive_local() < local {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

/// Sets when work of a kind on a subject recurs, in place of what was set for it before.
///
/// # Errors
/// Those of the database.
pub fn set(tx: &mut Tx<'_>, kind: &str, subject_id: Uuid, recurrence: &Recurrence) -> Result<()> {
    set_by_site(tx, kind, subject_id, None, recurrence)
}

/// As [`set`], by the time of a site: it moves to another time zone with the site, and not with the organisation.
///
/// # Errors
/// Those of the database.
pub fn set_by_site(
    tx: &mut Tx<'_>,
    kind: &str,
    subject_id: Uuid,
    site_id: Option<SiteId>,
    recurrence: &Recurrence,
) -> Result<()> {
    let next_at = recurrence.next_after(tx.now());
    let columns = (
        schedules::weekday.eq(recurrence.weekday.map(word)),
        schedules::local_time.eq(recurrence.local_time),
        schedules::time_zone.eq(recurrence.zone.name()),
        schedules::next_at.eq(next_at),
        schedules::site_id.eq(site_id),
    );
    diesel::insert_into(schedules::table)
        .values((
            schedules::org_id.eq(tx.org_id()),
            schedules::kind.eq(kind),
            schedules::subject_id.eq(subject_id),
            columns.clone(),
        ))
        .on_conflict((schedules::org_id, schedules::kind, schedules::subject_id))
        .do_update()
        .set(columns)
        .execute(tx.conn())?;
    Ok(())
}

/// As [`set`], where nothing is set yet.
///
/// # Errors
/// Those of the database.
pub fn set_if_none(tx: &mut Tx<'_>, kind: &str, subject_id: Uuid, recurrence: &Recurrence) -> Result<()> {
    let there: bool =
        diesel::select(diesel::dsl::exists(schedules::table.find((tx.org_id(), kind, subject_id))))
            .get_result(tx.conn())?;
    if there { Ok(()) } else { set(tx, kind, subject_id, recurrence) }
}

/// When it comes next, if it recurs.
///
/// # Errors
/// Those of the database.
pub fn next_at(tx: &mut Tx<'_>, kind: &str, subject_id: Uuid) -> Result<Option<DateTime<Utc>>> {
    let row = schedules::table.find((tx.org_id(), kind, subject_id)).select(schedules::next_at);
    Ok(row.first(tx.conn()).optional()?)
}

/// Lets it recur no longer.
///
/// # Errors
/// Those of the database.
pub fn remove(tx: &mut Tx<'_>, kind: &str, subject_id: Uuid) -> Result<()> {
    diesel::delete(schedules::table.find((tx.org_id(), kind, subject_id))).execute(tx.conn())?;
    Ok(())
}

/// Moves all that recurs by the time of the organisation, or of a site, to another time zone: the local times stay.
///
/// # Errors
/// Those of the database.
pub fn move_to_zone(tx: &mut Tx<'_>, site_id: Option<SiteId>, zone: Tz) -> Result<()> {
    let rows: Vec<(String, Uuid, Option<String>, NaiveTime)> = schedules::table
        .filter(schedules::org_id.eq(tx.org_id()).and(schedules::site_id.is_not_distinct_from(site_id)))
        .select((schedules::kind, schedules::subject_id, schedules::weekday, schedules::local_time))
        .order((schedules::kind, schedules::subject_id))
        .for_update()
        .load(tx.conn())?;
    for (kind, subject_id, weekday, local_time) in rows {
        set_by_site(
            tx,
            &kind,
            subject_id,
            site_id,
            &Recurrence { weekday: weekday_of(weekday.as_deref()), local_time, zone },
        )?;
    }
    Ok(())
}

fn word(weekday: Weekday) -> String {
    weekday.to_string().to_lowercase()
}

fn weekday_of(word: Option<&str>) -> Option<Weekday> {
    word?.parse().ok()
}

#[derive(QueryableByName)]
struct DueSchedule {
    #[diesel(sql_type = SqlUuid)]
    org_id: OrgId,
    #[diesel(sql_type = Text)]
    kind: String,
    #[diesel(sql_type = SqlUuid)]
    subject_id: Uuid,
    #[diesel(sql_type = Nullable<Text>)]
    weekday: Option<String>,
    #[diesel(sql_type = Time)]
    local_time: NaiveTime,
    #[diesel(sql_type = Text)]
    time_zone: String,
}

/// Asks for the jobs of these kinds whose time has come. A row that another process is at is left to it.
///
/// # Errors
/// Those of the database.
pub fn request_due(db: &Db, kinds: &[&str]) -> Result<()> {
    let now = db.clock().now();
    db.work(|conn| {
        let due: Vec<DueSchedule> = diesel::sql_query(
            "SELECT org_id, kind, subject_id, weekday, local_time, time_zone FROM schedules
             WHERE next_at <= $1 AND kind = ANY($2) ORDER BY next_at LIMIT 200 FOR UPDATE SKIP LOCKED",
        )
        .bind::<Timestamptz, _>(now)
        .bind::<Array<Text>, _>(kinds)
        .load(conn)?;
        for row in due {
            // A zone that this version does not know would stop the others with an error: it goes by UTC.
            let zone = row.time_zone.parse().unwrap_or(Tz::UTC);
            let recurrence =
                Recurrence { weekday: weekday_of(row.weekday.as_deref()), local_time: row.local_time, zone };
            diesel::sql_query(
                "WITH moved AS (UPDATE schedules SET next_at = $4
                     WHERE org_id = $1 AND kind = $2 AND subject_id = $3)
                 INSERT INTO jobs (org_id, id, kind, subject_id, run_after, requested_at)
                 VALUES ($1, $5, $2, $3, $6, $6)
                 ON CONFLICT (org_id, kind, subject_id) WHERE state = 'queued' DO NOTHING",
            )
            .bind::<SqlUuid, _>(row.org_id)
            .bind::<Text, _>(&row.kind)
            .bind::<SqlUuid, _>(row.subject_id)
            .bind::<Timestamptz, _>(recurrence.next_after(now))
            .bind::<SqlUuid, _>(JobId::fresh())
            .bind::<Timestamptz, _>(now)
            .execute(conn)?;
        }
        Ok(())
    })
}

#[cfg(test)]
mod tests {
    use chrono::{DateTime, NaiveTime, Utc, Weekday};
    use chrono_tz::Tz;

    use super::Recurrence;

    fn next(zone: Tz, weekday: Option<Weekday>, time: &str, after: &str) -> String {
        let recurrence = Recurrence { weekday, local_time: time.parse::<NaiveTime>().expect("a time"), zone };
        let after: DateTime<Utc> = after.parse().expect("an instant");
        recurrence.next_after(after).to_rfc3339_opts(chrono::SecondsFormat::Secs, true)
    }

    // The changes of the clocks are those of the IANA time zone database: in Berlin 2026-03-29 01:00 UTC (02:00 to
    // 03:00) and 2026-10-25 01:00 UTC (03:00 to 02:00), in the European Union by Directive 2000/84/EC.
    #[test]
    fn a_local_time_keeps_its_hour_over_the_changes_of_the_clocks() {
        let zone = Tz::Europe__Berlin;
        assert_eq!(next(zone, None, "07:00:00", "2026-03-28T12:00:00Z"), "2026-03-29T05:00:00Z");
        assert_eq!(next(zone, None, "07:00:00", "2026-03-27T12:00:00Z"), "2026-03-28T06:00:00Z");
        assert_eq!(next(zone, None, "07:00:00", "2026-10-24T12:00:00Z"), "2026-10-25T06:00:00Z");
        assert_eq!(next(zone, None, "07:00:00", "2026-10-23T12:00:00Z"), "2026-10-24T05:00:00Z");
    }

    #[test]
    fn a_time_that_is_skipped_is_the_first_after_the_gap() {
        assert_eq!(
            next(Tz::Europe__Berlin, None, "02:30:00", "2026-03-28T12:00:00Z"),
            "2026-03-29T01:00:00Z"
        );
        // IANA: Samoa went over the dateline and had no 2011-12-30; the 31st began at 2011-12-30T10:00Z.
        assert_eq!(next(Tz::Pacific__Apia, None, "09:00:00", "2011-12-30T01:00:00Z"), "2011-12-30T10:00:00Z");
        // IANA: in Beirut 2026-03-29 has no 00:00 to 01:00; the clocks go on at 2026-03-28T22:00Z.
        assert_eq!(next(Tz::Asia__Beirut, None, "00:00:00", "2026-03-28T12:00:00Z"), "2026-03-28T22:00:00Z");
    }

    #[test]
    fn a_time_that_comes_twice_is_the_earlier_and_comes_once() {
        let zone = Tz::Europe__Berlin;
        assert_eq!(next(zone, None, "02:30:00", "2026-10-24T12:00:00Z"), "2026-10-25T00:30:00Z");
        assert_eq!(next(zone, None, "02:30:00", "2026-10-25T00:30:00Z"), "2026-10-26T01:30:00Z");
    }

    // 2026-06-15 is a Monday (ISO 8601).
    #[test]
    fn a_weekly_one_comes_on_its_day() {
        let monday = Some(Weekday::Mon);
        assert_eq!(next(Tz::UTC, monday, "07:00:00", "2026-06-15T06:59:59Z"), "2026-06-15T07:00:00Z");
        assert_eq!(next(Tz::UTC, monday, "07:00:00", "2026-06-15T07:00:00Z"), "2026-06-22T07:00:00Z");
        // It is Monday in Auckland already while it is Sunday in UTC.
        assert_eq!(
            next(Tz::Pacific__Auckland, monday, "07:00:00", "2026-06-14T12:00:00Z"),
            "2026-06-14T19:00:00Z"
        );
    }
}

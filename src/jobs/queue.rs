//! Asking for work in the transaction that causes it, and holding on to a claim while its effect is written.
//!
//! A kind of work is a word below and in the CHECK on `jobs.kind`; who does it is said in `routes::workers`. A job
//! is of an organisation and about a subject: a vessel, a subscription, a member. Of a kind and subject one waits
//! at most, and never run two at once.

use std::collections::HashSet;

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_types::{Nullable, Text, Timestamptz, Uuid as SqlUuid};
use uuid::Uuid;

use crate::db::Tx;
use crate::db::schema::jobs;
use crate::error::Result;
use crate::ids::{Id, JobId, OrgId, SiteId, VesselId};

/// Recomputing a vessel's forecast.
pub const FORECAST: &str = "forecast";
/// Looking at how a hull under treatment dries, after new readings; the subject is the vessel.
pub const DRYING: &str = "drying";
/// Sending a subscription what waits for it; the subject is the subscription.
pub const DELIVERY: &str = "delivery";
/// Writing to a member what falls due; the subject is the member's person.
pub const DIGEST: &str = "digest";
/// Learning from the organisation's records; the subject is the organisation, or a calibration whose preview is wanted.
pub const LEARNING: &str = "learning";
/// Telling the head of the audit's chain; the subject is the organisation.
pub const AUDIT_HEAD: &str = "audit_head";
/// All of these.
pub(super) const KINDS: [&str; 6] = [FORECAST, DRYING, DELIVERY, DIGEST, LEARNING, AUDIT_HEAD];

/// A job as claimed.
#[derive(Debug, Clone)]
pub struct Job {
    /// Whose it is.
    pub org_id: OrgId,
    /// The job.
    pub id: JobId,
    /// What is to be done.
    pub kind: String,
    /// The record to work on: of a forecast, the vessel.
    pub subject_id: Uuid,
    /// How often it was tried, this time included.
    pub attempts: i32,
    /// The claim: no two are alike.
    pub(super) locked_by: String,
}

/// Asks for work of a kind on a subject once this transaction commits.
///
/// A request that is waiting already is touched, not doubled: the touch locks its row until the commit, so
/// no worker can take it and read the facts as they were before.
///
/// # Errors
/// Those of the database.
pub fn request(tx: &mut Tx<'_>, kind: &str, subject_id: Uuid) -> Result<()> {
    let now = tx.now();
    diesel::insert_into(jobs::table)
        .values((
            jobs::org_id.eq(tx.org_id()),
            jobs::id.eq(JobId::fresh()),
            jobs::kind.eq(kind),
            jobs::subject_id.eq(subject_id),
            jobs::run_after.eq(now),
            jobs::requested_at.eq(now),
        ))
        .on_conflict((jobs::org_id, jobs::kind, jobs::subject_id))
        .filter_target(jobs::state.eq("queued"))
        .do_update()
        // One that waits after a failure need not wait for the new facts.
        .set((jobs::requested_at.eq(now), jobs::run_after.eq(now)))
        .execute(tx.conn())?;
    Ok(())
}

/// As [`request`], for a time: what waits already for a later one is brought forward.
///
/// # Errors
/// Those of the database.
pub fn request_at(tx: &mut Tx<'_>, kind: &str, subject_id: Uuid, at: DateTime<Utc>) -> Result<()> {
    let asked = diesel::insert_into(jobs::table)
        .values((
            jobs::org_id.eq(tx.org_id()),
            jobs::id.eq(JobId::fresh()),
            jobs::kind.eq(kind),
            jobs::subject_id.eq(subject_id),
            jobs::run_after.eq(at),
            jobs::requested_at.eq(at),
        ))
        .on_conflict((jobs::org_id, jobs::kind, jobs::subject_id))
        .filter_target(jobs::state.eq("queued"))
        .do_update()
        .set((jobs::requested_at.eq(at), jobs::run_after.eq(at)));
    diesel::query_dsl::methods::FilterDsl::filter(asked, jobs::run_after.gt(at)).execute(tx.conn())?;
    Ok(())
}

/// Asks for the vessel's forecast to be computed again once this transaction commits, as [`request`] does.
///
/// # Errors
/// Those of the database.
pub fn request_forecast(tx: &mut Tx<'_>, vessel_id: VesselId) -> Result<()> {
    request(tx, FORECAST, vessel_id.into())
}

/// As [`request_forecast`], for every vessel of the organisation.
///
/// # Errors
/// Those of the database.
pub fn request_all_forecasts(tx: &mut Tx<'_>) -> Result<()> {
    request_many(tx, None)
}

/// As [`request_forecast`], for every vessel that lies at a site.
///
/// # Errors
/// Those of the database.
pub fn request_forecasts_of_site(tx: &mut Tx<'_>, site_id: SiteId) -> Result<()> {
    request_many(tx, Some(site_id))
}

/// Asks for the forecasts of some vessels to be computed again at a later time, since some of what they say
/// depends on the day they are made for. A vessel for which a job waits already is left alone.
///
/// # Errors
/// Those of the database.
pub fn schedule_forecasts(tx: &mut Tx<'_>, vessels: &[(VesselId, DateTime<Utc>)]) -> Result<()> {
    let org_id = tx.org_id();
    let rows: Vec<_> = vessels
        .iter()
        .map(|&(vessel_id, at)| {
            (
                jobs::org_id.eq(org_id),
                jobs::id.eq(JobId::fresh()),
                jobs::kind.eq(FORECAST),
                jobs::subject_id.eq(Uuid::from(vessel_id)),
                jobs::run_after.eq(at),
                jobs::requested_at.eq(at),
            )
        })
        .collect();
    diesel::insert_into(jobs::table)
        .values(rows)
        .on_conflict((jobs::org_id, jobs::kind, jobs::subject_id))
        .filter_target(jobs::state.eq("queued"))
        .do_nothing()
        .execute(tx.conn())?;
    Ok(())
}

/// Whether the vessel's forecast waits to be computed again, is being computed, or could not be.
///
/// # Errors
/// Those of the database.
pub fn forecast_is_stale(tx: &mut Tx<'_>, vessel_id: VesselId) -> Result<bool> {
    let waiting = jobs::table
        .filter(jobs::org_id.eq(tx.org_id()).and(jobs::subject_id.eq(Uuid::from(vessel_id))))
        .filter(jobs::kind.eq(FORECAST).and(jobs::requested_at.le(tx.now())));
    Ok(diesel::select(diesel::dsl::exists(waiting)).get_result(tx.conn())?)
}

/// In one statement; in the order of the ids, so that two at once do not wait for each other crosswise.
fn request_many(tx: &mut Tx<'_>, site_id: Option<SiteId>) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::sql_query(
        "INSERT INTO jobs (org_id, id, kind, subject_id, run_after, requested_at)
         SELECT v.org_id, gen_random_uuid(), $2, v.id, $3, $3 FROM vessels v
         WHERE v.org_id = $1 AND (v.retired_on IS NULL OR v.retired_on > $3::date)
           AND ($4 IS NULL OR v.site_id = $4) ORDER BY v.id
         ON CONFLICT (org_id, kind, subject_id) WHERE state = 'queued'
         DO UPDATE SET requested_at = excluded.requested_at, run_after = excluded.run_after",
    )
    .bind::<SqlUuid, _>(org_id)
    .bind::<Text, _>(FORECAST)
    .bind::<Timestamptz, _>(now)
    .bind::<Nullable<SqlUuid>, _>(site_id)
    .execute(tx.conn())?;
    Ok(())
}

/// Those of the jobs whose claim still stands, locked until this transaction ends: a worker that was slower
/// than its lease finds its job taken by another here, and writes nothing for it.
///
/// # Errors
/// Those of the database.
pub fn still_claimed(tx: &mut Tx<'_>, claimed: &[Job]) -> Result<HashSet<JobId>> {
    let ids: Vec<JobId> = claimed.iter().map(|job| job.id).collect();
    let rows: Vec<(JobId, Option<String>)> = jobs::table
        .filter(jobs::org_id.eq(tx.org_id()).and(jobs::id.eq_any(ids)).and(jobs::state.eq("running")))
        .order(jobs::id)
        .select((jobs::id, jobs::locked_by))
        .for_update()
        .load(tx.conn())?;
    Ok(rows
        .into_iter()
        .filter(|(id, holder)| {
            claimed.iter().any(|job| job.id == *id && holder.as_deref() == Some(job.locked_by.as_str()))
        })
        .map(|(id, _)| id)
        .collect())
}

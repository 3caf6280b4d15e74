//! The statements of the worker role: claiming jobs and settling them, each in a short transaction of its own.
//! No transaction is open while a job runs.

use chrono::{DateTime, TimeDelta, Utc};
use diesel::prelude::*;
use diesel::result::{DatabaseErrorKind, Error as DieselError};
use diesel::sql_types::{Array, BigInt, Bool, Integer, Text, Timestamptz, Uuid as SqlUuid};
use uuid::Uuid;

use crate::db::Db;
use crate::error::Result;
use crate::ids::{Id, JobId, OrgId};
use crate::jobs::queue::Job;

/// How long a claim holds. A batch takes a second or two; a worker that died is replaced after this.
const LEASE: TimeDelta = TimeDelta::minutes(2);
/// A job that failed so often is left for a person to look at.
const MAX_ATTEMPTS: i32 = 5;
/// The wait before the second attempt; it doubles with each.
const FIRST_BACKOFF: TimeDelta = TimeDelta::seconds(5);
/// Of an error's text, so much is kept.
const ERROR_CHARACTERS: usize = 1_000;

#[derive(QueryableByName)]
struct Claimed {
    #[diesel(sql_type = SqlUuid)]
    org_id: OrgId,
    #[diesel(sql_type = SqlUuid)]
    id: JobId,
    #[diesel(sql_type = Text)]
    kind: String,
    #[diesel(sql_type = SqlUuid)]
    subject_id: Uuid,
    #[diesel(sql_type = Integer)]
    attempts: i32,
}

/// Leases at most `batch` jobs of the kinds that wait or that a dead worker left, sorted by organisation and kind. A subject that another worker is at
/// is left alone: of two computations side by side, the one that read the older facts could be saved last.
pub(super) fn claim(db: &Db, kinds: &[&str], batch: i64) -> Result<Vec<Job>> {
    let now = db.clock().now();
    let locked_by = format!("{}-{}", std::process::id(), JobId::fresh());
    let mut claimed: Vec<Claimed> = db.work(|conn| {
        Ok(diesel::sql_query(
            "WITH ready AS MATERIALIZED (
                 SELECT j.org_id, j.id FROM jobs j
                 WHERE j.state <> 'dead' AND j.kind = ANY($5)
                   AND ((j.state = 'queued' AND j.run_after <= $1) OR (j.state = 'running' AND j.locked_until < $1))
                   AND NOT EXISTS (SELECT FROM jobs other
                       WHERE other.org_id = j.org_id AND other.subject_id = j.subject_id AND other.kind = j.kind
                         AND other.id <> j.id AND other.state = 'running' AND other.locked_until >= $1)
                 ORDER BY j.run_after LIMIT $2 FOR UPDATE OF j SKIP LOCKED)
             UPDATE jobs SET state = 'running', locked_by = $3, locked_until = $4, attempts = jobs.attempts + 1
             FROM ready WHERE jobs.org_id = ready.org_id AND jobs.id = ready.id
             RETURNING jobs.org_id, jobs.id, jobs.kind, jobs.subject_id, jobs.attempts",
        )
        .bind::<Timestamptz, _>(now)
        .bind::<BigInt, _>(batch)
        .bind::<Text, _>(&locked_by)
        .bind::<Timestamptz, _>(now + LEASE)
        .bind::<Array<Text>, _>(kinds)
        .load(conn)?)
    })?;
    claimed.sort_by(|a, b| (a.org_id, &a.kind, a.subject_id).cmp(&(b.org_id, &b.kind, b.subject_id)));
    Ok(claimed
        .into_iter()
        .map(|job| Job {
            org_id: job.org_id,
            id: job.id,
            kind: job.kind,
            subject_id: job.subject_id,
            attempts: job.attempts,
            locked_by: locked_by.clone(),
        })
        .collect())
}

/// Holds on to a claim for as long again as a claim holds, for work that goes on in pieces.
///
/// # Errors
/// Those of the database.
pub fn hold_on(db: &Db, job: &Job) -> Result<()> {
    let until = db.clock().now() + LEASE;
    db.work(|conn| {
        diesel::sql_query(
            "UPDATE jobs SET locked_until = $4 WHERE org_id = $1 AND id = $2 AND state = 'running' AND locked_by = $3",
        )
        .bind::<SqlUuid, _>(job.org_id)
        .bind::<SqlUuid, _>(job.id)
        .bind::<Text, _>(&job.locked_by)
        .bind::<Timestamptz, _>(until)
        .execute(conn)?;
        Ok(())
    })
}

/// Whether the job was tried as often as it may be: its workers died over it, one after the other.
pub(super) fn worn_out(job: &Job) -> bool {
    job.attempts > MAX_ATTEMPTS
}

/// Whether a failure of this attempt is the last.
pub(super) fn is_last(job: &Job) -> bool {
    job.attempts >= MAX_ATTEMPTS
}

/// The jobs of one organisation and claim are done: they go, and with them what had failed of the same subjects.
pub(super) fn done(db: &Db, jobs: &[Job]) -> Result<()> {
    let Some(first) = jobs.first() else { return Ok(()) };
    let ids: Vec<JobId> = jobs.iter().map(|job| job.id).collect();
    db.work(|conn| {
        diesel::sql_query(
            "WITH settled AS (
                 DELETE FROM jobs WHERE org_id = $1 AND id = ANY($2) AND state = 'running' AND locked_by = $3
                 RETURNING kind, subject_id)
             DELETE FROM jobs USING settled
             WHERE jobs.org_id = $1 AND jobs.kind = settled.kind AND jobs.subject_id = settled.subject_id
               AND jobs.state = 'dead'",
        )
        .bind::<SqlUuid, _>(first.org_id)
        .bind::<Array<SqlUuid>, _>(ids)
        .bind::<Text, _>(&first.locked_by)
        .execute(conn)?;
        Ok(())
    })
}

/// The job failed: it waits for its next attempt, or stays as dead. Where another request for the subject waits
/// already, that one takes its place.
pub(super) fn failed(db: &Db, job: &Job, error: &str) -> Result<()> {
    let doublings = u32::try_from(job.attempts - 1).unwrap_or(0).min(16);
    let retry_at = db.clock().now() + FIRST_BACKOFF * (1 << doublings);
    let error: String = error.chars().take(ERROR_CHARACTERS).collect();
    db.work(|conn| {
        // A request may come at any moment: then the index on waiting jobs refuses a second one.
        match conn.transaction(|conn| put_back(conn, job, retry_at, &error)) {
            Err(DieselError::DatabaseError(DatabaseErrorKind::UniqueViolation, _)) => {
                Ok(hand_over(conn, job, retry_at)?)
            }
            other => Ok(other?),
        }
    })
}

/// The waiting request is brought forward to when this job would have been tried again.
fn hand_over(conn: &mut PgConnection, job: &Job, retry_at: DateTime<Utc>) -> QueryResult<()> {
    diesel::sql_query(
        "WITH gone AS (
             DELETE FROM jobs WHERE org_id = $1 AND id = $2 AND state = 'running' AND locked_by = $3
             RETURNING kind, subject_id, requested_at)
         UPDATE jobs SET run_after = LEAST(jobs.run_after, $4), requested_at = LEAST(jobs.requested_at, gone.requested_at)
         FROM gone WHERE jobs.org_id = $1 AND jobs.kind = gone.kind AND jobs.subject_id = gone.subject_id
           AND jobs.state = 'queued'",
    )
    .bind::<SqlUuid, _>(job.org_id)
    .bind::<SqlUuid, _>(job.id)
    .bind::<Text, _>(&job.locked_by)
    .bind::<Timestamptz, _>(retry_at)
    .execute(conn)
    .map(|_| ())
}

fn put_back(conn: &mut PgConnection, job: &Job, retry_at: DateTime<Utc>, error: &str) -> QueryResult<()> {
    diesel::sql_query(
        "UPDATE jobs SET state = CASE WHEN $4 THEN 'dead' ELSE 'queued' END, run_after = $5, last_error = $6,
             locked_by = NULL, locked_until = NULL
         WHERE org_id = $1 AND id = $2 AND state = 'running' AND locked_by = $3",
    )
    .bind::<SqlUuid, _>(job.org_id)
    .bind::<SqlUuid, _>(job.id)
    .bind::<Text, _>(&job.locked_by)
    .bind::<Bool, _>(is_last(job))
    .bind::<Timestamptz, _>(retry_at)
    .bind::<Text, _>(error)
    .execute(conn)
    .map(|_| ())
}

//! Looking at the queue: what waits, what runs, what is dead, and how much of each; and trying a dead job again.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_types::{BigInt, Double, Text, Timestamptz};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use super::queue::{KINDS, request};
use crate::codes;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::jobs;
use crate::db::{Db, Tx};
use crate::error::{Code, Error, Result};
use crate::ids::{JobId, OrgId};

/// How it stands with a job.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum JobState {
    /// It waits for its time.
    Queued,
    /// A worker has it.
    Running,
    /// It failed too often and waits for a person.
    Dead,
}

/// A job as it stands.
#[derive(Debug, Clone, Queryable, Selectable)]
#[diesel(table_name = jobs)]
pub struct JobRow {
    /// Whose it is.
    pub org_id: OrgId,
    /// The job.
    pub id: JobId,
    /// What is to be done.
    pub kind: String,
    /// With what.
    pub subject_id: Uuid,
    /// How it stands, as a word.
    pub state: String,
    /// When it may run.
    pub run_after: DateTime<Utc>,
    /// How often it was tried.
    pub attempts: i32,
    /// What went wrong last.
    pub last_error: Option<String>,
    /// When it was asked for.
    pub requested_at: DateTime<Utc>,
}

/// The organisation's jobs, by when they may run.
///
/// # Errors
/// Those of the database.
pub fn list(tx: &mut Tx<'_>, state: Option<JobState>, page: PageRequest) -> Result<Slice<JobRow>> {
    let mut query = jobs::table.filter(jobs::org_id.eq(tx.org_id())).into_boxed();
    if let Some(state) = state {
        query = query.filter(jobs::state.eq(codes::to_text(&state)?));
    }
    if let Some((time, id)) = page.after_time() {
        let id = JobId::from(id);
        query = query.filter(jobs::run_after.gt(time).or(jobs::run_after.eq(time).and(jobs::id.gt(id))));
    }
    let rows = query
        .order((jobs::run_after, jobs::id))
        .limit(page.fetch())
        .select(JobRow::as_select())
        .load(tx.conn())?;
    Ok(page.slice(rows, |job| Position::at(job.run_after, job.id)))
}

/// Asks again for what a dead job was to do; the dead one goes when that is done.
///
/// # Errors
/// Not found; a conflict, when it is not dead; those of the database.
pub fn retry(tx: &mut Tx<'_>, id: JobId) -> Result<JobRow> {
    let job = jobs::table.find((tx.org_id(), id)).select(JobRow::as_select()).first(tx.conn()).optional()?;
    let job = job.ok_or_else(|| Error::not_found("job"))?;
    if job.state != "dead" {
        return Err(Error::new(Code::Conflict, "The job is not dead: it is tried again by itself."));
    }
    request(tx, &job.kind, job.subject_id)?;
    Ok(job)
}

/// The jobs of every organisation in a state, the oldest first: for whoever runs the service.
///
/// # Errors
/// Those of the database.
pub fn of_all(db: &Db, state: JobState, most: i64) -> Result<Vec<JobRow>> {
    let state = codes::to_text(&state)?;
    db.work(|conn| {
        Ok(jobs::table
            .filter(jobs::state.eq(state))
            .order((jobs::requested_at, jobs::org_id, jobs::id))
            .limit(most)
            .select(JobRow::as_select())
            .load(conn)?)
    })
}

#[derive(QueryableByName)]
struct Counted {
    #[diesel(sql_type = Text)]
    kind: String,
    #[diesel(sql_type = BigInt)]
    scheduled: i64,
    #[diesel(sql_type = BigInt)]
    ready: i64,
    #[diesel(sql_type = BigInt)]
    running: i64,
    #[diesel(sql_type = BigInt)]
    dead: i64,
    #[diesel(sql_type = Double)]
    oldest_ready_s: f64,
}

/// Sets the gauges of the queue: of each kind how many jobs wait for a later time, could be taken now, run, or are
/// dead, and for how long the oldest that could be taken has waited.
///
/// # Errors
/// Those of the database.
pub fn gauge(db: &Db) -> Result<()> {
    let now = db.clock().now();
    let counted: Vec<Counted> = db.work(|conn| {
        Ok(diesel::sql_query(
            "SELECT kind, count(*) FILTER (WHERE state = 'queued' AND run_after > $1) AS scheduled,
                 count(*) FILTER (WHERE state = 'queued' AND run_after <= $1) AS ready,
                 count(*) FILTER (WHERE state = 'running') AS running, count(*) FILTER (WHERE state = 'dead') AS dead,
                 coalesce(extract(epoch FROM $1 - min(run_after) FILTER (WHERE state = 'queued' AND run_after <= $1)), 0)
                     ::double precision AS oldest_ready_s
             FROM jobs GROUP BY kind",
        )
        .bind::<Timestamptz, _>(now)
        .load(conn)?)
    })?;
    for kind in KINDS {
        let found = counted.iter().find(|row| row.kind == kind);
        let count =
            |of: fn(&Counted) -> i64| f64::from(u32::try_from(found.map_or(0, of)).unwrap_or(u32::MAX));
        for (state, jobs) in [
            ("scheduled", count(|row| row.scheduled)),
            ("ready", count(|row| row.ready)),
            ("running", count(|row| row.running)),
            ("dead", count(|row| row.dead)),
        ] {
            metrics::gauge!("garboard_jobs", "kind" => kind, "state" => state).set(jobs);
        }
        metrics::gauge!("garboard_jobs_oldest_ready_seconds", "kind" => kind)
            .set(found.map_or(0.0, |row| row.oldest_ready_s));
    }
    Ok(())
}

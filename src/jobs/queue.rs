//! Asking for work in the transaction that causes it.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_types;
use uuid::Uuid;

use crate::db::Tx;
use crate::db::schema::jobs;
use crate::error::Result;
use crate::ids::{Id, JobId, OrgId, SiteId, VesselId};

/// Recomputing a vessel's forecast.
pub const FORECAST: &str = "forecast";

/// Asks for the vessel's forecast to be computed again once this transaction commits.
///
/// A request that is waiting already is touched, not doubled: the touch locks its row until the commit, so
/// no worker can take it and read the facts as they were before.
///
/// # Errors
/// Those of the database.
pub fn request_forecast(tx: &mut Tx<'_>, vessel_id: VesselId) -> Result<()> {
    let now = tx.now();
    diesel::insert_into(jobs::table)
        .values((
            jobs::org_id.eq(tx.org_id()),
            jobs::id.eq(JobId::fresh()),
            jobs::kind.eq(FORECAST),
            jobs::subject_id.eq(Uuid::from(vessel_id)),
            jobs::run_after.eq(now),
            jobs::requested_at.eq(now),
        ))
        .on_conflict((jobs::org_id, jobs::kind, jobs::subject_id))
        .filter_target(jobs::state.eq("queued"))
        .do_update()
        .set(jobs::requested_at.eq(now))
        .execute(tx.conn())?;
    Ok(())
}

/// As [`request_forecast`], for every vessel that lies at the site.
///
/// The ids of these jobs are random: the database makes them, and nothing sorts by them.
///
/// # Errors
/// Those of the database.
pub fn request_forecasts_of_site(tx: &mut Tx<'_>, site_id: SiteId) -> Result<()> {
    let (org_id, now): (OrgId, DateTime<Utc>) = (tx.org_id(), tx.now());
    // In the order of their ids, so that two such requests at once wait for each other and do not lock up.
    diesel::sql_query(
        "INSERT INTO jobs (org_id, id, kind, subject_id, run_after, requested_at)
         SELECT v.org_id, gen_random_uuid(), $3, v.id, $4, $4
         FROM vessels v WHERE v.org_id = $1 AND v.site_id = $2 ORDER BY v.id
         ON CONFLICT (org_id, kind, subject_id) WHERE state = 'queued'
         DO UPDATE SET requested_at = EXCLUDED.requested_at",
    )
    .bind::<sql_types::Uuid, _>(org_id)
    .bind::<sql_types::Uuid, _>(site_id)
    .bind::<sql_types::Text, _>(FORECAST)
    .bind::<sql_types::Timestamptz, _>(now)
    .execute(tx.conn())?;
    Ok(())
}

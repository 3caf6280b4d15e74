//! Asking for work in the transaction that causes it.

use diesel::prelude::*;
use uuid::Uuid;

use crate::db::Tx;
use crate::db::schema::jobs;
use crate::error::Result;
use crate::ids::{Id, JobId, VesselId};

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

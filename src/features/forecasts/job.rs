//! The handler of forecast jobs: facts loaded in one short transaction, the science on all cores and no
//! connection, what came of it saved in another short transaction.

use std::collections::BTreeSet;

use rayon::prelude::*;

use super::model::{Computed, compute, renewed_at};
use super::store::{self, Subject};
use crate::db::{Actor, Db};
use crate::error::Result;
use crate::ids::{Id, OrgId, RequestId, VesselId};
use crate::jobs::queue::{FORECAST, schedule_forecasts, still_claimed};
use crate::jobs::{Job, Workers};

/// The workers at forecasts alone, for commands that wait for them.
#[must_use]
pub fn workers() -> Workers {
    Workers::of(FORECAST, handle)
}

/// Computes and keeps the forecasts of the jobs' vessels: all of them, or an error and none.
///
/// # Errors
/// Those of the database.
pub fn handle(db: &Db, org_id: OrgId, jobs: &[Job]) -> Result<()> {
    let actor = Actor::service(org_id, RequestId::fresh());
    // A vessel may come twice: its job again after a worker died, and a newer one.
    let vessels: BTreeSet<VesselId> = jobs.iter().map(|job| job.subject_id.into()).collect();
    let vessels: Vec<VesselId> = vessels.into_iter().collect();
    let subjects = db.read(&actor, |tx| store::subjects(tx, &vessels, None))?;
    let computed: Vec<(&Subject, Option<Computed>)> = subjects
        .par_iter()
        .map(|subject| (subject, (!subject.is_retired()).then(|| compute(&subject.facts))))
        .collect();
    db.write(&actor, |tx| {
        let ours = still_claimed(tx, jobs)?;
        let ours: BTreeSet<VesselId> =
            jobs.iter().filter(|job| ours.contains(&job.id)).map(|job| job.subject_id.into()).collect();
        let mut kept = Vec::new();
        let mut retired = Vec::new();
        for (subject, computed) in computed {
            match computed {
                _ if !ours.contains(&subject.vessel_id) => {}
                Some(computed) => kept.push((subject, computed)),
                None => retired.push(subject.vessel_id),
            }
        }
        store::save(tx, &kept)?;
        store::discard(tx, &retired)?;
        let now = tx.now();
        let renewals: Vec<_> = kept
            .iter()
            .map(|(subject, _)| (subject.vessel_id, renewed_at(now, subject.zone, subject.retired_on)))
            .collect();
        schedule_forecasts(tx, &renewals)
    })
}

//! The handler of forecast jobs: facts loaded in one short transaction, the science on all cores and no
//! connection, what came of it saved in another short transaction.

use std::collections::BTreeSet;

use chrono::NaiveTime;
use rayon::prelude::*;
use serde_json::json;

use super::model::told::{Phase, news};
use super::model::{Computed, compute, renewed_on};
use super::store::{self, Subject};
use crate::codes;
use crate::db::{Actor, Db, Tx};
use crate::error::Result;
use crate::features::accounts;
use crate::features::calibrations;
use crate::features::calibrations::model::ensemble;
use crate::ids::{Id, OrgId, RequestId, VesselId};
use crate::jobs::outbox::{self, EventKind, NewEvent};
use crate::jobs::queue::{FORECAST, request_all_forecasts, schedule_forecasts, still_claimed};
use crate::jobs::schedule::first_instant;
use crate::jobs::{Job, Workers};
use crate::science::forecast::MODEL;

/// The workers at forecasts alone, for commands that wait for them.
#[must_use]
pub fn workers() -> Workers {
    Workers::of(FORECAST, handle)
}

/// Asks for all forecasts of the organisations in which some were made by another model than this version's: it is new
/// here.
///
/// # Errors
/// Those of the database.
pub fn request_for_new_model(db: &Db) -> Result<()> {
    for (org_id, _) in db.sign_in(accounts::store::organisations)? {
        db.write(&Actor::service(org_id, RequestId::fresh()), |tx| {
            if store::by_another_model(tx, MODEL)? { request_all_forecasts(tx) } else { Ok(()) }
        })?;
    }
    Ok(())
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
    let (subjects, followed) =
        db.read(&actor, |tx| Ok((store::subjects(tx, &vessels, None)?, calibrations::store::in_use(tx)?)))?;
    let ensemble = ensemble(followed.as_ref());
    let computed: Vec<(&Subject, Option<Computed>)> = subjects
        .par_iter()
        .map(|subject| (subject, (!subject.is_retired()).then(|| compute(&subject.facts, &ensemble))))
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
        tell(tx, &kept, &retired)?;
        let renewals: Vec<_> = kept
            .iter()
            .map(|(subject, computed)| {
                let day = renewed_on(&subject.facts, &computed.dates, subject.retired_on);
                (subject.vessel_id, first_instant(subject.zone, day, NaiveTime::MIN))
            })
            .collect();
        schedule_forecasts(tx, &renewals)
    })
}

/// Tells programs elsewhere what is new about the dates.
fn tell(tx: &mut Tx<'_>, kept: &[(&Subject, Computed)], retired: &[VesselId]) -> Result<()> {
    let vessels: Vec<VesselId> = kept.iter().map(|(subject, _)| subject.vessel_id).collect();
    let before = store::told(tx, &vessels)?;
    let (mut told, mut events) = (Vec::new(), Vec::new());
    for (subject, computed) in kept {
        for date in &computed.dates {
            let earlier = before.get(&(subject.vessel_id, codes::to_text(&date.kind)?)).copied();
            let news = news(earlier, date.due_on, computed.as_of, &subject.facts.policy);
            told.push((subject.vessel_id, date.kind, news.told));
            let reached = news.reached.map(|phase| match phase {
                Phase::Overdue => EventKind::VesselOverdue,
                Phase::Ahead | Phase::Due => EventKind::VesselDue,
            });
            for kind in news.moved.then_some(EventKind::VesselDateMoved).into_iter().chain(reached) {
                let content = json!({
                    "due_kind": date.kind, "due_on": date.due_on, "told_due_on": earlier.and_then(|told| told.due_on),
                    "driver": date.driver, "reason": date.reason, "basis": date.basis,
                });
                events.push(NewEvent::of_vessel(kind, subject.vessel_id, content));
            }
        }
    }
    let all: Vec<VesselId> = vessels.into_iter().chain(retired.iter().copied()).collect();
    store::keep_told(tx, &all, &told)?;
    outbox::append(tx, &events)
}

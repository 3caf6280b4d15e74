//! The handler that looks at how hulls under treatment dry after new readings, and tells when one is ready for its coats or
//! dries no further.

use serde_json::json;

use super::api::work::drying_under;
use super::store::drying::keep_told;
use super::store::plan::{PlansOf, plans};
use crate::codes;
use crate::db::{Actor, Db};
use crate::error::Result;
use crate::ids::{Id, OrgId, RequestId};
use crate::jobs::Job;
use crate::jobs::outbox::{self, EventKind, NewEvent};
use crate::jobs::queue::still_claimed;
use crate::science::drying::DryingStatus;

/// Looks at the jobs' vessels.
///
/// # Errors
/// Those of the database; what the science refuses.
pub fn tell_drying(db: &Db, org_id: OrgId, jobs: &[Job]) -> Result<()> {
    db.write(&Actor::service(org_id, RequestId::fresh()), |tx| {
        let ours = still_claimed(tx, jobs)?;
        let mut events = Vec::new();
        for job in jobs.iter().filter(|job| ours.contains(&job.id)) {
            for plan in plans(tx, PlansOf::Vessels(&[job.subject_id.into()]))? {
                let (id, vessel_id, haul_out_id) = (plan.id, plan.vessel_id, plan.haul_out_id);
                let Some(drying) = drying_under(tx, plan)? else { continue };
                let status = codes::to_text(&drying.status)?;
                let before = keep_told(tx, id, &status)?;
                let kind = match drying.status {
                    _ if before.as_ref() == Some(&status) => continue,
                    DryingStatus::Ready => EventKind::HullReadyToCoat,
                    DryingStatus::Stalled => EventKind::HullDryingStalled,
                    DryingStatus::Drying | DryingStatus::TooEarly => continue,
                };
                let content = json!({
                    "treatment_id": id, "haul_out_id": haul_out_id, "slowest_station": drying.slowest_station,
                    "reason": drying.reason,
                });
                events.push(NewEvent::of_vessel(kind, vessel_id, content));
            }
        }
        outbox::append(tx, &events)
    })
}

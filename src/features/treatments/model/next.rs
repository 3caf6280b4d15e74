//! What comes next in each zone: one plain answer for whoever stands beside the hull.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use serde::Serialize;
use serde_json::json;
use utoipa::ToSchema;

use super::TreatmentKind;
use super::drying::HullDrying;
use super::entry::{StepState, TreatmentState, step_state};
use super::holds::{Hold, HoldFacts, minute, word};
use super::plan::{PlanStep, StepKind};
use crate::error::{Error, Result};
use crate::features::coats::model::CoatFields;
use crate::features::products::model::ProductFields;
use crate::features::vessels::model::Zone;
use crate::ids::{ProductId, VesselId};
use crate::science::drying::DryingStatus;

/// Whether what comes next can be done now.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum NextAnswer {
    /// The plan waits for its acceptance.
    Accept,
    /// Go on: nothing holds.
    Go,
    /// Something holds: see the holds.
    Wait,
}

/// What comes next in a zone.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct NextStep {
    /// The zone.
    pub zone: Zone,
    /// The step; null where all are done and the treatment is to be closed.
    pub step: Option<StepKind>,
    /// Whether it can be done now: of a coat, whether this hour is one to coat in, by the last logged climate.
    pub answer: NextAnswer,
    /// What to do, or what holds.
    pub detail: String,
    /// What holds.
    pub holds: Vec<Hold>,
}

/// What comes next in each zone; nothing once the treatment is closed.
///
/// # Errors
/// Invalid, when a value lies out of the range of the science.
pub fn next<S: std::hash::BuildHasher>(
    facts: &HoldFacts<'_>,
    advised: Option<TreatmentKind>,
    vessel_id: VesselId,
    sheets: &HashMap<ProductId, ProductFields, S>,
) -> Result<Vec<NextStep>> {
    if facts.state == TreatmentState::Closed {
        return Ok(Vec::new());
    }
    let mut told = Vec::new();
    for zone in facts.plan.zones.iter().map(|zone| zone.zone) {
        let step = facts
            .plan
            .steps_in(zone)
            .find(|own| step_state(facts.plan, facts.entries, own.step, zone) != StepState::Done);
        let (what, holds) = match step {
            None => {
                let mut holds = facts.before_closing(facts.now)?;
                holds.retain(|hold| hold.zone == zone);
                let by = facts.launch_by(zone).map_or_else(String::new, |by| {
                    format!(" The antifouling asks for launch by {}.", minute(by))
                });
                (format!("All steps are done here. Close the treatment: POST its closing.{by}"), holds)
            }
            Some(step) => of_step(facts, zone, step, vessel_id, sheets)?,
        };
        let (answer, detail) = if facts.state == TreatmentState::Planned {
            let other = advised.filter(|kind| *kind != facts.plan.kind).map_or_else(String::new, |kind| {
                format!(
                    " The evidence supports a {} treatment, and this plan is {}: see advice.",
                    word(kind),
                    word(facts.plan.kind)
                )
            });
            (
                NextAnswer::Accept,
                format!("A named qualified person accepts the plan: POST its decisions.{other}"),
            )
        } else if let Some(first) = holds.first() {
            let more = match holds.len() - 1 {
                0 => String::new(),
                1 => " One more hold is open.".to_owned(),
                more => format!(" {more} more holds are open."),
            };
            (NextAnswer::Wait, format!("{what} It waits: {}{more}", first.detail))
        } else {
            (NextAnswer::Go, what)
        };
        told.push(NextStep { zone, step: step.map(|step| step.step), answer, detail, holds });
    }
    Ok(told)
}

fn of_step<S: std::hash::BuildHasher>(
    facts: &HoldFacts<'_>,
    zone: Zone,
    step: &PlanStep,
    vessel_id: VesselId,
    sheets: &HashMap<ProductId, ProductFields, S>,
) -> Result<(String, Vec<Hold>)> {
    let name = word(step.step).replace('_', " ");
    if let Some((role, planned)) = step.step.role().zip(step.coats) {
        let there = facts.coats_of(step.step, zone).count();
        if i32::try_from(there).unwrap_or(i32::MAX) < planned {
            // As a coat put on at this moment would be judged.
            let coat: CoatFields =
                serde_json::from_value(json!({"vessel_id": vessel_id, "role": role, "zone": zone,
                "applied_on": facts.now.date_naive(), "started_at": facts.now, "finished_at": facts.now}))
                .map_err(Error::internal)?;
            let sheet = step.product_id.and_then(|id| sheets.get(&id));
            let what = format!("Next is coat {} of {planned} of the step {name}.", there + 1);
            return Ok((what, facts.before_coat(step.step, &coat, sheet)?));
        }
        let what = format!("All {planned} coats of the step {name} are on: enter step_done.");
        return Ok((what, facts.before_done(step.step, zone)));
    }
    let what = match facts.drying.filter(|_| step.step == StepKind::Dry) {
        // What holds says the rest, where no date is told.
        Some(drying) => {
            format!("Next is the step dry. {}", when_dry(drying, facts.now)).trim_end().to_owned()
        }
        None => format!("Next is the step {name}. {}", step.step.evidence()),
    };
    Ok((what, facts.before_done(step.step, zone)))
}

/// When the hull will be dry, in a sentence.
fn when_dry(drying: &HullDrying, now: DateTime<Utc>) -> String {
    let slowest = drying
        .slowest_station
        .as_ref()
        .map_or_else(String::new, |code| format!("The slowest station is {code}. "));
    match drying.ready_at {
        Some(at) => {
            let day = |at: Option<DateTime<Utc>>| {
                at.map_or_else(|| "never".to_owned(), |at| at.date_naive().to_string())
            };
            if at.p90.is_some_and(|last| last <= now) {
                return format!("{slowest}By its curve it came down to the target about {}.", day(at.p50));
            }
            format!("{slowest}Dry about {}, between {} and {}.", day(at.p50), day(at.p10), day(at.p90))
        }
        None if drying.status == DryingStatus::Ready => format!("{slowest}{}", drying.reason),
        None => slowest,
    }
}

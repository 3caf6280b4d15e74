//! What is done and decided in a treatment under way, and the states that follow from it.

use chrono::{DateTime, Utc};
use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::plan::{PlanFields, StepKind};
use crate::error::{Error, FieldError, Result};
use crate::features::surveys::model::fact::within_years;
use crate::features::vessels::model::Zone;
use crate::ids::{EntryId, PersonId, TreatmentId, VesselId};

/// Where a treatment is: see the diagram on the capability's page.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum TreatmentState {
    /// Being planned.
    Planned,
    /// A named qualified person accepted the plan as it stands.
    Accepted,
    /// Work has started; the plan is fixed.
    Running,
    /// It is over, and recorded as a treatment that was done.
    Closed,
}

/// Where a step is in a zone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum StepState {
    /// A step before it is not done.
    Waiting,
    /// Its turn.
    Open,
    /// Done.
    Done,
}

/// What an entry says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum EntryKind {
    /// The laminate was washed with fresh water.
    Wash,
    /// The amine blush was washed off a coat.
    BlushWash,
    /// A coat was abraded.
    Abrasion,
    /// A step is done in a zone.
    StepDone,
    /// Another entry was made in error: it stays visible and counts for nothing.
    Withdrawal,
    /// A qualified person accepts the plan.
    Acceptance,
    /// A qualified person lets work go on over a hold.
    Override,
    /// The treatment is over. Made by closing it, not entered.
    Closing,
}

impl EntryKind {
    /// Whether it is for a qualified person.
    #[must_use]
    pub fn is_decision(self) -> bool {
        matches!(self, Self::Acceptance | Self::Override)
    }

    /// Whether it is work, which begins with the first of it.
    #[must_use]
    pub fn is_work(self) -> bool {
        matches!(self, Self::Wash | Self::BlushWash | Self::Abrasion | Self::StepDone)
    }
}

/// An entry: something done, or decided.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct EntryFields {
    /// What it says.
    #[garde(skip)]
    pub kind: EntryKind,
    /// The zone; of a wash, a blush wash or an abrasion every zone when left out. Of `step_done` and `override` it may be left
    /// out where the plan has one zone only.
    #[garde(skip)]
    pub zone: Option<Zone>,
    /// The step: of `step_done`; of `override` the step that the hold stands before.
    #[garde(skip)]
    pub step: Option<StepKind>,
    /// The code of the hold, of `override`.
    #[garde(length(chars, min = 1, max = 100))]
    #[schema(min_length = 1, max_length = 100)]
    pub hold: Option<String>,
    /// The entry made in error, of `withdrawal`.
    #[garde(skip)]
    pub of_entry_id: Option<EntryId>,
    /// When.
    #[garde(custom(within))]
    pub happened_at: DateTime<Utc>,
    /// The name of who did or decided it. Required of a decision.
    #[garde(length(chars, min = 1, max = 200))]
    #[schema(min_length = 1, max_length = 200)]
    pub person_name: Option<String>,
    /// What makes that person qualified. Required of a decision.
    #[garde(length(chars, min = 1, max = 200))]
    #[schema(min_length = 1, max_length = 200)]
    pub qualification: Option<String>,
    /// How, with what; of an override or a withdrawal the reason, required.
    #[garde(length(chars, min = 1, max = 4000))]
    #[schema(min_length = 1, max_length = 4000)]
    pub note: Option<String>,
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "garde passes references")]
fn within(time: &DateTime<Utc>, context: &()) -> garde::Result {
    within_years(&time.date_naive(), context)
}

impl EntryFields {
    /// The fields, if they are those of their kind and have happened.
    ///
    /// # Errors
    /// Invalid, with every field at fault.
    pub fn checked(self, now: DateTime<Utc>) -> Result<Self> {
        use EntryKind::{Acceptance, Closing, Override, StepDone, Withdrawal};
        let mut faults = Vec::new();
        let kind = self.kind;
        if self.happened_at > now {
            let detail = "lies in the future. Record what has happened; correct the time.";
            faults.push(FieldError::new("/happened_at", "future", detail));
        }
        if kind == Closing {
            let detail = "is made by closing the treatment: POST its closing.";
            faults.push(FieldError::new("/kind", "not_entered", detail));
        }
        let decision = kind.is_decision();
        for (pointer, given, needed, allowed) in [
            (
                "/zone",
                self.zone.is_some(),
                matches!(kind, StepDone | Override),
                !matches!(kind, Acceptance | Withdrawal),
            ),
            (
                "/step",
                self.step.is_some(),
                matches!(kind, StepDone | Override),
                matches!(kind, StepDone | Override),
            ),
            ("/hold", self.hold.is_some(), kind == Override, kind == Override),
            ("/of_entry_id", self.of_entry_id.is_some(), kind == Withdrawal, kind == Withdrawal),
            ("/person_name", self.person_name.is_some(), decision, true),
            ("/qualification", self.qualification.is_some(), decision, true),
            ("/note", self.note.is_some(), matches!(kind, Override | Withdrawal), true),
        ] {
            if needed && !given {
                faults.push(FieldError::new(
                    pointer,
                    "missing",
                    "is required of this kind of entry. Enter it.",
                ));
            } else if given && !allowed {
                faults.push(FieldError::new(
                    pointer,
                    "not_used",
                    "does not belong to this kind of entry. Leave it out.",
                ));
            }
        }
        if faults.is_empty() { Ok(self) } else { Err(Error::invalid(faults)) }
    }
}

/// An entry as kept.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Entry {
    /// Its id.
    pub id: EntryId,
    /// The treatment.
    pub treatment_id: TreatmentId,
    /// The vessel.
    pub vessel_id: VesselId,
    /// The version of the plan that was accepted, of `acceptance`.
    pub plan_version: Option<i32>,
    /// Whether it was withdrawn: it counts for nothing.
    pub withdrawn: bool,
    /// When it was recorded.
    pub recorded_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: EntryFields,
}

/// The entries that count, by time.
#[must_use]
pub fn standing(entries: &[Entry]) -> impl DoubleEndedIterator<Item = &Entry> {
    entries.iter().filter(|entry| !entry.withdrawn)
}

/// Where a treatment is. `coated` tells whether a coat was recorded under it.
#[must_use]
pub fn state(plan_version: i32, entries: &[Entry]) -> TreatmentState {
    let any = |f: &dyn Fn(&Entry) -> bool| standing(entries).any(f);
    if any(&|entry| entry.fields.kind == EntryKind::Closing) {
        TreatmentState::Closed
    } else if entries.iter().any(|entry| entry.fields.kind.is_work()) {
        TreatmentState::Running
    } else if any(&|entry| {
        entry.fields.kind == EntryKind::Acceptance && entry.plan_version == Some(plan_version)
    }) {
        TreatmentState::Accepted
    } else {
        TreatmentState::Planned
    }
}

/// The entry that says that a step is done in a zone.
#[must_use]
pub fn done(entries: &[Entry], step: StepKind, zone: Zone) -> Option<&Entry> {
    standing(entries).find(|entry| {
        entry.fields.kind == EntryKind::StepDone
            && entry.fields.step == Some(step)
            && entry.fields.zone == Some(zone)
    })
}

/// The last entry of a kind that bears on a zone, at or after a time.
#[must_use]
pub fn last_on(
    entries: &[Entry],
    kind: EntryKind,
    zone: Zone,
    since: DateTime<Utc>,
    until: DateTime<Utc>,
) -> Option<&Entry> {
    standing(entries).filter(|entry| entry.fields.kind == kind).rfind(|entry| {
        entry.fields.zone.is_none_or(|own| own == zone)
            && entry.fields.happened_at >= since
            && entry.fields.happened_at <= until
    })
}

/// Where a step is in a zone.
#[must_use]
pub fn step_state(plan: &PlanFields, entries: &[Entry], step: StepKind, zone: Zone) -> StepState {
    if done(entries, step, zone).is_some() {
        return StepState::Done;
    }
    let before_done = plan
        .steps_in(zone)
        .take_while(|own| own.step != step)
        .all(|own| done(entries, own.step, zone).is_some());
    if before_done { StepState::Open } else { StepState::Waiting }
}

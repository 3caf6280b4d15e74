//! All that is known of a treatment under way, loaded.

use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};

use crate::db::Tx;
use crate::error::Result;
use crate::features::climate::model::window::ClimateMoment;
use crate::features::climate::store as climate;
use crate::features::coats::store as coats;
use crate::features::haulouts::store as haulouts;
use crate::features::products::store as products;
use crate::features::treatments::model::drying::{DryingFacts, HullDrying};
use crate::features::treatments::model::entry::{Entry, EntryKind, TreatmentState, done, standing, state};
use crate::features::treatments::model::holds::{CoatOn, FilmOn, HoldFacts};
use crate::features::treatments::model::plan::StepKind;
use crate::features::treatments::store::drying::{ReadingsOf, fixed_stations, readings};
use crate::features::treatments::store::plan::{self as store, Plan};
use crate::science::cautions::cautions;

/// All that is known of a treatment under way.
#[derive(Debug)]
pub(super) struct Facts {
    pub plan: Plan,
    pub entries: Vec<Entry>,
    pub state: TreatmentState,
    pub coats: Vec<CoatOn>,
    pub climate: Vec<ClimateMoment>,
    pub drying: Option<HullDrying>,
    pub now: DateTime<Utc>,
}

impl Facts {
    pub(super) fn load(tx: &mut Tx<'_>, plan: Plan) -> Result<Self> {
        let now = tx.now();
        let entries = store::entries(tx, plan.id)?;
        let state = state(plan.version, &entries);
        let lifted_at = lifted_at(tx, &plan)?;
        let climate = climate::between(tx, plan.haul_out_id, lifted_at, now)?;
        let coats =
            if state == TreatmentState::Planned { Vec::new() } else { coats_of(tx, &plan, &entries)? };
        let drying = drying(tx, &plan, &entries, Some(lifted_at), &climate)?;
        Ok(Self { plan, entries, state, coats, climate, drying, now })
    }

    /// The day work started.
    pub(super) fn started_on(&self) -> Option<NaiveDate> {
        started_at(&self.entries).map(|at| at.date_naive())
    }

    pub(super) fn holds(&self) -> HoldFacts<'_> {
        HoldFacts {
            plan: &self.plan.fields,
            id: self.plan.id,
            haul_out_id: self.plan.haul_out_id,
            state: self.state,
            entries: &self.entries,
            coats: &self.coats,
            climate: &self.climate,
            drying: self.drying.as_ref(),
            now: self.now,
        }
    }
}

/// The lift of the haul-out: the day is known, not the hour, so its midnight.
pub(super) fn lifted_at(tx: &mut Tx<'_>, plan: &Plan) -> Result<DateTime<Utc>> {
    Ok(haulouts::read(tx, plan.haul_out_id)?.fields.lifted_on.and_time(NaiveTime::MIN).and_utc())
}

/// When work started.
fn started_at(entries: &[Entry]) -> Option<DateTime<Utc>> {
    standing(entries).find(|e| e.fields.kind.is_work()).map(|e| e.fields.happened_at)
}

/// Whether a coat of the haul-out is the treatment's, on the hull still or taken off again: put on since work started.
/// What is put on after the closing is not; a correction of one of its coats is.
pub(super) fn is_own(coat: &coats::Coat, entries: &[Entry]) -> bool {
    let closed_at = entries.iter().find(|e| e.fields.kind == EntryKind::Closing).map(|e| e.recorded_at);
    started_at(entries).is_some_and(|started_at| coat.fields.applied_on >= started_at.date_naive())
        && (coat.version > 1 || closed_at.is_none_or(|closed_at| coat.recorded_at <= closed_at))
}

/// The coats of the treatment that are on the hull.
fn coats_of(tx: &mut Tx<'_>, plan: &Plan, entries: &[Entry]) -> Result<Vec<CoatOn>> {
    let mut found = coats::of_haul_out(tx, plan.haul_out_id)?;
    found.retain(|coat| coat.fields.removed_on.is_none() && is_own(coat, entries));
    let ids: Vec<_> = found.iter().map(|coat| coat.id).collect();
    let films = coats::film::of_coats(tx, &ids)?;
    let product_ids: Vec<_> = found.iter().filter_map(|coat| coat.fields.product_id).collect();
    let sheets: HashMap<_, _> =
        products::of_ids(tx, &product_ids)?.into_iter().map(|product| (product.id, product.fields)).collect();
    let of = |coat: coats::Coat| CoatOn {
        id: coat.id,
        sheet: coat.fields.product_id.and_then(|id| sheets.get(&id).cloned()),
        film: films
            .iter()
            .rfind(|film| film.coat_id == coat.id)
            .map(|film| FilmOn { accepted: film.accepted, nominal_um: film.fields.nominal_um }),
        recorded_at: coat.recorded_at,
        fields: coat.fields,
    };
    Ok(found.into_iter().map(of).collect())
}

/// How the hull dries, where the plan has that step.
fn drying(
    tx: &mut Tx<'_>,
    plan: &Plan,
    entries: &[Entry],
    lifted_at: Option<DateTime<Utc>>,
    climate: &[ClimateMoment],
) -> Result<Option<HullDrying>> {
    let Some((target, step)) =
        plan.fields.dry_target.as_ref().zip(plan.fields.steps.iter().find(|step| step.step == StepKind::Dry))
    else {
        return Ok(None);
    };
    let found = readings(tx, ReadingsOf::HaulOut(plan.haul_out_id))?;
    let zones = plan.fields.zones_of(step);
    let stripped = zones
        .iter()
        .filter_map(|zone| done(entries, StepKind::Strip, *zone))
        .map(|e| e.fields.happened_at)
        .min();
    let washes: Vec<_> = standing(entries)
        .filter(|e| e.fields.kind == EntryKind::Wash)
        .map(|e| e.fields.happened_at)
        .collect();
    let first = washes.first().copied().into_iter().chain(found.iter().map(|reading| reading.taken_at)).min();
    let now = tx.now();
    let until = ended(entries).unwrap_or(now);
    // A station made after the drying was over was never asked of it.
    let said = ended_entry(entries).map_or(now, |entry| entry.recorded_at);
    let fixed = fixed_stations(tx, plan.vessel_id, said)?;
    let facts = DryingFacts {
        target,
        // Days are counted from the stripping; without it from the first wash or reading.
        started_at: stripped.or(first).unwrap_or(now).min(now),
        zones: &zones,
        fixed: &fixed,
        readings: &found,
        washes: &washes,
        // The day is known, not the hour: its midnight, after which readings of the next day count.
        lifted_at,
        climate,
        now: until,
    };
    facts.hull(cautions(StepKind::Dry.works().iter().copied())).map(Some)
}

/// When drying was said to be done, or the treatment closed.
fn ended(entries: &[Entry]) -> Option<DateTime<Utc>> {
    ended_entry(entries).map(|entry| entry.fields.happened_at)
}

fn ended_entry(entries: &[Entry]) -> Option<&Entry> {
    let ends = |entry: &&Entry| {
        entry.fields.kind == EntryKind::Closing
            || entry.fields.kind == EntryKind::StepDone && entry.fields.step == Some(StepKind::Dry)
    };
    standing(entries).find(ends)
}

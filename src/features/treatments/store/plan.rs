//! Rows of plans, their versions and entries.

use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use serde_json::Value;

use crate::codes;
use crate::db::Tx;
use crate::db::schema::{treatment_entries, treatment_plan_versions, treatment_plans};
use crate::error::{Error, Result};
use crate::features::haulouts::model::HaulOutFields;
use crate::features::haulouts::store as haulouts;
use crate::features::treatments::model::entry::{Entry, EntryFields, EntryKind};
use crate::features::treatments::model::plan::PlanFields;
use crate::ids::{EntryId, HaulOutId, PersonId, TreatmentId, VesselId};

/// A plan as it stands.
#[derive(Debug, Clone)]
pub struct Plan {
    /// The treatment.
    pub id: TreatmentId,
    /// The version of the plan.
    pub version: i32,
    /// The vessel.
    pub vessel_id: VesselId,
    /// The haul-out.
    pub haul_out_id: HaulOutId,
    /// Its fields.
    pub fields: PlanFields,
    /// When this version was recorded.
    pub recorded_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
}

#[derive(Queryable)]
struct PlanRow {
    id: TreatmentId,
    version: i32,
    vessel_id: VesselId,
    haul_out_id: HaulOutId,
    plan: Value,
    recorded_at: DateTime<Utc>,
    recorded_by: Option<PersonId>,
}

impl PlanRow {
    fn plan(self) -> Result<Plan> {
        Ok(Plan {
            id: self.id,
            version: self.version,
            vessel_id: self.vessel_id,
            haul_out_id: self.haul_out_id,
            fields: serde_json::from_value(self.plan).map_err(Error::internal)?,
            recorded_at: self.recorded_at,
            recorded_by: self.recorded_by,
        })
    }
}

/// Makes a plan: its identity and first version.
///
/// # Errors
/// A foreign haul-out; those of the database.
pub fn insert(
    tx: &mut Tx<'_>,
    id: TreatmentId,
    vessel_id: VesselId,
    haul_out_id: HaulOutId,
    fields: &PlanFields,
) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::insert_into(treatment_plans::table)
        .values((
            treatment_plans::org_id.eq(org_id),
            treatment_plans::id.eq(id),
            treatment_plans::vessel_id.eq(vessel_id),
            treatment_plans::haul_out_id.eq(haul_out_id),
            treatment_plans::created_at.eq(now),
        ))
        .execute(tx.conn())?;
    insert_version(tx, id, 1, fields)
}

/// Adds a version to a plan.
///
/// # Errors
/// Stale, when the version is there already; those of the database.
pub fn insert_version(tx: &mut Tx<'_>, id: TreatmentId, version: i32, fields: &PlanFields) -> Result<()> {
    use treatment_plan_versions as v;
    let (org_id, now, person) = (tx.org_id(), tx.now(), tx.person_id());
    diesel::insert_into(v::table)
        .values((
            v::org_id.eq(org_id),
            v::treatment_id.eq(id),
            v::version.eq(version),
            v::starts_on.eq(fields.starts_on),
            v::plan.eq(serde_json::to_value(fields).map_err(Error::internal)?),
            v::recorded_at.eq(now),
            v::recorded_by.eq(person),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// Plans, each in its last version: of one treatment, of a haul-out, of some vessels, or all that start between two days.
#[derive(Debug, Clone, Copy)]
pub enum PlansOf<'a> {
    /// One treatment.
    Treatment(TreatmentId),
    /// A haul-out.
    HaulOut(HaulOutId),
    /// Some vessels.
    Vessels(&'a [VesselId]),
    /// Those that start from the first day until before the second.
    Days(NaiveDate, NaiveDate),
    /// Those accepted and not closed, of all vessels.
    UnderWay,
}

/// The plans asked for, oldest first.
///
/// # Errors
/// Those of the database.
pub fn plans(tx: &mut Tx<'_>, of: PlansOf<'_>) -> Result<Vec<Plan>> {
    use {treatment_plan_versions as v, treatment_plans as p};
    let later = diesel::alias!(treatment_plan_versions as later);
    let superseded = later
        .filter(later.field(v::org_id).eq(v::org_id).and(later.field(v::treatment_id).eq(v::treatment_id)))
        .filter(later.field(v::version).gt(v::version));
    let mut query = p::table
        .inner_join(v::table.on(p::org_id.eq(v::org_id).and(p::id.eq(v::treatment_id))))
        .filter(p::org_id.eq(tx.org_id()))
        .filter(diesel::dsl::not(diesel::dsl::exists(superseded)))
        .into_boxed();
    query = match of {
        PlansOf::Treatment(id) => query.filter(p::id.eq(id)),
        PlansOf::HaulOut(id) => query.filter(p::haul_out_id.eq(id)),
        PlansOf::Vessels(ids) => query.filter(p::vessel_id.eq_any(ids)),
        PlansOf::UnderWay => {
            let said = |kind: &'static str| {
                treatment_entries::table
                    .filter(
                        treatment_entries::org_id
                            .eq(p::org_id)
                            .and(treatment_entries::treatment_id.eq(p::id)),
                    )
                    .filter(treatment_entries::kind.eq(kind))
            };
            query
                .filter(diesel::dsl::exists(said("acceptance")))
                .filter(diesel::dsl::not(diesel::dsl::exists(said("closing"))))
        }
        PlansOf::Days(from, before) => query.filter(v::starts_on.ge(from).and(v::starts_on.lt(before))),
    };
    let rows: Vec<PlanRow> = query
        .order((p::created_at, p::id))
        .select((p::id, v::version, p::vessel_id, p::haul_out_id, v::plan, v::recorded_at, v::recorded_by))
        .load(tx.conn())?;
    rows.into_iter().map(PlanRow::plan).collect()
}

/// Those of some treatments that have a plan, each with its vessel.
///
/// # Errors
/// Those of the database.
pub fn planned(tx: &mut Tx<'_>, ids: &[TreatmentId]) -> Result<Vec<(TreatmentId, VesselId)>> {
    use treatment_plans as p;
    if ids.is_empty() {
        return Ok(Vec::new());
    }
    Ok(p::table
        .filter(p::org_id.eq(tx.org_id()).and(p::id.eq_any(ids)))
        .order(p::id)
        .select((p::id, p::vessel_id))
        .load(tx.conn())?)
}

/// One plan.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: TreatmentId) -> Result<Plan> {
    plans(tx, PlansOf::Treatment(id))?.pop().ok_or_else(|| Error::not_found("planned treatment"))
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = treatment_entries)]
struct EntryRow {
    id: EntryId,
    treatment_id: TreatmentId,
    vessel_id: VesselId,
    kind: String,
    zone: Option<String>,
    step: Option<String>,
    hold: Option<String>,
    of_entry_id: Option<EntryId>,
    plan_version: Option<i32>,
    happened_at: DateTime<Utc>,
    person_name: Option<String>,
    qualification: Option<String>,
    note: Option<String>,
    recorded_at: DateTime<Utc>,
    recorded_by: Option<PersonId>,
}

impl EntryRow {
    fn entry(self) -> Result<Entry> {
        Ok(Entry {
            id: self.id,
            treatment_id: self.treatment_id,
            vessel_id: self.vessel_id,
            plan_version: self.plan_version,
            withdrawn: false,
            recorded_at: self.recorded_at,
            recorded_by: self.recorded_by,
            fields: EntryFields {
                kind: codes::from_text(&self.kind)?,
                zone: self.zone.as_deref().map(codes::from_text).transpose()?,
                step: self.step.as_deref().map(codes::from_text).transpose()?,
                hold: self.hold,
                of_entry_id: self.of_entry_id,
                happened_at: self.happened_at,
                person_name: self.person_name,
                qualification: self.qualification,
                note: self.note,
            },
        })
    }
}

/// Adds an entry.
///
/// # Errors
/// An entry that is not the treatment's or was withdrawn already; those of the database.
pub fn insert_entry(
    tx: &mut Tx<'_>,
    id: EntryId,
    plan: &Plan,
    plan_version: Option<i32>,
    fields: &EntryFields,
) -> Result<()> {
    use treatment_entries as e;
    let (org_id, now, person) = (tx.org_id(), tx.now(), tx.person_id());
    diesel::insert_into(e::table)
        .values((
            e::org_id.eq(org_id),
            e::id.eq(id),
            e::treatment_id.eq(plan.id),
            e::vessel_id.eq(plan.vessel_id),
            e::kind.eq(codes::to_text(&fields.kind)?),
            e::zone.eq(fields.zone.as_ref().map(codes::to_text).transpose()?),
            e::step.eq(fields.step.as_ref().map(codes::to_text).transpose()?),
            e::hold.eq(&fields.hold),
            e::of_entry_id.eq(fields.of_entry_id),
            e::plan_version.eq(plan_version),
            e::happened_at.eq(fields.happened_at),
            e::person_name.eq(&fields.person_name),
            e::qualification.eq(&fields.qualification),
            e::note.eq(&fields.note),
            e::recorded_at.eq(now),
            e::recorded_by.eq(person),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// The entries of a treatment by the time they happened, those withdrawn too.
///
/// # Errors
/// Those of the database.
pub fn entries(tx: &mut Tx<'_>, id: TreatmentId) -> Result<Vec<Entry>> {
    entries_of(tx, &[id])
}

/// The entries of some treatments, in one order by the time they happened, those withdrawn too.
///
/// # Errors
/// Those of the database.
pub fn entries_of(tx: &mut Tx<'_>, ids: &[TreatmentId]) -> Result<Vec<Entry>> {
    use treatment_entries as e;
    let rows: Vec<EntryRow> = e::table
        .filter(e::org_id.eq(tx.org_id()).and(e::treatment_id.eq_any(ids)))
        .order((e::happened_at, e::recorded_at, e::id))
        .select(EntryRow::as_select())
        .load(tx.conn())?;
    let mut entries = rows.into_iter().map(EntryRow::entry).collect::<Result<Vec<_>>>()?;
    let withdrawn: Vec<EntryId> = entries
        .iter()
        .filter(|entry| entry.fields.kind == EntryKind::Withdrawal)
        .filter_map(|entry| entry.fields.of_entry_id)
        .collect();
    for entry in &mut entries {
        entry.withdrawn = withdrawn.contains(&entry.id);
    }
    Ok(entries)
}

/// The treatment of a haul-out that runs, if there is one: work was entered, and no closing.
///
/// # Errors
/// Those of the database.
pub fn running(tx: &mut Tx<'_>, haul_out_id: HaulOutId) -> Result<Option<TreatmentId>> {
    use {treatment_entries as e, treatment_plans as p};
    let of_plan = e::org_id.eq(p::org_id).and(e::treatment_id.eq(p::id));
    let work = e::kind.eq_any(["wash", "blush_wash", "abrasion", "step_done"]);
    Ok(p::table
        .filter(p::org_id.eq(tx.org_id()).and(p::haul_out_id.eq(haul_out_id)))
        .filter(diesel::dsl::exists(e::table.filter(of_plan).filter(work).select(e::id)))
        .filter(diesel::dsl::not(diesel::dsl::exists(
            e::table.filter(of_plan).filter(e::kind.eq("closing")).select(e::id),
        )))
        .select(p::id)
        .first(tx.conn())
        .optional()?)
}

/// The treatment of a vessel that runs in the haul-out of a day, if there is one.
///
/// # Errors
/// Those of the database.
pub fn running_on(tx: &mut Tx<'_>, vessel_id: VesselId, day: NaiveDate) -> Result<Option<TreatmentId>> {
    for haul_out in haulouts::of_vessel(tx, vessel_id)? {
        let HaulOutFields { lifted_on, relaunched_on, .. } = haul_out.fields;
        let ashore = day >= lifted_on && relaunched_on.is_none_or(|relaunched_on| day <= relaunched_on);
        if ashore && let Some(id) = running(tx, haul_out.id)? {
            return Ok(Some(id));
        }
    }
    Ok(None)
}

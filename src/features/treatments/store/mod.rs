//! Rows of treatments: an identity and its versions.

pub mod drying;
pub mod plan;
pub mod record;

use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;

use crate::codes;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::{treatment_versions, treatments};
use crate::db::views::current_treatments;
use crate::error::{Error, Result};
use crate::features::treatments::model::{TreatmentFields, TreatmentKind};
use crate::ids::{HaulOutId, PersonId, TreatmentId, VesselId};

/// A version of a treatment as stored.
#[derive(Debug, Clone)]
pub struct Treatment {
    /// Its id.
    pub id: TreatmentId,
    /// The version.
    pub version: i32,
    /// Its fields.
    pub fields: TreatmentFields,
    /// When this version was recorded.
    pub recorded_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
}

/// Which treatments.
#[derive(Debug, Clone, Copy, Default)]
pub struct TreatmentFilter {
    /// Of this vessel.
    pub vessel_id: Option<VesselId>,
    /// Of this kind.
    pub kind: Option<TreatmentKind>,
    /// Changed at or after.
    pub updated_since: Option<DateTime<Utc>>,
    /// Those withdrawn too.
    pub withdrawn: bool,
}

#[derive(Queryable)]
struct TreatmentRow {
    id: TreatmentId,
    version: i32,
    ref_: Option<String>,
    vessel_id: VesselId,
    haul_out_id: Option<HaulOutId>,
    kind: String,
    started_on: NaiveDate,
    completed_on: NaiveDate,
    laminate_removed_mm: Option<f64>,
    note: Option<String>,
    withdrawn: bool,
    correction_reason: Option<String>,
    recorded_at: DateTime<Utc>,
    recorded_by: Option<PersonId>,
}

/// The columns of a row, the identity's from one table or view and the version's from another or the same.
macro_rules! columns {
    ($identity:ident, $version:ident) => {
        (
            $version::treatment_id,
            $version::version,
            $identity::ref_,
            $identity::vessel_id,
            $identity::haul_out_id,
            $version::kind,
            $version::started_on,
            $version::completed_on,
            $version::laminate_removed_mm,
            $version::note,
            $version::withdrawn,
            $version::correction_reason,
            $version::recorded_at,
            $version::recorded_by,
        )
    };
}

impl TreatmentRow {
    fn treatment(self) -> Result<Treatment> {
        let fields = TreatmentFields {
            r#ref: self.ref_,
            vessel_id: self.vessel_id,
            haul_out_id: self.haul_out_id,
            kind: codes::from_text(&self.kind)?,
            started_on: self.started_on,
            completed_on: self.completed_on,
            laminate_removed_mm: self.laminate_removed_mm,
            note: self.note,
            withdrawn: self.withdrawn,
            correction_reason: self.correction_reason,
        };
        Ok(Treatment {
            id: self.id,
            version: self.version,
            fields,
            recorded_at: self.recorded_at,
            recorded_by: self.recorded_by,
        })
    }
}

/// Makes a treatment: its identity and first version.
///
/// # Errors
/// A foreign vessel or haul-out, a reference that is taken; those of the database.
pub fn insert(tx: &mut Tx<'_>, id: TreatmentId, fields: &TreatmentFields) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::insert_into(treatments::table)
        .values((
            treatments::org_id.eq(org_id),
            treatments::id.eq(id),
            treatments::ref_.eq(&fields.r#ref),
            treatments::vessel_id.eq(fields.vessel_id),
            treatments::haul_out_id.eq(fields.haul_out_id),
            treatments::created_at.eq(now),
        ))
        .execute(tx.conn())?;
    insert_version(tx, id, 1, fields)
}

/// Adds a version to a treatment.
///
/// # Errors
/// Stale, when the version is there already; those of the database.
pub fn insert_version(
    tx: &mut Tx<'_>,
    id: TreatmentId,
    version: i32,
    fields: &TreatmentFields,
) -> Result<()> {
    use treatment_versions as v;
    let (org_id, now, person) = (tx.org_id(), tx.now(), tx.person_id());
    diesel::insert_into(v::table)
        .values((
            v::org_id.eq(org_id),
            v::treatment_id.eq(id),
            v::version.eq(version),
            v::kind.eq(codes::to_text(&fields.kind)?),
            v::started_on.eq(fields.started_on),
            v::completed_on.eq(fields.completed_on),
            v::laminate_removed_mm.eq(fields.laminate_removed_mm),
            v::note.eq(&fields.note),
            v::withdrawn.eq(fields.withdrawn),
            v::correction_reason.eq(&fields.correction_reason),
            v::recorded_at.eq(now),
            v::recorded_by.eq(person),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// One treatment, its current version.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: TreatmentId) -> Result<Treatment> {
    let row: Option<TreatmentRow> = current_treatments::table
        .find((tx.org_id(), id))
        .select(columns!(current_treatments, current_treatments))
        .first(tx.conn())
        .optional()?;
    row.ok_or_else(|| Error::not_found("treatment"))?.treatment()
}

/// Treatments by last change.
///
/// # Errors
/// Those of the database.
pub fn list(tx: &mut Tx<'_>, filter: TreatmentFilter, page: PageRequest) -> Result<Slice<Treatment>> {
    use current_treatments as c;
    let mut query = c::table.filter(c::org_id.eq(tx.org_id())).into_boxed();
    if let Some(vessel_id) = filter.vessel_id {
        query = query.filter(c::vessel_id.eq(vessel_id));
    }
    if let Some(kind) = filter.kind {
        query = query.filter(c::kind.eq(codes::to_text(&kind)?));
    }
    if let Some(since) = filter.updated_since {
        query = query.filter(c::recorded_at.ge(since));
    }
    if !filter.withdrawn {
        query = query.filter(c::withdrawn.eq(false));
    }
    if let Some((time, id)) = page.after_time() {
        let id = TreatmentId::from(id);
        query = query.filter(c::recorded_at.gt(time).or(c::recorded_at.eq(time).and(c::treatment_id.gt(id))));
    }
    let rows: Vec<TreatmentRow> = query
        .order((c::recorded_at, c::treatment_id))
        .limit(page.fetch())
        .select(columns!(c, c))
        .load(tx.conn())?;
    let found = rows.into_iter().map(TreatmentRow::treatment).collect::<Result<Vec<_>>>()?;
    Ok(page.slice(found, |treatment| Position::at(treatment.recorded_at, treatment.id)))
}

/// The versions of a treatment, oldest first.
///
/// # Errors
/// Not found.
pub fn versions(tx: &mut Tx<'_>, id: TreatmentId, page: PageRequest) -> Result<Slice<Treatment>> {
    read(tx, id)?;
    let after = page.after.and_then(|after| i32::try_from(after.key).ok()).unwrap_or(0);
    let of_treatment = treatments::org_id
        .eq(treatment_versions::org_id)
        .and(treatments::id.eq(treatment_versions::treatment_id));
    let rows: Vec<TreatmentRow> = treatment_versions::table
        .inner_join(treatments::table.on(of_treatment))
        .filter(treatment_versions::org_id.eq(tx.org_id()).and(treatment_versions::treatment_id.eq(id)))
        .filter(treatment_versions::version.gt(after))
        .order(treatment_versions::version)
        .limit(page.fetch())
        .select(columns!(treatments, treatment_versions))
        .load(tx.conn())?;
    let found = rows.into_iter().map(TreatmentRow::treatment).collect::<Result<Vec<_>>>()?;
    Ok(page.slice(found, |treatment| Position { key: i64::from(treatment.version), id: treatment.id.into() }))
}

/// The versions of a treatment after one, oldest first.
///
/// # Errors
/// Those of the database.
pub fn versions_after(tx: &mut Tx<'_>, id: TreatmentId, version: i32) -> Result<Vec<Treatment>> {
    let of_treatment = treatments::org_id
        .eq(treatment_versions::org_id)
        .and(treatments::id.eq(treatment_versions::treatment_id));
    let rows: Vec<TreatmentRow> = treatment_versions::table
        .inner_join(treatments::table.on(of_treatment))
        .filter(treatment_versions::org_id.eq(tx.org_id()).and(treatment_versions::treatment_id.eq(id)))
        .filter(treatment_versions::version.gt(version))
        .order(treatment_versions::version)
        .select(columns!(treatments, treatment_versions))
        .load(tx.conn())?;
    rows.into_iter().map(TreatmentRow::treatment).collect()
}

/// All versions of the treatments of several vessels, a treatment's oldest first, those withdrawn too.
///
/// # Errors
/// Those of the database.
pub fn versions_of_vessels(tx: &mut Tx<'_>, vessel_ids: &[VesselId]) -> Result<Vec<Treatment>> {
    let of_treatment = treatments::org_id
        .eq(treatment_versions::org_id)
        .and(treatments::id.eq(treatment_versions::treatment_id));
    let rows: Vec<TreatmentRow> = treatment_versions::table
        .inner_join(treatments::table.on(of_treatment))
        .filter(treatment_versions::org_id.eq(tx.org_id()).and(treatments::vessel_id.eq_any(vessel_ids)))
        .order((treatments::vessel_id, treatment_versions::treatment_id, treatment_versions::version))
        .select(columns!(treatments, treatment_versions))
        .load(tx.conn())?;
    rows.into_iter().map(TreatmentRow::treatment).collect()
}

/// The treatments of several vessels, by vessel and day begun, without those withdrawn.
///
/// # Errors
/// Those of the database.
pub fn of_vessels(tx: &mut Tx<'_>, vessel_ids: &[VesselId]) -> Result<Vec<Treatment>> {
    use current_treatments as c;
    let rows: Vec<TreatmentRow> = c::table
        .filter(c::org_id.eq(tx.org_id()).and(c::vessel_id.eq_any(vessel_ids)).and(c::withdrawn.eq(false)))
        .order((c::vessel_id, c::started_on, c::treatment_id))
        .select(columns!(c, c))
        .load(tx.conn())?;
    rows.into_iter().map(TreatmentRow::treatment).collect()
}

//! Rows of findings: an identity and its versions.

use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;

use crate::codes;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::{finding_versions, findings};
use crate::db::views::current_findings;
use crate::error::{Error, Result};
use crate::features::surveys::model::finding::{FindingFields, FindingKind, FindingState};
use crate::ids::{FindingId, OrgId, PersonId, SurveyId, VesselId};

/// A version of a finding as stored.
#[derive(Debug, Clone)]
pub struct Finding {
    /// Its id.
    pub id: FindingId,
    /// The version.
    pub version: i32,
    /// The vessel.
    pub vessel_id: VesselId,
    /// Its fields.
    pub fields: FindingFields,
    /// When this version was recorded.
    pub recorded_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
    /// The organisation that recorded it first: only it corrects it.
    pub author_org_id: OrgId,
}

/// Which findings.
#[derive(Debug, Clone, Copy, Default)]
pub struct FindingFilter {
    /// Of this vessel.
    pub vessel_id: Option<VesselId>,
    /// In this state.
    pub state: Option<FindingState>,
    /// Of this kind.
    pub kind: Option<FindingKind>,
    /// Changed at or after.
    pub updated_since: Option<DateTime<Utc>>,
    /// Those withdrawn too.
    pub withdrawn: bool,
}

#[derive(Queryable)]
struct FindingRow {
    id: FindingId,
    version: i32,
    ref_: Option<String>,
    vessel_id: VesselId,
    survey_id: Option<SurveyId>,
    kind: String,
    state: String,
    found_on: NaiveDate,
    happened_on: Option<NaiveDate>,
    follow_up_on: Option<NaiveDate>,
    repaired_on: Option<NaiveDate>,
    zone: String,
    hull: Option<String>,
    side: Option<String>,
    x_m: Option<f64>,
    girth_m: Option<f64>,
    layer: Option<String>,
    largest_mm: Option<f64>,
    count: Option<i32>,
    area_m2: Option<f64>,
    fluid_ph: Option<f64>,
    note: Option<String>,
    withdrawn: bool,
    correction_reason: Option<String>,
    recorded_at: DateTime<Utc>,
    recorded_by: Option<PersonId>,
    author_org_id: OrgId,
}

/// The columns of a row, the identity's from one table or view and the version's from another or the same.
macro_rules! columns {
    ($identity:ident, $version:ident) => {
        (
            $version::finding_id,
            $version::version,
            $identity::ref_,
            $identity::vessel_id,
            $identity::survey_id,
            $version::kind,
            $version::state,
            $version::found_on,
            $version::happened_on,
            $version::follow_up_on,
            $version::repaired_on,
            $version::zone,
            $version::hull,
            $version::side,
            $version::x_m,
            $version::girth_m,
            $version::layer,
            $version::largest_mm,
            $version::count,
            $version::area_m2,
            $version::fluid_ph,
            $version::note,
            $version::withdrawn,
            $version::correction_reason,
            $version::recorded_at,
            $version::recorded_by,
            diesel::dsl::sql::<diesel::sql_types::Uuid>(concat!(
                "(SELECT i.author_org_id FROM findings i WHERE i.org_id = ",
                stringify!($version),
                ".org_id AND i.id = ",
                stringify!($version),
                ".finding_id)"
            )),
        )
    };
}

impl FindingRow {
    fn finding(self) -> Result<Finding> {
        let fields = FindingFields {
            r#ref: self.ref_,
            vessel_id: self.vessel_id,
            survey_id: self.survey_id,
            kind: codes::from_text(&self.kind)?,
            state: codes::from_text(&self.state)?,
            found_on: self.found_on,
            happened_on: self.happened_on,
            follow_up_on: self.follow_up_on,
            repaired_on: self.repaired_on,
            zone: codes::from_text(&self.zone)?,
            hull: self.hull.as_deref().map(codes::from_text).transpose()?,
            side: self.side.as_deref().map(codes::from_text).transpose()?,
            x_m: self.x_m,
            girth_m: self.girth_m,
            layer: self.layer.as_deref().map(codes::from_text).transpose()?,
            largest_mm: self.largest_mm,
            count: self.count,
            area_m2: self.area_m2,
            fluid_ph: self.fluid_ph,
            note: self.note,
            withdrawn: self.withdrawn,
            correction_reason: self.correction_reason,
        };
        Ok(Finding {
            id: self.id,
            version: self.version,
            vessel_id: self.vessel_id,
            fields,
            recorded_at: self.recorded_at,
            recorded_by: self.recorded_by,
            author_org_id: self.author_org_id,
        })
    }
}

/// Makes a finding: its identity and first version.
///
/// # Errors
/// A foreign vessel or survey, a reference that is taken; those of the database.
pub fn insert(tx: &mut Tx<'_>, id: FindingId, fields: &FindingFields) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::insert_into(findings::table)
        .values((
            findings::org_id.eq(org_id),
            findings::id.eq(id),
            findings::ref_.eq(&fields.r#ref),
            findings::vessel_id.eq(fields.vessel_id),
            findings::survey_id.eq(fields.survey_id),
            findings::created_at.eq(now),
        ))
        .execute(tx.conn())?;
    insert_version(tx, id, 1, fields)
}

/// Adds a version to a finding.
///
/// # Errors
/// Stale, when the version is there already; those of the database.
pub fn insert_version(tx: &mut Tx<'_>, id: FindingId, version: i32, fields: &FindingFields) -> Result<()> {
    use finding_versions as v;
    let (org_id, now, person) = (tx.org_id(), tx.now(), tx.person_id());
    diesel::insert_into(v::table)
        .values((
            v::org_id.eq(org_id),
            v::finding_id.eq(id),
            v::version.eq(version),
            v::kind.eq(codes::to_text(&fields.kind)?),
            v::state.eq(codes::to_text(&fields.state)?),
            v::found_on.eq(fields.found_on),
            v::happened_on.eq(fields.happened_on),
            v::follow_up_on.eq(fields.follow_up_on),
            v::repaired_on.eq(fields.repaired_on),
            v::zone.eq(codes::to_text(&fields.zone)?),
            v::hull.eq(fields.hull.as_ref().map(codes::to_text).transpose()?),
            v::side.eq(fields.side.as_ref().map(codes::to_text).transpose()?),
            v::x_m.eq(fields.x_m),
            v::girth_m.eq(fields.girth_m),
            v::layer.eq(fields.layer.as_ref().map(codes::to_text).transpose()?),
            v::largest_mm.eq(fields.largest_mm),
            v::count.eq(fields.count),
            v::area_m2.eq(fields.area_m2),
            v::fluid_ph.eq(fields.fluid_ph),
            v::note.eq(&fields.note),
            v::withdrawn.eq(fields.withdrawn),
            v::correction_reason.eq(&fields.correction_reason),
            v::recorded_at.eq(now),
            v::recorded_by.eq(person),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// One finding, its current version.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: FindingId) -> Result<Finding> {
    let row: Option<FindingRow> = current_findings::table
        .find((tx.org_id(), id))
        .select(columns!(current_findings, current_findings))
        .first(tx.conn())
        .optional()?;
    row.ok_or_else(|| Error::not_found("finding"))?.finding()
}

/// Findings by last change.
///
/// # Errors
/// Those of the database.
pub fn list(tx: &mut Tx<'_>, filter: FindingFilter, page: PageRequest) -> Result<Slice<Finding>> {
    use current_findings as f;
    let mut query = f::table.filter(f::org_id.eq(tx.org_id())).into_boxed();
    if let Some(vessel_id) = filter.vessel_id {
        query = query.filter(f::vessel_id.eq(vessel_id));
    }
    if let Some(state) = filter.state {
        query = query.filter(f::state.eq(codes::to_text(&state)?));
    }
    if let Some(kind) = filter.kind {
        query = query.filter(f::kind.eq(codes::to_text(&kind)?));
    }
    if let Some(since) = filter.updated_since {
        query = query.filter(f::recorded_at.ge(since));
    }
    if !filter.withdrawn {
        query = query.filter(f::withdrawn.eq(false));
    }
    if let Some((time, id)) = page.after_time() {
        let id = FindingId::from(id);
        query = query.filter(f::recorded_at.gt(time).or(f::recorded_at.eq(time).and(f::finding_id.gt(id))));
    }
    let rows: Vec<FindingRow> = query
        .order((f::recorded_at, f::finding_id))
        .limit(page.fetch())
        .select(columns!(current_findings, current_findings))
        .load(tx.conn())?;
    let found = rows.into_iter().map(FindingRow::finding).collect::<Result<Vec<_>>>()?;
    Ok(page.slice(found, |finding| Position::at(finding.recorded_at, finding.id)))
}

/// The versions of a finding, oldest first.
///
/// # Errors
/// Not found.
pub fn versions(tx: &mut Tx<'_>, id: FindingId, page: PageRequest) -> Result<Slice<Finding>> {
    read(tx, id)?;
    let after = page.after.and_then(|after| i32::try_from(after.key).ok()).unwrap_or(0);
    let of_finding =
        findings::org_id.eq(finding_versions::org_id).and(findings::id.eq(finding_versions::finding_id));
    let rows: Vec<FindingRow> = finding_versions::table
        .inner_join(findings::table.on(of_finding))
        .filter(finding_versions::org_id.eq(tx.org_id()).and(finding_versions::finding_id.eq(id)))
        .filter(finding_versions::version.gt(after))
        .order(finding_versions::version)
        .limit(page.fetch())
        .select(columns!(findings, finding_versions))
        .load(tx.conn())?;
    let found = rows.into_iter().map(FindingRow::finding).collect::<Result<Vec<_>>>()?;
    Ok(page.slice(found, |finding| Position { key: i64::from(finding.version), id: finding.id.into() }))
}

/// The findings of a survey, without those withdrawn.
///
/// # Errors
/// Those of the database.
pub fn of_survey(tx: &mut Tx<'_>, survey_id: SurveyId) -> Result<Vec<Finding>> {
    use current_findings as f;
    let rows: Vec<FindingRow> = f::table
        .filter(f::org_id.eq(tx.org_id()).and(f::survey_id.eq(survey_id)).and(f::withdrawn.eq(false)))
        .order((f::found_on, f::finding_id))
        .select(columns!(current_findings, current_findings))
        .load(tx.conn())?;
    rows.into_iter().map(FindingRow::finding).collect()
}

/// All versions of the findings of several vessels, a finding's oldest first, those withdrawn too.
///
/// # Errors
/// Those of the database.
pub fn versions_of_vessels(tx: &mut Tx<'_>, vessel_ids: &[VesselId]) -> Result<Vec<Finding>> {
    let of_finding =
        findings::org_id.eq(finding_versions::org_id).and(findings::id.eq(finding_versions::finding_id));
    let rows: Vec<FindingRow> = finding_versions::table
        .inner_join(findings::table.on(of_finding))
        .filter(finding_versions::org_id.eq(tx.org_id()).and(findings::vessel_id.eq_any(vessel_ids)))
        .order((findings::vessel_id, finding_versions::finding_id, finding_versions::version))
        .select(columns!(findings, finding_versions))
        .load(tx.conn())?;
    rows.into_iter().map(FindingRow::finding).collect()
}

/// The findings of several vessels, by vessel and day found, without those withdrawn.
///
/// # Errors
/// Those of the database.
pub fn of_vessels(tx: &mut Tx<'_>, vessel_ids: &[VesselId]) -> Result<Vec<Finding>> {
    use current_findings as f;
    let rows: Vec<FindingRow> = f::table
        .filter(f::org_id.eq(tx.org_id()).and(f::vessel_id.eq_any(vessel_ids)).and(f::withdrawn.eq(false)))
        .order((f::vessel_id, f::found_on, f::finding_id))
        .select(columns!(current_findings, current_findings))
        .load(tx.conn())?;
    rows.into_iter().map(FindingRow::finding).collect()
}

//! Rows of surveys: an identity and its versions.

use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, Utc};
use diesel::expression::SqlLiteral;
use diesel::prelude::*;
use diesel::sql_types::Bool;

use crate::codes;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::{survey_versions, surveys};
use crate::db::views::{current_surveys, signed_surveys};
use crate::error::{Error, Result};
use crate::features::surveys::model::survey::{SurveyFields, SurveyState};
use crate::ids::{HaulOutId, OrgId, PersonId, SurveyId, VesselId};

/// A version of a survey as stored.
#[derive(Debug, Clone)]
pub struct Survey {
    /// Its id.
    pub id: SurveyId,
    /// The version.
    pub version: i32,
    /// Its fields.
    pub fields: SurveyFields,
    /// Why it was opened again or withdrawn, if it was.
    pub correction_reason: Option<String>,
    /// Whether this version withdraws it.
    pub withdrawn: bool,
    /// When this version was signed.
    pub signed_at: Option<DateTime<Utc>>,
    /// By whom.
    pub signed_by: Option<PersonId>,
    /// The version that counts as evidence, if one was signed.
    pub signed_version: Option<i32>,
    /// When this version was recorded.
    pub recorded_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
    /// The organisation that recorded it first: only it corrects it.
    pub author_org_id: OrgId,
}

impl Survey {
    /// How this version stands.
    #[must_use]
    pub fn state(&self) -> SurveyState {
        if self.withdrawn {
            SurveyState::Withdrawn
        } else if self.signed_at.is_some() {
            SurveyState::Signed
        } else {
            SurveyState::Draft
        }
    }
}

/// How a version of a survey stands: a new draft, unless it says more.
#[derive(Debug, Clone, Copy, Default)]
pub struct Standing<'a> {
    /// Why it was opened again or withdrawn.
    pub correction_reason: Option<&'a str>,
    /// Who signs it.
    pub signed_by: Option<PersonId>,
    /// Whether it withdraws the survey.
    pub withdrawn: bool,
}

/// Which surveys.
#[derive(Debug, Clone, Copy, Default)]
pub struct SurveyFilter {
    /// Of this vessel.
    pub vessel_id: Option<VesselId>,
    /// Changed at or after.
    pub updated_since: Option<DateTime<Utc>>,
    /// Those withdrawn too.
    pub withdrawn: bool,
}

/// What counts as evidence of a survey: its latest signed version.
#[derive(Debug, Clone)]
pub struct SignedSurvey {
    /// The survey.
    pub id: SurveyId,
    /// The version.
    pub version: i32,
    /// The vessel.
    pub vessel_id: VesselId,
    /// Its fields.
    pub fields: SurveyFields,
    /// Whether this version withdraws it; only among all its versions.
    pub withdrawn: bool,
    /// When this version was recorded.
    pub recorded_at: DateTime<Utc>,
}

#[derive(Queryable)]
struct SurveyRow {
    id: SurveyId,
    version: i32,
    ref_: Option<String>,
    vessel_id: VesselId,
    haul_out_id: Option<HaulOutId>,
    surveyed_on: NaiveDate,
    surveyor: Option<String>,
    air_temperature_c: Option<f64>,
    relative_humidity_pct: Option<f64>,
    hull_surface_temperature_c: Option<f64>,
    hours_since_lift: Option<f64>,
    hours_since_wash: Option<f64>,
    meter: Option<String>,
    meter_serial: Option<String>,
    meter_scale: Option<String>,
    check_block_reading: Option<f64>,
    depth_mode: Option<String>,
    dry_reference_reading: Option<f64>,
    bottom_examined: Option<String>,
    blistering: Option<String>,
    blister_density_per_m2: Option<f64>,
    largest_blister_mm: Option<f64>,
    coating_failure: bool,
    sounding: Option<String>,
    hardness_barcol: Option<f64>,
    note: Option<String>,
    correction_reason: Option<String>,
    signed_at: Option<DateTime<Utc>>,
    signed_by: Option<PersonId>,
    recorded_at: DateTime<Utc>,
    recorded_by: Option<PersonId>,
    /// Its author, and whether it is withdrawn: together, since a row has no more than 32 columns.
    whose: (OrgId, bool),
}

/// The columns of a row, the identity's from one table or view and the version's from another or the same, and what tells
/// that it is withdrawn.
macro_rules! columns {
    ($identity:ident, $version:ident, $withdrawn:expr) => {
        (
            $version::survey_id,
            $version::version,
            $identity::ref_,
            $identity::vessel_id,
            $identity::haul_out_id,
            $version::surveyed_on,
            $version::surveyor,
            $version::air_temperature_c,
            $version::relative_humidity_pct,
            $version::hull_surface_temperature_c,
            $version::hours_since_lift,
            $version::hours_since_wash,
            $version::meter,
            $version::meter_serial,
            $version::meter_scale,
            $version::check_block_reading,
            $version::depth_mode,
            $version::dry_reference_reading,
            $version::bottom_examined,
            $version::blistering,
            $version::blister_density_per_m2,
            $version::largest_blister_mm,
            $version::coating_failure,
            $version::sounding,
            $version::hardness_barcol,
            $version::note,
            $version::correction_reason,
            $version::signed_at,
            $version::signed_by,
            $version::recorded_at,
            $version::recorded_by,
            (
                diesel::dsl::sql::<diesel::sql_types::Uuid>(concat!(
                    "(SELECT i.author_org_id FROM surveys i WHERE i.org_id = ",
                    stringify!($version),
                    ".org_id AND i.id = ",
                    stringify!($version),
                    ".survey_id)"
                )),
                $withdrawn,
            ),
        )
    };
}

/// Whether a row of `current_surveys` withdraws its survey.
fn withdrawn_now() -> SqlLiteral<Bool> {
    diesel::dsl::sql(
        "EXISTS (SELECT FROM withdrawn_surveys w
            WHERE w.org_id = current_surveys.org_id AND w.survey_id = current_surveys.survey_id)",
    )
}

impl SurveyRow {
    fn survey(self) -> Result<Survey> {
        let fields = SurveyFields {
            r#ref: self.ref_,
            vessel_id: self.vessel_id,
            haul_out_id: self.haul_out_id,
            surveyed_on: self.surveyed_on,
            surveyor: self.surveyor,
            air_temperature_c: self.air_temperature_c,
            relative_humidity_pct: self.relative_humidity_pct,
            hull_surface_temperature_c: self.hull_surface_temperature_c,
            hours_since_lift: self.hours_since_lift,
            hours_since_wash: self.hours_since_wash,
            meter: self.meter,
            meter_serial: self.meter_serial,
            meter_scale: self.meter_scale,
            check_block_reading: self.check_block_reading,
            depth_mode: self.depth_mode.as_deref().map(codes::from_text).transpose()?,
            dry_reference_reading: self.dry_reference_reading,
            bottom_examined: self.bottom_examined.as_deref().map(codes::from_text).transpose()?,
            blistering: self.blistering.as_deref().map(codes::from_text).transpose()?,
            blister_density_per_m2: self.blister_density_per_m2,
            largest_blister_mm: self.largest_blister_mm,
            coating_failure: self.coating_failure,
            sounding: self.sounding.as_deref().map(codes::from_text).transpose()?,
            hardness_barcol: self.hardness_barcol,
            note: self.note,
        };
        Ok(Survey {
            id: self.id,
            version: self.version,
            fields,
            correction_reason: self.correction_reason,
            withdrawn: self.whose.1,
            signed_version: self.signed_at.map(|_| self.version),
            signed_at: self.signed_at,
            signed_by: self.signed_by,
            recorded_at: self.recorded_at,
            recorded_by: self.recorded_by,
            author_org_id: self.whose.0,
        })
    }

    fn signed(self) -> Result<SignedSurvey> {
        let survey = self.survey()?;
        Ok(SignedSurvey {
            id: survey.id,
            version: survey.version,
            vessel_id: survey.fields.vessel_id,
            fields: survey.fields,
            withdrawn: survey.withdrawn,
            recorded_at: survey.recorded_at,
        })
    }
}

/// Current rows as surveys, with the signed versions that drafts of corrections stand before.
fn completed(tx: &mut Tx<'_>, rows: Vec<SurveyRow>) -> Result<Vec<Survey>> {
    let mut found = rows.into_iter().map(SurveyRow::survey).collect::<Result<Vec<_>>>()?;
    let corrections: Vec<SurveyId> =
        found.iter().filter(|s| s.signed_at.is_none() && s.version > 1).map(|s| s.id).collect();
    if corrections.is_empty() {
        return Ok(found);
    }
    let signed: HashMap<SurveyId, i32> = signed_surveys::table
        .filter(signed_surveys::org_id.eq(tx.org_id()).and(signed_surveys::survey_id.eq_any(&corrections)))
        .select((signed_surveys::survey_id, signed_surveys::version))
        .load::<(SurveyId, i32)>(tx.conn())?
        .into_iter()
        .collect();
    for survey in &mut found {
        survey.signed_version = survey.signed_version.or_else(|| signed.get(&survey.id).copied());
    }
    Ok(found)
}

/// Makes a survey: its identity and first version.
///
/// # Errors
/// A foreign haul-out, a day outside it, a reference that is taken; those of the database.
pub fn insert(tx: &mut Tx<'_>, id: SurveyId, fields: &SurveyFields) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::insert_into(surveys::table)
        .values((
            surveys::org_id.eq(org_id),
            surveys::id.eq(id),
            surveys::ref_.eq(&fields.r#ref),
            surveys::vessel_id.eq(fields.vessel_id),
            surveys::haul_out_id.eq(fields.haul_out_id),
            surveys::created_at.eq(now),
        ))
        .execute(tx.conn())?;
    insert_version(tx, id, 1, fields, Standing::default())
}

/// Adds a version to a survey.
///
/// # Errors
/// Stale, when the version is there already; a day outside its haul-out; those of the database.
pub fn insert_version(
    tx: &mut Tx<'_>,
    id: SurveyId,
    version: i32,
    fields: &SurveyFields,
    standing: Standing<'_>,
) -> Result<()> {
    use survey_versions as v;
    let (org_id, now, person) = (tx.org_id(), tx.now(), tx.person_id());
    diesel::insert_into(v::table)
        .values((
            v::org_id.eq(org_id),
            v::survey_id.eq(id),
            v::version.eq(version),
            v::surveyed_on.eq(fields.surveyed_on),
            v::surveyor.eq(&fields.surveyor),
            v::air_temperature_c.eq(fields.air_temperature_c),
            v::relative_humidity_pct.eq(fields.relative_humidity_pct),
            v::hull_surface_temperature_c.eq(fields.hull_surface_temperature_c),
            v::hours_since_lift.eq(fields.hours_since_lift),
            v::hours_since_wash.eq(fields.hours_since_wash),
            v::meter.eq(&fields.meter),
            v::meter_serial.eq(&fields.meter_serial),
            v::meter_scale.eq(&fields.meter_scale),
            v::check_block_reading.eq(fields.check_block_reading),
            v::depth_mode.eq(fields.depth_mode.as_ref().map(codes::to_text).transpose()?),
            v::dry_reference_reading.eq(fields.dry_reference_reading),
            v::bottom_examined.eq(fields.bottom_examined.as_ref().map(codes::to_text).transpose()?),
            v::blistering.eq(fields.blistering.as_ref().map(codes::to_text).transpose()?),
            v::blister_density_per_m2.eq(fields.blister_density_per_m2),
            v::largest_blister_mm.eq(fields.largest_blister_mm),
            v::coating_failure.eq(fields.coating_failure),
            v::sounding.eq(fields.sounding.as_ref().map(codes::to_text).transpose()?),
            v::hardness_barcol.eq(fields.hardness_barcol),
            v::note.eq(&fields.note),
            v::correction_reason.eq(standing.correction_reason),
            v::signed_at.eq(standing.signed_by.map(|_| now)),
            v::signed_by.eq(standing.signed_by),
            v::withdrawn.eq(standing.withdrawn),
            v::recorded_at.eq(now),
            v::recorded_by.eq(person),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// One survey, its current version.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: SurveyId) -> Result<Survey> {
    let rows: Vec<SurveyRow> = current_surveys::table
        .find((tx.org_id(), id))
        .select(columns!(current_surveys, current_surveys, withdrawn_now()))
        .load(tx.conn())?;
    completed(tx, rows)?.pop().ok_or_else(|| Error::not_found("survey"))
}

/// Surveys by last change.
///
/// # Errors
/// Those of the database.
pub fn list(tx: &mut Tx<'_>, filter: SurveyFilter, page: PageRequest) -> Result<Slice<Survey>> {
    use current_surveys as s;
    let mut query = s::table.filter(s::org_id.eq(tx.org_id())).into_boxed();
    if let Some(vessel_id) = filter.vessel_id {
        query = query.filter(s::vessel_id.eq(vessel_id));
    }
    if let Some(since) = filter.updated_since {
        query = query.filter(s::recorded_at.ge(since));
    }
    if !filter.withdrawn {
        query = query.filter(diesel::dsl::not(withdrawn_now()));
    }
    if let Some((time, id)) = page.after_time() {
        let id = SurveyId::from(id);
        query = query.filter(s::recorded_at.gt(time).or(s::recorded_at.eq(time).and(s::survey_id.gt(id))));
    }
    let rows = query
        .order((s::recorded_at, s::survey_id))
        .limit(page.fetch())
        .select(columns!(current_surveys, current_surveys, withdrawn_now()))
        .load(tx.conn())?;
    let found = completed(tx, rows)?;
    Ok(page.slice(found, |survey| Position::at(survey.recorded_at, survey.id)))
}

/// The versions of a survey, oldest first.
///
/// # Errors
/// Not found.
pub fn versions(tx: &mut Tx<'_>, id: SurveyId, page: PageRequest) -> Result<Slice<Survey>> {
    let signed_version = read(tx, id)?.signed_version;
    let after = page.after.and_then(|after| i32::try_from(after.key).ok()).unwrap_or(0);
    let of_survey =
        surveys::org_id.eq(survey_versions::org_id).and(surveys::id.eq(survey_versions::survey_id));
    let rows: Vec<SurveyRow> = survey_versions::table
        .inner_join(surveys::table.on(of_survey))
        .filter(survey_versions::org_id.eq(tx.org_id()).and(survey_versions::survey_id.eq(id)))
        .filter(survey_versions::version.gt(after))
        .order(survey_versions::version)
        .limit(page.fetch())
        .select(columns!(surveys, survey_versions, survey_versions::withdrawn))
        .load(tx.conn())?;
    let mut found = rows.into_iter().map(SurveyRow::survey).collect::<Result<Vec<_>>>()?;
    for survey in &mut found {
        survey.signed_version = signed_version;
    }
    Ok(page.slice(found, |survey| Position { key: i64::from(survey.version), id: survey.id.into() }))
}

/// The evidence of several vessels' surveys, by vessel and day.
///
/// # Errors
/// Those of the database.
pub fn signed_of_vessels(tx: &mut Tx<'_>, vessel_ids: &[VesselId]) -> Result<Vec<SignedSurvey>> {
    use signed_surveys as s;
    let rows: Vec<SurveyRow> = s::table
        .filter(s::org_id.eq(tx.org_id()).and(s::vessel_id.eq_any(vessel_ids)))
        .order((s::vessel_id, s::surveyed_on, s::survey_id))
        .select(columns!(signed_surveys, signed_surveys, diesel::dsl::sql::<Bool>("false")))
        .load(tx.conn())?;
    rows.into_iter().map(SurveyRow::signed).collect()
}

/// All versions of several vessels' surveys that are signed or withdraw one, a survey's oldest first.
///
/// # Errors
/// Those of the database.
pub fn signed_versions_of_vessels(tx: &mut Tx<'_>, vessel_ids: &[VesselId]) -> Result<Vec<SignedSurvey>> {
    let of_survey =
        surveys::org_id.eq(survey_versions::org_id).and(surveys::id.eq(survey_versions::survey_id));
    let rows: Vec<SurveyRow> = survey_versions::table
        .inner_join(surveys::table.on(of_survey))
        .filter(survey_versions::org_id.eq(tx.org_id()).and(surveys::vessel_id.eq_any(vessel_ids)))
        .filter(survey_versions::signed_at.is_not_null().or(survey_versions::withdrawn))
        .order((surveys::vessel_id, survey_versions::survey_id, survey_versions::version))
        .select(columns!(surveys, survey_versions, survey_versions::withdrawn))
        .load(tx.conn())?;
    rows.into_iter().map(SurveyRow::signed).collect()
}

/// The vessels with a signed survey on a day or later, in the order of their ids, and how many they have.
///
/// # Errors
/// Those of the database.
pub fn vessels_surveyed_since(tx: &mut Tx<'_>, from_on: NaiveDate) -> Result<Vec<(VesselId, i64)>> {
    use signed_surveys as s;
    Ok(s::table
        .filter(s::org_id.eq(tx.org_id()).and(s::surveyed_on.ge(from_on)))
        .group_by(s::vessel_id)
        .order(s::vessel_id)
        .select((s::vessel_id, diesel::dsl::count_star()))
        .load(tx.conn())?)
}

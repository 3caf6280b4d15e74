//! What a dossier reads beyond the stores of the other capabilities: who signed, what was corrected, who decided.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_types;
use uuid::Uuid;

use crate::db::Tx;
use crate::db::schema::{members, people, survey_versions, surveys};
use crate::error::Result;
use crate::ids::{OrgId, PersonId, SurveyId, TreatmentId, VesselId};

/// A signature under a version of a survey.
#[derive(Debug, Clone, Queryable)]
pub struct Signature {
    /// The survey.
    pub survey_id: SurveyId,
    /// The version that was signed.
    pub version: i32,
    /// The day of the survey, as that version says.
    pub surveyed_on: NaiveDate,
    /// When.
    pub signed_at: DateTime<Utc>,
    /// By whom.
    pub signed_by: PersonId,
}

/// Every signature under the vessel's surveys, the oldest first.
///
/// # Errors
/// Those of the database.
pub fn signatures(tx: &mut Tx<'_>, vessel_id: VesselId) -> Result<Vec<Signature>> {
    use {survey_versions as v, surveys as s};
    Ok(v::table
        .inner_join(s::table.on(s::org_id.eq(v::org_id).and(s::id.eq(v::survey_id))))
        .filter(v::org_id.eq(tx.org_id()).and(s::vessel_id.eq(vessel_id)))
        .filter(v::signed_at.is_not_null().and(v::signed_by.is_not_null()))
        .order((v::signed_at, v::survey_id, v::version))
        .select((
            v::survey_id,
            v::version,
            v::surveyed_on,
            v::signed_at.assume_not_null(),
            v::signed_by.assume_not_null(),
        ))
        .load(tx.conn())?)
}

/// A correction of what was recorded.
#[derive(Debug, Clone, QueryableByName)]
pub struct Correction {
    /// The kind of record.
    #[diesel(sql_type = sql_types::Text)]
    pub record: String,
    /// Its id.
    #[diesel(sql_type = sql_types::Uuid)]
    pub id: Uuid,
    /// The version that corrects.
    #[diesel(sql_type = sql_types::Integer)]
    pub version: i32,
    /// Whether it withdraws the record.
    #[diesel(sql_type = sql_types::Bool)]
    pub withdrawn: bool,
    /// Why.
    #[diesel(sql_type = sql_types::Text)]
    pub reason: String,
    /// When.
    #[diesel(sql_type = sql_types::Timestamptz)]
    pub recorded_at: DateTime<Utc>,
    /// By whom.
    #[diesel(sql_type = sql_types::Nullable<sql_types::Uuid>)]
    pub recorded_by: Option<PersonId>,
}

/// What was corrected of the vessel's records, the oldest first. A survey is corrected when its new version is signed.
///
/// # Errors
/// Those of the database.
pub fn corrections(tx: &mut Tx<'_>, vessel_id: VesselId) -> Result<Vec<Correction>> {
    const VERSIONS: [(&str, &str, &str, &str); 4] = [
        ("finding", "findings", "finding_versions", "finding_id"),
        ("coat", "coats", "coat_versions", "coat_id"),
        ("treatment", "treatments", "treatment_versions", "treatment_id"),
        ("attachment", "attachments", "attachment_versions", "attachment_id"),
    ];
    let mut parts = vec![
        "SELECT 'survey' AS record, s.id, v.version, v.withdrawn, v.correction_reason AS reason, v.recorded_at, v.recorded_by
         FROM survey_versions v JOIN surveys s ON s.org_id = v.org_id AND s.id = v.survey_id
         WHERE v.org_id = $1 AND s.org_id = $1 AND s.vessel_id = $2 AND v.correction_reason IS NOT NULL AND (v.signed_at IS NOT NULL OR v.withdrawn)"
            .to_owned(),
        "SELECT 'reading', r.id, r.version, r.withdrawn, r.correction_reason, r.recorded_at, r.recorded_by
         FROM readings r WHERE r.org_id = $1 AND r.vessel_id = $2 AND r.correction_reason IS NOT NULL"
            .to_owned(),
    ];
    parts.extend(VERSIONS.map(|(word, identities, versions, id)| {
        format!(
            "SELECT '{word}', i.id, v.version, v.withdrawn, v.correction_reason, v.recorded_at, v.recorded_by
             FROM {versions} v JOIN {identities} i ON i.org_id = v.org_id AND i.id = v.{id}
             WHERE v.org_id = $1 AND i.org_id = $1 AND i.vessel_id = $2 AND v.correction_reason IS NOT NULL"
        )
    }));
    let query = format!("{} ORDER BY recorded_at, id, version", parts.join(" UNION ALL "));
    let org_id = tx.org_id();
    Ok(diesel::sql_query(query)
        .bind::<sql_types::Uuid, OrgId>(org_id)
        .bind::<sql_types::Uuid, VesselId>(vessel_id)
        .load(tx.conn())?)
}

/// A treatment that was planned in the service.
#[derive(Debug, Clone, QueryableByName)]
pub struct PlannedTreatment {
    /// Its id, that of the treatment recorded when it is closed.
    #[diesel(sql_type = sql_types::Uuid)]
    pub id: TreatmentId,
    /// Preventive or curative.
    #[diesel(sql_type = sql_types::Text)]
    pub kind: String,
    /// The day it is to start.
    #[diesel(sql_type = sql_types::Nullable<sql_types::Date>)]
    pub starts_on: Option<NaiveDate>,
    /// Whether it is closed.
    #[diesel(sql_type = sql_types::Bool)]
    pub closed: bool,
}

/// The treatments of the vessel that were planned in the service, the oldest first.
///
/// # Errors
/// Those of the database.
pub fn planned(tx: &mut Tx<'_>, vessel_id: VesselId) -> Result<Vec<PlannedTreatment>> {
    let org_id = tx.org_id();
    Ok(diesel::sql_query(
        "SELECT p.id, coalesce(v.plan->>'kind', '') AS kind, v.starts_on, EXISTS (
             SELECT FROM treatment_entries e
             WHERE e.org_id = $1 AND e.treatment_id = p.id AND e.kind = 'closing') AS closed
         FROM treatment_plans p JOIN treatment_plan_versions v ON v.org_id = p.org_id AND v.treatment_id = p.id
         WHERE p.org_id = $1 AND v.org_id = $1 AND p.vessel_id = $2 AND NOT EXISTS (
             SELECT FROM treatment_plan_versions n
             WHERE n.org_id = v.org_id AND n.treatment_id = v.treatment_id AND n.version > v.version)
         ORDER BY p.created_at, p.id",
    )
    .bind::<sql_types::Uuid, OrgId>(org_id)
    .bind::<sql_types::Uuid, VesselId>(vessel_id)
    .load(tx.conn())?)
}

/// What a named person answers for in a treatment.
#[derive(Debug, Clone, QueryableByName)]
pub struct Decision {
    /// The treatment.
    #[diesel(sql_type = sql_types::Uuid)]
    pub treatment_id: TreatmentId,
    /// Acceptance, override or closing.
    #[diesel(sql_type = sql_types::Text)]
    pub kind: String,
    /// The hold that was overridden.
    #[diesel(sql_type = sql_types::Nullable<sql_types::Text>)]
    pub hold: Option<String>,
    /// When.
    #[diesel(sql_type = sql_types::Timestamptz)]
    pub happened_at: DateTime<Utc>,
    /// By whom.
    #[diesel(sql_type = sql_types::Nullable<sql_types::Text>)]
    pub person_name: Option<String>,
    /// What makes them qualified.
    #[diesel(sql_type = sql_types::Nullable<sql_types::Text>)]
    pub qualification: Option<String>,
    /// Why, or how.
    #[diesel(sql_type = sql_types::Nullable<sql_types::Text>)]
    pub note: Option<String>,
}

/// The decisions in the vessel's treatments, the oldest first, without those withdrawn.
///
/// # Errors
/// Those of the database.
pub fn decisions(tx: &mut Tx<'_>, vessel_id: VesselId) -> Result<Vec<Decision>> {
    let org_id = tx.org_id();
    Ok(diesel::sql_query(
        "SELECT e.treatment_id, e.kind, e.hold, e.happened_at, e.person_name, e.qualification, e.note
         FROM treatment_entries e
         WHERE e.org_id = $1 AND e.vessel_id = $2 AND e.kind IN ('acceptance', 'override', 'closing') AND NOT EXISTS (
             SELECT FROM treatment_entries w WHERE w.org_id = e.org_id AND w.of_entry_id = e.id)
         ORDER BY e.happened_at, e.id",
    )
    .bind::<sql_types::Uuid, OrgId>(org_id)
    .bind::<sql_types::Uuid, VesselId>(vessel_id)
    .load(tx.conn())?)
}

/// The names of these people, as far as they are or were members.
///
/// # Errors
/// Those of the database.
pub fn names(tx: &mut Tx<'_>, ids: &[PersonId]) -> Result<BTreeMap<PersonId, String>> {
    let named: Vec<(PersonId, String)> = members::table
        .inner_join(people::table)
        .filter(members::org_id.eq(tx.org_id()).and(members::person_id.eq_any(ids)))
        .select((people::person_id, people::display_name))
        .load(tx.conn())?;
    Ok(named.into_iter().collect())
}

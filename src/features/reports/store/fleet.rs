//! The state of the fleet, put together in one statement.

use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_types::{BigInt, Bool, Date, Double, Nullable, Text, Timestamptz, Uuid as SqlUuid};

use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::error::Result;
use crate::ids::{SiteId, VesselId};

/// Which vessels.
#[derive(Debug, Clone, Copy, Default)]
pub struct FleetFilter {
    /// Lying at this site.
    pub site_id: Option<SiteId>,
    /// Ashore, or afloat.
    pub ashore: Option<bool>,
}

/// How a vessel stands.
#[derive(Debug, Clone, QueryableByName)]
#[allow(missing_docs, reason = "the view's fields are documented")]
pub struct FleetRow {
    #[diesel(sql_type = SqlUuid)]
    pub id: VesselId,
    #[diesel(sql_type = Timestamptz)]
    pub created_at: DateTime<Utc>,
    #[diesel(sql_type = Nullable<Text>)]
    pub vessel_ref: Option<String>,
    #[diesel(sql_type = Text)]
    pub name: String,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    pub site_id: Option<SiteId>,
    #[diesel(sql_type = Nullable<Text>)]
    pub site_name: Option<String>,
    #[diesel(sql_type = Nullable<Text>)]
    pub berth: Option<String>,
    #[diesel(sql_type = Nullable<Text>)]
    pub owner_name: Option<String>,
    #[diesel(sql_type = Text)]
    pub form: String,
    #[diesel(sql_type = Double)]
    pub length_m: f64,
    #[diesel(sql_type = Nullable<Text>)]
    pub laminate_class: Option<String>,
    #[diesel(sql_type = Nullable<Date>)]
    pub launched_on: Option<NaiveDate>,
    #[diesel(sql_type = Bool)]
    pub ashore: bool,
    #[diesel(sql_type = Nullable<Date>)]
    pub lifted_on: Option<NaiveDate>,
    #[diesel(sql_type = Nullable<Date>)]
    pub relaunched_on: Option<NaiveDate>,
    #[diesel(sql_type = Nullable<Date>)]
    pub surveyed_on: Option<NaiveDate>,
    #[diesel(sql_type = Nullable<Text>)]
    pub blistering: Option<String>,
    #[diesel(sql_type = BigInt)]
    pub open_findings: i64,
    #[diesel(sql_type = Nullable<Date>)]
    pub barrier_applied_on: Option<NaiveDate>,
    #[diesel(sql_type = Nullable<Date>)]
    pub antifouling_applied_on: Option<NaiveDate>,
    #[diesel(sql_type = Nullable<Date>)]
    pub inspection_due_on: Option<NaiveDate>,
    #[diesel(sql_type = Nullable<Date>)]
    pub barrier_due_on: Option<NaiveDate>,
    #[diesel(sql_type = Nullable<Date>)]
    pub antifouling_due_on: Option<NaiveDate>,
    #[diesel(sql_type = Nullable<Date>)]
    pub repair_due_on: Option<NaiveDate>,
    #[diesel(sql_type = Nullable<Date>)]
    pub treatment_due_on: Option<NaiveDate>,
}

const FLEET: &str = "
    SELECT v.id, v.created_at, v.ref AS vessel_ref, v.name, v.site_id, s.name AS site_name, v.berth, v.owner_name,
           v.form, v.length_m, v.laminate_class, v.launched_on, h.lifted_on IS NOT NULL AS ashore, h.lifted_on,
           r.relaunched_on, q.surveyed_on, q.blistering, f.open_findings, c.barrier_applied_on,
           c.antifouling_applied_on, d.inspection_due_on, d.barrier_due_on, d.antifouling_due_on, d.repair_due_on,
           d.treatment_due_on
    FROM vessels v
    LEFT JOIN sites s ON s.org_id = v.org_id AND s.id = v.site_id
    LEFT JOIN LATERAL (SELECT max(o.lifted_on) AS lifted_on FROM haul_outs o
        WHERE o.org_id = v.org_id AND o.vessel_id = v.id AND o.lifted_on <= $2
          AND (o.relaunched_on IS NULL OR o.relaunched_on > $2)) h ON true
    LEFT JOIN LATERAL (SELECT max(o.relaunched_on) AS relaunched_on FROM haul_outs o
        WHERE o.org_id = v.org_id AND o.vessel_id = v.id AND o.relaunched_on <= $2) r ON true
    LEFT JOIN LATERAL (SELECT g.surveyed_on, g.blistering FROM signed_surveys g
        WHERE g.org_id = v.org_id AND g.vessel_id = v.id
        ORDER BY g.surveyed_on DESC, g.survey_id DESC LIMIT 1) q ON true
    LEFT JOIN LATERAL (SELECT count(*) AS open_findings FROM current_findings g
        WHERE g.org_id = v.org_id AND g.vessel_id = v.id AND NOT g.withdrawn AND g.state <> 'repaired') f ON true
    LEFT JOIN LATERAL (SELECT max(g.applied_on) FILTER (WHERE g.role = 'barrier') AS barrier_applied_on,
            max(g.applied_on) FILTER (WHERE g.role = 'antifouling') AS antifouling_applied_on
        FROM current_coats g
        WHERE g.org_id = v.org_id AND g.vessel_id = v.id AND NOT g.withdrawn AND g.removed_on IS NULL) c ON true
    LEFT JOIN LATERAL (SELECT max(e.due_on) FILTER (WHERE e.kind = 'inspection') AS inspection_due_on,
            max(e.due_on) FILTER (WHERE e.kind = 'barrier') AS barrier_due_on,
            max(e.due_on) FILTER (WHERE e.kind = 'antifouling') AS antifouling_due_on,
            max(e.due_on) FILTER (WHERE e.kind = 'repair') AS repair_due_on,
            max(e.due_on) FILTER (WHERE e.kind = 'treatment') AS treatment_due_on
        FROM due e WHERE e.viewer_org_id = v.org_id AND e.org_id = v.org_id AND e.vessel_id = v.id) d ON true
    WHERE v.org_id = $1 AND (v.retired_on IS NULL OR v.retired_on > $2) AND ($3 IS NULL OR v.site_id = $3)
      AND ($4 IS NULL OR (h.lifted_on IS NOT NULL) = $4)
      AND ($5 IS NULL OR (v.created_at, v.id) > ($5, $6))
    ORDER BY v.created_at, v.id LIMIT $7";

/// The vessels in service, in the order in which they were entered.
///
/// # Errors
/// Those of the database.
pub fn list(
    tx: &mut Tx<'_>,
    filter: FleetFilter,
    today: NaiveDate,
    page: PageRequest,
) -> Result<Slice<FleetRow>> {
    let after = page.after_time();
    let rows: Vec<FleetRow> = diesel::sql_query(FLEET)
        .bind::<SqlUuid, _>(tx.org_id())
        .bind::<Date, _>(today)
        .bind::<Nullable<SqlUuid>, _>(filter.site_id)
        .bind::<Nullable<Bool>, _>(filter.ashore)
        .bind::<Nullable<Timestamptz>, _>(after.map(|(time, _)| time))
        .bind::<Nullable<SqlUuid>, _>(after.map(|(_, id)| id))
        .bind::<BigInt, _>(page.fetch())
        .load(tx.conn())?;
    Ok(page.slice(rows, |row| Position::at(row.created_at, row.id)))
}

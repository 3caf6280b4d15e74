//! Writing due rows: each column an array, all rows in one statement whose text is the same for any number of them.

use std::collections::HashSet;

use chrono::NaiveDate;
use diesel::prelude::*;
use diesel::sql_types::{Array, Date, Jsonb, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use serde_json::Value;

use super::facts::Subject;
use crate::codes;
use crate::db::Tx;
use crate::error::{Error, Result};
use crate::features::forecasts::model::Computed;
use crate::ids::{DueId, Id, OrgId, SiteId, VesselId};

/// The rows, a column a field.
#[derive(Default)]
struct Columns<'a> {
    viewer_org_id: Vec<OrgId>,
    id: Vec<DueId>,
    vessel_id: Vec<VesselId>,
    site_id: Vec<Option<SiteId>>,
    laminate_class: Vec<Option<&'a str>>,
    kind: Vec<String>,
    status: Vec<String>,
    due_on: Vec<Option<NaiveDate>>,
    p10: Vec<Option<NaiveDate>>,
    p50: Vec<Option<NaiveDate>>,
    p90: Vec<Option<NaiveDate>>,
    driver: Vec<String>,
    reason: Vec<&'a str>,
    evidence: Vec<Value>,
    basis: Vec<String>,
    model: Vec<&'a str>,
    inputs_hash: Vec<&'a str>,
}

impl<'a> Columns<'a> {
    fn of(computed: &'a [(&Subject, Computed)], viewers: impl Fn(VesselId) -> Vec<OrgId>) -> Result<Self> {
        let mut rows = Self::default();
        for (subject, computed) in computed {
            let viewers = viewers(subject.vessel_id);
            for (date, viewer) in
                computed.dates.iter().flat_map(|date| viewers.iter().map(move |viewer| (date, *viewer)))
            {
                let range = date.due_range;
                rows.viewer_org_id.push(viewer);
                rows.id.push(DueId::fresh());
                rows.vessel_id.push(subject.vessel_id);
                rows.site_id.push(subject.site_id);
                rows.laminate_class.push(subject.laminate_class.as_deref());
                rows.kind.push(codes::to_text(&date.kind)?);
                rows.status.push(codes::to_text(&date.status)?);
                rows.due_on.push(date.due_on);
                rows.p10.push(range.and_then(|range| range.p10));
                rows.p50.push(range.and_then(|range| range.p50));
                rows.p90.push(range.and_then(|range| range.p90));
                rows.driver.push(codes::to_text(&date.driver)?);
                rows.reason.push(&date.reason);
                rows.evidence.push(serde_json::to_value(&date.evidence).map_err(Error::internal)?);
                rows.basis.push(codes::to_text(&date.basis)?);
                rows.model.push(&computed.model);
                rows.inputs_hash.push(&computed.inputs_hash);
            }
        }
        Ok(rows)
    }
}

#[derive(QueryableByName)]
struct Written {
    #[diesel(sql_type = SqlUuid)]
    id: DueId,
}

/// Writes the due rows, for the organisation and for the guests that view a vessel, and tells their ids. A row keeps its
/// id for as long as its kind is given.
///
/// # Errors
/// Those of the database.
pub(super) fn save_dates(
    tx: &mut Tx<'_>,
    computed: &[(&Subject, Computed)],
    guests: &[(VesselId, OrgId)],
) -> Result<HashSet<DueId>> {
    let (org_id, now) = (tx.org_id(), tx.now());
    let rows = Columns::of(computed, |vessel_id| {
        let guests = guests.iter().filter(|(granted, _)| *granted == vessel_id);
        guests.map(|(_, guest)| *guest).chain([org_id]).collect()
    })?;
    let written: Vec<Written> = diesel::sql_query(
        "INSERT INTO due (org_id, computed_at, viewer_org_id, id, vessel_id, site_id, laminate_class, kind, status,
             due_on, p10, p50, p90, driver, reason, evidence, basis, model, inputs_hash)
         SELECT $1, $2, row.* FROM unnest($3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19) AS row
         ON CONFLICT (viewer_org_id, org_id, vessel_id, kind) DO UPDATE SET
             site_id = excluded.site_id, laminate_class = excluded.laminate_class, status = excluded.status,
             due_on = excluded.due_on, p10 = excluded.p10, p50 = excluded.p50, p90 = excluded.p90,
             driver = excluded.driver, reason = excluded.reason, evidence = excluded.evidence,
             basis = excluded.basis, model = excluded.model, inputs_hash = excluded.inputs_hash,
             computed_at = excluded.computed_at
         RETURNING due.id",
    )
    .bind::<SqlUuid, _>(org_id)
    .bind::<Timestamptz, _>(now)
    .bind::<Array<SqlUuid>, _>(rows.viewer_org_id)
    .bind::<Array<SqlUuid>, _>(rows.id)
    .bind::<Array<SqlUuid>, _>(rows.vessel_id)
    .bind::<Array<Nullable<SqlUuid>>, _>(rows.site_id)
    .bind::<Array<Nullable<Text>>, _>(rows.laminate_class)
    .bind::<Array<Text>, _>(rows.kind)
    .bind::<Array<Text>, _>(rows.status)
    .bind::<Array<Nullable<Date>>, _>(rows.due_on)
    .bind::<Array<Nullable<Date>>, _>(rows.p10)
    .bind::<Array<Nullable<Date>>, _>(rows.p50)
    .bind::<Array<Nullable<Date>>, _>(rows.p90)
    .bind::<Array<Text>, _>(rows.driver)
    .bind::<Array<Text>, _>(rows.reason)
    .bind::<Array<Jsonb>, _>(rows.evidence)
    .bind::<Array<Text>, _>(rows.basis)
    .bind::<Array<Text>, _>(rows.model)
    .bind::<Array<Text>, _>(rows.inputs_hash)
    .load(tx.conn())?;
    Ok(written.into_iter().map(|row| row.id).collect())
}

//! What was told of dates last.

use std::collections::HashMap;

use chrono::NaiveDate;
use diesel::prelude::*;
use diesel::sql_types::{Array, Text, Uuid as SqlUuid};
use diesel::upsert::excluded;

use crate::codes;
use crate::db::Tx;
use crate::db::schema::told_dates as t;
use crate::error::Result;
use crate::features::forecasts::model::told::Told;
use crate::ids::VesselId;
use crate::science::forecast::dates::DueKind;

/// What was told of some vessels' dates, by vessel and the kind's word.
///
/// # Errors
/// Those of the database.
pub fn told(tx: &mut Tx<'_>, vessel_ids: &[VesselId]) -> Result<HashMap<(VesselId, String), Told>> {
    let rows: Vec<(VesselId, String, String, Option<NaiveDate>)> = t::table
        .filter(t::org_id.eq(tx.org_id()).and(t::vessel_id.eq_any(vessel_ids)))
        .select((t::vessel_id, t::kind, t::phase, t::due_on))
        .load(tx.conn())?;
    rows.into_iter()
        .map(|(id, kind, phase, due_on)| Ok(((id, kind), Told { phase: codes::from_text(&phase)?, due_on })))
        .collect()
}

/// Keeps what is told of these vessels' dates; what is told of others of theirs goes.
///
/// # Errors
/// Those of the database.
pub fn keep_told(tx: &mut Tx<'_>, vessel_ids: &[VesselId], told: &[(VesselId, DueKind, Told)]) -> Result<()> {
    let org_id = tx.org_id();
    let (mut of, mut kinds, mut rows) = (Vec::new(), Vec::new(), Vec::new());
    for (vessel_id, kind, told) in told {
        let kind = codes::to_text(kind)?;
        of.push(*vessel_id);
        kinds.push(kind.clone());
        rows.push((
            t::org_id.eq(org_id),
            t::vessel_id.eq(*vessel_id),
            t::kind.eq(kind),
            t::phase.eq(codes::to_text(&told.phase)?),
            t::due_on.eq(told.due_on),
        ));
    }
    diesel::insert_into(t::table)
        .values(rows)
        .on_conflict((t::org_id, t::vessel_id, t::kind))
        .do_update()
        .set((t::phase.eq(excluded(t::phase)), t::due_on.eq(excluded(t::due_on))))
        .execute(tx.conn())?;
    diesel::sql_query(
        "DELETE FROM told_dates t WHERE t.org_id = $1 AND t.vessel_id = ANY($2) AND NOT EXISTS (
             SELECT FROM unnest($3, $4) AS kept (vessel_id, kind)
             WHERE kept.vessel_id = t.vessel_id AND kept.kind = t.kind)",
    )
    .bind::<SqlUuid, _>(org_id)
    .bind::<Array<SqlUuid>, _>(vessel_ids)
    .bind::<Array<SqlUuid>, _>(of)
    .bind::<Array<Text>, _>(kinds)
    .execute(tx.conn())?;
    Ok(())
}

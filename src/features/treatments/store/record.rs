//! Rows of records as they stood at the closing.

use chrono::{DateTime, Utc};
use diesel::prelude::*;

use crate::db::Tx;
use crate::db::schema::treatment_records::{self as r};
use crate::error::Result;
use crate::ids::{PersonId, TreatmentId, VesselId};

/// A record as it was kept.
#[derive(Debug, Queryable)]
pub struct KeptRecord {
    /// The canonical JSON.
    pub record: String,
    /// SHA-256 of it, in hexadecimal.
    pub digest_sha256: String,
    /// When it was kept: at the closing.
    pub recorded_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
}

/// Keeps the record of a treatment, once for ever.
///
/// # Errors
/// Kept already; those of the database.
pub fn insert(
    tx: &mut Tx<'_>,
    id: TreatmentId,
    vessel_id: VesselId,
    record: &str,
    digest: &str,
) -> Result<()> {
    let (org_id, now, person) = (tx.org_id(), tx.now(), tx.person_id());
    diesel::insert_into(r::table)
        .values((
            r::org_id.eq(org_id),
            r::treatment_id.eq(id),
            r::vessel_id.eq(vessel_id),
            r::record.eq(record),
            r::digest_sha256.eq(digest),
            r::recorded_at.eq(now),
            r::recorded_by.eq(person),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// The record of a treatment, once it was closed.
///
/// # Errors
/// Those of the database.
pub fn read(tx: &mut Tx<'_>, id: TreatmentId) -> Result<Option<KeptRecord>> {
    Ok(r::table
        .filter(r::org_id.eq(tx.org_id()).and(r::treatment_id.eq(id)))
        .select((r::record, r::digest_sha256, r::recorded_at, r::recorded_by))
        .first(tx.conn())
        .optional()?)
}

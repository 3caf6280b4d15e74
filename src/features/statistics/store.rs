//! Statements of the statistics.

use diesel::prelude::*;

use crate::db::Tx;
use crate::db::views::signed_surveys;
use crate::error::Result;
use crate::ids::VesselId;

/// The vessels that somebody signed a survey of, retired ones too, in order: the others say nothing of lives.
///
/// # Errors
/// Those of the database.
pub fn surveyed(tx: &mut Tx<'_>) -> Result<Vec<VesselId>> {
    Ok(signed_surveys::table
        .filter(signed_surveys::org_id.eq(tx.org_id()))
        .select(signed_surveys::vessel_id)
        .distinct()
        .order(signed_surveys::vessel_id)
        .load(tx.conn())?)
}

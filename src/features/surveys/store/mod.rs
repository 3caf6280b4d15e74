//! Rows of stations, surveys, readings and findings.

pub mod finding;
pub mod reading;
pub mod station;
pub mod survey;
pub mod withdrawn;

use chrono::NaiveDate;
use diesel::prelude::*;

pub use self::finding::{
    of_vessels as findings_of_vessels, versions_of_vessels as finding_versions_of_vessels,
};
pub use self::reading::{StationMean, station_means_of_vessels};
pub use self::survey::{signed_of_vessels, signed_versions_of_vessels, vessels_surveyed_since};
use crate::db::Tx;
use crate::db::schema::vessels;
use crate::error::{Error, Result};
use crate::ids::VesselId;

/// Makes whoever else writes this vessel's surveys, readings or coats wait for this transaction, and tells the
/// vessel's launch.
///
/// A survey's own row could not serve: the application may not lock what it may not update.
///
/// # Errors
/// Invalid, when the vessel is not of this organisation.
pub fn lock_vessel(tx: &mut Tx<'_>, id: VesselId) -> Result<Option<NaiveDate>> {
    let found: Option<Option<NaiveDate>> = vessels::table
        .find((tx.org_id(), id))
        .select(vessels::launched_on)
        .for_no_key_update()
        .first(tx.conn())
        .optional()?;
    found.ok_or_else(|| {
        Error::field("/vessel_id", "unknown", "names no vessel of your organisation. Check the id.")
    })
}

//! What imports ask the database: which records carry the names of a file, in a query each; and the bulk
//! writing of readings.

use std::collections::HashMap;

use diesel::connection::{AnsiTransactionManager, TransactionManager};
use diesel::prelude::*;
use diesel::sql_types::Bool;

use super::model::identity::Known;
use crate::db::Tx;
use crate::db::schema::{haul_outs, sites, vessels};
use crate::db::views::current_coats;
use crate::error::{Code, Error, Result};
use crate::ids::{CoatId, HaulOutId, SiteId, VesselId};

#[derive(QueryableByName)]
struct Locked {
    #[diesel(sql_type = Bool)]
    locked: bool,
}

/// Holds the organisation's imports until the end of this transaction, so that two never interleave.
///
/// # Errors
/// Unavailable, when another import of the organisation is running.
pub fn hold_imports(tx: &mut Tx<'_>) -> Result<()> {
    // An advisory lock is named by a number: a digest of the purpose and the organisation.
    let org_id = tx.org_id();
    let held: Locked = diesel::sql_query(
        "SELECT pg_try_advisory_xact_lock(hashtextextended('imports ' || $1::text, 0)) AS locked",
    )
    .bind::<diesel::sql_types::Uuid, _>(org_id)
    .get_result(tx.conn())?;
    if held.locked {
        Ok(())
    } else {
        Err(Error::new(
            Code::Unavailable,
            "Another import of your organisation is running. Try again when it has ended.",
        ))
    }
}

/// Runs `f` so that its refusal takes back what it wrote and nothing else.
///
/// # Errors
/// Those of `f`, and of the database.
pub fn attempt<T>(tx: &mut Tx<'_>, f: impl FnOnce(&mut Tx<'_>) -> Result<T>) -> Result<T> {
    AnsiTransactionManager::begin_transaction(tx.conn())?;
    match f(tx) {
        Ok(value) => {
            AnsiTransactionManager::commit_transaction(tx.conn())?;
            Ok(value)
        }
        Err(error) => {
            AnsiTransactionManager::rollback_transaction(tx.conn())?;
            Err(error)
        }
    }
}

/// A vessel's names.
#[derive(Debug, Clone, Queryable)]
pub struct VesselName {
    /// Its id.
    pub id: VesselId,
    /// Its reference.
    pub r#ref: Option<String>,
    /// Its craft identification number.
    pub hull_id_number: Option<String>,
}

/// The vessels with these references or numbers.
///
/// # Errors
/// Those of the database.
pub fn vessels_named(tx: &mut Tx<'_>, refs: &[&str], numbers: &[String]) -> Result<Vec<VesselName>> {
    let named = vessels::ref_.eq_any(refs).or(vessels::hull_id_number.eq_any(numbers));
    Ok(vessels::table
        .filter(vessels::org_id.eq(tx.org_id()).and(named))
        .select((vessels::id, vessels::ref_, vessels::hull_id_number))
        .load(tx.conn())?)
}

/// The sites with these references or names: id, reference, name.
///
/// # Errors
/// Those of the database.
pub fn sites_named(
    tx: &mut Tx<'_>,
    refs: &[&str],
    names: &[&str],
) -> Result<Vec<(SiteId, Option<String>, String)>> {
    let named = sites::ref_.eq_any(refs).or(sites::name.eq_any(names));
    Ok(sites::table
        .filter(sites::org_id.eq(tx.org_id()).and(named))
        .select((sites::id, sites::ref_, sites::name))
        .load(tx.conn())?)
}

/// The haul-outs with these references or of these vessels.
///
/// # Errors
/// Those of the database.
pub fn haul_outs_named(
    tx: &mut Tx<'_>,
    refs: &[&str],
    vessel_ids: &[VesselId],
) -> Result<Vec<Known<HaulOutId>>> {
    let named = haul_outs::ref_.eq_any(refs).or(haul_outs::vessel_id.eq_any(vessel_ids));
    let rows: Vec<(HaulOutId, Option<String>, VesselId, chrono::NaiveDate)> = haul_outs::table
        .filter(haul_outs::org_id.eq(tx.org_id()).and(named))
        .order(haul_outs::id)
        .select((haul_outs::id, haul_outs::ref_, haul_outs::vessel_id, haul_outs::lifted_on))
        .load(tx.conn())?;
    let known = |(id, r#ref, vessel_id, lifted_on)| Known {
        id,
        r#ref,
        key: Some(format!("{vessel_id} {lifted_on}")),
        withdrawn: false,
    };
    Ok(rows.into_iter().map(known).collect())
}

/// The ids of the haul-outs with these references.
///
/// # Errors
/// Those of the database.
pub fn haul_out_ids(tx: &mut Tx<'_>, refs: &[&str]) -> Result<HashMap<String, HaulOutId>> {
    let rows: Vec<(Option<String>, HaulOutId)> = haul_outs::table
        .filter(haul_outs::org_id.eq(tx.org_id()).and(haul_outs::ref_.eq_any(refs)))
        .select((haul_outs::ref_, haul_outs::id))
        .load(tx.conn())?;
    Ok(rows.into_iter().filter_map(|(reference, id)| reference.map(|reference| (reference, id))).collect())
}

/// The coats with these references or of these vessels, withdrawn ones too.
///
/// # Errors
/// Those of the database.
pub fn coats_named(tx: &mut Tx<'_>, refs: &[&str], vessel_ids: &[VesselId]) -> Result<Vec<Known<CoatId>>> {
    let named = current_coats::ref_.eq_any(refs).or(current_coats::vessel_id.eq_any(vessel_ids));
    let rows: Vec<(CoatId, Option<String>, VesselId, chrono::NaiveDate, i32, bool)> = current_coats::table
        .filter(current_coats::org_id.eq(tx.org_id()).and(named))
        .order(current_coats::coat_id)
        .select((
            current_coats::coat_id,
            current_coats::ref_,
            current_coats::vessel_id,
            current_coats::applied_on,
            current_coats::sequence,
            current_coats::withdrawn,
        ))
        .load(tx.conn())?;
    let known = |(id, r#ref, vessel_id, applied_on, sequence, withdrawn)| Known {
        id,
        r#ref,
        key: Some(format!("{vessel_id} {applied_on} {sequence}")),
        withdrawn,
    };
    Ok(rows.into_iter().map(known).collect())
}

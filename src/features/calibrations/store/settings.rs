//! Rows of the settings of learning, and of the sums that organisations give each other.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::upsert::excluded;
use serde_json::Value;
use uuid::Uuid;

use crate::codes;
use crate::db::schema::{learning_settings as l, pooled_sums};
use crate::db::{Db, Tx};
use crate::error::{Code, Error, Result};
use crate::features::calibrations::model::LearningFields;
use crate::ids::{CalibrationId, Id};
use crate::science::learning::pooling::LikelihoodSums;

/// How the organisation learns: its settings, their version (0 while nothing was ever set) and when they changed.
///
/// # Errors
/// Those of the database.
pub fn settings(tx: &mut Tx<'_>) -> Result<(LearningFields, i32, Option<DateTime<Utc>>)> {
    let row: Option<(String, bool, i32, DateTime<Utc>)> = l::table
        .find(tx.org_id())
        .select((l::acceptance, l::pooled, l::version, l::updated_at))
        .first(tx.conn())
        .optional()?;
    let Some((acceptance, pooled, version, updated_at)) = row else {
        return Ok((LearningFields::default(), 0, None));
    };
    let fields = LearningFields { acceptance: codes::from_text(&acceptance)?, pooled };
    Ok((fields, version, Some(updated_at)))
}

/// Sets how the organisation learns, from `version` to the next.
///
/// # Errors
/// Stale, when it is no longer at `version`.
pub fn write_settings(tx: &mut Tx<'_>, fields: LearningFields, version: i32) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    let columns = (
        l::acceptance.eq(codes::to_text(&fields.acceptance)?),
        l::pooled.eq(fields.pooled),
        l::version.eq(version + 1),
        l::updated_at.eq(now),
    );
    let written = if version == 0 {
        diesel::insert_into(l::table)
            .values((l::org_id.eq(org_id), columns))
            .on_conflict_do_nothing()
            .execute(tx.conn())?
    } else {
        diesel::update(l::table.find(org_id).filter(l::version.eq(version)))
            .set(columns)
            .execute(tx.conn())?
    };
    if written == 0 {
        return Err(Error::new(
            Code::Stale,
            "The settings changed since you read them. Read them again and repeat your change.",
        ));
    }
    Ok(())
}

/// Gives the sums of the organisation's fit to the others that take part, in the place of those it gave before.
///
/// # Errors
/// Those of the database.
pub fn give(tx: &mut Tx<'_>, sums: &LikelihoodSums) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    diesel::insert_into(pooled_sums::table)
        .values((
            pooled_sums::org_id.eq(org_id),
            // A name that tells nothing.
            pooled_sums::sum_id.eq(Uuid::from(CalibrationId::fresh())),
            pooled_sums::sums.eq(serde_json::to_value(sums).map_err(Error::internal)?),
            pooled_sums::given_at.eq(now),
        ))
        .on_conflict(pooled_sums::org_id)
        .do_update()
        .set((
            pooled_sums::sums.eq(excluded(pooled_sums::sums)),
            pooled_sums::given_at.eq(excluded(pooled_sums::given_at)),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// Takes back what the organisation gave.
///
/// # Errors
/// Those of the database.
pub fn withdraw(tx: &mut Tx<'_>) -> Result<()> {
    diesel::delete(pooled_sums::table.find(tx.org_id())).execute(tx.conn())?;
    Ok(())
}

/// The name under which the organisation's own sums stand.
///
/// # Errors
/// Those of the database.
fn own_sum_id(tx: &mut Tx<'_>) -> Result<Option<Uuid>> {
    Ok(pooled_sums::table.find(tx.org_id()).select(pooled_sums::sum_id).first(tx.conn()).optional()?)
}

/// What the other organisations that take part have given: sums, without a word of whose they are. By the worker's
/// role, which can read those two columns and no organisation.
///
/// # Errors
/// Those of the database.
pub fn peers(db: &Db, actor: &crate::db::Actor) -> Result<Vec<LikelihoodSums>> {
    let own = db.read(actor, own_sum_id)?.unwrap_or_default();
    let rows: Vec<Value> = db.work(|conn| {
        Ok(pooled_sums::table
            .filter(pooled_sums::sum_id.ne(own))
            .order(pooled_sums::sum_id)
            .select(pooled_sums::sums)
            .load(conn)?)
    })?;
    rows.into_iter().map(|sums| serde_json::from_value(sums).map_err(Error::internal)).collect()
}

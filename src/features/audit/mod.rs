//! Who did what: a row for every creation, change and signature, written in the same transaction as its
//! effect and never changed after; a chain of digests shows if one was. Rows hold ids of people, not their names; what could name an owner is
//! left out of the record before and after.

pub mod api;
pub mod model;
mod store;

use std::collections::BTreeSet;

use serde::Serialize;
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

use crate::db::Tx;
use crate::error::{Error, Result};
use crate::features::audit::model::Follower;
use crate::ids::OrgId;

/// Registers the endpoints.
pub fn register(config: &mut ServiceConfig<'_>) {
    config.service(api::list_audit).service(api::read_audit_export);
}

/// What is recorded of one act.
pub struct Act<'a, T> {
    /// The operation, e.g. `create_site`.
    pub action: &'a str,
    /// The word for the record.
    pub entity: &'a str,
    /// The record's id.
    pub entity_id: Uuid,
    /// The record before, if there was one.
    pub before: Option<&'a T>,
    /// The record after.
    pub after: Option<&'a T>,
}

/// Writes the act into the audit of the acting organisation, and of the one in whose rows it was done.
///
/// # Errors
/// Those of the database.
pub fn record<T: Serialize>(tx: &mut Tx<'_>, act: &Act<'_, T>) -> Result<()> {
    record_with(tx, act, &[])
}

/// As [`record`], into the audits of these other organisations too. They are written in the order of the organisations,
/// so that two at once wait for each other's chain and not crosswise.
///
/// # Errors
/// Those of the database.
pub fn record_with<T: Serialize>(tx: &mut Tx<'_>, act: &Act<'_, T>, partners: &[OrgId]) -> Result<()> {
    let value = |record: Option<&T>| record.map(serde_json::to_value).transpose().map_err(Error::internal);
    let (before, after) = (value(act.before)?.map(redacted), value(act.after)?.map(redacted));
    let mut concerned: BTreeSet<OrgId> = partners.iter().copied().collect();
    concerned.extend([tx.acting_org_id(), tx.org_id()]);
    for org_id in concerned {
        tx.join(org_id)?;
        let (before, after) = (before.clone(), after.clone());
        store::insert(tx, org_id, act.action, act.entity, act.entity_id, before, after)?;
    }
    Ok(())
}

/// Follows the chain of the transaction's organisation to its end: how far it is sound, and what is wrong with it, if
/// anything. `known` is asked about each link, by number and digest.
///
/// # Errors
/// Those of the database.
pub fn follow(
    tx: &mut Tx<'_>,
    mut known: impl FnMut(i64, &[u8]) -> std::result::Result<(), String>,
) -> Result<(Follower, Option<String>)> {
    let mut follower = Follower::default();
    loop {
        let links = store::links(tx, follower.sequence, LINKS_AT_ONCE)?;
        if links.is_empty() {
            break;
        }
        for link in &links {
            if let Err(wrong) = follower.follow(link).and_then(|()| known(link.sequence, &link.row_sha256)) {
                return Ok((follower, Some(wrong)));
            }
        }
    }
    let unchained = store::unchained(tx)?;
    let wrong = (unchained > 0).then(|| format!("{unchained} rows stand outside the chain."));
    Ok((follower, wrong))
}

/// The number and the digest of the last link of the transaction's organisation.
///
/// # Errors
/// Those of the database.
pub fn head(tx: &mut Tx<'_>) -> Result<Option<(i64, Vec<u8>)>> {
    store::head(tx)
}

const LINKS_AT_ONCE: i64 = 1000;

/// Fields that name or reach a person, by their names in records.
const PERSONAL: [&str; 3] = ["owner_name", "owner_phone", "owner_email"];

fn redacted(mut record: serde_json::Value) -> serde_json::Value {
    if let Some(fields) = record.as_object_mut() {
        for name in PERSONAL {
            if let Some(value) = fields.get_mut(name)
                && !value.is_null()
            {
                *value = "(personal, not kept here)".into();
            }
        }
    }
    record
}

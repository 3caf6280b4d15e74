//! Rows of policies.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use serde_json::Value;

use super::model::PolicyLimits;
use crate::db::Tx;
use crate::db::schema::policies;
use crate::error::{Code, Error, Result};
use crate::ids::{Id, PolicyId, VesselId};
use crate::science::forecast::policy::Policy;

/// The limits set at one place: the organisation, or a vessel.
#[derive(Debug, Clone, Default)]
pub struct Setting {
    /// The limits.
    pub limits: PolicyLimits,
    /// The version; 0 while none was ever set.
    pub version: i32,
    /// When they last changed.
    pub updated_at: Option<DateTime<Utc>>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = policies)]
struct SettingRow {
    vessel_id: Option<VesselId>,
    limits: Value,
    version: i32,
    updated_at: DateTime<Utc>,
}

impl SettingRow {
    fn setting(self) -> Result<Setting> {
        Ok(Setting {
            limits: serde_json::from_value(self.limits).map_err(Error::internal)?,
            version: self.version,
            updated_at: Some(self.updated_at),
        })
    }
}

/// What is set for the organisation (none) or a vessel.
///
/// # Errors
/// Those of the database.
pub fn read(tx: &mut Tx<'_>, vessel_id: Option<VesselId>) -> Result<Setting> {
    let row = policies::table
        .filter(policies::org_id.eq(tx.org_id()).and(policies::vessel_id.is_not_distinct_from(vessel_id)))
        .select(SettingRow::as_select())
        .first(tx.conn())
        .optional()?;
    row.map_or_else(|| Ok(Setting::default()), SettingRow::setting)
}

/// The organisation's limits, and those of every vessel that has its own.
///
/// # Errors
/// Those of the database.
pub fn read_all(tx: &mut Tx<'_>) -> Result<(PolicyLimits, Vec<(VesselId, PolicyLimits)>)> {
    let rows: Vec<SettingRow> = policies::table
        .filter(policies::org_id.eq(tx.org_id()))
        .order(policies::vessel_id)
        .select(SettingRow::as_select())
        .load(tx.conn())?;
    sorted_out(rows)
}

fn sorted_out(rows: Vec<SettingRow>) -> Result<(PolicyLimits, Vec<(VesselId, PolicyLimits)>)> {
    let mut organisation = PolicyLimits::default();
    let mut vessels = Vec::new();
    for row in rows {
        match row.vessel_id {
            None => organisation = row.setting()?.limits,
            Some(vessel_id) => vessels.push((vessel_id, row.setting()?.limits)),
        }
    }
    Ok((organisation, vessels))
}

/// The limits that hold for some vessels, and for all others of the organisation.
#[derive(Debug, Clone)]
pub struct EffectivePolicies {
    organisation: Policy,
    vessels: HashMap<VesselId, Policy>,
}

impl EffectivePolicies {
    /// Those of one vessel.
    #[must_use]
    pub fn of(&self, vessel_id: VesselId) -> Policy {
        self.vessels.get(&vessel_id).copied().unwrap_or(self.organisation)
    }
}

/// The limits that hold for these vessels, in one query.
///
/// # Errors
/// Those of the database.
pub fn effective(tx: &mut Tx<'_>, vessel_ids: &[VesselId]) -> Result<EffectivePolicies> {
    let rows: Vec<SettingRow> = policies::table
        .filter(policies::org_id.eq(tx.org_id()))
        .filter(policies::vessel_id.is_null().or(policies::vessel_id.eq_any(vessel_ids)))
        .select(SettingRow::as_select())
        .load(tx.conn())?;
    let (organisation, vessels) = sorted_out(rows)?;
    let organisation = organisation.upon(&Policy::default())?;
    let vessels = vessels
        .into_iter()
        .map(|(vessel_id, limits)| Ok((vessel_id, limits.upon(&organisation)?)))
        .collect::<Result<_>>()?;
    Ok(EffectivePolicies { organisation, vessels })
}

/// Sets the limits, from `version` to the next.
///
/// # Errors
/// Stale, when they are no longer at `version`.
pub fn write(
    tx: &mut Tx<'_>,
    vessel_id: Option<VesselId>,
    limits: &PolicyLimits,
    version: i32,
) -> Result<()> {
    let (org_id, now) = (tx.org_id(), tx.now());
    let limits = serde_json::to_value(limits).map_err(Error::internal)?;
    let written = if version == 0 {
        diesel::insert_into(policies::table)
            .values((
                policies::org_id.eq(org_id),
                policies::id.eq(PolicyId::fresh()),
                policies::vessel_id.eq(vessel_id),
                policies::limits.eq(limits),
                policies::created_at.eq(now),
                policies::updated_at.eq(now),
            ))
            .on_conflict_do_nothing()
            .execute(tx.conn())?
    } else {
        diesel::update(policies::table)
            .filter(policies::org_id.eq(org_id).and(policies::vessel_id.is_not_distinct_from(vessel_id)))
            .filter(policies::version.eq(version))
            .set((
                policies::limits.eq(limits),
                policies::version.eq(version + 1),
                policies::updated_at.eq(now),
            ))
            .execute(tx.conn())?
    };
    if written == 1 {
        Ok(())
    } else {
        Err(Error::new(
            Code::Stale,
            "The policy changed since you read it. Read it again and repeat your change.",
        ))
    }
}

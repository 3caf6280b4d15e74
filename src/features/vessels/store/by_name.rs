//! Vessels as people look for them.

use std::collections::HashMap;

use chrono::NaiveDate;
use diesel::dsl::count_star;
use diesel::prelude::*;

use super::{Vessel, VesselRow, completed, containing, read};
use crate::db::Tx;
use crate::db::schema::vessels;
use crate::error::Result;
use crate::ids::{SiteId, VesselId};

/// Vessels in service on a day, by name, after the one with the id `after`: those whose name, reference, hull number,
/// berth or owner holds a text, of a site or of all.
///
/// # Errors
/// Those of the database.
pub fn by_name(
    tx: &mut Tx<'_>,
    day: NaiveDate,
    text: Option<&str>,
    site_id: Option<SiteId>,
    after: Option<VesselId>,
    limit: i64,
) -> Result<Vec<Vessel>> {
    let mut query = vessels::table
        .filter(vessels::org_id.eq(tx.org_id()))
        .filter(vessels::retired_on.is_null().or(vessels::retired_on.gt(day)))
        .into_boxed();
    if let Some(site_id) = site_id {
        query = query.filter(vessels::site_id.eq(site_id));
    }
    if let Some(pattern) = text.map(containing) {
        let somewhere = vessels::name
            .ilike(pattern.clone())
            .or(vessels::ref_.ilike(pattern.clone()).assume_not_null())
            .or(vessels::hull_id_number.ilike(pattern.clone()).assume_not_null())
            .or(vessels::berth.ilike(pattern.clone()).assume_not_null())
            .or(vessels::owner_name.ilike(pattern).assume_not_null());
        query = query.filter(somewhere);
    }
    if let Some(after) = after {
        let name = read(tx, after)?.fields.name;
        query = query
            .filter(vessels::name.gt(name.clone()).or(vessels::name.eq(name).and(vessels::id.gt(after))));
    }
    let rows = query
        .order((vessels::name, vessels::id))
        .limit(limit)
        .select(VesselRow::as_select())
        .load(tx.conn())?;
    completed(tx, rows)
}

/// How many vessels in service on a day lie at each site that has any, and how many at none.
///
/// # Errors
/// Those of the database.
pub fn counts_by_site(tx: &mut Tx<'_>, day: NaiveDate) -> Result<HashMap<Option<SiteId>, i64>> {
    let counted: Vec<(Option<SiteId>, i64)> = vessels::table
        .filter(vessels::org_id.eq(tx.org_id()))
        .filter(vessels::retired_on.is_null().or(vessels::retired_on.gt(day)))
        .group_by(vessels::site_id)
        .select((vessels::site_id, count_star()))
        .load(tx.conn())?;
    Ok(counted.into_iter().collect())
}

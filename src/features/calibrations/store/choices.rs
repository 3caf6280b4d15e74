//! Rows of what was chosen for the dates to follow.

use chrono::{DateTime, Utc};
use diesel::dsl::max;
use diesel::prelude::*;

use super::versions;
use crate::db::Tx;
use crate::db::schema::calibration_choices as c;
use crate::error::Result;
use crate::features::calibrations::model::{Choice, Followed};
use crate::ids::{CalibrationId, PersonId};

type ChoiceRow = (Option<CalibrationId>, DateTime<Utc>, Option<PersonId>, Option<String>);

/// All choices in their order.
///
/// # Errors
/// Those of the database.
pub fn choices(tx: &mut Tx<'_>) -> Result<Vec<Choice>> {
    let rows: Vec<ChoiceRow> = c::table
        .filter(c::org_id.eq(tx.org_id()))
        .order(c::sequence)
        .select((c::calibration_id, c::chosen_at, c::chosen_by, c::note))
        .load(tx.conn())?;
    Ok(rows
        .into_iter()
        .map(|(calibration_id, chosen_at, chosen_by, note)| Choice {
            calibration_id,
            chosen_at,
            chosen_by,
            note,
        })
        .collect())
}

/// Lets the dates follow a calibration, or the priors, from now on; the acting person chooses, or nobody does. Two who
/// choose at once collide on the key.
///
/// # Errors
/// Stale, where another chose in between; those of the database.
pub fn choose(tx: &mut Tx<'_>, calibration_id: Option<CalibrationId>, note: Option<&str>) -> Result<()> {
    let (org_id, now, chosen_by) = (tx.org_id(), tx.now(), tx.person_id());
    let last: Option<i32> =
        c::table.filter(c::org_id.eq(org_id)).select(max(c::sequence)).first(tx.conn())?;
    diesel::insert_into(c::table)
        .values((
            c::org_id.eq(org_id),
            c::sequence.eq(last.unwrap_or(0) + 1),
            c::calibration_id.eq(calibration_id),
            c::chosen_at.eq(now),
            c::chosen_by.eq(chosen_by),
            c::note.eq(note),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// The calibration that the dates follow; none for the priors.
///
/// # Errors
/// Those of the database.
pub fn in_use(tx: &mut Tx<'_>) -> Result<Option<Followed>> {
    let chosen: Option<Option<CalibrationId>> = c::table
        .filter(c::org_id.eq(tx.org_id()))
        .order(c::sequence.desc())
        .select(c::calibration_id)
        .first(tx.conn())
        .optional()?;
    followed(tx, chosen.flatten())
}

fn followed(tx: &mut Tx<'_>, id: Option<CalibrationId>) -> Result<Option<Followed>> {
    id.map(|id| versions::read(tx, id).map(|stored| stored.followed)).transpose()
}

/// The calibration that the dates followed at an instant; none for the priors.
///
/// # Errors
/// Those of the database.
pub fn in_use_at(tx: &mut Tx<'_>, at: DateTime<Utc>) -> Result<Option<Followed>> {
    let chosen: Option<Option<CalibrationId>> = c::table
        .filter(c::org_id.eq(tx.org_id()).and(c::chosen_at.le(at)))
        .order(c::sequence.desc())
        .select(c::calibration_id)
        .first(tx.conn())
        .optional()?;
    followed(tx, chosen.flatten())
}

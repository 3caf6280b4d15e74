//! Which surveys are withdrawn: what belongs to them counts for nothing, and is not changed meanwhile.

use diesel::prelude::*;

use crate::db::Tx;
use crate::db::views::withdrawn_surveys;
use crate::error::{Code, Error, Result};
use crate::ids::SurveyId;

/// Whether a survey is withdrawn.
///
/// # Errors
/// Those of the database.
pub fn is_withdrawn(tx: &mut Tx<'_>, id: SurveyId) -> Result<bool> {
    let found = withdrawn_surveys::table.find((tx.org_id(), id));
    Ok(diesel::select(diesel::dsl::exists(found)).get_result(tx.conn())?)
}

/// Refuses to change what was read or found in a survey that is withdrawn.
///
/// # Errors
/// A conflict when it is withdrawn; those of the database.
pub fn refuse_withdrawn(tx: &mut Tx<'_>, id: SurveyId) -> Result<()> {
    if is_withdrawn(tx, id)? {
        return Err(Error::new(
            Code::Conflict,
            format!(
                "Its survey is withdrawn. To take it back, open a correction of the survey first: POST /v1/surveys/{id}/correction with the reason."
            ),
        ));
    }
    Ok(())
}

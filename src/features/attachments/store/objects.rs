//! The objects that rows of attachments name.

use diesel::prelude::*;

use crate::codes;
use crate::db::Tx;
use crate::db::views::current_attachments;
use crate::error::Result;
use crate::features::attachments::model::MediaType;
use crate::ids::{ObjectId, OrgId};

/// The name of the object that holds the bytes. It begins with the author, whose it stays wherever the vessel goes.
#[must_use]
pub fn content_name(author_org_id: OrgId, object_id: ObjectId) -> String {
    format!("{author_org_id}/{object_id}/content")
}

/// The name of the object that holds the thumbnail.
#[must_use]
pub fn thumbnail_name(author_org_id: OrgId, object_id: ObjectId) -> String {
    format!("{author_org_id}/{object_id}/thumbnail")
}

/// The objects of the organisation's attachments that are to stay, each with its author.
///
/// # Errors
/// Those of the database.
pub fn objects(tx: &mut Tx<'_>) -> Result<Vec<(OrgId, ObjectId, MediaType)>> {
    use current_attachments as a;
    let rows: Vec<(OrgId, ObjectId, String)> = a::table
        .filter(a::org_id.eq(tx.org_id()).and(a::erased_at.is_null()))
        .order(a::attachment_id)
        .select((a::author_org_id, a::object_id, a::media_type))
        .load(tx.conn())?;
    rows.into_iter().map(|(author, id, kind)| Ok((author, id, codes::from_text(&kind)?))).collect()
}

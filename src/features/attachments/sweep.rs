//! What is in the store and in no row, and what is in a row and not in the store.

use std::collections::BTreeSet;

use chrono::{DateTime, TimeDelta, Utc};

use crate::db::{Actor, Db};
use crate::error::Result;
use crate::features::accounts;
use crate::features::attachments::model::MediaType;
use crate::features::attachments::store::{self, content_name, thumbnail_name};
use crate::http::state::blocking;
use crate::ids::{Id, RequestId};
use crate::objects::Objects;

/// An object younger than this may still wait for its row.
const GRACE: TimeDelta = TimeDelta::hours(1);

/// What a sweep found.
#[derive(Debug, Default, Clone, PartialEq, Eq)]
pub struct Swept {
    /// Objects that rows name and that are there.
    pub kept: usize,
    /// Objects that no row names: removed.
    pub removed: usize,
    /// Objects that no row names yet.
    pub waiting: usize,
    /// Names of objects that rows name and that are not there.
    pub missing: Vec<String>,
}

/// The names of all objects that rows name.
fn named(db: &Db) -> Result<BTreeSet<String>> {
    let mut names = BTreeSet::new();
    for (org_id, _) in db.sign_in(accounts::store::organisations)? {
        let objects = db.read(&Actor::service(org_id, RequestId::fresh()), store::objects)?;
        for (author, object_id, media_type) in objects {
            names.insert(content_name(author, object_id));
            if media_type != MediaType::Pdf {
                names.insert(thumbnail_name(author, object_id));
            }
        }
    }
    Ok(names)
}

/// Removes every object of the store that no row names, unless it is younger than an hour at `now`.
///
/// # Errors
/// Those of the database and of the store.
pub async fn sweep(db: &Db, objects: &Objects, now: DateTime<Utc>) -> Result<Swept> {
    // The store before the rows: what is listed has had its time to get a row.
    let listed = objects.list("").await?;
    let rows = db.clone();
    let mut named = blocking(move || named(&rows)).await?;
    let mut swept = Swept::default();
    for object in listed {
        if named.remove(&object.name) {
            swept.kept += 1;
        } else if now - object.written_at > GRACE {
            objects.remove(&object.name).await?;
            swept.removed += 1;
        } else {
            swept.waiting += 1;
        }
    }
    // Named by a row that came after the list: look again before it is called missing.
    for name in named {
        if objects.get(&name).await?.is_none() {
            swept.missing.push(name);
        } else {
            swept.kept += 1;
        }
    }
    Ok(swept)
}

//! Whether and when the person who asks gets the weekly letter.

use actix_web::{get, patch};
use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::features::audit::{self, Act};
use crate::features::reports::job::recur;
use crate::features::reports::model::digest::DigestFields;
use crate::features::reports::store::digests as store;
use crate::http::preconditions::kept;
use crate::http::problem::{ChangeProblems, ReadProblems};
use crate::http::{App, IfMatch, Kept, Outcome, Patch, Permit};
use crate::ids::PersonId;
use crate::jobs::queue::DIGEST;
use crate::jobs::schedule;
use crate::permissions::BeOneself;

/// Whether and when you get the weekly letter.
#[derive(Debug, Serialize, ToSchema)]
pub struct DigestView {
    /// You.
    pub person_id: PersonId,
    /// The version of the choice, also the `ETag`; 0 before you first choose.
    pub version: i32,
    /// When it last changed.
    pub updated_at: Option<DateTime<Utc>>,
    /// When the next letter is sent, if it is wanted.
    pub next_at: Option<DateTime<Utc>>,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: DigestFields,
}

impl Kept for DigestView {
    fn id(&self) -> Uuid {
        self.person_id.into()
    }
    fn version(&self) -> i32 {
        self.version
    }
}

fn person(permit: &Permit<BeOneself>) -> Result<PersonId> {
    permit.actor().person_id.ok_or_else(|| Error::new(Code::Forbidden, "Sign in as a person."))
}

/// Whether and when a person gets the weekly letter.
///
/// # Errors
/// Those of the database.
pub fn view(tx: &mut Tx<'_>, person_id: PersonId) -> Result<DigestView> {
    let chosen = store::chosen(tx, person_id)?;
    Ok(DigestView {
        person_id,
        version: chosen.version,
        updated_at: chosen.updated_at,
        next_at: schedule::next_at(tx, DIGEST, person_id.into())?,
        fields: chosen.fields,
    })
}

/// Keeps a choice, and lets the letter recur or not.
///
/// # Errors
/// Invalid, for a site that is not there; stale; those of the database.
pub(super) fn choose(
    tx: &mut Tx<'_>,
    person_id: PersonId,
    before: (i32, DigestFields),
    after: DigestFields,
    action: &str,
) -> Result<()> {
    store::choose(tx, person_id, &after, before.0)?;
    recur(tx, person_id, &after)?;
    if !after.wanted {
        store::close_addresses(tx, person_id)?;
    }
    let known = (before.0 > 0).then_some(&before.1);
    audit::record(
        tx,
        &Act { action, entity: "digest", entity_id: person_id.into(), before: known, after: Some(&after) },
    )
}

/// Reads whether and when you get the weekly letter of what is overdue, falls due and has moved.
#[utoipa::path(tag = "reports", security(("bearer" = [])),
    responses((status = 200, description = "Your choice", body = DigestView), ReadProblems))]
#[get("/v1/me/digest")]
pub async fn read_digest(app: App, permit: Permit<BeOneself>) -> Outcome {
    let person_id = person(&permit)?;
    app.read(&permit, move |tx| view(tx, person_id)).await.map(kept)
}

/// Asks for the weekly letter, for another day or hour of it, or for none. It is sent at the local hour of the site or of
/// the organisation, also when the clocks change; an hour they skip is the first after the gap.
#[utoipa::path(tag = "reports", security(("bearer" = [])), request_body = Patch<DigestFields>,
    params(("If-Match" = String, Header, description = "The ETag the change is made on")),
    responses((status = 200, description = "As it stands now", body = DigestView),
        (status = 409, description = "This service sends no mail", body = crate::http::problem::Problem, content_type = "application/problem+json"),
        ChangeProblems))]
#[patch("/v1/me/digest")]
pub async fn change_digest(
    app: App,
    permit: Permit<BeOneself>,
    if_match: IfMatch,
    patch: Patch<DigestFields>,
) -> Outcome {
    let (person_id, posts) = (person(&permit)?, app.guards.mail.is_some());
    app.write(&permit, move |tx| change(tx, person_id, posts, if_match, &patch)).await.map(kept)
}

/// Changes whether and when a person gets the weekly letter; `posts`: whether this service sends mail at all.
///
/// # Errors
/// A conflict where it sends none; invalid; stale; those of the database.
pub fn change(
    tx: &mut Tx<'_>,
    person_id: PersonId,
    posts: bool,
    if_match: IfMatch,
    patch: &Patch<DigestFields>,
) -> Result<DigestView> {
    let stored = store::chosen(tx, person_id)?;
    if_match.check(stored.version)?;
    let after = patch.apply(&stored.fields)?;
    if after.wanted && !posts {
        let detail = "This service sends no mail. Ask whoever runs it to set GARBOARD_SMTP_URL.";
        return Err(Error::new(Code::Conflict, detail));
    }
    choose(tx, person_id, (stored.version, stored.fields), after, "change_digest")?;
    view(tx, person_id)
}

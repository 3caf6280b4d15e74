//! Members of the caller's organisation.

use actix_web::{HttpResponse, get, patch};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::db::Tx;
use crate::error::Result;
use crate::features::accounts::model::{MemberFields, keeps_an_administrator};
use crate::features::accounts::store::{self, Member};
use crate::features::audit::{self, Act};
use crate::http::paging::ListQuery;
use crate::http::preconditions::kept;
use crate::http::problem::{ChangeProblems, ListProblems, ReadProblems};
use crate::http::{App, At, IfMatch, Kept, Outcome, Page, Params, Patch, Permit};
use crate::ids::PersonId;
use crate::permissions::Administer;

/// A member.
#[derive(Debug, Serialize, ToSchema)]
pub struct MemberView {
    /// The person.
    pub person_id: PersonId,
    /// The version of the membership, also the `ETag`.
    pub version: i32,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
    /// The address the person signs in with.
    pub email: String,
    /// How others see the person.
    pub display_name: String,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: MemberFields,
}

impl Kept for MemberView {
    fn id(&self) -> Uuid {
        self.person_id.into()
    }
    fn version(&self) -> i32 {
        self.version
    }
}

impl From<Member> for MemberView {
    fn from(m: Member) -> Self {
        Self {
            person_id: m.person_id,
            version: m.version,
            updated_at: m.updated_at,
            email: m.email,
            display_name: m.display_name,
            fields: m.fields,
        }
    }
}

/// Which members.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct MemberQuery {
    /// Only those changed at or after this time.
    #[param(nullable = false)]
    pub updated_since: Option<DateTime<Utc>>,
    /// Rows a page, 1 to 200.
    #[param(nullable = false, minimum = 1, maximum = 200)]
    pub limit: Option<u32>,
    /// Where the page before ended.
    #[param(nullable = false)]
    pub cursor: Option<String>,
}
crate::list_query!(MemberQuery, "list_members");

/// Changes a member's role, or ends the membership.
///
/// # Errors
/// Not found; stale; invalid, where it would leave no administrator; those of the database.
pub fn change(
    tx: &mut Tx<'_>,
    id: PersonId,
    if_match: IfMatch,
    patch: &Patch<MemberFields>,
) -> Result<MemberView> {
    let before = store::read_member(tx, id)?;
    if_match.check(before.version)?;
    let after = patch.apply(&before.fields)?;
    keeps_an_administrator(store::other_administrators(tx, id)?, &after)?;
    store::update_member(tx, id, &after, before.version)?;
    let act = Act {
        action: "change_member",
        entity: "member",
        entity_id: id.into(),
        before: Some(&before.fields),
        after: Some(&after),
    };
    audit::record(tx, &act)?;
    store::read_member(tx, id).map(MemberView::from)
}

/// Lists the members.
#[utoipa::path(tag = "accounts", security(("bearer" = [])), params(MemberQuery),
    responses((status = 200, description = "A page of members", body = Page<MemberView>), ListProblems))]
#[get("/v1/members")]
pub async fn list_members(app: App, permit: Permit<Administer>, query: Params<MemberQuery>) -> Outcome {
    let query = query.0;
    let (page, since) = (query.page()?, query.updated_since);
    let slice = app.read(&permit, move |tx| store::list_members(tx, since, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, MemberView::from)))
}

/// Reads a member.
#[utoipa::path(tag = "accounts", security(("bearer" = [])), params(("id" = PersonId, Path, description = "The person")),
    responses((status = 200, description = "The member", body = MemberView), ReadProblems))]
#[get("/v1/members/{id}")]
pub async fn read_member(app: App, permit: Permit<Administer>, id: At<PersonId>) -> Outcome {
    app.read(&permit, move |tx| store::read_member(tx, id.0).map(MemberView::from)).await.map(kept)
}

/// Changes a member's role, or ends the membership.
#[utoipa::path(tag = "accounts", security(("bearer" = [])), request_body = Patch<MemberFields>,
    params(("id" = PersonId, Path, description = "The person"), ("If-Match" = String, Header, description = "The ETag the change is made on")),
    responses((status = 200, description = "As it stands now", body = MemberView), ChangeProblems))]
#[patch("/v1/members/{id}")]
pub async fn change_member(
    app: App,
    permit: Permit<Administer>,
    id: At<PersonId>,
    if_match: IfMatch,
    patch: Patch<MemberFields>,
) -> Outcome {
    app.write(&permit, move |tx| change(tx, id.0, if_match, &patch)).await.map(kept)
}

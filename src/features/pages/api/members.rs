//! The people of the organisation: who belongs to it, in which role; who is invited.

use actix_web::HttpRequest;
use askama::Template;
use serde_json::{Map, Value};

use super::choice::role_words;
use super::form::{Filled, Pairs, field, version};
use super::frame::{Frame, Told, organisation_name, send_telling};
use super::session::{PagePermit, see};
use super::sign_in::Nothing;
use crate::db::paging::{PageRequest, Slice};
use crate::error::Result;
use crate::features::accounts::api::invitations::{InvitationView, invite_by_letter, withdraw};
use crate::features::accounts::api::members::{MemberView, change};
use crate::features::accounts::model::NewInvitationFields;
use crate::features::accounts::store::{self, links};
use crate::http::body::read_fields;
use crate::http::{App, At, Outcome, Patch};
use crate::ids::{InvitationId, PersonId};
use crate::permissions::{Administer, Role};

const ROLES: [Role; 5] = [Role::Administrator, Role::Lead, Role::Surveyor, Role::Crew, Role::Reader];
/// The records of a list that a page shows at most; the API gives all.
const MOST: usize = 1000;

/// All of a list, read piece by piece, up to a thousand or so.
///
/// # Errors
/// Those of `piece`.
pub fn whole<T>(mut piece: impl FnMut(PageRequest) -> Result<Slice<T>>) -> Result<Vec<T>> {
    let (mut all, mut after) = (Vec::new(), None);
    loop {
        let Slice { items, next } = piece(PageRequest { limit: 200, after })?;
        all.extend(items);
        after = next;
        if after.is_none() || all.len() >= MOST {
            return Ok(all);
        }
    }
}

#[derive(Template)]
#[template(path = "members.html")]
struct MembersPage {
    frame: Frame,
    own: Option<PersonId>,
    members: Vec<MemberView>,
    invitations: Vec<InvitationView>,
}

#[allow(clippy::unused_self, reason = "the template calls it")]
impl MembersPage {
    fn role(&self, role: &Role) -> &'static str {
        role_words(*role)
    }
    fn is(&self, one: &Role, other: &Role) -> bool {
        one == other
    }
    fn is_reader(&self, role: &Role) -> bool {
        *role == Role::Reader
    }
    fn is_own(&self, member: &MemberView) -> bool {
        self.own == Some(member.person_id)
    }
    fn code(&self, role: &Role) -> String {
        crate::codes::to_text(role).unwrap_or_default()
    }
}

async fn page(
    app: &App,
    request: &HttpRequest,
    permit: &PagePermit<Administer>,
    told: Option<Told>,
) -> Outcome {
    let (name, members, invitations) = app
        .read(&permit.0, |tx| {
            let now = tx.now();
            let members = whole(|page| store::list_members(tx, None, page))?;
            let invitations = whole(|page| links::list_invitations(tx, page))?;
            let open = invitations.into_iter().map(InvitationView::from).filter(|invitation| {
                invitation.accepted_at.is_none()
                    && invitation.withdrawn_at.is_none()
                    && invitation.expires_at > now
            });
            let members = members.into_iter().map(MemberView::from).filter(|member| !member.fields.ended);
            Ok((organisation_name(tx)?, members.collect(), open.collect()))
        })
        .await?;
    let frame = Frame::of(request, name, "organisation", "Members")?.telling(told);
    let page = MembersPage { frame, own: permit.0.actor().person_id, members, invitations };
    send_telling(&page, page.frame.told.as_ref())
}

/// The members, and who is invited.
///
/// # Errors
/// Those of the database.
pub async fn show(app: App, request: HttpRequest, permit: PagePermit<Administer>) -> Outcome {
    page(&app, &request, &permit, None).await
}

/// On to the members, or the form once more with what is wrong.
async fn after<T>(
    app: &App,
    request: &HttpRequest,
    permit: &PagePermit<Administer>,
    result: Result<T>,
) -> Outcome {
    match result {
        Ok(_) => Ok(see("/members?saved=1")),
        Err(error) => page(app, request, permit, Some(Told::of(error)?)).await,
    }
}

/// Changes a member's role, or takes them out.
///
/// # Errors
/// Not found; those of the database.
pub async fn change_member(
    app: App,
    request: HttpRequest,
    permit: PagePermit<Administer>,
    id: At<PersonId>,
    filled: Filled<Pairs>,
) -> Outcome {
    let pairs = filled.0;
    let result = async {
        let version = version(&pairs)?;
        let mut merge = Map::new();
        if field(&pairs, "ended").is_some() {
            merge.insert("ended".to_owned(), Value::Bool(true));
        } else if let Some(role) = field(&pairs, "role") {
            merge.insert("role".to_owned(), Value::from(role));
        }
        let patch = Patch::from_value(Value::Object(merge))?;
        app.write(&permit.0, move |tx| change(tx, id.0, version, &patch)).await
    };
    let result = result.await;
    after(&app, &request, &permit, result).await
}

/// Invites somebody.
///
/// # Errors
/// Those of the post and of the database.
pub async fn invite(
    app: App,
    request: HttpRequest,
    permit: PagePermit<Administer>,
    filled: Filled<Pairs>,
) -> Outcome {
    let fields: Map<String, Value> = filled.0.into_iter().map(|(name, value)| (name, value.into())).collect();
    let state = app.clone();
    let result = async {
        let new: NewInvitationFields = read_fields(Value::Object(fields))?;
        app.with_db(&permit.0, move |db, actor| invite_by_letter(&state, db, actor, &new)).await
    };
    let result = result.await;
    after(&app, &request, &permit, result).await
}

/// Takes an invitation back.
///
/// # Errors
/// Not found; those of the database.
pub async fn withdraw_invitation(
    app: App,
    request: HttpRequest,
    permit: PagePermit<Administer>,
    id: At<InvitationId>,
    _: Filled<Nothing>,
) -> Outcome {
    let result = app.write(&permit.0, move |tx| withdraw(tx, id.0)).await;
    after(&app, &request, &permit, result).await
}

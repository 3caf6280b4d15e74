//! Invitations: how a person becomes a member. Nobody is taken in without asking.

use actix_web::{HttpResponse, get, post};
use chrono::{DateTime, Duration, Utc};
use garde::Validate;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use utoipa::{IntoParams, ToSchema};

use crate::db::{Actor, Db, Tx};
use crate::error::{Code, Error, Result};
use crate::features::accounts::api::proof::{Proof, fresh_secret, hash_password, prove, token_bytes};
use crate::features::accounts::api::sign_in::{SessionView, open_session};
use crate::features::accounts::model::{NewInvitationFields, NewMemberFields};
use crate::features::accounts::store::links::{self, Invitation, ids_in};
use crate::features::accounts::store::{self, sessions};
use crate::features::audit::{self, Act};
use crate::http::body::validated;
use crate::http::paging::ListQuery;
use crate::http::problem::{CreateProblems, ListProblems, OpenDoorProblems, ReadProblems};
use crate::http::state::{AppState, blocking};
use crate::http::{App, At, CallerAddress, Outcome, Page, Params, Permit, Plain};
use crate::ids::{Id, InvitationId, OrgId, PersonId, RequestId};
use crate::permissions::{Administer, Role};

/// How long an invitation can be accepted, in days.
pub const INVITATION_DAYS: i64 = 7;

/// An invitation.
#[derive(Debug, Serialize, ToSchema)]
pub struct InvitationView {
    /// Its id.
    pub id: InvitationId,
    /// Whom it invites; null once it was accepted or withdrawn.
    pub email: Option<String>,
    /// To which role.
    pub role: Role,
    /// Who invited; null for whoever runs the service.
    pub invited_by: Option<PersonId>,
    /// When.
    pub created_at: DateTime<Utc>,
    /// Until when it can be accepted.
    pub expires_at: DateTime<Utc>,
    /// When it was accepted.
    pub accepted_at: Option<DateTime<Utc>>,
    /// When it was withdrawn.
    pub withdrawn_at: Option<DateTime<Utc>>,
}

impl From<Invitation> for InvitationView {
    fn from(i: Invitation) -> Self {
        Self {
            id: i.id,
            email: i.email,
            role: i.role,
            invited_by: i.invited_by,
            created_at: i.created_at,
            expires_at: i.expires_at,
            accepted_at: i.accepted_at,
            withdrawn_at: i.withdrawn_at,
        }
    }
}

/// Which invitations.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct InvitationQuery {
    /// Rows a page, 1 to 200.
    #[param(nullable = false, minimum = 1, maximum = 200)]
    pub limit: Option<u32>,
    /// Where the page before ended.
    #[param(nullable = false)]
    pub cursor: Option<String>,
}
crate::list_query!(InvitationQuery, "list_invitations");

/// An invitation to accept.
#[derive(Debug, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Acceptance {
    /// The token of the letter.
    #[garde(length(max = 200))]
    #[schema(max_length = 200)]
    pub token: String,
    /// Your password: the one you have, if you sign in here already; else a new one of 12 to 200 characters.
    #[garde(length(max = 800))]
    #[schema(max_length = 800)]
    pub password: String,
    /// How others will see you, if you are new here.
    #[garde(inner(length(chars, min = 1, max = 200)))]
    #[schema(min_length = 1, max_length = 200)]
    pub display_name: Option<String>,
    /// The code of your second factor, if your account has one.
    #[garde(inner(length(max = 12)))]
    #[schema(max_length = 12)]
    pub code: Option<String>,
}

/// What is recorded of an invitation: no address.
#[derive(Serialize)]
struct Recorded {
    role: Role,
}

/// Makes an invitation of the actor's organisation; what it tells is the token, kept nowhere.
///
/// # Errors
/// Duplicate, when the address is a member's; those of the database.
pub fn invite(db: &Db, actor: &Actor, new: &NewInvitationFields) -> Result<(InvitationId, String)> {
    let id = InvitationId::fresh();
    let (token, digest) = fresh_secret(&[actor.org_id.into(), id.into()])?;
    db.write(actor, |tx| {
        let expires_at = tx.now() + Duration::days(INVITATION_DAYS);
        let email = new.email.trim().to_lowercase();
        links::insert_invitation(tx, id, &email, new.role, &digest, expires_at)?;
        let after = Recorded { role: new.role };
        let act = Act {
            action: "create_invitation",
            entity: "invitation",
            entity_id: id.into(),
            before: None,
            after: Some(&after),
        };
        audit::record(tx, &act)
    })?;
    Ok((id, token))
}

/// Invites a person by a letter to their address.
///
/// # Errors
/// Conflict, where the service sends no mail; duplicate; those of the post and of the database.
pub fn invite_by_letter(
    state: &AppState,
    db: &Db,
    actor: &Actor,
    new: &NewInvitationFields,
) -> Result<InvitationView> {
    let mail = state.guards.mail.as_ref().ok_or_else(|| {
        Error::new(
            Code::Conflict,
            "This service sends no mail. Whoever runs it invites with: garboard invite --email ADDRESS --role ROLE",
        )
    })?;
    let (id, token) = invite(db, actor, new)?;
    let letter = format!(
        "You are invited to an organisation on garboard.\n\nTo accept, send this token with a password to\n\
         {{address}}/v1/invitations/acceptance (see {{address}}/docs/) within {INVITATION_DAYS} days:\n\n{token}\n\n\
         If you expected no invitation, do nothing.\n"
    );
    if let Err(unsent) = mail.send(new.email.trim(), "An invitation", &letter) {
        // Nobody holds its token: it would stand open for nothing.
        db.write(actor, |tx| withdraw(tx, id))?;
        return Err(unsent);
    }
    db.read(actor, |tx| links::read_invitation(tx, id).map(InvitationView::from))
}

/// Invites a person. The letter goes to the address; the person joins by accepting.
#[utoipa::path(tag = "accounts", security(("bearer" = [])), request_body = NewInvitationFields,
    responses((status = 201, description = "Invited, the letter is sent", body = InvitationView), CreateProblems))]
#[post("/v1/invitations")]
pub async fn create_invitation(
    app: App,
    permit: Permit<Administer>,
    body: Plain<NewInvitationFields>,
) -> Outcome {
    let state = app.clone();
    let view = app.with_db(&permit, move |db, actor| invite_by_letter(&state, db, actor, &body.0)).await?;
    Ok(HttpResponse::Created().insert_header(("location", format!("/v1/invitations/{}", view.id))).json(view))
}

/// Lists the invitations, oldest first.
#[utoipa::path(tag = "accounts", security(("bearer" = [])), params(InvitationQuery),
    responses((status = 200, description = "A page of invitations", body = Page<InvitationView>), ListProblems))]
#[get("/v1/invitations")]
pub async fn list_invitations(
    app: App,
    permit: Permit<Administer>,
    query: Params<InvitationQuery>,
) -> Outcome {
    let query = query.0;
    let page = query.page()?;
    let slice = app.read(&permit, move |tx| links::list_invitations(tx, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, InvitationView::from)))
}

/// Reads an invitation.
#[utoipa::path(tag = "accounts", security(("bearer" = [])),
    params(("id" = InvitationId, Path, description = "The invitation")),
    responses((status = 200, description = "The invitation", body = InvitationView), ReadProblems))]
#[get("/v1/invitations/{id}")]
pub async fn read_invitation(app: App, permit: Permit<Administer>, id: At<InvitationId>) -> Outcome {
    let view =
        app.read(&permit, move |tx| links::read_invitation(tx, id.0).map(InvitationView::from)).await?;
    Ok(HttpResponse::Ok().json(view))
}

/// Withdraws an invitation.
///
/// # Errors
/// Not found; conflict, once it was accepted; those of the database.
pub fn withdraw(tx: &mut Tx<'_>, id: InvitationId) -> Result<()> {
    let before = links::read_invitation(tx, id)?;
    links::withdraw_invitation(tx, id)?;
    let act = Act {
        action: "withdraw_invitation",
        entity: "invitation",
        entity_id: id.into(),
        before: Some(&Recorded { role: before.role }),
        after: None,
    };
    audit::record(tx, &act)
}

/// Withdraws an invitation that was not accepted yet.
#[utoipa::path(tag = "accounts", security(("bearer" = [])),
    params(("id" = InvitationId, Path, description = "The invitation")),
    responses((status = 200, description = "Withdrawn", body = InvitationView), CreateProblems))]
#[post("/v1/invitations/{id}/withdrawal")]
pub async fn withdraw_invitation(app: App, permit: Permit<Administer>, id: At<InvitationId>) -> Outcome {
    let withdrawn = app.write(&permit, move |tx| {
        withdraw(tx, id.0)?;
        links::read_invitation(tx, id.0).map(InvitationView::from)
    });
    Ok(HttpResponse::Ok().json(withdrawn.await?))
}

fn no_invitation() -> Error {
    Error::field(
        "/token",
        "unknown",
        "opens no invitation: it was used, withdrawn or ran out, or is not whole. Ask for another one.",
    )
}

fn accept(app: &AppState, from: std::net::IpAddr, asked: &Acceptance) -> Result<SessionView> {
    let bytes = token_bytes(&asked.token).ok_or_else(no_invitation)?;
    let (org_id, rest) = ids_in(&bytes).ok_or_else(no_invitation)?;
    let (id, secret) = ids_in(rest).ok_or_else(no_invitation)?;
    let (org_id, id) = (OrgId::from(org_id), InvitationId::from(id));
    let digest = Sha256::digest(secret);
    let now = app.clock.now();
    let find =
        |conn: &mut _| links::open_invitation(conn, org_id, id, &digest, now)?.ok_or_else(no_invitation);
    let (email, role, _) = app.db.sign_in(find)?;
    let known = app.db.sign_in(|conn| sessions::candidate(conn, &email))?.is_some();
    let hash = if known {
        let proof = Proof { email: &email, password: &asked.password, code: asked.code.as_deref() };
        prove(app, from, proof)?;
        // Never stored: the person keeps the password that was just proven.
        String::new()
    } else {
        hash_password(&asked.password)?
    };
    let new = NewMemberFields {
        email,
        display_name: asked.display_name.clone().unwrap_or_default(),
        role,
        password: asked.password.clone(),
    };
    let new = if known { new } else { validated(new)? };
    let person_id = app.db.sign_in(|conn| {
        // Once more, with the row locked: of two who accept at once, one comes too late.
        let (_, _, invited_by) = find(conn)?;
        let by = invited_by.map(|person| (person, RequestId::fresh()));
        links::accept_invitation(conn, org_id, id, now)?;
        store::insert_member(conn, org_id, by, &new, &hash, now)
    })?;
    open_session(app, person_id, Some(org_id))
}

/// Accepts an invitation with the token of the letter, and signs in.
#[utoipa::path(tag = "accounts", request_body = Acceptance,
    responses((status = 200, description = "A member now, and signed in", body = SessionView),
        (status = 409, description = "A member already", body = crate::http::problem::Problem, content_type = "application/problem+json"), OpenDoorProblems))]
#[post("/v1/invitations/acceptance")]
pub async fn accept_invitation(app: App, from: CallerAddress, body: Plain<Acceptance>) -> Outcome {
    let view = blocking(move || accept(&app, from.0, &body.0)).await?;
    Ok(HttpResponse::Ok().insert_header(("cache-control", "no-store")).json(view))
}

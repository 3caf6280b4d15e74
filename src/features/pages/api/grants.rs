//! What other organisations may do on our vessels, and we on theirs; vessels on offer.

use actix_web::HttpRequest;
use actix_web::http::StatusCode;
use askama::Template;
use chrono::{DateTime, NaiveDate, Utc};
use serde_json::{Value, json};

use super::act_form::{ActForm, Field, Kind, Typed, fresh_id};
use super::entry_survey::once;
use super::form::{Filled, Pairs, field};
use super::frame::{Frame, organisation_name, send_as};
use super::learning::Refused;
use super::members::whole;
use super::session::{PagePermit, see};
use super::yard_words::LocalTime;
use crate::codes;
use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::features::due::api::list::organisation_today;
use crate::features::grants::api::{given, transfers};
use crate::features::grants::model::{GrantScope, GrantState, TransferState};
use crate::features::grants::store::grant::{self as grants, Grant, GrantFilter};
use crate::features::grants::store::transfer::{self as transfer_store, Transfer};
use crate::features::sites;
use crate::features::vessels::store::{self as vessels, Vessel};
use crate::http::problem::status;
use crate::http::{App, At, Outcome, Permit};
use crate::ids::{GrantId, OrgId, SiteId, TransferId, VesselId};
use crate::permissions::{GrantVessels, Permission, Read};

const SCOPES: [(GrantScope, &str); 3] = [
    (GrantScope::Read, "read all that is recorded of it"),
    (GrantScope::RecordSurveys, "read, and record surveys, readings and findings"),
    (GrantScope::RecordTreatments, "read, and record haul-outs, coats and treatments"),
];
/// Vessels named where what was typed fits several.
const MOST_NAMED: usize = 5;

/// A grant as the page tells it.
struct Told {
    id: GrantId,
    vessel_id: VesselId,
    vessel: String,
    partner: String,
    scope: &'static str,
    period: String,
    state: &'static str,
    note: String,
    live: bool,
    revocable: bool,
}

/// A transfer as the page tells it.
struct Offer {
    id: TransferId,
    vessel: String,
    partner: String,
    on: String,
    note: String,
    state: &'static str,
    open: bool,
}

#[derive(Template)]
#[template(path = "grants.html")]
struct GrantsPage {
    frame: Frame,
    own: OrgId,
    given: Vec<Told>,
    held: Vec<Told>,
    offered: Vec<Offer>,
    received: Vec<Offer>,
    sites: Vec<(SiteId, String)>,
    may: bool,
    forms: Vec<ActForm>,
    done: String,
    problem: Option<String>,
    came: Vec<String>,
}

fn told(grant: Grant, local: &LocalTime) -> Told {
    let fields = grant.fields;
    let scope = SCOPES.iter().find(|(scope, _)| *scope == fields.scope).map_or("", |(_, words)| *words);
    // What a transfer leaves to those who recorded before it: a grant that ended as it began.
    let by_transfer = grant.revoked_at.is_some() && grant.revoked_at == fields.from_at;
    let ended_at = grant.revoked_at.or(fields.until_at);
    let (from, until) = (fields.from_at.map(|at| local.time(at)), ended_at.map(|at| local.time(at)));
    let period = match (from, until) {
        (_, Some(until)) if by_transfer => format!("ended with the transfer, {until}"),
        (Some(from), Some(until)) => format!("{from} to {until}"),
        (Some(from), None) => format!("from {from}, without an end"),
        (None, _) => String::new(),
    };
    Told {
        id: grant.id,
        vessel_id: fields.vessel_id,
        vessel: grant.vessel_name.unwrap_or_else(|| "a vessel no longer seen".to_owned()),
        partner: grant.partner_name,
        scope,
        period,
        note: fields.note.unwrap_or_default(),
        state: match grant.state {
            GrantState::Upcoming => "begins later",
            GrantState::Live => "holds",
            GrantState::Ended => "over",
            GrantState::Revoked if by_transfer => "over",
            GrantState::Revoked => "revoked",
        },
        live: grant.state == GrantState::Live,
        revocable: matches!(grant.state, GrantState::Live | GrantState::Upcoming),
    }
}

fn offer_told(transfer: Transfer, received: bool, local: &LocalTime) -> Offer {
    Offer {
        id: transfer.id,
        vessel: transfer.vessel_name,
        partner: if received { transfer.org_name } else { transfer.to_org_name },
        on: local.day(transfer.created_at),
        note: transfer.note.unwrap_or_default(),
        state: match transfer.state {
            TransferState::Offered => "waits for an answer",
            TransferState::Accepted => "accepted",
            TransferState::Declined => "declined",
            TransferState::Withdrawn => "withdrawn",
        },
        open: transfer.state == TransferState::Offered,
    }
}

/// The fields that both forms begin with.
fn beginning(org_field: &'static str) -> Vec<Field> {
    vec![
        Field::unseen("id", fresh_id()),
        Field::new("vessel", "Vessel: its name or reference", Kind::Text).needed(),
        Field::new(
            org_field,
            "The other organisation\u{2019}s id, as it reads it on its own page of grants",
            Kind::Text,
        )
        .needed(),
    ]
}

fn give_form() -> ActForm {
    let scopes =
        SCOPES.iter().map(|(scope, words)| (codes::to_text(scope).unwrap_or_default(), (*words).to_owned()));
    let mut fields = beginning("grantee_org_id");
    fields.extend([
        Field::new("scope", "What it may do", Kind::Choice(scopes.collect())).needed().holding("read"),
        Field::new("from_at", "From the day; empty for at once", Kind::Day),
        Field::new("until_at", "To the end of the day; empty for no end", Kind::Day),
        Field::new("note", "Note, which the other does not see", Kind::Long),
    ]);
    let mut form = ActForm::new("give", "Grant a vessel", "/grants".to_owned(), "Grant it", fields);
    "The other organisation sees the vessel with its owner, site, coats and limits. It can pass nothing on. You can revoke it at once."
        .clone_into(&mut form.about);
    form
}

fn offer_form() -> ActForm {
    let mut fields = beginning("to_org_id");
    fields.push(Field::new("note", "Note, which the other reads", Kind::Long));
    let title = "Offer a vessel for good";
    let mut form = ActForm::new("offer", title, "/transfers".to_owned(), "Offer it", fields);
    "Once the other organisation accepts, the vessel and its whole history are its own. You go on reading what you recorded, and nothing else."
        .clone_into(&mut form.about);
    form
}

/// What a form of the page led to.
#[derive(Default)]
struct After {
    refused: Option<Refused>,
    problem: Option<Error>,
    came: Vec<String>,
}

async fn page<P: Permission>(app: &App, request: &HttpRequest, permit: &Permit<P>, after: After) -> Outcome {
    let own = permit.actor().org_id;
    let frame = Frame::of(request, String::new(), "organisation", "Grants and transfers")?;
    let may = frame.administers();
    let (organisation, lists, sites) = app
        .read(permit, move |tx| {
            let local = LocalTime::of(tx)?;
            let filter = GrantFilter::default();
            let given = whole(|page| grants::list(tx, filter, page))?;
            let held = whole(|page| grants::list_held(tx, filter, page))?;
            let offered = whole(|page| transfer_store::list(tx, false, None, page))?;
            let received = whole(|page| transfer_store::list(tx, true, None, page))?;
            let told =
                |grants: Vec<Grant>| grants.into_iter().rev().map(|grant| told(grant, &local)).collect();
            let offers = |transfers: Vec<Transfer>, received| {
                transfers.into_iter().rev().map(|transfer| offer_told(transfer, received, &local)).collect()
            };
            let lists: (Vec<Told>, Vec<Told>, Vec<Offer>, Vec<Offer>) =
                (told(given), told(held), offers(offered, false), offers(received, true));
            Ok((organisation_name(tx)?, lists, sites::store::names(tx)?))
        })
        .await?;
    let code = [
        after.refused.as_ref().map(|refused| refused.error.code),
        after.problem.as_ref().map(|error| error.code),
    ];
    let answered = code.into_iter().flatten().next().map_or(StatusCode::OK, status);
    let forms = if may { vec![give_form(), offer_form()] } else { Vec::new() };
    let forms = forms.into_iter().map(|form| Refused::tell(form, after.refused.as_ref()));
    let (given, held, offered, received) = lists;
    let query = request.query_string();
    let done = form_urlencoded::parse(query.as_bytes()).find(|(name, _)| name == "done");
    let done = match done.as_ref().map(|(_, what)| what.as_ref()) {
        Some("give") => "Granted.",
        Some("revoke") => "Revoked, at once. What the other recorded stays, readable to both.",
        Some("offer") => "Offered. It stays yours until the other accepts.",
        Some("decline") => "Declined.",
        Some("withdraw") => "Withdrawn.",
        _ => "",
    };
    let token = frame.form.clone();
    let page = GrantsPage {
        own,
        given,
        held,
        offered,
        received,
        sites,
        may,
        forms: forms.map(|form| ActForm { token: token.clone(), ..form }).collect(),
        done: done.to_owned(),
        problem: after.problem.map(|error| error.detail),
        came: after.came,
        frame: Frame { organisation, ..frame },
    };
    send_as(answered, &page)
}

/// Grants and transfers.
///
/// # Errors
/// Those of the database.
pub async fn show(app: App, request: HttpRequest, permit: PagePermit<Read>) -> Outcome {
    page(&app, &request, &permit.0, After::default()).await
}

/// The one vessel that what was typed means.
fn vessel(tx: &mut Tx<'_>, typed: &str) -> Result<VesselId> {
    let (today, text) = (organisation_today(tx)?, typed.trim());
    let found = vessels::by_name(tx, today, Some(text), None, None, 50)?;
    let same = |one: &str| one.to_lowercase() == text.to_lowercase();
    let exact: Vec<&Vessel> = found
        .iter()
        .filter(|vessel| same(&vessel.fields.name) || vessel.fields.r#ref.as_deref().is_some_and(same))
        .collect();
    match (exact.as_slice(), found.as_slice()) {
        ([one], _) => Ok(one.id),
        ([], [one]) => Ok(one.id),
        ([], []) => Err(Error::field("/vessel", "unknown", "fits no vessel in service. Correct it.")),
        (_, several) => {
            let named: Vec<String> = several
                .iter()
                .take(MOST_NAMED)
                .map(|vessel| match &vessel.fields.r#ref {
                    Some(r#ref) => format!("{} ({ref})", vessel.fields.name, r#ref = r#ref),
                    None => vessel.fields.name.clone(),
                })
                .collect();
            let detail =
                format!("fits several: {}. Enter the whole name or the reference.", named.join(", "));
            Err(Error::field("/vessel", "several", detail))
        }
    }
}

/// What was typed, as a program would send it; the vessel apart.
fn read(tx: &mut Tx<'_>, form: &ActForm, typed: &Typed) -> Result<(VesselId, Value)> {
    let local = LocalTime::of(tx)?;
    let mut json = form.json(typed, &local, json!({}))?;
    let vessel_id = vessel(tx, json["vessel"].as_str().unwrap_or_default())?;
    if let Value::Object(object) = &mut json {
        object.remove("vessel");
        for (name, next) in [("from_at", 0), ("until_at", 1)] {
            if let Some(day) = object.remove(name) {
                let at = midnight(&local, name, day.as_str().unwrap_or_default(), next)?;
                object.insert(name.to_owned(), json!(at));
            }
        }
    }
    Ok((vessel_id, json))
}

/// The beginning of a day by the organisation's clock, or of one so many days later.
fn midnight(local: &LocalTime, name: &str, typed: &str, later: u64) -> Result<DateTime<Utc>> {
    let day = typed.parse::<NaiveDate>().ok().and_then(|day| day.checked_add_days(chrono::Days::new(later)));
    let day = day.ok_or_else(|| {
        Error::field(format!("/{name}"), "type", "is no day. Enter one as 2026-06-15, or leave it empty.")
    })?;
    // Some clocks skip an hour at midnight.
    let at = |hour: u32| local.read(name, &format!("{day}T{hour:02}:00"));
    at(0).or_else(|_| at(1)).map_err(|fault| Error::invalid(vec![fault]))
}

fn mendable(error: &Error) -> bool {
    !matches!(error.code, Code::Internal | Code::Unavailable | Code::NotFound | Code::Forbidden)
}

async fn made(
    app: App,
    request: HttpRequest,
    permit: PagePermit<GrantVessels>,
    act: &'static str,
    typed: Typed,
    made: Result<()>,
) -> Outcome {
    match made {
        Ok(()) => Ok(see(&format!("/grants?done={act}"))),
        Err(error) if !mendable(&error) => Err(error),
        Err(error) => {
            let refused = Some(Refused { act: act.to_owned(), typed, error });
            page(&app, &request, &permit.0, After { refused, ..After::default() }).await
        }
    }
}

/// Grants a vessel.
///
/// # Errors
/// Those of the database.
pub async fn give(
    app: App,
    request: HttpRequest,
    permit: PagePermit<GrantVessels>,
    typed: Filled<Typed>,
) -> Outcome {
    let sent = typed.0.clone();
    let done = app
        .write(&permit.0, move |tx| {
            let (vessel_id, mut json) = read(tx, &give_form(), &sent)?;
            json["vessel_id"] = json!(vessel_id);
            once(tx, "create_grant", json, given::create, given::read).map(|_| ())
        })
        .await;
    made(app, request, permit, "give", typed.0, done).await
}

/// Offers a vessel.
///
/// # Errors
/// Those of the database.
pub async fn offer(
    app: App,
    request: HttpRequest,
    permit: PagePermit<GrantVessels>,
    typed: Filled<Typed>,
) -> Outcome {
    let sent = typed.0.clone();
    let done = app
        .write(&permit.0, move |tx| {
            let (vessel_id, json) = read(tx, &offer_form(), &sent)?;
            let create = |tx: &mut Tx<'_>, id, fields| transfers::offer(tx, vessel_id, id, &fields);
            once(tx, "offer_vessel", json, create, transfers::read).map(|_| ())
        })
        .await;
    made(app, request, permit, "offer", typed.0, done).await
}

/// Revokes a grant.
///
/// # Errors
/// Not found; those of the database.
pub async fn revoke(
    app: App,
    request: HttpRequest,
    permit: PagePermit<GrantVessels>,
    id: At<GrantId>,
    _: Filled<Pairs>,
) -> Outcome {
    match app.write(&permit.0, move |tx| given::revoke(tx, id.0)).await {
        Ok(_) => Ok(see("/grants?done=revoke")),
        Err(error) if !mendable(&error) => Err(error),
        Err(error) => {
            page(&app, &request, &permit.0, After { problem: Some(error), ..After::default() }).await
        }
    }
}

/// What came with a vessel, in sentences.
fn came(view: &transfers::TransferredView) -> Vec<String> {
    let mut told = vec![format!("{} is yours now, with its whole history.", view.transfer.vessel_name)];
    match view.products_copied.len() {
        0 => {}
        1 => told.push("1 product that its coats name came with it.".to_owned()),
        more => told.push(format!("{more} products that its coats name came with it.")),
    }
    if !view.refs_left.is_empty() {
        let refs: Vec<&str> = view.refs_left.iter().map(|left| left.r#ref.as_str()).collect();
        told.push(format!(
            "These references stayed behind, since you use them already: {}.",
            refs.join(", ")
        ));
    }
    match view.grants_ended {
        0 => {}
        1 => told.push("1 grant to another organisation ended.".to_owned()),
        more => told.push(format!("{more} grants to other organisations ended.")),
    }
    told
}

/// Accepts, declines or withdraws an offer.
///
/// # Errors
/// Not found; those of the database.
pub async fn settle(
    app: App,
    request: HttpRequest,
    permit: PagePermit<GrantVessels>,
    id: At<TransferId>,
    filled: Filled<Pairs>,
) -> Outcome {
    let pairs = filled.0;
    let act = field(&pairs, "act").unwrap_or_default().to_owned();
    let (asked, site) = (act.clone(), field(&pairs, "site_id").map(ToOwned::to_owned));
    let done = app
        .write(&permit.0, move |tx| {
            transfers::read(tx, id.0)?;
            match asked.as_str() {
                "accept" => {
                    let site_id = site.map(|site| site.parse::<uuid::Uuid>().map(SiteId::from)).transpose();
                    let site_id = site_id.map_err(|cause| {
                        Error::field("/site_id", "unknown", "is no site of yours. Choose one.").because(cause)
                    })?;
                    transfers::accept(tx, id.0, site_id).map(|view| came(&view))
                }
                "decline" => transfers::decline(tx, id.0).map(|_| Vec::new()),
                "withdraw" => transfers::withdraw(tx, id.0).map(|_| Vec::new()),
                _ => Err(Error::new(Code::Conflict, "The page has no such form. Reload it.")),
            }
        })
        .await;
    match done {
        Ok(came) if came.is_empty() => Ok(see(&format!("/grants?done={act}"))),
        Ok(came) => page(&app, &request, &permit.0, After { came, ..After::default() }).await,
        Err(error) if !mendable(&error) => Err(error),
        Err(error) => {
            page(&app, &request, &permit.0, After { problem: Some(error), ..After::default() }).await
        }
    }
}

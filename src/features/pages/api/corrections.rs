//! The pages of a time ashore, a coat, a finding and a treatment that was done.

use actix_web::HttpRequest;
use uuid::Uuid;

use super::act_form::{ActForm, Field, Kind, Typed};
use super::correction::{Sheet, page, take};
use super::entry::all;
use super::form::Filled;
use super::marks::day;
use super::record_forms::{self, finding_words, lift_words, reason};
use super::session::PagePermit;
use super::yard_words::{headed, word};
use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::features::coats::store as coats;
use crate::features::haulouts::store as haulouts;
use crate::features::products::store::{self as products, ProductFilter};
use crate::features::surveys::model::finding::FindingState;
use crate::features::surveys::store::finding as findings;
use crate::features::treatments::store::{self as treatments, plan as plans};
use crate::features::{
    coats as coats_feature, haulouts as haulouts_feature, surveys as surveys_feature,
    treatments as treatments_feature,
};
use crate::http::{App, At, Outcome, Patch};
use crate::ids::{CoatId, FindingId, HaulOutId, TreatmentId};
use crate::permissions::{RecordReadings, RecordWork};

/// A form of the record at this address.
fn act(
    address: &str,
    version: i32,
    name: &'static str,
    title: &str,
    button: &'static str,
    fields: Vec<Field>,
) -> ActForm {
    let fields = std::iter::once(Field::unseen("version", version)).chain(fields).collect();
    ActForm::new(name, title, address.to_owned(), button, fields)
}

fn withdraw(address: &str, version: i32) -> ActForm {
    let fields = vec![reason("Why").needed()];
    let mut form = act(address, version, "withdraw", "Entered in error: withdraw it", "Withdraw it", fields);
    "It stays in the history, and counts for nothing.".clone_into(&mut form.about);
    form
}

fn haul_out(tx: &mut Tx<'_>, id: Uuid) -> Result<Sheet> {
    let lift = haulouts::read(tx, HaulOutId::from(id))?;
    let mut sheet =
        Sheet::of(tx, lift.fields.vessel_id, format!("Time ashore: {}", lift_words(&lift.fields)))?;
    let fields = record_forms::haul_out(sheet.local.today());
    let address = format!("/haul-outs/{id}");
    let mut form = act(&address, lift.version, "correct", "As it stands", "Save", fields)
        .filled(&lift.fields, &sheet.local);
    form.open = true;
    sheet.acts.push(form);
    if lift.fields.relaunched_on.is_none() {
        sheet.ways.push((format!("/haul-outs/{id}/treatments/new"), "Plan a treatment"));
    }
    Ok(sheet)
}

fn change_haul_out(tx: &mut Tx<'_>, id: Uuid, act: &str, typed: &Typed) -> Result<()> {
    let before = haulouts::read(tx, HaulOutId::from(id))?;
    let Some((version, change)) = haul_out(tx, id)?.change(act, typed, &before.fields)? else {
        return Ok(());
    };
    version.check(before.version)?;
    let after = Patch::from_value(change)?.apply(&before.fields)?;
    haulouts_feature::api::change(tx, &before, after).map(|_| ())
}

fn coat(tx: &mut Tx<'_>, id: Uuid) -> Result<Sheet> {
    let coat = coats::read(tx, CoatId::from(id))?;
    let fields = coat.fields.clone().without_reason();
    let title = format!("{} on the {}, {}", headed(&fields.role), word(&fields.zone), day(fields.applied_on));
    let mut sheet = Sheet::of(tx, fields.vessel_id, title)?;
    sheet.withdrawn = fields.withdrawn;
    if fields.withdrawn {
        return Ok(sheet);
    }
    let checked = coats_feature::api::read(tx, CoatId::from(id))?;
    sheet.notes.extend(
        checked.checks.into_iter().flatten().map(|check| super::yard_words::for_people(&check.detail)),
    );
    let (address, today) = (format!("/coats/{id}"), sheet.local.today().to_string());
    if fields.removed_on.is_none() {
        let removed = vec![Field::new("removed_on", "Taken off on", Kind::Day).needed().holding(today)];
        sheet.acts.push(act(&address, coat.version, "removed", "It was taken off", "Record that", removed));
    }
    let sheets = all(|page| products::list(tx, ProductFilter { role: None, updated_since: None }, page))?;
    let mut own = vec![reason("Why it was wrong").needed()];
    own.extend(record_forms::coat(&sheet.local, &sheets, None));
    own.insert(1, Field::new("removed_on", "Taken off on", Kind::Day));
    sheet.acts.push(
        act(&address, coat.version, "correct", "Correct it", "Save the correction", own)
            .filled(&fields, &sheet.local),
    );
    sheet.acts.push(withdraw(&address, coat.version));
    Ok(sheet)
}

fn change_coat(tx: &mut Tx<'_>, id: Uuid, act: &str, typed: &Typed) -> Result<()> {
    let before = coats::read(tx, CoatId::from(id))?.fields;
    let Some((version, change)) = coat(tx, id)?.change(act, typed, &before)? else { return Ok(()) };
    coats_feature::api::change(tx, CoatId::from(id), version, &Patch::from_value(change)?).map(|_| ())
}

fn finding(tx: &mut Tx<'_>, id: Uuid) -> Result<Sheet> {
    let finding = findings::read(tx, FindingId::from(id))?;
    let fields = finding.fields.clone().without_reason();
    let mut sheet =
        Sheet::of(tx, fields.vessel_id, format!("{}, {}", finding_words(&fields), day(fields.found_on)))?;
    sheet.withdrawn = fields.withdrawn;
    if fields.withdrawn {
        return Ok(sheet);
    }
    sheet.notes.push(match (fields.state, fields.repaired_on) {
        (FindingState::Repaired, Some(on)) => format!("Repaired {}.", day(on)),
        (state, _) => format!("{}.", headed(&state)),
    });
    let address = format!("/findings/{id}");
    let form =
        |name, title: &str, button, fields| act(&address, finding.version, name, title, button, fields);
    if fields.state != FindingState::Repaired {
        let repaired = vec![
            Field::new("repaired_on", "Repaired on", Kind::Day)
                .needed()
                .holding(sheet.local.today().to_string()),
        ];
        let mut repaired = form("repaired", "It was repaired", "Close it as repaired", repaired);
        repaired.open = true;
        sheet.acts.push(repaired);
        let watched = vec![Field::new("follow_up_on", "To be looked at again on", Kind::Day)];
        let mut watched =
            form("watched", "Leave it, and look again", "Watch it", watched).filled(&fields, &sheet.local);
        "It stays as it is, and is looked at again.".clone_into(&mut watched.about);
        sheet.acts.push(watched);
    }
    let mut own = vec![
        reason("Why it was wrong").told("Not needed where only its state, repair or next look changes."),
    ];
    own.extend(record_forms::finding(sheet.local.today(), None));
    sheet.acts.push(form("correct", "Correct it", "Save the correction", own).filled(&fields, &sheet.local));
    sheet.acts.push(withdraw(&address, finding.version));
    Ok(sheet)
}

fn change_finding(tx: &mut Tx<'_>, id: Uuid, act: &str, typed: &Typed) -> Result<()> {
    let before = findings::read(tx, FindingId::from(id))?.fields;
    let Some((version, change)) = finding(tx, id)?.change(act, typed, &before)? else { return Ok(()) };
    let patch = Patch::from_value(change)?;
    surveys_feature::api::findings::change(tx, FindingId::from(id), version, &patch).map(|_| ())
}

fn treatment(tx: &mut Tx<'_>, id: Uuid) -> Result<Sheet> {
    let own = TreatmentId::from(id);
    let done = match treatments::read(tx, own) {
        Err(error) if error.code == Code::NotFound => return under_way(tx, own, error),
        other => other?,
    };
    let fields = done.fields.clone().without_reason();
    let title = format!(
        "{} treatment, {} to {}",
        headed(&fields.kind),
        day(fields.started_on),
        day(fields.completed_on)
    );
    let mut sheet = Sheet::of(tx, fields.vessel_id, title)?;
    sheet.withdrawn = fields.withdrawn;
    if planned(tx, own)?.is_some() {
        sheet.ways.push((format!("/treatments/{id}"), "Its plan, steps and record"));
        if !fields.withdrawn {
            sheet.notes.push(
                "It was closed here: its record stays as it was closed, and tells the correction beside it."
                    .to_owned(),
            );
        }
    }
    if fields.withdrawn {
        return Ok(sheet);
    }
    let address = format!("/treatments/{id}/correction");
    let mut fields_of = vec![reason("Why it was wrong").needed()];
    let fixed = ["haul_out_id"];
    fields_of
        .extend(record_forms::treatment_done(&[]).into_iter().filter(|field| !fixed.contains(&field.name)));
    let mut form = act(&address, done.version, "correct", "Correct it", "Save the correction", fields_of)
        .filled(&fields, &sheet.local);
    form.open = true;
    sheet.acts.push(form);
    sheet.acts.push(withdraw(&address, done.version));
    Ok(sheet)
}

/// One that is planned or goes on has nothing to correct yet.
fn under_way(tx: &mut Tx<'_>, id: TreatmentId, error: Error) -> Result<Sheet> {
    let plan = planned(tx, id)?.ok_or(error)?;
    let mut sheet = Sheet::of(tx, plan.vessel_id, format!("{} treatment", headed(&plan.fields.kind)))?;
    sheet.notes.push("It is not closed: what was done is recorded when it is.".to_owned());
    sheet.ways.push((format!("/treatments/{id}"), "The treatment"));
    Ok(sheet)
}

/// The plan of a treatment, if it was planned here.
fn planned(tx: &mut Tx<'_>, id: TreatmentId) -> Result<Option<plans::Plan>> {
    match plans::read(tx, id) {
        Ok(plan) => Ok(Some(plan)),
        Err(error) if error.code == Code::NotFound => Ok(None),
        Err(error) => Err(error),
    }
}

fn change_treatment(tx: &mut Tx<'_>, id: Uuid, act: &str, typed: &Typed) -> Result<()> {
    let before = treatments::read(tx, TreatmentId::from(id))?.fields;
    let Some((version, change)) = treatment(tx, id)?.change(act, typed, &before)? else { return Ok(()) };
    let patch = Patch::from_value(change)?;
    treatments_feature::api::change(tx, TreatmentId::from(id), version, &patch).map(|_| ())
}

/// A treatment that was done.
///
/// # Errors
/// Not found; those of the database.
pub async fn show_treatment(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordWork>,
    id: At<TreatmentId>,
) -> Outcome {
    page(app, request, &permit, move |tx| treatment(tx, id.0.into()), None).await
}

/// Corrects a treatment that was done, or withdraws it.
///
/// # Errors
/// Not found; those of the database.
pub async fn correct_treatment(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordWork>,
    id: At<TreatmentId>,
    typed: Filled<Typed>,
) -> Outcome {
    let place = (format!("/treatments/{}/correction", id.0), id.0.into());
    take(app, request, permit, typed.0, treatment, change_treatment, place).await
}

/// A time ashore.
///
/// # Errors
/// Not found; those of the database.
pub async fn show_haul_out(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordWork>,
    id: At<HaulOutId>,
) -> Outcome {
    page(app, request, &permit, move |tx| haul_out(tx, id.0.into()), None).await
}

/// Corrects a time ashore, or ends it.
///
/// # Errors
/// Not found; those of the database.
pub async fn correct_haul_out(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordWork>,
    id: At<HaulOutId>,
    typed: Filled<Typed>,
) -> Outcome {
    take(
        app,
        request,
        permit,
        typed.0,
        haul_out,
        change_haul_out,
        (format!("/haul-outs/{}", id.0), id.0.into()),
    )
    .await
}

/// A coat.
///
/// # Errors
/// Not found; those of the database.
pub async fn show_coat(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordWork>,
    id: At<CoatId>,
) -> Outcome {
    page(app, request, &permit, move |tx| coat(tx, id.0.into()), None).await
}

/// Corrects a coat, records that it came off, or withdraws it.
///
/// # Errors
/// Not found; those of the database.
pub async fn correct_coat(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordWork>,
    id: At<CoatId>,
    typed: Filled<Typed>,
) -> Outcome {
    take(app, request, permit, typed.0, coat, change_coat, (format!("/coats/{}", id.0), id.0.into())).await
}

/// A finding.
///
/// # Errors
/// Not found; those of the database.
pub async fn show_finding(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordReadings>,
    id: At<FindingId>,
) -> Outcome {
    page(app, request, &permit, move |tx| finding(tx, id.0.into()), None).await
}

/// Closes a finding, watches it, corrects it or withdraws it.
///
/// # Errors
/// Not found; those of the database.
pub async fn correct_finding(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordReadings>,
    id: At<FindingId>,
    typed: Filled<Typed>,
) -> Outcome {
    take(app, request, permit, typed.0, finding, change_finding, (format!("/findings/{}", id.0), id.0.into()))
        .await
}

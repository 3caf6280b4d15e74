//! Beginning a survey.

use actix_web::HttpRequest;
use actix_web::http::StatusCode;
use askama::Template;
use serde_json::json;

use super::act_form::{ActForm, Field, Kind, Typed, fresh_id};
use super::entry::all;
use super::entry_survey::{choice, is_shown, once};
use super::form::{self, Filled};
use super::frame::{Frame, organisation_name, send_as};
use super::marks::day;
use super::session::{PagePermit, see};
use super::yard_words::LocalTime;
use crate::db::Tx;
use crate::error::{Error, Result};
use crate::features::haulouts::store as haulouts;
use crate::features::surveys::api::surveys;
use crate::features::surveys::model::survey::{SurveyFields, SurveyState};
use crate::features::surveys::store::survey::{self, Survey, SurveyFilter};
use crate::features::vessels::store as vessels;
use crate::http::creation::Created;
use crate::http::problem::status;
use crate::http::{App, At, Outcome};
use crate::ids::{SurveyId, VesselId};
use crate::permissions::Survey as WriteSurvey;
use crate::science::cautions::{Work, cautions};

#[derive(Template)]
#[template(path = "entry_new.html")]
struct NewPage {
    frame: Frame,
    vessel: String,
    vessel_id: VesselId,
    drafts: Vec<(SurveyId, String)>,
    act: ActForm,
}

/// The form that begins a survey, filled in from the last one: the meter is mostly the same.
fn begin(tx: &mut Tx<'_>, vessel_id: VesselId) -> Result<(ActForm, Vec<Survey>, LocalTime)> {
    let local = LocalTime::of(tx)?;
    let mut before = all(|page| {
        survey::list(tx, SurveyFilter { vessel_id: Some(vessel_id), ..Default::default() }, page)
    })?;
    before.sort_by_key(|survey| (survey.fields.surveyed_on, survey.id));
    let last = before.last().map(|survey| survey.fields.clone());
    let last = |of: fn(&SurveyFields) -> Option<String>| last.as_ref().and_then(of).unwrap_or_default();
    let lifts = haulouts::of_vessel(tx, vessel_id)?;
    let ashore = lifts.iter().rfind(|lift| lift.fields.relaunched_on.is_none());
    let lifts = lifts.iter().rev().map(|lift| {
        let until =
            lift.fields.relaunched_on.map_or_else(|| "ashore now".to_owned(), |on| format!("to {}", day(on)));
        (lift.id.to_string(), format!("lifted {}, {until}", day(lift.fields.lifted_on)))
    });
    let hours = ashore.map(|lift| lift.fields.lifted_on).map_or_else(String::new, |on| {
        let lifted = on.and_time(chrono::NaiveTime::MIN).and_utc();
        let whole_days = (local.now - lifted).num_days().max(0);
        if whole_days >= 2 { (whole_days * 24).to_string() } else { String::new() }
    });
    let scale = last(|survey| survey.meter_scale.clone());
    let fields = vec![
        Field::unseen("id", fresh_id()),
        Field::new("surveyed_on", "Day", Kind::Day).needed().holding(local.today().to_string()),
        Field::new("haul_out_id", "Time ashore", Kind::Choice(lifts.collect()))
            .holding(ashore.map_or_else(String::new, |lift| lift.id.to_string())),
        Field::new("meter", "Meter", Kind::Text).holding(last(|survey| survey.meter.clone())),
        Field::new("meter_serial", "Its serial number", Kind::Text)
            .holding(last(|survey| survey.meter_serial.clone())),
        Field::new("meter_scale", "Scale it is read on", Kind::Text).needed().holding(if scale.is_empty() {
            "relative".to_owned()
        } else {
            scale
        }),
        Field::new(
            "depth_mode",
            "How deep it looks",
            Kind::Choice(vec![choice("shallow", "near the surface"), choice("deep", "into the laminate")]),
        ),
        Field::new("check_block_reading", "On its check block it shows", Kind::Number)
            .measured_in("on that scale"),
        Field::new("dry_reference_reading", "Above the waterline, where it is dry, it shows", Kind::Number)
            .measured_in("on that scale"),
        Field::new("air_temperature_c", "Air", Kind::Number).measured_in("°C"),
        Field::new("relative_humidity_pct", "Relative humidity", Kind::Number).measured_in("%"),
        Field::new("hull_surface_temperature_c", "Hull surface", Kind::Number).measured_in("°C"),
        Field::new("hours_since_lift", "Since the lift", Kind::Number).measured_in("hours").holding(hours),
        Field::new("hours_since_wash", "Since the last wash", Kind::Number).measured_in("hours"),
        Field::new("surveyor", "Who surveys, if another signs", Kind::Text),
    ];
    let action = format!("/vessels/{vessel_id}/surveys/new");
    let mut form = ActForm::new("begin", "Begin a survey", action, "Begin, and go to the stations", fields);
    form.open = true;
    form.cautions = cautions([Work::Lifting]);
    before.retain(|survey| survey.state() == SurveyState::Draft);
    Ok((form, before, local))
}

/// The page that begins a survey.
///
/// # Errors
/// Not found; those of the database.
pub async fn show_new(
    app: App,
    request: HttpRequest,
    permit: PagePermit<WriteSurvey>,
    id: At<VesselId>,
) -> Outcome {
    new_page(app, request, permit, id.0, None).await
}

async fn new_page(
    app: App,
    request: HttpRequest,
    permit: PagePermit<WriteSurvey>,
    id: VesselId,
    refused: Option<(Typed, Error)>,
) -> Outcome {
    let loaded = app.read(&permit.0, move |tx| {
        let vessel = vessels::read(tx, id)?.fields.name;
        let (act, drafts, _) = begin(tx, id)?;
        Ok((vessel, act, drafts, organisation_name(tx)?))
    });
    let (vessel, act, drafts, organisation) = loaded.await?;
    let (code, act) = match refused {
        Some((typed, error)) => (status(error.code), act.refused(&typed, &error)),
        None => (StatusCode::OK, act),
    };
    let frame = Frame::of(&request, organisation, "vessels", format!("New survey: {vessel}"))?;
    let drafts = drafts.into_iter().map(|draft| (draft.id, day(draft.fields.surveyed_on))).collect();
    let act = ActForm { token: form::token(&request)?, ..act };
    send_as(code, &NewPage { frame, vessel, vessel_id: id, drafts, act })
}

/// Begins a survey.
///
/// # Errors
/// Those of the database.
pub async fn make(
    app: App,
    request: HttpRequest,
    permit: PagePermit<WriteSurvey>,
    id: At<VesselId>,
    typed: Filled<Typed>,
) -> Outcome {
    let (typed, sent) = (typed.0.clone(), typed.0);
    let made = app
        .write(&permit.0, move |tx| {
            vessels::read(tx, id.0)?;
            let (form, _, local) = begin(tx, id.0)?;
            let json = form.json(&sent, &local, json!({"vessel_id": id.0}))?;
            Ok(match once(tx, "create_survey", json, surveys::create, surveys::read)? {
                Created::Now(view) | Created::Before(view) => view.id,
                Created::Replayed { id, .. } => SurveyId::from(id),
            })
        })
        .await;
    match made {
        Ok(survey) => Ok(see(&format!("/surveys/{survey}/entry"))),
        Err(error) if is_shown(&error) => new_page(app, request, permit, id.0, Some((typed, error))).await,
        Err(error) => Err(error),
    }
}

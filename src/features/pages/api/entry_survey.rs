//! A survey around its readings: its stations made, a reading corrected, and signed.

use actix_web::HttpRequest;
use serde_json::{Value, json};

use super::act_form::{ActForm, Field, Kind, Typed, fresh_id};
use super::entry::{Again, all, page, read_act};
use super::form::Filled;
use super::marks::day;
use super::session::{PagePermit, see};
use super::survey_standing::{open_again_form, withdraw_form};
use super::yard_words::{LocalTime, number, word};
use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::features::surveys::api::signing::sign as sign_survey;
use crate::features::surveys::api::{readings as readings_api, stations as stations_api, surveys};
use crate::features::surveys::model::reading::ReadingFields;
use crate::features::surveys::model::survey::{SurveyFields, SurveyState};
use crate::features::surveys::store::reading::Reading;
use crate::features::surveys::store::station::{self, Station};
use crate::features::surveys::store::survey::{self, Survey};
use crate::http::creation::{Created, Creation, Kept};
use crate::http::{App, At, IfMatch, New, Outcome, Patch, RetryKey};
use crate::ids::{ReadingId, SurveyId};
use crate::permissions::{RecordReadings, Survey as WriteSurvey};
use crate::science::cautions::cautions;

/// A code of a list, with its words.
#[must_use]
pub fn choice(code: &str, words: &str) -> (String, String) {
    (code.to_owned(), words.to_owned())
}

/// What was noted of a survey before its readings.
#[must_use]
pub fn facts(survey: &Survey) -> Vec<(&'static str, String)> {
    let fields = &survey.fields;
    let with = |value: Option<f64>, unit: &str| value.map(|value| format!("{} {unit}", number(value)));
    let meter = [fields.meter.clone(), fields.meter_serial.clone()]
        .into_iter()
        .flatten()
        .collect::<Vec<_>>()
        .join(", ");
    [
        ("Day", Some(day(fields.surveyed_on))),
        ("Meter", (!meter.is_empty()).then_some(meter)),
        ("Depth", fields.depth_mode.map(|mode| word(&mode))),
        ("Check block", fields.check_block_reading.map(number)),
        ("Dry reference", fields.dry_reference_reading.map(number)),
        ("Air", with(fields.air_temperature_c, "°C")),
        ("Humidity", with(fields.relative_humidity_pct, "%")),
        ("Hull surface", with(fields.hull_surface_temperature_c, "°C")),
        ("Since the lift", with(fields.hours_since_lift, "h")),
        ("Since the last wash", with(fields.hours_since_wash, "h")),
    ]
    .into_iter()
    .filter_map(|(label, text)| text.map(|text| (label, text)))
    .collect()
}

/// The acts around the readings of a survey.
#[derive(Debug)]
pub struct Acts<'a> {
    /// The survey.
    pub survey: &'a Survey,
    /// The stations in walking order.
    pub stations: &'a [Station],
    /// The readings sent.
    pub readings: &'a [Reading],
    /// Whether who looks may sign.
    pub may_sign: bool,
    /// The organisation's clock.
    pub local: LocalTime,
}

impl Acts<'_> {
    /// Their forms.
    #[must_use]
    pub fn forms(&self) -> Vec<ActForm> {
        let state = self.survey.state();
        let draft = state == SurveyState::Draft;
        let mut forms = Vec::new();
        if draft {
            forms.push(self.add_station());
        }
        if !self.readings.is_empty() {
            forms.push(self.correct());
        }
        if draft && self.may_sign {
            forms.push(self.sign());
        }
        if !draft && self.may_sign {
            forms.push(open_again_form(self.survey));
        }
        if state != SurveyState::Withdrawn && self.may_sign {
            forms.push(withdraw_form(self.survey));
        }
        forms
    }

    fn add_station(&self) -> ActForm {
        let zones = ["bottom", "waterline", "keel", "rudder", "appendage"].map(|zone| choice(zone, zone));
        let fields = vec![
            Field::unseen("id", fresh_id()),
            Field::new("code", "What it is called, as P3", Kind::Text).needed(),
            Field::new(
                "side",
                "Side, looking forward",
                Kind::Choice(vec![choice("port", "port"), choice("starboard", "starboard")]),
            )
            .needed(),
            Field::new(
                "hull",
                "Hull",
                Kind::Choice(vec![
                    choice("centre", "the only one, or the middle one"),
                    choice("port", "port hull"),
                    choice("starboard", "starboard hull"),
                ]),
            )
            .needed()
            .holding("centre"),
            Field::new("zone", "Zone", Kind::Choice(zones.to_vec())).needed().holding("bottom"),
            Field::new("x_m", "Aft from the forward end of the waterline", Kind::Number).measured_in("m"),
            Field::new("girth_m", "Up from the centreline, along the skin", Kind::Number).measured_in("m"),
        ];
        let action = format!("/surveys/{}/stations", self.survey.id);
        let mut form = ActForm::new("station", "Add a station", action, "Add this station", fields);
        "A fixed place where readings are taken again and again.".clone_into(&mut form.about);
        form.open = self.stations.is_empty();
        form
    }

    fn correct(&self) -> ActForm {
        let code = |reading: &Reading| {
            let station = self.stations.iter().find(|station| station.id == reading.fields.station_id);
            station.map_or("", |station| station.fields.code.as_str()).to_owned()
        };
        let choices = self.readings.iter().map(|reading| {
            let nth = if reading.fields.sequence > 1 {
                format!(" ({})", reading.fields.sequence)
            } else {
                String::new()
            };
            let words = format!("{}{nth}: {}", code(reading), number(reading.fields.value));
            (format!("{} {}", reading.id, reading.version), words)
        });
        let fields = vec![
            Field::new("reading", "Which reading", Kind::Choice(choices.collect())).needed(),
            Field::new("value", "What the meter showed", Kind::Number).needed(),
            Field::new("correction_reason", "Why it was wrong", Kind::Text).needed(),
        ];
        let action = format!("/surveys/{}/corrections", self.survey.id);
        let mut form =
            ActForm::new("correct", "Correct a reading that was sent", action, "Correct it", fields);
        "The earlier figure stays in the history.".clone_into(&mut form.about);
        form
    }

    fn sign(&self) -> ActForm {
        let now = &self.survey.fields;
        let code = |code: Option<String>| code.unwrap_or_default();
        let held = |value: Option<f64>| value.map_or_else(String::new, number);
        let text = |value: &Value| value.as_str().map(str::to_owned);
        let json =
            json!({"bottom": now.bottom_examined, "blistering": now.blistering, "sounding": now.sounding});
        let fields = vec![
            Field::unseen("version", self.survey.version),
            Field::new(
                "bottom_examined",
                "How much of the bottom was looked at",
                Kind::Choice(vec![
                    choice("whole", "the whole"),
                    choice("part", "a part"),
                    choice("none", "nothing"),
                ]),
            )
            .needed()
            .holding(code(text(&json["bottom"]))),
            Field::new(
                "blistering",
                "The deepest blistering found",
                Kind::Choice(vec![
                    choice("none", "no blisters"),
                    choice("coating_only", "in the paint only"),
                    choice("gelcoat", "under or in the gelcoat"),
                    choice("laminate", "in the laminate"),
                ]),
            )
            .needed()
            .holding(code(text(&json["blistering"]))),
            Field::new("blister_density_per_m2", "Blisters, where they are", Kind::Number)
                .measured_in("per m²")
                .holding(held(now.blister_density_per_m2)),
            Field::new("largest_blister_mm", "The largest blister", Kind::Number)
                .measured_in("mm")
                .holding(held(now.largest_blister_mm)),
            Field::new(
                "sounding",
                "What hammer sounding told",
                Kind::Choice(vec![
                    choice("not_done", "not done"),
                    choice("sound", "sound everywhere"),
                    choice("dull_in_places", "dull in places"),
                    choice("dull_widely", "dull over wide areas"),
                ]),
            )
            .holding(code(text(&json["sounding"]))),
            Field::new(
                "coating_failure",
                "The coating has failed: flaking, lifting, bare places",
                Kind::Flag,
            )
            .holding(if now.coating_failure { "true" } else { "" }),
            Field::new("note", "Anything else", Kind::Long).holding(now.note.clone().unwrap_or_default()),
        ];
        let action = format!("/surveys/{}/signature", self.survey.id);
        let mut form = ActForm::new(
            "sign",
            "Say what the bottom was like, and sign",
            action,
            "Sign this survey",
            fields,
        );
        "A signed survey is evidence: the dates of the vessel are computed again. The signer is the person who is signed in here."
            .clone_into(&mut form.about);
        form.cautions = cautions([]);
        form
    }
}

/// The acts of a survey as they stand now, for reading what was typed.
///
/// # Errors
/// Not found; those of the database.
pub fn acts_of(tx: &mut Tx<'_>, id: SurveyId) -> Result<(Survey, Vec<ActForm>, LocalTime)> {
    let survey = survey::read(tx, id)?;
    let vessel_id = survey.fields.vessel_id;
    let stations = all(|page| station::list(tx, Some(vessel_id), None, page))?;
    let filter =
        crate::features::surveys::store::reading::ReadingFilter { survey_id: Some(id), ..Default::default() };
    let readings = all(|page| crate::features::surveys::store::reading::list(tx, filter, page))?;
    let local = LocalTime::of(tx)?;
    let forms =
        Acts { survey: &survey, stations: &stations, readings: &readings, may_sign: true, local }.forms();
    Ok((survey, forms, local))
}

/// Makes what a form asks for once, however often it is sent.
///
/// # Errors
/// Those of `create` and `read`.
pub fn once<T, I: crate::ids::Id, V: Kept>(
    tx: &mut Tx<'_>,
    operation: &'static str,
    json: Value,
    create: impl FnOnce(&mut Tx<'_>, I, T) -> Result<V>,
    read: impl FnOnce(&mut Tx<'_>, I) -> Result<V>,
) -> Result<Created<V>>
where
    T: serde::de::DeserializeOwned + garde::Validate<Context = ()>,
{
    let creation = Creation { operation, key: RetryKey(None), new: New::<T>::from_value(json)? };
    creation.once(tx, create, read)
}

fn without(mut json: Value, name: &str) -> Value {
    if let Value::Object(object) = &mut json {
        object.remove(name);
    }
    json
}

/// Whether the act's own form shows what is wrong.
#[must_use]
pub fn is_shown(error: &Error) -> bool {
    !matches!(error.code, Code::Internal | Code::Unavailable | Code::NotFound | Code::Unauthenticated)
}

/// Adds a station.
///
/// # Errors
/// Those of the database.
pub async fn add_station(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordReadings>,
    id: At<SurveyId>,
    typed: Filled<Typed>,
) -> Outcome {
    let (typed, sent) = (typed.0.clone(), typed.0);
    let made = app
        .write(&permit.0, move |tx| {
            let (survey, acts, local) = acts_of(tx, id.0)?;
            let json =
                read_act(&acts, "station", &sent, &local, json!({"vessel_id": survey.fields.vessel_id}))?;
            once(tx, "create_station", json, stations_api::create, stations_api::read).map(|_| ())
        })
        .await;
    match made {
        Ok(()) => Ok(see(&format!("/surveys/{}/entry", id.0))),
        Err(error) if is_shown(&error) => again(app, request, &permit, id.0, "station", typed, error).await,
        Err(error) => Err(error),
    }
}

/// The page with an act that was refused.
///
/// # Errors
/// Not found; those of the database.
pub async fn again<P: crate::permissions::Permission>(
    app: App,
    request: HttpRequest,
    permit: &PagePermit<P>,
    id: SurveyId,
    act: &str,
    typed: Typed,
    error: Error,
) -> Outcome {
    let again = Again { typed, error: Some((act.to_owned(), error)), ..Again::default() };
    page(app, request, permit, id, again).await
}

/// Corrects a reading.
///
/// # Errors
/// Those of the database.
pub async fn correct(
    app: App,
    request: HttpRequest,
    permit: PagePermit<RecordReadings>,
    id: At<SurveyId>,
    typed: Filled<Typed>,
) -> Outcome {
    let (typed, sent) = (typed.0.clone(), typed.0);
    let made = app
        .write(&permit.0, move |tx| {
            let (_, acts, local) = acts_of(tx, id.0)?;
            let json = without(read_act(&acts, "correct", &sent, &local, json!({}))?, "reading");
            let chosen = sent.get("reading").and_then(|chosen| chosen.split_once(' '));
            let chosen = chosen
                .and_then(|(id, version)| Some((id.parse::<uuid::Uuid>().ok()?, version.parse().ok()?)));
            let (reading, version) =
                chosen.ok_or_else(|| Error::field("/reading", "missing", "is not chosen. Choose one."))?;
            let reading = ReadingId::from(reading);
            if readings_api::read(tx, reading)?.fields.survey_id != id.0 {
                return Err(Error::field("/reading", "unknown", "is of another survey. Choose one of this."));
            }
            let patch = Patch::<ReadingFields>::from_value(json)?;
            readings_api::change(tx, reading, IfMatch(version), &patch).map(|_| ())
        })
        .await;
    match made {
        Ok(()) => Ok(see(&format!("/surveys/{}/entry", id.0))),
        Err(error) if is_shown(&error) => again(app, request, &permit, id.0, "correct", typed, error).await,
        Err(error) => Err(error),
    }
}

/// Notes what the bottom was like and signs, both or neither.
///
/// # Errors
/// Those of the database.
pub async fn sign(
    app: App,
    request: HttpRequest,
    permit: PagePermit<WriteSurvey>,
    id: At<SurveyId>,
    typed: Filled<Typed>,
) -> Outcome {
    let (typed, sent) = (typed.0.clone(), typed.0);
    let made = app
        .write(&permit.0, move |tx| {
            let (_, acts, local) = acts_of(tx, id.0)?;
            let version = sent.get("version").and_then(|text| text.parse().ok()).unwrap_or(0);
            let json = json!({"coating_failure": sent.contains_key("coating_failure")});
            let json = without(read_act(&acts, "sign", &sent, &local, json)?, "version");
            let patch = Patch::<SurveyFields>::from_value(json)?;
            let changed = surveys::change(tx, id.0, IfMatch(version), &patch)?;
            sign_survey(tx, id.0, IfMatch(changed.version)).map(|_| ())
        })
        .await;
    match made {
        Ok(()) => Ok(see(&format!("/surveys/{}/entry", id.0))),
        Err(error) if is_shown(&error) => again(app, request, &permit, id.0, "sign", typed, error).await,
        Err(error) => Err(error),
    }
}

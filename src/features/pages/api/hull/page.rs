//! The page of one hull.

use actix_web::HttpRequest;
use actix_web::http::StatusCode;
use askama::Template;
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::kind_words;
use super::life::lanes;
use super::maps::{BottomMap, bottom_map};
use super::particulars::{facts, month};
use super::what_if::{Ashore, Asking, Question, winter};
use crate::codes;
use crate::db::Tx;
use crate::error::{Error, Result};
use crate::features::calibrations;
use crate::features::calibrations::model::{Followed, ensemble};
use crate::features::dossier::api::page::MapFacts;
use crate::features::dossier::api::{DossierSurvey, stations, surveys as surveys_of};
use crate::features::forecasts::api::forecast::{self, ForecastView};
use crate::features::forecasts::api::history::{self, HistoryEvent};
use crate::features::forecasts::model::what_if::DateDifference;
use crate::features::forecasts::model::{DateFields, EvidenceItem, drawn};
use crate::features::forecasts::store::{Subject, subjects};
use crate::features::pages::api::frame::{Frame, organisation_name, send_as};
use crate::features::pages::api::marks::{Axis, day, range_words};
use crate::features::pages::api::session::PagePermit;
use crate::features::pages::model::chart::{Pair, per_cent};
use crate::features::pages::model::{risk, timeline, water};
use crate::features::sites;
use crate::features::surveys::api::stations::StationView;
use crate::features::surveys::store::finding::Finding;
use crate::features::surveys::store::findings_of_vessels;
use crate::features::vessels::model::VesselFields;
use crate::features::vessels::store as vessels;
use crate::http::state::blocking;
use crate::http::{App, Outcome};
use crate::ids::{SiteId, SurveyId, VesselId};
use crate::permissions::Read;
use crate::science::forecast::dates::DueStatus;
use crate::science::forecast::facts::Bilge;
use crate::science::forecast::portrait::{Portrait, RiskCourse};

/// What of a hull is asked to be shown.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Asked {
    survey_id: Option<SurveyId>,
    /// Where a form that was taken leads; the frame reads it.
    #[serde(rename = "saved")]
    _saved: Option<String>,
}

/// What is read of a hull for its page.
struct Gathered {
    organisation: String,
    sites: Vec<(SiteId, String)>,
    fields: VesselFields,
    forecast: ForecastView,
    subject: Subject,
    followed: Option<Followed>,
    events: Vec<HistoryEvent>,
    stations: Vec<StationView>,
    surveys: Vec<DossierSurvey>,
    findings: Vec<Finding>,
}

fn gathered(tx: &mut Tx<'_>, id: VesselId) -> Result<Gathered> {
    let fields = vessels::read(tx, id)?.fields;
    let forecast = forecast::kept(tx, id)?;
    let subject = subjects(tx, &[id], forecast.as_of)?.pop().ok_or_else(|| Error::not_found("vessel"))?;
    let stations = stations(tx, id)?;
    Ok(Gathered {
        organisation: organisation_name(tx)?,
        sites: sites::store::names(tx)?,
        fields,
        forecast,
        subject,
        followed: calibrations::store::in_use(tx)?,
        events: history::of_vessel(tx, id)?,
        surveys: surveys_of(tx, id, &stations)?,
        stations,
        findings: findings_of_vessels(tx, &[id])?,
    })
}

struct Due {
    kind: &'static str,
    day: String,
    late: bool,
    bar: String,
    range: String,
    reason: String,
    rests_on: Vec<String>,
}

struct RiskPart {
    drawing: Pair,
    about: String,
    rows: Vec<[String; 3]>,
}

struct WaterPart {
    drawing: Pair,
    about: String,
    days: Vec<String>,
    rows: Vec<(String, Vec<String>)>,
}

struct Moved {
    kind: &'static str,
    before: String,
    after: String,
    by: String,
}

#[derive(Template)]
#[template(path = "vessel.html")]
struct VesselPage {
    frame: Frame,
    id: VesselId,
    facts: Vec<(&'static str, String)>,
    stale: bool,
    axis: String,
    dates: Vec<Due>,
    life: Pair,
    events: Vec<(String, String)>,
    map: Option<BottomMap>,
    risk: Option<RiskPart>,
    water: Option<WaterPart>,
    no_portrait: &'static str,
    defaults: Vec<EvidenceItem>,
    cautions: Vec<String>,
    sites: Vec<(SiteId, String)>,
    winter: String,
    question: Question,
    problem: Option<String>,
    moved: Option<Vec<Moved>>,
    onset_moved: Option<String>,
}

#[expect(clippy::unused_self, reason = "the template calls methods")]
impl VesselPage {
    fn film(&self) -> String {
        self.question.barrier_um.clone().unwrap_or_default()
    }
    fn bilges(&self) -> [(Bilge, &'static str); 3] {
        [(Bilge::Dry, "dry"), (Bilge::Damp, "damp"), (Bilge::Wet, "wet")]
    }
    fn code(&self, code: &impl Serialize) -> String {
        codes::to_text(code).unwrap_or_default()
    }
}

fn day_words(due_on: Option<NaiveDate>, status: DueStatus) -> String {
    match (due_on, status) {
        (Some(due_on), _) => day(due_on),
        (None, DueStatus::Due) => "Not within the horizon".to_owned(),
        (None, DueStatus::NotEnoughData) => "No date yet".to_owned(),
    }
}

fn dues(dates: &[DateFields], defaults: &[EvidenceItem], axis: Axis, today: NaiveDate) -> Vec<Due> {
    dates
        .iter()
        .map(|date| Due {
            kind: kind_words(date.kind),
            day: day_words(date.due_on, date.status),
            late: date.due_on.is_some_and(|on| on < today),
            bar: axis.bar(date.due_on, date.due_range),
            range: range_words(date.due_range),
            reason: date.reason.clone(),
            rests_on: date
                .evidence
                .iter()
                .filter(|item| !defaults.contains(item))
                .map(|item| item.text.clone())
                .collect(),
        })
        .collect()
}

fn risk_part(course: &RiskCourse, other: Option<&RiskCourse>, today: NaiveDate) -> RiskPart {
    let reached = match course.reached_on {
        Some(on) if on < today => format!("the limit was passed on {}", day(on)),
        Some(on) => format!("the limit is reached on {}", day(on)),
        None => "the limit is not reached within the horizon".to_owned(),
    };
    let about = format!(
        "Chance that blistering has begun since {}, when the bottom was last clean or this life began. The band holds eight in \
         ten of the hulls it might be; at {}, the policy\u{2019}s limit for looking at the bottom, {reached}.",
        day(course.since),
        per_cent(course.limit)
    );
    let title = format!("Risk of blistering: {reached}");
    let rows = course.points.iter().step_by(6).map(|point| {
        let members = format!("{} to {}", per_cent(point.members.p10), per_cent(point.members.p90));
        [day(point.on), per_cent(point.risk), members]
    });
    RiskPart {
        drawing: Pair::of(|room| risk::drawn(room, course, other, today, &title)),
        rows: rows.collect(),
        about,
    }
}

fn water_part(portrait: &Portrait, other: Option<&Portrait>) -> WaterPart {
    let (days, rows) = water::rows(portrait);
    let other = other.and_then(|other| other.water.last());
    let title = "Water through the laminate, now and as forecast";
    WaterPart {
        drawing: Pair::of(|room| water::drawn(room, portrait, other, title)),
        about: format!(
            "Water in the {:.1}\u{a0}mm of laminate behind the skin, as a share of what it can hold: now with the range of eight in \
             ten, and as forecast. Above {}, the middle of what is assumed, soluble pockets draw water and blisters grow.",
            portrait.thickness_mm,
            per_cent(portrait.pocket_activity)
        ),
        days: days.into_iter().map(day).collect(),
        rows,
    }
}

fn moved(difference: &DateDifference) -> Moved {
    let on = |date: Option<NaiveDate>| date.map_or_else(|| "none within the horizon".to_owned(), day);
    let by = match difference.later_days {
        Some(0) => "does not move".to_owned(),
        Some(days) => {
            let which = if days > 0 { "later" } else { "sooner" };
            match days.unsigned_abs() {
                1 => format!("1 day {which}"),
                days if days < 90 => format!("{days} days {which}"),
                days if days < 730 => format!("{} months {which}", (days + 15) / 30),
                days => format!(
                    "{:.1} years {which}",
                    f64::from(u32::try_from(days).unwrap_or(u32::MAX)) / 365.25
                ),
            }
        }
        None if difference.before_on == difference.after_on => "does not move".to_owned(),
        None if difference.after_on.is_none() => "no date any more".to_owned(),
        None => "a date where there was none".to_owned(),
    };
    Moved {
        kind: kind_words(difference.kind),
        before: on(difference.before_on),
        after: on(difference.after_on),
        by,
    }
}

fn onset_moved(asking: &Asking) -> Option<String> {
    let (answer, _) = asking.answer.as_ref()?;
    let (before, after) = (answer.before.outlook.onset?, answer.after.outlook.onset?);
    let on = |date: Option<NaiveDate>| {
        date.map_or_else(|| "after the horizon".to_owned(), |on| format!("by {}", day(on)))
    };
    Some(format!(
        "Half of such hulls begin to blister {} as things are, and {} if so.",
        on(before.p50),
        on(after.p50)
    ))
}

fn no_portrait(fields: &VesselFields, subject: &Subject) -> &'static str {
    if subject.facts.cored {
        "The bottom is cored: the water model does not hold for it."
    } else if fields.launched_on.is_none() && fields.built_year.is_none() {
        "Enter the day of the launch or the year built: without it water and risk cannot be followed."
    } else {
        "Water and risk are not followed while a curative treatment is under way, or until the facts above are corrected."
    }
}

/// Sends the page of a hull, with what was asked of it.
///
/// # Errors
/// Not found; those of the database.
pub async fn shown(
    app: &App,
    request: &HttpRequest,
    permit: &PagePermit<Read>,
    id: VesselId,
    asked: Asked,
    asking: Option<Asking>,
    status: StatusCode,
) -> Outcome {
    let found = app.snapshot(&permit.0, move |tx| gathered(tx, id)).await?;
    let today = crate::features::forecasts::model::today(app.clock.now(), found.subject.zone);
    let frame = Frame::of(request, found.organisation.clone(), "vessels", found.fields.name.clone())?;
    let page = blocking(move || page_of(frame, id, found, &asked, asking, today)).await?;
    send_as(status, &page)
}

fn page_of(
    frame: Frame,
    id: VesselId,
    found: Gathered,
    asked: &Asked,
    asking: Option<Asking>,
    today: NaiveDate,
) -> Result<VesselPage> {
    let portrait = drawn(&found.subject.facts, &ensemble(found.followed.as_ref()));
    let other = asking.as_ref().and_then(|asking| asking.answer.as_ref()?.1.as_ref());
    let lanes = lanes(&found.events, &found.forecast.dates, today);
    let title = format!("The life of {}", found.fields.name);
    let map_facts = MapFacts { vessel: &found.fields, stations: &found.stations, surveys: &found.surveys };
    let map = bottom_map(map_facts, &found.findings, asked.survey_id, found.subject.zone);
    if asked.survey_id.is_some() && map.is_none() {
        return Err(Error::not_found("survey"));
    }
    let axis = Axis::around(today);
    let outlook = &found.forecast.outlook;
    let (from, until) = winter(&found.subject.facts.months);
    let risk = portrait.as_ref().and_then(|portrait| portrait.risk.as_ref());
    Ok(VesselPage {
        frame,
        id,
        facts: facts(&found.fields, &found.sites),
        stale: found.forecast.stale,
        axis: axis.heading(),
        dates: dues(&found.forecast.dates, &outlook.defaults, axis, today),
        life: Pair::of(|room| timeline::drawn(room, &lanes, today, &title)),
        events: found.events.iter().rev().map(|event| (day(event.on), event.summary.clone())).collect(),
        map,
        risk: risk.map(|course| risk_part(course, other.and_then(|other| other.risk.as_ref()), today)),
        water: portrait.as_ref().map(|portrait| water_part(portrait, other)),
        no_portrait: no_portrait(&found.fields, &found.subject),
        defaults: outlook.defaults.clone(),
        cautions: outlook.cautions.clone(),
        sites: found.sites,
        winter: format!("{} to {}", month(from), month(until)),
        moved: asking.as_ref().and_then(|asking| {
            let (answer, _) = asking.answer.as_ref()?;
            Some(answer.differences.iter().map(moved).collect())
        }),
        onset_moved: asking.as_ref().and_then(onset_moved),
        problem: asking.as_ref().and_then(|asking| asking.problem.clone()),
        question: asking.map(|asking| asking.question).unwrap_or_default(),
    })
}

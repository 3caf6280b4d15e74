//! All hulls that are drying, those that ask for something first.

use std::collections::HashMap;

use actix_web::HttpRequest;
use askama::Template;
use chrono::{DateTime, Utc};
use serde::Deserialize;

use super::drying_chart::chart;
use super::form;
use super::frame::{Frame, organisation_name, send};
use super::session::PagePermit;
use super::yard_words::{LocalTime, drying_words, for_people, number, word};
use crate::codes;
use crate::db::Tx;
use crate::error::Result;
use crate::features::treatments::api::work::drying_under;
use crate::features::treatments::model::drying::{HullDrying, StationDrying};
use crate::features::treatments::model::entry::{Entry, EntryKind, done, standing};
use crate::features::treatments::model::plan::StepKind;
use crate::features::treatments::store::drying::told;
use crate::features::treatments::store::plan::{self, Plan, PlansOf};
use crate::features::vessels::model::Zone;
use crate::features::vessels::store as vessels;
use crate::http::{App, Outcome};
use crate::ids::{TreatmentId, VesselId};
use crate::permissions::Read;
use crate::science::drying::DryingStatus;

/// Hulls a page: each curve is fitted anew.
const HULLS: usize = 12;

/// A reading of the table behind a chart.
#[derive(Debug)]
pub struct Figure {
    /// When and what.
    pub words: String,
    /// Why it does not count.
    pub left_out: Option<String>,
}

/// A station in the table behind a chart.
#[derive(Debug)]
pub struct StationRow {
    /// Its code.
    pub code: String,
    /// Where it is, in words.
    pub status: &'static str,
    /// When it will be dry.
    pub ready: String,
    /// Why, and what to do.
    pub reason: String,
    /// Its readings, the last first.
    pub readings: Vec<Figure>,
}

/// How a hull dries, for people.
#[derive(Debug)]
pub struct Shown {
    /// Where it is, as a class of the style sheet.
    pub class: String,
    /// In words.
    pub status: &'static str,
    /// What counts as dry.
    pub target: String,
    /// When it will be dry.
    pub ready: String,
    /// Why, and what to do.
    pub reason: String,
    /// The drawing.
    pub chart: String,
    /// What the drawing shows, in a sentence.
    pub told: String,
    /// The washes in words.
    pub washes: String,
    /// What to mind.
    pub warnings: Vec<String>,
    /// The table behind the drawing.
    pub stations: Vec<StationRow>,
}

fn left_out(code: &str) -> String {
    match code {
        "soon_after_wash" => "within a day of a wash",
        "soon_after_lift" => "within a day of the lift",
        "other_scale" => "on another scale",
        "same_time" => "another of the same time counts",
        "before_start" => "before drying began",
        other => other,
    }
    .to_owned()
}

fn station_row(station: &StationDrying, local: &LocalTime) -> StationRow {
    let ready = match (station.status, station.ready_at) {
        (DryingStatus::Ready, _) => "now".to_owned(),
        (_, Some(at)) => {
            format!("about {}, between {} and {}", local.day(at.p50), local.day(at.p10), local.day(at.p90))
        }
        _ => "no date yet".to_owned(),
    };
    let figure = |point: &crate::features::treatments::model::drying::DryingPoint| Figure {
        words: format!("{} on {}", number(point.reading.value), local.time(point.reading.taken_at)),
        left_out: point.left_out.map(left_out),
    };
    StationRow {
        code: station.code.clone(),
        status: drying_words(station.status),
        ready,
        reason: for_people(&station.reason),
        readings: station.readings.iter().rev().map(figure).collect(),
    }
}

/// When the hull will be dry, in a sentence.
fn ready_words(drying: &HullDrying, local: &LocalTime) -> String {
    let told = |at: Option<DateTime<Utc>>| at.map_or_else(|| "perhaps never".to_owned(), |at| local.day(at));
    match (drying.status, drying.ready_at) {
        (DryingStatus::Ready, _) => "Every station is dry and steady.".to_owned(),
        (_, Some(at)) if at.p50.is_some_and(|at| at <= local.now) => {
            format!("By the curve it was dry about {}; the last readings have to say so too.", told(at.p50))
        }
        (_, Some(at)) => format!(
            "Dry about {}; eight times in ten between {} and {}.",
            told(at.p50),
            told(at.p10),
            told(at.p90)
        ),
        _ => "No date yet.".to_owned(),
    }
}

/// The stations of a zone that are not accepted, once for all of which the same is told.
#[must_use]
pub fn not_accepted(drying: &HullDrying, zone: Zone) -> String {
    let mut told: Vec<(String, Vec<&str>)> = Vec::new();
    for station in drying.stations.iter().filter(|own| own.zone == zone && own.status != DryingStatus::Ready)
    {
        let why = for_people(&station.reason);
        match told.iter_mut().find(|(other, _)| *other == why) {
            Some((_, codes)) => codes.push(&station.code),
            None => told.push((why, vec![&station.code])),
        }
    }
    let lines: Vec<String> = told.iter().map(|(why, codes)| format!("{}: {why}", codes.join(", "))).collect();
    format!("Readings are not accepted at {}", lines.join(" "))
}

/// What to mind, once for all stations of which the same is told.
fn warnings(drying: &HullDrying) -> Vec<String> {
    let mut told: Vec<(String, Vec<&str>)> = Vec::new();
    for warning in &drying.warnings {
        let own = warning.detail.strip_prefix("At ").and_then(|rest| rest.split_once(" the "));
        let (stations, what) = own.map_or((None, warning.detail.as_str()), |(code, what)| (Some(code), what));
        match told.iter_mut().find(|(other, _)| stations.is_some() && other == what) {
            Some((_, codes)) => codes.extend(stations),
            None => told.push((what.to_owned(), stations.into_iter().collect())),
        }
    }
    let sentence = |(what, codes): (String, Vec<&str>)| match codes.len() {
        0 => for_people(&what),
        _ => format!("At {} the {}", codes.join(", "), for_people(&what)),
    };
    told.into_iter().map(sentence).collect()
}

/// How a hull dries, for people.
#[must_use]
pub fn shown(drying: &HullDrying, washes: &[DateTime<Utc>], local: &LocalTime) -> Shown {
    let target = &drying.target;
    let mut stations: Vec<&StationDrying> = drying.stations.iter().collect();
    // The slowest first: it rules.
    stations.sort_by_key(|station| drying.slowest_station.as_deref() != Some(station.code.as_str()));
    let slowest = drying.slowest_station.as_ref().map(|code| format!(" The slowest is {code}."));
    Shown {
        class: codes::to_text(&drying.status).unwrap_or_default().replace('_', "-"),
        status: drying_words(drying.status),
        target: format!(
            "Dry at {} or under, scale “{}”, the last {} readings steady within {}",
            number(target.target),
            target.scale,
            target.consecutive,
            number(target.steady_range)
        ),
        ready: ready_words(drying, local),
        reason: format!("{}{}", for_people(&drying.reason), slowest.clone().unwrap_or_default()),
        chart: chart(drying, washes, local),
        told: format!(
            "{} stations since {}.{}",
            drying.stations.len(),
            local.day(drying.started_at),
            slowest.unwrap_or_default()
        ),
        washes: match washes.last() {
            None => "No wash is entered.".to_owned(),
            Some(last) => format!("{} washes, the last {}.", washes.len(), local.span(*last)),
        },
        warnings: warnings(drying),
        stations: stations.into_iter().map(|station| station_row(station, local)).collect(),
    }
}

struct Hull {
    treatment_id: TreatmentId,
    vessel: String,
    berth: String,
    kind: String,
    rank: u8,
    drying: Shown,
}

#[derive(Template)]
#[template(path = "drying.html")]
struct DryingPage {
    frame: Frame,
    zone: &'static str,
    counts: Vec<(usize, &'static str)>,
    hulls: Vec<Hull>,
    cautions: Vec<&'static str>,
    next: Option<usize>,
}

/// Ready first, for the next step waits; then stalled, for something must change.
fn rank(status: &str) -> u8 {
    match status {
        "ready" => 0,
        "stalled" => 1,
        "drying" => 2,
        _ => 3,
    }
}

/// Which hulls.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Asked {
    from: Option<usize>,
}

/// The plans under way whose hull dries: the step is in the plan and not said to be done. In the order of what was told
/// of them last.
fn drying_plans(tx: &mut Tx<'_>) -> Result<Vec<(Plan, u8)>> {
    let mut drying = Vec::new();
    let plans = plan::plans(tx, PlansOf::UnderWay)?;
    let ids: Vec<TreatmentId> = plans.iter().map(|plan| plan.id).collect();
    let mut entries: HashMap<TreatmentId, Vec<Entry>> = HashMap::new();
    for entry in plan::entries_of(tx, &ids)? {
        entries.entry(entry.treatment_id).or_default().push(entry);
    }
    for plan in plans {
        let Some(step) = plan.fields.steps.iter().find(|step| step.step == StepKind::Dry) else { continue };
        let entries = entries.remove(&plan.id).unwrap_or_default();
        if plan.fields.zones_of(step).into_iter().any(|zone| done(&entries, StepKind::Dry, zone).is_none()) {
            drying.push(plan);
        }
    }
    let ids: Vec<TreatmentId> = drying.iter().map(|plan| plan.id).collect();
    let told: HashMap<TreatmentId, String> = told(tx, &ids)?.into_iter().collect();
    let mut ranked: Vec<(Plan, u8)> = drying
        .into_iter()
        .map(|plan| (told.get(&plan.id).map_or(3, |status| rank(status)), plan))
        .map(|(r, p)| (p, r))
        .collect();
    ranked.sort_by_key(|(_, rank)| *rank);
    Ok(ranked)
}

/// The times of the washes of a treatment.
///
/// # Errors
/// Those of the database.
pub fn washes(tx: &mut Tx<'_>, id: TreatmentId) -> Result<Vec<DateTime<Utc>>> {
    let entries = plan::entries(tx, id)?;
    let washes = standing(&entries).filter(|entry| entry.fields.kind == EntryKind::Wash);
    Ok(washes.map(|entry| entry.fields.happened_at).collect())
}

/// The hulls that are drying.
///
/// # Errors
/// Those of the database.
pub async fn show(app: App, request: HttpRequest, permit: PagePermit<Read>) -> Outcome {
    let asked: Asked = form::query(&request)?;
    let from = asked.from.unwrap_or(0);
    let loaded = app
        .read(&permit.0, move |tx| {
            let local = LocalTime::of(tx)?;
            let plans = drying_plans(tx)?;
            let all = plans.len();
            let page: Vec<(Plan, u8)> = plans.into_iter().skip(from).take(HULLS).collect();
            let ids: Vec<VesselId> = page.iter().map(|(plan, _)| plan.vessel_id).collect();
            let vessels = vessels::read_many(tx, &ids)?;
            let (mut hulls, mut cautions) = (Vec::new(), Vec::new());
            for (plan, _) in page {
                let Some(vessel) = vessels.iter().find(|vessel| vessel.id == plan.vessel_id) else {
                    continue;
                };
                let (treatment_id, kind) = (plan.id, word(&plan.fields.kind));
                let washes = washes(tx, plan.id)?;
                let Some(drying) = drying_under(tx, plan)? else { continue };
                cautions.extend(
                    drying.cautions.iter().copied().filter(|own| !cautions.contains(own)).collect::<Vec<_>>(),
                );
                let shown = shown(&drying, &washes, &local);
                hulls.push(Hull {
                    treatment_id,
                    vessel: vessel.fields.name.clone(),
                    berth: vessel.fields.berth.clone().unwrap_or_default(),
                    kind,
                    rank: rank(&word(&drying.status)),
                    drying: shown,
                });
            }
            hulls.sort_by_key(|hull| hull.rank);
            let next = (from + HULLS < all).then_some(from + HULLS);
            Ok((local, hulls, cautions, next, organisation_name(tx)?))
        })
        .await?;
    let (local, hulls, cautions, next, organisation) = loaded;
    let statuses = [DryingStatus::Ready, DryingStatus::Stalled, DryingStatus::Drying, DryingStatus::TooEarly];
    let counted = |status: DryingStatus| {
        let words = drying_words(status);
        (hulls.iter().filter(|hull| hull.drying.status == words).count(), words)
    };
    let counts = statuses.into_iter().map(counted).collect();
    let frame = Frame::of(&request, organisation, "drying", "Drying hulls")?;
    send(&DryingPage { frame, zone: local.zone_name(), counts, hulls, cautions, next })
}

//! The bottom map of one survey, with what had been found by then, and the way to the other surveys.

use chrono::NaiveDate;
use chrono_tz::Tz;

use crate::codes;
use crate::features::dossier::api::DossierSurvey;
use crate::features::dossier::api::page::{MapFacts, maps_of};
use crate::features::dossier::model::map::Flag;
use crate::features::dossier::model::plan::{Bow, Spot};
use crate::features::dossier::model::readings::printed;
use crate::features::pages::api::marks::day;
use crate::features::surveys::model::finding::FindingState;
use crate::features::surveys::model::survey::SurveyState;
use crate::features::surveys::store::finding::Finding;
use crate::features::vessels::model::{HullPart, Side};
use crate::ids::SurveyId;
use serde::Serialize;

/// A survey to choose.
pub struct Choice {
    /// Its id.
    pub id: SurveyId,
    /// Its day.
    pub day: String,
    /// How many stations were read in it.
    pub stations: usize,
    /// Whether it is the one shown.
    pub is_shown: bool,
}

/// What a map shows beside the drawing.
pub struct BottomMap {
    /// The surveys there are, the latest first.
    pub choices: Vec<Choice>,
    /// The survey before the one shown.
    pub earlier: Option<SurveyId>,
    /// The survey after it.
    pub later: Option<SurveyId>,
    /// The day of the survey shown.
    pub day: String,
    /// The days on which its stations were read last, where that went on after its day.
    pub last_read: Option<String>,
    /// Whether it is signed.
    pub is_draft: bool,
    /// The drawings for wide pages.
    pub wide: Vec<String>,
    /// The drawings for narrow ones.
    pub narrow: Vec<String>,
    /// What was read where no drawing can show it.
    pub unplaced: Vec<String>,
    /// Station, place, reading with its scale, and what was read there in the survey before.
    pub rows: Vec<[String; 4]>,
    /// What had been found by then.
    pub findings: Vec<String>,
}

fn word(code: &impl Serialize) -> String {
    codes::to_text(code).unwrap_or_default().replace('_', " ")
}

/// A finding in words.
fn told(finding: &Finding, by: NaiveDate) -> String {
    let fields = &finding.fields;
    let side = fields.side.as_ref().map(|side| format!(", {}", word(side)));
    let along = fields.x_m.map(|x_m| format!(", {}\u{a0}m aft", printed(x_m)));
    let up = fields.girth_m.map(|girth_m| format!(", {}\u{a0}m up", printed(girth_m)));
    let state = match fields.repaired_on.filter(|on| *on <= by) {
        Some(on) => format!("repaired {}", day(on)),
        None if fields.state == FindingState::Watched => "watched".to_owned(),
        None => "open".to_owned(),
    };
    let mut kind = word(&fields.kind);
    if let Some(first) = kind.get_mut(0..1) {
        first.make_ascii_uppercase();
    }
    let place: String = [side, along, up].into_iter().flatten().collect();
    format!("{kind} on the {}{place}: found {}, {state}", word(&fields.zone), day(fields.found_on))
}

/// The survey asked for, or the latest with readings; none where nothing was read or found yet.
#[must_use]
pub fn bottom_map(
    facts: MapFacts<'_>,
    findings: &[Finding],
    asked: Option<SurveyId>,
    zone: Tz,
) -> Option<BottomMap> {
    let mut with_readings: Vec<&DossierSurvey> =
        facts.surveys.iter().filter(|survey| !survey.values.is_empty() || asked == Some(survey.id)).collect();
    with_readings.reverse();
    let at = match asked {
        Some(id) => with_readings.iter().position(|survey| survey.id == id)?,
        None => with_readings.len().checked_sub(1)?,
    };
    let survey = *with_readings.get(at)?;
    let earlier = at.checked_sub(1).and_then(|at| with_readings.get(at).copied());
    let on = survey.fields.surveyed_on;
    let days = survey.values.iter().filter_map(|value| value.last_taken_at);
    let days: Vec<NaiveDate> = days.map(|at| at.with_timezone(&zone).date_naive()).collect();
    let (first, last) = (days.iter().min().copied(), days.iter().max().copied());
    let by = last.map_or(on, |last| last.max(on));
    let last_read = match (first, last) {
        (Some(first), Some(last)) if last > on && first < last => {
            Some(format!("each station as last read, {} to {}", day(first), day(last)))
        }
        (Some(_), Some(last)) if last > on => Some(format!("as last read on {}", day(last))),
        _ => None,
    };
    let known: Vec<&Finding> = findings.iter().filter(|finding| finding.fields.found_on <= by).collect();
    let flags: Vec<(HullPart, Flag)> = known
        .iter()
        .enumerate()
        .filter_map(|(n, finding)| {
            let fields = &finding.fields;
            let spot = Spot { side: fields.side?, x_m: fields.x_m?, girth_m: fields.girth_m? };
            let is_done = fields.repaired_on.is_some_and(|on| on <= by);
            let title = told(finding, by);
            Some((fields.hull.unwrap_or(HullPart::Centre), Flag { number: n + 1, title, spot, is_done }))
        })
        .collect();
    let (wide, unplaced) = maps_of(facts, survey, &flags, Bow::Left);
    let (narrow, _) = maps_of(facts, survey, &flags, Bow::Up);
    let rows = survey.values.iter().map(|value| {
        let station = facts.stations.iter().find(|station| station.id == value.station_id);
        let place = station.map(|station| {
            let fields = &station.fields;
            let side = match fields.side {
                Side::Port => "port",
                Side::Starboard => "starboard",
            };
            let along = fields.x_m.map(|x_m| format!(", {}\u{a0}m aft", printed(x_m))).unwrap_or_default();
            let up =
                fields.girth_m.map(|girth_m| format!(", {}\u{a0}m up", printed(girth_m))).unwrap_or_default();
            format!("{}, {side}{along}{up}", word(&fields.zone))
        });
        let same = |other: &&crate::features::dossier::model::readings::StationValue| {
            other.station_id == value.station_id && other.scale == value.scale
        };
        let before = earlier.and_then(|earlier| earlier.values.iter().find(same));
        [
            value.code.clone(),
            place.unwrap_or_default(),
            format!("{} ({})", printed(value.value), value.scale),
            before.map(|before| printed(before.value)).unwrap_or_default(),
        ]
    });
    Some(BottomMap {
        choices: with_readings
            .iter()
            .rev()
            .map(|choice| Choice {
                id: choice.id,
                day: day(choice.fields.surveyed_on),
                stations: choice.values.len(),
                is_shown: choice.id == survey.id,
            })
            .collect(),
        earlier: earlier.map(|survey| survey.id),
        later: with_readings.get(at + 1).map(|survey| survey.id),
        day: day(on),
        last_read,
        is_draft: survey.state == SurveyState::Draft,
        wide,
        narrow,
        unplaced,
        rows: rows.collect(),
        findings: known.iter().map(|finding| told(finding, by)).collect(),
    })
}

//! The life of a hull in lanes, from its records and its forecast.

use chrono::NaiveDate;
use uuid::Uuid;

use super::kind_words;
use crate::features::forecasts::api::history::{EventKind, HistoryEvent};
use crate::features::forecasts::model::DateFields;
use crate::features::pages::api::marks::{day, range_words};
use crate::features::pages::model::timeline::{Due, Form, Lane, Mark, Stretch};
use crate::science::forecast::dates::DueStatus;

fn of_kinds(events: &[HistoryEvent], kinds: &[EventKind], form: Form) -> Vec<Mark> {
    let chosen = events.iter().filter(|event| kinds.contains(&event.kind));
    chosen
        .map(|event| Mark { on: event.on, form, title: format!("{}: {}", day(event.on), event.summary) })
        .collect()
}

/// From each beginning to the end that the same record tells of.
fn stretches(events: &[HistoryEvent], begins: EventKind, ends: EventKind, what: &str) -> Vec<Stretch> {
    let end = |record: Uuid| events.iter().find(|event| event.kind == ends && event.record_id == record);
    let beginnings = events.iter().filter(|event| event.kind == begins);
    beginnings
        .map(|event| {
            let until = end(event.record_id).map(|event| event.on);
            let said = until.map_or_else(|| "and still so".to_owned(), |until| format!("to {}", day(until)));
            Stretch { from: event.on, until, title: format!("{what} from {} {said}", day(event.on)) }
        })
        .collect()
}

/// The lanes: what happened, then each date that is forecast. A hull still ashore is so until `today`.
#[must_use]
pub fn lanes(events: &[HistoryEvent], dates: &[DateFields], today: NaiveDate) -> Vec<Lane> {
    let mut ashore = stretches(events, EventKind::Lift, EventKind::Relaunch, "Ashore");
    for stretch in &mut ashore {
        stretch.until = stretch.until.or(Some(today.max(stretch.from)));
    }
    let lane = |label: &str, stretches: Vec<Stretch>, marks: Vec<Mark>| Lane {
        label: label.to_owned(),
        stretches,
        marks,
        due: None,
    };
    let mut treatments = stretches(events, EventKind::TreatmentStart, EventKind::TreatmentEnd, "Treatment");
    for stretch in &mut treatments {
        stretch.until = stretch.until.or(Some(today.max(stretch.from)));
    }
    let mut found = of_kinds(events, &[EventKind::Finding], Form::Triangle);
    found.extend(of_kinds(events, &[EventKind::Repair], Form::Round));
    let mut lanes = vec![
        lane(
            "Launched, ashore",
            ashore,
            of_kinds(events, &[EventKind::Launch, EventKind::Retirement], Form::Stroke),
        ),
        lane("Coats", Vec::new(), of_kinds(events, &[EventKind::Coat], Form::Round)),
        lane("Surveys", Vec::new(), of_kinds(events, &[EventKind::Survey], Form::Square)),
        lane("Found (triangle), repaired (round)", Vec::new(), found),
        lane("Treatments", treatments, Vec::new()),
    ];
    lanes.retain(|lane| !lane.marks.is_empty() || !lane.stretches.is_empty());
    let ahead = dates.iter().filter(|date| date.status == DueStatus::Due);
    lanes.extend(ahead.map(|date| {
        let said = date.due_on.map_or_else(|| "not within the horizon".to_owned(), day);
        Lane {
            label: format!("Next: {}", kind_words(date.kind).to_lowercase()),
            due: Some(Due {
                on: date.due_on,
                range: date.due_range,
                title: format!("{} due {said}. {}", kind_words(date.kind), range_words(date.due_range)),
            }),
            ..Lane::default()
        }
    }));
    lanes
}

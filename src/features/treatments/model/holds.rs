//! Hold points: what must be so before a step is done, a coat goes on, or the hull goes afloat.

use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;

use super::drying::HullDrying;
use super::entry::{Entry, EntryKind, TreatmentState, done, last_on, standing};
use super::plan::{PlanFields, StepKind};
use crate::error::{Code, Error, FieldError, Result};
use crate::features::climate::model::window::{
    ClimateMoment, MAX_GAP_H, WindowAnswer, WindowRefusal, window,
};
use crate::features::coats::model::CoatFields;
use crate::features::coats::model::overcoating::{OvercoatAnswer, SurfaceTemperature, overcoat_state};
use crate::features::products::model::ProductFields;
use crate::features::vessels::model::Zone;
use crate::ids::{CoatId, HaulOutId, TreatmentId};
use crate::science::drying::DryingStatus;

/// The codes of all holds: an override names one of them.
pub const CODES: [&str; 17] = [
    "abrasion_missing",
    "blush_wash_missing",
    "climate_not_allowed",
    "climate_not_known",
    "coats_missing",
    "cure_climate_not_allowed",
    "cure_climate_not_known",
    "cure_unknown",
    "film_not_accepted",
    "immersion_not_known",
    "immersion_too_soon",
    "launch_too_late",
    "overcoating_unknown",
    "readings_not_accepted",
    "step_not_done",
    "times_missing",
    "too_soon",
];

/// What holds, and how to supply what is missing.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Hold {
    /// A stable word, which an override names.
    pub code: &'static str,
    /// The step it stands before.
    pub step: StepKind,
    /// The zone.
    pub zone: Zone,
    /// What is missing and how to supply it.
    pub detail: String,
}

/// A film as far as holds ask.
#[derive(Debug, Clone, Copy)]
pub struct FilmOn {
    /// Whether its rule accepts it.
    pub accepted: bool,
    /// The dry film it was judged against.
    pub nominal_um: f64,
}

/// A coat of the haul-out with what holds ask of it.
#[derive(Debug, Clone)]
pub struct CoatOn {
    /// The coat.
    pub id: CoatId,
    /// Its fields.
    pub fields: CoatFields,
    /// Its product's sheet.
    pub sheet: Option<ProductFields>,
    /// Its last film that stands; none when none was measured.
    pub film: Option<FilmOn>,
    /// When it was recorded.
    pub recorded_at: DateTime<Utc>,
}

/// Everything that holds are judged by.
#[derive(Debug)]
pub struct HoldFacts<'a> {
    /// The plan.
    pub plan: &'a PlanFields,
    /// The treatment.
    pub id: TreatmentId,
    /// Its haul-out.
    pub haul_out_id: HaulOutId,
    /// Where the treatment is.
    pub state: TreatmentState,
    /// Its entries by time.
    pub entries: &'a [Entry],
    /// The coats of the haul-out put on since work started, in order.
    pub coats: &'a [CoatOn],
    /// The climate by time.
    pub climate: &'a [ClimateMoment],
    /// How the hull dries, where the plan has that step.
    pub drying: Option<&'a HullDrying>,
    /// The present.
    pub now: DateTime<Utc>,
}

impl HoldFacts<'_> {
    /// The step whose coats have this role.
    #[must_use]
    pub fn step_of(&self, coat: &CoatFields) -> Option<StepKind> {
        self.plan.steps_in(coat.zone).map(|step| step.step).find(|step| step.role() == Some(coat.role))
    }

    /// The coats of a step in a zone.
    pub fn coats_of(&self, step: StepKind, zone: Zone) -> impl Iterator<Item = &CoatOn> {
        self.coats
            .iter()
            .filter(move |coat| coat.fields.zone == zone && Some(coat.fields.role) == step.role())
    }

    fn steps_before(&self, step: StepKind, zone: Zone, holds: &mut Vec<Hold>) {
        for own in self.plan.steps_in(zone).take_while(|own| own.step != step) {
            if done(self.entries, own.step, zone).is_some() {
                continue;
            }
            if own.step == StepKind::Dry {
                holds.extend(self.readings(zone, step));
            }
            let name = word(own.step);
            holds.push(Hold {
                code: "step_not_done",
                step,
                zone,
                detail: format!(
                    "The step {name} is not done here. {} Enter step_done for {name}.",
                    own.step.evidence()
                ),
            });
        }
    }

    /// Whether the readings of a zone are accepted; the hold stands before `step`.
    fn readings(&self, zone: Zone, step: StepKind) -> Option<Hold> {
        let stations: Vec<_> = self
            .drying
            .iter()
            .flat_map(|drying| &drying.stations)
            .filter(|station| station.zone == zone)
            .collect();
        // Stations that wait for the same reason are told together.
        let mut wet: Vec<(String, &str)> = Vec::new();
        for station in stations.iter().filter(|station| station.status != DryingStatus::Ready) {
            let reason = station.reason.trim_end_matches('.');
            match wet.iter_mut().find(|(_, own)| *own == reason) {
                Some((codes, _)) => {
                    codes.push_str(", ");
                    codes.push_str(&station.code);
                }
                None => wet.push((station.code.clone(), reason)),
            }
        }
        let detail = if stations.is_empty() {
            "No station is fixed on this zone. Fix them: POST /v1/stations. Then read them: POST /v1/surveys/{id}/readings in a \
             survey of this haul-out."
                .to_owned()
        } else if wet.is_empty() {
            return None;
        } else {
            let wet: Vec<String> = wet.into_iter().map(|(codes, why)| format!("{codes}: {why}")).collect();
            format!(
                "Readings are not accepted. {}. Wash, dry and read on, until all are at or under the target.",
                wet.join("; ")
            )
        };
        Some(Hold { code: "readings_not_accepted", step, zone, detail })
    }

    /// What holds before a step can be said to be done in a zone.
    #[must_use]
    pub fn before_done(&self, step: StepKind, zone: Zone) -> Vec<Hold> {
        let mut holds = Vec::new();
        self.steps_before(step, zone, &mut holds);
        if step == StepKind::Dry {
            holds.extend(self.readings(zone, step));
        }
        if step == StepKind::AbradeSealed
            && let Some(below) = self.coats.iter().rfind(|below| below.fields.zone == zone)
        {
            let mut hold = |code, detail: String| holds.push(Hold { code, step, zone, detail });
            self.blush(below, self.now, &mut hold);
        }
        let planned =
            self.plan.steps_in(zone).find(|own| own.step == step).and_then(|own| own.coats).unwrap_or(0);
        let there = self.coats_of(step, zone).count();
        if i32::try_from(there).unwrap_or(i32::MAX) < planned {
            holds.push(Hold {
                code: "coats_missing",
                step,
                zone,
                detail: format!(
                    "{there} of {planned} coats are recorded here. Record the rest: POST /v1/treatments/{}/coats.",
                    self.id
                ),
            });
        }
        self.not_overridden(holds, None)
    }

    /// What holds before a coat.
    ///
    /// # Errors
    /// Invalid, when a value lies out of the range of the science.
    pub fn before_coat(
        &self,
        step: StepKind,
        coat: &CoatFields,
        sheet: Option<&ProductFields>,
    ) -> Result<Vec<Hold>> {
        let zone = coat.zone;
        let mut holds = Vec::new();
        self.steps_before(step, zone, &mut holds);
        let mut hold = |code, detail: String| holds.push(Hold { code, step, zone, detail });
        let below = self.coats.iter().rfind(|below| below.fields.zone == zone);
        let started_at = coat.started_at.or(coat.finished_at);
        let begins = started_at.unwrap_or(self.now);
        if let Some(below) = below {
            self.surface(below, coat, begins, &mut hold);
        }
        match started_at.zip(coat.finished_at) {
            None => hold(
                "times_missing",
                "It is not said when the coat was put on. Enter started_at and finished_at of the coat."
                    .to_owned(),
            ),
            Some((from, to)) => {
                let limits = sheet.map_or_else(Default::default, ProductFields::limits);
                let judged = window(&limits, self.climate, from, to, MAX_GAP_H)?;
                if judged.answer == WindowAnswer::NotAllowed {
                    hold(
                        "climate_not_allowed",
                        format!(
                            "{} Wait for a window: POST /v1/haul-outs/{}/coating-windows.",
                            told(&judged.refusals),
                            self.haul_out_id
                        ),
                    );
                } else if judged.answer == WindowAnswer::NotEnoughValues {
                    hold(
                        "climate_not_known",
                        format!(
                            "{} the climate is not known within {MAX_GAP_H} hours. Enter air, humidity and hull temperature: \
                             POST /v1/haul-outs/{}/climate-values.",
                            if from == to {
                                format!("At {}", minute(from))
                            } else {
                                format!("Between {} and {}", minute(from), minute(to))
                            },
                            self.haul_out_id
                        ),
                    );
                }
            }
        }
        let since = self.coats_of(step, zone).map(|own| own.recorded_at).max();
        Ok(self.not_overridden(holds, since))
    }

    /// Whether a blush on the coat below was washed off by a time.
    fn blush(&self, below: &CoatOn, until: DateTime<Utc>, hold: &mut impl FnMut(&'static str, String)) {
        let (zone, since) = (below.fields.zone, below.fields.finished_at.unwrap_or(below.recorded_at));
        let blush = below.sheet.as_ref().is_some_and(|sheet| sheet.amine_blush);
        if blush && last_on(self.entries, EntryKind::BlushWash, zone, since, until).is_none() {
            hold(
                "blush_wash_missing",
                "The coat below leaves an amine blush, and no blush_wash stands since. Wash it off, and enter a blush_wash.".to_owned(),
            );
        }
    }

    /// Whether the coat below was abraded by a time: by an abrasion, or as the step that abrades the sealer.
    fn abraded(&self, below: &CoatOn, until: DateTime<Utc>) -> bool {
        let (zone, since) = (below.fields.zone, below.fields.finished_at.unwrap_or(below.recorded_at));
        let as_step = done(self.entries, StepKind::AbradeSealed, zone)
            .is_some_and(|entry| (since..=until).contains(&entry.fields.happened_at));
        as_step || last_on(self.entries, EntryKind::Abrasion, zone, since, until).is_some()
    }

    /// What the coat below asks for.
    fn surface(
        &self,
        below: &CoatOn,
        coat: &CoatFields,
        begins: DateTime<Utc>,
        hold: &mut impl FnMut(&'static str, String),
    ) {
        self.blush(below, begins, hold);
        let Some(sheet) = &below.sheet else {
            hold(
                "overcoating_unknown",
                "The coat below names no product, so nobody knows its overcoating window. Correct that coat with its product_id."
                    .to_owned(),
            );
            return;
        };
        let told = overcoat_state(sheet, coat.role, &self.temperatures(), below.fields.finished_at, begins);
        let abraded = self.abraded(below, begins);
        match told.state {
            OvercoatAnswer::TooSoon => {
                let until = told
                    .opens_at
                    .map_or_else(|| told.detail.clone(), |at| format!("Wait until {}.", minute(at)));
                hold("too_soon", format!("Over the coat below it is too soon. {until}"));
            }
            OvercoatAnswer::Closed if !abraded => hold(
                "abrasion_missing",
                format!("The overcoating window of this pair has closed. {} Enter an abrasion.", told.detail),
            ),
            OvercoatAnswer::Unknown if !abraded => hold("overcoating_unknown", told.detail),
            OvercoatAnswer::Open | OvercoatAnswer::Closed | OvercoatAnswer::Unknown => {}
        }
    }

    pub(super) fn temperatures(&self) -> Vec<SurfaceTemperature> {
        self.climate
            .iter()
            .map(|value| SurfaceTemperature { at: value.at, temperature_c: value.surface_temperature_c })
            .collect()
    }

    /// Those that no override opens. Before a coat an override counts once: for the first coat after it.
    pub(super) fn not_overridden(&self, holds: Vec<Hold>, since: Option<DateTime<Utc>>) -> Vec<Hold> {
        let opened = |hold: &Hold| {
            standing(self.entries).any(|entry| {
                let fields = &entry.fields;
                fields.kind == EntryKind::Override
                    && fields.hold.as_deref() == Some(hold.code)
                    && fields.step == Some(hold.step)
                    && fields.zone == Some(hold.zone)
                    && since.is_none_or(|since| entry.recorded_at > since)
            })
        };
        holds.into_iter().filter(|hold| !opened(hold)).collect()
    }
}

/// What broke the limits, the first of each kind.
#[must_use]
pub(super) fn told(refusals: &[WindowRefusal]) -> String {
    let mut kinds: Vec<(&WindowRefusal, usize)> = Vec::new();
    for refusal in refusals {
        match kinds.iter_mut().find(|(first, _)| first.code == refusal.code) {
            Some((_, more)) => *more += 1,
            None => kinds.push((refusal, 0)),
        }
    }
    let sentence = |(first, more): &(&WindowRefusal, usize)| {
        let times = match more {
            0 => String::new(),
            1 => " So once more.".to_owned(),
            more => format!(" So {more} times more."),
        };
        format!("{}: {}{times}", minute(first.at), first.detail)
    };
    kinds.iter().map(sentence).collect::<Vec<_>>().join(" ")
}

/// A time for people, in UTC.
#[must_use]
pub fn minute(at: DateTime<Utc>) -> String {
    at.format("%Y-%m-%d %H:%M UTC").to_string()
}

/// The word of a code.
#[must_use]
pub fn word(code: impl Serialize) -> String {
    match serde_json::to_value(code) {
        Ok(serde_json::Value::String(text)) => text,
        _ => String::new(),
    }
}

/// Refuses with what holds, if anything does: each with how to supply it, or who may override.
///
/// # Errors
/// Held, with every hold.
pub fn refuse(id: TreatmentId, holds: &[Hold]) -> Result<()> {
    if holds.is_empty() {
        return Ok(());
    }
    let fields: Vec<FieldError> = holds
        .iter()
        .map(|hold| {
            FieldError::new(
                "",
                hold.code,
                format!("{} on {}: {}", word(hold.step), word(hold.zone), hold.detail),
            )
        })
        .collect();
    let mut error = Error::invalid(fields);
    error.code = Code::Held;
    error.detail = format!(
        "{} A qualified person may override a hold by name and with a reason: POST /v1/treatments/{id}/decisions.",
        error.detail.trim()
    );
    Err(error)
}

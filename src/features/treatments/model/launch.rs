//! What holds before the hull goes afloat: films accepted, coats cured, the antifouling not too old.

use chrono::{DateTime, Duration, Utc};

use super::entry::{StepState, step_state};
use super::holds::{CoatOn, FilmOn, Hold, HoldFacts, minute, told, word};
use super::plan::StepKind;
use crate::error::Result;
use crate::features::climate::model::window::{MAX_GAP_H, WindowAnswer, hours, window};
use crate::features::coats::model::overcoating::{OvercoatAnswer, overcoat_state};
use crate::features::products::model::{Overcoating, ProductFields};
use crate::features::vessels::model::Zone;

impl HoldFacts<'_> {
    /// What holds before the hull goes afloat and the treatment is closed at a time.
    ///
    /// # Errors
    /// Invalid, when a value lies out of the range of the science.
    pub fn before_closing(&self, launch_at: DateTime<Utc>) -> Result<Vec<Hold>> {
        let mut holds = Vec::new();
        for zone in self.plan.zones.iter().map(|zone| zone.zone) {
            for step in self.plan.steps_in(zone).map(|step| step.step) {
                if step_state(self.plan, self.entries, step, zone) != StepState::Done {
                    let detail = format!("The step {} is not done here. {}", word(step), step.evidence());
                    holds.push(Hold { code: "step_not_done", step, zone, detail });
                }
                let planned_um =
                    self.plan.steps_in(zone).find(|own| own.step == step).and_then(|own| own.dry_film_um);
                for coat in self.coats_of(step, zone) {
                    holds.extend(film(coat, step, planned_um));
                    self.cure(coat, step, launch_at, &mut holds)?;
                }
            }
        }
        holds.dedup();
        Ok(self.not_overridden(holds, None))
    }

    /// Until when the hull may go afloat in a zone before its last antifouling has stood too long.
    #[must_use]
    pub fn launch_by(&self, zone: Zone) -> Option<DateTime<Utc>> {
        let last = self.coats.iter().rfind(|coat| coat.fields.zone == zone)?;
        latest_launch(last).map(|(_, until)| until)
    }

    fn cure(
        &self,
        coat: &CoatOn,
        step: StepKind,
        launch_at: DateTime<Utc>,
        holds: &mut Vec<Hold>,
    ) -> Result<()> {
        let zone = coat.fields.zone;
        let last =
            self.coats.iter().rfind(|other| other.fields.zone == zone).is_some_and(|last| last.id == coat.id);
        let mut hold = |code, detail| holds.push(Hold { code, step, zone, detail });
        if last && coat.sheet.as_ref().is_none_or(|sheet| sheet.cure.is_empty()) {
            let what = coat.sheet.as_ref().map_or_else(
                || format!("The last coat, {}, names no product", named(coat)),
                |sheet| format!("The sheet of the last coat, {}, has no times to immersion", sheet.name),
            );
            hold(
                "cure_unknown",
                format!(
                    "{what}, so nobody knows when it may go afloat. Enter cure in the product, and the product in the coat."
                ),
            );
        }
        let Some(sheet) = &coat.sheet else { return Ok(()) };
        if last && !sheet.cure.is_empty() {
            // The time to immersion runs as the time to another coat does.
            let lines = sheet.cure.iter().map(|line| Overcoating {
                next_role: sheet.role,
                temperature_c: line.temperature_c,
                min_h: line.hours,
                max_h: None,
            });
            let as_coat = ProductFields { overcoating: lines.collect(), ..sheet.clone() };
            let immersion = overcoat_state(
                &as_coat,
                sheet.role,
                &self.temperatures(),
                coat.fields.finished_at,
                launch_at,
            );
            match immersion.state {
                OvercoatAnswer::TooSoon => hold(
                    "immersion_too_soon",
                    format!(
                        "The last coat, {}, has not cured for immersion. Wait{}.",
                        sheet.name,
                        immersion.opens_at.map_or_else(String::new, |at| format!(" until {}", minute(at)))
                    ),
                ),
                OvercoatAnswer::Unknown => hold("immersion_not_known", immersion.detail),
                OvercoatAnswer::Open | OvercoatAnswer::Closed => {}
            }
        }
        if let Some((days, until)) = latest_launch(coat).filter(|(_, until)| last && launch_at > *until) {
            hold(
                "launch_too_late",
                format!(
                    "The antifouling {} may stand {days} days before launch, until {}, which lies before the launch. Put on \
                     another coat.",
                    sheet.name,
                    minute(until)
                ),
            );
        }
        if let (Some(from), Some(finished_at), Some(line)) =
            (coat.fields.started_at, coat.fields.finished_at, sheet.cure.last())
        {
            // Over its cure as well: as long as the sheet's warmest line asks, at most until the next coat or the launch.
            let next = self
                .coats
                .iter()
                .filter(|other| other.fields.zone == zone)
                .filter_map(|other| other.fields.started_at)
                .filter(|at| *at > finished_at)
                .min();
            let to = (finished_at + hours(line.hours))
                .min(next.unwrap_or(launch_at))
                .min(launch_at)
                .max(finished_at);
            let judged = window(&sheet.limits(), self.climate, from, to, MAX_GAP_H)?;
            match judged.answer {
                WindowAnswer::Allowed => {}
                WindowAnswer::NotAllowed => hold(
                    "cure_climate_not_allowed",
                    format!(
                        "While {} was put on and cured the climate broke a limit of {}: {} A qualified person decides: override with \
                         the reason.",
                        named(coat),
                        sheet.name,
                        told(&judged.refusals)
                    ),
                ),
                WindowAnswer::NotEnoughValues => hold(
                    "cure_climate_not_known",
                    format!(
                        "Between {} and {} the climate is not known for over {MAX_GAP_H} hours. Enter what the logger has: \
                         POST /v1/haul-outs/{}/climate-values/file.",
                        minute(from),
                        minute(to),
                        self.haul_out_id
                    ),
                ),
            }
        }
        Ok(())
    }
}

/// How many days an antifouling may stand before launch, and until when.
fn latest_launch(coat: &CoatOn) -> Option<(i32, DateTime<Utc>)> {
    let days = coat.sheet.as_ref()?.max_days_to_launch?;
    let until = coat.fields.finished_at?.checked_add_signed(Duration::days(i64::from(days)))?;
    Some((days, until))
}

/// What holds of the film of a coat.
fn film(coat: &CoatOn, step: StepKind, planned_um: Option<f64>) -> Option<Hold> {
    let why = match (coat.film, planned_um) {
        (None, _) => "was not measured. Measure it".to_owned(),
        (Some(FilmOn { accepted: false, .. }), _) => {
            "is not accepted by its rule. Put on another coat and measure, superseding that film".to_owned()
        }
        (Some(FilmOn { nominal_um, .. }), Some(planned_um)) if nominal_um < planned_um * (1.0 - 1e-9) => {
            format!(
                "was judged against {nominal_um} µm, and the plan asks for {planned_um} µm. Judge it against that, superseding \
             that film"
            )
        }
        (Some(_), _) => return None,
    };
    let detail = format!("The film of {} {why}: POST /v1/coats/{}/films.", named(coat), coat.id);
    Some(Hold { code: "film_not_accepted", step, zone: coat.fields.zone, detail })
}

/// A coat as people know it.
fn named(coat: &CoatOn) -> String {
    let fields = &coat.fields;
    let colour = fields.colour.as_deref().map_or_else(String::new, |colour| format!(", {colour}"));
    let on = fields.finished_at.map_or_else(|| fields.applied_on.to_string(), minute);
    format!("the {} coat of {on}{colour}", word(fields.role))
}

//! The climate of a treatment now, and the clock of its coats.

use chrono::{DateTime, Utc};

use super::treatment::Loaded;
use super::yard_words::{for_people, headed, number, word};
use crate::error::Result;
use crate::features::coats::model::overcoating::{OvercoatAnswer, SurfaceTemperature, overcoat_state};
use crate::features::products::model::ProductFields;
use crate::features::products::store::Product;
use crate::features::treatments::api::plan::UnderWay;
use crate::features::treatments::model::entry::StepState;
use crate::science::moist_air::{CoatingClimateInput, coating_climate};

/// The hours for which a climate value stands.
const STANDS_H: i64 = 3;

/// A limit of a coat, and whether the air and hull keep it now.
#[derive(Debug)]
pub struct Limit {
    /// Of what.
    pub what: &'static str,
    /// As it is.
    pub now: String,
    /// As it is to be.
    pub asked: String,
    /// Whether it is kept.
    pub kept: bool,
}

/// Air and hull now, against the limits of the next coat.
#[derive(Debug)]
pub struct Climate {
    /// Whose limits.
    pub product: String,
    /// When it was measured.
    pub measured: String,
    /// Whether it no longer tells of now.
    pub old: bool,
    /// Whether every limit is kept.
    pub allowed: bool,
    /// The limits.
    pub limits: Vec<Limit>,
}

/// The clock of the coat on a zone.
#[derive(Debug)]
pub struct Clock {
    /// The zone.
    pub zone: String,
    /// The coat.
    pub coat: String,
    /// A class of the style sheet.
    pub class: &'static str,
    /// Where in its window it is.
    pub state: &'static str,
    /// When it opens or closes.
    pub when: String,
    /// What to do.
    pub detail: String,
    /// How far it has run, drawn.
    pub bar: String,
}

/// The product of the next coat: whose sheet gives the limits.
fn next_product(loaded: &Loaded) -> Option<&Product> {
    let plan = &loaded.under_way.plan;
    let to_do = plan.progress.iter().filter(|step| step.state != StepState::Done);
    let step = to_do.filter(|step| step.step.role().is_some()).find_map(|step| {
        plan.fields.steps.iter().find(|own| own.step == step.step).and_then(|own| own.product_id)
    })?;
    loaded.products.iter().find(|product| product.id == step)
}

/// Air and hull now.
///
/// # Errors
/// Invalid, when a value lies out of the range of the science.
pub fn climate(loaded: &Loaded) -> Result<Option<Climate>> {
    let Some(last) = loaded.under_way.climate.last() else { return Ok(None) };
    let product = next_product(loaded);
    let limits = product.map_or_else(Default::default, |product| product.fields.limits());
    let judged = coating_climate(&CoatingClimateInput {
        air_temperature_c: last.air_temperature_c,
        relative_humidity_pct: last.relative_humidity_pct,
        surface_temperature_c: last.surface_temperature_c,
        limits,
    })?;
    let broken = |code: &str| judged.refusals.iter().any(|refusal| refusal.code == code);
    let rows = vec![
        Limit {
            what: "Hull over the dew point",
            now: format!("{:.1} K (dew point {:.1} °C)", judged.margin_k, judged.dew_point_c),
            asked: format!("{} K or more", number(limits.min_margin_k)),
            kept: !broken("margin_too_small"),
        },
        Limit {
            what: "Relative humidity",
            now: format!("{} %", number(last.relative_humidity_pct)),
            asked: format!("{} % or less", number(limits.max_relative_humidity_pct)),
            kept: !broken("air_too_humid"),
        },
        Limit {
            what: "Surface of the hull",
            now: format!(
                "{} °C (air {} °C)",
                number(last.surface_temperature_c),
                number(last.air_temperature_c)
            ),
            asked: format!(
                "{} to {} °C",
                number(limits.min_surface_temperature_c),
                number(limits.max_surface_temperature_c)
            ),
            kept: !broken("surface_too_cold") && !broken("surface_too_warm"),
        },
    ];
    Ok(Some(Climate {
        product: product.map_or_else(
            || "usual limits, for no product is named".to_owned(),
            |product| product.fields.name.clone(),
        ),
        measured: format!("{} ({})", loaded.local.time(last.at), loaded.local.span(last.at)),
        old: (loaded.local.now - last.at).num_hours() >= STANDS_H,
        allowed: judged.allowed,
        limits: rows,
    }))
}

/// How far a span has run, as a bar; what it says stands beside it in words.
fn bar(from: DateTime<Utc>, to: DateTime<Utc>, now: DateTime<Utc>) -> String {
    let whole = (to - from).as_seconds_f64().max(1.0);
    let x = ((now - from).as_seconds_f64() / whole).clamp(0.0, 1.0) * 260.0;
    format!(
        "<svg viewBox=\"0 0 260 16\" aria-hidden=\"true\"><rect class=\"rest\" x=\"0\" y=\"4\" width=\"260\" height=\"8\"/><rect class=\"band\" x=\"0\" y=\"4\" width=\"{x:.1}\" height=\"8\"/><path class=\"now\" d=\"M{x:.1} 0V16\"/></svg>"
    )
}

/// The clocks of the coats, zone by zone.
#[must_use]
pub fn clocks(loaded: &Loaded) -> Vec<Clock> {
    let UnderWay { plan, coats, climate, .. } = &loaded.under_way;
    let local = &loaded.local;
    let history: Vec<SurfaceTemperature> = climate
        .iter()
        .map(|value| SurfaceTemperature { at: value.at, temperature_c: value.surface_temperature_c })
        .collect();
    let mut clocks = Vec::new();
    for zone in plan.fields.zones.iter().map(|zone| zone.zone) {
        let Some(last) = coats.iter().rfind(|coat| coat.fields.zone == zone) else { continue };
        let Some(next_role) = plan
            .progress
            .iter()
            .filter(|step| step.zone == zone && step.state != StepState::Done)
            .find_map(|step| step.step.role())
        else {
            continue;
        };
        let name =
            last.sheet.as_ref().map_or("no product named", |sheet: &ProductFields| sheet.name.as_str());
        let ended =
            last.fields.finished_at.map_or_else(String::new, |at| format!(", ended {}", local.time(at)));
        let coat = format!("{} ({name}){ended}; next {}", headed(&last.fields.role), word(&next_role));
        let Some(sheet) = &last.sheet else { continue };
        let told = overcoat_state(sheet, next_role, &history, last.fields.finished_at, local.now);
        let (class, state) = match told.state {
            OvercoatAnswer::TooSoon => ("wait", "Too soon"),
            OvercoatAnswer::Open => ("go", "Open: the next coat may go on"),
            OvercoatAnswer::Closed => ("wait", "Closed: abrade first"),
            OvercoatAnswer::Unknown => ("wait", "Not known"),
        };
        let spoken =
            |what: &str, at: DateTime<Utc>| format!("{what} {} ({})", local.span(at), local.time(at));
        let when = [
            told.opens_at.map(|at| spoken("Opens", at)),
            told.until.map(|at| spoken("Closes", at)),
            told.since.map(|at| spoken("Closed", at)),
        ];
        let end = told.opens_at.or(told.until);
        clocks.push(Clock {
            zone: headed(&zone),
            coat,
            class,
            state,
            when: when.into_iter().flatten().collect::<Vec<_>>().join("; "),
            detail: for_people(&told.detail),
            bar: last
                .fields
                .finished_at
                .zip(end)
                .map_or_else(String::new, |(from, to)| bar(from, to, local.now)),
        });
    }
    clocks
}

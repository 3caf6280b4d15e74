//! Whether a dry film is thick enough: the `film` calculator, and how many readings tell it.
//!
//! Rules: ISO 19840 / ISO 12944-5 (mean at least nominal, each at least 80 %, fewer than 20 % of the readings between
//! 80 and 100 %, none over the maximum, three times nominal where none is given); SSPC-PA 2 restriction levels 1 to 5;
//! IMO MSC.215(82) (PSPC) 90/10, written for steel ballast tanks. Magnetic and eddy-current gauges do not read on
//! fibreglass: ultrasonic gauges, wet film with volume solids, or litres used do.

mod sampling;

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::cautions::cautions;
use super::model::Model;
use super::refusal::Refusals;

pub use sampling::{Iso19840Sampling, Pa2Sampling, iso_19840_sampling, pa_2_sampling};

/// Most readings taken.
const MAX_READINGS: usize = 20_000;

/// Thickest film taken, µm.
const MAX_FILM_UM: f64 = 50_000.0;

/// Share of a thickness that rounding may cost: a value exactly on its limit is allowed.
const ROUNDING: f64 = 1e-9;

/// The maximum of ISO 12944-5 where none is given, as a multiple of nominal.
const ISO_MAXIMUM_FACTOR: f64 = 3.0;

/// A rule of acceptance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum FilmRule {
    /// ISO 19840 with ISO 12944-5.
    #[serde(rename = "iso-19840")]
    Iso19840,
    /// SSPC-PA 2.
    #[serde(rename = "pa-2")]
    Pa2,
    /// IMO MSC.215(82).
    #[serde(rename = "pspc-90-10")]
    Pspc9010,
}

/// Readings and the rule they are held against.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct FilmInput {
    /// The rule.
    pub rule: FilmRule,
    /// Nominal dry film thickness, µm; for pa-2 the specified minimum.
    pub nominal_um: f64,
    /// Greatest dry film thickness, µm; where none is given, three times nominal for iso-19840 and none else.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub max_um: Option<f64>,
    /// The readings, µm; for iso-19840 and pspc-90-10.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub readings_um: Option<Vec<f64>>,
    /// Spot means of one area, µm; for pa-2.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spots_um: Option<Vec<f64>>,
    /// The readings of each spot, at least 3, µm; for pa-2 instead of `spots_um`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spot_readings_um: Option<Vec<Vec<f64>>>,
    /// Restriction level 1 to 5 of pa-2; 3 where none is given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub level: Option<u8>,
}

/// One part of the rule that is not kept.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct FilmFailure {
    /// A stable word: `mean_below`, `reading_below`, `too_many_below`, `mean_above` or `reading_above`.
    pub code: &'static str,
    /// One sentence with the numbers.
    pub detail: String,
}

/// Whether the film is accepted.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct FilmOutput {
    /// Every part of the rule is kept.
    pub accepted: bool,
    /// Mean of the readings or spots, µm.
    pub mean_um: f64,
    /// Thinnest reading or spot, µm.
    pub min_um: f64,
    /// Thickest reading or spot, µm.
    pub max_um: f64,
    /// Readings or spots under 80 % of nominal.
    pub below_80pct: usize,
    /// Readings or spots from 80 % to under 100 % of nominal.
    pub between_80_and_100pct: usize,
    /// The parts of the rule that are not kept.
    pub failures: Vec<FilmFailure>,
    /// Which formula gave the answer.
    pub model: Model,
    /// What to mind.
    pub cautions: Vec<&'static str>,
}

/// Limits of SSPC-PA 2 for one restriction level, µm; none where the level sets none.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pa2Limits {
    /// Thinnest spot.
    pub spot_min_um: f64,
    /// Thickest spot.
    pub spot_max_um: Option<f64>,
    /// Thinnest area mean.
    pub area_min_um: f64,
    /// Thickest area mean.
    pub area_max_um: Option<f64>,
}

/// The limits of an SSPC-PA 2 restriction level; none for a level that does not exist.
///
/// Spot minimum 100 % of the specified minimum at levels 1 and 2 and 80 % above; spot maximum 100, 120, 120, 150 % of
/// the specified maximum and unrestricted at level 5, like the area mean there (from memory).
///
/// ```
/// let level_3 = garboard::science::film::pa_2_limits(3, 250.0, Some(350.0)).expect("it exists");
/// assert!((level_3.spot_min_um - 200.0).abs() < 1e-9);
/// ```
#[must_use]
pub fn pa_2_limits(level: u8, min_um: f64, max_um: Option<f64>) -> Option<Pa2Limits> {
    let (low, high) = match level {
        1 => (1.0, Some(1.0)),
        2 => (1.0, Some(1.2)),
        3 => (0.8, Some(1.2)),
        4 => (0.8, Some(1.5)),
        5 => (0.8, None),
        _ => return None,
    };
    Some(Pa2Limits {
        spot_min_um: low * min_um,
        spot_max_um: max_um.zip(high).map(|(max_um, factor)| max_um * factor),
        area_min_um: min_um,
        area_max_um: max_um.filter(|_| high.is_some()),
    })
}

impl FilmInput {
    /// The readings or spot means that the rule looks at.
    fn values(&self) -> Result<Vec<f64>, Refusals> {
        let mut refusals = Refusals::default();
        refusals.range("/nominal_um", self.nominal_um, 1.0, MAX_FILM_UM, "µm");
        if let Some(max_um) = self.max_um {
            refusals.range("/max_um", max_um, 1.0, 10.0 * MAX_FILM_UM, "µm");
            if max_um < self.nominal_um {
                refusals.refuse("/max_um", "order", "is below nominal_um; enter a greater thickness");
            }
        }
        let values = if self.rule == FilmRule::Pa2 {
            unused("/readings_um", self.readings_um.is_some(), &mut refusals);
            if !(1..=5).contains(&self.level.unwrap_or(3)) {
                refusals.refuse("/level", "out_of_range", "is no level; enter a value from 1 to 5");
            }
            self.spot_means(&mut refusals)
        } else {
            unused("/spots_um", self.spots_um.is_some(), &mut refusals);
            unused("/spot_readings_um", self.spot_readings_um.is_some(), &mut refusals);
            unused("/level", self.level.is_some(), &mut refusals);
            let readings = self.readings_um.clone().unwrap_or_default();
            check_list("/readings_um", &readings, 1, &mut refusals);
            readings
        };
        refusals.into_result()?;
        Ok(values)
    }

    fn spot_means(&self, refusals: &mut Refusals) -> Vec<f64> {
        match (&self.spots_um, &self.spot_readings_um) {
            (Some(_), Some(_)) => {
                refusals.refuse(
                    "/spot_readings_um",
                    "exclusive",
                    "stands beside spots_um; enter one of the two",
                );
                Vec::new()
            }
            (_, Some(spots)) => {
                if spots.is_empty() || spots.len() > MAX_READINGS / 3 {
                    refusals.refuse("/spot_readings_um", "count", "enter at least one spot, not thousands");
                    return Vec::new();
                }
                for (n, spot) in spots.iter().enumerate() {
                    check_list(&format!("/spot_readings_um/{n}"), spot, 3, refusals);
                }
                spots.iter().map(|spot| mean(spot)).collect()
            }
            (spots, None) => {
                let spots = spots.clone().unwrap_or_default();
                check_list("/spots_um", &spots, 1, refusals);
                spots
            }
        }
    }

    fn failures(&self, output: &FilmOutput, count: usize) -> Vec<FilmFailure> {
        let (nominal, mut found) = (self.nominal_um, Vec::new());
        let mut note = |broken: bool, code, detail: String| {
            if broken {
                found.push(FilmFailure { code, detail });
            }
        };
        let (mean, least, most) = (output.mean_um, output.min_um, output.max_um);
        let below = |value: f64, limit: f64| value < limit * (1.0 - ROUNDING);
        let above = |value: f64, limit: f64| value > limit * (1.0 + ROUNDING);
        let (mut mean_least, mut mean_most) = (Some(nominal), None);
        let (reading_least, reading_most);
        let under = output.below_80pct + output.between_80_and_100pct;
        match self.rule {
            FilmRule::Iso19840 => {
                reading_least = 0.8 * nominal;
                reading_most = Some(self.max_um.unwrap_or(ISO_MAXIMUM_FACTOR * nominal));
                let between = output.between_80_and_100pct;
                note(
                    between * 5 >= count,
                    "too_many_below",
                    format!(
                        "{between} of {count} readings lie between 80 and 100 % of {nominal} µm; fewer than 20 % may."
                    ),
                );
            }
            FilmRule::Pspc9010 => {
                mean_least = None;
                reading_least = 0.9 * nominal;
                reading_most = self.max_um;
                note(
                    under * 10 > count,
                    "too_many_below",
                    format!("{under} of {count} readings lie under {nominal} µm; at most 10 % may."),
                );
            }
            FilmRule::Pa2 => {
                let limits = pa_2_limits(self.level.unwrap_or(3), nominal, self.max_um);
                reading_least = limits.map_or(nominal, |limits| limits.spot_min_um);
                reading_most = limits.and_then(|limits| limits.spot_max_um);
                mean_most = limits.and_then(|limits| limits.area_max_um);
            }
        }
        if let Some(limit) = mean_least {
            let detail = format!("The mean is {mean:.1} µm; at least {limit} µm are asked for.");
            note(below(mean, limit), "mean_below", detail);
        }
        let detail = format!("The thinnest is {least:.1} µm; at least {reading_least:.1} µm are asked for.");
        note(below(least, reading_least), "reading_below", detail);
        if let Some(limit) = mean_most {
            let detail = format!("The mean is {mean:.1} µm; at most {limit} µm are allowed.");
            note(above(mean, limit), "mean_above", detail);
        }
        if let Some(limit) = reading_most {
            let detail = format!("The thickest is {most:.1} µm; at most {limit:.1} µm are allowed.");
            note(above(most, limit), "reading_above", detail);
        }
        found
    }
}

fn unused(pointer: &str, given: bool, refusals: &mut Refusals) {
    if given {
        refusals.refuse(pointer, "not_used", "is not used by this rule; leave it out");
    }
}

fn check_list(pointer: &str, values: &[f64], least: usize, refusals: &mut Refusals) {
    if values.len() < least || values.len() > MAX_READINGS {
        refusals.refuse(
            pointer,
            "count",
            format!("has {} values; enter from {least} to {MAX_READINGS}", values.len()),
        );
        return;
    }
    for (n, &value) in values.iter().enumerate() {
        if !(0.0..=MAX_FILM_UM).contains(&value) {
            refusals.range(&format!("{pointer}/{n}"), value, 0.0, MAX_FILM_UM, "µm");
        }
    }
}

#[expect(clippy::cast_precision_loss, reason = "a list of at most 20,000")]
fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Whether a dry film is accepted by a rule.
///
/// # Formula
/// iso-19840: mean ≥ nominal, each ≥ 0.8 nominal, count in 0.8..1 nominal < 0.2 n, each ≤ maximum (3 nominal where
/// none is given; ISO 12944-5). pa-2: spots and area mean between the limits of [`pa_2_limits`]. pspc-90-10: at least
/// 90 % of the readings ≥ nominal, none under 0.9 nominal. Films to 50,000 µm. A value exactly on its limit keeps it.
///
/// ```
/// let input = serde_json::json!({"rule": "pa-2", "nominal_um": 250, "max_um": 350, "spots_um": [260, 240, 300, 280, 270]});
/// let input = serde_json::from_value(input).expect("the fields above");
/// assert!(garboard::science::film::film(&input).expect("in range").accepted);
/// ```
///
/// # Errors
/// No readings, readings of the wrong kind for the rule, a value out of its range.
pub fn film(input: &FilmInput) -> Result<FilmOutput, Refusals> {
    let values = input.values()?;
    let on = |share: f64| input.nominal_um * share * (1.0 - ROUNDING);
    let under_nominal = values.iter().filter(|&&value| value < on(1.0)).count();
    let below_80pct = values.iter().filter(|&&value| value < on(0.8)).count();
    let mut output = FilmOutput {
        accepted: false,
        mean_um: mean(&values),
        min_um: values.iter().copied().fold(f64::INFINITY, f64::min),
        max_um: values.iter().copied().fold(0.0, f64::max),
        below_80pct,
        between_80_and_100pct: under_nominal - below_80pct,
        failures: Vec::new(),
        model: Model { name: "film", version: 1 },
        cautions: cautions([]),
    };
    output.failures = input.failures(&output, values.len());
    output.accepted = output.failures.is_empty();
    output.cautions.push(
        "Magnetic and eddy-current gauges do not read on fibreglass: use an ultrasonic gauge, wet film with volume \
         solids, or the litres used.",
    );
    Ok(output)
}

//! The wetted area of a hull: the `bottom-area` calculator. Measured girths go before any formula.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::model::Model;
use super::refusal::Refusals;

/// Most stations of girths.
const MAX_STATIONS: usize = 1_000;

/// How the area is found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum AreaMethod {
    /// k · LWL · (B + T), from `form`, `lwl_m`, `beam_m`, `draft_m`.
    Trade,
    /// The canoe body of a sailing yacht, from `lwl_m`, `bwl_m`, `canoe_draft_m`, `canoe_volume_m3`,
    /// `midship_coefficient`.
    Delft,
    /// A ship's form, from `lwl_m`, `draft_m`, `volume_m3`.
    DennyMumford,
    /// Measured girths, from `stations`.
    Girths,
}

/// The shape of the underwater hull, as the trade rule tells them apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum AreaForm {
    /// Sailing yacht with a fin keel.
    FinKeel,
    /// Sailing yacht with a long or bilge keel, or of medium displacement.
    LongKeel,
    /// Motor boat.
    Motor,
    /// Full-bodied displacement hull.
    FullBodied,
}

/// A station at which the girth was measured.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct GirthStation {
    /// Aft from the forward end of the waterline, m.
    pub x_m: f64,
    /// Whole girth, from the waterline on one side under the keel to the other, m.
    pub girth_m: f64,
}

/// A hull and a method; the method says which of the fields it needs, and takes no others.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct BottomAreaInput {
    /// The method.
    pub method: AreaMethod,
    /// Shape of the underwater hull.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub form: Option<AreaForm>,
    /// Length of the waterline, m.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lwl_m: Option<f64>,
    /// Greatest beam, m.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub beam_m: Option<f64>,
    /// Beam of the waterline, m.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bwl_m: Option<f64>,
    /// Draft to the underside of the keel, m.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub draft_m: Option<f64>,
    /// Draft of the hull without keel, m.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub canoe_draft_m: Option<f64>,
    /// Displaced volume, m³.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub volume_m3: Option<f64>,
    /// Displaced volume without keel and rudder, m³.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub canoe_volume_m3: Option<f64>,
    /// Area of the midship section over `bwl_m` times `canoe_draft_m`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub midship_coefficient: Option<f64>,
    /// The measured girths, from forward aft, from end to end; at least 3.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stations: Option<Vec<GirthStation>>,
}

impl BottomAreaInput {
    /// A method, its fields to be filled in.
    #[must_use]
    pub fn of(method: AreaMethod) -> Self {
        Self {
            method,
            form: None,
            lwl_m: None,
            beam_m: None,
            bwl_m: None,
            draft_m: None,
            canoe_draft_m: None,
            volume_m3: None,
            canoe_volume_m3: None,
            midship_coefficient: None,
            stations: None,
        }
    }
}

/// A wetted area.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct BottomAreaOutput {
    /// Wetted area, both sides, m².
    pub area_m2: f64,
    /// How far the area may be off, as a share of it (common practice; girths and delft against exact bodies).
    pub uncertainty_fraction: f64,
    /// The method used.
    pub method: AreaMethod,
    /// Which formula gave the answer.
    pub model: Model,
    /// What the area leaves out.
    pub cautions: Vec<String>,
}

/// Reads the fields a method needs, and refuses those it does not.
struct Needed<'a> {
    input: &'a BottomAreaInput,
    refusals: Refusals,
    used: Vec<&'static str>,
}

impl Needed<'_> {
    fn number(&mut self, pointer: &'static str, value: Option<f64>, low: f64, high: f64, unit: &str) -> f64 {
        self.used.push(pointer);
        match value {
            Some(value) => self.refusals.range(pointer, value, low, high, unit),
            None => self.missing(pointer),
        }
        value.unwrap_or(f64::NAN)
    }

    fn length(&mut self, pointer: &'static str, value: Option<f64>, low: f64) -> f64 {
        self.number(pointer, value, low, 200.0, "m")
    }

    fn missing(&mut self, pointer: &'static str) {
        self.refusals.refuse(pointer, "required", "is missing; this method needs it: enter it");
    }

    fn finished(mut self) -> Result<(), Refusals> {
        let input = self.input;
        for (pointer, given) in [
            ("/form", input.form.is_some()),
            ("/lwl_m", input.lwl_m.is_some()),
            ("/beam_m", input.beam_m.is_some()),
            ("/bwl_m", input.bwl_m.is_some()),
            ("/draft_m", input.draft_m.is_some()),
            ("/canoe_draft_m", input.canoe_draft_m.is_some()),
            ("/volume_m3", input.volume_m3.is_some()),
            ("/canoe_volume_m3", input.canoe_volume_m3.is_some()),
            ("/midship_coefficient", input.midship_coefficient.is_some()),
            ("/stations", input.stations.is_some()),
        ] {
            if given && !self.used.contains(&pointer) {
                self.refusals.refuse(pointer, "not_used", "is not used by this method; leave it out");
            }
        }
        self.refusals.into_result()
    }
}

/// Simpson's rule over stations at any spacing, by parabolas through three neighbours; with an odd number of
/// intervals the last one belongs to the parabola through the last three (exact for parabolas).
fn simpson(stations: &[GirthStation]) -> f64 {
    // The integral from a to b of the parabola through three stations, by its value in the middle.
    let parabola = |trio: &[GirthStation], a: f64, b: f64| {
        let at = |x: f64| -> f64 {
            (0..3)
                .map(|n| {
                    let weight: f64 = (0..3)
                        .filter(|&m| m != n)
                        .map(|m| (x - trio[m].x_m) / (trio[n].x_m - trio[m].x_m))
                        .product();
                    weight * trio[n].girth_m
                })
                .sum()
        };
        (b - a) / 6.0 * (at(a) + 4.0 * at(f64::midpoint(a, b)) + at(b))
    };
    let pairs: f64 =
        stations.windows(3).step_by(2).map(|trio| parabola(trio, trio[0].x_m, trio[2].x_m)).sum();
    if stations.len() % 2 == 1 {
        return pairs;
    }
    let trio = &stations[stations.len() - 3..];
    pairs + parabola(trio, trio[1].x_m, trio[2].x_m)
}

fn check_stations(stations: &[GirthStation], refusals: &mut Refusals) {
    if !(3..=MAX_STATIONS).contains(&stations.len()) {
        let n = stations.len();
        refusals.refuse("/stations", "count", format!("has {n} stations; enter from 3 to {MAX_STATIONS}"));
        return;
    }
    for (n, station) in stations.iter().enumerate() {
        refusals.range(&format!("/stations/{n}/x_m"), station.x_m, -200.0, 200.0, "m");
        refusals.range(&format!("/stations/{n}/girth_m"), station.girth_m, 0.0, 200.0, "m");
        if n > 0 && station.x_m <= stations[n - 1].x_m {
            refusals.refuse(
                format!("/stations/{n}/x_m"),
                "order",
                "is not aft of the station before; enter them from forward aft",
            );
        }
    }
}

/// The wetted area of a hull.
///
/// # Formula
/// trade: `k LWL (B + T)`, k 0.50 fin keel, 0.75 long keel, 0.85 motor, 1.0 full-bodied (common practice, ±20 %).
/// delft: `(1.97 + 0.171 BWL/Tc) (0.65/Cm)^(1/3) √(Vc LWL)` (Gerritsma, Keuning and Onnink 1992), the canoe body of
/// yachts with LWL/BWL 2.7-5.0 and BWL/Tc 2.5-19.3. denny-mumford: `1.7 LWL T + V/T`, for ships. girths: Simpson's rule
/// over the measured girths; what the ends' slope adds (0 to 4 %) is within the uncertainty. Lengths to 200 m.
///
/// ```
/// let input = serde_json::json!({"method": "trade", "form": "fin_keel", "lwl_m": 10, "beam_m": 3.4, "draft_m": 1.8});
/// let input = serde_json::from_value(input).expect("the fields above");
/// let answer = garboard::science::bottom_area::bottom_area(&input).expect("in range");
/// assert!((answer.area_m2 - 26.0).abs() < 1e-9);
/// ```
///
/// # Errors
/// A field that the method needs is missing or out of its range; one that it does not use is given; stations out of
/// order.
pub fn bottom_area(input: &BottomAreaInput) -> Result<BottomAreaOutput, Refusals> {
    let mut needed = Needed { input, refusals: Refusals::default(), used: Vec::new() };
    let mut cautions = Vec::new();
    let (area_m2, uncertainty_fraction) = match input.method {
        AreaMethod::Trade => {
            needed.used.push("/form");
            let factor = match input.form {
                Some(AreaForm::FinKeel) => 0.5,
                Some(AreaForm::LongKeel) => 0.75,
                Some(AreaForm::Motor) => 0.85,
                Some(AreaForm::FullBodied) => 1.0,
                None => {
                    needed.missing("/form");
                    f64::NAN
                }
            };
            let lwl = needed.length("/lwl_m", input.lwl_m, 1.0);
            let beam = needed.length("/beam_m", input.beam_m, 0.1);
            let draft = needed.length("/draft_m", input.draft_m, 0.01);
            cautions.push("A rule of thumb: measure girths before paint is bought by it.".to_owned());
            (factor * lwl * (beam + draft), 0.2)
        }
        AreaMethod::Delft => {
            let lwl = needed.length("/lwl_m", input.lwl_m, 1.0);
            let bwl = needed.length("/bwl_m", input.bwl_m, 0.1);
            let draft = needed.length("/canoe_draft_m", input.canoe_draft_m, 0.01);
            let volume = needed.number("/canoe_volume_m3", input.canoe_volume_m3, 0.01, 100_000.0, "m3");
            let midship = needed.number("/midship_coefficient", input.midship_coefficient, 0.3, 1.0, "");
            cautions.push("The canoe body only: add keel and rudder, both sides.".to_owned());
            if !((2.7..=5.0).contains(&(lwl / bwl)) && (2.5..=19.3).contains(&(bwl / draft))) {
                cautions.push(format!(
                    "The hull lies outside the series behind the formula (LWL/BWL {:.2}, not 2.7-5.0, or BWL/Tc {:.2}, \
                     not 2.5-19.3): the uncertainty is greater.",
                    lwl / bwl,
                    bwl / draft
                ));
            }
            ((1.97 + 0.171 * bwl / draft) * (0.65 / midship).cbrt() * (volume * lwl).sqrt(), 0.1)
        }
        AreaMethod::DennyMumford => {
            let lwl = needed.length("/lwl_m", input.lwl_m, 1.0);
            let draft = needed.length("/draft_m", input.draft_m, 0.01);
            let volume = needed.number("/volume_m3", input.volume_m3, 0.01, 100_000.0, "m3");
            cautions.push("A formula for ships: on yachts 10 % off or worse.".to_owned());
            (1.7 * lwl * draft + volume / draft, 0.15)
        }
        AreaMethod::Girths => {
            needed.used.push("/stations");
            match &input.stations {
                Some(stations) => check_stations(stations, &mut needed.refusals),
                None => needed.missing("/stations"),
            }
            let stations = input.stations.as_deref().unwrap_or_default();
            (if stations.len() < 3 { f64::NAN } else { simpson(stations) }, 0.05)
        }
    };
    needed.finished()?;
    Ok(BottomAreaOutput {
        area_m2,
        uncertainty_fraction,
        method: input.method,
        model: Model { name: "bottom-area", version: 1 },
        cautions,
    })
}

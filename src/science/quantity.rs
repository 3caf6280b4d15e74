//! Litres of paint for an area: the `quantity` calculator.
//!
//! Volume solids (ASTM D2697, ISO 3233) say what stays of a wet film; litres follow from the volume of dry film. Losses
//! are a share of the paint used, `practical = theoretical/(1 - loss)` (common practice: 5-15 % by roller or brush,
//! 20-40 % by airless spray; a setting).

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::cautions::{Work, cautions};
use super::model::Model;
use super::refusal::Refusals;

/// Most coats taken.
const MAX_COATS: usize = 100;

/// One coat to be put on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CoatToApply {
    /// Dry film thickness, µm.
    pub dry_film_um: f64,
    /// Volume of dry film over volume of unthinned paint, %.
    pub volume_solids_pct: f64,
    /// Thinner added over volume of paint, %.
    #[serde(default)]
    pub thinner_pct: f64,
}

/// An area and its coats.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct QuantityInput {
    /// Area, m².
    pub area_m2: f64,
    /// The coats of one product; at most 100.
    pub coats: Vec<CoatToApply>,
    /// Paint lost over paint used, 0 to 0.95.
    pub loss_fraction: f64,
    /// Content of a pack, litres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pack_l: Option<f64>,
}

/// What one coat takes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct CoatQuantity {
    /// Wet film to apply, thinner included, µm.
    pub wet_film_um: f64,
    /// Area that a litre of unthinned paint covers without loss, m².
    pub spreading_rate_m2_l: f64,
    /// Unthinned paint without loss, litres.
    pub theoretical_l: f64,
    /// Unthinned paint with loss, litres.
    pub practical_l: f64,
}

/// What all coats take.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct QuantityOutput {
    /// One for each coat, in their order.
    pub coats: Vec<CoatQuantity>,
    /// Unthinned paint without loss, litres.
    pub theoretical_l: f64,
    /// Unthinned paint with loss, litres.
    pub practical_l: f64,
    /// Whole packs that hold it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub packs: Option<u32>,
    /// Which formula gave the answer.
    pub model: Model,
    /// What to mind.
    pub cautions: Vec<&'static str>,
}

/// Mean dry film that the litres used leave on an area, µm: `litres (1 - loss) solids/area`, the usual way on
/// fibreglass, where magnetic and eddy-current gauges cannot read.
///
/// ```
/// assert!((garboard::science::quantity::mean_dry_film_um(12.0, 0.15, 50.0, 30.0) - 170.0).abs() < 1e-9);
/// ```
#[must_use]
pub fn mean_dry_film_um(litres: f64, loss_fraction: f64, volume_solids_pct: f64, area_m2: f64) -> f64 {
    // A litre on a square metre is a millimetre.
    1_000.0 * litres * (1.0 - loss_fraction) * volume_solids_pct / 100.0 / area_m2
}

/// Litres and packs for an area.
///
/// # Formula
/// `wet = dry (1 + thinner)/solids`; `spreading rate = 10 solids_pct/dry_um` m²/L; `theoretical = area/spreading rate`;
/// `practical = theoretical/(1 - loss)`; packs rounded up (ASTM D2697, ISO 3233; loss common practice). Areas to
/// 100,000 m², films of 1 to 10,000 µm, solids of 1 to 100 %.
///
/// ```
/// let input = serde_json::json!({"area_m2": 30, "loss_fraction": 0.1, "pack_l": 5,
///     "coats": [{"dry_film_um": 100, "volume_solids_pct": 60}, {"dry_film_um": 100, "volume_solids_pct": 60}]});
/// let input = serde_json::from_value(input).expect("the fields above");
/// assert_eq!(garboard::science::quantity::quantity(&input).expect("in range").packs, Some(3));
/// ```
///
/// # Errors
/// No coats, or a value out of its range.
pub fn quantity(input: &QuantityInput) -> Result<QuantityOutput, Refusals> {
    let mut refusals = Refusals::default();
    refusals.range("/area_m2", input.area_m2, 0.01, 100_000.0, "m2");
    match input.coats.len() {
        0 => refusals.refuse("/coats", "empty", "is empty; enter at least one coat"),
        1..=MAX_COATS => {}
        n => refusals.refuse("/coats", "too_many", format!("has {n} coats; enter at most {MAX_COATS}")),
    }
    for (n, coat) in input.coats.iter().take(MAX_COATS).enumerate() {
        for (field, value, low, high, unit) in [
            ("dry_film_um", coat.dry_film_um, 1.0, 10_000.0, "µm"),
            ("volume_solids_pct", coat.volume_solids_pct, 1.0, 100.0, "%"),
            ("thinner_pct", coat.thinner_pct, 0.0, 100.0, "%"),
        ] {
            refusals.range(&format!("/coats/{n}/{field}"), value, low, high, unit);
        }
    }
    refusals.range("/loss_fraction", input.loss_fraction, 0.0, 0.95, "");
    if let Some(pack_l) = input.pack_l {
        refusals.range("/pack_l", pack_l, 0.01, 1_000.0, "litres");
    }
    refusals.into_result()?;
    let coats: Vec<CoatQuantity> = input
        .coats
        .iter()
        .map(|coat| {
            let spreading_rate_m2_l = 10.0 * coat.volume_solids_pct / coat.dry_film_um;
            let theoretical_l = input.area_m2 / spreading_rate_m2_l;
            CoatQuantity {
                wet_film_um: coat.dry_film_um * (100.0 + coat.thinner_pct) / coat.volume_solids_pct,
                spreading_rate_m2_l,
                theoretical_l,
                practical_l: theoretical_l / (1.0 - input.loss_fraction),
            }
        })
        .collect();
    let practical_l: f64 = coats.iter().map(|coat| coat.practical_l).sum();
    Ok(QuantityOutput {
        theoretical_l: coats.iter().map(|coat| coat.theoretical_l).sum(),
        practical_l,
        packs: input.pack_l.map(|pack_l| packs(practical_l, pack_l)),
        coats,
        model: Model { name: "quantity", version: 1 },
        cautions: cautions([Work::EpoxyCoating, Work::Antifouling]),
    })
}

/// Whole packs; the last bit of rounding opens no further pack.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "as-casts saturate")]
fn packs(litres: f64, pack_l: f64) -> u32 {
    (litres / pack_l - 1e-9).ceil().max(0.0) as u32
}

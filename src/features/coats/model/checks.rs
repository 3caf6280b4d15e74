//! What does not fit together about a coat. It is told in the answer and refuses nothing: what was done was done.

use serde::Serialize;
use utoipa::ToSchema;

use super::CoatFields;
use crate::features::products::model::{CoatRole, ProductFields};
use crate::science::quantity::mean_dry_film_um;

/// The most of the paint that is taken for lost before litres and film are said not to match (common practice: up to
/// 40 % by airless spray).
const MOST_LOSS: f64 = 0.4;
/// What measuring litres, area and film may be out by (common practice, no source).
const TOLERANCE: f64 = 0.1;

/// Something to look at.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct CoatCheck {
    /// A stable word: `colour_not_alternating`, `litres_do_not_match`, `film_outside_sheet` or
    /// `sequence_against_time`.
    pub code: &'static str,
    /// The field it is about.
    pub pointer: &'static str,
    /// One sentence: what does not fit, and what to do.
    pub detail: String,
}

fn same_colour(one: &str, other: &str) -> bool {
    one.trim().to_lowercase() == other.trim().to_lowercase()
}

/// What does not fit about a coat, given its film as measured last, the coat under it on its zone and its product's sheet.
#[must_use]
pub fn checks(
    coat: &CoatFields,
    measured_um: Option<f64>,
    below: Option<&CoatFields>,
    sheet: Option<&ProductFields>,
) -> Vec<CoatCheck> {
    let mut found = Vec::new();
    let under = below.filter(|below| below.role == CoatRole::Barrier && coat.role == CoatRole::Barrier);
    if let Some((own, under)) = coat.colour.as_deref().zip(under.and_then(|under| under.colour.as_deref()))
        && same_colour(own, under)
    {
        found.push(CoatCheck {
            code: "colour_not_alternating",
            pointer: "/colour",
            detail: format!(
                "The barrier coat under this one is {under} too: a miss does not show. Look for misses, and \
                 alternate the colours."
            ),
        });
    }
    if let Some((end, start)) = below.and_then(|below| below.finished_at).zip(coat.started_at)
        && start < end
    {
        found.push(CoatCheck {
            code: "sequence_against_time",
            pointer: "/started_at",
            detail: "It was begun before the coat under it was finished. Check times and sequence."
                .to_owned(),
        });
    }
    let solids = sheet.and_then(|sheet| sheet.volume_solids_pct);
    let film = measured_um
        .or(coat.dry_film_um)
        .or_else(|| coat.wet_film_um.zip(solids).map(|(wet, solids)| wet * solids / 100.0));
    if let (Some(litres), Some(area_m2), Some(solids)) = (coat.litres, coat.area_m2, solids) {
        let most = mean_dry_film_um(litres, 0.0, solids, area_m2);
        let least = mean_dry_film_um(litres, MOST_LOSS, solids, area_m2);
        let asked = sheet.and_then(|sheet| sheet.min_dry_film_um);
        let why = match (film, asked) {
            (Some(film), _) if film > most * (1.0 + TOLERANCE) || film < least * (1.0 - TOLERANCE) => {
                Some(format!(
                    "{litres} litres on {area_m2} m² leave {least:.0} to {most:.0} µm of dry film, and {film:.0} µm are {}. \
                 Check litres, area and film.",
                    if measured_um.is_some() { "measured" } else { "entered" }
                ))
            }
            (None, Some(asked)) if most < asked * (1.0 - TOLERANCE) => Some(format!(
                "{litres} litres on {area_m2} m² leave {most:.0} µm of dry film at most, and the sheet asks for {asked:.0} µm. \
                 Check litres and area, and measure the film."
            )),
            _ => None,
        };
        if let Some(detail) = why {
            found.push(CoatCheck { code: "litres_do_not_match", pointer: "/litres", detail });
        }
    }
    if let (Some(film), Some(sheet)) = (film, sheet) {
        let thin = sheet.min_dry_film_um.is_some_and(|least| film < least);
        let thick = sheet.max_dry_film_um.is_some_and(|most| film > most);
        if thin || thick {
            found.push(CoatCheck {
                code: "film_outside_sheet",
                pointer: "/dry_film_um",
                detail: format!(
                    "A dry film of {film:.0} µm is {} than the sheet of {} asks for. Check the film; {}.",
                    if thin { "thinner" } else { "thicker" },
                    sheet.name,
                    if thin { "another coat may be needed" } else { "it may not cure as the sheet says" }
                ),
            });
        }
    }
    found
}

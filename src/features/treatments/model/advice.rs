//! Which path the survey supports, and why. The thresholds are common practice without a source; a named qualified person
//! decides.

use chrono::{Datelike, NaiveDate};
use serde::Serialize;
use utoipa::ToSchema;

use super::TreatmentKind;
use super::drying::SeriesReading;
use crate::features::surveys::model::finding::{FindingFields, FindingKind, FindingState};
use crate::features::surveys::model::survey::{Blistering, BottomExamined, SurveyFields};
use crate::features::vessels::model::VesselFields;
use crate::ids::SurveyId;

/// Blisters a square metre from which the whole bottom is treated.
const DENSE_PER_M2: f64 = 1.0;
/// Diameter from which a blister tells of the laminate.
const LARGE_MM: f64 = 5.0;

/// What the evidence supports.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Advice {
    /// The path; null where the evidence supports none yet.
    pub kind: Option<TreatmentKind>,
    /// The survey it rests on.
    pub survey_id: Option<SurveyId>,
    /// Why, a sentence each.
    pub reasons: Vec<String>,
}

/// The advice on the last signed survey of a vessel, its open findings, its age, and the readings of the last two surveys.
#[must_use]
pub fn advice(
    vessel: &VesselFields,
    last: Option<(SurveyId, &SurveyFields)>,
    findings: &[FindingFields],
    means: Option<(f64, f64)>,
    today: NaiveDate,
) -> Advice {
    let mut reasons = Vec::new();
    let Some((survey_id, survey)) = last else {
        return Advice {
            kind: None,
            survey_id: None,
            reasons: vec!["No survey is signed. Survey the bottom and sign first.".to_owned()],
        };
    };
    let density = survey.blister_density_per_m2;
    let largest = survey.largest_blister_mm;
    let numbers = format!(
        "{} a square metre, the largest {}",
        density.map_or_else(|| "not counted".to_owned(), |n| n.to_string()),
        largest.map_or_else(|| "not measured".to_owned(), |mm| format!("{mm} mm"))
    );
    let wide = density.is_some_and(|n| n >= DENSE_PER_M2) || largest.is_some_and(|mm| mm > LARGE_MM);
    let kind = match survey.blistering {
        Some(Blistering::Laminate) => {
            reasons.push(format!(
                "Blisters reach into the laminate ({numbers}): strip, dry and build up again."
            ));
            Some(TreatmentKind::Curative)
        }
        Some(Blistering::Gelcoat) if wide => {
            reasons.push(format!(
                "Blisters under the gelcoat are many or large ({numbers}): strip, dry and build up again."
            ));
            Some(TreatmentKind::Curative)
        }
        Some(Blistering::Gelcoat) => {
            reasons.push(format!(
                "Blisters under the gelcoat are few and small ({numbers}): repair the spots, then a barrier."
            ));
            Some(TreatmentKind::Preventive)
        }
        Some(Blistering::None | Blistering::CoatingOnly)
            if survey.bottom_examined == Some(BottomExamined::Whole) =>
        {
            reasons.push("The whole bottom was examined and the gelcoat shows no blisters: a barrier goes on sound gelcoat.".to_owned());
            Some(TreatmentKind::Preventive)
        }
        _ => {
            reasons.push("The whole bottom was not examined. Examine it before deciding.".to_owned());
            None
        }
    };
    let breaks = findings
        .iter()
        .filter(|finding| finding.state != FindingState::Repaired)
        .filter(|finding| {
            matches!(
                finding.kind,
                FindingKind::SkinBreak | FindingKind::ImpactDamage | FindingKind::Delamination
            )
        })
        .count();
    if breaks > 0 {
        reasons.push(if breaks == 1 {
            "One break or damage of the skin is not repaired: repair it in this haul-out.".to_owned()
        } else {
            format!("{breaks} breaks or damages of the skin are not repaired: repair them in this haul-out.")
        });
    }
    if let Some((before, now)) = means {
        let trend = if now > before { "rise" } else { "do not rise" };
        reasons.push(format!(
            "The readings {trend}: a mean of {before:.1} in the survey before, {now:.1} in the last, on the same scale. They are relative."
        ));
        if now > before && kind == Some(TreatmentKind::Preventive) {
            reasons.push("Rising readings under sound gelcoat: let the hull dry and read again before it is sealed in.".to_owned());
        }
    }
    if let Some(year) = vessel.launched_on.map(|day| day.year()).or(vessel.built_year) {
        let years = (today.year() - year).max(0);
        reasons.push(format!("The hull is {years} {} old.", if years == 1 { "year" } else { "years" }));
    }
    Advice { kind, survey_id: Some(survey_id), reasons }
}

/// The mean reading of a survey on a scale.
#[must_use]
pub fn mean(readings: &[SeriesReading], scale: &str) -> Option<f64> {
    let values: Vec<f64> =
        readings.iter().filter(|reading| reading.scale == scale).map(|reading| reading.value).collect();
    #[expect(clippy::cast_precision_loss, reason = "some readings")]
    let count = values.len() as f64;
    (count > 0.0).then(|| values.iter().sum::<f64>() / count)
}

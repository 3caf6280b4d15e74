//! The rules of forecasts: the day they are made for, and what is kept of them.

pub mod told;
pub mod what_if;

use chrono::{DateTime, Days, NaiveDate, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::features::calibrations::model::calibration_of;
use crate::ids::CalibrationId;
use crate::science::cautions::cautions;
use crate::science::forecast::dates::{Basis, Driver, DueDate, DueKind, DueStatus, Evidence};
use crate::science::forecast::ensemble::Ensemble;
use crate::science::forecast::facts::HullFacts;
use crate::science::forecast::portrait::Portrait;
use crate::science::forecast::quantile::{DateQuantiles, Quantiles};
use crate::science::forecast::{Forecast, MODEL, Onset, RiskPoint, forecast_with, portrait};
use crate::science::refusal::Refusals;

/// After so many days a forecast is made again although no fact changed: the day it is made for bears on it.
const RENEWED_AFTER: Days = Days::new(30);

/// What a date rests on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct EvidenceItem {
    /// A stable word for programs; a default that was used begins with `default_`.
    pub code: String,
    /// One sentence.
    pub text: String,
}

impl From<Evidence> for EvidenceItem {
    fn from(evidence: Evidence) -> Self {
        Self { code: evidence.code.to_owned(), text: evidence.text }
    }
}

/// One date of a vessel, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct DateFields {
    /// What falls due.
    pub kind: DueKind,
    /// Whether a date could be set; if not, `reason` says what to enter.
    pub status: DueStatus,
    /// The date. Null where none could be set or it lies past the horizon.
    pub due_on: Option<NaiveDate>,
    /// The range of the rule's own date; null where no date could be set.
    pub due_range: Option<DateQuantiles>,
    /// The rule that set it.
    pub driver: Driver,
    /// One sentence with its numbers.
    pub reason: String,
    /// What it rests on, every default used included.
    pub evidence: Vec<EvidenceItem>,
    /// Whether priors or values learned from the fleet were used.
    pub basis: Basis,
}

impl From<DueDate> for DateFields {
    fn from(due: DueDate) -> Self {
        Self {
            kind: due.kind,
            status: due.status,
            due_on: due.due_on,
            due_range: due.due_range,
            driver: due.driver,
            reason: due.reason,
            evidence: due.evidence.into_iter().map(EvidenceItem::from).collect(),
            basis: due.basis,
        }
    }
}

/// What a forecast says besides its dates.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Outlook {
    /// When blistering begins if nothing is done; null where that cannot be forecast or has been found.
    pub onset: Option<Onset>,
    /// Exposure of the current life so far, years.
    pub exposure_years_now: Option<Quantiles>,
    /// Chance that blistering has begun, a year apart from the day of the forecast on.
    pub risk_curve: Vec<RiskPoint>,
    /// What to mind in the work these dates lead to.
    pub cautions: Vec<String>,
    /// The defaults that stand in for facts nobody entered.
    pub defaults: Vec<EvidenceItem>,
    /// The calibration by which those of the dates were made whose basis is `learned`; null where there is none.
    #[serde(default)]
    pub calibration_id: Option<CalibrationId>,
}

/// A forecast as it is kept.
#[derive(Debug, Clone, PartialEq)]
pub struct Computed {
    /// The day it was made for.
    pub as_of: NaiveDate,
    /// Name and version of the model.
    pub model: String,
    /// SHA-256 (hex) of what went in.
    pub inputs_hash: String,
    /// The dates.
    pub dates: Vec<DateFields>,
    /// The rest.
    pub outlook: Outlook,
}

/// Forecasts one hull. Facts that no forecast can be made from give a row that says which to correct: a hull
/// is never silently missing from what is due.
#[must_use]
pub fn compute(facts: &HullFacts, ensemble: &Ensemble) -> Computed {
    match forecast_with(facts, ensemble) {
        Ok(forecast) => computed(forecast, ensemble),
        Err(refusals) => refused(facts, &refusals),
    }
}

/// What there is to draw of a hull, by the same ensemble as its forecast.
#[must_use]
pub fn drawn(facts: &HullFacts, ensemble: &Ensemble) -> Option<Portrait> {
    portrait::portrait(facts, ensemble)
}

fn computed(forecast: Forecast, ensemble: &Ensemble) -> Computed {
    let dates: Vec<DateFields> = forecast.dates.into_iter().map(DateFields::from).collect();
    let learned = dates.iter().any(|date| date.basis == Basis::Learned);
    let mut defaults: Vec<EvidenceItem> = Vec::new();
    for item in dates.iter().flat_map(|date| &date.evidence) {
        if item.code.starts_with("default_") && !defaults.contains(item) {
            defaults.push(item.clone());
        }
    }
    Computed {
        as_of: forecast.as_of,
        model: forecast.model.to_owned(),
        inputs_hash: forecast.inputs_hash,
        dates,
        outlook: Outlook {
            onset: forecast.onset,
            exposure_years_now: forecast.exposure_years_now,
            risk_curve: forecast.risk_curve,
            cautions: forecast.cautions.into_iter().map(str::to_owned).collect(),
            defaults,
            calibration_id: calibration_of(ensemble).filter(|_| learned),
        },
    }
}

fn refused(facts: &HullFacts, refusals: &Refusals) -> Computed {
    let date = DateFields {
        kind: DueKind::Inspection,
        status: DueStatus::NotEnoughData,
        due_on: None,
        due_range: None,
        driver: Driver::MissingFacts,
        reason: format!("No date can be set until this is corrected: {refusals}."),
        evidence: Vec::new(),
        basis: Basis::Prior,
    };
    let cautions = cautions(DueKind::Inspection.works().iter().copied()).into_iter().map(str::to_owned);
    Computed {
        as_of: facts.as_of,
        model: MODEL.to_owned(),
        // Nothing went in.
        inputs_hash: String::new(),
        dates: vec![date],
        outlook: Outlook { cautions: cautions.collect(), ..Outlook::default() },
    }
}

/// The zone of that name; UTC where it is unknown.
#[must_use]
pub fn zone(name: &str) -> Tz {
    name.parse().unwrap_or(Tz::UTC)
}

/// The day it is at an instant in a time zone.
#[must_use]
pub fn today(now: DateTime<Utc>, zone: Tz) -> NaiveDate {
    now.with_timezone(&zone).date_naive()
}

/// The day on which a forecast is made again although no fact changed: the first on which the passing of a day turns
/// something (a date comes near or passes, the hull is lifted or relaunched, a finding is to be looked at, the vessel
/// retires), or a month later.
#[must_use]
pub fn renewed_on(facts: &HullFacts, dates: &[DateFields], retired_on: Option<NaiveDate>) -> NaiveDate {
    let today = facts.as_of;
    let notice = Days::new(facts.policy.due_notice_days.into());
    let due = dates.iter().filter_map(|date| date.due_on);
    let near = due.clone().filter_map(|day| day.checked_sub_days(notice));
    let past = due.filter_map(|day| day.succ_opt());
    let ashore = facts.haul_outs.iter().flat_map(|h| [Some(h.lifted_on), h.relaunched_on]).flatten();
    let looks = facts.findings.iter().filter_map(|finding| finding.follow_up_on);
    near.chain(past)
        .chain(ashore)
        .chain(looks)
        .chain(retired_on)
        .filter(|&day| day > today)
        .min()
        .unwrap_or(NaiveDate::MAX)
        .min(today + RENEWED_AFTER)
}

#[cfg(test)]
mod tests {
    use super::{DateTime, NaiveDate, Utc, today, zone};

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().unwrap_or_default()
    }

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap_or_default()
    }

    // UTC+13 in January, by the IANA time zone database.
    #[test]
    fn the_day_is_that_of_the_zone() {
        assert_eq!(today(at("2026-01-09T11:00:00Z"), zone("Pacific/Auckland")), day("2026-01-10"));
        assert_eq!(today(at("2026-01-09T10:59:59Z"), zone("Pacific/Auckland")), day("2026-01-09"));
        assert_eq!(today(at("2026-01-09T23:59:59Z"), zone("UTC")), day("2026-01-09"));
    }
}

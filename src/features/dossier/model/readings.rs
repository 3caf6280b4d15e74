//! Readings, put together by survey, scale and station.

use std::collections::BTreeMap;

use serde::Serialize;
use utoipa::ToSchema;

use crate::features::surveys::model::reading::ReadingFields;
use crate::ids::{StationId, SurveyId};

/// What was read at a station in a survey, on one scale of the meter.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct StationValue {
    /// The station.
    pub station_id: StationId,
    /// What it is called.
    pub code: String,
    /// The meter's scale.
    pub scale: String,
    /// The mean of what stands there.
    pub value: f64,
    /// Of how many readings.
    pub count: usize,
}

/// The values of each survey, by scale and then by the station's code; those withdrawn are left out.
#[must_use]
pub fn by_survey(
    readings: &[ReadingFields],
    codes: &BTreeMap<StationId, String>,
) -> BTreeMap<SurveyId, Vec<StationValue>> {
    let mut sums: BTreeMap<(SurveyId, String, StationId), (f64, usize)> = BTreeMap::new();
    for reading in readings.iter().filter(|reading| !reading.withdrawn) {
        let scale = reading.scale.clone().unwrap_or_default();
        let sum = sums.entry((reading.survey_id, scale, reading.station_id)).or_default();
        *sum = (sum.0 + reading.value, sum.1 + 1);
    }
    let mut surveys: BTreeMap<SurveyId, Vec<StationValue>> = BTreeMap::new();
    for ((survey_id, scale, station_id), (sum, count)) in sums {
        let code = codes.get(&station_id).cloned().unwrap_or_default();
        let value = mean(sum, count);
        surveys.entry(survey_id).or_default().push(StationValue { station_id, code, scale, value, count });
    }
    for values in surveys.values_mut() {
        values.sort_by(|one, two| (&one.scale, key(&one.code)).cmp(&(&two.scale, key(&two.code))));
    }
    surveys
}

#[expect(clippy::cast_precision_loss, reason = "nobody reads a station 2^52 times")]
fn mean(sum: f64, count: usize) -> f64 {
    sum / count as f64
}

/// Codes in the order people count: P2 before P10.
#[must_use]
pub fn key(code: &str) -> (String, u64, String) {
    let letters: String = code.chars().take_while(|c| !c.is_ascii_digit()).collect();
    let digits: String =
        code.chars().skip_while(|c| !c.is_ascii_digit()).take_while(char::is_ascii_digit).collect();
    (letters, digits.parse().unwrap_or(u64::MAX), code.to_owned())
}

/// A reading as it is printed: no more digits than a meter shows.
#[must_use]
pub fn printed(value: f64) -> String {
    let rounded = (value * 10.0).round() / 10.0;
    if (rounded - rounded.round()).abs() < 1e-9 {
        format!("{:.0}", rounded.round() + 0.0)
    } else {
        format!("{rounded:.1}")
    }
}

#[cfg(test)]
mod tests {
    use super::{key, printed};

    #[test]
    fn codes_stand_as_people_count() {
        let mut codes = ["P10", "P2", "S1", "keel", "P1", "P1a"];
        codes.sort_by_key(|code| key(code));
        assert_eq!(codes, ["P1", "P1a", "P2", "P10", "S1", "keel"]);
    }

    #[test]
    fn values_are_printed_short() {
        for (value, text) in
            [(12.0, "12"), (12.04, "12"), (12.05, "12.1"), (-0.01, "0"), (0.25, "0.3"), (-3.5, "-3.5")]
        {
            assert_eq!(printed(value), text);
        }
    }
}

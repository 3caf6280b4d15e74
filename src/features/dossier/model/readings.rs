//! Readings, put together by survey, scale and station.

use std::collections::BTreeMap;

use chrono::{DateTime, Duration, Utc};
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
    /// The mean of what was read there last: of the readings within twelve hours before the last one.
    pub value: f64,
    /// Of how many readings.
    pub count: usize,
    /// When it was read last; null where no reading there has a time.
    pub last_taken_at: Option<DateTime<Utc>>,
}

/// Readings at a station are of one round when they lie no further apart than this, whatever the clock of the yard: a
/// survey of a drying hull has a round every few days. Our choice; nobody walks round a hull for longer.
const ROUND: Duration = Duration::hours(12);

/// The values of each survey, by scale and then by the station's code; those withdrawn are left out. Of a station that was
/// read in several rounds the last one counts; readings without a time count only where none there has one.
#[must_use]
pub fn by_survey(
    readings: &[ReadingFields],
    codes: &BTreeMap<StationId, String>,
) -> BTreeMap<SurveyId, Vec<StationValue>> {
    let mut found: BTreeMap<(SurveyId, String, StationId), Vec<&ReadingFields>> = BTreeMap::new();
    for reading in readings.iter().filter(|reading| !reading.withdrawn) {
        let scale = reading.scale.clone().unwrap_or_default();
        found.entry((reading.survey_id, scale, reading.station_id)).or_default().push(reading);
    }
    let mut surveys: BTreeMap<SurveyId, Vec<StationValue>> = BTreeMap::new();
    for ((survey_id, scale, station_id), mut own) in found {
        let last_taken_at = own.iter().filter_map(|reading| reading.taken_at).max();
        if let Some(last) = last_taken_at {
            own.retain(|reading| reading.taken_at.is_some_and(|at| last - at <= ROUND));
        }
        let (count, sum) = (own.len(), own.iter().map(|reading| reading.value).sum());
        let code = codes.get(&station_id).cloned().unwrap_or_default();
        let value = StationValue { station_id, code, scale, value: mean(sum, count), count, last_taken_at };
        surveys.entry(survey_id).or_default().push(value);
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
    use serde_json::json;

    use super::{BTreeMap, ReadingFields, StationId, by_survey, key, printed};
    use crate::ids::{Id, SurveyId};

    /// What a survey tells of one station read with these values at these times.
    fn told(read: &[(f64, Option<&str>)]) -> (f64, usize, Option<String>) {
        let (survey, station) = (SurveyId::fresh(), StationId::fresh());
        let readings: Vec<ReadingFields> = read
            .iter()
            .enumerate()
            .map(|(n, (value, at))| {
                let reading = json!({"survey_id": survey, "station_id": station, "scale": "relative",
                    "sequence": n + 1, "value": value, "taken_at": at});
                serde_json::from_value(reading).expect("a reading")
            })
            .collect();
        let codes = BTreeMap::from([(station, "P1".to_owned())]);
        let values = by_survey(&readings, &codes).remove(&survey).expect("its values");
        let [value] = values.as_slice() else { unreachable!("one station: {values:?}") };
        (value.value, value.count, value.last_taken_at.map(|at| at.to_rfc3339()))
    }

    // The rule is this module's own.
    #[test]
    fn of_weeks_of_readings_the_last_round_counts() {
        let weeks = [
            (24.0, Some("2026-03-02T08:00:00Z")),
            (16.0, Some("2026-03-16T08:10:00Z")),
            (18.0, Some("2026-03-16T08:00:00Z")),
            (20.0, Some("2026-03-09T08:00:00Z")),
            (30.0, None),
        ];
        assert_eq!(told(&weeks), (17.0, 2, Some("2026-03-16T08:10:00+00:00".to_owned())));
        let over_midnight = [(10.0, Some("2026-03-02T22:30:00Z")), (12.0, Some("2026-03-03T01:00:00Z"))];
        assert_eq!(told(&over_midnight), (11.0, 2, Some("2026-03-03T01:00:00+00:00".to_owned())));
        assert_eq!(told(&[(10.0, None), (14.0, None)]), (12.0, 2, None));
    }

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

//! What to mind while a hull dries.

use chrono::{DateTime, Duration, Utc};

use super::drying::{DryingFacts, DryingPoint, DryingWarning, SeriesReading, StationDrying, WET_H};
use crate::science::drying::equilibrium_moisture;

/// Washes in any seven days, at least (common practice, no source).
const WASHES_A_WEEK: usize = 2;

impl DryingFacts<'_> {
    /// What to mind.
    pub(super) fn warnings(&self, stations: &[StationDrying]) -> Vec<DryingWarning> {
        let mut warnings = Vec::new();
        let mut warn = |code, detail: String| warnings.push(DryingWarning { code, detail });
        // Every seven days that have passed since the start, ending at a wash, at the start of the next, or now.
        let week = Duration::days(7);
        let mut ends: Vec<DateTime<Utc>> = self.washes.iter().map(|wash| *wash + week).collect();
        ends.extend([self.started_at + week, self.now]);
        let poor =
            ends.into_iter().filter(|end| *end <= self.now && *end - week >= self.started_at).find(|end| {
                self.washes.iter().filter(|wash| **wash > *end - week && **wash <= *end).count()
                    < WASHES_A_WEEK
            });
        if let Some(end) = poor {
            warn(
                "too_few_washes",
                format!(
                    "In the seven days to {} fewer than {WASHES_A_WEEK} washes stand. Wash two or three times a week: \
                     what draws water in must come out.",
                    end.date_naive()
                ),
            );
        }
        for station in stations {
            let counted: Vec<_> =
                station.readings.iter().filter(|point| point.left_out != Some("before_start")).collect();
            if let Some(point) = counted.iter().find(|point| point.left_out == Some("soon_after_wash")) {
                let detail = format!(
                    "The reading at {} of {} followed a wash by under {WET_H} hours and is left out. Take another a day after.",
                    station.code,
                    point.reading.taken_at.date_naive()
                );
                warn("reading_soon_after_wash", detail);
            }
            for (code, what, changed) in [
                ("meter_changed", "meter", differs(&counted, |reading| reading.meter.clone())),
                ("scale_changed", "scale", differs(&counted, |reading| Some(reading.scale.clone()))),
                (
                    "person_changed",
                    "person",
                    differs(&counted, |reading| reading.recorded_by.map(|id| id.to_string())),
                ),
            ] {
                if changed {
                    let detail = format!(
                        "At {} the {what} changed in the series. Read with both at one visit, and compare.",
                        station.code
                    );
                    warn(code, detail);
                }
            }
        }
        if let Some((saturated, dry)) = self.target.saturated_moisture_pct.zip(self.target.dry_moisture_pct) {
            let week: Vec<f64> = self
                .climate
                .iter()
                .filter(|value| value.at > self.now - Duration::days(7) && value.at <= self.now)
                .map(|value| value.relative_humidity_pct)
                .collect();
            #[expect(clippy::cast_precision_loss, reason = "a week of values")]
            let humidity = week.iter().sum::<f64>() / week.len() as f64;
            let least = equilibrium_moisture(saturated, humidity);
            if !week.is_empty() && least > dry {
                let detail = format!(
                    "At the {humidity:.0} % of the last seven days the laminate dries to {least:.2} % at best, and {dry} % is \
                     wanted. Dry the air, or warm the hull."
                );
                warn("air_too_humid", detail);
            }
        }
        warnings
    }
}

/// Whether what is known of the readings changes between two of them.
fn differs(points: &[&DryingPoint], of: impl Fn(&SeriesReading) -> Option<String>) -> bool {
    let known: Vec<String> = points.iter().filter_map(|point| of(&point.reading)).collect();
    known.windows(2).any(|two| two[0] != two[1])
}

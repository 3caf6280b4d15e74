//! Drying: the readings of each station by day, when it will be dry, and what to mind.

use std::collections::HashMap;
use std::sync::{LazyLock, Mutex, PoisonError};

use chrono::{DateTime, Duration, Utc};
use serde::Serialize;
use sha2::{Digest, Sha256};
use utoipa::ToSchema;

use super::plan::DryTarget;
use crate::error::{Error, Result};
use crate::features::climate::model::window::ClimateMoment;
use crate::features::vessels::model::Zone;
use crate::ids::{PersonId, ReadingId, StationId};
use crate::science::drying::{
    DryingFit, DryingInput, DryingOutput, DryingReading, DryingStatus, ReadyDay, drying_with_draws, slowest,
};

/// The hours after a wash or the lift in which a reading tells of the water on the surface (common practice, no source).
pub(super) const WET_H: i64 = 24;
/// The most readings that the science takes of a station.
const MOST: usize = 400;

/// What the hull's range rests on.
const TOGETHER: &str = "The range of the hull takes its stations as independent of each other; where they dry alike it is ready sooner than told.";

/// A reading in the series of its station.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct SeriesReading {
    /// The reading: corrected by `PATCH /v1/readings/{id}`, where its versions are too.
    pub id: ReadingId,
    /// Its version; over 1 when it was corrected.
    pub version: i32,
    /// Its station.
    pub station_id: StationId,
    /// The station's code.
    pub station_code: String,
    /// The station's zone.
    pub zone: Zone,
    /// The meter's scale.
    pub scale: String,
    /// What the meter showed.
    pub value: f64,
    /// When it was taken; noon of the survey's day where that is not known.
    pub taken_at: DateTime<Utc>,
    /// The meter, by its serial number where known.
    pub meter: Option<String>,
    /// Who recorded it.
    pub recorded_by: Option<PersonId>,
    /// When this version was recorded.
    pub recorded_at: DateTime<Utc>,
}

/// Something to mind.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct DryingWarning {
    /// A stable word: `too_few_washes`, `reading_soon_after_wash`, `meter_changed`, `scale_changed`, `person_changed` or
    /// `air_too_humid`.
    pub code: &'static str,
    /// What is so and what to do.
    pub detail: String,
}

/// How one station dries.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct StationDrying {
    /// The station.
    pub station_id: StationId,
    /// Its code.
    pub code: String,
    /// Its zone.
    pub zone: Zone,
    /// Where it is.
    pub status: DryingStatus,
    /// Why, and what to do.
    pub reason: String,
    /// The fitted curve, its day 0 the start.
    pub fit: Option<DryingFit>,
    /// When it will be dry, days from the start.
    pub ready_day: Option<ReadyDay>,
    /// The same as times.
    pub ready_at: Option<ReadyAt>,
    /// Share of the resampled curves that never get there.
    pub never_reaches_probability: Option<f64>,
    /// Its readings, by time.
    pub readings: Vec<DryingPoint>,
}

/// A time with its range.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct ReadyAt {
    /// One in ten says sooner.
    pub p10: DateTime<Utc>,
    /// Half say sooner.
    pub p50: DateTime<Utc>,
    /// Nine in ten say sooner.
    pub p90: DateTime<Utc>,
}

/// A time with its range, of the slowest station; null where so many draws never get there.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct HullReadyAt {
    /// One draw in ten says sooner.
    pub p10: Option<DateTime<Utc>>,
    /// Half say sooner.
    pub p50: Option<DateTime<Utc>>,
    /// Nine in ten say sooner.
    pub p90: Option<DateTime<Utc>>,
}

/// A reading and whether the curve takes it.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct DryingPoint {
    /// Days from the start.
    pub day: f64,
    /// Whether it counts; if not, it stands here and is left out of the fit.
    pub counted: bool,
    /// Why it does not: `soon_after_wash`, `soon_after_lift`, `other_scale`, `same_time` or `before_start`.
    pub left_out: Option<&'static str>,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub reading: SeriesReading,
}

/// How a hull dries.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct HullDrying {
    /// What counts as dry.
    #[schema(value_type = Object)]
    pub target: DryTarget,
    /// When drying started: from then on days are counted.
    pub started_at: DateTime<Utc>,
    /// Where the hull is: the slowest station rules.
    pub status: DryingStatus,
    /// The station that rules.
    pub slowest_station: Option<String>,
    /// Why, and what to do.
    pub reason: String,
    /// When the slowest station will be dry, the stations drawn together and taken as independent of each other; null
    /// where one station allows no date, and where the hull is ready.
    pub ready_at: Option<HullReadyAt>,
    /// The chance that a station never gets there, the stations taken as independent; null where none tells it.
    pub never_reaches_probability: Option<f64>,
    /// The stations.
    pub stations: Vec<StationDrying>,
    /// What to mind.
    pub warnings: Vec<DryingWarning>,
    /// The cautions of this work.
    pub cautions: Vec<&'static str>,
}

/// A station of the hull, whether read or not.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FixedStation {
    /// The station.
    pub id: StationId,
    /// Its code.
    pub code: String,
    /// Its zone.
    pub zone: Zone,
}

/// What drying is judged by.
#[derive(Debug)]
pub struct DryingFacts<'a> {
    /// What counts as dry.
    pub target: &'a DryTarget,
    /// When drying started.
    pub started_at: DateTime<Utc>,
    /// The zones that dry.
    pub zones: &'a [Zone],
    /// The stations of the vessel: each in these zones must be dry.
    pub fixed: &'a [FixedStation],
    /// The readings, by station and time.
    pub readings: &'a [SeriesReading],
    /// The times of the washes, in order.
    pub washes: &'a [DateTime<Utc>],
    /// The lift.
    pub lifted_at: Option<DateTime<Utc>>,
    /// The climate, by time.
    pub climate: &'a [ClimateMoment],
    /// The present.
    pub now: DateTime<Utc>,
}

fn days(from: DateTime<Utc>, to: DateTime<Utc>) -> f64 {
    (to - from).as_seconds_f64() / 86_400.0
}

fn rank(status: DryingStatus) -> u8 {
    match status {
        DryingStatus::Ready => 0,
        DryingStatus::Drying => 1,
        DryingStatus::TooEarly => 2,
        DryingStatus::Stalled => 3,
    }
}

type Fitted = (DryingOutput, Option<Vec<f64>>);
/// Fits kept, at most: a reading more makes another series, and a thousand resampled curves take their time.
const KEPT_FITS: usize = 1_000;
static FITS: LazyLock<Mutex<HashMap<[u8; 32], Fitted>>> = LazyLock::new(Mutex::default);

/// The fit of a series, made once: the same series, target and seed have the same fit.
fn fitted(input: &DryingInput) -> Result<Fitted> {
    let series = serde_json::to_vec(input).map_err(Error::internal)?;
    let key: [u8; 32] = Sha256::digest(&series).into();
    let kept = || FITS.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(made) = kept().get(&key) {
        return Ok(made.clone());
    }
    let made = drying_with_draws(input)?;
    let mut kept = kept();
    if kept.len() >= KEPT_FITS {
        kept.clear();
    }
    kept.insert(key, made.clone());
    Ok(made)
}

impl DryingFacts<'_> {
    fn left_out(&self, reading: &SeriesReading, before: Option<&SeriesReading>) -> Option<&'static str> {
        let soon =
            |at: DateTime<Utc>| reading.taken_at >= at && reading.taken_at - at < Duration::hours(WET_H);
        if reading.scale != self.target.scale {
            Some("other_scale")
        } else if reading.taken_at < self.started_at {
            Some("before_start")
        } else if self.washes.iter().copied().any(soon) {
            Some("soon_after_wash")
        } else if self.lifted_at.is_some_and(soon) {
            Some("soon_after_lift")
        } else if before
            .is_some_and(|before| before.taken_at == reading.taken_at && before.value >= reading.value)
        {
            // Of two at one time the higher counts: the hull is held to be wetter.
            Some("same_time")
        } else {
            None
        }
    }

    /// One station, and the days drawn for it. `seed` is its own, so that the stations are drawn apart.
    fn station(
        &self,
        readings: &[SeriesReading],
        seed: u64,
    ) -> Result<Option<(StationDrying, Option<Vec<f64>>)>> {
        let Some(first) = readings.first() else { return Ok(None) };
        let mut points: Vec<DryingPoint> = Vec::new();
        for reading in readings {
            let before = points.iter().rev().find(|point| point.counted).map(|point| point.reading.clone());
            let left_out = self.left_out(reading, before.as_ref());
            if left_out.is_none()
                && let Some(twin) =
                    points.iter_mut().rev().find(|p| p.counted && p.reading.taken_at == reading.taken_at)
            {
                (twin.counted, twin.left_out) = (false, Some("same_time"));
            }
            let day = days(self.started_at, reading.taken_at);
            points.push(DryingPoint { day, counted: left_out.is_none(), left_out, reading: reading.clone() });
        }
        let mut observations: Vec<DryingReading> = points
            .iter()
            .filter(|point| point.counted)
            .map(|point| DryingReading { day: point.day, value: point.reading.value })
            .collect();
        observations.drain(..observations.len().saturating_sub(MOST));
        let (output, draws) = if observations.is_empty() {
            (None, None)
        } else {
            let (output, draws) = self.fit(observations, seed)?;
            (Some(output), draws)
        };
        let at = |day: f64| self.started_at + Duration::seconds(seconds(day));
        let ready_day = output.as_ref().and_then(|output| output.ready_day);
        let station = StationDrying {
            station_id: first.station_id,
            code: first.station_code.clone(),
            zone: first.zone,
            status: output.as_ref().map_or(DryingStatus::TooEarly, |output| output.status),
            reason: output.as_ref().map_or_else(
                || {
                    "No reading counts yet: take one a day at least after a wash, on the planned scale."
                        .to_owned()
                },
                |output| output.reason.clone(),
            ),
            fit: output.as_ref().and_then(|output| output.fit),
            ready_day,
            ready_at: ready_day.map(|day| ReadyAt { p10: at(day.p10), p50: at(day.p50), p90: at(day.p90) }),
            never_reaches_probability: output.and_then(|output| output.never_reaches_probability),
            readings: points,
        };
        Ok(Some((station, draws)))
    }

    fn fit(&self, observations: Vec<DryingReading>, seed: u64) -> Result<(DryingOutput, Option<Vec<f64>>)> {
        let input = DryingInput {
            target: self.target.target,
            observations,
            consecutive: usize::try_from(self.target.consecutive).map_err(Error::internal)?,
            steady_range: Some(self.target.steady_range),
            meter_step: self.target.meter_step,
            confidence: 0.9,
            seed,
        };
        fitted(&input)
    }

    /// How the hull dries.
    ///
    /// # Errors
    /// Invalid, when a value lies out of the range of the science.
    pub fn hull(&self, mut cautions: Vec<&'static str>) -> Result<HullDrying> {
        let within: Vec<SeriesReading> =
            self.readings.iter().filter(|reading| self.zones.contains(&reading.zone)).cloned().collect();
        cautions.push(TOGETHER);
        let (mut stations, mut draws) = (Vec::new(), Vec::new());
        for (seed, series) in (0..).zip(within.chunk_by(|a, b| a.station_id == b.station_id)) {
            if let Some((station, drawn)) = self.station(series, seed)? {
                stations.push(station);
                draws.extend(drawn);
            }
        }
        let read: Vec<_> = stations.iter().map(|station| station.station_id).collect();
        let unread =
            self.fixed.iter().filter(|own| self.zones.contains(&own.zone) && !read.contains(&own.id));
        stations.extend(unread.map(unread_station));
        stations.sort_by(|a, b| a.code.cmp(&b.code));
        let late = |station: &StationDrying| station.ready_day.map_or(0.0, |day| day.p50);
        let last = stations
            .iter()
            .max_by(|a, b| rank(a.status).cmp(&rank(b.status)).then(late(a).total_cmp(&late(b))));
        let all_dated = stations.iter().all(|s| s.ready_at.is_some() || s.status == DryingStatus::Ready);
        let at = |day: f64| self.started_at + Duration::seconds(seconds(day));
        let ready_at = slowest(&draws).filter(|_| all_dated).map(|day| HullReadyAt {
            p10: day.p10.map(at),
            p50: day.p50.map(at),
            p90: day.p90.map(at),
        });
        let never: Vec<f64> = stations
            .iter()
            .filter(|station| station.status != DryingStatus::Ready)
            .filter_map(|station| station.never_reaches_probability)
            .collect();
        Ok(HullDrying {
            target: self.target.clone(),
            started_at: self.started_at,
            status: last.map_or(DryingStatus::TooEarly, |station| station.status),
            slowest_station: last.map(|station| station.code.clone()),
            reason: last.map_or_else(
                || {
                    "No station is fixed in these zones. Fix them (POST /v1/stations), and read them in a survey of this haul-out."
                        .to_owned()
                },
                |station| station.reason.clone(),
            ),
            ready_at,
            never_reaches_probability: (!never.is_empty())
                .then(|| 1.0 - never.iter().map(|share| 1.0 - share).product::<f64>()),
            warnings: self.warnings(&stations),
            stations,
            cautions,
        })
    }
}

#[expect(clippy::cast_possible_truncation, reason = "as-casts saturate")]
fn seconds(day: f64) -> i64 {
    ((day * 86_400.0) as i64).min(10_000_000_000)
}

/// A station that nobody has read yet.
fn unread_station(own: &FixedStation) -> StationDrying {
    StationDrying {
        station_id: own.id,
        code: own.code.clone(),
        zone: own.zone,
        status: DryingStatus::TooEarly,
        reason: "Not read in this haul-out. Read it: every station must be dry.".to_owned(),
        fit: None,
        ready_day: None,
        ready_at: None,
        never_reaches_probability: None,
        readings: Vec::new(),
    }
}

//! Treatments of the invented marina that are under way: stripped, washed twice a week and read every fourth day.

use chrono::{DateTime, Duration, NaiveDate, NaiveTime, Utc};
use garde::Validate;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};

use super::hulls::Course;
use crate::db::Tx;
use crate::error::Result;
use crate::features::climate::api::append as append_climate;
use crate::features::surveys::api::{appending, surveys};
use crate::features::treatments::api::{plan, work};
use crate::http::RetryKey;
use crate::http::body::{New, read_fields};
use crate::http::creation::Creation;
use crate::ids::{HaulOutId, Id, ProductId, ReadingId, StationId, SurveyId, TreatmentId, VesselId};

/// Days since the lift; the work keeps the same distance from it.
pub(super) const DAYS_ASHORE: i64 = 70;
const SCALE: &str = "relative 0-100";

fn at(day: NaiveDate, hour: u32) -> DateTime<Utc> {
    day.and_time(NaiveTime::from_hms_opt(hour, 0, 0).unwrap_or_default()).and_utc()
}

/// What a meter of half steps shows so many days after stripping: the approach to what is left, faster on some
/// stations than on others.
fn shown(course: Course, station: i32, days: i64) -> f64 {
    let (start, end, days_to_a_third) = match course {
        Course::Ready => (30.0, 6.0, 11.0),
        Course::Drying => (40.0, 7.0, 25.0),
        Course::Stalled => (34.0, 17.0, 9.0),
    };
    let slower = 1.0 + f64::from(station * 5 % 7 - 3) * 0.03;
    let days = f64::from(i32::try_from(days).unwrap_or(0));
    let value: f64 = end + (start - end) * (-days / (days_to_a_third * slower)).exp();
    (value * 2.0).round() / 2.0
}

fn entry(kind: &str, happened_at: DateTime<Utc>, more: &Value) -> Value {
    let mut entry =
        json!({ "kind": kind, "happened_at": happened_at, "person_name": "Yard crew of the haven" });
    if let (Some(entry), Value::Object(more)) = (entry.as_object_mut(), more) {
        entry.extend(more.clone());
    }
    entry
}

fn creation<T>(operation: &'static str, json: Value) -> Result<Creation<T>>
where
    T: DeserializeOwned + Validate<Context = ()>,
{
    Ok(Creation { operation, key: RetryKey(None), new: New::<T>::from_value(json)? })
}

/// Plans, accepts and works on the treatment of a hull lifted on this day.
///
/// # Errors
/// A fact that breaks a rule; those of the database.
pub(super) fn load(
    tx: &mut Tx<'_>,
    course: Course,
    (vessel_id, haul_out_id): (VesselId, HaulOutId),
    lifted_on: NaiveDate,
    stations: &[StationId],
    products: &[(Value, ProductId)],
) -> Result<()> {
    let on = |days: i64| lifted_on + Duration::days(days);
    let id = TreatmentId::fresh();
    let target = json!({ "scale": SCALE, "target": 9.0, "meter_step": 0.5, "steady_range": 1.0 });
    let product = |role: &str| products.iter().find(|(of, _)| of == role).map(|(_, id)| *id);
    let fields = json!({ "kind": "curative", "starts_on": on(5), "dry_target": target, "steps": [
        { "step": "wash_down" }, { "step": "strip" }, { "step": "salt_check" }, { "step": "dry" }, { "step": "abrade" },
        { "step": "seal", "coats": 2, "product_id": product("sealer"), "dry_film_um": 120 },
        { "step": "abrade_sealed" }, { "step": "fair" },
        { "step": "barrier", "coats": 4, "product_id": product("barrier"), "dry_film_um": 75 },
        { "step": "antifouling", "coats": 2, "product_id": product("antifouling"), "dry_film_um": 75 }] });
    plan::create(tx, id, haul_out_id, read_fields(fields)?)?;
    let mut entries = vec![
        entry(
            "acceptance",
            at(on(4), 10),
            &json!({ "person_name": "Surveyor of the haven", "qualification": "Hull surveyor" }),
        ),
        entry("step_done", at(on(5), 15), &json!({ "step": "wash_down", "zone": "bottom" })),
        entry(
            "step_done",
            at(on(9), 16),
            &json!({ "step": "strip", "zone": "bottom", "note": "Gelcoat peeled, 1.5 mm." }),
        ),
    ];
    entries.push(entry(
        "step_done",
        at(on(11), 10),
        &json!({ "step": "salt_check", "zone": "bottom", "note": "Patch washed and measured: 3 µg/cm²." }),
    ));
    // Wash and reading never meet within a day.
    entries.extend((10..DAYS_ASHORE).step_by(4).map(|days| entry("wash", at(on(days), 9), &json!({}))));
    entries.extend((13..DAYS_ASHORE).step_by(8).map(|days| entry("wash", at(on(days), 9), &json!({}))));
    entries.sort_by_key(|entry| entry["happened_at"].as_str().map(str::to_owned));
    for entry in entries {
        work::enter_in(tx, id, creation("enter_work", entry)?)?;
    }
    let survey = SurveyId::fresh();
    let fields = json!({ "vessel_id": vessel_id, "haul_out_id": haul_out_id, "surveyed_on": on(12), "meter": "Capacitance meter",
        "meter_serial": "CM-0417", "meter_scale": SCALE, "check_block_reading": 20.0, "depth_mode": "deep" });
    surveys::create(tx, survey, read_fields(fields)?)?;
    for (sequence, days) in (1..).zip((12..DAYS_ASHORE).step_by(4)) {
        for (n, station) in (0..).zip(stations) {
            let reading = json!({ "survey_id": survey, "station_id": station, "sequence": sequence,
                "value": shown(course, n, days - 9), "taken_at": at(on(days), 11) });
            appending::create(tx, ReadingId::fresh(), read_fields(reading)?)?;
        }
    }
    let air = |days: i64| {
        let swing = f64::from(i32::try_from(days % 5).unwrap_or(0));
        read_fields(
            json!({ "measured_at": at(on(days), 12), "source": "hand", "air_temperature_c": 17.0 + swing,
            "relative_humidity_pct": 58.0 - swing, "surface_temperature_c": 17.0 }),
        )
    };
    append_climate(tx, haul_out_id, (10..DAYS_ASHORE).map(air).collect::<Result<_>>()?)?;
    Ok(())
}

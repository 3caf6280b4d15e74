//! A year of measured weather, reference/weather.csv: hourly temperature, dew point and humidity of an airport by the
//! sea; the package that ships it, its version, licence and digest stand in the file's head, weather.py takes it out.

use garboard::science::moist_air::{
    CoatingClimateInput, CoatingLimits, DewPointInput, coating_climate, dew_point,
};

use crate::moist_air::hyland_wexler_hpa;

/// One hour as published, °F turned into °C.
struct Hour {
    air_temperature_c: f64,
    dew_point_c: f64,
    relative_humidity_pct: f64,
}

impl Hour {
    /// Whether the three columns belong together: the humidity of dew point and temperature by Hyland and Wexler is the
    /// published one within 0.3 % of it. The service's humidity was computed from both (its tenths of a degree make a
    /// hundredth of a percent); where a special report in whole degrees fell into the hour, from others.
    fn is_of_one_report(&self) -> bool {
        let implied_pct =
            100.0 * hyland_wexler_hpa(self.dew_point_c) / hyland_wexler_hpa(self.air_temperature_c);
        (implied_pct / self.relative_humidity_pct - 1.0).abs() < 3e-3
    }
}

fn year() -> Vec<Hour> {
    let celsius = |fahrenheit: f64| (fahrenheit - 32.0) / 1.8;
    let hours: Vec<Hour> = include_str!("reference/weather.csv")
        .lines()
        .filter(|line| line.starts_with(|first: char| first.is_ascii_digit()))
        .map(|line| {
            let cells: Vec<f64> =
                line.split(',').skip(1).map(|cell| cell.parse().expect("a number")).collect();
            Hour {
                air_temperature_c: celsius(cells[0]),
                dew_point_c: celsius(cells[1]),
                relative_humidity_pct: cells[2],
            }
        })
        .collect();
    assert_eq!(hours.len(), 8_706);
    hours
}

/// Dew points within 0.05 K, half the step of a tenth of a degree in which they were reported. Water in the air within
/// 0.5 %: e/(461.5 J/(kg K) T) with the measured dew point's pressure by Hyland and Wexler, which lies within 0.3 %
/// of Magnus at these temperatures, and the tenth of a degree.
#[test]
fn dew_points_are_those_measured() {
    let (mut compared, mut of_two_reports) = (0, 0);
    for hour in year() {
        if !hour.is_of_one_report() {
            of_two_reports += 1;
            continue;
        }
        let answer = dew_point(&DewPointInput {
            air_temperature_c: hour.air_temperature_c,
            relative_humidity_pct: hour.relative_humidity_pct,
        })
        .expect("in range");
        let off = answer.dew_point_c - hour.dew_point_c;
        assert!(off.abs() <= 0.05, "{off} K at {} °C", hour.air_temperature_c);
        let kelvin = hour.air_temperature_c + 273.15;
        let measured_g_m3 = hyland_wexler_hpa(hour.dew_point_c) * 100.0 / (461.5 * kelvin) * 1_000.0;
        assert!((answer.absolute_humidity_g_m3 / measured_g_m3 - 1.0).abs() <= 5e-3);
        compared += 1;
    }
    assert_eq!((compared, of_two_reports), (8_148, 558));
}

/// A thin hull ashore takes the temperature of the air: the rule by measured dew points, away from its limits by as much
/// as the dew point may be off.
#[test]
fn coating_hours_are_those_of_measured_dew_points() {
    let limits = CoatingLimits::default();
    let (mut allowed, mut refused) = (0, 0);
    for hour in year().iter().filter(|hour| hour.is_of_one_report()) {
        let margin_k = hour.air_temperature_c - hour.dew_point_c;
        if (margin_k - limits.min_margin_k).abs() <= 0.05 {
            continue;
        }
        let answer = coating_climate(&CoatingClimateInput {
            air_temperature_c: hour.air_temperature_c,
            relative_humidity_pct: hour.relative_humidity_pct,
            surface_temperature_c: hour.air_temperature_c,
            limits,
        })
        .expect("in range");
        let by_measurement = margin_k >= 3.0
            && hour.relative_humidity_pct <= 85.0
            && (10.0 - 1e-9..=35.0 + 1e-9).contains(&hour.air_temperature_c);
        assert_eq!(answer.allowed, by_measurement, "{} °C, {margin_k} K", hour.air_temperature_c);
        *(if by_measurement { &mut allowed } else { &mut refused }) += 1;
    }
    assert!(allowed > 3_000 && refused > 3_000, "{allowed} allowed, {refused} refused");
}

//! How a hull dries, drawn: the readings of each station, the curve of the slowest, the target, when the hull is
//! forecast to be dry, and the washes as ticks. Everything in it stands in the table behind it too.

use std::fmt::Write;

use chrono::{DateTime, Duration, Utc};

use super::yard_words::{LocalTime, number};
use crate::features::treatments::model::drying::{HullDrying, StationDrying};

const WIDTH: f64 = 400.0;
const HEIGHT: f64 = 230.0;
/// Room for the figures of the axis, and for the names at the end.
const LEFT: f64 = 34.0;
const RIGHT: f64 = 362.0;
const TOP: f64 = 14.0;
const BOTTOM: f64 = 188.0;
/// Where the ticks of the washes stand.
const WASHES: f64 = 196.0;

/// The two axes of a chart.
#[derive(Debug, Clone, Copy)]
struct Axes {
    days: f64,
    low: f64,
    high: f64,
}

fn days(from: DateTime<Utc>, to: DateTime<Utc>) -> f64 {
    (to - from).as_seconds_f64() / 86_400.0
}

/// Steps of 1, 2 or 5 times a power of ten, about `count` of them.
fn step(span: f64, count: f64) -> f64 {
    let raw = (span / count).max(1e-6);
    let ten = 10_f64.powf(raw.log10().floor());
    [1.0, 2.0, 5.0, 10.0].into_iter().map(|n| n * ten).find(|step| *step >= raw).unwrap_or(raw)
}

fn multiples(low: f64, high: f64, step: f64) -> impl Iterator<Item = f64> {
    let first = (low / step).ceil();
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a chart has few ticks")]
    let count = (((high / step).floor() - first).max(-1.0) + 1.0).min(40.0) as u32;
    (0..count).map(move |n| (first + f64::from(n)) * step)
}

impl Axes {
    fn of(drying: &HullDrying, now: DateTime<Utc>) -> Self {
        let points = || drying.stations.iter().flat_map(|station| &station.readings).filter(|p| p.day >= 0.0);
        let values = points().map(|point| point.reading.value).chain([drying.target.target]);
        let (low, high) =
            values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
        let room = (high - low).max(1.0) * 0.08;
        let last_read = points().map(|point| point.day).fold(0.0, f64::max);
        let today = days(drying.started_at, now).max(last_read).max(1.0);
        // A date far off would press what was read into a corner: it is told in words.
        let forecast =
            drying.ready_at.and_then(|at| at.p90.or(at.p50)).map_or(0.0, |at| days(drying.started_at, at));
        Self { days: today.max(forecast.min(2.5 * today)) * 1.03, low: low - room, high: high + room }
    }
    fn x(&self, day: f64) -> f64 {
        LEFT + (day / self.days).clamp(0.0, 1.0) * (RIGHT - LEFT)
    }
    fn y(&self, value: f64) -> f64 {
        BOTTOM - ((value - self.low) / (self.high - self.low)).clamp(0.0, 1.0) * (BOTTOM - TOP)
    }
}

fn grid(svg: &mut String, axes: &Axes, drying: &HullDrying, local: &LocalTime) -> std::fmt::Result {
    for value in multiples(axes.low, axes.high, step(axes.high - axes.low, 5.0)) {
        let y = axes.y(value);
        write!(svg, "<path class=\"grid\" d=\"M{LEFT} {y:.1}H{RIGHT}\"/>")?;
        write!(
            svg,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
            LEFT - 4.0,
            y + 4.0,
            number(value)
        )?;
    }
    for day in multiples(0.0, axes.days, step(axes.days, 4.0).max(1.0)) {
        let (x, at) = (axes.x(day), drying.started_at + Duration::hours(hours(day)));
        write!(svg, "<path class=\"grid\" d=\"M{x:.1} {TOP}V{BOTTOM}\"/>")?;
        write!(
            svg,
            "<text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>",
            HEIGHT - 12.0,
            local.short_day(at)
        )?;
    }
    Ok(())
}

#[expect(clippy::cast_possible_truncation, reason = "as-casts saturate")]
fn hours(day: f64) -> i64 {
    ((day * 24.0).round() as i64).min(10_000_000)
}

fn station(svg: &mut String, axes: &Axes, station: &StationDrying, leads: bool) -> std::fmt::Result {
    let class = if leads { "series slowest" } else { "series" };
    let counted: Vec<String> = station
        .readings
        .iter()
        .filter(|point| point.counted)
        .map(|point| format!("{:.1} {:.1}", axes.x(point.day), axes.y(point.reading.value)))
        .collect();
    if counted.len() > 1 {
        write!(svg, "<path class=\"{class}\" d=\"M{}\"/>", counted.join("L"))?;
    }
    for point in station.readings.iter().filter(|point| point.day >= 0.0) {
        let (x, y) = (axes.x(point.day), axes.y(point.reading.value));
        let mark = match (point.counted, leads) {
            (false, _) => "left-out",
            (true, true) => "point slowest",
            (true, false) => "point",
        };
        let radius = if leads { 3.2 } else { 2.0 };
        write!(svg, "<circle class=\"{mark}\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius}\"/>")?;
    }
    if let (true, Some(fit)) = (leads, station.fit) {
        let curve: Vec<String> = (0..=40)
            .map(|n| axes.days * f64::from(n) / 40.0)
            .map(|day| (day, fit.y_eq + (fit.y0 - fit.y_eq) * (-fit.k_per_day * day).exp()))
            .filter(|(_, value)| (axes.low..=axes.high).contains(value))
            .map(|(day, value)| format!("{:.1} {:.1}", axes.x(day), axes.y(value)))
            .collect();
        if curve.len() > 1 {
            write!(svg, "<path class=\"curve\" d=\"M{}\"/>", curve.join("L"))?;
        }
    }
    Ok(())
}

fn draw(drying: &HullDrying, washes: &[DateTime<Utc>], local: &LocalTime) -> Result<String, std::fmt::Error> {
    let axes = Axes::of(drying, local.now);
    let mut svg = format!("<svg class=\"drying\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" aria-hidden=\"true\">");
    if let Some(at) = drying.ready_at
        && let Some(first) = at.p10.or(at.p50)
    {
        let left = axes.x(days(drying.started_at, first));
        // Without a last day it goes on past the edge.
        let right = at.p90.map_or(RIGHT, |last| axes.x(days(drying.started_at, last)));
        let width = (right - left).max(1.5);
        write!(
            svg,
            "<rect class=\"band\" x=\"{left:.1}\" y=\"{TOP}\" width=\"{width:.1}\" height=\"{:.1}\"/>",
            BOTTOM - TOP
        )?;
        if let Some(middle) = at.p50 {
            write!(
                svg,
                "<path class=\"mid\" d=\"M{:.1} {TOP}V{BOTTOM}\"/>",
                axes.x(days(drying.started_at, middle))
            )?;
        }
    }
    grid(&mut svg, &axes, drying, local)?;
    let y = axes.y(drying.target.target);
    write!(svg, "<path class=\"target\" d=\"M{LEFT} {y:.1}H{RIGHT}\"/>")?;
    write!(svg, "<text class=\"strong\" x=\"{:.1}\" y=\"{:.1}\">dry</text>", RIGHT + 4.0, y + 4.0)?;
    write!(
        svg,
        "<path class=\"now\" d=\"M{:.1} {TOP}V{BOTTOM}\"/>",
        axes.x(days(drying.started_at, local.now))
    )?;
    let leads = |own: &StationDrying| drying.slowest_station.as_deref() == Some(own.code.as_str());
    for own in drying.stations.iter().filter(|own| !leads(own)) {
        station(&mut svg, &axes, own, false)?;
    }
    for own in drying.stations.iter().filter(|own| leads(own)) {
        station(&mut svg, &axes, own, true)?;
        // Its name at its last reading, kept clear of the word at the target's end.
        if let Some(last) = own.readings.iter().rfind(|point| point.counted) {
            let (x, y) = (axes.x(last.day), axes.y(last.reading.value));
            write!(
                svg,
                "<text class=\"strong\" text-anchor=\"end\" x=\"{:.1}\" y=\"{:.1}\">{}</text>",
                x - 2.0,
                y - 7.0,
                escaped(&own.code)
            )?;
        }
    }
    for wash in
        washes.iter().map(|at| days(drying.started_at, *at)).filter(|day| (0.0..=axes.days).contains(day))
    {
        write!(svg, "<path class=\"wash\" d=\"M{:.1} {BOTTOM}V{WASHES}\"/>", axes.x(wash))?;
    }
    svg.push_str("</svg>");
    Ok(svg)
}

/// A text within the drawing.
fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}

/// The chart of a hull.
#[must_use]
pub fn chart(drying: &HullDrying, washes: &[DateTime<Utc>], local: &LocalTime) -> String {
    // Writing to a text does not fail.
    draw(drying, washes, local).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_round_and_few() {
        for span in [0.3, 1.0, 7.0, 23.0, 400.0, 1e5] {
            let step = step(span, 5.0);
            let lead = step / 10_f64.powf(step.log10().floor());
            assert!([1.0, 2.0, 5.0, 10.0].iter().any(|n| (lead - n).abs() < 1e-9), "{step}");
            let ticks = multiples(0.0, span, step).count();
            assert!((2..=6).contains(&ticks), "{span}: {ticks} of {step}");
        }
        assert_eq!(multiples(-1.0, 1.0, 1.0).collect::<Vec<_>>(), vec![-1.0, 0.0, 1.0]);
    }

    #[test]
    fn a_name_cannot_break_the_drawing() {
        assert_eq!(escaped("<P&1>"), "&lt;P&amp;1&gt;");
    }
}

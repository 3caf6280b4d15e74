//! The water through the laminate, from the outer face to the inner one: now, and as forecast.

use chrono::{Datelike, NaiveDate};

use super::chart::{Drawing, Room, Scale};
use crate::science::forecast::portrait::{Portrait, WaterProfile};

const HEIGHT: f64 = 300.0;
const LEFT: f64 = 46.0;
const RIGHT: f64 = 12.0;
const TOP: f64 = 34.0;
const BOTTOM: f64 = 46.0;
/// How the lines of the days are told apart without colours.
const LINES: [&str; 3] = ["curve", "curve dashed", "curve dotted"];

/// The lowest activity on the axis, a tenth.
fn lowest(water: &[WaterProfile]) -> f64 {
    let least = water.iter().flat_map(|water| &water.activity).map(|at| at.p10).fold(0.8, f64::min);
    (least * 10.0).floor() / 10.0
}

fn depth_share(n: usize, of: usize) -> f64 {
    let number = |n: usize| f64::from(u32::try_from(n).unwrap_or(u32::MAX));
    number(n) / number(of.saturating_sub(1).max(1))
}

/// The profiles, drawn. Those of `other` days are the profiles as they would be.
#[must_use]
pub fn drawn(room: Room, portrait: &Portrait, other: Option<&WaterProfile>, title: &str) -> String {
    let base = HEIGHT - BOTTOM;
    let right = room.width() - RIGHT;
    let from = lowest(&portrait.water);
    let activity = Scale { from, to: 1.0, first: base, last: TOP };
    let depth = Scale { from: 0.0, to: 1.0, first: LEFT, last: right };
    let about = "Depth from the outside at the left to the bilge at the right, water from bottom to top: a line for each day, a band about the first; the table below says the same.";
    let mut drawing = Drawing::begin(room, HEIGHT, "water", title, about);
    let mut value = from;
    while value < 1.001 {
        let y = activity.at(value);
        drawing.line("grid", (LEFT, y), (right, y));
        drawing.words((LEFT - 6.0, y + 4.0), "end", &format!("{:.0}\u{a0}%", value * 100.0));
        value += 0.1;
    }
    let step =
        [1.0, 2.0, 5.0, 10.0].into_iter().find(|step| portrait.thickness_mm / step <= 9.0).unwrap_or(20.0);
    let mut at_mm = 0.0;
    while at_mm <= portrait.thickness_mm + 1e-9 {
        let x = depth.at(at_mm / portrait.thickness_mm);
        drawing.line("grid", (x, TOP), (x, base));
        drawing.words((x, base + 16.0), "middle", &format!("{at_mm:.0}"));
        at_mm += step;
    }
    drawing.words((LEFT, base + 36.0), "start", "outside");
    drawing.words((f64::midpoint(LEFT, right), base + 36.0), "middle", "mm into the laminate");
    drawing.words((right, base + 36.0), "end", "bilge");
    let line = |profile: &WaterProfile,
                of: fn(&crate::science::forecast::quantile::Quantiles) -> f64|
     -> Vec<(f64, f64)> {
        let count = profile.activity.len();
        profile
            .activity
            .iter()
            .enumerate()
            .map(|(n, at)| (depth.at(depth_share(n, count)), activity.at(of(at))))
            .collect()
    };
    if let Some(now) = portrait.water.first() {
        drawing.area("band soft", &line(now, |at| at.p10), &line(now, |at| at.p90));
    }
    let pocket = activity.at(portrait.pocket_activity);
    drawing.line("limit", (LEFT, pocket), (right, pocket));
    drawing.words((LEFT + 6.0, pocket + 15.0), "start", "blisters grow above this line");
    let mut x = LEFT;
    for (profile, class) in portrait.water.iter().zip(LINES) {
        drawing.curve(class, line(profile, |at| at.p50));
        x = key(&mut drawing, class, x, &profile.on.year().to_string());
    }
    if let Some(other) = other {
        drawing.curve("curve other", line(other, |at| at.p50));
        key(&mut drawing, "curve other", x, &format!("{} if so", other.on.year()));
    }
    drawing.end()
}

fn key(drawing: &mut Drawing, class: &str, x: f64, text: &str) -> f64 {
    drawing.line(class, (x, 14.0), (x + 26.0, 14.0));
    drawing.words((x + 31.0, 18.0), "start", text);
    x + 76.0
}

/// Rows of the table: depth, then the water of each day in words.
#[must_use]
pub fn rows(portrait: &Portrait) -> (Vec<NaiveDate>, Vec<(String, Vec<String>)>) {
    let days = portrait.water.iter().map(|water| water.on).collect();
    let count = portrait.water.first().map_or(0, |water| water.activity.len());
    let rows = (0..count)
        .step_by(4)
        .map(|n| {
            let depth = format!("{:.1}\u{a0}mm", depth_share(n, count) * portrait.thickness_mm);
            let cells = portrait.water.iter().filter_map(|water| water.activity.get(n)).map(|at| {
                let per_cent = [at.p50, at.p10, at.p90].map(|value| format!("{:.0}", value * 100.0));
                format!("{}\u{a0}% ({} to {})", per_cent[0], per_cent[1], per_cent[2])
            });
            (depth, cells.collect())
        })
        .collect();
    (days, rows)
}

#[cfg(test)]
mod tests {
    use super::{NaiveDate, Portrait, Room, WaterProfile, drawn, rows};
    use crate::science::forecast::quantile::Quantiles;

    fn profile(on: &str, outer: f64, inner: f64) -> WaterProfile {
        let activity = (0..25).map(|n| {
            let p50 = outer + (inner - outer) * f64::from(n) / 24.0;
            Quantiles { p10: p50 - 0.05, p50, p90: (p50 + 0.05).min(1.0) }
        });
        WaterProfile { on: on.parse().unwrap_or(NaiveDate::MIN), activity: activity.collect() }
    }

    /// The outside is at the left and the wetter end higher up.
    #[test]
    fn the_outside_is_left_and_wet_is_high() {
        let portrait = Portrait {
            thickness_mm: 8.0,
            pocket_activity: 0.85,
            water: vec![profile("2026-06-15", 0.95, 0.65), profile("2031-06-15", 0.97, 0.7)],
            risk: None,
        };
        for room in Room::ALL {
            let svg = drawn(room, &portrait, None, "Water");
            let line = svg
                .split("class=\"curve\" d=\"M")
                .nth(1)
                .and_then(|text| text.split('"').next())
                .expect("a line");
            let at: Vec<(f64, f64)> = line
                .split('L')
                .filter_map(|place| place.split_once(' '))
                .filter_map(|(x, y)| Some((x.parse().ok()?, y.parse().ok()?)))
                .collect();
            assert!(at.len() == 25 && at.is_sorted_by(|one, two| one.0 < two.0 && one.1 < two.1), "{at:?}");
            // From the least, half a tenth under 0.65, to 1 on the axis from 0.6: 0.95 stands at seven eighths of it.
            assert!((at[0].1 - (254.0 - 220.0 * 0.875)).abs() < 0.1, "{at:?}");
        }
        let (days, rows) = rows(&portrait);
        assert_eq!((days.len(), rows.len()), (2, 7));
        assert_eq!(rows[6].0, "8.0\u{a0}mm");
        assert_eq!(rows[0].1[0], "95\u{a0}% (90 to 100)");
    }
}

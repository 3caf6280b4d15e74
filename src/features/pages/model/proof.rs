//! Drawings of how right the dates have been: the range, the transform, chances and how often they came true.

use super::chart::{Drawing, Room, Scale, per_cent, step};
use crate::features::hindcasts::model::ChanceBand;
use crate::science::hindcast::scores::Spread;

const LEFT: f64 = 52.0;
const RIGHT: f64 = 14.0;
const TOP: f64 = 20.0;
const BOTTOM: f64 = 44.0;
const HEIGHT: f64 = 240.0;

/// How often the onset lay within the range, beside the eight in ten that are right.
#[must_use]
pub fn coverage(room: Room, covered: f64, title: &str) -> String {
    let right = room.width() - RIGHT;
    let share = Scale { from: 0.0, to: 1.0, first: RIGHT, last: right };
    let about =
        "A bar from nothing at the left to all lives at the right, and a line where eight in ten are.";
    let mut drawing = Drawing::begin(room, 78.0, "coverage", title, about);
    for n in 0..=4_u32 {
        let value = f64::from(n) / 4.0;
        let anchor = if n == 0 {
            "start"
        } else if n == 4 {
            "end"
        } else {
            "middle"
        };
        drawing.line("grid", (share.at(value), 20.0), (share.at(value), 54.0));
        drawing.words((share.at(value), 71.0), anchor, &per_cent(value));
    }
    drawing.bar("bar", (RIGHT, 26.0), (share.at(covered) - RIGHT, 22.0), &per_cent(covered));
    drawing.line("limit", (share.at(0.8), 18.0), (share.at(0.8), 56.0));
    drawing.words((share.at(0.8), 12.0), "middle", &format!("right: {}", per_cent(0.8)));
    drawing.end()
}

/// The transform, by tenths, beside the level it would have were the forecasts right.
#[must_use]
pub fn histogram(room: Room, spread: &Spread, title: &str) -> String {
    let (base, right) = (HEIGHT - BOTTOM, room.width() - RIGHT);
    let all: u32 = spread.tenths.iter().sum();
    let even = f64::from(all) / 10.0;
    let most = f64::from(spread.tenths.iter().copied().max().unwrap_or(0)).max(2.0 * even).max(1.0);
    let count = Scale { from: 0.0, to: most, first: base, last: TOP };
    let place = Scale { from: 0.0, to: 10.0, first: LEFT, last: right };
    let about = "Ten bars, each the lives whose onset fell in that tenth of what the forecast held possible, the earliest at the left; a level line where all would end were the forecasts right; the table below says the same.";
    let mut drawing = Drawing::begin(room, HEIGHT, "transform", title, about);
    let each = step(most, 5.0);
    let mut at = 0.0;
    while at <= most {
        drawing.line("grid", (LEFT, count.at(at)), (right, count.at(at)));
        drawing.words((LEFT - 6.0, count.at(at) + 4.0), "end", &format!("{at:.0}"));
        at += each;
    }
    let mut tenth = 0.0;
    for lives in &spread.tenths {
        let (left, top) = (place.at(tenth) + 2.0, count.at(f64::from(*lives)));
        let width = place.at(tenth + 1.0) - place.at(tenth) - 4.0;
        drawing.bar("bar", (left, top), (width, base - top), &format!("{lives} lives"));
        tenth += 1.0;
    }
    for (n, words) in [(0.0, "earlier"), (10.0, "later than forecast")] {
        drawing.words((place.at(n), base + 17.0), if n == 0.0 { "start" } else { "end" }, words);
    }
    drawing.line("limit", (LEFT, count.at(even)), (right, count.at(even)));
    drawing.words((right, TOP - 5.0), "end", &format!("level line, even: {even:.1} lives a bar"));
    drawing.end()
}

/// Chances, and how often they came true.
#[must_use]
pub fn chances(room: Room, bands: &[ChanceBand], title: &str) -> String {
    let (base, right) = (HEIGHT - BOTTOM, room.width() - RIGHT);
    let highest =
        bands.iter().flat_map(|band| [band.mean_probability, band.found_fraction]).fold(0.0, f64::max);
    let top = [0.1, 0.2, 0.5].into_iter().find(|top| highest <= *top).unwrap_or(1.0);
    let said = Scale { from: 0.0, to: top, first: LEFT, last: right };
    let found = Scale { from: 0.0, to: top, first: base, last: TOP };
    let about = "The chance forecast from left to right, the share that was found from bottom to top: marks on the slanting line are right, above it blistering came more often than forecast; the table below says the same.";
    let mut drawing = Drawing::begin(room, HEIGHT, "chances", title, about);
    for n in 0..=5_u32 {
        let value = top * f64::from(n) / 5.0;
        drawing.line("grid", (LEFT, found.at(value)), (right, found.at(value)));
        drawing.words((LEFT - 6.0, found.at(value) + 4.0), "end", &per_cent(value));
        drawing.line("grid", (said.at(value), TOP), (said.at(value), base));
        drawing.words((said.at(value), base + 17.0), if n == 5 { "end" } else { "middle" }, &per_cent(value));
    }
    drawing.words((right, base + 36.0), "end", "chance forecast");
    drawing.line("limit", (LEFT, base), (right, TOP));
    for band in bands {
        let place = (said.at(band.mean_probability), found.at(band.found_fraction));
        let words = format!(
            "{} surveys: {} forecast, {} found",
            band.surveys,
            per_cent(band.mean_probability),
            per_cent(band.found_fraction)
        );
        drawing.shape("due-mark", place, "m-6 0l6 -6l6 6l-6 6z", &words);
    }
    drawing.end()
}

#[cfg(test)]
mod tests {
    use super::{Room, Spread, histogram};

    /// By hand: of 20 lives, two a tenth are even; a tenth with four reaches the top of an axis to four.
    #[test]
    fn a_bar_is_as_high_as_its_count() {
        let tenths = vec![4, 2, 2, 2, 2, 2, 2, 2, 2, 0];
        let spread = Spread { tenths, chi_square: 0.0, chi_square_probability: 1.0 };
        let svg = histogram(Room::Wide, &spread, "T");
        let heights: Vec<f64> = svg
            .split("<rect class=\"bar\"")
            .skip(1)
            .filter_map(|bar| bar.split("height=\"").nth(1)?.split('"').next()?.parse().ok())
            .collect();
        assert_eq!(heights.len(), 10);
        assert!((heights[0] - 176.0).abs() < 0.2 && (heights[1] - 88.0).abs() < 0.2, "{heights:?}");
        assert!(heights[9] < 0.1, "{heights:?}");
        assert!(svg.contains("even: 2.0 lives"));
    }
}

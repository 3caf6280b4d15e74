//! The chance that blistering has begun since the bottom was last known to be sound, with the range of the members, the
//! policy's limit and the day on which it is reached.

use chrono::NaiveDate;

use super::chart::{Days, Drawing, Room, Scale};
use crate::science::forecast::portrait::RiskCourse;

const HEIGHT: f64 = 280.0;
const LEFT: f64 = 46.0;
const RIGHT: f64 = 12.0;
const TOP: f64 = 30.0;
const BOTTOM: f64 = 30.0;

/// The highest chance on the axis: room above the limit, and for the course itself.
fn highest(course: &RiskCourse) -> f64 {
    let end = course.points.last().map_or(0.0, |point| point.risk.max(point.members.p50));
    let wanted = (3.0 * course.limit).max(1.1 * end);
    [0.1, 0.2, 0.3, 0.5, 0.75].into_iter().find(|top| wanted <= *top + 1e-9).unwrap_or(1.0)
}

/// The course, drawn; `other` is the course as it would be.
#[must_use]
pub fn drawn(
    room: Room,
    course: &RiskCourse,
    other: Option<&RiskCourse>,
    today: NaiveDate,
    title: &str,
) -> String {
    let last = course.points.last().map_or(today, |point| point.on);
    let days = Days::between(course.since, last.max(today), LEFT, room.width() - RIGHT);
    let base = HEIGHT - BOTTOM;
    let top = highest(course);
    let chance = Scale { from: 0.0, to: top, first: base, last: TOP };
    let about = "Years from left to right, chance from bottom to top: a curve that rises within its band and a level line, the policy's limit; the table below says the same.";
    let mut drawing = Drawing::begin(room, HEIGHT, "risk", title, about);
    for (year, x) in days.years() {
        drawing.line("grid", (x, TOP), (x, base));
        drawing.words((x, base + 17.0), "middle", &year.to_string());
    }
    for n in 0..=5_u32 {
        let value = top * f64::from(n) / 5.0;
        let y = chance.at(value);
        drawing.line("grid", (LEFT, y), (room.width() - RIGHT, y));
        drawing.words((LEFT - 6.0, y + 4.0), "end", &format!("{:.0}\u{a0}%", value * 100.0));
    }
    let edge = |of: fn(&crate::science::forecast::portrait::RiskOn) -> f64| -> Vec<(f64, f64)> {
        course.points.iter().map(|point| (days.at(point.on), chance.at(of(point)))).collect()
    };
    drawing.area("band soft", &edge(|point| point.members.p10), &edge(|point| point.members.p90));
    drawing.line("now", (days.at(today), TOP), (days.at(today), base));
    drawing.words((days.at(today), TOP - 16.0), anchor(days.at(today), room), "today");
    let limit = chance.at(course.limit);
    drawing.line("limit", (LEFT, limit), (room.width() - RIGHT, limit));
    drawing.words((LEFT + 6.0, limit - 5.0), "start", &format!("limit {:.0}\u{a0}%", course.limit * 100.0));
    if let Some(other) = other {
        drawing.curve(
            "curve other",
            other
                .points
                .iter()
                .filter(|point| point.on <= last)
                .map(|point| (days.at(point.on), chance.at(point.risk))),
        );
    }
    drawing.curve("curve", edge(|point| point.risk));
    if let Some(on) = course.reached_on.filter(|on| *on <= last) {
        let x = days.at(on);
        drawing.line("drop", (x, limit), (x, base));
        drawing.shape(
            "due-mark",
            (x, limit),
            "m-6 0l6 -6l6 6l-6 6z",
            &format!("The limit is reached on {on}"),
        );
    }
    drawing.end()
}

fn anchor(x: f64, room: Room) -> &'static str {
    if x < LEFT + 30.0 {
        "start"
    } else if x > room.width() - RIGHT - 30.0 {
        "end"
    } else {
        "middle"
    }
}

#[cfg(test)]
mod tests {
    use super::{NaiveDate, RiskCourse, Room, drawn};
    use crate::science::forecast::portrait::RiskOn;
    use crate::science::forecast::quantile::Quantiles;

    fn date(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    /// A course that rises by one in a hundred a year from nothing crosses its limit of one in ten where its mark stands:
    /// half-way along ten of twenty years, at a third of the height of an axis to three in ten.
    #[test]
    fn the_mark_stands_where_the_course_crosses_the_limit() {
        let points = (0..=20)
            .map(|year| {
                let risk = f64::from(year) / 100.0;
                let on = NaiveDate::from_ymd_opt(2020 + year, 1, 1).expect("a day");
                RiskOn {
                    on,
                    risk,
                    members: Quantiles { p10: risk / 2.0, p50: risk, p90: (risk * 20.0).min(1.0) },
                }
            })
            .collect();
        let course = RiskCourse {
            since: date("2020-01-01"),
            limit: 0.1,
            reached_on: Some(date("2030-01-01")),
            points,
        };
        let svg = drawn(Room::Wide, &course, None, date("2026-06-15"), "Risk");
        let mark = svg.split("class=\"due-mark\" d=\"M").nth(1).expect("the mark");
        let at: Vec<f64> =
            mark.split('m').next().expect("its place").split(' ').filter_map(|n| n.parse().ok()).collect();
        // From 46 to 788 in twenty years; from 250 up to 30 for three in ten.
        assert!((at[0] - (46.0 + 742.0 / 2.0)).abs() < 0.2, "{at:?}");
        assert!((at[1] - (250.0 - 220.0 / 3.0)).abs() < 0.2, "{at:?}");
        // The band's high end is cut at the top of the axis.
        let band = svg
            .split("class=\"band soft\" d=\"M")
            .nth(1)
            .and_then(|text| text.split('Z').next())
            .expect("the band");
        let heights = band.split('L').filter_map(|place| place.split(' ').nth(1)?.parse::<f64>().ok());
        assert!(
            heights.clone().count() == 42 && heights.clone().all(|y| (30.0..=250.0).contains(&y)),
            "{band}"
        );
    }
}

//! A hull's life on one line of time: what happened, and what is forecast with its ranges.

use chrono::{Months, NaiveDate};

use super::chart::{Days, Drawing, Room};
use crate::science::forecast::quantile::DateQuantiles;

/// Height of a lane.
const LANE: f64 = 38.0;
/// Room at the sides.
const SIDE: f64 = 12.0;
/// The forecast is shown so many years ahead at most.
const YEARS_AHEAD: u32 = 15;

/// The form of a mark, told apart without colours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// Something was put on or done.
    Round,
    /// Something was looked at.
    Square,
    /// Something was found.
    Triangle,
    /// Something began or ended.
    Stroke,
}

impl Form {
    fn path(self) -> &'static str {
        match self {
            Self::Round => "m-5 0a5 5 0 1 0 10 0a5 5 0 1 0 -10 0z",
            Self::Square => "m-4.5 -4.5h9v9h-9z",
            Self::Triangle => "m0 -6l6 11h-12z",
            Self::Stroke => "m0 -8v16",
        }
    }
}

/// A day on a lane.
#[derive(Debug, Clone)]
pub struct Mark {
    /// The day.
    pub on: NaiveDate,
    /// Its form.
    pub form: Form,
    /// What it says.
    pub title: String,
}

/// A stretch on a lane.
#[derive(Debug, Clone)]
pub struct Stretch {
    /// The first day.
    pub from: NaiveDate,
    /// The last; none where it lasts.
    pub until: Option<NaiveDate>,
    /// What it says.
    pub title: String,
}

/// A date that is forecast.
#[derive(Debug, Clone)]
pub struct Due {
    /// The date.
    pub on: Option<NaiveDate>,
    /// Its range.
    pub range: Option<DateQuantiles>,
    /// What it says.
    pub title: String,
}

/// One lane of the life.
#[derive(Debug, Clone, Default)]
pub struct Lane {
    /// What it holds.
    pub label: String,
    /// Stretches of time.
    pub stretches: Vec<Stretch>,
    /// Days.
    pub marks: Vec<Mark>,
    /// A date that is forecast.
    pub due: Option<Due>,
}

impl Lane {
    fn days(&self) -> impl Iterator<Item = NaiveDate> {
        let stretches = self.stretches.iter().flat_map(|stretch| [Some(stretch.from), stretch.until]);
        stretches.flatten().chain(self.marks.iter().map(|mark| mark.on))
    }

    fn ahead(&self) -> impl Iterator<Item = NaiveDate> {
        let due = self.due.as_ref();
        let range = due.and_then(|due| due.range);
        [due.and_then(|due| due.on), range.and_then(|range| range.p90), range.and_then(|range| range.p50)]
            .into_iter()
            .flatten()
    }
}

/// The lanes, drawn.
#[must_use]
pub fn drawn(room: Room, lanes: &[Lane], today: NaiveDate, title: &str) -> String {
    let from = lanes.iter().flat_map(Lane::days).chain([today]).min().unwrap_or(today);
    let furthest = today.checked_add_months(Months::new(12 * YEARS_AHEAD)).unwrap_or(today);
    let soonest = today.checked_add_months(Months::new(12)).unwrap_or(today);
    let ahead = lanes.iter().flat_map(Lane::ahead).max().unwrap_or(soonest);
    let to = ahead.checked_add_months(Months::new(6)).unwrap_or(ahead).clamp(soonest, furthest);
    let days = Days::between(from, to, SIDE, room.width() - SIDE);
    let bottom = LANE * lanes.iter().fold(0.0, |n, _| n + 1.0) + 4.0;
    let about = "A line of time from left to right, a lane for each kind of record, today as a dashed line; the table below says the same.";
    let mut drawing = Drawing::begin(room, bottom + 22.0, "life", title, about);
    for (year, x) in days.years() {
        drawing.line("grid", (x, 0.0), (x, bottom));
        drawing.words((x, bottom + 15.0), "middle", &year.to_string());
    }
    drawing.line("now", (days.at(today), 0.0), (days.at(today), bottom));
    let mut top = 0.0;
    for lane in lanes {
        drawing.words((SIDE, top + 13.0), "start", &lane.label);
        lane_of(&mut drawing, lane, &days, top + 25.0, room.width() - SIDE);
        top += LANE;
    }
    drawing.end()
}

fn lane_of(drawing: &mut Drawing, lane: &Lane, days: &Days, middle: f64, right: f64) {
    drawing.line("rule", (SIDE, middle), (right, middle));
    for stretch in &lane.stretches {
        let left = days.at(stretch.from);
        let until = stretch.until.map_or(right, |until| days.at(until));
        drawing.bar("stretch", (left, middle - 4.0), (until - left, 8.0), &stretch.title);
    }
    for mark in &lane.marks {
        let class = if mark.form == Form::Stroke { "stroke-mark" } else { "mark" };
        drawing.shape(class, (days.at(mark.on), middle), mark.form.path(), &mark.title);
    }
    let Some(due) = &lane.due else { return };
    if let Some(range) = due.range
        && let Some(first) = range.p10
    {
        let left = days.at(first);
        let until = range.p90.map_or(right, |last| days.at(last));
        drawing.bar("band", (left, middle - 5.0), (until - left, 10.0), &due.title);
        if let Some(half) = range.p50 {
            drawing.line("mid", (days.at(half), middle - 8.0), (days.at(half), middle + 8.0));
        }
    }
    if let Some(on) = due.on {
        drawing.shape("due-mark", (days.at(on), middle), "m-6 0l6 -6l6 6l-6 6z", &due.title);
    }
}

#[cfg(test)]
mod tests {
    use super::{Due, Form, Lane, Mark, NaiveDate, Room, Stretch, drawn};
    use crate::science::forecast::quantile::DateQuantiles;

    fn date(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    /// Every record has its mark within the drawing, whatever its day, and nothing that was entered breaks out.
    #[test]
    fn everything_is_drawn_within_the_drawing() {
        let lanes = [
            Lane {
                label: "Looked at".to_owned(),
                marks: ["1971-05-01", "2026-01-02", "2031-01-01"]
                    .map(|on| Mark { on: date(on), form: Form::Square, title: "</title><script>".to_owned() })
                    .into(),
                stretches: vec![Stretch {
                    from: date("2026-05-01"),
                    until: None,
                    title: "ashore".to_owned(),
                }],
                due: None,
            },
            Lane {
                label: "Barrier".to_owned(),
                due: Some(Due {
                    on: Some(date("2090-01-01")),
                    range: Some(DateQuantiles { p10: Some(date("2030-01-01")), p50: None, p90: None }),
                    title: "late".to_owned(),
                }),
                ..Lane::default()
            },
        ];
        for room in Room::ALL {
            let svg = drawn(room, &lanes, date("2026-06-15"), "A life");
            assert!(!svg.contains("<script"), "{svg}");
            assert_eq!(svg.matches("class=\"mark\"").count(), 3);
            assert_eq!(svg.matches("class=\"stretch\"").count() + svg.matches("class=\"band\"").count(), 2);
            let places = svg.split("d=\"M").skip(1).filter_map(|text| text.split(' ').next());
            for x in places {
                let x: f64 = x.parse().expect("a number");
                assert!((0.0..=room.width()).contains(&x), "{x} in {svg}");
            }
        }
    }
}

//! What charts share: where things stand, ticks, lines, bands, words.

use std::fmt::Write as _;

use chrono::{Datelike, NaiveDate};

use crate::features::dossier::model::map::escaped;

/// For which width a drawing is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Room {
    /// A tablet or a desk.
    Wide,
    /// A telephone.
    Narrow,
}

impl Room {
    /// Both.
    pub const ALL: [Self; 2] = [Self::Wide, Self::Narrow];

    /// Width of the drawing, in its own units.
    #[must_use]
    pub fn width(self) -> f64 {
        match self {
            Self::Wide => 800.0,
            Self::Narrow => 340.0,
        }
    }

    /// The class that a page's style shows it by.
    #[must_use]
    pub fn class(self) -> &'static str {
        match self {
            Self::Wide => "wide",
            Self::Narrow => "narrow",
        }
    }
}

/// A drawing for wide pages and one for narrow ones.
#[derive(Debug)]
pub struct Pair {
    /// For a tablet or a desk.
    pub wide: String,
    /// For a telephone.
    pub narrow: String,
}

impl Pair {
    /// Drawn twice.
    #[must_use]
    pub fn of(draw: impl Fn(Room) -> String) -> Self {
        Self { wide: draw(Room::Wide), narrow: draw(Room::Narrow) }
    }
}

/// The step of an axis of whole numbers of which at most so many have room.
#[must_use]
pub fn step(span: f64, at_most: f64) -> f64 {
    [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0]
        .into_iter()
        .find(|step| span / step <= at_most)
        .unwrap_or(1000.0)
}

/// A share in words.
#[must_use]
pub fn per_cent(share: f64) -> String {
    format!("{:.0}\u{a0}%", share * 100.0)
}

/// A straight scale: values between `from` and `to` stand between two places.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    /// The value at the first place.
    pub from: f64,
    /// The value at the last.
    pub to: f64,
    /// The first place.
    pub first: f64,
    /// The last.
    pub last: f64,
}

impl Scale {
    /// Where a value stands, kept within the scale.
    #[must_use]
    pub fn at(&self, value: f64) -> f64 {
        let whole = self.to - self.from;
        let share = if whole == 0.0 { 0.0 } else { ((value - self.from) / whole).clamp(0.0, 1.0) };
        self.first + share * (self.last - self.first)
    }
}

/// A scale of days.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Days {
    from: NaiveDate,
    to: NaiveDate,
    scale: Scale,
}

impl Days {
    /// From one day to another between two places.
    #[must_use]
    pub fn between(from: NaiveDate, to: NaiveDate, first: f64, last: f64) -> Self {
        let number = |day: NaiveDate| f64::from(day.num_days_from_ce());
        Self { from, to, scale: Scale { from: number(from), to: number(to), first, last } }
    }

    /// Where a day stands, kept within the scale.
    #[must_use]
    pub fn at(&self, day: NaiveDate) -> f64 {
        self.scale.at(f64::from(day.num_days_from_ce()))
    }

    /// The years to write under the scale, as many as there is room for.
    #[must_use]
    pub fn years(&self) -> Vec<(i32, f64)> {
        let span = f64::from(self.to.year() - self.from.year()).max(1.0);
        let most = ((self.scale.last - self.scale.first) / 48.0).max(2.0);
        let step = [1, 2, 5, 10, 20].into_iter().find(|&step| span / f64::from(step) <= most).unwrap_or(50);
        (self.from.year()..=self.to.year())
            .filter(|year| year % step == 0)
            .filter_map(|year| NaiveDate::from_ymd_opt(year, 1, 1))
            .filter(|day| *day >= self.from && *day <= self.to)
            .map(|day| (day.year(), self.at(day)))
            .collect()
    }
}

/// A drawing as it grows.
#[derive(Debug)]
pub struct Drawing(String);

impl Drawing {
    /// An empty one that says what it shows, for those who do not see it. `id` is the page's own for this drawing.
    #[must_use]
    pub fn begin(room: Room, height: f64, id: &str, title: &str, about: &str) -> Self {
        let (width, class) = (room.width(), room.class());
        let (title, about, id) = (escaped(title), escaped(about), format!("{id}-{class}"));
        Self(format!(
            "<svg class=\"chart {class}\" viewBox=\"0 0 {width:.0} {height:.0}\" role=\"img\" aria-labelledby=\"{id}-t {id}-d\"><title id=\"{id}-t\">{title}</title><desc id=\"{id}-d\">{about}</desc>"
        ))
    }

    /// A straight line.
    pub fn line(&mut self, class: &str, from: (f64, f64), to: (f64, f64)) {
        write!(
            self.0,
            "<path class=\"{class}\" d=\"M{:.1} {:.1}L{:.1} {:.1}\"/>",
            from.0, from.1, to.0, to.1
        )
        .ok();
    }

    /// A line through places in order.
    pub fn curve(&mut self, class: &str, places: impl IntoIterator<Item = (f64, f64)>) {
        let path = path(places);
        if !path.is_empty() {
            write!(self.0, "<path class=\"{class}\" d=\"M{path}\"/>").ok();
        }
    }

    /// What lies between a lower and an upper line.
    pub fn area(&mut self, class: &str, lower: &[(f64, f64)], upper: &[(f64, f64)]) {
        let path = path(lower.iter().copied().chain(upper.iter().rev().copied()));
        if !path.is_empty() {
            write!(self.0, "<path class=\"{class}\" d=\"M{path}Z\"/>").ok();
        }
    }

    /// A shape whose path is given relative to a place, with what it says.
    pub fn shape(&mut self, class: &str, (x, y): (f64, f64), path: &str, title: &str) {
        write!(
            self.0,
            "<path class=\"{class}\" d=\"M{x:.1} {y:.1}{path}\"><title>{}</title></path>",
            escaped(title)
        )
        .ok();
    }

    /// A bar with what it says.
    pub fn bar(&mut self, class: &str, (x, y): (f64, f64), (width, height): (f64, f64), title: &str) {
        write!(
            self.0,
            "<rect class=\"{class}\" x=\"{x:.1}\" y=\"{y:.1}\" width=\"{:.1}\" height=\"{height:.1}\"><title>{}</title></rect>",
            width.max(1.5),
            escaped(title)
        )
        .ok();
    }

    /// Words; `anchor` is start, middle or end.
    pub fn words(&mut self, (x, y): (f64, f64), anchor: &str, text: &str) {
        write!(self.0, "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\">{}</text>", escaped(text))
            .ok();
    }

    /// The drawing, done.
    #[must_use]
    pub fn end(mut self) -> String {
        self.0.push_str("</svg>");
        self.0
    }
}

fn path(places: impl IntoIterator<Item = (f64, f64)>) -> String {
    let places: Vec<String> = places.into_iter().map(|(x, y)| format!("{x:.1} {y:.1}")).collect();
    places.join("L")
}

#[cfg(test)]
mod tests {
    use super::{Days, Drawing, NaiveDate, Room};

    fn date(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    #[test]
    fn years_stand_in_order_within_the_scale_and_apart_from_each_other() {
        for (from, to, width) in [("1978-05-01", "2056-01-01", 320.0), ("2024-05-01", "2027-02-01", 780.0)] {
            let days = Days::between(date(from), date(to), 10.0, 10.0 + width);
            let years = days.years();
            assert!(years.len() >= 2, "{years:?}");
            assert!(years.windows(2).all(|two| two[1].1 - two[0].1 >= 40.0), "{years:?}");
            assert!(years.iter().all(|(_, x)| (10.0..=10.0 + width).contains(x)));
        }
    }

    #[test]
    fn what_people_entered_cannot_break_out() {
        let mut drawing = Drawing::begin(Room::Narrow, 100.0, "a", "<b>", "\"><script>");
        drawing.words((0.0, 0.0), "start", "<script>");
        drawing.shape("mark", (0.0, 0.0), "l1 1", "</title><script>");
        drawing.bar("bar", (0.0, 0.0), (1.0, 1.0), "</title><script>");
        let svg = drawing.end();
        assert!(!svg.contains("<script") && !svg.contains("<b>"), "{svg}");
    }
}

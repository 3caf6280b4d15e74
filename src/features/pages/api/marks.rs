//! Marks drawn on the server: a range of dates as a bar. Drawn with attributes and classes only, so that the policy
//! without styles within a page holds, and print and dark mode need no second drawing.

use chrono::{Datelike, Months, NaiveDate};

use crate::science::forecast::quantile::DateQuantiles;

/// Width of a bar in its own units.
const WIDTH: f64 = 260.0;
/// Years before today that the axis shows.
const BEFORE: u32 = 2;
/// Years after today that it shows.
const AFTER: u32 = 12;

/// The axis that all bars of a page share.
#[derive(Debug, Clone, Copy)]
pub struct Axis {
    from: NaiveDate,
    today: NaiveDate,
    until: NaiveDate,
}

impl Axis {
    /// Around today.
    #[must_use]
    pub fn around(today: NaiveDate) -> Self {
        Self {
            from: today.checked_sub_months(Months::new(12 * BEFORE)).unwrap_or(today),
            today,
            until: today.checked_add_months(Months::new(12 * AFTER)).unwrap_or(today),
        }
    }

    /// Where a day stands, kept within the axis.
    #[must_use]
    pub fn x(&self, day: NaiveDate) -> f64 {
        let days = |a: NaiveDate, b: NaiveDate| i32::try_from((b - a).num_days()).map_or(0.0, f64::from);
        let whole = days(self.from, self.until).max(1.0);
        (days(self.from, day) / whole).clamp(0.0, 1.0) * WIDTH
    }

    fn years(&self) -> impl Iterator<Item = (i32, f64)> {
        let axis = *self;
        (axis.from.year() + 1..=axis.until.year())
            .filter(|year| year % 4 == 0)
            .filter_map(move |year| NaiveDate::from_ymd_opt(year, 1, 1).map(|day| (year, axis.x(day))))
    }

    /// The years, over the column of bars.
    #[must_use]
    pub fn heading(&self) -> String {
        let years: String = self
            .years()
            .map(|(year, x)| format!("<text x=\"{x:.1}\" y=\"11\" text-anchor=\"middle\">{year}</text>"))
            .collect();
        format!("<svg viewBox=\"0 0 {WIDTH} 14\" aria-hidden=\"true\">{years}</svg>")
    }

    /// A range as a bar, its middle as a stroke, the date as a lozenge; what it says stands beside it in words.
    #[must_use]
    pub fn bar(&self, due_on: Option<NaiveDate>, range: Option<DateQuantiles>) -> String {
        let years: String = self.years().map(|(_, x)| format!("M{x:.1} 0V22")).collect();
        let mut marks = format!("<path class=\"grid\" d=\"{years}\"/>");
        if let Some(range) = range
            && let Some(first) = range.p10
        {
            let left = self.x(first);
            // Without a last day it goes on past the horizon.
            let right = range.p90.map_or(WIDTH, |last| self.x(last));
            let width = (right - left).max(1.5);
            marks +=
                &format!("<rect class=\"band\" x=\"{left:.1}\" y=\"6\" width=\"{width:.1}\" height=\"10\"/>");
            if let Some(middle) = range.p50 {
                let x = self.x(middle);
                marks += &format!("<path class=\"mid\" d=\"M{x:.1} 4V18\"/>");
            }
        }
        marks += &format!("<path class=\"now\" d=\"M{:.1} 0V22\"/>", self.x(self.today));
        if let Some(day) = due_on {
            let x = self.x(day).clamp(6.0, WIDTH - 6.0);
            marks += &format!(
                "<path class=\"due-mark\" d=\"M{:.1} 11L{x:.1} 5L{:.1} 11L{x:.1} 17Z\"/>",
                x - 6.0,
                x + 6.0
            );
        }
        format!("<svg viewBox=\"0 0 {WIDTH} 22\" aria-hidden=\"true\">{marks}</svg>")
    }
}

/// A day in words.
#[must_use]
pub fn day(day: NaiveDate) -> String {
    day.format("%-d %b %Y").to_string()
}

/// A range in words.
#[must_use]
pub fn range_words(range: Option<DateQuantiles>) -> String {
    match range {
        Some(DateQuantiles { p10: Some(first), p90: Some(last), .. }) if first == last => String::new(),
        Some(DateQuantiles { p10: Some(first), p90: Some(last), .. }) => {
            format!("Eight times in ten between {} and {}.", day(first), day(last))
        }
        Some(DateQuantiles { p10: Some(first), p90: None, .. }) => {
            format!("Nine times in ten after {}, perhaps past the horizon.", day(first))
        }
        _ => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::{Axis, NaiveDate, WIDTH};
    use crate::science::forecast::quantile::DateQuantiles;

    fn date(text: &str) -> NaiveDate {
        text.parse().unwrap_or_default()
    }

    #[test]
    fn days_stand_in_order_and_within_the_axis() {
        let axis = Axis::around(date("2026-06-15"));
        let days = ["1990-01-01", "2024-06-15", "2026-06-15", "2030-01-01", "2038-06-15", "2090-01-01"];
        let places: Vec<f64> = days.iter().map(|day| axis.x(date(day))).collect();
        assert!(places.is_sorted(), "{places:?}");
        assert_eq!((places[0], places[1], places[4], places[5]), (0.0, 0.0, WIDTH, WIDTH));
        // Two years of fourteen, in days: 730 of 5113.
        assert!((places[2] - WIDTH * 730.0 / 5113.0).abs() < 1e-9, "{places:?}");
    }

    #[test]
    fn a_range_without_an_end_reaches_the_edge() {
        let axis = Axis::around(date("2026-06-15"));
        let range = DateQuantiles { p10: Some(date("2024-06-15")), p50: None, p90: None };
        assert!(axis.bar(None, Some(range)).contains("x=\"0.0\" y=\"6\" width=\"260.0\""));
        assert!(!axis.bar(None, None).contains("band"));
    }
}

//! The weekly letter of what falls due: who wants it, when, and what stands in it.

use chrono::{Days, NaiveDate};
use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::ids::SiteId;
use crate::science::forecast::dates::DueKind;

/// How far ahead it tells what falls due.
pub const TOLD_AHEAD: Days = Days::new(28);
/// The most rows of a part: the rest is counted.
pub const MOST_ROWS: usize = 50;

/// A day of the week.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs, reason = "days of the week")]
pub enum Weekday {
    #[default]
    Monday,
    Tuesday,
    Wednesday,
    Thursday,
    Friday,
    Saturday,
    Sunday,
}

impl From<Weekday> for chrono::Weekday {
    fn from(day: Weekday) -> Self {
        match day {
            Weekday::Monday => Self::Mon,
            Weekday::Tuesday => Self::Tue,
            Weekday::Wednesday => Self::Wed,
            Weekday::Thursday => Self::Thu,
            Weekday::Friday => Self::Fri,
            Weekday::Saturday => Self::Sat,
            Weekday::Sunday => Self::Sun,
        }
    }
}

/// Whether and when a member gets the weekly letter.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Validate, ToSchema)]
#[garde(allow_unvalidated)]
pub struct DigestFields {
    /// Whether it is sent. Nobody gets it who did not ask.
    #[serde(default)]
    pub wanted: bool,
    /// On which day.
    #[serde(default)]
    pub weekday: Weekday,
    /// At which hour of the local day, 0 to 23.
    #[garde(range(min = 0, max = 23))]
    #[schema(minimum = 0, maximum = 23)]
    #[serde(default = "seven")]
    pub local_time_h: i16,
    /// Only of vessels lying at this site, and by its time zone; without it, of all, by the organisation's.
    #[serde(default)]
    pub site_id: Option<SiteId>,
}

const fn seven() -> i16 {
    7
}

impl Default for DigestFields {
    fn default() -> Self {
        Self { wanted: false, weekday: Weekday::Monday, local_time_h: seven(), site_id: None }
    }
}

/// A date to be told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ToldRow {
    /// What is due.
    pub kind: DueKind,
    /// When.
    pub due_on: Option<NaiveDate>,
    /// When it was before, of one that moved.
    pub before: Option<NaiveDate>,
    /// The vessel.
    pub vessel_name: String,
    /// Site and berth.
    pub place: String,
    /// Why.
    pub reason: String,
}

/// What stands in a letter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Digest {
    /// The organisation's name.
    pub organisation: String,
    /// The site's, if it is of one.
    pub site: Option<String>,
    /// The day it is of, where it is sent by.
    pub today: NaiveDate,
    /// Since when what moved is counted.
    pub since: NaiveDate,
    /// What is overdue.
    pub overdue: Vec<ToldRow>,
    /// What falls due soon.
    pub soon: Vec<ToldRow>,
    /// What moved since the letter before.
    pub moved: Vec<ToldRow>,
}

impl Digest {
    /// The subject: what there is to do, in numbers.
    #[must_use]
    pub fn subject(&self) -> String {
        let of = self.site.as_ref().unwrap_or(&self.organisation);
        let counted = |rows: &[ToldRow]| {
            if rows.len() > MOST_ROWS { format!("more than {MOST_ROWS}") } else { rows.len().to_string() }
        };
        format!(
            "{}: {} overdue, {} due within four weeks",
            one_line(of),
            counted(&self.overdue),
            counted(&self.soon)
        )
    }
}

/// A text on one line: what people entered may hold breaks, and a letter's lines are its own.
#[must_use]
pub fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::{Digest, one_line};

    #[test]
    fn the_subject_is_one_line_whatever_the_name() {
        let digest = Digest {
            organisation: "Yard\r\nBcc: x@y.example".into(),
            site: None,
            today: chrono::NaiveDate::default(),
            since: chrono::NaiveDate::default(),
            overdue: Vec::new(),
            soon: Vec::new(),
            moved: Vec::new(),
        };
        assert_eq!(digest.subject(), "Yard Bcc: x@y.example: 0 overdue, 0 due within four weeks");
        assert_eq!(one_line(" a\tb\n\nc "), "a b c");
    }
}

//! Words of the yard: codes and times as people say them, and what they type as codes and times.

use chrono::{DateTime, Duration, NaiveDate, NaiveDateTime, TimeZone, Utc};
use chrono_tz::Tz;
use serde::Serialize;

use super::marks::day;
use crate::codes;
use crate::db::Tx;
use crate::error::{FieldError, Result};
use crate::features::accounts;
use crate::features::forecasts::model::zone;
use crate::science::drying::DryingStatus;

/// How a browser writes a time in a form: of no zone.
const TYPED: &str = "%Y-%m-%dT%H:%M";

/// The organisation's clock: times are shown and typed by it.
#[derive(Debug, Clone, Copy)]
pub struct LocalTime {
    zone: Tz,
    /// The present.
    pub now: DateTime<Utc>,
}

impl LocalTime {
    /// The organisation's clock at this moment.
    ///
    /// # Errors
    /// Those of the database.
    pub fn of(tx: &mut Tx<'_>) -> Result<Self> {
        Ok(Self { zone: zone(&accounts::store::organisation(tx)?.fields.time_zone), now: tx.now() })
    }

    /// A clock of this zone at this moment.
    #[must_use]
    pub fn at(zone: Tz, now: DateTime<Utc>) -> Self {
        Self { zone, now }
    }

    /// The day it is.
    #[must_use]
    pub fn today(&self) -> NaiveDate {
        self.now.with_timezone(&self.zone).date_naive()
    }

    /// The day that a time lies in.
    #[must_use]
    pub fn day_of(&self, at: DateTime<Utc>) -> NaiveDate {
        at.with_timezone(&self.zone).date_naive()
    }

    /// The name of its zone.
    #[must_use]
    pub fn zone_name(&self) -> &'static str {
        self.zone.name()
    }

    /// A time with its day.
    #[must_use]
    pub fn time(&self, at: DateTime<Utc>) -> String {
        at.with_timezone(&self.zone).format("%-d %b %Y, %H:%M").to_string()
    }

    /// The day of a time.
    #[must_use]
    pub fn day(&self, at: DateTime<Utc>) -> String {
        day(at.with_timezone(&self.zone).date_naive())
    }

    /// The day of a time, without its year.
    #[must_use]
    pub fn short_day(&self, at: DateTime<Utc>) -> String {
        at.with_timezone(&self.zone).format("%-d %b").to_string()
    }

    /// A time as a form holds it.
    #[must_use]
    pub fn typed(&self, at: DateTime<Utc>) -> String {
        at.with_timezone(&self.zone).format(TYPED).to_string()
    }

    /// A time as it was typed.
    ///
    /// # Errors
    /// It is none, or one that the clock skips.
    pub fn read(&self, name: &str, text: &str) -> Result<DateTime<Utc>, FieldError> {
        let given = NaiveDateTime::parse_from_str(text, TYPED)
            .or_else(|_| NaiveDateTime::parse_from_str(text, "%Y-%m-%dT%H:%M:%S"));
        let wrong = |detail: &str| FieldError::new(format!("/{name}"), "type", detail);
        let given =
            given.ok().ok_or_else(|| wrong("is no time. Enter day and time, as 2026-06-15T09:30."))?;
        let local = self.zone.from_local_datetime(&given).earliest();
        local
            .map(|at| at.with_timezone(&Utc))
            .ok_or_else(|| wrong("is left out by the clock on that day. Enter another."))
    }

    /// How long ago, or how long until.
    #[must_use]
    pub fn span(&self, at: DateTime<Utc>) -> String {
        let length = at - self.now;
        if length >= Duration::zero() {
            format!("in {}", lasting(length))
        } else {
            format!("{} ago", lasting(-length))
        }
    }
}

/// A length of time as people say it.
fn lasting(length: Duration) -> String {
    let (minutes, hours, days) = (length.num_minutes(), length.num_hours(), length.num_days());
    let counted = |n: i64, unit: &str| if n == 1 { format!("1 {unit}") } else { format!("{n} {unit}s") };
    match (days, hours) {
        (2.., _) => counted(days, "day"),
        (_, 2..) => counted(hours, "hour"),
        _ => counted(minutes, "minute"),
    }
}

/// A code in words.
#[must_use]
pub fn word(code: &impl Serialize) -> String {
    codes::to_text(code).unwrap_or_default().replace('_', " ")
}

/// A code in words, at the beginning of a line.
#[must_use]
pub fn headed(code: &impl Serialize) -> String {
    capital(&word(code))
}

/// With a capital at its beginning.
#[must_use]
pub fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// A number as a person writes it: up to three decimals.
#[must_use]
pub fn number(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Where a hull or a station is in drying.
#[must_use]
pub fn drying_words(status: DryingStatus) -> &'static str {
    match status {
        DryingStatus::Ready => "Ready: dry and steady",
        DryingStatus::Drying => "Drying",
        DryingStatus::Stalled => "Stalled above the target",
        DryingStatus::TooEarly => "Too early to tell",
    }
}

/// What the service tells programs, told to people: how to supply a thing by a request is left out, and codes become
/// words. The pages have a form for each.
#[must_use]
pub fn for_people(detail: &str) -> String {
    let mut kept = String::new();
    let mut rest = detail;
    while let Some((before, after)) = rest.split_once("POST ").or_else(|| rest.split_once("PATCH ")) {
        kept.push_str(before.trim_end().trim_end_matches([':', ',']));
        // What is asked ends at a space or stop; what follows is told on.
        let asked = after.strip_prefix("its ").unwrap_or(after);
        rest = asked.trim_start_matches(|c| !matches!(c, ' ' | '.'));
    }
    kept.push_str(rest);
    kept.replace(" (GET drying)", "")
        .replace(" by PATCH", "")
        .replace("An entry step_done", "“Step done”")
        .replace("an entry step_done", "“Step done”")
        .replace("Enter step_done", "Enter “Step done”")
        .replace("enter step_done", "enter “Step done”")
        .replace("blush_wash", "wash of the blush")
        .replace("started_at and finished_at", "its begin and end")
        .replace("its product_id", "its product")
        .split_inclusive(' ')
        .map(|word| if is_setting(word) { word.to_owned() } else { word.replace('_', " ") })
        .collect()
}

/// The name of a setting stands as it is typed: in capitals.
fn is_setting(word: &str) -> bool {
    word.contains('_') && !word.contains(|c: char| c.is_lowercase())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn clock(zone: Tz) -> LocalTime {
        LocalTime { zone, now: "2026-03-29T12:00:00Z".parse().unwrap_or_default() }
    }

    /// Source: the tz database's rule for Europe since 1996: at 01:00 UTC on the last Sunday of March (29 March 2026)
    /// the clocks go from 02:00 to 03:00 in Central Europe, and back on the last Sunday of October.
    #[test]
    fn times_are_typed_by_the_clock_of_the_organisation() {
        let clock = clock(Tz::Europe__Berlin);
        let utc = |text: &str| text.parse::<DateTime<Utc>>().expect("a time");
        assert_eq!(clock.read("at", "2026-03-29T01:30").ok(), Some(utc("2026-03-29T00:30:00Z")));
        assert_eq!(clock.read("at", "2026-03-29T03:30").ok(), Some(utc("2026-03-29T01:30:00Z")));
        assert!(clock.read("at", "2026-03-29T02:30").is_err(), "there was no such time");
        // Twice there: the earlier.
        assert_eq!(clock.read("at", "2026-10-25T02:30").ok(), Some(utc("2026-10-25T00:30:00Z")));
        assert!(clock.read("at", "soon").is_err());
        let at = utc("2026-07-01T08:15:00Z");
        assert_eq!(clock.read("at", &clock.typed(at)).ok(), Some(at));
    }

    #[test]
    fn how_to_ask_by_a_request_is_left_out() {
        for (told, people) in [
            (
                "1 of 2 coats are recorded here. Record the rest: POST /v1/treatments/{id}/coats.",
                "1 of 2 coats are recorded here. Record the rest.",
            ),
            (
                "A named qualified person accepts the plan: POST its decisions.",
                "A named qualified person accepts the plan.",
            ),
            (
                "Take them: POST /v1/surveys/{id}/readings in a survey of this haul-out.",
                "Take them in a survey of this haul-out.",
            ),
            ("Too humid. Wait for a window: POST coating-windows.", "Too humid. Wait for a window."),
            (
                "All steps are done here. Close the treatment: POST its closing.",
                "All steps are done here. Close the treatment.",
            ),
            (
                "Nobody can send letters: set GARBOARD_SMTP_URL, or GARBOARD_SMTP_FROM with due_on.",
                "Nobody can send letters: set GARBOARD_SMTP_URL, or GARBOARD_SMTP_FROM with due on.",
            ),
            ("An entry step_done, its note giving the grit.", "“Step done”, its note giving the grit."),
        ] {
            assert_eq!(for_people(told), people);
        }
    }

    #[test]
    fn lengths_of_time_in_words() {
        let clock = clock(Tz::UTC);
        for (minutes, words) in
            [(-90, "90 minutes ago"), (-1, "1 minute ago"), (150, "in 2 hours"), (4_320, "in 3 days")]
        {
            assert_eq!(clock.span(clock.now + Duration::minutes(minutes)), words);
        }
    }
}

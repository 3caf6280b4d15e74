//! Days as numbers: exposure runs on them, dates are for people.

use chrono::{Datelike, Months, NaiveDate};

/// Day number of a date (1 January of the year 1 is 1).
#[must_use]
pub fn number(date: NaiveDate) -> f64 {
    f64::from(date.num_days_from_ce())
}

/// The date nearest to a day number, unless that lies past `horizon` or is not finite.
#[must_use]
pub fn date_within(number: f64, horizon: NaiveDate) -> Option<NaiveDate> {
    if !number.is_finite() || number > f64::from(horizon.num_days_from_ce()) + 0.5 {
        return None;
    }
    #[expect(clippy::cast_possible_truncation, reason = "finite and below a horizon that fits")]
    let whole = number.round() as i32;
    NaiveDate::from_num_days_from_ce_opt(whole)
}

/// The same day `months` later, or the last of that month where it is shorter.
///
/// # Panics
/// Never for the dates that facts are accepted with, which lie before 2200.
#[must_use]
pub fn months_after(date: NaiveDate, months: u32) -> NaiveDate {
    date.checked_add_months(Months::new(months)).expect("accepted dates lie centuries before the last one")
}

/// The next day.
///
/// # Panics
/// Never for the dates that facts are accepted with.
#[must_use]
pub fn date_after(date: NaiveDate) -> NaiveDate {
    date.succ_opt().expect("accepted dates lie centuries before the last one")
}

/// The first day of a month, counted on from January of `year` (12 is January of the next).
///
/// # Panics
/// Never for the years that facts are accepted with.
#[must_use]
pub fn first_of_month(year: i32, months_on: u32) -> NaiveDate {
    let january = NaiveDate::from_ymd_opt(year, 1, 1).expect("accepted years lie between 1900 and 2200");
    months_after(january, months_on)
}

/// The same day `months` earlier, or the last of that month where it is shorter.
///
/// # Panics
/// Never for the dates that facts are accepted with, which lie after 1900.
#[must_use]
pub fn months_before(date: NaiveDate, months: u32) -> NaiveDate {
    date.checked_sub_months(Months::new(months)).expect("accepted dates lie centuries after the first one")
}

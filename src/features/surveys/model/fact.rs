//! What every recorded fact keeps to: it has happened, its references are for life, and a correction says why.

use chrono::{DateTime, Datelike, Days, NaiveDate, Utc};

use crate::error::{Error, FieldError, Result};
use crate::features::vessels::model::{FIRST_YEAR, LAST_YEAR};

/// The fields of a record that break rules, gathered so that all of them are told at once.
#[derive(Debug, Default)]
pub struct Faults(Vec<FieldError>);

impl Faults {
    /// Notes a fault when `broken`.
    pub fn refuse_if(&mut self, broken: bool, pointer: &str, code: &str, detail: &str) {
        if broken {
            self.0.push(FieldError::new(pointer, code, detail));
        }
    }

    /// Something that happened has a day that has come. A day of grace, for it is tomorrow already in the east.
    pub fn refuse_future(&mut self, pointer: &str, day: Option<NaiveDate>, now: DateTime<Utc>) {
        let latest = now.date_naive().checked_add_days(Days::new(1));
        self.refuse_if(
            day.zip(latest).is_some_and(|(day, latest)| day > latest),
            pointer,
            "future",
            "lies in the future. Record what has happened; correct the date.",
        );
    }

    /// A reference that a record keeps for life.
    pub fn fixed<T: PartialEq>(&mut self, pointer: &str, before: &T, after: &T) {
        self.refuse_if(
            before != after,
            pointer,
            "fixed",
            "is fixed. Leave it as it is, and make a new record for another.",
        );
    }

    /// A new record is neither withdrawn nor a correction.
    pub fn refuse_correction(&mut self, withdrawn: bool, correction_reason: Option<&str>) {
        self.refuse_if(
            withdrawn,
            "/withdrawn",
            "not_at_creation",
            "is for a record that was entered in error. Leave it out of a new one.",
        );
        self.refuse_if(
            correction_reason.is_some(),
            "/correction_reason",
            "not_at_creation",
            "belongs to a change. Leave it out of a new record.",
        );
    }

    /// A correction says why.
    pub fn require_reason(&mut self, correction_reason: Option<&str>) {
        self.refuse_if(
            correction_reason.is_none(),
            "/correction_reason",
            "missing",
            "is required: this changes what was recorded. Say why in a few words.",
        );
    }

    /// The value, if there was no fault.
    ///
    /// # Errors
    /// Invalid, with every fault.
    pub fn or<T>(self, value: T) -> Result<T> {
        if self.0.is_empty() { Ok(value) } else { Err(Error::invalid(self.0)) }
    }
}

/// A garde rule: a day between 1940 and 2199.
///
/// # Errors
/// For any other.
pub fn within_years(day: &NaiveDate, _: &()) -> garde::Result {
    if (FIRST_YEAR..=LAST_YEAR).contains(&day.year()) {
        Ok(())
    } else {
        Err(garde::Error::new(format!("is not between {FIRST_YEAR} and {LAST_YEAR}; correct the year")))
    }
}

/// A garde rule: a time between 1940 and 2200, if one is given.
///
/// # Errors
/// For any other.
pub fn time_within_years(time: &Option<DateTime<Utc>>, context: &()) -> garde::Result {
    time.map_or(Ok(()), |time| within_years(&time.date_naive(), context))
}

//! The only reader of the time of day, so that tests and hindcasts can set it.

use chrono::{DateTime, Utc};

/// Where "now" comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Clock {
    /// The machine's clock.
    System,
    /// Always this instant.
    Fixed(DateTime<Utc>),
}

impl Clock {
    /// The present instant, cut to the microsecond that PostgreSQL keeps.
    #[must_use]
    pub fn now(self) -> DateTime<Utc> {
        match self {
            #[allow(clippy::disallowed_methods, reason = "this is the one place that reads the clock")]
            Self::System => {
                let now = Utc::now();
                DateTime::from_timestamp_micros(now.timestamp_micros()).unwrap_or(now)
            }
            Self::Fixed(instant) => instant,
        }
    }
}

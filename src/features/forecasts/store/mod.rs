//! What a forecast is made from, and where it is kept.

mod dates;
mod facts;
mod kept;
mod past;
mod records;
mod told;

pub use facts::{Subject, subjects};
pub use kept::{DateRow, StoredForecast, by_another_model, discard, read, save};
pub use past::{Past, past};
pub use records::{Records, records};
pub use told::{keep_told, told};

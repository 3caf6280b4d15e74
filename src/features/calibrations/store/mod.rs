//! Rows of calibrations, of what was chosen, of the settings, and of the sums that organisations give each other.

pub mod choices;
pub mod settings;
pub mod versions;

pub use choices::{choices, choose, in_use, in_use_at};
pub use settings::{give, peers, settings, withdraw, write_settings};
pub use versions::{
    NewCalibration, StoredCalibration, StoredPreview, insert, latest, list, preview, read, save_preview,
};

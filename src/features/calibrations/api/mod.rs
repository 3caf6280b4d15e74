//! The endpoints of calibrations and of the settings of learning.

pub mod settings;
pub mod versions;

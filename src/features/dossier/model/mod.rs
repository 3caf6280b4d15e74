//! What is drawn and reckoned for a dossier.

pub mod colour;
pub mod map;
pub mod plan;
pub mod readings;

//! garboard keeps the underwater condition of fibreglass hulls.

pub mod db;
pub mod science;

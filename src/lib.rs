//! garboard keeps the underwater condition of fibreglass hulls.

pub mod science;

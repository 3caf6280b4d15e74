//! The formulas: pure functions of their arguments, with units, sources and valid ranges.

pub mod climate;
pub mod refusal;

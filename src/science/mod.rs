//! The formulas: pure functions of their arguments, with units, sources and valid ranges.

pub mod refusal;

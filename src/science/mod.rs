//! The formulas: pure functions of their arguments, with units, sources and valid ranges.

pub mod arrhenius;
pub mod cautions;
pub mod climate;
pub mod exposure;
pub mod forecast;
pub mod model;
pub mod refusal;
pub mod seawater;
pub mod skin;
pub mod slab;

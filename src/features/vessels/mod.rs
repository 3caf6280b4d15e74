//! Vessels: the register of hulls. Only name, form and length are required; what is left out gets a stated
//! default in the forecasts, named in the evidence of each date. A hull identification number is checked
//! against ISO 10087. A retired vessel stays readable and is left out of what is due.

pub mod model;

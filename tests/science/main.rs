//! The science against published and computed values, its laws, and a slow solver.

mod agreement;
mod check_values;
mod climate;
mod diffusion;
mod exposure;
mod finite_volume;
mod forecast_expectations;
mod forecast_onset;
mod forecast_paths;
mod forecast_properties;
mod forecast_rules;
mod forecast_rules_coats;
mod forecast_sample;
mod hulls;
mod laws;
mod moist_air;
mod overcoat;
mod peel;
mod refusals;
mod seawater;
mod skin;

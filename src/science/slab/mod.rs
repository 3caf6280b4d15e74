//! Diffusion through a plane slab between two surface resistances, solved exactly by its modes.
//!
//! In relative depth ξ = x/l and Fourier time s = ∫ D dt / l²:
//!
//! ```text
//! ∂a/∂s = ∂²a/∂ξ²,  ∂a/∂ξ = (a - a_outer)/r1 at ξ = 0,  -∂a/∂ξ = (a - a_inner)/r2 at ξ = 1
//! a = steady state + Σ c cos(βξ - θ1) exp(-β²s),  tan θ = 1/(βr),  β = θ1(β) + θ2(β) + nπ
//! ```
//!
//! r = R·D·S/l is the resistance of a face relative to the slab's own, the inverse of Crank's surface number L; r = 0
//! is a bare face. The equation for β is tan β = β(L₁ + L₂)/(β² - L₁L₂) with its branches told apart.
//!
//! Sources: Carslaw and Jaeger, Conduction of Heat in Solids, 2nd ed. 1959, section 3.11; Crank, The
//! Mathematics of Diffusion, 2nd ed. 1975, sections 4.3.6-4.3.7. Everything here is dimensionless.

#![expect(clippy::needless_range_loop, reason = "the lanes of several arrays are walked side by side")]

mod crossing;
mod modes;
mod profile;
mod projection;

pub use modes::{Decay, Eigenvalues, Faces, Modes, SHORTEST_FOURIER};
pub use profile::{Change, Passage, Profile};

//! Diffusion through a plane slab between two surface resistances, solved exactly by its modes.
//!
//! In relative depth ξ = x/l and Fourier time s = ∫ D dt / l² the activity obeys ∂a/∂s = ∂²a/∂ξ² with
//! ∂a/∂ξ = (a - a_outer)/r₁ at ξ = 0 and -∂a/∂ξ = (a - a_inner)/r₂ at ξ = 1, where r = R·D·S/l is the
//! resistance of a face relative to the slab's own (the inverse of the surface number L of Crank; r = 0 is a
//! bare face). The solution is the steady state for the two outside activities plus decaying modes
//! cₙ cos(βₙξ - θ₁) exp(-βₙ²s) with tan θ = 1/(βr) at each face and β = θ₁(β) + θ₂(β) + nπ, which is
//! tan β = β(L₁ + L₂)/(β² - L₁L₂) with its branches told apart.
//!
//! Sources: Carslaw and Jaeger, Conduction of Heat in Solids, 2nd ed. 1959, section 3.11; Crank, The
//! Mathematics of Diffusion, 2nd ed. 1975, sections 4.3.6-4.3.7. Everything here is dimensionless.

#![expect(clippy::needless_range_loop, reason = "the lanes of several arrays are walked side by side")]

mod crossing;
mod modes;
mod profile;
mod projection;

pub use modes::{Decay, Eigenvalues, Faces, Modes, SHORTEST_FOURIER};
pub use profile::{Passage, Profile};

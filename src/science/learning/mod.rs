//! What a fleet's own history says of the lives of its laminate classes.
//!
//! A hull's member m (one of the ensemble's sets of what is not known about a hull) has an exposure X_m(t), and a life
//! that lasts beyond it with chance S = exp(-(X_m/η_m)^β), η_m = η_class·exp(s z_m), s the fixed spread of hulls and
//! z_m the member's deviate. The surveys of a life say that its onset lies between two days, or after one: a sum of
//! survivals ([`crate::science::forecast::onset`]). So the likelihood of a hull is
//!
//! L_h(θ, w) = Σ_m w_m Π_lives Σ_k c_k S(X_m(t_k)), θ = (log η of each class, log β),
//!
//! and Σ_h log(ε + L_h) - ½ (θ - μ)ᵀ Σ⁻¹ (θ - μ) + κ/M Σ_m log w_m is made greatest over θ and the weights w (which sum
//! to one) together: priors as penalty, the weights' prior being worth κ hulls. ε stands for records that no member
//! could have given. The covariance of θ is the inverse of the profile's curvature there (Laplace's approximation, the
//! weights having been allowed to follow): what a*, E, Eh and D leave open of η is in it.
//!
//! Classes are pooled in part by Σ: a share of each class's prior variance is common to all ([`prior::SHARED_BETWEEN_CLASSES`]).
//! Organisations are pooled in part through sums alone ([`pooling`]).
//!
//! | part | equation | source | valid for |
//! |---|---|---|---|
//! | [`evidence`] | terms c_k, X_m(t_k) of each life | [`crate::science::forecast`] | hulls a water forecast is made for |
//! | [`likelihood`] | L_h with its first and second derivatives | Meeker and Escobar 1998 ch. 3, 8 | X ≥ 0 |
//! | [`fit`] | Newton on (θ, w) under Σ w = 1 | Nocedal and Wright 2006 §16.1, §19 | unimodal near the prior |
//! | [`calibration`] | Laplace: N(θ̂, I⁻¹) | Tierney and Kadane 1986 | the posterior near normal |
//! | [`lives`] | each life as an interval | as the evidence | hulls that were looked at |
//! | [`pooling`] | normal-normal, τ between organisations | Gelman et al. 2013 §5.4 | sums of at least 8 events |
//! | [`skin_systems`] | ratio of scales between skins | as the fit | lives under one skin at their end |
//!
//! Sources from memory, not re-read.

#![allow(clippy::doc_markdown, reason = "formulas in words carry subscripts")]
#![allow(clippy::needless_range_loop, reason = "the indices are those of the formulas")]

pub mod calibration;
pub mod evidence;
pub mod fit;
pub mod likelihood;
pub mod lives;
mod matrix;
pub mod pooling;
pub mod prior;
pub mod skin_systems;

/// Name and version of the fit.
pub const MODEL: &str = "fleet-lives 2";

/// From so many events on a calibration is put to use unless told otherwise.
pub const EVENTS_NEEDED: u32 = 8;

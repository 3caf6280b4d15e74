//! Eigenvalues and modes of the slab, and their decay over a stretch of time.

use std::f64::consts::{FRAC_PI_2, PI};

/// Modes kept side by side, so that the compiler can use vector instructions.
pub(super) const LANES: usize = 4;

/// No more blocks of modes than this are ever kept.
const MAX_BLOCKS: usize = 128;

/// A mode whose exponent has reached this has decayed (to 1e-7) and follows its boundaries at once.
const DECAYED: f64 = 16.0;

/// The shortest stretch, in Fourier time, at whose end every mode that matters is kept: 16/(512 π)².
/// Shorter ones lose the sharpest part of a sudden change at the face.
pub const SHORTEST_FOURIER: f64 = 6.184_2e-6;

/// Halley's steps cube their relative size: after one of this size nothing is left to correct.
const SETTLED: f64 = 1e-5;

/// The resistances of the two faces relative to the slab's own: r = R·D·S/l, finite and not negative.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Faces {
    /// At ξ = 0, the outer face.
    pub outer: f64,
    /// At ξ = 1, the inner face.
    pub inner: f64,
}

impl Faces {
    /// Value at ξ = 0 and slope of the steady state between these outside activities.
    #[must_use]
    pub fn steady(self, outer: f64, inner: f64) -> (f64, f64) {
        let slope = (inner - outer) / self.total();
        (outer + slope * self.outer, slope)
    }

    /// Resistance of both faces and the slab together.
    fn total(self) -> f64 {
        self.outer + 1.0 + self.inner
    }

    /// ∫u₁² and ∫u₁u₂ over the slab, u₁ the steady state for activities (1, 0) and u₂ for (0, 1).
    fn steady_products(self) -> [f64; 2] {
        let square = self.total() * self.total();
        [
            (self.inner * (self.inner + 1.0) + 1.0 / 3.0) / square,
            (self.outer * (self.inner + 0.5) + self.inner / 2.0 + 1.0 / 6.0) / square,
        ]
    }
}

/// The eigenvalues β₀ < β₁ < …, endlessly.
///
/// Each is the only root of f(β) = β - θ₁(β) - θ₂(β) - nπ, θ = arctan(1/(βr)). f rises and is concave; the first
/// guess is left of the root, the others are close to it.
///
/// ```
/// use garboard::science::slab::{Eigenvalues, Faces};
/// let bare = Eigenvalues::new(Faces { outer: 0.0, inner: 0.0 }).next();
/// assert!((bare.unwrap_or(0.0) - std::f64::consts::PI).abs() < 1e-14);
/// ```
#[derive(Debug, Clone)]
pub struct Eigenvalues {
    faces: Faces,
    branch: f64,
    guess: f64,
}

impl Eigenvalues {
    /// For a slab with these faces.
    #[must_use]
    pub fn new(faces: Faces) -> Self {
        // Dunkerley: 1/β₀² is less than the sum of all 1/βₙ², the trace of the Green's function.
        let trace = faces.total() * faces.steady_products()[1];
        Self { faces, branch: 0.0, guess: 1.0 / trace.sqrt() }
    }
}

impl Iterator for Eigenvalues {
    type Item = f64;

    fn next(&mut self) -> Option<f64> {
        let Faces { outer, inner } = self.faces;
        let rise = |beta: f64| {
            let (u, v) = (beta * outer, beta * inner);
            1.0 + outer / (1.0 + u * u) + inner / (1.0 + v * v)
        };
        let mut beta = self.guess;
        for _ in 0..64 {
            let (u, v) = (beta * outer, beta * inner);
            // arctan(1/u) as π/2 - arctan(u): exact for a bare face, smooth for a nearly sealed one.
            let behind = if inner > 0.0 { v.atan() } else { 0.0 };
            let value = (beta - self.branch * PI - PI) + u.atan() + behind;
            let slope = rise(beta);
            let bend = -2.0
                * (outer * outer * u / (1.0 + u * u).powi(2) + inner * inner * v / (1.0 + v * v).powi(2));
            let step = value / (slope - value * bend / (2.0 * slope));
            beta -= step;
            if step.abs() <= SETTLED * beta {
                break;
            }
        }
        self.branch += 1.0;
        // From one root to the next f rises by π: with its slope half-way there, a step or two do the rest.
        self.guess = beta + PI / rise(beta + FRAC_PI_2 / rise(beta));
        Some(beta)
    }
}

/// A few neighbouring modes, φ(ξ) = cos(βξ - θ₁).
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Block {
    /// β.
    pub beta: [f64; LANES],
    /// β².
    pub beta_squared: [f64; LANES],
    /// ∫φ² over the slab.
    pub norm: [f64; LANES],
    /// Amplitude of the steady state for outside activities (1, 0): sin θ₁/(β·norm).
    pub outer_drive: [f64; LANES],
    /// Amplitude of the steady state for outside activities (0, 1): ±sin θ₂/(β·norm).
    pub inner_drive: [f64; LANES],
    /// φ(0) = cos θ₁.
    pub face: [f64; LANES],
    /// φ(1) = ±cos θ₂.
    pub inner_face: [f64; LANES],
    /// ∫φ over the slab.
    pub mean: [f64; LANES],
}

/// What the modes beyond a number of blocks add up to at the outer face after a unit change outside.
#[derive(Debug, Clone, Copy)]
pub(super) struct Tail {
    /// Their value just after the change of the outer activity.
    pub value: f64,
    /// Their integral over Fourier time, after the change of the outer and of the inner activity.
    pub area: [f64; 2],
}

/// The modes of one slab, as many as were needed so far.
#[derive(Debug, Clone)]
pub struct Modes {
    faces: Faces,
    roots: Eigenvalues,
    pub(super) blocks: Vec<Block>,
    /// `tails[b]` belongs to the modes beyond the first `b` blocks.
    pub(super) tails: Vec<Tail>,
}

/// How much each mode that still matters has decayed at the end of a stretch.
#[derive(Debug, Clone)]
pub struct Decay {
    pub(super) fourier: f64,
    pub(super) blocks: Vec<DecayBlock>,
}

#[derive(Debug, Clone, Copy)]
pub(super) struct DecayBlock {
    /// φ(0).
    pub face: [f64; LANES],
    /// exp(-β²s).
    pub factor: [f64; LANES],
    /// (1 - exp(-β²s))/β²: the integral over the stretch of a term that starts at 1.
    pub area: [f64; LANES],
}

impl Modes {
    /// The modes of a slab with these faces; none is computed before it is needed.
    #[must_use]
    pub fn new(faces: Faces) -> Self {
        // φₙ(0) = r₁βₙ²∫u₁φₙ, so by Parseval the areas of all modes add up to r₁∫u₁u. A bare face follows at once.
        let area = faces.steady_products().map(|product| faces.outer * product);
        let value = if faces.outer > 0.0 { faces.steady(1.0, 0.0).0 } else { 0.0 };
        Self { faces, roots: Eigenvalues::new(faces), blocks: Vec::new(), tails: vec![Tail { value, area }] }
    }

    /// The faces these modes belong to.
    #[must_use]
    pub fn faces(&self) -> Faces {
        self.faces
    }

    /// Computes modes until there are this many blocks, or as many as are ever kept; tells how many there are
    /// to use.
    pub(super) fn grow(&mut self, blocks: usize) -> usize {
        let wanted = blocks.min(MAX_BLOCKS);
        while self.blocks.len() < wanted {
            self.push_block();
        }
        wanted
    }

    fn push_block(&mut self) {
        let mut block = Block::default();
        let Some(mut tail) = self.tails.last().copied() else { return };
        for (lane, beta) in (0..LANES).zip(&mut self.roots) {
            let (outer_sin, outer_cos) = angle(beta * self.faces.outer);
            let (inner_sin, inner_cos) = angle(beta * self.faces.inner);
            // The phase at the inner face is θ₂ + nπ; n is even in even lanes.
            let sign = if lane % 2 == 0 { 1.0 } else { -1.0 };
            let norm = 0.5 + (outer_sin * outer_cos + inner_sin * inner_cos) / (2.0 * beta);
            let (outer_drive, inner_drive) = (outer_sin / (beta * norm), sign * inner_sin / (beta * norm));
            block.beta[lane] = beta;
            block.beta_squared[lane] = beta * beta;
            block.norm[lane] = norm;
            block.outer_drive[lane] = outer_drive;
            block.inner_drive[lane] = inner_drive;
            block.face[lane] = outer_cos;
            block.inner_face[lane] = sign * inner_cos;
            block.mean[lane] = (outer_sin + sign * inner_sin) / beta;
            tail.value -= outer_drive * outer_cos;
            tail.area[0] -= outer_drive * outer_cos / (beta * beta);
            tail.area[1] -= inner_drive * outer_cos / (beta * beta);
        }
        // A nearly sealed slab has great sums and small rests: what rounding leaves of these is kept within the bounds
        // that the last mode sets.
        let (beta, face) = (block.beta[LANES - 1], block.face[LANES - 1]);
        let inner_bound = 2.0 * face / (beta * beta * beta);
        tail.value = tail.value.max(0.0);
        tail.area[0] = tail.area[0].clamp(0.0, tail.value / (beta * beta));
        tail.area[1] = tail.area[1].clamp(-inner_bound, inner_bound);
        self.blocks.push(block);
        self.tails.push(tail);
    }

    /// The decay over a stretch of Fourier time, for the modes that have not vanished at its end.
    pub fn decay(&mut self, fourier: f64) -> Decay {
        let mut count = 0;
        while self.grow(count + 1) > count && self.blocks[count].beta_squared[0] * fourier < DECAYED {
            count += 1;
        }
        let blocks = self.blocks[..count].iter().map(|block| {
            let factor = block.beta_squared.map(|beta_squared| (-beta_squared * fourier).exp());
            let area = std::array::from_fn(|lane| {
                let exponent = block.beta_squared[lane] * fourier;
                // The plain difference loses digits only where next to nothing decays.
                let decayed = if exponent < 1e-3 { -(-exponent).exp_m1() } else { 1.0 - factor[lane] };
                decayed / block.beta_squared[lane]
            });
            DecayBlock { face: block.face, factor, area }
        });
        Decay { fourier, blocks: blocks.collect() }
    }
}

/// sin θ and cos θ for tan θ = 1/u, exact for a bare face (u = 0).
fn angle(u: f64) -> (f64, f64) {
    let sin = 1.0 / (1.0 + u * u).sqrt();
    (sin, u * sin)
}

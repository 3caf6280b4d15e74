//! The activity across the slab, carried through stretches of time.

use super::crossing::{Terms, area_above_zero};
use super::modes::{Block, Decay, LANES, Modes};

/// The activity across a slab.
///
/// The modes in `amplitude` hold the profile's own components; every mode beyond them is at the steady state
/// for the outside activities `outer` and `inner`, which the profile saw last.
#[derive(Debug, Clone)]
pub struct Profile {
    pub(super) outer: f64,
    pub(super) inner: f64,
    pub(super) amplitude: Vec<[f64; LANES]>,
}

/// What a stretch of time left behind.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Passage {
    /// Activity at the outer face at the end.
    pub face: f64,
    /// Mean activity of the slab at the end.
    pub mean: f64,
    /// ∫ max(0, face - threshold) ds over the stretch, in Fourier time.
    pub area_above: f64,
}

impl Profile {
    /// The same activity everywhere.
    #[must_use]
    pub fn uniform(activity: f64) -> Self {
        Self { outer: activity, inner: activity, amplitude: Vec::new() }
    }

    /// Carries the profile through one stretch with these activities outside.
    ///
    /// Each mode relaxes towards its share of the steady state: Aₙ(s) = gₙ + (Aₙ - gₙ) exp(-βₙ²s).
    pub fn pass(
        &mut self,
        modes: &mut Modes,
        decay: &Decay,
        outer: f64,
        inner: f64,
        threshold: f64,
    ) -> Passage {
        let jump = [self.outer - outer, self.inner - inner];
        let jumped = jump != [0.0, 0.0];
        let count = if jumped { decay.blocks.len() } else { decay.blocks.len().min(self.amplitude.len()) };
        self.keep(modes, count);
        let kept = self.amplitude.len();

        let (steady_face, slope) = modes.faces().steady(outer, inner);
        let [mut face, mut mean, mut area, mut low, mut high] = [[0.0; LANES]; 5];
        for ((amplitude, mode), decay) in self.amplitude.iter().zip(&modes.blocks).zip(&decay.blocks) {
            for lane in 0..LANES {
                let deviation = amplitude[lane] - drive(mode, lane, outer, inner);
                let start = deviation * mode.face[lane];
                let end = start * decay.factor[lane];
                face[lane] += end;
                mean[lane] += deviation * decay.factor[lane] * mode.mean[lane];
                area[lane] += deviation * decay.area[lane];
                low[lane] += if start < end { start } else { end };
                high[lane] += if start < end { end } else { start };
            }
        }

        // Modes that vanish within the stretch.
        for (amplitude, mode) in self.amplitude.iter().zip(&modes.blocks).skip(count) {
            for lane in 0..LANES {
                let start = (amplitude[lane] - drive(mode, lane, outer, inner)) * mode.face[lane];
                area[lane] += start / mode.beta_squared[lane];
                low[lane] += if start < 0.0 { start } else { 0.0 };
                high[lane] += if start < 0.0 { 0.0 } else { start };
            }
        }
        // The modes that are not kept carry only the jump, and only for a moment.
        let tail = modes.tails[kept];
        let tail_value = tail.value * jump[0];
        let tail_margin = if jump[1] == 0.0 { 0.0 } else { jump[1].abs() * inner_margin(modes, kept) };
        let level = steady_face - threshold;
        let lowest = level + sum(low) + tail_value.min(0.0) - tail_margin;
        let highest = level + sum(high) + tail_value.max(0.0) + tail_margin;
        let area_above = if lowest >= 0.0 {
            level * decay.fourier + sum(area) + tail.area[0] * jump[0] + tail.area[1] * jump[1]
        } else if highest <= 0.0 {
            0.0
        } else {
            let terms = self.face_terms(modes, decay, (outer, inner), jump);
            area_above_zero(level, &terms, decay.fourier)
        };

        self.amplitude.truncate(count);
        for ((amplitude, mode), decay) in self.amplitude.iter_mut().zip(&modes.blocks).zip(&decay.blocks) {
            for lane in 0..LANES {
                let target = drive(mode, lane, outer, inner);
                amplitude[lane] = target + (amplitude[lane] - target) * decay.factor[lane];
            }
        }
        (self.outer, self.inner) = (outer, inner);
        Passage { face: steady_face + sum(face), mean: steady_face + slope / 2.0 + sum(mean), area_above }
    }

    /// The activity at relative depth ξ, 0 at the outer face and 1 at the inner one.
    #[must_use]
    pub fn at(&self, modes: &Modes, depth: f64) -> f64 {
        let (face, slope) = modes.faces().steady(self.outer, self.inner);
        let mut activity = face + slope * depth;
        for (amplitude, mode) in self.amplitude.iter().zip(&modes.blocks) {
            for lane in 0..LANES {
                let deviation = amplitude[lane] - drive(mode, lane, self.outer, self.inner);
                let sine = mode.outer_drive[lane] * mode.beta[lane] * mode.norm[lane];
                let (sin, cos) = (mode.beta[lane] * depth).sin_cos();
                activity += deviation * (mode.face[lane] * cos + sine * sin);
            }
        }
        activity
    }

    /// The activity when no modes have been needed yet: the same everywhere.
    #[must_use]
    pub fn uniform_activity(&self) -> f64 {
        self.outer
    }

    /// Holds at least the first `count` blocks of modes as amplitudes of their own.
    fn keep(&mut self, modes: &Modes, count: usize) {
        for mode in modes.blocks[..count].iter().skip(self.amplitude.len()) {
            self.amplitude.push(std::array::from_fn(|lane| drive(mode, lane, self.outer, self.inner)));
        }
    }

    /// The exponentials that the face's departure from its steady state consists of; after a jump with a
    /// good part of the modes that carry nothing else as well.
    fn face_terms(&self, modes: &mut Modes, decay: &Decay, outside: (f64, f64), jump: [f64; 2]) -> Terms {
        let kept = self.amplitude.len();
        let count = if jump == [0.0, 0.0] { kept } else { modes.grow((4 * kept).max(4)) };
        let mut terms = Terms::with_capacity(count * LANES);
        for (n, mode) in modes.blocks[..count].iter().enumerate() {
            for lane in 0..LANES {
                let start = match self.amplitude.get(n) {
                    Some(amplitude) => amplitude[lane] - drive(mode, lane, outside.0, outside.1),
                    None => drive(mode, lane, jump[0], jump[1]),
                };
                let factor = match decay.blocks.get(n) {
                    Some(decay) => decay.factor[lane],
                    None => (-mode.beta_squared[lane] * decay.fourier).exp(),
                };
                terms.push(start * mode.face[lane], factor, mode.beta_squared[lane]);
            }
        }
        terms
    }
}

/// Amplitude of one mode in the steady state between two outside activities.
pub(super) fn drive(mode: &Block, lane: usize, outer: f64, inner: f64) -> f64 {
    mode.outer_drive[lane] * outer + mode.inner_drive[lane] * inner
}

fn sum(lanes: [f64; LANES]) -> f64 {
    (lanes[0] + lanes[1]) + (lanes[2] + lanes[3])
}

/// Bound of what the modes beyond `count` blocks show of a unit change of the inner activity at the outer
/// face: their terms alternate and shrink, so the first one, below 2φ(0)/β, bounds them.
fn inner_margin(modes: &Modes, count: usize) -> f64 {
    match count.checked_sub(1) {
        Some(last) => 2.0 * modes.blocks[last].face[LANES - 1] / modes.blocks[last].beta[LANES - 1],
        None => modes.faces().outer.min(1.0),
    }
}

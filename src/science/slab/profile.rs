//! The activity across the slab, carried through stretches of time.

use super::crossing::{FaceCourse, Term, half_space_until};
use super::modes::{Block, Decay, LANES, Modes};

/// Deviations below this are nothing; left alone they would decay into denormal numbers, which are slow.
const NOTHING: f64 = 1e-30;

/// The activity across a slab: the steady state between the activities `outer` and `inner` outside, and deviations
/// from it. Modes beyond the deviations do not deviate.
#[derive(Debug, Clone)]
pub struct Profile {
    pub(super) outer: f64,
    pub(super) inner: f64,
    pub(super) deviation: Vec<[f64; LANES]>,
    /// Room for what the modes show at the outer face while it is walked through a stretch.
    terms: Vec<Term>,
}

/// What a stretch of time left behind.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Passage {
    /// Activity at the outer face at the end.
    pub face: f64,
    /// `∫ max(0, face - threshold) ds` over the stretch, in Fourier time.
    pub area_above: f64,
}

/// How far a profile has come from an earlier one under the same activities outside.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    /// In the amplitude of the mode that fades last.
    pub slowest: f64,
    /// Of all other modes together, at most, anywhere in the slab.
    pub others: f64,
}

impl Profile {
    /// The same activity everywhere.
    #[must_use]
    pub fn uniform(activity: f64) -> Self {
        Self::new(activity, activity, Vec::new())
    }

    pub(super) fn new(outer: f64, inner: f64, deviation: Vec<[f64; LANES]>) -> Self {
        Self { outer, inner, deviation, terms: Vec::new() }
    }

    /// Carries the profile through one stretch with these activities outside: each deviation decays as exp(-β²s).
    pub fn pass(&mut self, modes: &Modes, decay: &Decay, outer: f64, inner: f64, threshold: f64) -> Passage {
        let jump = [self.outer - outer, self.inner - inner];
        let jumped = jump != [0.0, 0.0];
        if jumped {
            self.take_jump(modes, jump, decay.blocks.len());
        }
        (self.outer, self.inner) = (outer, inner);

        let (steady_face, _) = modes.faces().steady(outer, inner);
        let level = steady_face - threshold;
        // Each term is monotone: the sums of their lower and of their higher ends bound the face's course.
        let [mut face, mut area, mut low, mut high] = [[0.0; LANES]; 4];
        let lasting = decay.blocks.len();
        // Modes that vanish within the stretch.
        for (deviation, mode) in self.deviation.iter().zip(&modes.blocks).skip(lasting) {
            for lane in 0..LANES {
                let start = deviation[lane] * mode.face[lane];
                area[lane] += start / mode.beta_squared[lane];
                low[lane] += start.min(0.0);
                high[lane] += start.max(0.0);
            }
        }
        for (deviation, decay) in self.deviation.iter().zip(&decay.blocks) {
            for lane in 0..LANES {
                let start = deviation[lane] * decay.face[lane];
                let end = start * decay.factor[lane];
                face[lane] += end;
                area[lane] += start * decay.area[lane];
                low[lane] += if start < end { start } else { end };
                high[lane] += if start < end { end } else { start };
            }
        }
        // The modes beyond carry only the jump, and only for a moment.
        let tail = modes.tails[self.deviation.len()];
        let flash = tail.value * jump[0];
        let margin = if jump[1] == 0.0 { 0.0 } else { jump[1].abs() * self.inner_margin(modes) };
        let whole_area = level * decay.fourier + sum(area) + tail.area[0] * jump[0] + tail.area[1] * jump[1];
        let area_above = if level + sum(low) + flash.min(0.0) - margin >= 0.0 {
            whole_area
        } else if level + sum(high) + flash.max(0.0) + margin <= 0.0 {
            0.0
        } else {
            self.area_above(modes, decay, jump, level, (level + sum(face), whole_area))
        };

        self.deviation.truncate(lasting);
        for (deviation, decay) in self.deviation.iter_mut().zip(&decay.blocks) {
            for lane in 0..LANES {
                let end = deviation[lane] * decay.factor[lane];
                deviation[lane] = if end.abs() < NOTHING { 0.0 } else { end };
            }
        }
        Passage { face: steady_face + sum(face), area_above }
    }

    /// Mean activity of the slab.
    #[must_use]
    pub fn mean(&self, modes: &Modes) -> f64 {
        let (face, slope) = modes.faces().steady(self.outer, self.inner);
        let mut mean = [0.0; LANES];
        for (deviation, mode) in self.deviation.iter().zip(&modes.blocks) {
            for lane in 0..LANES {
                mean[lane] += deviation[lane] * mode.mean[lane];
            }
        }
        face + slope / 2.0 + sum(mean)
    }

    /// What has changed since `before`; none where the activities outside differ.
    #[must_use]
    #[expect(clippy::float_cmp, reason = "the very same conditions come back, or others do")]
    pub fn change_since(&self, before: &Self) -> Option<Change> {
        if self.outer != before.outer || self.inner != before.inner {
            return None;
        }
        let amplitude = |profile: &Self, block: usize, lane: usize| {
            profile.deviation.get(block).map_or(0.0, |lanes| lanes[lane])
        };
        let mut others = [0.0; LANES];
        for block in 0..self.deviation.len().max(before.deviation.len()) {
            for lane in 0..LANES {
                others[lane] += (amplitude(self, block, lane) - amplitude(before, block, lane)).abs();
            }
        }
        let slowest = amplitude(self, 0, 0) - amplitude(before, 0, 0);
        others[0] -= slowest.abs();
        Some(Change { slowest, others: sum(others) })
    }

    /// The activity at relative depth ξ, 0 at the outer face and 1 at the inner one.
    #[must_use]
    pub fn at(&self, modes: &Modes, depth: f64) -> f64 {
        let (face, slope) = modes.faces().steady(self.outer, self.inner);
        let mut activity = face + slope * depth;
        for (deviation, mode) in self.deviation.iter().zip(&modes.blocks) {
            for lane in 0..LANES {
                let sine = mode.outer_drive[lane] * mode.beta[lane] * mode.norm[lane];
                let (sin, cos) = (mode.beta[lane] * depth).sin_cos();
                activity += deviation[lane] * (mode.face[lane] * cos + sine * sin);
            }
        }
        activity
    }

    /// The activity while no slab has shaped the profile yet: the same everywhere.
    #[must_use]
    pub fn uniform_activity(&self) -> f64 {
        self.outer
    }

    /// Turns a fall of the activities outside into deviations, of the first `count` blocks of modes at least.
    fn take_jump(&mut self, modes: &Modes, jump: [f64; 2], count: usize) {
        for (deviation, mode) in self.deviation.iter_mut().zip(&modes.blocks) {
            for lane in 0..LANES {
                deviation[lane] += drive(mode, lane, jump);
            }
        }
        for mode in modes.blocks[..count].iter().skip(self.deviation.len()) {
            self.deviation.push(std::array::from_fn(|lane| drive(mode, lane, jump)));
        }
    }

    /// `∫ max(0, face - threshold) ds` where the face may cross the threshold; `end`: its height over the threshold
    /// at the end, and the area as if negative parts counted.
    fn area_above(
        &mut self,
        modes: &Modes,
        decay: &Decay,
        jump: [f64; 2],
        level: f64,
        end: (f64, f64),
    ) -> f64 {
        let half_space = half_space_until(jump);
        self.terms.clear();
        for (deviation, mode) in self.deviation.iter().zip(&modes.blocks) {
            let sudden: [f64; LANES] = std::array::from_fn(|lane| drive(mode, lane, jump));
            let term = Term {
                before: std::array::from_fn(|lane| (deviation[lane] - sudden[lane]) * mode.face[lane]),
                sudden: std::array::from_fn(|lane| sudden[lane] * mode.face[lane]),
                beta_squared: mode.beta_squared,
            };
            if term.shows(half_space, decay.fourier) {
                self.terms.push(term);
            }
        }
        let tail = modes.tails[self.deviation.len()];
        let faces = modes.faces();
        FaceCourse {
            terms: &self.terms,
            level_before: level + faces.steady(jump[0], jump[1]).0,
            level,
            fall: jump[0],
            resistance: faces.outer,
            half_space,
            rest_area: tail.area[0] * jump[0] + tail.area[1] * jump[1],
        }
        .area_above_zero(decay.fourier, end)
    }

    /// Bound of what the modes beyond the deviations show of a unit change of the inner activity at the outer face:
    /// their terms alternate and shrink, so the first one, below 2φ(0)/β, bounds them.
    fn inner_margin(&self, modes: &Modes) -> f64 {
        match self.deviation.len().checked_sub(1) {
            Some(last) => 2.0 * modes.blocks[last].face[LANES - 1] / modes.blocks[last].beta[LANES - 1],
            None => modes.faces().outer.min(1.0),
        }
    }
}

/// Amplitude of one mode in the steady state between two outside activities.
pub(super) fn drive(mode: &Block, lane: usize, outside: [f64; 2]) -> f64 {
    mode.outer_drive[lane] * outside[0] + mode.inner_drive[lane] * outside[1]
}

/// Sum over the lanes.
pub(super) fn sum(lanes: [f64; LANES]) -> f64 {
    (lanes[0] + lanes[1]) + (lanes[2] + lanes[3])
}

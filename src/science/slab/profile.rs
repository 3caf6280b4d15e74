//! The activity across the slab, carried through stretches of time.

use super::crossing::{FaceCourse, Flash};
use super::modes::{Block, Decay, LANES, Modes};

/// Deviations below this are nothing; left alone they would decay into denormal numbers, which are slow.
const NOTHING: f64 = 1e-30;

/// A crossing of the threshold within this share of a stretch needs more modes, unless those left out make up less
/// than `SHARP` of the activity.
const EARLY: f64 = 0.05;

/// See `EARLY`.
const SHARP: f64 = 0.05;

/// The activity across a slab: the steady state between the activities `outer` and `inner` outside, and deviations
/// from it. Modes beyond the deviations do not deviate.
#[derive(Debug, Clone)]
pub struct Profile {
    pub(super) outer: f64,
    pub(super) inner: f64,
    pub(super) deviation: Vec<[f64; LANES]>,
}

/// What a stretch of time left behind.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Passage {
    /// Activity at the outer face at the end.
    pub face: f64,
    /// Mean activity of the slab at the end.
    pub mean: f64,
    /// `∫ max(0, face - threshold) ds` over the stretch, in Fourier time.
    pub area_above: f64,
}

impl Profile {
    /// The same activity everywhere.
    #[must_use]
    pub fn uniform(activity: f64) -> Self {
        Self { outer: activity, inner: activity, deviation: Vec::new() }
    }

    /// Carries the profile through one stretch with these activities outside: each deviation decays as exp(-β²s).
    pub fn pass(
        &mut self,
        modes: &mut Modes,
        decay: &mut Decay,
        outer: f64,
        inner: f64,
        threshold: f64,
    ) -> Passage {
        let jump = [self.outer - outer, self.inner - inner];
        let jumped = jump != [0.0, 0.0];
        if jumped {
            self.take_jump(modes, jump, decay.blocks.len());
        }
        (self.outer, self.inner) = (outer, inner);

        let [mut face, mut mean, mut area, mut low] = [[0.0; LANES]; 4];
        for ((deviation, mode), decay) in self.deviation.iter().zip(&modes.blocks).zip(&decay.blocks) {
            for lane in 0..LANES {
                let start = deviation[lane] * mode.face[lane];
                let end = start * decay.factor[lane];
                face[lane] += end;
                mean[lane] += deviation[lane] * decay.factor[lane] * mode.mean[lane];
                area[lane] += start * decay.area[lane];
                low[lane] += if start < end { start } else { end };
            }
        }
        // Modes that vanish within the stretch.
        for (deviation, mode) in self.deviation.iter().zip(&modes.blocks).skip(decay.blocks.len()) {
            for lane in 0..LANES {
                let start = deviation[lane] * mode.face[lane];
                area[lane] += start / mode.beta_squared[lane];
                low[lane] += if start < 0.0 { start } else { 0.0 };
            }
        }
        // The modes beyond carry only the jump, and only for a moment.
        let tail = modes.tails[self.deviation.len()];
        let margin = if jump[1] == 0.0 { 0.0 } else { jump[1].abs() * self.inner_margin(modes) };

        let (steady_face, slope) = modes.faces().steady(outer, inner);
        let level = steady_face - threshold;
        let area_above = if level + sum(low) + (tail.value * jump[0]).min(0.0) - margin >= 0.0 {
            level * decay.fourier + sum(area) + tail.area[0] * jump[0] + tail.area[1] * jump[1]
        } else if level + self.highest(modes, decay) + (tail.value * jump[0]).max(0.0) + margin <= 0.0 {
            0.0
        } else {
            self.area_above(modes, decay, jump, level)
        };

        self.deviation.truncate(decay.blocks.len());
        for (deviation, decay) in self.deviation.iter_mut().zip(&decay.blocks) {
            for lane in 0..LANES {
                let end = deviation[lane] * decay.factor[lane];
                deviation[lane] = if end.abs() < NOTHING { 0.0 } else { end };
            }
        }
        Passage { face: steady_face + sum(face), mean: steady_face + slope / 2.0 + sum(mean), area_above }
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

    /// Bound from above of what the deviations add to the face through a stretch: each term is monotone.
    fn highest(&self, modes: &Modes, decay: &Decay) -> f64 {
        let mut high = [0.0; LANES];
        for (n, (deviation, mode)) in self.deviation.iter().zip(&modes.blocks).enumerate() {
            let factor = decay.blocks.get(n).map_or([0.0; LANES], |decay| decay.factor);
            for lane in 0..LANES {
                let start = deviation[lane] * mode.face[lane];
                high[lane] += start.max(start * factor[lane]);
            }
        }
        sum(high)
    }

    /// `∫ max(0, face - threshold) ds` where the face may cross the threshold.
    ///
    /// Modes that do not outlast the stretch shape its beginning after a jump: twice as many are taken along, and
    /// many more where a sharp course crosses the threshold early.
    fn area_above(&self, modes: &mut Modes, decay: &mut Decay, jump: [f64; 2], level: f64) -> f64 {
        let kept = self.deviation.len();
        if jump == [0.0, 0.0] {
            return self.face_course(modes, decay, jump, level, kept).area_above_zero().0;
        }
        let lasting = decay.blocks.len() + 1;
        let count = kept.max(modes.grow(2 * lasting));
        let (area, beginning) = self.face_course(modes, decay, jump, level, count).area_above_zero();
        if beginning > EARLY || (modes.tails[count].value * jump[0]).abs() < SHARP {
            return area;
        }
        let count = kept.max(modes.grow(8 * lasting));
        self.face_course(modes, decay, jump, level, count).area_above_zero().0
    }

    /// How the outer face goes through a stretch, with `count` blocks of modes.
    fn face_course(
        &self,
        modes: &Modes,
        decay: &mut Decay,
        jump: [f64; 2],
        level: f64,
        count: usize,
    ) -> FaceCourse {
        let tail = modes.tails[count];
        let flash = Flash {
            start: tail.value * jump[0],
            rate: if tail.area[0] > 0.0 { (tail.value / tail.area[0]).max(0.0) } else { 0.0 },
            inner_area: tail.area[1] * jump[1],
        };
        let mut course = FaceCourse::new(level, decay.fourier, flash);
        let factors = decay.factors(modes, count);
        for (n, (mode, factor)) in modes.blocks.iter().zip(factors).take(count).enumerate() {
            let deviation = match self.deviation.get(n) {
                Some(deviation) => *deviation,
                None => std::array::from_fn(|lane| drive(mode, lane, jump)),
            };
            course.push(
                std::array::from_fn(|lane| deviation[lane] * mode.face[lane]),
                *factor,
                mode.beta_squared,
            );
        }
        course
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

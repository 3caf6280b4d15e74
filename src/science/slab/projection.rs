//! Carrying a profile over to the modes of another slab: another skin, or a thinner laminate.

use super::modes::{LANES, Modes};
use super::profile::{Profile, drive};

/// Blocks of the new modes beyond twice those of the old ones that take part.
const EXTRA_BLOCKS: usize = 4;

/// Below this relative difference of β² the quotient form of the overlap loses digits.
const CLOSE: f64 = 1e-6;

/// A deviation cos(kη - ψ) of the old profile over the new slab, by its ends.
struct Wave {
    size: f64,
    number: f64,
    /// Value and slope at the new outer face (η = 0) and at the inner face (η = 1).
    outer: (f64, f64),
    inner: (f64, f64),
}

impl Profile {
    /// This profile of the slab with modes `old`, from relative depth `from` (0 keeps all of it) to its inner
    /// face, in the modes `new`.
    #[must_use]
    pub fn project(&self, old: &Modes, new: &mut Modes, from: f64) -> Self {
        let left = 1.0 - from;
        let (face, slope) = old.faces().steady(self.outer, self.inner);
        let (line_start, line_slope) = (face + slope * from, slope * left);
        let waves = self.waves(old, from);

        // The virtual outside activities: those which would drive the present flux through the new faces. The
        // rest of the profile then meets the new boundary conditions, and its amplitudes fall off fast.
        let mut outer_end = (line_start, line_slope);
        let mut inner_end = (line_start + line_slope, line_slope);
        for wave in &waves {
            outer_end = (outer_end.0 + wave.size * wave.outer.0, outer_end.1 + wave.size * wave.outer.1);
            inner_end = (inner_end.0 + wave.size * wave.inner.0, inner_end.1 + wave.size * wave.inner.1);
        }
        let faces = new.faces();
        let (outer, inner) =
            (outer_end.0 - faces.outer * outer_end.1, inner_end.0 + faces.inner * inner_end.1);

        // A straight line is the steady state for activities found in the same way.
        let rest = [
            line_start - faces.outer * line_slope - outer,
            line_start + line_slope + faces.inner * line_slope - inner,
        ];
        let count = if waves.is_empty() { 0 } else { new.grow(2 * self.deviation.len() + EXTRA_BLOCKS) };
        let deviation = new.blocks[..count].iter().map(|mode| {
            std::array::from_fn(|lane| {
                let beta_squared = mode.beta_squared[lane];
                let mode_wave = Wave {
                    size: 1.0,
                    number: mode.beta[lane],
                    outer: (mode.face[lane], mode.outer_drive[lane] * mode.norm[lane] * beta_squared),
                    inner: (mode.inner_face[lane], -mode.inner_drive[lane] * mode.norm[lane] * beta_squared),
                };
                let overlap: f64 = waves.iter().map(|wave| wave.size * wave.overlap(&mode_wave)).sum();
                drive(mode, lane, rest) + overlap / mode.norm[lane]
            })
        });
        Self::new(outer, inner, deviation.collect())
    }

    fn waves(&self, old: &Modes, from: f64) -> Vec<Wave> {
        let left = 1.0 - from;
        let mut waves = Vec::with_capacity(self.deviation.len() * LANES);
        for (deviation, mode) in self.deviation.iter().zip(&old.blocks) {
            for lane in 0..LANES {
                let (beta, norm) = (mode.beta[lane], mode.norm[lane]);
                let (outer_sin, outer_cos) = (mode.outer_drive[lane] * beta * norm, mode.face[lane]);
                let (sin, cos) = (beta * from).sin_cos();
                let number = beta * left;
                waves.push(Wave {
                    size: deviation[lane],
                    number,
                    outer: (outer_cos * cos + outer_sin * sin, number * (outer_sin * cos - outer_cos * sin)),
                    inner: (mode.inner_face[lane], -number * mode.inner_drive[lane] * beta * norm),
                });
            }
        }
        waves
    }
}

impl Wave {
    /// ∫ of the product of two waves of size 1 over the slab: by Green's identity from their ends alone, or,
    /// for nearly equal wave numbers, as the mean of the difference and the sum wave.
    fn overlap(&self, other: &Self) -> f64 {
        let (k, m) = (self.number * self.number, other.number * other.number);
        if (k - m).abs() > CLOSE * (k + m) {
            let wronskian = |f: (f64, f64), g: (f64, f64)| f.0 * g.1 - f.1 * g.0;
            return (wronskian(self.inner, other.inner) - wronskian(self.outer, other.outer)) / (k - m);
        }
        let phase = |wave: &Self| (wave.outer.1 / wave.number).atan2(wave.outer.0);
        let (self_phase, other_phase) = (phase(self), phase(other));
        let mean = |number: f64, phase: f64| {
            let half = number / 2.0;
            let sinc = if half.abs() < 1e-8 { 1.0 } else { half.sin() / half };
            sinc * (half - phase).cos()
        };
        f64::midpoint(
            mean(self.number - other.number, self_phase - other_phase),
            mean(self.number + other.number, self_phase + other_phase),
        )
    }
}

//! The part of the outer face's course that lies above a threshold.

use super::modes::LANES;
use super::profile::sum;

/// Halvings of a stretch towards its beginning, where a jump is sharpest: at least, so that a face that dips and
/// comes back is seen, and at most.
const HALVINGS: std::ops::Range<u32> = 3..14;

/// The face's height above the threshold through a stretch: a level and terms v·exp(-β²s), of which only the start,
/// the decay over the whole stretch and β² are needed, since half the time is the root of the decay.
pub(super) struct FaceCourse {
    level: f64,
    span: f64,
    flash: Flash,
    terms: Vec<Term>,
}

/// What the modes that are not among the terms do after a jump, as one term with their height and area.
pub(super) struct Flash {
    pub start: f64,
    /// Height over area.
    pub rate: f64,
    /// Area of what the inner face's jump sets off; its height at the outer face is next to nothing.
    pub inner_area: f64,
}

struct Term {
    start: [f64; LANES],
    factor: [f64; LANES],
    /// β².
    rate: [f64; LANES],
    /// start/β²: the area once the term has vanished.
    area: [f64; LANES],
}

impl FaceCourse {
    pub fn new(level: f64, span: f64, flash: Flash) -> Self {
        Self { level, span, flash, terms: Vec::new() }
    }

    pub fn push(&mut self, start: [f64; LANES], factor: [f64; LANES], rate: [f64; LANES]) {
        let area = std::array::from_fn(|lane| start[lane] / rate[lane]);
        self.terms.push(Term { start, factor, rate, area });
    }

    /// `∫ max(0, height) ds` over the stretch, and the share of the stretch from its start that needed no halving.
    ///
    /// The stretch is taken in pieces that halve towards its beginning. In each the height is taken as the parabola
    /// with the same ends and area; only the first piece, which may be sharp, goes by the signs of its ends.
    pub fn area_above_zero(mut self) -> (f64, f64) {
        let start =
            self.terms.iter().map(|term| sum(term.start)).sum::<f64>() + self.level + self.flash.start;
        let mut time = self.span;
        let (mut height, mut area) = self.height_and_area(time);
        let mut above = 0.0;
        for halving in 0..HALVINGS.end {
            if halving >= HALVINGS.start && (start >= 0.0) == (height >= 0.0) {
                break;
            }
            let half = time / 2.0;
            for term in &mut self.terms {
                // The root of a number that has come near to zero would hold no digits.
                term.factor = if term.factor[LANES - 1] > 1e-200 {
                    term.factor.map(f64::sqrt)
                } else {
                    term.rate.map(|rate| (-rate * half).exp())
                };
            }
            let (half_height, half_area) = self.height_and_area(half);
            above += part_above_zero(half_height, height, area - half_area, time - half);
            (time, height, area) = (half, half_height, half_area);
        }
        let beginning = match (start >= 0.0, height >= 0.0) {
            (true, true) => area.max(0.0),
            (false, false) => 0.0,
            _ => part_above_zero(start, height, area, time),
        };
        (above + beginning, time / self.span)
    }

    /// The height at a time for which the terms hold their decay, and the area up to it.
    fn height_and_area(&self, time: f64) -> (f64, f64) {
        let [mut height, mut area] = [[0.0; LANES]; 2];
        for term in &self.terms {
            for lane in 0..LANES {
                height[lane] += term.start[lane] * term.factor[lane];
                area[lane] += term.area[lane] * (1.0 - term.factor[lane]);
            }
        }
        let Flash { start, rate, inner_area } = self.flash;
        let left = (-rate * time).exp();
        let flash_area = if rate > 0.0 { start * (1.0 - left) / rate } else { 0.0 };
        (self.level + sum(height) + start * left, self.level * time + sum(area) + flash_area + inner_area)
    }
}

/// `∫ max(0, h) ds` over a piece of length `width` that goes from height `first` to `last` and holds `area`, with h
/// the parabola through them.
fn part_above_zero(first: f64, last: f64, area: f64, width: f64) -> f64 {
    // h(u) = first + slope·u - bulge·u², u from 0 to 1.
    let bulge = 6.0 * (area / width - f64::midpoint(first, last));
    let slope = last - first + bulge;
    let discriminant = slope * slope + 4.0 * bulge * first;
    let mut crossings = [0.0, 1.0];
    if discriminant > 0.0 {
        let q = f64::midpoint(slope, discriminant.sqrt().copysign(slope));
        crossings = [q / bulge, -first / q].map(|u| if u > 0.0 && u < 1.0 { u } else { 0.0 });
        crossings.sort_by(f64::total_cmp);
    }
    let until = |u: f64| u * (first + u * (slope / 2.0 - u * bulge / 3.0));
    let [early, late] = crossings.map(until);
    width * (early.max(0.0) + (late - early).max(0.0) + (until(1.0) - late).max(0.0))
}

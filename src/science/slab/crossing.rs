//! The part of the outer face's course that lies above a threshold, where it may cross it within a stretch.
//!
//! A sudden change outside is sharpest at the face, and there the slab does not yet feel its thickness: a unit change
//! over a face of resistance r leaves a half-space at
//!
//! ```text
//! E(τ) = exp(τ) erfc(√τ), τ = s/r², with ∫₀ˢ E ds = r² (E(τ) - 1 + 2 √(τ/π))
//! ```
//!
//! (Carslaw and Jaeger 1959, section 2.7; Crank 1975, section 3.3.3). So the face is the sum of what was there before
//! and of this; later a few modes are all that is left. Height and area are exact at any time either way, and an
//! error of the time of a crossing enters the area only by its square.

use statrs::function::erf::erfc;
use std::f64::consts::{FRAC_2_SQRT_PI, PI};

use super::modes::LANES;
use super::profile::sum;

/// Until this Fourier time the slab is a half-space, to e⁻¹⁴ = 1e-6 of a change outside.
const HALF_SPACE: f64 = 0.07;

/// The same where the activity inside changes too: erfc(1/2√s) = 5e-5 of it has come through to the outer face.
const HALF_SPACE_BOTH: f64 = 0.03;

/// Steps towards a crossing, each between the nearest times known on its two sides.
const STEPS: usize = 8;

/// Halvings of a part in which the course turns on one side of the threshold.
const HALVINGS: u32 = 3;

/// A crossing is met when the face is this close to the threshold, in activity.
const MET: f64 = 1e-5;

/// Modes that show less than this at the face are left out.
const SHOWN: f64 = 1e-6;

/// Some modes as they show at the outer face at the start of a stretch.
#[derive(Debug, Clone, Copy)]
pub(super) struct Term {
    /// What was there before the activities outside changed.
    pub before: [f64; LANES],
    /// What that change added.
    pub sudden: [f64; LANES],
    /// β².
    pub beta_squared: [f64; LANES],
}

impl Term {
    /// Whether it is to be seen within a stretch: the sudden part only counts once the half-space no longer holds.
    pub fn shows(&self, half_space: f64, fourier: f64) -> bool {
        let long = fourier > half_space;
        (0..LANES).any(|lane| self.before[lane].abs() > SHOWN || (long && self.sudden[lane].abs() > SHOWN))
    }
}

/// How long a slab is a half-space to its outer face after these changes of the activities outside.
pub(super) fn half_space_until(jump: [f64; 2]) -> f64 {
    match jump {
        [0.0, 0.0] => 0.0,
        [_, 0.0] => HALF_SPACE,
        _ => HALF_SPACE_BOTH,
    }
}

/// A root of time with the height and the area at that time.
type Point = (f64, (f64, f64));

/// How the outer face goes through a stretch.
pub(super) struct FaceCourse<'a> {
    pub terms: &'a [Term],
    /// The steady height above the threshold before and after the activities outside changed.
    pub level_before: f64,
    pub level: f64,
    /// The fall of the activity outside, and the resistance of the face to it.
    pub fall: f64,
    pub resistance: f64,
    /// The Fourier time until which the slab counts as a half-space.
    pub half_space: f64,
    /// Area of the sudden modes that are not among the terms.
    pub rest_area: f64,
}

impl FaceCourse<'_> {
    /// Height above the threshold at a Fourier time, and its integral up to it.
    fn at(&self, time: f64) -> (f64, f64) {
        let halved = time <= self.half_space;
        let [mut height, mut area] = [[0.0; LANES]; 2];
        for term in self.terms {
            for lane in 0..LANES {
                let start = term.before[lane] + if halved { 0.0 } else { term.sudden[lane] };
                let left = start * (-term.beta_squared[lane] * time).exp();
                height[lane] += left;
                area[lane] += (start - left) / term.beta_squared[lane];
            }
        }
        let (height, area) = (sum(height), sum(area));
        if !halved {
            return (self.level + height, self.level * time + area + self.rest_area);
        }
        let (left, left_area) = half_space(time, self.resistance);
        (
            self.level_before + height - self.fall * (1.0 - left),
            self.level_before * time + area - self.fall * (time - left_area),
        )
    }

    fn start(&self) -> f64 {
        self.level_before + self.terms.iter().map(|term| sum(term.before)).sum::<f64>()
    }

    /// `∫ max(0, height) ds` over the whole stretch, at whose end height and area are `end`.
    pub fn area_above_zero(&self, time: f64, end: (f64, f64)) -> f64 {
        // Over the square root of time a sudden change begins as a straight line.
        let whole = time.sqrt();
        let points = [(0.0, (self.start(), 0.0)), (whole / 2.0, self.at(time / 4.0)), (whole, end)];
        self.between(points[0], points[1], points[2], HALVINGS)
            + self.between(points[1], points[2], points[0], HALVINGS)
    }

    /// The same between two roots of time, each with its height and area; `third` lies outside.
    fn between(&self, early: Point, late: Point, third: Point, halvings: u32) -> f64 {
        let (from, to) = (early.1, late.1);
        if (from.0 > 0.0) != (to.0 > 0.0) {
            let (_, (_, area)) = self.crossing(early, late, third);
            return (if from.0 > 0.0 { area - from.1 } else { to.1 - area }).max(0.0);
        }
        // A course that only rises or only falls has its mean between its ends; one that turns is looked at closer.
        let mean = (to.1 - from.1) / (late.0 * late.0 - early.0 * early.0);
        let turns = if from.0 > 0.0 { mean < from.0.min(to.0) } else { mean > from.0.max(to.0) };
        if turns && halvings > 0 {
            let root = f64::midpoint(early.0, late.0);
            let middle = (root, self.at(root * root));
            return self.between(early, middle, late, halvings - 1)
                + self.between(middle, late, early, halvings - 1);
        }
        if from.0 > 0.0 { (to.1 - from.1).max(0.0) } else { 0.0 }
    }

    /// Where the course crosses zero between two points on both sides of it: the parabola of the root of time over the
    /// height through three points, kept to the bracket.
    fn crossing(&self, mut early: Point, mut late: Point, mut third: Point) -> Point {
        let above_first = early.1.0 > 0.0;
        for _ in 0..STEPS {
            let root = inverse_parabola(early, late, third)
                .filter(|&root| root > early.0 && root < late.0)
                .unwrap_or_else(|| f64::midpoint(early.0, late.0));
            let met = (root, self.at(root * root));
            if met.1.0.abs() < MET {
                return met;
            }
            if (met.1.0 > 0.0) == above_first {
                (third, early) = (early, met);
            } else {
                (third, late) = (late, met);
            }
        }
        if early.1.0.abs() < late.1.0.abs() { early } else { late }
    }
}

/// The root of time at which the parabola through three points, taken over their heights, is at height zero
/// (Lagrange's form).
fn inverse_parabola(one: Point, two: Point, three: Point) -> Option<f64> {
    let share = |this: Point, other: Point, another: Point| {
        let [height, beside, beyond] = [this.1.0, other.1.0, another.1.0];
        this.0 * beside * beyond / ((height - beside) * (height - beyond))
    };
    let root = share(one, two, three) + share(two, three, one) + share(three, one, two);
    root.is_finite().then_some(root)
}

/// What is left at the face of a half-space of a unit change outside, and its integral.
fn half_space(time: f64, resistance: f64) -> (f64, f64) {
    let square = resistance * resistance;
    if square == 0.0 || time == 0.0 {
        return (if time == 0.0 { 1.0 } else { 0.0 }, 0.0);
    }
    let tau = time / square;
    let root = tau.sqrt();
    let left = if tau < 30.0 {
        tau.exp() * erfc(root)
    } else {
        // The asymptotic series; the first term left out is below 1e-7 of the sum.
        let x = 0.5 / tau;
        (1.0 - x * (1.0 - 3.0 * x * (1.0 - 5.0 * x * (1.0 - 7.0 * x)))) / (root * PI.sqrt())
    };
    (left, square * (left - 1.0 + FRAC_2_SQRT_PI * root))
}

//! A slow, plain finite-volume solver of the same model, for comparison.
//!
//! Cells grow from both faces inwards; time steps grow from the start of each segment and are taken with the
//! two-stage, second-order, L-stable diagonally implicit rule (Alexander 1977); exposure is added up by trapezoids.

use garboard::science::exposure::{HullWater, SECONDS_PER_DAY, SECONDS_PER_YEAR, Segment, SegmentEnd};

const CELLS: u32 = 160;
const STEPS: u32 = 48;
const GAS_CONSTANT: f64 = 8.314_462_618;

pub struct FiniteVolumes {
    steps: u32,
    widths: Vec<f64>,
    activity: Vec<f64>,
    exposure_years: f64,
}

impl FiniteVolumes {
    pub fn new(initial_activity: f64) -> Self {
        Self::with_grid(initial_activity, CELLS, STEPS)
    }

    /// With so many cells, and so many steps a segment.
    pub fn with_grid(initial_activity: f64, cells: u32, steps: u32) -> Self {
        // Fine cells at both faces, the first a 25,000th of the thickness: short stretches go no deeper than a
        // hundredth of it.
        let edge = |n: u32| {
            let u = f64::from(n) / f64::from(cells);
            u * u / (u * u + (1.0 - u) * (1.0 - u))
        };
        let widths: Vec<f64> = (0..cells).map(|n| edge(n + 1) - edge(n)).collect();
        let activity = vec![initial_activity; widths.len()];
        Self { steps, widths, activity, exposure_years: 0.0 }
    }

    pub fn advance(&mut self, hull: &HullWater, segment: &Segment) -> SegmentEnd {
        let laminate = &hull.laminate;
        let faster = |energy: f64| {
            (-energy / GAS_CONSTANT * (1.0 / (segment.temperature_c + 273.15) - 1.0 / 288.15)).exp()
        };
        let arrhenius = faster(laminate.activation_energy_j_mol);
        let diffusivity = laminate.diffusivity_15c_m2_s * arrhenius;
        let conductivity = diffusivity * laminate.capacity_kg_m3;
        let skin = segment.skin_resistance_15c_m2_s_kg / arrhenius;
        let lining = hull.inner_resistance_m2_s_kg / arrhenius;
        let metres: Vec<f64> = self.widths.iter().map(|width| width * laminate.thickness_m).collect();

        // Conductances outside, between the cells, and inside.
        let count = metres.len();
        let mut conductance = vec![0.0; count + 1];
        conductance[0] = 1.0 / (skin + metres[0] / 2.0 / conductivity);
        for n in 1..count {
            conductance[n] = conductivity / (f64::midpoint(metres[n - 1], metres[n]));
        }
        conductance[count] = 1.0 / (lining + metres[count - 1] / 2.0 / conductivity);
        let storage: Vec<f64> = metres.iter().map(|metre| metre * laminate.capacity_kg_m3).collect();

        let through_skin = (hull.reference_skin_resistance_m2_s_kg + hull.pocket_resistance_m2_s_kg)
            / (segment.skin_resistance_15c_m2_s_kg + hull.pocket_resistance_m2_s_kg);
        let hydrolysis = faster(hull.hydrolysis_activation_energy_j_mol);
        let face = |activity: &[f64]| {
            segment.outer_activity - (segment.outer_activity - activity[0]) * conductance[0] * skin
        };
        let rate = |face: f64| {
            let above = (face - hull.threshold_activity) / (1.0 - hull.threshold_activity);
            through_skin * hydrolysis * above.max(0.0)
        };

        let seconds = segment.days * SECONDS_PER_DAY;
        let mut rate_before = rate(face(&self.activity));
        for step in 0..self.steps {
            let at = |n: u32| seconds * (f64::from(n) / f64::from(self.steps)).powi(2);
            let length = at(step + 1) - at(step);
            self.step(length, &conductance, &storage, segment);
            let rate_after = rate(face(&self.activity));
            self.exposure_years += length * f64::midpoint(rate_before, rate_after) / SECONDS_PER_YEAR;
            rate_before = rate_after;
        }
        SegmentEnd {
            outer_face_activity: face(&self.activity),
            mean_activity: self.activity.iter().zip(&self.widths).map(|(a, width)| a * width).sum(),
            exposure_years: self.exposure_years,
        }
    }

    fn step(&mut self, length: f64, conductance: &[f64], storage: &[f64], segment: &Segment) {
        let gamma = 1.0 - 0.5_f64.sqrt();
        let flow = |activity: &[f64]| -> Vec<f64> {
            (0..activity.len())
                .map(|n| {
                    let before = if n == 0 { segment.outer_activity } else { activity[n - 1] };
                    let after = activity.get(n + 1).copied().unwrap_or(segment.inner_activity);
                    (conductance[n] * (before - activity[n]) + conductance[n + 1] * (after - activity[n]))
                        / storage[n]
                })
                .collect()
        };
        let first = solve(&self.activity, gamma * length, conductance, storage, segment);
        let slope = flow(&first);
        let start: Vec<f64> =
            self.activity.iter().zip(&slope).map(|(a, slope)| a + (1.0 - gamma) * length * slope).collect();
        self.activity = solve(&start, gamma * length, conductance, storage, segment);
    }
}

/// Solves (1 - h·L) a = start by elimination along the row of cells.
fn solve(start: &[f64], length: f64, conductance: &[f64], storage: &[f64], segment: &Segment) -> Vec<f64> {
    let count = start.len();
    let (mut upper, mut right) = (vec![0.0; count], vec![0.0; count]);
    for n in 0..count {
        let (out, on) = (length * conductance[n] / storage[n], length * conductance[n + 1] / storage[n]);
        let mut diagonal = 1.0 + out + on;
        let mut value = start[n];
        if n == 0 {
            value += out * segment.outer_activity;
        } else {
            diagonal -= out * upper[n - 1];
            value += out * right[n - 1];
        }
        if n + 1 == count {
            value += on * segment.inner_activity;
        }
        upper[n] = on / diagonal;
        right[n] = value / diagonal;
    }
    for n in (0..count - 1).rev() {
        right[n] += upper[n] * right[n + 1];
    }
    right
}

//! The water in one laminate, carried from segment to segment.

use super::{HullWater, Laminate, SECONDS_PER_DAY, SECONDS_PER_YEAR, Segment, SegmentEnd};
use crate::science::arrhenius;
use crate::science::slab::{Decay, Faces, Modes, Profile};

/// Stretches of time whose decay is remembered: the months of the year afloat and ashore, and some broken ones.
const REMEMBERED: usize = 64;

/// The water in a laminate now, and the exposure it has seen.
///
/// ```
/// use garboard::science::exposure::{HullWater, Laminate, Segment, WaterState};
/// let hull = HullWater {
///     laminate: Laminate {
///         thickness_m: 0.008,
///         diffusivity_15c_m2_s: 4e-13,
///         capacity_kg_m3: 15.0,
///         activation_energy_j_mol: 42_000.0,
///     },
///     inner_resistance_m2_s_kg: 0.0,
///     reference_skin_resistance_m2_s_kg: 7e7,
///     pocket_resistance_m2_s_kg: 3e7,
///     threshold_activity: 0.85,
///     hydrolysis_activation_energy_j_mol: 60_000.0,
/// };
/// let mut water = WaterState::new(&hull, 0.60);
/// let afloat = Segment {
///     days: 365.25,
///     temperature_c: 15.0,
///     outer_activity: 0.981,
///     inner_activity: 0.65,
///     skin_resistance_15c_m2_s_kg: 7e7,
/// };
/// let end = water.advance(&hull, &afloat);
/// assert!(end.outer_face_activity > 0.9 && end.mean_activity < 0.8);
/// ```
#[derive(Debug, Clone)]
pub struct WaterState {
    profile: Profile,
    exposure_years: f64,
    operator: Option<Operator>,
}

/// The modes of one hull under one skin, and the decays met so far.
#[derive(Debug, Clone)]
struct Operator {
    hull: HullWater,
    skin_resistance: f64,
    modes: Modes,
    stretches: Vec<Stretch>,
    last: usize,
}

/// A length of time at a temperature.
#[derive(Debug, Clone)]
struct Stretch {
    days: f64,
    temperature_c: f64,
    decay: Decay,
    /// Exposure for each unit of `∫ max(0, a_face - a*) ds`, years.
    exposure_rate: f64,
    /// The stretch that followed the last time: years repeat themselves.
    next: usize,
}

impl WaterState {
    /// A laminate with the same activity everywhere, as it is launched.
    #[must_use]
    pub fn new(_hull: &HullWater, initial_activity: f64) -> Self {
        Self { profile: Profile::uniform(initial_activity), exposure_years: 0.0, operator: None }
    }

    /// Carries the laminate through a segment; exact for any length but the shortest (see
    /// [`crate::science::slab::SHORTEST_FOURIER`]). A segment of no days changes nothing but the skin.
    pub fn advance(&mut self, hull: &HullWater, segment: &Segment) -> SegmentEnd {
        let outer_face_activity = self.soak(hull, segment);
        SegmentEnd {
            outer_face_activity,
            mean_activity: self.operator.as_ref().map_or(0.0, |operator| self.profile.mean(&operator.modes)),
            exposure_years: self.exposure_years,
        }
    }

    /// The same for those who ask for less: the activity at the outer face, the exposure being added up.
    pub fn soak(&mut self, hull: &HullWater, segment: &Segment) -> f64 {
        let operator = Self::operator_for(
            &mut self.operator,
            &mut self.profile,
            hull,
            segment.skin_resistance_15c_m2_s_kg,
        );
        let at = operator.stretch(segment.days, segment.temperature_c);
        let stretch = &operator.stretches[at];
        let passage = self.profile.pass(
            &operator.modes,
            &stretch.decay,
            segment.outer_activity,
            segment.inner_activity,
            hull.threshold_activity,
        );
        self.exposure_years += stretch.exposure_rate * passage.area_above;
        passage.face
    }

    /// The exposure since the start, years.
    #[must_use]
    pub fn exposure_years(&self) -> f64 {
        self.exposure_years
    }

    /// The water in the laminate, to compare later ones with.
    #[must_use]
    pub fn water(&self) -> &Profile {
        &self.profile
    }

    /// Takes the outer `removed_m` of the laminate off: `hull` becomes thinner, and what is left keeps its water.
    ///
    /// # Panics
    /// When `removed_m` is negative or leaves nothing of the laminate.
    pub fn peel(&mut self, hull: &mut HullWater, removed_m: f64) {
        let whole_m = hull.laminate.thickness_m;
        assert!(
            removed_m >= 0.0 && removed_m < whole_m,
            "peeling {removed_m} m leaves nothing of {whole_m} m"
        );
        let before = *hull;
        hull.laminate.thickness_m -= removed_m;
        if let Some(old) = self.operator.take() {
            debug_assert!(old.hull == before, "the state belongs to the hull that is peeled");
            let mut bare = Operator::new(hull, 0.0);
            self.profile = self.profile.project(&old.modes, &mut bare.modes, removed_m / whole_m);
            self.operator = Some(bare);
        }
    }

    /// Starts the count of exposure again; the water stays.
    pub fn reset_exposure(&mut self) {
        self.exposure_years = 0.0;
    }

    /// The activity at `points` equally spaced depths, from the outer face to the inner one.
    #[must_use]
    pub fn profile(&self, hull: &HullWater, points: usize) -> Vec<f64> {
        let Some(operator) = &self.operator else {
            return vec![self.profile.uniform_activity(); points];
        };
        debug_assert!(operator.hull == *hull, "the state belongs to this hull");
        let last = points.saturating_sub(1).max(1);
        let step = 1.0 / f64::from(u32::try_from(last).unwrap_or(u32::MAX));
        let mut depth = 0.0;
        let mut activities = Vec::with_capacity(points);
        for _ in 0..points {
            activities.push(self.profile.at(&operator.modes, depth));
            depth += step;
        }
        activities
    }

    /// The operator for this hull and skin; when they have changed, the profile is carried over to it.
    fn operator_for<'a>(
        current: &'a mut Option<Operator>,
        profile: &mut Profile,
        hull: &HullWater,
        skin_resistance: f64,
    ) -> &'a mut Operator {
        if let Some(old) = current
            && !old.is_for(hull, skin_resistance)
        {
            let mut new = Operator::new(hull, skin_resistance);
            *profile = profile.project(&old.modes, &mut new.modes, 0.0);
            *old = new;
        }
        current.get_or_insert_with(|| Operator::new(hull, skin_resistance))
    }
}

impl Operator {
    fn new(hull: &HullWater, skin_resistance: f64) -> Self {
        let Laminate { thickness_m, diffusivity_15c_m2_s, capacity_kg_m3, .. } = hull.laminate;
        let relative = diffusivity_15c_m2_s * capacity_kg_m3 / thickness_m;
        let faces =
            Faces { outer: skin_resistance * relative, inner: hull.inner_resistance_m2_s_kg * relative };
        Self { hull: *hull, skin_resistance, modes: Modes::new(faces), stretches: Vec::new(), last: 0 }
    }

    #[expect(clippy::float_cmp, reason = "the very same numbers mean the very same operator")]
    fn is_for(&self, hull: &HullWater, skin_resistance: f64) -> bool {
        self.skin_resistance == skin_resistance && self.hull == *hull
    }

    /// Where the decay over this time at this temperature is kept.
    #[expect(clippy::float_cmp, reason = "the very same numbers mean the very same stretch")]
    fn stretch(&mut self, days: f64, temperature_c: f64) -> usize {
        let same = |stretch: &Stretch| stretch.days == days && stretch.temperature_c == temperature_c;
        let guess = self.stretches.get(self.last).map_or(0, |last| last.next);
        if self.stretches.get(guess).is_some_and(same) {
            self.last = guess;
            return guess;
        }
        let found = self.stretches.iter().position(same).unwrap_or_else(|| {
            let stretch = self.new_stretch(days, temperature_c);
            // Months come first and come back; what is met later is mostly met once.
            if self.stretches.len() == REMEMBERED {
                self.stretches.pop();
            }
            self.stretches.push(stretch);
            self.stretches.len() - 1
        });
        if let Some(last) = self.stretches.get_mut(self.last) {
            last.next = found;
        }
        self.last = found;
        found
    }

    fn new_stretch(&mut self, days: f64, temperature_c: f64) -> Stretch {
        let hull = &self.hull;
        let Laminate { thickness_m, diffusivity_15c_m2_s, activation_energy_j_mol, .. } = hull.laminate;
        let diffusivity = diffusivity_15c_m2_s * arrhenius::ratio(activation_energy_j_mol, temperature_c);
        let seconds_per_fourier = thickness_m * thickness_m / diffusivity;
        let through_skin = (hull.reference_skin_resistance_m2_s_kg + hull.pocket_resistance_m2_s_kg)
            / (self.skin_resistance + hull.pocket_resistance_m2_s_kg);
        let hydrolysis = arrhenius::ratio(hull.hydrolysis_activation_energy_j_mol, temperature_c);
        Stretch {
            days,
            temperature_c,
            decay: self.modes.decay(days * SECONDS_PER_DAY / seconds_per_fourier),
            exposure_rate: through_skin * hydrolysis / (1.0 - hull.threshold_activity) * seconds_per_fourier
                / SECONDS_PER_YEAR,
            next: 0,
        }
    }
}

/// Carries the laminate through many segments, giving each end to `each` with the segment's index.
///
/// The numbers are those of [`WaterState::advance`], which remembers the modes and the decays: segments that
/// repeat their days and temperature under one skin cost a few dozen multiplications each.
pub fn run(
    hull: &HullWater,
    state: &mut WaterState,
    segments: &[Segment],
    mut each: impl FnMut(usize, SegmentEnd),
) {
    for (index, segment) in segments.iter().enumerate() {
        each(index, state.advance(hull, segment));
    }
}

//! Each member's exposure, month by month, through the past and on to the horizon.

use super::calendar::{Position, Timeline};
use super::ensemble::Ensemble;
use crate::science::exposure::{HullWater, Laminate, Segment, WaterState};
use crate::science::slab::Profile;

/// Where every year brings the same, the slowest mode alone is left after a while: the other modes together then
/// change by less than this in a year, anywhere in the laminate...
const OTHERS_WITHIN: f64 = 1e-4;
/// ... and what is left of the slowest one is no more than the activity itself is good for. What a year adds then
/// goes to its limit as that mode does, by the same share each year.
const LEFT_WITHIN: f64 = 0.002;

/// Something done to the hull at a bound of the timeline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Deed {
    /// Laminate is peeled off the outer face; what is drawn for each life is drawn afresh.
    Strip {
        /// Thickness peeled.
        removed_m: f64,
        /// The life whose draws apply from here on, counted back from the current one.
        lives_back: usize,
    },
    /// Exposure starts again at zero.
    Launch,
}

/// A place on the hull whose skin is broken from a bound on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Break {
    /// The bound at which the skin breaks.
    pub from: usize,
    /// The last bound that is of interest.
    pub until: usize,
}

/// What to run the members through.
#[derive(Debug, Clone)]
pub struct Course {
    /// The segments.
    pub timeline: Timeline,
    /// What is done at which bound, in order.
    pub deeds: Vec<(usize, Deed)>,
    /// The open breaks.
    pub breaks: Vec<Break>,
    /// Laminate thickness at launch.
    pub thickness_m: f64,
    /// The first life, counted back from the current one.
    pub first_lives_back: usize,
}

/// Exposure of every member at every bound, years.
#[derive(Debug, Clone)]
pub struct Paths {
    bounds: usize,
    exposure_years: Vec<f64>,
    /// Exposure at each break, a row a member, from its first bound to its last.
    breaks: Vec<Vec<Vec<f64>>>,
}

impl Paths {
    /// Runs all members.
    #[must_use]
    pub fn run(course: &Course, ensemble: &Ensemble) -> Self {
        let bounds = course.timeline.bounds.len();
        let mut paths = Self {
            bounds,
            exposure_years: vec![0.0; bounds * ensemble.members()],
            breaks: course.breaks.iter().map(|_| Vec::with_capacity(ensemble.members())).collect(),
        };
        let mut segments = course.timeline.segments.clone();
        for (member, path) in paths.exposure_years.chunks_exact_mut(bounds).enumerate() {
            run_member(course, ensemble, member, &mut segments, path, &mut paths.breaks);
        }
        paths
    }

    /// Exposure of a member at every bound.
    #[must_use]
    pub fn member(&self, member: usize) -> &[f64] {
        &self.exposure_years[member * self.bounds..(member + 1) * self.bounds]
    }

    /// Exposure of a member at a break, from the bound at which it opened on.
    #[must_use]
    pub fn at_break(&self, index: usize, member: usize) -> &[f64] {
        &self.breaks[index][member]
    }
}

/// A member's exposure at a day; within a segment it grows evenly.
#[must_use]
pub fn exposure_at(path: &[f64], position: Position) -> f64 {
    let (before, after) = (path[position.segment], path[position.segment + 1]);
    before + (after - before) * position.fraction
}

/// How far a member's skin is from its nominal resistance. Its deviate is one for all layers; a layer whose film was
/// measured has only the part of it that is permeability: f^√(1 - film part).
#[derive(Debug, Clone, Copy)]
pub struct SkinSpread {
    factor: f64,
    measured_factor: f64,
}

impl SkinSpread {
    /// That of a member in a life counted back from the current one (0).
    #[must_use]
    pub fn of(ensemble: &Ensemble, member: usize, lives_back: usize) -> Self {
        let factor = ensemble.life(member, lives_back).skin_factor;
        let left = (1.0 - ensemble.priors.film_part_of_skin).sqrt();
        Self { factor, measured_factor: factor.powf(left) }
    }

    /// The resistance of a skin, a part of which was measured, both nominal.
    #[must_use]
    pub fn resistance(self, nominal_m2_s_kg: f64, measured_m2_s_kg: f64) -> f64 {
        (nominal_m2_s_kg - measured_m2_s_kg) * self.factor + measured_m2_s_kg * self.measured_factor
    }
}

fn run_member(
    course: &Course,
    ensemble: &Ensemble,
    member: usize,
    segments: &mut [Segment],
    path: &mut [f64],
    breaks: &mut [Vec<Vec<f64>>],
) {
    let nominal = &course.timeline.segments;
    let repeats = &course.timeline.repeats;
    let mut hull = hull_water(course, ensemble, member);
    let mut skin = SkinSpread::of(ensemble, member, course.first_lives_back);
    let mut state = WaterState::new(&hull, ensemble.priors.launch_activity);
    let mut deeds = course.deeds.iter().peekable();
    let mut transient = Transient::default();
    let mut state_exposure = 0.0;
    path[0] = 0.0;
    let mut next = 0;
    while next < nominal.len() {
        while let Some((_, deed)) = deeds.next_if(|(at, _)| *at <= next) {
            match *deed {
                Deed::Strip { removed_m, lives_back } => {
                    state.peel(&mut hull, removed_m);
                    let draw = ensemble.life(member, lives_back);
                    skin = SkinSpread::of(ensemble, member, lives_back);
                    hull.pocket_resistance_m2_s_kg = draw.pocket_resistance_m2_s_kg;
                }
                Deed::Launch => path[next] = 0.0,
            }
            transient = Transient::default();
        }
        let breaking = course.breaks.iter().enumerate().filter(|(_, broken)| broken.from == next);
        for (index, broken) in breaking {
            let bare = &nominal[broken.from..broken.until];
            breaks[index].push(run_break(&hull, state.clone(), state_exposure, path[next], bare));
        }
        if let Some(share) = transient.fades_by {
            let stop = next_stop(course, deeds.peek().map(|(at, _)| *at), next);
            let years = repeats[next..stop].iter().take_while(|&&repeats| repeats).count() / 12;
            if years > 0 {
                let gained = |bound: usize| path[bound] - path[bound - 1];
                let mut gains: [f64; 12] = std::array::from_fn(|month| gained(next - 11 + month));
                let mut changes: [f64; 12] =
                    std::array::from_fn(|month| share * (gains[month] - gained(next - 23 + month)));
                let mut total = path[next];
                for year in path[next + 1..=next + 12 * years].chunks_exact_mut(12) {
                    for month in 0..12 {
                        gains[month] = (gains[month] + changes[month]).max(0.0);
                        changes[month] *= share;
                        total += gains[month];
                        year[month] = total;
                    }
                }
                next += 12 * years;
                transient = Transient::default();
                continue;
            }
        }
        let segment = &mut segments[next];
        segment.skin_resistance_15c_m2_s_kg = skin.resistance(
            nominal[next].skin_resistance_15c_m2_s_kg,
            course.timeline.measured_skin_15c_m2_s_kg[next],
        );
        state.soak(&hull, segment);
        path[next + 1] = path[next] + (state.exposure_years() - state_exposure);
        state_exposure = state.exposure_years();
        next += 1;
        transient.note(next, repeats[next - 1], state.water());
    }
}

/// The next bound at which something is done or broken, or the last.
fn next_stop(course: &Course, deed: Option<usize>, next: usize) -> usize {
    let breaks = course.breaks.iter().map(|broken| broken.from).filter(|&from| from > next);
    deed.into_iter().chain(breaks).fold(course.timeline.segments.len(), usize::min)
}

/// Exposure at a break: the hull as it stands, without a skin from here on.
fn run_break(
    hull: &HullWater,
    mut state: WaterState,
    state_exposure: f64,
    exposure: f64,
    nominal: &[Segment],
) -> Vec<f64> {
    let mut path = vec![exposure];
    for segment in nominal {
        let bare = Segment { skin_resistance_15c_m2_s_kg: 0.0, ..*segment };
        state.soak(hull, &bare);
        path.push(exposure + state.exposure_years() - state_exposure);
    }
    path
}

/// The hull of a member as it was launched.
pub(super) fn hull_water(course: &Course, ensemble: &Ensemble, member: usize) -> HullWater {
    let priors = &ensemble.priors;
    let carried = &ensemble.carried[member];
    HullWater {
        laminate: Laminate {
            thickness_m: course.thickness_m,
            diffusivity_15c_m2_s: carried.diffusivity_15c_m2_s,
            capacity_kg_m3: priors.capacity_kg_m3,
            activation_energy_j_mol: carried.activation_energy_j_mol,
        },
        inner_resistance_m2_s_kg: priors.inner_resistance_m2_s_kg,
        reference_skin_resistance_m2_s_kg: priors.reference_skin_resistance_m2_s_kg,
        pocket_resistance_m2_s_kg: ensemble.life(member, course.first_lives_back).pocket_resistance_m2_s_kg,
        threshold_activity: carried.threshold_activity,
        hydrolysis_activation_energy_j_mol: carried.hydrolysis_energy_j_mol,
    }
}

/// How the water in the laminate comes to repeat itself from year to year, looked at once a year.
#[derive(Debug, Clone, Default)]
struct Transient {
    /// The bound of the last look, and the water then.
    looked: Option<(usize, Profile)>,
    /// The change in the slowest mode over the year before that look, where the others had settled.
    slowest: Option<f64>,
    /// The share of the last year's change that the next one will bring, once only the slowest mode is left.
    fades_by: Option<f64>,
}

impl Transient {
    /// Notes the water at a bound, and whether the month before it was as the one a year earlier.
    fn note(&mut self, bound: usize, repeats: bool, water: &Profile) {
        self.fades_by = None;
        let Some((at, before)) = self.looked.as_mut().filter(|_| repeats) else {
            (self.looked, self.slowest) = (repeats.then(|| (bound, water.clone())), None);
            return;
        };
        if bound < *at + 12 {
            return;
        }
        let change = water.change_since(before);
        if let Some((change, earlier)) = change.zip(self.slowest) {
            let share = if earlier == 0.0 { 0.0 } else { (change.slowest / earlier).clamp(0.0, 1.0) };
            if change.slowest.abs() * share <= LEFT_WITHIN * (1.0 - share) {
                self.fades_by = Some(share);
            }
        }
        self.slowest = change.filter(|change| change.others <= OTHERS_WITHIN).map(|change| change.slowest);
        *at = bound;
        before.clone_from(water);
    }
}

//! The distribution of a life from bracketed events without a formula for it (Turnbull, Journal of the Royal
//! Statistical Society B 38 (1976) 290-295).

use serde::Serialize;
use utoipa::ToSchema;

use super::Observation;

/// Rounds before the estimate is taken as it is.
const MAX_ROUNDS: usize = 20_000;

/// Work a call may take: observations times rounds.
const MAX_WORK: usize = 60_000_000;

/// The estimate is taken when the likelihood can gain no more than this, a unit of weight.
const CLOSE: f64 = 1e-9;

/// Mass that lies somewhere in (from, to]; at `to` where the two are equal.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct TurnbullMass {
    /// After this time.
    pub from: f64,
    /// Up to this time; null where the life may never end.
    pub to: Option<f64>,
    /// Probability.
    pub mass: f64,
}

/// An end of an interval, in the order in which they come along time: an exact event begins just before its time, an
/// interval ends at its upper time, one that is open on the left begins just after its lower time.
#[derive(Clone, Copy, PartialEq)]
struct End {
    time: f64,
    place: u8,
}

impl End {
    fn order(&self, other: &Self) -> std::cmp::Ordering {
        self.time.total_cmp(&other.time).then(self.place.cmp(&other.place))
    }
}

/// An observation as the run of innermost intervals it covers.
struct Run {
    first: usize,
    past: usize,
    count: f64,
}

fn ends(observation: &Observation) -> (End, End) {
    let upper = observation.upper.unwrap_or(f64::INFINITY);
    let exact = observation.upper == Some(observation.lower);
    (End { time: observation.lower, place: if exact { 0 } else { 2 } }, End { time: upper, place: 1 })
}

/// The innermost intervals: each left end directly followed by a right end. Mass elsewhere helps no observation.
fn innermost(observations: &[Observation]) -> Vec<(End, End)> {
    let mut all: Vec<(End, bool)> =
        observations.iter().map(ends).flat_map(|(left, right)| [(left, true), (right, false)]).collect();
    all.sort_by(|a, b| a.0.order(&b.0));
    all.windows(2)
        .filter_map(|pair| match pair {
            [(left, true), (right, false)] => Some((*left, *right)),
            _ => None,
        })
        .collect()
}

fn runs(observations: &[Observation], innermost: &[(End, End)]) -> Vec<Run> {
    let mut runs: Vec<Run> = observations
        .iter()
        .map(|observation| {
            let (left, right) = ends(observation);
            Run {
                first: innermost.partition_point(|inner| inner.0.order(&left).is_lt()),
                past: innermost.partition_point(|inner| inner.1.order(&right).is_le()),
                count: f64::from(observation.count),
            }
        })
        .collect();
    runs.sort_by_key(|run| (run.first, run.past));
    runs.dedup_by(|next, kept| {
        let same = (next.first, next.past) == (kept.first, kept.past);
        if same {
            kept.count += next.count;
        }
        same
    });
    runs
}

/// For each innermost interval Σ count/P over the observations that cover it, by prefix sums; at the maximum it is the
/// total weight where there is mass and no more elsewhere.
fn pull(runs: &[Run], mass: &[f64], sums: &mut Vec<f64>, pull: &mut Vec<f64>) {
    sums.clear();
    sums.push(0.0);
    let mut sum = 0.0;
    for mass in mass {
        sum += mass;
        sums.push(sum);
    }
    pull.clear();
    pull.resize(mass.len() + 1, 0.0);
    for run in runs {
        // Neighbours' sums cancel where little mass lies between: then it is added up afresh.
        let mut share = sums[run.past] - sums[run.first];
        if share < 1e-9 {
            share = mass[run.first..run.past].iter().sum();
        }
        let weight = run.count / share.max(f64::MIN_POSITIVE);
        pull[run.first] += weight;
        pull[run.past] -= weight;
    }
    let mut running = 0.0;
    for value in pull.iter_mut() {
        running += *value;
        *value = running;
    }
    pull.pop();
}

/// The self-consistent estimate, each round one step of expectation and maximisation. Every third round the step is
/// lengthened as far as two rounds show it to be too short (Varadhan and Roland, Scandinavian Journal of Statistics 35
/// (2008) 335-353), and taken back if the likelihood does not gain.
///
/// Beside it, how much an observation's log likelihood might still gain.
pub(super) fn estimate(observations: &[Observation]) -> (Vec<TurnbullMass>, f64) {
    let innermost = innermost(observations);
    let runs = runs(observations, &innermost);
    let total: f64 = runs.iter().map(|run| run.count).sum();
    #[expect(clippy::cast_precision_loss, reason = "at most 400,000 intervals")]
    let mut mass = vec![1.0 / innermost.len() as f64; innermost.len()];
    let (mut sums, mut weights) = (Vec::new(), Vec::new());
    let log_likelihood = |mass: &[f64], sums: &mut Vec<f64>| -> f64 {
        sums.clear();
        sums.push(0.0);
        let mut sum = 0.0;
        for mass in mass {
            sum += mass;
            sums.push(sum);
        }
        runs.iter().map(|run| run.count * (sums[run.past] - sums[run.first]).ln()).sum()
    };
    let rounds = (MAX_WORK / (runs.len() + innermost.len())).clamp(10, MAX_ROUNDS);
    let mut open_gain = f64::INFINITY;
    for _ in 0..rounds / 3 {
        let start = mass.clone();
        let mut trail = [Vec::new(), Vec::new()];
        let mut most = f64::INFINITY;
        for step in &mut trail {
            pull(&runs, &mass, &mut sums, &mut weights);
            most = weights.iter().copied().fold(0.0, f64::max) / total;
            for (mass, weight) in mass.iter_mut().zip(&weights) {
                *mass *= weight / total;
            }
            step.clone_from(&mass);
        }
        // The gain still possible is at most total · ln(most).
        open_gain = (most - 1.0).max(0.0);
        if open_gain < CLOSE {
            break;
        }
        let (mut first, mut change) = (0.0, 0.0);
        for n in 0..mass.len() {
            let r = trail[0][n] - start[n];
            let v = trail[1][n] - trail[0][n] - r;
            first += r * r;
            change += v * v;
        }
        if change > 0.0 {
            let length = (first / change).sqrt().max(1.0);
            let mut leap: Vec<f64> = (0..mass.len())
                .map(|n| {
                    let r = trail[0][n] - start[n];
                    let v = trail[1][n] - trail[0][n] - r;
                    (start[n] + 2.0 * length * r + length * length * v).max(mass[n] * 1e-3)
                })
                .collect();
            let sum: f64 = leap.iter().sum();
            for value in &mut leap {
                *value /= sum;
            }
            if log_likelihood(&leap, &mut sums) >= log_likelihood(&mass, &mut sums) {
                mass = leap;
            }
        }
    }
    let masses = innermost
        .into_iter()
        .zip(mass)
        .filter(|&(_, mass)| mass > 1e-7)
        .map(|((left, right), mass)| TurnbullMass {
            from: left.time,
            to: right.time.is_finite().then_some(right.time),
            mass,
        })
        .collect();
    (masses, open_gain)
}

/// P(T > t); none where t lies within an interval that holds mass, for nothing tells where in it.
pub(super) fn survival(masses: &[TurnbullMass], t: f64) -> Option<f64> {
    let mut survival = 0.0;
    for mass in masses {
        let ended = mass.to.is_some_and(|to| to <= t);
        if !ended && mass.from < t {
            return None;
        }
        if !ended {
            survival += mass.mass;
        }
    }
    Some(survival)
}

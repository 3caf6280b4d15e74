//! The distribution of a life from bracketed events without a formula for it (Turnbull, Journal of the Royal
//! Statistical Society B 38 (1976) 290-295).
//!
//! Of all distributions the one with the greatest likelihood, Π P(interval)^count; its mass lies on the innermost
//! intervals. Found by turns: a few steps of expectation and maximisation, which suit exact events, and one of iterated
//! convex minorants, which suits long overlapping intervals (Wellner and Zhan, Journal of the American Statistical
//! Association 92 (1997) 945-959).

use serde::Serialize;
use utoipa::ToSchema;

use super::Observation;

/// Rounds before the estimate is taken as it is.
const MAX_ROUNDS: usize = 5_000;

/// Work a call may take: observations and intervals times rounds.
const MAX_WORK: usize = 60_000_000;

/// Steps of expectation and maximisation in a round.
const STEPS: usize = 3;

/// The estimate is taken when the log likelihood can gain no more than this, an observation.
const CLOSE: f64 = 1e-9;

/// Mass worth less than this share of an observation is none.
const NO_MASS: f64 = 1e-6;

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

/// What stands at a time, in the order in which it comes along time: an exact event begins just before its time, an
/// interval ends at its upper time, one that is open on the left begins just after its lower time.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Place {
    ExactBegins,
    Ends,
    OpenBegins,
}

/// An observation as the run of innermost intervals it covers.
#[derive(Clone, Copy)]
struct Run {
    first: usize,
    past: usize,
    count: f64,
}

/// The ends of the observations along time: its bits, which order times from 0 on, what stands there, and whose it is.
fn ends(observations: &[Observation]) -> Vec<(u64, Place, usize)> {
    let mut ends: Vec<_> = observations
        .iter()
        .enumerate()
        .flat_map(|(n, observation)| {
            // A zero's sign is no time.
            let lower = observation.lower + 0.0;
            let upper = observation.upper.unwrap_or(f64::INFINITY);
            let begins = if lower < upper { Place::OpenBegins } else { Place::ExactBegins };
            [(lower.to_bits(), begins, n), (upper.to_bits(), Place::Ends, n)]
        })
        .collect();
    ends.sort_unstable();
    ends
}

/// The innermost intervals, each a left end directly followed by a right end, for mass elsewhere helps no observation;
/// and the observations as runs of them, equal ones counted together.
fn reduced(observations: &[Observation]) -> (Vec<(f64, f64)>, Vec<Run>) {
    let mut runs: Vec<Run> = observations
        .iter()
        .map(|observation| Run { first: 0, past: 0, count: f64::from(observation.count) })
        .collect();
    let mut innermost = Vec::new();
    let mut begun = None;
    for (bits, place, n) in ends(observations) {
        if place == Place::Ends {
            if let Some(left) = begun.take() {
                innermost.push((f64::from_bits(left), f64::from_bits(bits)));
            }
            runs[n].past = innermost.len();
        } else {
            begun = Some(bits);
            runs[n].first = innermost.len();
        }
    }
    runs.sort_unstable_by_key(|run| (run.first, run.past));
    runs.dedup_by(|next, kept| {
        let same = (next.first, next.past) == (kept.first, kept.past);
        if same {
            kept.count += next.count;
        }
        same
    });
    (innermost, runs)
}

/// An estimate under way.
struct Masses<'a> {
    runs: &'a [Run],
    /// Observations in all.
    total: f64,
    /// Of each innermost interval.
    mass: Vec<f64>,
    /// Sums of the masses before each, and of all.
    sums: Vec<f64>,
}

impl Masses<'_> {
    fn add_up(&mut self) {
        self.sums.clear();
        self.sums.push(0.0);
        let mut sum = 0.0;
        for mass in &self.mass {
            sum += mass;
            self.sums.push(sum);
        }
    }

    /// Probability of what was observed.
    fn share(&self, run: &Run) -> f64 {
        let share = self.sums[run.past] - self.sums[run.first];
        // Neighbours' sums cancel where little mass lies between: then it is added up afresh.
        let share = if share < 1e-9 { self.mass[run.first..run.past].iter().sum() } else { share };
        share.max(f64::MIN_POSITIVE)
    }

    /// One step of expectation and maximisation; gives how much the log likelihood might have gained before it, an
    /// observation.
    ///
    /// The pull of an innermost interval is Σ count/P over the observations that cover it, by prefix sums; at the
    /// maximum it is the total where there is mass and no more elsewhere, and the gain is at most ln(pull/total).
    fn expect_and_maximise(&mut self) -> f64 {
        let mut pull = vec![0.0; self.mass.len() + 1];
        for run in self.runs {
            let weight = run.count / self.share(run);
            pull[run.first] += weight;
            pull[run.past] -= weight;
        }
        let (mut running, mut most, mut sum) = (0.0, 0.0_f64, 0.0);
        for (mass, pull) in self.mass.iter_mut().zip(pull) {
            running += pull;
            most = most.max(running);
            *mass *= running.max(0.0) / self.total;
            sum += *mass;
        }
        for mass in &mut self.mass {
            *mass /= sum;
        }
        self.add_up();
        (most / self.total).ln().max(0.0)
    }

    /// One step of iterated convex minorants: Newton's step on the sums by the diagonal of the Hessian, made to rise
    /// again by weighted isotonic regression, and shortened until the likelihood gains.
    fn climb(&mut self) {
        let intervals = self.mass.len();
        let (mut slope, mut bend) = (vec![0.0; intervals + 1], vec![0.0; intervals + 1]);
        let mut before = 0.0;
        for run in self.runs {
            let share = self.share(run);
            before += run.count * share.ln();
            let weight = run.count / share;
            slope[run.past] += weight;
            slope[run.first] -= weight;
            bend[run.past] += weight / share;
            bend[run.first] += weight / share;
        }
        // Blocks of (weighted sum, weight, length), pooled while they fall. The first sum is 0 and the last is 1.
        let mut blocks: Vec<(f64, f64, usize)> = Vec::with_capacity(intervals);
        for k in 1..intervals {
            let mut block = (bend[k] * self.sums[k] + slope[k], bend[k], 1);
            while let Some(&(sum, weight, length)) = blocks.last()
                && sum * block.1 >= block.0 * weight
            {
                block = (sum + block.0, weight + block.1, length + block.2);
                blocks.pop();
            }
            blocks.push(block);
        }
        let wanted = blocks
            .into_iter()
            .flat_map(|(sum, weight, length)| std::iter::repeat_n((sum / weight).clamp(0.0, 1.0), length));
        let mut way = vec![0.0; intervals + 1];
        let mut rise = 0.0;
        for (k, wanted) in (1..intervals).zip(wanted) {
            way[k] = wanted - self.sums[k];
            rise += slope[k] * way[k];
        }
        let mut length = 1.0;
        while length > 1e-6 {
            let next: Vec<f64> = self.sums.iter().zip(&way).map(|(sum, way)| sum + length * way).collect();
            let gained = self.log_likelihood(&next) - before;
            if gained >= 0.1 * length * rise.max(0.0) {
                for (mass, pair) in self.mass.iter_mut().zip(next.windows(2)) {
                    *mass = (pair[1] - pair[0]).max(0.0);
                }
                self.add_up();
                return;
            }
            length /= 2.0;
        }
    }

    fn log_likelihood(&self, sums: &[f64]) -> f64 {
        // No probability, no likelihood: the logarithm of 0 is -∞.
        self.runs.iter().map(|run| run.count * (sums[run.past] - sums[run.first]).max(0.0).ln()).sum()
    }
}

/// The estimate, and how much an observation's log likelihood might still gain.
pub(super) fn estimate(observations: &[Observation]) -> (Vec<TurnbullMass>, f64) {
    let (innermost, runs) = reduced(observations);
    #[expect(clippy::cast_precision_loss, reason = "at most 200,000 intervals")]
    let evenly = vec![1.0 / innermost.len() as f64; innermost.len()];
    let total: f64 = runs.iter().map(|run| run.count).sum();
    let mut masses = Masses { runs: &runs, total, mass: evenly, sums: Vec::new() };
    masses.add_up();
    let rounds = (MAX_WORK / (runs.len() + innermost.len())).clamp(10, MAX_ROUNDS);
    let mut open_gain = f64::INFINITY;
    for _ in 0..rounds {
        for _ in 0..STEPS {
            open_gain = masses.expect_and_maximise();
        }
        if open_gain < CLOSE {
            break;
        }
        masses.climb();
    }
    let masses = innermost
        .into_iter()
        .zip(masses.mass)
        .filter(|&(_, mass)| mass * total > NO_MASS)
        .map(|((left, right), mass)| TurnbullMass {
            from: left,
            to: right.is_finite().then_some(right),
            mass,
        })
        .collect();
    (masses, open_gain)
}

/// P(T > t) for each t; none where t lies within an interval that holds mass, for nothing tells where in it.
pub(super) fn survivals(masses: &[TurnbullMass], at: &[f64]) -> Vec<Option<f64>> {
    let mut left = vec![0.0];
    let mut sum = 0.0;
    for mass in masses.iter().rev() {
        sum += mass.mass;
        left.push(sum);
    }
    at.iter()
        .map(|&t| {
            let ended = masses.partition_point(|mass| mass.to.is_some_and(|to| to <= t));
            let within = masses.get(ended).is_some_and(|mass| mass.from < t);
            (!within).then(|| left[masses.len() - ended])
        })
        .collect()
}

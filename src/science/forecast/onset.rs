//! The onset of blistering: P(onset by t) = 1 - exp(-(X(t)/η)^β) over the members, given what surveys saw.
//!
//! An examination of the whole bottom sees blistering that has begun; what began within the year before it,
//! it sees with chance q. So an onset at T has the likelihood, given a clean survey at day c: 1 for T > c,
//! 1 - q for c - 1 year < T ≤ c, 0 before; [`CleanSurveys`] multiplies them. With S a member's survival
//! and π its weight from earlier lives,
//! - clean: L = ∫ ℓ(T) dF(T), w = π L, and after the last of them R(t) = 1 - Σ π S(t) / Σ π L;
//! - first seen at t₂: w = π · ∫ up to t₂ of ℓ(T) times the chance q or 1 of being seen then, once.
//!
//! With q = 1 this is the text-book interval censoring: clean last at t₁, w = π S(t₁) and R(t) =
//! 1 - Σ π S(t) / Σ π S(t₁); then seen at t₂, w = π (S(t₁) - S(t₂)); surveys a year or more apart are one fact, the last. Earlier lives multiply π; their
//! scale, shape and skin are draws of their own, so they inform only what carries over.
//! Ranges: exposure in years from 0, scale over 0, shape over 0, q in (0, 1].
//! Source of the conditional form: any text on life data, e.g. W. Q. Meeker and L. A. Escobar, Statistical
//! Methods for Reliability Data (1998), chapters 2 and 3.

/// Chance that a Weibull life of this scale and shape lasts beyond an exposure.
#[must_use]
pub fn survival(exposure_years: f64, scale_exposure_years: f64, shape: f64) -> f64 {
    (-(exposure_years / scale_exposure_years).powf(shape)).exp()
}

/// The exposure by which a life that lasted to `exposure_years` has failed with chance `p`:
/// u = η ((x/η)^β - ln(1-p))^(1/β).
#[must_use]
pub fn conditional_quantile(exposure_years: f64, scale_exposure_years: f64, shape: f64, p: f64) -> f64 {
    let cumulative = (exposure_years / scale_exposure_years).powf(shape) - (1.0 - p).ln();
    scale_exposure_years * cumulative.powf(shape.recip())
}

/// What the clean surveys of a life say: the likelihood of an onset, in steps of its day.
#[derive(Debug, Clone, PartialEq)]
pub struct CleanSurveys {
    /// Day and the likelihood of an onset after it, up to the next; none before the first.
    steps: Vec<(f64, f64)>,
    /// Chance that blistering within the overlooked days is seen.
    detection_probability: f64,
    /// How long blistering can be overlooked.
    overlooked_days: f64,
}

impl CleanSurveys {
    /// Surveys on `days`, in order.
    #[must_use]
    pub fn new(days: &[f64], detection_probability: f64, overlooked_days: f64) -> Self {
        let mut steps = Vec::new();
        if let Some(&last) = days.last() {
            let first = last - overlooked_days;
            let within = &days[days.partition_point(|&day| day <= first)..];
            let mut likelihood = 1.0;
            for &day in within.iter().rev() {
                steps.push((day, likelihood));
                likelihood *= 1.0 - detection_probability;
            }
            steps.push((first, likelihood));
            steps.reverse();
        }
        Self { steps, detection_probability, overlooked_days }
    }

    /// Clean surveys on other days, in order, that see as these do.
    #[must_use]
    pub fn seeing_alike_on(&self, days: &[f64]) -> Self {
        Self::new(days, self.detection_probability, self.overlooked_days)
    }

    /// The likelihood of these surveys and, where it was, of blistering first seen on `seen_on`, as a sum of
    /// survivals: pairs of day and factor. A day of minus infinity stands for the beginning, where survival is one.
    #[must_use]
    pub fn terms(&self, seen_on: Option<f64>) -> Vec<(f64, f64)> {
        let mut terms = Vec::new();
        match seen_on {
            None => self.add_terms(f64::NEG_INFINITY, 1.0, &mut terms),
            Some(day) => {
                self.add_terms(f64::NEG_INFINITY, 1.0, &mut terms);
                self.add_terms(day - self.overlooked_days, self.detection_probability - 1.0, &mut terms);
                self.add_terms(day, -self.detection_probability, &mut terms);
            }
        }
        terms.sort_by(|one, other| one.0.total_cmp(&other.0));
        terms.dedup_by(|later, earlier| {
            let same = later.0.to_bits() == earlier.0.to_bits();
            if same {
                earlier.1 += later.1;
            }
            same
        });
        terms.retain(|&(_, factor)| factor != 0.0);
        terms
    }

    /// `factor` times the likelihood of an onset after `day`, added to a sum of survivals.
    fn add_terms(&self, day: f64, factor: f64, terms: &mut Vec<(f64, f64)>) {
        let Some((&(last, _), earlier)) = self.steps.split_last() else {
            terms.push((day, factor));
            return;
        };
        let mut above = day.max(last);
        terms.push((above, factor));
        for &(from, weight) in earlier.iter().rev().take_while(|_| day < last) {
            let here = from.max(day);
            terms.push((here, factor * weight));
            terms.push((above, -factor * weight));
            above = here;
            if from <= day {
                break;
            }
        }
    }

    /// Chance of these surveys together with an onset after `day`, for a life with this survival.
    #[must_use]
    pub fn likelihood_after(&self, day: f64, survival: impl Fn(f64) -> f64) -> f64 {
        let Some((&(last, _), earlier)) = self.steps.split_last() else {
            return survival(day);
        };
        let mut above = survival(day.max(last));
        let mut likelihood = above;
        for &(from, weight) in earlier.iter().rev().take_while(|_| day < last) {
            let here = survival(from.max(day));
            likelihood += weight * (here - above);
            above = here;
            if from <= day {
                break;
            }
        }
        likelihood
    }

    /// Chance of these surveys and of no other fact.
    #[must_use]
    pub fn likelihood(&self, survival: impl Fn(f64) -> f64) -> f64 {
        self.likelihood_after(f64::NEG_INFINITY, survival)
    }

    /// Chance of these surveys and of blistering first seen on `day`.
    #[must_use]
    pub fn likelihood_seen(&self, day: f64, survival: impl Fn(f64) -> f64) -> f64 {
        let all = self.likelihood(&survival);
        let recent = self.likelihood_after(day - self.overlooked_days, &survival);
        let after = self.likelihood_after(day, &survival);
        ((all - recent) + self.detection_probability * (recent - after)).max(0.0)
    }
}

//! The rules of hindcasts: what is asked, what the forecasts are held against, and how it is told.

use std::borrow::Cow;

use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::error::{Error, Result};
use crate::features::calibrations::model::ENSEMBLE;
use crate::features::vessels::model::FIRST_YEAR;
use crate::ids::VesselId;
use crate::science::forecast::MODEL;
use crate::science::forecast::dates::Basis;
use crate::science::forecast::ensemble::Ensemble;
use crate::science::hindcast::Questions;
use crate::science::hindcast::scores::{
    Comparison, Spread, all_but_one_share, brier_score, counted, covered_fraction, log_score,
};

/// Months from a forecast to its survey, unless told otherwise.
pub const LEAD_MONTHS: u32 = 12;
/// The longest lead.
pub const MAX_LEAD_MONTHS: u32 = 120;
/// The most surveys of one hindcast.
pub const MAX_SURVEYS: i64 = 20_000;
/// Under so many that found blistering the scores say little (common practice, no source: as for learning).
const FOUND_NEEDED: usize = 8;

/// The ensembles that the dates followed, each from a day on, in order; the priors before the first.
#[derive(Debug, Clone, Default)]
pub struct Ensembles(pub Vec<(NaiveDate, Cow<'static, Ensemble>)>);

impl Ensembles {
    /// The one followed at the end of a day.
    #[must_use]
    pub fn on(&self, day: NaiveDate) -> &Ensemble {
        let chosen = self.0.partition_point(|(from, _)| *from <= day).checked_sub(1);
        chosen.and_then(|last| self.0.get(last)).map_or(&ENSEMBLE, |(_, ensemble)| ensemble)
    }
}

/// What is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Asked {
    /// Surveys from the first of January of this year on.
    pub from_year: i32,
    /// Months from a forecast to its survey.
    pub lead_months: u32,
}

impl Asked {
    /// Refuses years and leads of which there are no hindcasts.
    ///
    /// # Errors
    /// Invalid, at the field.
    pub fn checked(self, today: NaiveDate) -> Result<Self> {
        if !(FIRST_YEAR..=today.year()).contains(&self.from_year) {
            let detail = format!("must be a year from {FIRST_YEAR} to {}.", today.year());
            return Err(Error::field("from_year", "out_of_range", detail));
        }
        if !(1..=MAX_LEAD_MONTHS).contains(&self.lead_months) {
            let detail = format!("must be 1 to {MAX_LEAD_MONTHS}.");
            return Err(Error::field("lead_months", "out_of_range", detail));
        }
        Ok(self)
    }
}

/// A survey and what was said of it before.
#[derive(Debug, Clone, PartialEq)]
pub struct Case {
    /// The vessel.
    pub vessel_id: VesselId,
    /// Its name.
    pub vessel_name: String,
    /// The day of the forecast.
    pub as_of: NaiveDate,
    /// The survey.
    pub surveyed_on: NaiveDate,
    /// Whether it found blistering.
    pub found: bool,
    /// The chance of that, as forecast.
    pub found_probability: f64,
    /// Which of the hull's lives it falls in.
    pub life: usize,
    /// Years since that life began.
    pub life_years: f64,
    /// The transform of all that followed.
    pub transform: (f64, f64),
    /// What the forecast rested on.
    pub basis: Basis,
}

/// Surveys that were not held against a forecast, and why.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct LeftOut {
    /// They told nothing of onset: a part of the bottom, or blisters too few and small to count.
    pub undecided: u32,
    /// The bottom had been found blistered before, and not been treated since.
    pub already_blistered: u32,
    /// Something was done to the skin between forecast and survey.
    pub skin_changed: u32,
    /// There was no day before them in the life: another survey that day, or its beginning.
    pub without_a_day_before: u32,
    /// No onset could be forecast: a cored bottom, no beginning, facts that contradict each other.
    pub not_forecast: u32,
}

impl LeftOut {
    /// Those of one vessel, before its forecasts were made.
    #[must_use]
    pub fn of(questions: &Questions) -> Self {
        Self {
            undecided: questions.undecided,
            already_blistered: questions.already_blistered,
            skin_changed: questions.skin_changed,
            without_a_day_before: questions.without_a_day_before,
            not_forecast: 0,
        }
    }

    /// Both together.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self {
            undecided: self.undecided + other.undecided,
            already_blistered: self.already_blistered + other.already_blistered,
            skin_changed: self.skin_changed + other.skin_changed,
            without_a_day_before: self.without_a_day_before + other.without_a_day_before,
            not_forecast: self.not_forecast + other.not_forecast,
        }
    }
}

/// The forecasts' mean score beside those of the two baselines.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Scores {
    /// Against the calendar rule: the share of all other surveys in the same years of a life (under 5, 5, 10, 15, 20 and
    /// more) that found blistering.
    pub calendar_rule: Comparison,
    /// Against the fleet mean: the share of all other surveys that found blistering.
    pub fleet_mean: Comparison,
}

/// Forecasts of about one chance, and how often it came true.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ChanceBand {
    /// Forecasts from this chance on,
    pub from_probability: f64,
    /// and under this.
    pub under_probability: f64,
    /// How many.
    pub surveys: u32,
    /// The mean of their chances.
    pub mean_probability: f64,
    /// The share of their surveys that found blistering.
    pub found_fraction: f64,
}

/// How right the dates have been.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct HindcastView {
    /// Name and version of the model.
    pub model: String,
    /// Whether the forecasts rested on the priors, or some of them on what had been learned by their day.
    pub basis: Basis,
    /// Surveys from the first of January of this year on.
    pub from_year: i32,
    /// Months from a forecast to its survey, at most: it is made on the day of the last look where that is later.
    pub lead_months: u32,
    /// Surveys held against a forecast.
    pub surveys: u32,
    /// Vessels they are of.
    pub vessels: u32,
    /// Surveys left out.
    pub left_out: LeftOut,
    /// Surveys that found blistering.
    pub found: u32,
    /// How many were to, by the forecasts.
    pub found_expected: f64,
    /// Standard deviation of that, were the forecasts right and the surveys independent.
    pub found_standard_deviation: f64,
    /// Brier scores; null without surveys.
    pub brier_score: Option<Scores>,
    /// Log scores, natural units; null without surveys.
    pub log_score: Option<Scores>,
    /// Lives followed from their first forecast on, for the range and the transform.
    pub lives: u32,
    /// How often the onset lay within the forecast's 10-90 range, as far as surveys tell; 0.8 is right. Null without lives.
    pub covered_fraction: Option<f64>,
    /// The randomised probability integral transform of the lives: even where the forecasts are right.
    pub transform: Option<Spread>,
    /// Chances and how often they came true; bands without surveys are left out.
    pub chance_bands: Vec<ChanceBand>,
    /// All this in sentences, bad news included.
    pub findings: Vec<String>,
    /// What these figures cannot know.
    pub limits: Vec<String>,
}

/// A case beside what the baselines said.
#[derive(Debug, Clone, PartialEq)]
pub struct JudgedCase {
    /// The case.
    pub case: Case,
    /// The chance by the calendar rule.
    pub calendar_rule_probability: f64,
    /// The chance by the fleet mean.
    pub fleet_mean_probability: f64,
}

const BANDS: [f64; 7] = [0.0, 0.02, 0.05, 0.1, 0.2, 0.4, 1.0];

const LIMITS: [&str; 4] = [
    "Of a vessel, its haul-outs, readings, measured films, site and policy only today's state is kept: the forecasts used it. Of \
     surveys, findings, coats and treatments they used the version recorded by their day.",
    "A record first written down more than 31 days after the day it tells of counts as known on that day, as it stands now.",
    "Both baselines know how often surveys found blistering in the whole period, which no forecast could: that favours them.",
    "Surveys that follow on each other, and hulls of one yard, are not independent: the p-value is too small by that.",
];

/// The years of a life that the calendar rule tells apart.
fn years_band(life_years: f64) -> usize {
    [5.0, 10.0, 15.0, 20.0].iter().filter(|from| life_years >= **from).count()
}

fn calendar_rule(cases: &[Case]) -> Vec<f64> {
    let mut probabilities = vec![0.0; cases.len()];
    for band in 0..=4 {
        let own: Vec<usize> = (0..cases.len()).filter(|&i| years_band(cases[i].life_years) == band).collect();
        let found: Vec<bool> = own.iter().map(|&i| cases[i].found).collect();
        for (&i, share) in own.iter().zip(all_but_one_share(&found)) {
            probabilities[i] = share;
        }
    }
    probabilities
}

/// Evenly over 0 to 1, the same for the same life on every run (Steele, Lea and Flood 2014, from memory).
fn even(case: &Case) -> f64 {
    let id: uuid::Uuid = case.vessel_id.into();
    let (high, low) = id.as_u64_pair();
    let day = u64::from(case.surveyed_on.num_days_from_ce().unsigned_abs());
    let mut mixed = (high ^ low.rotate_left(32) ^ day).wrapping_add(0x9e37_79b9_7f4a_7c15);
    mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    let top = u32::try_from((mixed ^ (mixed >> 31)) >> 32).unwrap_or_default();
    (f64::from(top) + 0.5) / 4_294_967_296.0
}

/// Holds what was found against what was said.
#[must_use]
pub fn judge(asked: Asked, cases: Vec<Case>, left_out: LeftOut) -> (HindcastView, Vec<JudgedCase>) {
    let found: Vec<bool> = cases.iter().map(|case| case.found).collect();
    let (by_calendar, by_mean) = (calendar_rule(&cases), all_but_one_share(&found));
    let own: Vec<f64> = cases.iter().map(|case| case.found_probability).collect();
    // Cases come vessel by vessel.
    let mut vessels: Vec<VesselId> = Vec::new();
    let clusters: Vec<usize> = cases
        .iter()
        .map(|case| {
            if vessels.last() != Some(&case.vessel_id) {
                vessels.push(case.vessel_id);
            }
            vessels.len() - 1
        })
        .collect();
    let scores = |score: fn(f64, bool) -> f64| {
        let of = |chances: &[f64]| -> Vec<f64> {
            chances.iter().zip(&found).map(|(&chance, &found)| score(chance, found)).collect()
        };
        let forecast = of(&own);
        Some(Scores {
            calendar_rule: Comparison::of(&forecast, &of(&by_calendar), &clusters)?,
            fleet_mean: Comparison::of(&forecast, &of(&by_mean), &clusters)?,
        })
    };
    // Each life once, from its first forecast on: its later ones are about the same onset.
    let lives: Vec<&Case> = cases
        .iter()
        .enumerate()
        .filter(|(i, case)| {
            i.checked_sub(1).is_none_or(|before| {
                (cases[before].vessel_id, cases[before].life) != (case.vessel_id, case.life)
            })
        })
        .map(|(_, case)| case)
        .collect();
    let ranges: Vec<(f64, f64)> = lives.iter().map(|case| case.transform).collect();
    let drawn: Vec<f64> = lives
        .iter()
        .map(|case| case.transform.0 + (case.transform.1 - case.transform.0) * even(case))
        .collect();
    let learned = cases.iter().any(|case| case.basis == Basis::Learned);
    let mut view = HindcastView {
        model: MODEL.to_owned(),
        basis: if learned { Basis::Learned } else { Basis::Prior },
        from_year: asked.from_year,
        lead_months: asked.lead_months,
        surveys: whole(cases.len()),
        vessels: whole(vessels.len()),
        left_out,
        found: whole(found.iter().filter(|found| **found).count()),
        found_expected: own.iter().sum(),
        found_standard_deviation: own.iter().map(|p| p * (1.0 - p)).sum::<f64>().sqrt(),
        brier_score: scores(brier_score),
        log_score: scores(log_score),
        lives: whole(lives.len()),
        covered_fraction: covered_fraction(&ranges, 0.1, 0.9),
        transform: Spread::of(&drawn),
        chance_bands: chance_bands(&cases),
        findings: Vec::new(),
        limits: LIMITS.map(str::to_owned).to_vec(),
    };
    view.findings = findings(&view);
    let judged =
        cases.into_iter().zip(by_calendar.into_iter().zip(by_mean)).map(|(case, (by_calendar, by_mean))| {
            JudgedCase { case, calendar_rule_probability: by_calendar, fleet_mean_probability: by_mean }
        });
    (view, judged.collect())
}

fn whole(count: usize) -> u32 {
    u32::try_from(count).unwrap_or(u32::MAX)
}

fn chance_bands(cases: &[Case]) -> Vec<ChanceBand> {
    BANDS
        .windows(2)
        .filter_map(|bounds| {
            let (from, under) = (bounds[0], bounds[1]);
            let last = under >= 1.0;
            let own: Vec<&Case> = cases
                .iter()
                .filter(|case| case.found_probability >= from && (last || case.found_probability < under))
                .collect();
            let count = counted(own.len());
            (!own.is_empty()).then(|| ChanceBand {
                from_probability: from,
                under_probability: under,
                surveys: whole(own.len()),
                mean_probability: own.iter().map(|case| case.found_probability).sum::<f64>() / count,
                found_fraction: counted(own.iter().filter(|case| case.found).count()) / count,
            })
        })
        .collect()
}

/// How the forecasts stand to a baseline: it wins, the scores do not tell, or they win.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs, reason = "said above")]
pub enum Standing {
    Worse,
    Alike,
    Better,
}

impl Standing {
    /// By twice the standard error of the difference of two mean scores.
    #[must_use]
    pub fn of(scores: &Comparison) -> Self {
        match scores.forecast - scores.baseline {
            apart if apart.abs() <= 2.0 * scores.difference_standard_error => Self::Alike,
            apart if apart < 0.0 => Self::Better,
            _ => Self::Worse,
        }
    }

    /// In words, of the forecast.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Worse => "is worse than",
            Self::Alike => "cannot be told from",
            Self::Better => "is better than",
        }
    }
}

fn standing(scores: &Comparison, name: &str, baseline: &str) -> String {
    format!(
        "By the {name} score (lower is better) the forecast, {:.4}, {} {baseline}, {:.4}.",
        scores.forecast,
        Standing::of(scores).words(),
        scores.baseline
    )
}

fn findings(view: &HindcastView) -> Vec<String> {
    let Some((brier, log)) = view.brier_score.zip(view.log_score) else {
        return vec![format!(
            "No survey from {} on could be held against an earlier forecast: sign surveys of the whole bottom, of hulls \
             whose launch or year built is recorded.",
            view.from_year
        )];
    };
    let mut findings = vec![format!(
        "Of {} surveys from {} on, {} found blistering; {:.1} were expected to (standard deviation {:.1}).",
        view.surveys, view.from_year, view.found, view.found_expected, view.found_standard_deviation
    )];
    let off = (f64::from(view.found) - view.found_expected) / view.found_standard_deviation;
    if off.is_finite() && off.abs() > 2.0 {
        let what = if off > 0.0 { "more often than" } else { "less often than" };
        findings.push(format!(
            "Blistering was found {what} forecast: the dates are {}.",
            if off > 0.0 { "late" } else { "early" }
        ));
    }
    for (scores, name) in [(brier, "Brier"), (log, "log")] {
        findings.push(standing(&scores.calendar_rule, name, "the calendar rule"));
        findings.push(standing(&scores.fleet_mean, name, "the fleet mean"));
    }
    if let Some(covered) = view.covered_fraction {
        findings.push(format!(
            "Of {} lives the onset lay within the forecast's 10-90 range in {:.0} %, as far as surveys tell; 80 % is right.",
            view.lives,
            100.0 * covered
        ));
    }
    if let Some(spread) = view.transform.as_ref().filter(|spread| spread.chi_square_probability < 0.01) {
        findings.push(format!(
            "The transforms of the lives are not even (chi-square p = {:.4}): the forecasts are off.",
            spread.chi_square_probability
        ));
    }
    if usize::try_from(view.found).is_ok_and(|found| found < FOUND_NEEDED) {
        findings
            .push(format!("Under {FOUND_NEEDED} surveys found blistering: these figures say little yet."));
    }
    findings
}

#[cfg(test)]
mod tests {
    use super::{Cow, ENSEMBLE, Ensemble, Ensembles, NaiveDate};
    use crate::science::forecast::priors::Priors;

    #[test]
    fn each_day_has_the_ensemble_chosen_last_by_then() {
        let day = |text: &str| text.parse::<NaiveDate>().expect("a day");
        let members = |count| Cow::Owned(Ensemble::draw(count, 1, Priors::default()));
        let then = Ensembles(vec![(day("2020-05-01"), members(3)), (day("2022-05-01"), members(5))]);
        let size = |on: &str| then.on(day(on)).carried.len();
        assert_eq!(size("2020-04-30"), ENSEMBLE.carried.len(), "the priors");
        assert_eq!((size("2020-05-01"), size("2022-04-30"), size("2022-05-01")), (3, 3, 5));
        assert_eq!(Ensembles::default().on(day("2020-05-01")).carried.len(), ENSEMBLE.carried.len());
    }
}

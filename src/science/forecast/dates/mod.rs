//! The dates, one file a kind. Each rule reads one hull's [`Case`] and answers with a row of the due list.

pub mod antifouling;
pub mod barrier;
pub mod inspection;
pub mod repair;
pub mod treatment;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::facts::HullFacts;
use super::history::History;
use super::outlook::Outlook;
use super::priors::Priors;
use super::quantile::{DateQuantiles, WeightedSample};
use crate::science::cautions::Work;

/// What falls due.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum DueKind {
    /// The next look at the bottom.
    Inspection,
    /// The next barrier.
    Barrier,
    /// The next antifouling.
    Antifouling,
    /// The repair of an open break or damage.
    Repair,
    /// The curative treatment of a blistered hull.
    Treatment,
}

impl DueKind {
    /// The kinds of work it leads to.
    #[must_use]
    pub const fn works(self) -> &'static [Work] {
        match self {
            Self::Inspection => &[Work::Lifting, Work::WashDown],
            Self::Barrier => &[Work::Lifting, Work::WashDown, Work::Grinding, Work::EpoxyCoating],
            Self::Antifouling => &[Work::Lifting, Work::WashDown, Work::Antifouling],
            Self::Repair => &[Work::Lifting, Work::Grinding, Work::EpoxyCoating],
            Self::Treatment => {
                &[Work::Lifting, Work::WashDown, Work::Grinding, Work::EpoxyCoating, Work::ConfinedSpace]
            }
        }
    }
}

/// Whether a date could be set.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum DueStatus {
    /// It could; `due_on` is empty only where it lies past the horizon.
    Due,
    /// It could not; `reason` says what to enter.
    NotEnoughData,
}

/// The rule that set a date.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Driver {
    /// Longest time between whole examinations.
    CalendarMaximum,
    /// Chance of onset since the last clean survey.
    OnsetRisk,
    /// Follow-up of a finding.
    FollowUp,
    /// First look after a curative treatment.
    PostTreatment,
    /// Readings that rose on the same stations, or stand high over the dry reference.
    WetReadings,
    /// Growth of blisters already found.
    BlisterGrowth,
    /// Chance of onset in the coming year.
    OnsetRate,
    /// Age of the barrier.
    BarrierAge,
    /// Measured barrier film under its least.
    BarrierFilm,
    /// Failure of the coating found.
    CoatingFailure,
    /// Antifouling worn to its reserve.
    AntifoulingWear,
    /// Season limit of the antifouling.
    SeasonLimit,
    /// Antifouling too long out of the water.
    DryLimit,
    /// Chance of onset at an open break.
    BreakRisk,
    /// Longest time an open break or damage is left.
    RepairMaximum,
    /// Blistering found.
    BlisteringFound,
    /// A curative treatment that is not completed.
    TreatmentOpen,
    /// Nothing within the horizon.
    BeyondHorizon,
    /// Facts are missing.
    MissingFacts,
}

/// Where the onset model's numbers come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Basis {
    /// From the priors.
    Prior,
    /// From the fleet's own history.
    Learned,
}

/// One fact, default or finding that a date rests on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Evidence {
    /// Short stable word for programs; a default used begins with `default_`.
    pub code: &'static str,
    /// One sentence.
    pub text: String,
}

impl Evidence {
    pub(super) fn new(code: &'static str, text: impl Into<String>) -> Self {
        Self { code, text: text.into() }
    }
}

/// A row of the due list.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct DueDate {
    /// What falls due.
    pub kind: DueKind,
    /// Whether a date could be set.
    pub status: DueStatus,
    /// The date; one in the past is overdue.
    pub due_on: Option<NaiveDate>,
    /// Quantiles of the rule's own date over the members.
    pub due_range: Option<DateQuantiles>,
    /// The rule that set it.
    pub driver: Driver,
    /// One sentence with its numbers.
    pub reason: String,
    /// What it rests on, every default used included.
    pub evidence: Vec<Evidence>,
    /// Whether priors or learned values were used.
    pub basis: Basis,
    /// Each member's own day and its weight, which the range is of; none where members do not bear on it.
    #[serde(skip)]
    pub member_days: Vec<(f64, f64)>,
}

impl DueDate {
    /// A row that says what to enter.
    fn missing(kind: DueKind, reason: impl Into<String>, evidence: Vec<Evidence>) -> Self {
        Self {
            kind,
            status: DueStatus::NotEnoughData,
            due_on: None,
            due_range: None,
            driver: Driver::MissingFacts,
            reason: reason.into(),
            evidence,
            basis: Basis::Prior,
            member_days: Vec::new(),
        }
    }
}

/// Everything a rule reads.
pub struct Case<'a> {
    /// The facts known on the as-of date.
    pub facts: &'a HullFacts,
    /// The lives read from them.
    pub history: &'a History,
    /// The onset model; none for a cored bottom, an unknown beginning or a treatment under way.
    pub outlook: Option<&'a Outlook>,
    /// The values assumed.
    pub priors: &'a Priors,
    /// The defaults the onset model rests on.
    pub water_evidence: &'a [Evidence],
    /// Index among the course's breaks of each finding that has one.
    pub breaks: &'a [Option<usize>],
    /// The last date given.
    pub horizon: NaiveDate,
}

impl Case<'_> {
    /// Whether the onset model bears on dates: it stops once blistering has been found.
    fn onset_model(&self) -> Option<&Outlook> {
        self.outlook.filter(|_| self.history.current().onset_found.is_none())
    }

    /// Why there is no onset model, as evidence.
    fn no_model_evidence(&self) -> Option<Evidence> {
        if self.facts.cored {
            return Some(Evidence::new(
                "cored_no_water_forecast",
                "The bottom is cored: the water model does not hold for it, so no onset is forecast.",
            ));
        }
        (self.outlook.is_none() && self.history.treatment_open_since.is_none()).then(|| {
            Evidence::new(
                "no_beginning",
                "Neither launch nor year built is recorded, so exposure cannot be counted: enter one of them.",
            )
        })
    }
}

/// A candidate date with the rule behind it, as a day number.
struct Candidate {
    day: f64,
    driver: Driver,
    reason: String,
}

/// The earliest candidate.
fn earliest(candidates: Vec<Candidate>) -> Option<Candidate> {
    candidates.into_iter().min_by(|one, other| one.day.total_cmp(&other.day))
}

/// Each member's own day, or the earliest fixed day where that comes first.
fn held(members: Option<Vec<(f64, f64)>>, earliest_fixed: f64) -> Vec<(f64, f64)> {
    let days = members.into_iter().flatten();
    days.map(|(day, weight)| (day.min(earliest_fixed), weight)).collect()
}

/// The range of a rule in which members differ only up to fixed dates.
fn range(member_days: &[(f64, f64)], earliest_fixed: f64, horizon: NaiveDate) -> Option<DateQuantiles> {
    let fixed = [(earliest_fixed, 1.0)];
    let days = if member_days.is_empty() { &fixed[..] } else { member_days };
    WeightedSample::new(days.iter().copied()).map(|sample| sample.dates(horizon))
}

/// A probability as people say it.
fn counted(number: u32, unit: &str) -> String {
    if number == 1 { format!("1 {unit}") } else { format!("{number} {unit}s") }
}

fn percent(p: f64) -> String {
    let value = p * 100.0;
    if (value - value.round()).abs() < 1e-6 { format!("{value:.0} %") } else { format!("{value:.1} %") }
}

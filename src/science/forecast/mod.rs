//! When each hull is next due: the forecast of one hull.
//!
//! | part | equation or rule | source | valid for |
//! |---|---|---|---|
//! | [`calendar`] | months afloat and ashore from dated facts | the project's own, stated there | 1900-2199 |
//! | [`paths`] | exposure X(t) of each member, [`crate::science::exposure`] | Crank; Carslaw and Jaeger | as that |
//! | [`onset`], [`outlook`] | P = 1 - exp(-(X/η)^β), interval-censored lives | Meeker and Escobar 1998 | X ≥ 0 |
//! | [`ensemble`], [`sobol`] | scrambled Sobol points through the [`priors`] | Joe and Kuo 2008; Owen 1995 | 1-4,096 |
//! | [`quantile`] | weighted quantiles, midpoint definition | Hyndman and Fan 1996, definition 5 | any weights |
//! | [`readings`] | a hull whose readings rose, or stand high, is looked at sooner | common practice, no source | one instrument |
//! | [`dates`] | the due kinds, by the limits of a [`policy`] | common practice, no source | |
//!
//! The priors are priors: until a fleet's history has been learned every date says so. A forecast never says
//! that a hull is sound.

pub mod calendar;
pub mod check;
pub mod course;
pub mod dates;
pub mod day;
pub mod ensemble;
pub mod facts;
pub mod history;
pub mod onset;
pub mod outlook;
pub mod paths;
pub mod policy;
pub mod portrait;
pub mod priors;
pub mod quantile;
pub mod readings;
pub mod sensitivity;
pub mod skins;
pub mod sobol;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use utoipa::ToSchema;

use self::dates::{Basis, Case, DueDate};
use self::ensemble::{Ensemble, MAX_MEMBERS};
use self::facts::HullFacts;
use self::history::History;
use self::outlook::Outlook;
use self::paths::Paths;
use self::priors::Priors;
use self::quantile::Quantiles;
use super::cautions::cautions;
use super::refusal::Refusals;

/// Name and version of the model behind every forecast.
pub const MODEL: &str = "hull-dates 2";

/// When blistering begins if nothing is done.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Onset {
    /// One in ten such hulls has begun by then; none past the horizon.
    pub p10: Option<NaiveDate>,
    /// Half have.
    pub p50: Option<NaiveDate>,
    /// Nine in ten have.
    pub p90: Option<NaiveDate>,
    /// Chance that it begins after the horizon.
    pub beyond_horizon_probability: f64,
}

/// Chance that blistering has begun by a day.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct RiskPoint {
    /// The day.
    pub on: NaiveDate,
    /// The chance, 0 to 1.
    pub risk: f64,
}

/// The forecast of one hull.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Forecast {
    /// Name and version of the model.
    pub model: &'static str,
    /// The day it was made for.
    pub as_of: NaiveDate,
    /// SHA-256 (hex) of the facts known then, with model, members and seed.
    pub inputs_hash: String,
    /// The rows of the due list.
    pub dates: Vec<DueDate>,
    /// When blistering begins; none where no onset can be forecast or it has been found.
    pub onset: Option<Onset>,
    /// Exposure of the current life so far.
    pub exposure_years_now: Option<Quantiles>,
    /// Chance of onset a year apart from the as-of date to the horizon.
    pub risk_curve: Vec<RiskPoint>,
    /// What to mind in the work these dates lead to.
    pub cautions: Vec<&'static str>,
}

/// Forecasts one hull with an ensemble drawn for it alone.
///
/// Many hulls share one ensemble: draw it once and call [`forecast_with`].
///
/// # Errors
/// Facts that no forecast can be made from, each with its pointer; `members` outside 1 to
/// [`MAX_MEMBERS`].
pub fn forecast(facts: &HullFacts, members: usize, seed: u64) -> Result<Forecast, Refusals> {
    if !(1..=MAX_MEMBERS).contains(&members) {
        let mut refusals = Refusals::default();
        refusals.refuse("/members", "out_of_range", format!("is {members}; enter 1 to {MAX_MEMBERS}"));
        return Err(refusals);
    }
    forecast_with(facts, &Ensemble::draw(members, seed, Priors::default()))
}

/// Forecasts one hull: same facts and ensemble, same answer. Facts dated after `as_of` change nothing.
///
/// # Errors
/// Facts that no forecast can be made from, each with its pointer.
pub fn forecast_with(facts: &HullFacts, ensemble: &Ensemble) -> Result<Forecast, Refusals> {
    check::check(facts)?;
    let facts = facts.known();
    let history = History::read(&facts);
    let horizon = day::months_after(facts.as_of, 12 * facts.policy.horizon_years);
    // The yearly rate looks a year past the last date it is asked for.
    let until = day::months_after(horizon, 13);
    let (outlook, breaks) = match course::build(&facts, &history, until, &ensemble.priors) {
        Some((course, breaks)) => {
            let paths = Paths::run(&course, ensemble);
            (Some(Outlook::weigh(course, paths, &history, ensemble, &facts, horizon)), breaks)
        }
        None => (None, vec![None; facts.findings.len()]),
    };
    let water_evidence = match &outlook {
        Some(outlook) => outlook_evidence(&facts, &history, outlook, ensemble),
        None => Vec::new(),
    };
    let case = Case {
        facts: &facts,
        history: &history,
        outlook: outlook.as_ref(),
        priors: &ensemble.priors,
        water_evidence: &water_evidence,
        breaks: &breaks,
        horizon,
    };
    let mut dates = due_dates(&case);
    if ensemble.lesson.is_some() {
        for due in dates.iter_mut().filter(|due| rests_on_onset(due)) {
            due.basis = Basis::Learned;
        }
    }
    let onset_model = outlook.as_ref().filter(|_| history.current().onset_found.is_none());
    Ok(Forecast {
        model: MODEL,
        as_of: facts.as_of,
        inputs_hash: inputs_hash(&facts, ensemble),
        onset: onset_model.map(|outlook| onset(outlook, horizon)),
        exposure_years_now: outlook.as_ref().and_then(|outlook| outlook.exposure_years(facts.as_of)),
        risk_curve: onset_model.map(|outlook| risk_curve(outlook, &facts)).unwrap_or_default(),
        cautions: cautions(dates.iter().flat_map(|due| due.kind.works()).copied()),
        dates,
    })
}

/// Whether a date rests on the onset model: its evidence then says where the model's numbers are from.
fn rests_on_onset(due: &DueDate) -> bool {
    due.evidence.iter().any(|evidence| evidence.code == course::LEARNED_ONSET)
}

/// The onset of a hull as expected on its as-of date, followed no further than `until`; none where no onset can be
/// forecast or it has been found.
///
/// # Errors
/// Facts that no forecast can be made from, each with its pointer.
pub fn onset_outlook(
    facts: &HullFacts,
    ensemble: &Ensemble,
    until: NaiveDate,
) -> Result<Option<Outlook>, Refusals> {
    check::check(facts)?;
    let mut facts = facts.known();
    // The bottom around its breaks.
    facts.findings.clear();
    let history = History::read(&facts);
    if history.current().onset_found.is_some() {
        return Ok(None);
    }
    Ok(course::build(&facts, &history, until, &ensemble.priors).map(|(course, _)| {
        let paths = Paths::run(&course, ensemble);
        Outlook::weigh(course, paths, &history, ensemble, &facts, until)
    }))
}

fn due_dates(case: &Case) -> Vec<DueDate> {
    [
        Some(dates::inspection::due(case)),
        dates::barrier::due(case),
        Some(dates::antifouling::due(case)),
        dates::repair::due(case),
        dates::treatment::due(case),
    ]
    .into_iter()
    .flatten()
    .collect()
}

fn onset(outlook: &Outlook, horizon: NaiveDate) -> Onset {
    let quantile::DateQuantiles { p10, p50, p90 } = outlook.onset();
    Onset { p10, p50, p90, beyond_horizon_probability: 1.0 - outlook.risk(day::number(horizon)) }
}

fn risk_curve(outlook: &Outlook, facts: &HullFacts) -> Vec<RiskPoint> {
    (0..=facts.policy.horizon_years)
        .map(|year| {
            let on = day::months_after(facts.as_of, 12 * year);
            RiskPoint { on, risk: outlook.risk(day::number(on)) }
        })
        .collect()
}

fn outlook_evidence(
    facts: &HullFacts,
    history: &History,
    outlook: &Outlook,
    ensemble: &Ensemble,
) -> Vec<dates::Evidence> {
    let mut evidence = course::evidence(facts, history, &ensemble.priors, ensemble.lesson.as_ref());
    if outlook.contradicted {
        evidence.push(dates::Evidence::new(
            "surveys_contradict_prior",
            "No member of the ensemble could have given what the surveys found: they were left out of the weights.",
        ));
    }
    evidence
}

/// SHA-256, hex, of the JSON of the known facts with model, members and seed; every list is in date order.
fn inputs_hash(facts: &HullFacts, ensemble: &Ensemble) -> String {
    #[derive(Serialize)]
    struct Inputs<'a> {
        model: &'static str,
        members: usize,
        seed: u64,
        #[serde(skip_serializing_if = "Option::is_none")]
        calibration: Option<&'a str>,
        facts: &'a HullFacts,
    }
    let calibration = ensemble.lesson.as_ref().map(|lesson| lesson.name.as_str());
    let inputs =
        Inputs { model: MODEL, members: ensemble.members(), seed: ensemble.seed, calibration, facts };
    let json = serde_json::to_vec(&inputs).expect("plain structs of finite numbers and dates serialise");
    Sha256::digest(&json).iter().fold(String::new(), |hex, byte| hex + &format!("{byte:02x}"))
}

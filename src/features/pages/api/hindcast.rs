//! How right the dates have been: past surveys held against the forecasts that were possible before them.

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse};
use askama::Template;
use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};

use super::form;
use super::frame::{Frame, organisation_name, send_as};
use super::session::PagePermit;
use super::statistics::LONGEST_WAIT;
use super::yard_words::for_people;
use crate::error::{Code, Error, Result};
use crate::features::due::api::list::organisation_today;
use crate::features::hindcasts::api::{self, YEARS, hindcast};
use crate::features::hindcasts::model::{
    Asked as Question, ChanceBand, HindcastView, LEAD_MONTHS, LeftOut, MAX_LEAD_MONTHS, Standing,
};
use crate::features::pages::model::chart::{Pair, per_cent};
use crate::features::pages::model::proof;
use crate::features::surveys;
use crate::features::vessels::model::FIRST_YEAR;
use crate::http::csv::whole;
use crate::http::problem::status;
use crate::http::{App, Outcome};
use crate::permissions::Read;
use crate::science::forecast::dates::Basis;
use crate::science::hindcast::scores::Comparison;

/// Up to so many surveys are looked back on without being asked: that takes a second or two.
const MOST_UNASKED: i64 = 500;

/// What is asked, as it was typed.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Asked {
    #[serde(skip_serializing_if = "Option::is_none")]
    from_year: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    lead_months: Option<String>,
}

impl Asked {
    fn question(&self, today: NaiveDate) -> Result<Question> {
        let whole = |name: &'static str, typed: &str| {
            let detail = "is no whole number. Enter digits alone.";
            typed.trim().parse::<u32>().map_err(|cause| Error::field(name, "type", detail).because(cause))
        };
        let year = self.from_year.as_deref().map(|typed| whole("from_year", typed)).transpose()?;
        let lead = self.lead_months.as_deref().map(|typed| whole("lead_months", typed)).transpose()?;
        let from_year = year.map_or(today.year() - YEARS, |year| i32::try_from(year).unwrap_or(i32::MAX));
        Question { from_year, lead_months: lead.unwrap_or(LEAD_MONTHS) }.checked(today)
    }
}

/// A score against one baseline.
struct ScoreRow {
    name: &'static str,
    baseline: &'static str,
    forecast: String,
    other: String,
    verdict: &'static str,
    away: String,
}

fn rows(view: &HindcastView) -> Vec<(Standing, ScoreRow)> {
    let scores = [("Brier", view.brier_score), ("log", view.log_score)];
    let compared = scores.into_iter().filter_map(|(name, scores)| scores.map(|scores| (name, scores)));
    let row = |name, baseline, scores: &Comparison| {
        let standing = Standing::of(scores);
        let away = scores.skill.map_or_else(String::new, |skill| {
            let share = per_cent(skill.abs());
            if skill >= 0.0 { format!("{share} less") } else { format!("{share} more") }
        });
        let row = ScoreRow {
            name,
            baseline,
            forecast: format!("{:.4}", scores.forecast),
            other: format!("{:.4}", scores.baseline),
            verdict: standing.words(),
            away,
        };
        (standing, row)
    };
    compared
        .flat_map(|(name, scores)| {
            [
                row(name, "the calendar rule", &scores.calendar_rule),
                row(name, "the fleet mean", &scores.fleet_mean),
            ]
        })
        .collect()
}

/// The verdict, the worst first.
fn verdict(rows: &[(Standing, ScoreRow)]) -> (bool, Vec<String>) {
    let of = |wanted: Standing| rows.iter().filter(move |(standing, _)| *standing == wanted);
    let worse: Vec<String> = of(Standing::Worse)
        .map(|(_, row)| {
            format!(
                "By the {} score {} did better than the forecasts: {} against {}, and lower is better.",
                row.name, row.baseline, row.other, row.forecast
            )
        })
        .collect();
    if !worse.is_empty() {
        return (true, worse);
    }
    let (alike, better) = (of(Standing::Alike).count(), of(Standing::Better).count());
    let told = match (alike, better) {
        (0, _) => "The forecasts did better than the calendar rule and the fleet mean, by both scores.".to_owned(),
        (_, 0) => "By neither score can the forecasts be told from a calendar rule or from the mean of the fleet: these surveys do not show that the forecasts are worth more.".to_owned(),
        _ => format!(
            "The forecasts did better in {better} of {} comparisons; in the others the surveys do not tell. No baseline did better.",
            alike + better
        ),
    };
    (false, vec![told])
}

fn left_out(left_out: LeftOut) -> Vec<String> {
    let told = [
        (
            left_out.undecided,
            "told nothing of onset: a part of the bottom, or blisters too few and small to count",
        ),
        (left_out.already_blistered, "were of a bottom found blistered before and not treated since"),
        (left_out.skin_changed, "came after work on the skin since the forecast"),
        (left_out.without_a_day_before, "had no day before them in the life to forecast on"),
        (left_out.not_forecast, "were of hulls for which no onset can be forecast"),
    ];
    told.into_iter().filter(|(count, _)| *count > 0).map(|(count, why)| format!("{count} {why}")).collect()
}

/// What was found, for the page.
struct Found {
    wins: bool,
    verdict: Vec<String>,
    view: HindcastView,
    basis: &'static str,
    scores: Vec<ScoreRow>,
    coverage: Option<Pair>,
    transform: Option<Pair>,
    tenths: Vec<[String; 2]>,
    chances: Option<Pair>,
    bands: Vec<[String; 4]>,
    left_out: Vec<String>,
}

fn band(band: &ChanceBand) -> [String; 4] {
    [
        format!("{} to under {}", per_cent(band.from_probability), per_cent(band.under_probability)),
        band.surveys.to_string(),
        format!("{:.1}\u{a0}%", 100.0 * band.mean_probability),
        format!("{:.1}\u{a0}%", 100.0 * band.found_fraction),
    ]
}

fn found(view: HindcastView) -> Found {
    let compared = rows(&view);
    let (wins, verdict) = if compared.is_empty() { (false, Vec::new()) } else { verdict(&compared) };
    let tenths = view.transform.as_ref().map(|spread| {
        spread
            .tenths
            .iter()
            .enumerate()
            .map(|(n, lives)| [format!("{} to {}\u{a0}%", n * 10, n * 10 + 10), lives.to_string()])
    });
    Found {
        wins,
        verdict,
        basis: match view.basis {
            Basis::Prior => "The forecasts rested on the priors: nothing had been learned by their days.",
            Basis::Learned => "Some of the forecasts rested on what had been learned by their day.",
        },
        coverage: view.covered_fraction.map(|covered| {
            let title = format!("In {} of lives the onset lay within the range", per_cent(covered));
            Pair::of(|room| proof::coverage(room, covered, &title))
        }),
        transform: view.transform.as_ref().map(|spread| {
            Pair::of(|room| proof::histogram(room, spread, "Where in the forecast each onset fell"))
        }),
        tenths: tenths.into_iter().flatten().collect(),
        chances: (!view.chance_bands.is_empty()).then(|| {
            Pair::of(|room| proof::chances(room, &view.chance_bands, "Chances, and how often they came true"))
        }),
        bands: view.chance_bands.iter().map(band).collect(),
        left_out: left_out(view.left_out),
        scores: compared.into_iter().map(|(_, row)| row).collect(),
        view,
    }
}

/// A field of the form.
struct Typed {
    name: &'static str,
    label: String,
    value: String,
    problem: Option<String>,
}

#[derive(Template)]
#[template(path = "hindcast.html")]
struct HindcastPage {
    frame: Frame,
    fields: Vec<Typed>,
    waits: Option<i64>,
    busy: Option<String>,
    found: Option<Found>,
    csv: String,
}

fn fields(asked: &Asked, today: NaiveDate, error: Option<&Error>) -> Vec<Typed> {
    let problem = |name: &str| {
        let fault = error?.fields.iter().find(|fault| fault.pointer.trim_start_matches('/') == name)?;
        Some(for_people(&fault.detail))
    };
    let (first, last) = (FIRST_YEAR, today.year());
    vec![
        Typed {
            name: "from_year",
            label: format!("Surveys from the year, {first} to {last}"),
            value: asked.from_year.clone().unwrap_or_else(|| (last - YEARS).to_string()),
            problem: problem("from_year"),
        },
        Typed {
            name: "lead_months",
            label: format!("Forecast so many months before, 1 to {MAX_LEAD_MONTHS}"),
            value: asked.lead_months.clone().unwrap_or_else(|| LEAD_MONTHS.to_string()),
            problem: problem("lead_months"),
        },
    ]
}

/// How right the dates have been.
///
/// # Errors
/// Those of the database; invalid parameters.
pub async fn show(app: App, request: HttpRequest, permit: PagePermit<Read>) -> Outcome {
    let asked: Asked = form::query(&request)?;
    let unasked = asked.from_year.is_none();
    let (today, organisation, surveys) = app
        .read(&permit.0, move |tx| {
            let today = organisation_today(tx)?;
            let first = NaiveDate::from_ymd_opt(today.year() - YEARS, 1, 1).unwrap_or(today);
            let surveyed =
                if unasked { surveys::store::vessels_surveyed_since(tx, first)? } else { Vec::new() };
            Ok((today, organisation_name(tx)?, surveyed.iter().map(|(_, count)| count).sum::<i64>()))
        })
        .await?;
    let waits = (unasked && surveys > MOST_UNASKED).then_some(surveys);
    let answer = match asked.question(today) {
        Err(error) => Err(error),
        Ok(_) if waits.is_some() => Ok(None),
        Ok(question) => hindcast(&app, &permit.0, question, LONGEST_WAIT).await.map(Some),
    };
    let frame = Frame::of(&request, organisation, "statistics", "How right the dates were")?;
    let query = serde_urlencoded::to_string(&asked).map_err(Error::internal)?;
    let csv = format!("/hindcast.csv?{query}");
    let mut page =
        HindcastPage { frame, fields: fields(&asked, today, None), waits, busy: None, found: None, csv };
    match answer {
        Ok(answer) => {
            page.found = answer.map(|(view, _)| found(view));
            send_as(StatusCode::OK, &page)
        }
        Err(error) if error.code == Code::Unavailable => {
            page.busy = Some(error.detail);
            send_as(StatusCode::SERVICE_UNAVAILABLE, &page)
        }
        Err(error) if error.code == Code::Invalid => {
            page.fields = fields(&asked, today, Some(&error));
            send_as(status(error.code), &page)
        }
        Err(error) => Err(error),
    }
}

/// Every survey with what was said of it, as CSV.
///
/// # Errors
/// Unavailable; those of the database; invalid parameters.
pub async fn csv(app: App, request: HttpRequest, permit: PagePermit<Read>) -> Result<HttpResponse> {
    let asked: Asked = form::query(&request)?;
    let today = app.read(&permit.0, organisation_today).await?;
    let (_, cases) = hindcast(&app, &permit.0, asked.question(today)?, LONGEST_WAIT).await?;
    Ok(whole("hindcast.csv", api::csv(&cases)?))
}

#[cfg(test)]
mod tests {
    use super::{Standing, rows, verdict};
    use crate::features::hindcasts::model::{Asked, HindcastView, LeftOut, Scores, judge};
    use crate::science::hindcast::scores::Comparison;

    fn judged(brier: [f64; 2], log: [f64; 2]) -> HindcastView {
        let (mut view, _) = judge(Asked { from_year: 2014, lead_months: 12 }, Vec::new(), LeftOut::default());
        let against =
            |baseline| Comparison { forecast: 0.2, baseline, skill: None, difference_standard_error: 0.01 };
        let scores =
            |of: [f64; 2]| Some(Scores { calendar_rule: against(of[0]), fleet_mean: against(of[1]) });
        (view.brier_score, view.log_score) = (scores(brier), scores(log));
        view
    }

    /// Bad news first: one baseline that wins is all that the verdict speaks of.
    #[test]
    fn a_baseline_that_wins_is_told_first_and_alone() {
        let (wins, told) = verdict(&rows(&judged([0.3, 0.3], [0.1, 0.3])));
        assert!(
            wins && told.len() == 1 && told[0].contains("log score the calendar rule did better"),
            "{told:?}"
        );
        let (wins, told) = verdict(&rows(&judged([0.3, 0.3], [0.3, 0.3])));
        assert!(!wins && told[0].contains("by both scores"), "{told:?}");
        let (wins, told) = verdict(&rows(&judged([0.21, 0.19], [0.2, 0.2])));
        assert!(!wins && told[0].contains("By neither score"), "{told:?}");
        let (wins, told) = verdict(&rows(&judged([0.3, 0.19], [0.2, 0.2])));
        assert!(!wins && told[0].contains("in 1 of 4"), "{told:?}");
        assert_eq!(rows(&judged([0.3, 0.19], [0.2, 0.1]))[3].0, Standing::Worse);
    }
}

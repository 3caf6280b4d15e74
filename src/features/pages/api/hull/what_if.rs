//! What would move the dates of a hull: its bilge, its skin, its season ashore, its site.

use actix_web::HttpRequest;
use actix_web::http::StatusCode;
use serde::Deserialize;

use super::page::{Asked, shown};
use crate::error::{Code, Error, Result};
use crate::features::calibrations::model::ensemble;
use crate::features::forecasts::api::what_if::considered;
use crate::features::forecasts::model::drawn;
use crate::features::forecasts::model::what_if::{AddedBarrier, SeasonAshore, WhatIf, WhatIfAnswer};
use crate::features::forecasts::store::subjects;
use crate::features::pages::api::form::Filled;
use crate::features::pages::api::session::PagePermit;
use crate::http::body::validated;
use crate::http::state::blocking;
use crate::http::{App, At, Outcome};
use crate::ids::{SiteId, VesselId};
use crate::permissions::Read;
use crate::science::climate::MonthNormals;
use crate::science::forecast::facts::Bilge;
use crate::science::forecast::portrait::Portrait;

/// Months that a winter ashore lasts.
const WINTER_MONTHS: usize = 5;

/// How it would stand ashore.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Ashore {
    /// In the coldest months.
    Winter,
    /// Never.
    Afloat,
}

/// What was filled in; a field left out stays as it is.
#[derive(Debug, Clone, Default, Deserialize)]
pub struct Question {
    /// How the bilge would be found.
    pub bilge: Option<Bilge>,
    /// A barrier's film, as it was typed.
    pub barrier_um: Option<String>,
    /// When it would stand ashore.
    pub ashore: Option<Ashore>,
    /// Where it would lie.
    pub site_id: Option<SiteId>,
}

/// A question with what came of it.
pub struct Asking {
    /// What was asked.
    pub question: Question,
    /// The answer, and what there is to draw of the hull as it would be.
    pub answer: Option<(WhatIfAnswer, Option<Portrait>)>,
    /// What is wrong with the question.
    pub problem: Option<String>,
}

/// First and last of the coldest months in a row, 1 to 12.
#[must_use]
pub fn winter(months: &[MonthNormals; 12]) -> (u32, u32) {
    let cold = |first: usize| -> f64 {
        (0..WINTER_MONTHS)
            .filter_map(|n| months.get((first + n) % 12))
            .map(|month| month.air_temperature_c)
            .sum()
    };
    let first = (0..12).min_by(|one, two| cold(*one).total_cmp(&cold(*two))).unwrap_or(0);
    let number = |month: usize| u32::try_from(month % 12).unwrap_or(0) + 1;
    (number(first), number(first + WINTER_MONTHS - 1))
}

impl Question {
    fn read(&self, months: &[MonthNormals; 12]) -> Result<WhatIf> {
        let barrier = self.barrier_um.as_deref().map(film_um).transpose()?;
        let season_ashore = self.ashore.map(|ashore| match ashore {
            Ashore::Afloat => SeasonAshore { ashore_from_month: None, ashore_until_month: None },
            Ashore::Winter => {
                let (from, until) = winter(months);
                SeasonAshore { ashore_from_month: Some(from), ashore_until_month: Some(until) }
            }
        });
        let asked = WhatIf {
            bilge: self.bilge,
            season_ashore,
            barrier: barrier.map(|dry_film_um| AddedBarrier { dry_film_um, permeability_kg_m_s: None }),
            site_id: self.site_id,
            climate: None,
        };
        if self.bilge.is_none()
            && self.barrier_um.is_none()
            && self.ashore.is_none()
            && self.site_id.is_none()
        {
            let detail = "Choose at least one thing that would be other than it is.";
            return Err(Error::new(Code::Invalid, detail));
        }
        validated(asked)
    }
}

fn film_um(typed: &str) -> Result<f64> {
    let number =
        typed.trim().replace(',', ".").parse::<f64>().ok().filter(|film| (1.0..=10_000.0).contains(film));
    number.ok_or_else(|| {
        let detail = "The barrier\u{2019}s film is not a number of micrometres from 1 to 10,000. Correct it, or leave it empty.";
        Error::new(Code::Invalid, detail)
    })
}

/// Answers a question about a hull, on its page.
///
/// # Errors
/// Not found; those of the database.
pub async fn ask(
    app: App,
    request: HttpRequest,
    permit: PagePermit<Read>,
    id: At<VesselId>,
    question: Filled<Question>,
) -> Outcome {
    let question = question.0;
    let asking = match answer(&app, &permit, id.0, &question).await {
        Ok(answer) => Asking { question, answer: Some(answer), problem: None },
        Err(error) if error.code == Code::Invalid => {
            let told = error.fields.first().map(|field| field.detail.clone());
            let problem = told.unwrap_or_else(|| error.detail.clone());
            Asking { question, answer: None, problem: Some(problem) }
        }
        Err(error) => return Err(error),
    };
    let status = if asking.problem.is_some() { StatusCode::UNPROCESSABLE_ENTITY } else { StatusCode::OK };
    shown(&app, &request, &permit, id.0, Asked::default(), Some(asking), status).await
}

async fn answer(
    app: &App,
    permit: &PagePermit<Read>,
    id: VesselId,
    question: &Question,
) -> Result<(WhatIfAnswer, Option<Portrait>)> {
    let found = app.read(&permit.0, move |tx| Ok(subjects(tx, &[id], None)?.pop())).await?;
    let subject = found.ok_or_else(|| Error::not_found("vessel"))?;
    let asked = question.read(&subject.facts.months)?;
    let considered = considered(app, &permit.0, id, asked).await?;
    let portrait = blocking(move || Ok(drawn(&considered.changed, &ensemble(considered.followed.as_ref()))));
    Ok((considered.answer, portrait.await?))
}

#[cfg(test)]
mod tests {
    use super::{Question, film_um, winter};
    use crate::science::climate::climates;

    #[test]
    fn winter_is_the_coldest_stretch_wherever_the_hull_lies() {
        let mut months = climates()[0].months;
        for (n, month) in months.iter_mut().enumerate() {
            month.air_temperature_c = if [5, 6, 7].contains(&n) { 8.0 } else { 20.0 };
            if [4, 8].contains(&n) {
                month.air_temperature_c = 12.0;
            }
        }
        assert_eq!(winter(&months), (5, 9), "a southern winter");
        months.rotate_left(6);
        assert_eq!(winter(&months), (11, 3), "over the year's end");
    }

    #[test]
    fn what_is_typed_is_read_or_refused() {
        assert!((film_um(" 250,5 ").unwrap_or(0.0) - 250.5).abs() < 1e-9);
        for typed in ["thick", "0", "-1", "1e9", "NaN", "inf", ""] {
            assert!(film_um(typed).is_err(), "{typed}");
        }
        assert!(Question::default().read(&climates()[0].months).is_err(), "nothing asked");
    }
}

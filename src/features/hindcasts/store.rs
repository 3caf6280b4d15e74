//! The past read vessel by vessel, and held against the forecasts of then.

use std::time::Instant;

use chrono::NaiveDate;
use rayon::prelude::*;

use super::model::{Asked, Case, Ensembles, HindcastView, JudgedCase, LeftOut, MAX_SURVEYS, judge};
use crate::db::{Actor, Db, Tx};
use crate::error::{Code, Error, Result};
use crate::features::calibrations;
use crate::features::forecasts::store::{Past, past};
use crate::features::surveys::store as surveys;
use crate::ids::VesselId;
use crate::science::forecast::dates::Basis;
use crate::science::hindcast::{answer, questions};

/// Vessels read at a time.
const CHUNK: usize = 100;

/// Makes the forecasts of the past and judges them; no transaction is open while they are computed.
///
/// # Errors
/// Too many surveys; unavailable once `until` has passed; those of the database.
pub fn hindcast(
    db: &Db,
    actor: &Actor,
    asked: Asked,
    until: Option<Instant>,
) -> Result<(HindcastView, Vec<JudgedCase>)> {
    let from_on = NaiveDate::from_ymd_opt(asked.from_year, 1, 1).ok_or_else(|| Error::internal("a year"))?;
    let (surveyed, ensembles) =
        db.read(actor, |tx| Ok((surveys::vessels_surveyed_since(tx, from_on)?, ensembles(tx)?)))?;
    if surveyed.iter().map(|(_, count)| count).sum::<i64>() > MAX_SURVEYS {
        let detail = format!("takes in more than {MAX_SURVEYS} surveys. Ask from a later year.");
        return Err(Error::field("from_year", "too_many", detail));
    }
    let vessels: Vec<VesselId> = surveyed.into_iter().map(|(id, _)| id).collect();
    let (mut cases, mut left_out) = (Vec::new(), LeftOut::default());
    for chunk in vessels.chunks(CHUNK) {
        if until.is_some_and(|until| Instant::now() >= until) {
            return Err(Error::new(
                Code::Unavailable,
                "The hindcast took too long and was given up. Ask from a later year, or use the command hindcast.",
            ));
        }
        let pasts = db.read(actor, |tx| past(tx, chunk))?;
        let judged: Vec<(Vec<Case>, LeftOut)> =
            pasts.par_iter().map(|past| of_vessel(past, asked, &ensembles)).collect::<Result<_>>()?;
        for (own, own_left_out) in judged {
            cases.extend(own);
            left_out = left_out.and(own_left_out);
        }
    }
    Ok(judge(asked, cases, left_out))
}

/// What the dates followed, from the day of each choice on.
fn ensembles(tx: &mut Tx<'_>) -> Result<Ensembles> {
    let chosen = calibrations::store::choices(tx)?;
    let followed = chosen.into_iter().map(|choice| {
        let followed = choice.calibration_id.map(|id| calibrations::store::read(tx, id)).transpose()?;
        let followed = followed.map(|stored| stored.followed);
        Ok((choice.chosen_at.date_naive(), calibrations::model::ensemble(followed.as_ref())))
    });
    Ok(Ensembles(followed.collect::<Result<_>>()?))
}

fn of_vessel(past: &Past, asked: Asked, ensembles: &Ensembles) -> Result<(Vec<Case>, LeftOut)> {
    let questions = questions(&past.subject.facts, asked.from_year, asked.lead_months);
    let mut left_out = LeftOut::of(&questions);
    let mut cases = Vec::with_capacity(questions.asked.len());
    for question in &questions.asked {
        let then = past.then(question.as_of)?.facts;
        let ensemble = ensembles.on(question.as_of);
        let Ok(Some(said)) = answer(question, &then, ensemble) else {
            left_out.not_forecast += 1;
            continue;
        };
        cases.push(Case {
            vessel_id: past.subject.vessel_id,
            vessel_name: past.vessel_name.clone(),
            as_of: question.as_of,
            surveyed_on: question.surveyed_on,
            found: question.found,
            found_probability: said.found_probability,
            life: question.life,
            life_years: question.life_years,
            transform: said.transform,
            basis: if ensemble.lesson.is_some() { Basis::Learned } else { Basis::Prior },
        });
    }
    Ok((cases, left_out))
}

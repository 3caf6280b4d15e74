//! The handler of learning: what the lives of the fleet say is gathered in pieces of a few queries, fitted without a
//! connection, and kept with what it would do to the dates. Once a week, and when asked.

use std::slice;

use chrono::{NaiveTime, Weekday};
use rayon::prelude::*;
use uuid::Uuid;

use super::model::inputs::inputs_sha256;
use super::model::moves::{Comparison, Moves};
use super::store;
use crate::db::{Actor, Db, Tx};
use crate::error::{Code, Error, Result};
use crate::features::accounts;
use crate::features::calibrations;
use crate::features::calibrations::api::versions::choose;
use crate::features::calibrations::model::{
    ENSEMBLE, Followed, LearningFields, accepted_by_itself, ensemble,
};
use crate::features::calibrations::store::{NewCalibration, StoredCalibration};
use crate::features::forecasts::model::{compute, today, zone};
use crate::features::forecasts::store::{Subject, subjects};
use crate::features::vessels;
use crate::ids::{CalibrationId, Id, OrgId, RequestId, VesselId};
use crate::jobs::queue::{LEARNING, still_claimed};
use crate::jobs::schedule::{self, Recurrence};
use crate::jobs::{Job, hold_on};
use crate::science::forecast::facts::HullFacts;
use crate::science::learning::calibration::Calibration;
use crate::science::learning::evidence::FleetEvidence;
use crate::science::learning::pooling::{LEAST_PEERS, LikelihoodSums, pooled};
use crate::science::learning::prior::LearningPrior;
use crate::science::learning::skin_systems::compare;

/// Vessels whose facts are in memory at once.
const PIECE: usize = 500;
/// The hour of the week, in the organisation's time zone.
const WEEKLY: (Weekday, u32) = (Weekday::Sun, 3);

/// Learns from the organisation's records where the subject is the organisation; where it is a calibration, tells again
/// how the dates would move to it.
///
/// # Errors
/// Those of the database; a conflict, where the fit finds no top.
pub fn handle(db: &Db, org_id: OrgId, jobs: &[Job]) -> Result<()> {
    let actor = Actor::service(org_id, RequestId::fresh());
    jobs.iter().try_for_each(|job| {
        let run = Run { db, actor: &actor, job };
        if job.subject_id == Uuid::from(org_id) { run.learn() } else { run.tell_moves(job.subject_id.into()) }
    })
}

/// Sees to it that the organisation's records are learned from once a week, in the night to Sunday.
///
/// # Errors
/// Those of the database.
pub fn recur(tx: &mut Tx<'_>) -> Result<()> {
    let zone = zone(&accounts::store::organisation(tx)?.fields.time_zone);
    let local_time = NaiveTime::from_hms_opt(WEEKLY.1, 0, 0).unwrap_or(NaiveTime::MIN);
    let weekly = Recurrence { weekday: Some(WEEKLY.0), local_time, zone };
    schedule::set_if_none(tx, LEARNING, tx.org_id().into(), &weekly)
}

struct Run<'a> {
    db: &'a Db,
    actor: &'a Actor,
    job: &'a Job,
}

impl Run<'_> {
    fn learn(&self) -> Result<()> {
        let (settings, latest, in_use, vessels) = self.db.read(self.actor, |tx| {
            Ok((
                calibrations::store::settings(tx)?.0,
                calibrations::store::latest(tx)?,
                calibrations::store::in_use(tx)?,
                store::surveyed(tx)?,
            ))
        })?;
        let mut fleet = FleetEvidence::read(&[], &ENSEMBLE);
        self.in_pieces(&vessels, |piece| {
            let facts: Vec<HullFacts> = piece.into_iter().map(|subject| subject.facts).collect();
            fleet.hulls.extend(FleetEvidence::read(&facts, &ENSEMBLE).hulls);
        })?;
        if fleet.hulls.is_empty() {
            return Ok(());
        }
        let prior = LearningPrior::of(&ENSEMBLE.priors);
        let mut peers =
            if settings.pooled { calibrations::store::peers(self.db, self.actor)? } else { Vec::new() };
        if peers.len() < LEAST_PEERS {
            peers.clear();
        }
        let prior = pooled(&prior, &peers);
        let inputs_sha256 = inputs_sha256(&fleet, &prior, &ENSEMBLE);
        let known = latest.filter(|latest| latest.inputs_sha256 == inputs_sha256);
        if let Some(known) = known {
            return self.settle(settings, &known, &prior);
        }
        let calibration = Calibration::learn(&fleet, &ENSEMBLE, &prior)
            .ok_or_else(|| Error::new(Code::Conflict, "The fit of the fleet's lives finds no top."))?;
        let new = NewCalibration {
            id: CalibrationId::fresh(),
            calibration,
            skins: compare(&fleet, &prior),
            peers: i32::try_from(peers.len()).unwrap_or(i32::MAX),
            inputs_sha256,
        };
        drop(fleet);
        hold_on(self.db, self.job)?;
        let fitted_at = self.db.clock().now();
        let candidate = Followed { id: new.id, fitted_at, calibration: new.calibration.clone() };
        let moves = self.moves(in_use.as_ref(), &candidate)?;
        self.db.write(self.actor, |tx| {
            if still_claimed(tx, slice::from_ref(self.job))?.is_empty() {
                return Ok(());
            }
            calibrations::store::insert(tx, &new)?;
            keep_moves(tx, new.id, in_use.as_ref(), &moves)?;
            put_to_use(tx, settings, new.id, &new.calibration)?;
            give(tx, settings, &new.calibration, &prior)
        })
    }

    /// Nothing has changed since the last version: it is put to use and given where the settings now say so.
    fn settle(
        &self,
        settings: LearningFields,
        known: &StoredCalibration,
        prior: &LearningPrior,
    ) -> Result<()> {
        let Followed { id, fitted_at, calibration } = &known.followed;
        self.db.write(self.actor, |tx| {
            if still_claimed(tx, slice::from_ref(self.job))?.is_empty() {
                return Ok(());
            }
            // What a person chose since it was fitted stands.
            let chosen = calibrations::store::choices(tx)?;
            if chosen.last().is_none_or(|choice| choice.chosen_at < *fitted_at) {
                put_to_use(tx, settings, *id, calibration)?;
            }
            give(tx, settings, calibration, prior)
        })
    }

    fn tell_moves(&self, id: CalibrationId) -> Result<()> {
        let (candidate, in_use) = self.db.read(self.actor, |tx| {
            Ok((calibrations::store::read(tx, id)?.followed, calibrations::store::in_use(tx)?))
        })?;
        let moves = self.moves(in_use.as_ref(), &candidate)?;
        self.db.write(self.actor, |tx| {
            if still_claimed(tx, slice::from_ref(self.job))?.is_empty() {
                return Ok(());
            }
            keep_moves(tx, id, in_use.as_ref(), &moves)
        })
    }

    /// How the dates of all hulls would move from what they follow to a candidate.
    fn moves(&self, in_use: Option<&Followed>, candidate: &Followed) -> Result<Moves> {
        let (before, after) = (ensemble(in_use), ensemble(Some(candidate)));
        let (vessels, as_of) = self.db.read(self.actor, |tx| {
            let zone = zone(&accounts::store::organisation(tx)?.fields.time_zone);
            Ok((vessels::store::ids_of_org(tx)?, today(tx.now(), zone)))
        })?;
        let mut comparison = Comparison::default();
        self.in_pieces(&vessels, |piece| {
            let computed: Vec<_> = piece
                .par_iter()
                .filter(|subject| !subject.is_retired())
                .map(|s| (s.vessel_id, compute(&s.facts, &before).dates, compute(&s.facts, &after).dates))
                .collect();
            for (vessel_id, before, after) in computed {
                comparison.add(vessel_id, &before, &after);
            }
        })?;
        Ok(comparison.moves(as_of))
    }

    /// Hands over the facts of vessels piece by piece, each read in a short transaction; the claim is held on to.
    fn in_pieces(&self, vessels: &[VesselId], mut each: impl FnMut(Vec<Subject>)) -> Result<()> {
        for ids in vessels.chunks(PIECE) {
            each(self.db.read(self.actor, |tx| subjects(tx, ids, None))?);
            hold_on(self.db, self.job)?;
        }
        Ok(())
    }
}

fn keep_moves(tx: &mut Tx<'_>, id: CalibrationId, in_use: Option<&Followed>, moves: &Moves) -> Result<()> {
    let preview = serde_json::to_value(moves).map_err(Error::internal)?;
    calibrations::store::save_preview(tx, id, in_use.map(|followed| followed.id), &preview)
}

fn put_to_use(
    tx: &mut Tx<'_>,
    settings: LearningFields,
    id: CalibrationId,
    calibration: &Calibration,
) -> Result<()> {
    if accepted_by_itself(settings, calibration) { choose(tx, Some(id), None) } else { Ok(()) }
}

/// Gives the sums of a fit to the organisations that take part, where this one does and enough stands behind them.
fn give(
    tx: &mut Tx<'_>,
    settings: LearningFields,
    calibration: &Calibration,
    prior: &LearningPrior,
) -> Result<()> {
    match LikelihoodSums::of(calibration, prior).filter(|_| settings.pooled) {
        Some(sums) => calibrations::store::give(tx, &sums),
        None => calibrations::store::withdraw(tx),
    }
}

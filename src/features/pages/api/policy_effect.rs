//! What other limits would do to the due list: the dates of every vessel computed under them, beside those that stand.
//! Keeps nothing.

use std::collections::{BTreeMap, HashMap};

use chrono::NaiveDate;
use rayon::prelude::*;

use crate::error::Result;
use crate::features::calibrations;
use crate::features::calibrations::model::ensemble;
use crate::features::due::api::list::organisation_today;
use crate::features::due::store::{StandingDate, standing_dates};
use crate::features::forecasts::model::compute;
use crate::features::forecasts::store::subjects;
use crate::features::policies::model::PolicyLimits;
use crate::features::policies::store as policies;
use crate::http::{App, Permit};
use crate::ids::VesselId;
use crate::permissions::Permission;
use crate::science::forecast::dates::DueKind;
use crate::science::forecast::policy::Policy;

/// Vessels whose facts are read in one transaction.
const PIECE: usize = 250;
/// The changes that are listed.
const LISTED: usize = 50;

/// A date that would change.
pub struct Change {
    /// The vessel's name.
    pub vessel: String,
    /// What falls due.
    pub kind: DueKind,
    /// When it falls due now.
    pub now: Option<NaiveDate>,
    /// When it would.
    pub then: Option<NaiveDate>,
}

impl Change {
    /// By how many days, where there is a date before and after.
    #[must_use]
    pub fn days(&self) -> Option<i64> {
        Some((self.then? - self.now?).num_days())
    }
}

/// The whole of it.
pub struct Effect {
    /// Dates looked at.
    pub dates: usize,
    /// Of how many vessels.
    pub vessels: usize,
    /// How many would come earlier, or come in.
    pub earlier: usize,
    /// How many would come later, or go out.
    pub later: usize,
    /// How many are overdue now.
    pub overdue_now: usize,
    /// How many would be.
    pub overdue_then: usize,
    /// The greatest changes first.
    pub changes: Vec<Change>,
    /// Changes that are not listed.
    pub unlisted: usize,
}

/// What these limits of the organisation would do.
///
/// # Errors
/// Invalid, where they contradict each other or those of a vessel; those of the database; unavailable, while another
/// fleet is computed.
pub async fn effect<P: Permission>(app: &App, permit: &Permit<P>, limits: PolicyLimits) -> Result<Effect> {
    let organisation = limits.upon(&Policy::default())?;
    let (standing, own, today, followed) = app
        .read(permit, |tx| {
            let own = policies::read_all(tx)?.1;
            Ok((standing_dates(tx)?, own, organisation_today(tx)?, calibrations::store::in_use(tx)?))
        })
        .await?;
    let ensemble = ensemble(followed.as_ref());
    let own: HashMap<VesselId, PolicyLimits> = own.into_iter().collect();
    let mut vessels: Vec<VesselId> = standing.iter().map(|date| date.vessel_id).collect();
    vessels.sort_unstable();
    vessels.dedup();
    let (db, actor) = (app.db.clone(), permit.actor().clone());
    app.guards
        .gates
        .policies
        .run(move || {
            let mut then: HashMap<(VesselId, DueKind), Option<NaiveDate>> = HashMap::new();
            for piece in vessels.chunks(PIECE) {
                let mut found = db.read(&actor, |tx| subjects(tx, piece, None))?;
                for subject in &mut found {
                    subject.facts.policy = match own.get(&subject.vessel_id) {
                        Some(own) => own.upon(&organisation)?,
                        None => organisation,
                    };
                }
                let computed: Vec<_> = found
                    .par_iter()
                    .map(|subject| (subject.vessel_id, compute(&subject.facts, &ensemble).dates))
                    .collect();
                for (vessel_id, dates) in computed {
                    then.extend(dates.into_iter().map(|date| ((vessel_id, date.kind), date.due_on)));
                }
            }
            Ok(compared(standing, then, vessels.len(), today))
        })
        .await
}

/// How much a change matters: first what comes in or goes out, then the days.
fn weight(change: &Change) -> i64 {
    change.days().map_or(i64::MAX, i64::abs)
}

fn compared(
    standing: Vec<StandingDate>,
    mut then: HashMap<(VesselId, DueKind), Option<NaiveDate>>,
    vessels: usize,
    today: NaiveDate,
) -> Effect {
    let overdue = |day: Option<NaiveDate>| day.is_some_and(|day| day < today);
    let names: BTreeMap<VesselId, String> =
        standing.iter().map(|date| (date.vessel_id, date.vessel_name.clone())).collect();
    let mut changes = Vec::new();
    let (mut dates, mut earlier, mut later, mut overdue_now, mut overdue_then) = (0, 0, 0, 0, 0);
    let mut look = |vessel: String, kind, now: Option<NaiveDate>, then: Option<NaiveDate>| {
        dates += 1;
        overdue_now += usize::from(overdue(now));
        overdue_then += usize::from(overdue(then));
        if now != then {
            let sooner = then.is_some_and(|then| now.is_none_or(|now| then < now));
            earlier += usize::from(sooner);
            later += usize::from(!sooner);
            changes.push(Change { vessel, kind, now, then });
        }
    };
    for date in standing {
        // A date that would no longer be there at all is one without a day.
        let day = then.remove(&(date.vessel_id, date.kind)).flatten();
        look(date.vessel_name, date.kind, date.due_on, day);
    }
    for ((vessel_id, kind), day) in then {
        if let (Some(name), Some(_)) = (names.get(&vessel_id), day) {
            look(name.clone(), kind, None, day);
        }
    }
    changes.sort_by(|a, b| weight(b).cmp(&weight(a)).then_with(|| a.vessel.cmp(&b.vessel)));
    let unlisted = changes.len().saturating_sub(LISTED);
    changes.truncate(LISTED);
    Effect { dates, vessels, earlier, later, overdue_now, overdue_then, changes, unlisted }
}

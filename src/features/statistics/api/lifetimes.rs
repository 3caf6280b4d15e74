//! How long the lives of a fleet last.

use std::collections::HashMap;
use std::time::Duration;

use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, Utc};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::table;
use crate::db::{Actor, Db};
use crate::error::Result;
use crate::features::due::model::LaminateFilter;
use crate::features::forecasts::store::subjects;
use crate::features::sites;
use crate::features::statistics::model::lifetimes::{
    FleetLife, INTERVAL_CENSORING, LifetimeGroup, LifetimeGrouping, TimeMeasure, Water, ended, groups,
    lives_of,
};
use crate::features::statistics::store;
use crate::http::accept::FigureForm;
use crate::http::csv::whole;
use crate::http::problem::{ListProblems, Problem};
use crate::http::{App, Outcome, Params, Permit};
use crate::ids::{SiteId, VesselId};
use crate::permissions::{Permission, Read};
use crate::science::forecast::ensemble::Ensemble;
use crate::science::forecast::facts::LaminateClass;
use crate::science::forecast::priors::Priors;
use crate::science::learning::evidence::SkinSystem;

/// Vessels whose facts are in memory at once.
const PIECE: usize = 500;

/// How long lives last, group by group.
#[derive(Debug, Serialize, ToSchema)]
pub struct LifetimesView {
    /// When it was computed, from the records as they were then.
    pub computed_at: DateTime<Utc>,
    /// The measure of time.
    pub time: TimeMeasure,
    /// What lives are put together by; null for all in one.
    pub by: Option<LifetimeGrouping>,
    /// Hulls with a life that somebody looked at, of those asked for.
    pub hulls: u32,
    /// Their lives.
    pub lives: u32,
    /// Lives in which blistering was found.
    pub events: u32,
    /// Lives that the measure cannot tell of: their beginning is unknown, or no water forecast is made for the hull.
    pub lives_left_out: u32,
    /// What to mind when the curves are read: what interval censoring means.
    pub interval_censoring: &'static str,
    /// The groups.
    pub groups: Vec<LifetimeGroup>,
}

/// Which lives, and how.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct LifetimesQuery {
    /// What to put them together by; all in one when left out.
    #[param(nullable = false, inline)]
    pub by: Option<LifetimeGrouping>,
    /// The measure of time; `years` when left out.
    #[param(nullable = false, inline)]
    pub time: Option<TimeMeasure>,
    /// Only of vessels of this laminate class.
    #[param(nullable = false, inline)]
    pub laminate_class: Option<LaminateFilter>,
    /// Only under this skin when last looked at.
    #[param(nullable = false, inline)]
    pub skin_system: Option<SkinSystem>,
    /// Only of vessels in this water.
    #[param(nullable = false, inline)]
    pub water: Option<Water>,
    /// Only of vessels lying at this site.
    #[param(nullable = false)]
    pub site_id: Option<SiteId>,
    /// The form, before what `Accept` says.
    #[param(nullable = false, inline)]
    pub format: Option<FigureForm>,
}

impl LifetimesQuery {
    fn takes(&self, life: &FleetLife) -> bool {
        let class = |filter: LaminateFilter| {
            filter.class().and_then(|class| LaminateClass::ALL.into_iter().find(|c| same_word(c, &class)))
                == life.laminate_class
        };
        self.laminate_class.is_none_or(class)
            && self.skin_system.is_none_or(|system| system == life.life.system)
            && self.water.is_none_or(|water| Some(water) == life.water)
            && self.site_id.is_none_or(|site| Some(site) == life.site_id)
    }
}

/// The science has words of its own for what the records name, spelt alike.
fn same_word<A: Serialize, B: Serialize>(one: &A, other: &B) -> bool {
    serde_json::to_value(one).ok() == serde_json::to_value(other).ok()
}

/// The lives of the whole fleet, its facts read piece by piece.
fn fleet(db: &Db, actor: &Actor) -> Result<Vec<FleetLife>> {
    let vessels: Vec<VesselId> = db.read(actor, store::surveyed)?;
    let central = Ensemble::central(Priors::default());
    let mut lives = Vec::new();
    for ids in vessels.chunks(PIECE) {
        let piece = db.read(actor, |tx| subjects(tx, ids, None))?;
        lives.par_extend(
            piece.par_iter().flat_map_iter(|subject| {
                lives_of(subject.vessel_id, subject.site_id, &subject.facts, &central)
            }),
        );
    }
    Ok(lives)
}

fn view(db: &Db, actor: &Actor, query: &LifetimesQuery) -> Result<LifetimesView> {
    let time = query.time.unwrap_or(TimeMeasure::Years);
    let lives: Vec<FleetLife> = fleet(db, actor)?.into_iter().filter(|life| query.takes(life)).collect();
    let mut groups = groups(&lives, query.by, time)?;
    let sites: Vec<SiteId> = groups.iter().filter_map(|group| group.site_id).collect();
    let found = db.read(actor, |tx| sites::store::read_many(tx, &sites))?;
    let mut names: HashMap<SiteId, String> =
        found.into_iter().map(|site| (site.id, site.fields.name)).collect();
    for group in &mut groups {
        group.site_name = group.site_id.and_then(|id| names.remove(&id));
    }
    let mut vessels: Vec<VesselId> = lives.iter().map(|life| life.vessel_id).collect();
    vessels.sort_unstable();
    vessels.dedup();
    let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    Ok(LifetimesView {
        computed_at: db.clock().now(),
        time,
        by: query.by,
        hulls: count(vessels.len()),
        lives: count(lives.len()),
        events: count(lives.iter().filter(|life| life.life.event).count()),
        lives_left_out: count(lives.iter().filter(|life| ended(life, time).is_none()).count()),
        interval_censoring: INTERVAL_CENSORING,
        groups,
    })
}

/// The lifetimes asked for; who finds another at work waits so long for it.
///
/// # Errors
/// Unavailable, where none came free; those of the database.
pub async fn lifetimes<P: Permission>(
    app: &App,
    permit: &Permit<P>,
    query: LifetimesQuery,
    longest: Duration,
) -> Result<LifetimesView> {
    let (db, actor) = (app.db.clone(), permit.actor().clone());
    app.guards.gates.lifetimes.run_within(longest, move || view(&db, &actor, &query)).await
}

/// Tells how long the lives of your fleet last until blistering begins: the estimate without a formula and the fitted
/// curve with its band, by laminate class, skin, water or site.
#[utoipa::path(tag = "statistics", security(("bearer" = [])), params(LifetimesQuery),
    responses((status = 200, description = "The lives, group by group", content(
            (LifetimesView = "application/json"), (String = "text/csv"))),
        (status = 406, description = "None of the forms that Accept takes", body = Problem, content_type = "application/problem+json"),
        ListProblems))]
#[get("/v1/statistics/lifetimes")]
pub async fn read_lifetimes(
    app: App,
    permit: Permit<Read>,
    request: HttpRequest,
    query: Params<LifetimesQuery>,
) -> Outcome {
    let query = query.0;
    let form = FigureForm::asked(query.format, &request)?;
    let found = lifetimes(&app, &permit, query, Duration::ZERO).await?;
    Ok(match form {
        FigureForm::Json => HttpResponse::Ok().json(found),
        FigureForm::Csv => whole("lifetimes.csv", table::csv(&found)?),
    })
}

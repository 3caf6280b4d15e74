//! The endpoints of coats.

pub mod films;

use actix_web::{HttpResponse, get, patch};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::features::audit::{self, Act};
use crate::features::climate::model::window::{MAX_GAP_H, hours};
use crate::features::climate::store as climate;
use crate::features::coats::model::CoatFields;
use crate::features::coats::model::checks::{CoatCheck, checks};
use crate::features::coats::model::overcoating::{OvercoatState, SurfaceTemperature, overcoat_state};
use crate::features::coats::store::{self, Coat, CoatFilter};
use crate::features::products::model::CoatRole;
use crate::features::products::store as products;
use crate::features::surveys::store::lock_vessel;
use crate::features::vessels::model::Zone;
use crate::http::paging::ListQuery;
use crate::http::preconditions::kept;
use crate::http::problem::{ChangeProblems, ListProblems, ReadProblems, VersionProblems};
use crate::http::{App, At, IfMatch, Kept, Outcome, Page, Params, Patch, Permit, VersionQuery};
use crate::ids::{CoatId, OrgId, PersonId, VesselId};
use crate::jobs::queue;
use crate::permissions::{Read, RecordWork};

/// A coat.
#[derive(Debug, Serialize, ToSchema)]
pub struct CoatView {
    /// Its id.
    pub id: CoatId,
    /// Its version, also the `ETag`.
    pub version: i32,
    /// When this version was recorded.
    pub updated_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
    /// The organisation that recorded it: yours, or another that had a grant. Only it corrects it.
    pub author_org_id: OrgId,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: CoatFields,
    /// What does not fit together; told where one coat is read.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub checks: Option<Vec<CoatCheck>>,
    /// Whether the next coat may go on, for each role that the product's sheet knows; told where one coat is read, and
    /// empty once another coat of the haul-out lies over it.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub overcoating: Option<Vec<OvercoatState>>,
}

impl Kept for CoatView {
    fn id(&self) -> Uuid {
        self.id.into()
    }
    fn version(&self) -> i32 {
        self.version
    }
}

impl From<Coat> for CoatView {
    fn from(coat: Coat) -> Self {
        Self {
            id: coat.id,
            version: coat.version,
            updated_at: coat.recorded_at,
            recorded_by: coat.recorded_by,
            author_org_id: coat.author_org_id,
            fields: coat.fields,
            checks: None,
            overcoating: None,
        }
    }
}

/// Which coats.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct CoatQuery {
    /// Only those of this vessel.
    #[param(nullable = false)]
    pub vessel_id: Option<VesselId>,
    /// Only those of this role.
    #[param(nullable = false)]
    pub role: Option<CoatRole>,
    /// Only those on this zone.
    #[param(nullable = false)]
    pub zone: Option<Zone>,
    /// Those withdrawn too: to follow changes by `updated_since`, ask for them.
    #[param(nullable = false)]
    pub withdrawn: Option<bool>,
    /// Only those changed at or after this time.
    #[param(nullable = false)]
    pub updated_since: Option<DateTime<Utc>>,
    /// Rows a page, 1 to 200.
    #[param(nullable = false, minimum = 1, maximum = 200)]
    pub limit: Option<u32>,
    /// Where the page before ended.
    #[param(nullable = false)]
    pub cursor: Option<String>,
}
crate::list_query!(CoatQuery, "list_coats");

impl CoatQuery {
    fn filter(&self) -> CoatFilter {
        CoatFilter {
            vessel_id: self.vessel_id,
            role: self.role,
            zone: self.zone,
            updated_since: self.updated_since,
            withdrawn: self.withdrawn.unwrap_or(false),
        }
    }
}

/// Makes a coat within a transaction. Whoever records one goes by `treatments`, which looks at the holds first.
///
/// # Errors
/// Invalid fields, a foreign vessel or haul-out, a place that another coat has; those of the database.
pub fn create(tx: &mut Tx<'_>, id: CoatId, fields: CoatFields) -> Result<CoatView> {
    let fields = whole(tx, fields)?;
    let fields = placed(tx, id, fields)?;
    store::insert(tx, id, &fields)?;
    settle(tx, "create_coat", id, None, &fields)
}

/// Reads a coat within a transaction.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: CoatId) -> Result<CoatView> {
    let coat = store::read(tx, id)?;
    let sheet = coat.fields.product_id.map(|id| products::named(tx, id)).transpose()?;
    let sheet = sheet.as_ref().map(|product| &product.fields);
    let of_vessel = store::of_vessels(tx, &[coat.fields.vessel_id])?;
    let measured_um = store::film::of_coats(tx, &[id])?.last().map(|film| film.mean_film_um);
    let under = below(&coat, &of_vessel).map(|below| &below.fields);
    let found = checks(&coat.fields, measured_um, under, sheet);
    let covered = of_vessel.iter().any(|other| {
        other.fields.haul_out_id == coat.fields.haul_out_id
            && below(other, &of_vessel).is_some_and(|below| below.id == coat.id)
    });
    let overcoating = match sheet.filter(|_| !covered) {
        Some(sheet) => {
            let mut roles: Vec<CoatRole> = sheet.overcoating.iter().map(|line| line.next_role).collect();
            roles.dedup();
            let (history, now) = (surface_temperatures(tx, &coat.fields)?, tx.now());
            let state = |role| overcoat_state(sheet, role, &history, coat.fields.finished_at, now);
            roles.into_iter().map(state).collect()
        }
        None => Vec::new(),
    };
    Ok(CoatView { checks: Some(found), overcoating: Some(overcoating), ..CoatView::from(coat) })
}

/// The coat directly under another, of the coats of its vessel in order.
fn below<'a>(coat: &Coat, of_vessel: &'a [Coat]) -> Option<&'a Coat> {
    let place = |fields: &CoatFields| (fields.applied_on, fields.sequence);
    of_vessel.iter().rfind(|other| {
        other.fields.zone == coat.fields.zone
            && place(&other.fields) < place(&coat.fields)
            && other.fields.removed_on.is_none_or(|day| day > coat.fields.applied_on)
    })
}

/// The hull's logged temperatures since a coat was finished, in order of time, with the one that stood then.
///
/// # Errors
/// Those of the database.
pub fn surface_temperatures(tx: &mut Tx<'_>, coat: &CoatFields) -> Result<Vec<SurfaceTemperature>> {
    let (Some(haul_out_id), Some(finished_at)) = (coat.haul_out_id, coat.finished_at) else {
        return Ok(Vec::new());
    };
    let (from, to) = (finished_at - hours(MAX_GAP_H), tx.now());
    let values = climate::between(tx, haul_out_id, from, to)?;
    Ok(values
        .iter()
        .map(|value| SurfaceTemperature { at: value.at, temperature_c: value.surface_temperature_c })
        .collect())
}

/// Changes a coat within a transaction. A patch that changes nothing makes no version.
///
/// # Errors
/// Stale; invalid fields, a place that another coat has; those of the database.
pub fn change(tx: &mut Tx<'_>, id: CoatId, if_match: IfMatch, patch: &Patch<CoatFields>) -> Result<CoatView> {
    let before = store::read(tx, id)?;
    if_match.check(before.version)?;
    let start = before.fields.clone().without_reason();
    let after = patch.apply(&start)?;
    if after.clone().without_reason() == start {
        return read(tx, id);
    }
    let mut after = after.changing(&start, tx.now())?;
    if after.product_id != start.product_id {
        if start.product_id.is_some() {
            after = after.without_sheet(&start);
        }
        after = completed(tx, after)?;
    } else if after.role != start.role {
        after = completed(tx, after)?;
    }
    let after = placed(tx, id, after)?;
    store::insert_version(tx, id, before.version + 1, &after)?;
    settle(tx, "change_coat", id, Some(&before.fields), &after)
}

/// The fields of a new coat, checked, with what the product's sheet says.
///
/// # Errors
/// Invalid fields, a foreign product; those of the database.
pub fn whole(tx: &mut Tx<'_>, fields: CoatFields) -> Result<CoatFields> {
    let fields = fields.made(tx.now())?;
    completed(tx, fields)
}

/// The fields with what the product's sheet says, where one is named.
fn completed(tx: &mut Tx<'_>, fields: CoatFields) -> Result<CoatFields> {
    match fields.product_id {
        Some(id) => fields.by_sheet(&products::named(tx, id)?.fields),
        None => Ok(fields),
    }
}

/// The fields with the coat's place among those of its vessel and day, which no other coat has.
fn placed(tx: &mut Tx<'_>, id: CoatId, fields: CoatFields) -> Result<CoatFields> {
    // Two who record coats at once must not both take one place.
    lock_vessel(tx, fields.vessel_id)?;
    let Some(sequence) = fields.sequence else {
        let next = store::next_sequence(tx, id, fields.vessel_id, fields.applied_on)?;
        return Ok(CoatFields { sequence: Some(next), ..fields });
    };
    if fields.withdrawn {
        return Ok(fields);
    }
    match store::at_place(tx, id, fields.vessel_id, fields.applied_on, sequence)? {
        None => Ok(fields),
        Some(there) => {
            let mut error = Error::field(
                "/sequence",
                "duplicate",
                format!(
                    "is the place of coat {there} of that vessel and day. Use another, or leave it out for the next."
                ),
            );
            error.code = Code::Duplicate;
            Err(error)
        }
    }
}

fn settle(
    tx: &mut Tx<'_>,
    action: &str,
    id: CoatId,
    before: Option<&CoatFields>,
    after: &CoatFields,
) -> Result<CoatView> {
    audit::record(tx, &Act { action, entity: "coat", entity_id: id.into(), before, after: Some(after) })?;
    queue::request_forecast(tx, after.vessel_id)?;
    read(tx, id)
}

/// Lists the coats, each in its current version.
#[utoipa::path(tag = "coats", security(("bearer" = [])), params(CoatQuery),
    responses((status = 200, description = "A page of coats", body = Page<CoatView>), ListProblems))]
#[get("/v1/coats")]
pub async fn list_coats(app: App, permit: Permit<Read>, query: Params<CoatQuery>) -> Outcome {
    let query = query.0;
    let (page, filter) = (query.page()?, query.filter());
    let slice = app.read(&permit, move |tx| store::list(tx, filter, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, CoatView::from)))
}

/// Reads a coat.
#[utoipa::path(tag = "coats", security(("bearer" = [])), params(("id" = CoatId, Path, description = "The coat")),
    responses((status = 200, description = "The coat", body = CoatView), ReadProblems))]
#[get("/v1/coats/{id}")]
pub async fn read_coat(app: App, permit: Permit<Read>, id: At<CoatId>) -> Outcome {
    app.read(&permit, move |tx| read(tx, id.0)).await.map(kept)
}

/// Changes a coat: its next version. `correction_reason` is required unless it was only taken off.
#[utoipa::path(tag = "coats", security(("bearer" = [])), request_body = Patch<CoatFields>,
    params(("id" = CoatId, Path, description = "The coat"), ("If-Match" = String, Header, description = "The ETag the change is made on")),
    responses((status = 200, description = "As it stands now", body = CoatView), ChangeProblems))]
#[patch("/v1/coats/{id}")]
pub async fn change_coat(
    app: App,
    permit: Permit<RecordWork>,
    id: At<CoatId>,
    if_match: IfMatch,
    patch: Patch<CoatFields>,
) -> Outcome {
    app.write(&permit, move |tx| change(tx, id.0, if_match, &patch)).await.map(kept)
}

/// Lists the versions of a coat, oldest first.
#[utoipa::path(tag = "coats", security(("bearer" = [])), params(("id" = CoatId, Path, description = "The coat"), VersionQuery),
    responses((status = 200, description = "A page of versions", body = Page<CoatView>), VersionProblems))]
#[get("/v1/coats/{id}/versions")]
pub async fn list_coat_versions(
    app: App,
    permit: Permit<Read>,
    id: At<CoatId>,
    query: Params<VersionQuery>,
) -> Outcome {
    let query = query.0;
    let page = query.page_of(id.0)?;
    let slice = app.read(&permit, move |tx| store::versions(tx, id.0, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, CoatView::from)))
}

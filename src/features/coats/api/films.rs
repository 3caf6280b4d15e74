//! The endpoints of measured films.

use actix_web::{HttpResponse, get, post};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::db::Tx;
use crate::error::Result;
use crate::features::audit::{self, Act};
use crate::features::coats::model::film::FilmFields;
use crate::features::coats::store::film::{self as store, Film};
use crate::features::coats::store::{self as coats};
use crate::features::products::store as products;
use crate::http::creation::Creation;
use crate::http::paging::ListQuery;
use crate::http::preconditions::kept;
use crate::http::problem::{CreateProblems, ReadProblems, VersionProblems};
use crate::http::{App, At, Kept, New, Outcome, Page, Params, Permit, RetryKey};
use crate::ids::{CoatId, FilmId, OrgId, PersonId, VesselId};
use crate::jobs::queue::request_forecast;
use crate::permissions::{Read, RecordWork};

/// A part of a rule that a film does not keep.
#[derive(Debug, Serialize, ToSchema)]
pub struct KeptFailure {
    /// A stable word: `mean_below`, `reading_below`, `too_many_below`, `mean_above` or `reading_above`.
    pub code: String,
    /// One sentence with the numbers.
    pub detail: String,
}

/// A measured film. It is never changed: another takes its place.
#[derive(Debug, Serialize, ToSchema)]
pub struct FilmView {
    /// Its id.
    pub id: FilmId,
    /// Always 1.
    pub version: i32,
    /// The vessel: the coat's.
    pub vessel_id: VesselId,
    /// The coat.
    pub coat_id: CoatId,
    /// When it was recorded.
    pub recorded_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
    /// The organisation that recorded it: yours, or another that had a grant. Only it corrects it.
    pub author_org_id: OrgId,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: FilmFields,
    /// Whether the rule accepts it, as judged when it was entered.
    pub accepted: bool,
    /// Mean dry film.
    pub mean_film_um: f64,
    /// Thinnest dry film.
    pub thinnest_film_um: f64,
    /// Thickest dry film.
    pub thickest_film_um: f64,
    /// The parts of the rule that are not kept.
    pub failures: Vec<KeptFailure>,
}

impl Kept for FilmView {
    fn id(&self) -> Uuid {
        self.id.into()
    }
    fn version(&self) -> i32 {
        self.version
    }
}

impl From<Film> for FilmView {
    fn from(film: Film) -> Self {
        let word = |failure: &Value, name: &str| failure[name].as_str().unwrap_or_default().to_owned();
        let failures = film.failures.as_array().map(Vec::as_slice).unwrap_or_default();
        Self {
            id: film.id,
            version: 1,
            vessel_id: film.vessel_id,
            coat_id: film.coat_id,
            recorded_at: film.recorded_at,
            recorded_by: film.recorded_by,
            author_org_id: film.author_org_id,
            accepted: film.accepted,
            mean_film_um: film.mean_film_um,
            thinnest_film_um: film.thinnest_film_um,
            thickest_film_um: film.thickest_film_um,
            failures: failures
                .iter()
                .map(|failure| KeptFailure { code: word(failure, "code"), detail: word(failure, "detail") })
                .collect(),
            fields: film.fields,
        }
    }
}

/// Which films of a coat.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct FilmQuery {
    /// Rows a page, 1 to 200.
    #[param(nullable = false, minimum = 1, maximum = 200)]
    pub limit: Option<u32>,
    /// Where the page before ended.
    #[param(nullable = false)]
    pub cursor: Option<String>,
}
crate::list_query!(FilmQuery, "list_films");

/// Adds a film to a coat within a transaction.
///
/// # Errors
/// Not found; invalid fields; those of the database.
pub fn create(tx: &mut Tx<'_>, coat_id: CoatId, id: FilmId, fields: FilmFields) -> Result<FilmView> {
    let coat = coats::read(tx, coat_id)?.fields;
    let product = coat.product_id.map(|id| products::named(tx, id)).transpose()?;
    let judged = fields.judged(&coat, product.as_ref().map(|product| &product.fields), tx.now())?;
    store::insert(tx, id, coat_id, coat.vessel_id, &judged)?;
    audit::record(
        tx,
        &Act {
            action: "create_film",
            entity: "film",
            entity_id: id.into(),
            before: None,
            after: Some(&judged.fields),
        },
    )?;
    // The forecasts take the measured film.
    request_forecast(tx, coat.vessel_id)?;
    read(tx, id)
}

/// Reads a film within a transaction.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: FilmId) -> Result<FilmView> {
    store::read(tx, id).map(FilmView::from)
}

/// Lists the films of a coat as they were recorded, superseded ones too.
#[utoipa::path(tag = "coats", security(("bearer" = [])), params(("id" = CoatId, Path, description = "The coat"), FilmQuery),
    responses((status = 200, description = "A page of films", body = Page<FilmView>), VersionProblems))]
#[get("/v1/coats/{id}/films")]
pub async fn list_films(app: App, permit: Permit<Read>, id: At<CoatId>, query: Params<FilmQuery>) -> Outcome {
    let query = query.0;
    let page = query.page()?;
    let slice = app.read(&permit, move |tx| {
        coats::read(tx, id.0)?;
        store::list(tx, id.0, page)
    });
    Ok(HttpResponse::from(query.answer(slice.await?, FilmView::from)))
}

/// Records the film of a coat as measured, and what its rule says of it. A film that was wrong is superseded by
/// another that names it.
#[utoipa::path(tag = "coats", security(("bearer" = [])), request_body = New<FilmFields>,
    params(("id" = CoatId, Path, description = "The coat"), ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry answer as the first time", nullable = false)),
    responses((status = 201, description = "Made", body = FilmView), (status = 200, description = "The same request had made it", body = FilmView), CreateProblems))]
#[post("/v1/coats/{id}/films")]
pub async fn create_film(
    app: App,
    permit: Permit<RecordWork>,
    id: At<CoatId>,
    key: RetryKey,
    new: New<FilmFields>,
) -> Outcome {
    let coat_id = id.0;
    let creation = Creation { operation: "create_film", key, new };
    let made = app
        .write(&permit, move |tx| creation.once(tx, |tx, id, fields| create(tx, coat_id, id, fields), read));
    Ok(made.await?.answer("/v1/films"))
}

/// Reads a film.
#[utoipa::path(tag = "coats", security(("bearer" = [])), params(("id" = FilmId, Path, description = "The film")),
    responses((status = 200, description = "The film", body = FilmView), ReadProblems))]
#[get("/v1/films/{id}")]
pub async fn read_film(app: App, permit: Permit<Read>, id: At<FilmId>) -> Outcome {
    app.read(&permit, move |tx| read(tx, id.0)).await.map(kept)
}

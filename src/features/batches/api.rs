//! The endpoint of batches.

use actix_web::http::StatusCode;
use actix_web::{HttpResponse, post};
use garde::Validate;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::db::{Actor, Db, Tx};
use crate::error::{Code, Result};
use crate::features::surveys::api::appending::append_one;
use crate::features::surveys::api::{findings, readings, stations, surveys};
use crate::features::{coats, haulouts, products, sites, treatments, vessels};
use crate::http::creation::{Created, Creation};
use crate::http::problem::{CreateProblems, Problem};
use crate::http::{App, Kept, New, Outcome, Permit, Plain, RetryKey};
use crate::ids::Id;
use crate::permissions::{KeepRegister, Permission, Powers, Read, RecordReadings, RecordWork, Survey};

/// What an item makes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum BatchKind {
    /// A site.
    Site,
    /// A vessel.
    Vessel,
    /// A product.
    Product,
    /// A haul-out.
    HaulOut,
    /// A station.
    Station,
    /// A survey.
    Survey,
    /// A reading.
    Reading,
    /// A finding.
    Finding,
    /// A coat.
    Coat,
    /// A treatment.
    Treatment,
}

/// One creation.
#[derive(Debug, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct BatchItem {
    /// What it makes.
    #[garde(skip)]
    pub kind: BatchKind,
    /// The body, as in the POST of that kind: with an id of yours, if you choose one.
    #[garde(skip)]
    #[schema(value_type = Object)]
    pub body: Value,
}

/// Many creations.
#[derive(Debug, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Batch {
    /// They are made in this order.
    #[garde(length(min = 1, max = 500))]
    #[schema(min_items = 1, max_items = 500)]
    pub items: Vec<BatchItem>,
}

/// What came of one item.
#[derive(Debug, Serialize, ToSchema)]
pub struct BatchResult {
    /// As of a request by itself: 201 made, 200 it stood already, else the status of the problem.
    #[schema(minimum = 200, maximum = 599)]
    pub status: u16,
    /// The record, unless it was refused.
    pub id: Option<Uuid>,
    /// Its version.
    pub version: Option<i32>,
    /// Why it was refused; its pointers lead into the batch.
    pub problem: Option<Problem>,
}

/// The results of a batch.
#[derive(Debug, Serialize, ToSchema)]
pub struct BatchResults {
    /// One for each item, in their order.
    pub results: Vec<BatchResult>,
}

/// Makes up to 500 records, each in its own transaction and with its own result.
#[utoipa::path(tag = "batches", security(("bearer" = [])), request_body = Batch,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry of the batch answer each item as the first time", nullable = false)),
    responses((status = 200, description = "A result for each item", body = BatchResults), CreateProblems))]
#[post("/v1/batches")]
pub async fn create_batch(app: App, permit: Permit<Read>, key: RetryKey, batch: Plain<Batch>) -> Outcome {
    let powers = permit.powers().clone();
    let results = app.with_db(&permit, move |db, actor| {
        let made = |(n, item): (usize, BatchItem)| {
            let key = RetryKey(key.0.as_ref().map(|key| format!("{key} item {n}")));
            result(n, actor, Sender { db, actor, powers: &powers, key }.send(item))
        };
        Ok(BatchResults { results: batch.0.items.into_iter().enumerate().map(made).collect() })
    });
    Ok(HttpResponse::Ok().json(results.await?))
}

/// A record as an item left it.
struct Made {
    status: StatusCode,
    id: Uuid,
    version: Option<i32>,
}

fn result(n: usize, actor: &Actor, made: Result<Made>) -> BatchResult {
    match made {
        Ok(Made { status, id, version }) => {
            BatchResult { status: status.as_u16(), id: Some(id), version, problem: None }
        }
        Err(error) => {
            if error.code == Code::Internal {
                let cause = error.cause.as_ref().map(ToString::to_string).unwrap_or_default();
                tracing::error!(request_id = %actor.request_id, item = n, cause, "an item of a batch failed");
            }
            let problem =
                Problem::of(&error.below(&format!("/items/{n}/body")), &actor.request_id.to_string());
            BatchResult { status: problem.status, id: None, version: None, problem: Some(problem) }
        }
    }
}

/// Who sends an item, under which retry key.
struct Sender<'a> {
    db: &'a Db,
    actor: &'a Actor,
    powers: &'a Powers,
    key: RetryKey,
}

impl Sender<'_> {
    fn send(self, item: BatchItem) -> Result<Made> {
        let body = item.body;
        match item.kind {
            BatchKind::Site => {
                self.make::<KeepRegister, _, _, _>("create_site", body, sites::api::create, sites::api::read)
            }
            BatchKind::Vessel => self.make::<KeepRegister, _, _, _>(
                "create_vessel",
                body,
                vessels::api::create,
                vessels::api::read,
            ),
            BatchKind::Product => self.make::<KeepRegister, _, _, _>(
                "create_product",
                body,
                products::api::create,
                products::api::read,
            ),
            BatchKind::HaulOut => self.make::<RecordWork, _, _, _>(
                "create_haul_out",
                body,
                haulouts::api::create,
                haulouts::api::read,
            ),
            BatchKind::Station => {
                self.make::<RecordReadings, _, _, _>("create_station", body, stations::create, stations::read)
            }
            BatchKind::Survey => {
                self.make::<Survey, _, _, _>("create_survey", body, surveys::create, surveys::read)
            }
            BatchKind::Reading => self.reading(body),
            BatchKind::Finding => {
                self.make::<RecordReadings, _, _, _>("create_finding", body, findings::create, findings::read)
            }
            BatchKind::Coat => self.make::<RecordWork, _, _, _>(
                "create_coat",
                body,
                treatments::api::coats::create,
                coats::api::read,
            ),
            BatchKind::Treatment => self.make::<RecordWork, _, _, _>(
                "create_treatment",
                body,
                treatments::api::create,
                treatments::api::read,
            ),
        }
    }

    /// A reading that was sent before, under whatever id, is not made again.
    fn reading(self, body: Value) -> Result<Made> {
        let mut before = false;
        let create = |tx: &mut Tx<'_>, id, fields| {
            let appended = append_one(tx, id, fields)?;
            before = !appended.created;
            readings::read(tx, appended.id)
        };
        let made = self.make::<RecordReadings, _, _, _>("create_reading", body, create, readings::read)?;
        Ok(if before { Made { status: StatusCode::OK, ..made } } else { made })
    }

    fn make<P: Permission, T, I, V>(
        self,
        operation: &'static str,
        body: Value,
        create: impl FnOnce(&mut Tx<'_>, I, T) -> Result<V>,
        read: impl FnOnce(&mut Tx<'_>, I) -> Result<V>,
    ) -> Result<Made>
    where
        T: DeserializeOwned + Validate<Context = ()>,
        I: Id,
        V: Kept,
    {
        self.powers.require::<P>()?;
        let creation = Creation { operation, key: self.key, new: New::<T>::from_value(body)? };
        // The batch is let in to read; its item does more.
        let actor = Actor { deed: P::deed(), ..self.actor.clone() };
        Ok(match creation.run(self.db, &actor, create, read)? {
            Created::Now(view) => {
                Made { status: StatusCode::CREATED, id: view.id(), version: Some(view.version()) }
            }
            Created::Before(view) => {
                Made { status: StatusCode::OK, id: view.id(), version: Some(view.version()) }
            }
            Created::Replayed { id, response } => {
                Made { status: StatusCode::CREATED, id, version: version_in(&response) }
            }
        })
    }
}

/// The version in the answer of a first request.
fn version_in(response: &str) -> Option<i32> {
    let answer: Value = serde_json::from_str(response).ok()?;
    answer.get("version")?.as_i64()?.try_into().ok()
}

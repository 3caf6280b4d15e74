//! Creating once, however often it is asked: an `Idempotency-Key`, or an id the client chose. Both are a
//! row reserved in the creating transaction, so a twin waits for the first one and gets its answer.

use actix_web::http::header::{ETAG, LOCATION};
use actix_web::{FromRequest, HttpRequest, HttpResponse};
use diesel::prelude::*;
use serde::Serialize;
use uuid::Uuid;

use crate::db::schema::creations;
use crate::db::{Actor, Db, Tx};
use crate::error::{Code, Error, Result};
use crate::http::body::New;
use crate::ids::Id;

/// A record as it is shown, with the version that a change must name.
pub trait Kept: Serialize {
    /// The record's id.
    fn id(&self) -> Uuid;
    /// Its version now.
    fn version(&self) -> i32;
}

/// The `Idempotency-Key` header, if sent.
#[derive(Debug, Clone)]
pub struct RetryKey(pub Option<String>);

impl FromRequest for RetryKey {
    type Error = Error;
    type Future = std::future::Ready<Result<Self>>;

    fn from_request(request: &HttpRequest, _: &mut actix_web::dev::Payload) -> Self::Future {
        let read = match request.headers().get("idempotency-key") {
            None => Ok(Self(None)),
            Some(value) => match value.to_str() {
                Ok(key) if (1..=200).contains(&key.trim().len()) => Ok(Self(Some(key.trim().to_owned()))),
                _ => {
                    Err(Error::field("Idempotency-Key", "rule", "must be 1 to 200 visible ASCII characters."))
                }
            },
        };
        std::future::ready(read)
    }
}

/// What came of a creation.
#[derive(Debug)]
pub enum Created<V> {
    /// It was made now.
    Now(V),
    /// The same request had made it before; this is how it stands today.
    Before(V),
    /// The same `Idempotency-Key` had made it before; this was the answer.
    Replayed {
        /** The record's id. */
        id: Uuid,
        /** The answer then. */
        response: String,
    },
}

/// One creation: the operation's name, the retry key, and the body.
#[derive(Debug)]
pub struct Creation<T> {
    /// The operation id; the same key on another operation is refused.
    pub operation: &'static str,
    /// The retry key, if any.
    pub key: RetryKey,
    /// What to create.
    pub new: New<T>,
}

impl<T> Creation<T> {
    /// Runs `create` once within `tx`, or finds what it made before.
    ///
    /// # Errors
    /// Those of `create` and `read`; a key or an id that was used for something else.
    pub fn once<I: Id, V: Kept>(
        self,
        tx: &mut Tx<'_>,
        create: impl FnOnce(&mut Tx<'_>, I, T) -> Result<V>,
        read: impl FnOnce(&mut Tx<'_>, I) -> Result<V>,
    ) -> Result<Created<V>> {
        let Self { operation, key, new } = self;
        if let Some(about) = new.about {
            tx.work_at(about.creating(I::KIND))?;
        }
        let caller = tx.person_id().map(Uuid::from).or(tx.actor().program_id.map(Uuid::from));
        let row_key = match (&key.0, caller) {
            (Some(key), Some(caller)) => Some(format!("key:{caller}:{key}")),
            (Some(key), None) => Some(format!("key:{key}")),
            (None, _) => None,
        };
        if let Some(row_key) = &row_key
            && let Some(earlier) = reserve(tx, row_key, operation, &new.sha256)?
        {
            return match (earlier.entity_id, earlier.response) {
                (Some(id), Some(response))
                    if earlier.operation == operation && earlier.body_sha256 == new.sha256 =>
                {
                    Ok(Created::Replayed { id, response })
                }
                _ => Err(Error::new(
                    Code::KeyReused,
                    "This Idempotency-Key came before with another request. Use a new key for a new request.",
                )),
            };
        }
        if let Some(id) = new.id
            && let Some(earlier) = reserve(tx, &format!("id:{id}"), operation, &new.sha256)?
        {
            return if earlier.operation == operation && earlier.body_sha256 == new.sha256 {
                Ok(Created::Before(read(tx, I::from(earlier.entity_id.unwrap_or(id)))?))
            } else {
                Err(id_taken())
            };
        }
        if let Some(id) = new.id
            && tx.is_seen_elsewhere(I::KIND, id)?
        {
            return Err(id_taken());
        }
        let id = new.id.map_or_else(I::fresh, I::from);
        let view = create(tx, id, new.fields)?;
        // What was sent before under another id is found under this one too, when it is sent again.
        if let Some(own) = new.id.filter(|own| *own != view.id()) {
            diesel::update(creations::table.find((tx.acting_org_id(), format!("id:{own}"))))
                .set(creations::entity_id.eq(Some(view.id())))
                .execute(tx.conn())?;
        }
        if let Some(row_key) = &row_key {
            let response = serde_json::to_string(&view).map_err(Error::internal)?;
            diesel::update(creations::table.find((tx.acting_org_id(), row_key)))
                .set((creations::entity_id.eq(Some(view.id())), creations::response.eq(Some(response))))
                .execute(tx.conn())?;
        }
        Ok(Created::Now(view))
    }

    /// As [`Creation::once`], in a transaction of its own.
    ///
    /// # Errors
    /// As [`Creation::once`].
    pub fn run<I: Id, V: Kept>(
        self,
        db: &Db,
        actor: &Actor,
        create: impl FnOnce(&mut Tx<'_>, I, T) -> Result<V>,
        read: impl FnOnce(&mut Tx<'_>, I) -> Result<V>,
    ) -> Result<Created<V>> {
        db.write(actor, |tx| self.once(tx, create, read))
    }
}

pub(crate) fn id_taken() -> Error {
    let mut error = Error::field("/id", "id_taken", "is taken by another record. Make a new one.");
    error.code = Code::IdTaken;
    error
}

#[derive(Queryable)]
struct Earlier {
    operation: String,
    body_sha256: Vec<u8>,
    entity_id: Option<Uuid>,
    response: Option<String>,
}

/// Reserves the key, or waits for and returns the row that has it.
fn reserve(tx: &mut Tx<'_>, key: &str, operation: &str, sha256: &[u8; 32]) -> Result<Option<Earlier>> {
    let (org_id, now) = (tx.acting_org_id(), tx.now());
    let inserted = diesel::insert_into(creations::table)
        .values((
            creations::org_id.eq(org_id),
            creations::key.eq(key),
            creations::operation.eq(operation),
            creations::body_sha256.eq(sha256.as_slice()),
            creations::created_at.eq(now),
        ))
        .on_conflict_do_nothing()
        .execute(tx.conn())?;
    if inserted == 1 {
        return Ok(None);
    }
    creations::table
        .find((org_id, key))
        .select((creations::operation, creations::body_sha256, creations::entity_id, creations::response))
        .first(tx.conn())
        .map(Some)
        .map_err(Error::from)
}

impl<V: Kept> Created<V> {
    /// 201 with `Location` and `ETag` when it was made (now or, replayed, then); 200 when it stood already.
    #[must_use]
    pub fn answer(self, collection: &str) -> HttpResponse {
        match self {
            Self::Now(view) => HttpResponse::Created()
                .insert_header((LOCATION, format!("{collection}/{}", view.id())))
                .insert_header((ETAG, etag(view.version())))
                .json(view),
            Self::Before(view) => HttpResponse::Ok()
                .insert_header((LOCATION, format!("{collection}/{}", view.id())))
                .insert_header((ETAG, etag(view.version())))
                .json(view),
            Self::Replayed { id, response } => {
                let mut answer = HttpResponse::Created();
                answer.insert_header((LOCATION, format!("{collection}/{id}")));
                if let Some(version) = version_in(&response) {
                    answer.insert_header((ETAG, etag(version)));
                }
                answer.content_type("application/json").body(response)
            }
        }
    }
}

/// The version that an answer of ours told.
fn version_in(response: &str) -> Option<i32> {
    let answer: serde_json::Value = serde_json::from_str(response).ok()?;
    answer.get("version")?.as_i64()?.try_into().ok()
}

/// The entity tag of a version.
#[must_use]
pub fn etag(version: i32) -> String {
    format!("\"{version}\"")
}

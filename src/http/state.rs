//! What every handler can reach: the database through a permit, and nothing without one.

use std::sync::Arc;

use actix_web::web;

use crate::clock::Clock;
use crate::db::{Actor, Db, Tx};
use crate::error::{Code, Error, Result};
use crate::http::auth::Permit;
use crate::http::guards::Guards;
use crate::http::tokens::TokenKeys;
use crate::objects::Objects;
use crate::permissions::Permission;

/// The state shared by all requests.
#[derive(Clone)]
pub struct AppState {
    /// The database; for the sign-in door and readiness. Handlers with a permit use `read` and `write`.
    pub db: Db,
    /// The keys that sign and verify access tokens.
    pub keys: Arc<TokenKeys>,
    /// Rates, bounds, the post.
    pub guards: Arc<Guards>,
    /// Where "now" comes from.
    pub clock: Clock,
    /// The bytes of attachments.
    pub objects: Objects,
}

/// The state as handlers extract it.
pub type App = web::Data<AppState>;

impl AppState {
    /// Runs `f` in a read-only transaction of the permit's organisation, off the event loop.
    ///
    /// # Errors
    /// Those of `f` and of the database.
    pub async fn read<P: Permission, T: Send + 'static>(
        &self,
        permit: &Permit<P>,
        f: impl FnOnce(&mut Tx<'_>) -> Result<T> + Send + 'static,
    ) -> Result<T> {
        let (db, actor) = (self.db.clone(), permit.actor().clone());
        blocking(move || db.read(&actor, f)).await
    }

    /// As [`AppState::read`], with every statement seeing the database as the first one does.
    ///
    /// # Errors
    /// Those of `f` and of the database.
    pub async fn snapshot<P: Permission, T: Send + 'static>(
        &self,
        permit: &Permit<P>,
        f: impl FnOnce(&mut Tx<'_>) -> Result<T> + Send + 'static,
    ) -> Result<T> {
        let (db, actor) = (self.db.clone(), permit.actor().clone());
        blocking(move || db.snapshot(&actor, f)).await
    }

    /// Runs `f` in a transaction of the permit's organisation, off the event loop.
    ///
    /// # Errors
    /// Those of `f`, after a rollback, and of the database.
    pub async fn write<P: Permission, T: Send + 'static>(
        &self,
        permit: &Permit<P>,
        f: impl FnOnce(&mut Tx<'_>) -> Result<T> + Send + 'static,
    ) -> Result<T> {
        let (db, actor) = (self.db.clone(), permit.actor().clone());
        blocking(move || db.write(&actor, f)).await
    }

    /// Runs `f` with the database and the permit's actor, for operations of many transactions: batches,
    /// imports, streams.
    ///
    /// # Errors
    /// Those of `f`.
    pub async fn with_db<P: Permission, T: Send + 'static>(
        &self,
        permit: &Permit<P>,
        f: impl FnOnce(&Db, &Actor) -> Result<T> + Send + 'static,
    ) -> Result<T> {
        let (db, actor) = (self.db.clone(), permit.actor().clone());
        blocking(move || f(&db, &actor)).await
    }
}

/// Runs a blocking closure on the blocking pool.
///
/// # Errors
/// Those of `f`; unavailable when the pool is gone.
pub async fn blocking<T: Send + 'static>(f: impl FnOnce() -> Result<T> + Send + 'static) -> Result<T> {
    web::block(f)
        .await
        .map_err(|cause| Error::new(Code::Unavailable, "The service is stopping.").because(cause))?
}

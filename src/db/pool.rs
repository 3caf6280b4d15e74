//! Pools and the doors through them: `read` and `write` for an organisation, `sign_in` before one is known,
//! `work` for claiming jobs.

use std::time::{Duration, Instant};

use chrono::SecondsFormat;
use diesel::connection::{AnsiTransactionManager, SimpleConnection, TransactionManager};
use diesel::prelude::*;
use diesel::r2d2::{ConnectionManager, CustomizeConnection, Pool, PooledConnection};

use crate::clock::Clock;
use crate::db::actor::Actor;
use crate::db::tx::Tx;
use crate::error::{Code, Error, Result};

type PgPool = Pool<ConnectionManager<PgConnection>>;

/// Where the three roles connect, and how many connections each may hold.
#[derive(Debug, Clone)]
pub struct DbOptions {
    /// Connection string of the application role.
    pub app_url: String,
    /// Connection string of the worker role, which only claims jobs.
    pub worker_url: String,
    /// Connection string of the sign-in role, which only sees people, their passwords and sessions.
    pub sign_in_url: String,
    /// Connections of the application role; blocking threads are matched to it.
    pub app_connections: u32,
}

/// The database as the rest of the service sees it.
#[derive(Clone)]
pub struct Db {
    app: PgPool,
    worker: PgPool,
    sign_in: PgPool,
    clock: Clock,
}

/// Time-outs instead of a ping on every checkout: the ping cost a third of the throughput.
#[derive(Debug)]
struct Timeouts;

impl CustomizeConnection<PgConnection, diesel::r2d2::Error> for Timeouts {
    fn on_acquire(&self, conn: &mut PgConnection) -> std::result::Result<(), diesel::r2d2::Error> {
        conn.batch_execute(
            "SET statement_timeout = '30s'; SET lock_timeout = '10s';
             SET idle_in_transaction_session_timeout = '60s'; SET TIME ZONE 'UTC'",
        )
        .map_err(diesel::r2d2::Error::QueryError)
    }
}

fn pool(url: &str, size: u32) -> Result<PgPool> {
    Pool::builder()
        .max_size(size)
        // None made in advance: one still being made would outlive the pool, and the private server under it.
        .min_idle(Some(0))
        .test_on_check_out(false)
        .connection_timeout(Duration::from_secs(5))
        .connection_customizer(Box::new(Timeouts))
        .build(ConnectionManager::new(url))
        .map_err(|cause| {
            Error::new(
                Code::Unavailable,
                "Cannot connect to PostgreSQL. Check DATABASE_URL and that it runs.",
            )
            .because(cause)
        })
}

impl Db {
    /// Opens the pools and refuses roles that row-level security does not bind.
    ///
    /// # Errors
    /// Unavailable when PostgreSQL cannot be reached; a conflict when the application role could see every
    /// organisation's rows.
    pub fn connect(options: &DbOptions, clock: Clock) -> Result<Self> {
        let db = Self {
            app: pool(&options.app_url, options.app_connections)?,
            // A listener and the threads of each runner.
            worker: pool(&options.worker_url, 8)?,
            sign_in: pool(&options.sign_in_url, 4)?,
            clock,
        };
        for pool in [&db.app, &db.worker, &db.sign_in] {
            refuse_unbound_role(&mut *checkout(pool)?)?;
        }
        Ok(db)
    }

    /// The clock the service runs by.
    #[must_use]
    pub fn clock(&self) -> Clock {
        self.clock
    }

    /// Runs `f` in a transaction that sees the actor's organisation. Commits when `f` returns `Ok`.
    ///
    /// # Errors
    /// Those of `f`, after a rollback; unavailable when no connection can be had.
    pub fn write<T>(&self, actor: &Actor, f: impl FnOnce(&mut Tx<'_>) -> Result<T>) -> Result<T> {
        self.transaction(&self.app, actor, "", f)
    }

    /// As [`Db::write`], in a transaction that can change nothing.
    ///
    /// # Errors
    /// As [`Db::write`].
    pub fn read<T>(&self, actor: &Actor, f: impl FnOnce(&mut Tx<'_>) -> Result<T>) -> Result<T> {
        self.transaction(&self.app, actor, " READ ONLY", f)
    }

    /// As [`Db::read`], of one state of the database throughout, however long it takes.
    ///
    /// # Errors
    /// As [`Db::write`].
    pub fn snapshot<T>(&self, actor: &Actor, f: impl FnOnce(&mut Tx<'_>) -> Result<T>) -> Result<T> {
        self.transaction(&self.app, actor, " ISOLATION LEVEL REPEATABLE READ, READ ONLY", f)
    }

    /// A transaction of the sign-in role: people, passwords and sessions of all organisations, nothing else.
    ///
    /// # Errors
    /// As [`Db::write`].
    pub fn sign_in<T>(&self, f: impl FnOnce(&mut PgConnection) -> Result<T>) -> Result<T> {
        checkout(&self.sign_in)?.transaction(|conn| f(conn))
    }

    /// A transaction of the worker role, for claiming and settling jobs of all organisations.
    ///
    /// # Errors
    /// As [`Db::write`].
    pub fn work<T>(&self, f: impl FnOnce(&mut PgConnection) -> Result<T>) -> Result<T> {
        checkout(&self.worker)?.transaction(|conn| f(conn))
    }

    /// A connection of the worker role to keep, for listening.
    ///
    /// # Errors
    /// Unavailable when no connection can be had.
    pub fn listener(&self) -> Result<PooledConnection<ConnectionManager<PgConnection>>> {
        checkout(&self.worker)
    }

    /// Whether the database answers.
    ///
    /// # Errors
    /// Unavailable when it does not.
    pub fn ping(&self) -> Result<()> {
        checkout(&self.app)?.batch_execute("SELECT 1").map_err(Error::from)
    }

    fn transaction<T>(
        &self,
        pool: &PgPool,
        actor: &Actor,
        mode: &str,
        f: impl FnOnce(&mut Tx<'_>) -> Result<T>,
    ) -> Result<T> {
        let mut conn = checkout(pool)?;
        let now = self.clock.now();
        // One round trip for all. An id and a time by type, so nothing needs escaping.
        let begin = format!(
            "BEGIN{mode}; SELECT set_config('app.org_id', '{}', true), set_config('app.now', '{}', true)",
            actor.org_id,
            now.to_rfc3339_opts(SecondsFormat::Micros, true)
        );
        AnsiTransactionManager::begin_transaction_sql(&mut *conn, &begin)?;
        let mut tx = Tx { conn: &mut conn, actor, now, ground: actor.org_id, partners: Vec::new() };
        let outcome = match actor.about {
            Some(about) => tx.work_at(about).and_then(|()| f(&mut tx)),
            None => f(&mut tx),
        };
        match outcome {
            Ok(value) => {
                AnsiTransactionManager::commit_transaction(&mut *conn)?;
                Ok(value)
            }
            Err(error) => {
                AnsiTransactionManager::rollback_transaction(&mut *conn)?;
                Err(error)
            }
        }
    }
}

fn checkout(pool: &PgPool) -> Result<PooledConnection<ConnectionManager<PgConnection>>> {
    let asked = Instant::now();
    #[allow(clippy::disallowed_methods, reason = "the doors above are the only callers")]
    let got = pool.get();
    metrics::histogram!("garboard_pool_wait_seconds").record(asked.elapsed());
    got.map_err(|cause| {
        Error::new(Code::Unavailable, "The database is out of reach or busy. Try again in a moment.")
            .because(cause)
    })
}

#[derive(QueryableByName)]
struct RoleBinding {
    #[diesel(sql_type = diesel::sql_types::Text)]
    role: String,
    #[diesel(sql_type = diesel::sql_types::Bool)]
    unbound: bool,
}

fn refuse_unbound_role(conn: &mut PgConnection) -> Result<()> {
    let binding: RoleBinding = diesel::sql_query(
        "SELECT r.rolname::text AS role, (r.rolsuper OR r.rolbypassrls OR EXISTS (
             SELECT FROM pg_class c WHERE c.relowner = r.oid AND c.relnamespace = 'public'::regnamespace)) AS unbound
         FROM pg_roles r WHERE r.rolname = current_user",
    )
    .get_result(conn)?;
    if binding.unbound {
        return Err(Error::new(
            Code::Conflict,
            format!(
                "The database role {} is a superuser, owns the tables or bypasses row-level security: it would see every organisation. Serve with garboard_app, garboard_worker and garboard_sign_in.",
                binding.role
            ),
        ));
    }
    Ok(())
}

//! The schema's changes, built into the binary.

use diesel::connection::SimpleConnection;
use diesel::migration::MigrationSource;
use diesel::pg::Pg;
use diesel::prelude::*;
use diesel_migrations::{EmbeddedMigrations, MigrationHarness, embed_migrations};

use crate::error::{Code, Error, Result};

const MIGRATIONS: EmbeddedMigrations = embed_migrations!("migrations");

/// Brings the schema up to date over a connection that may act as `garboard_owner`; returns the names of
/// the changes applied.
///
/// # Errors
/// Unavailable when the connection fails; internal when a change does.
pub fn migrate(owner_url: &str) -> Result<Vec<String>> {
    let mut conn = connect(owner_url)?;
    conn.run_pending_migrations(MIGRATIONS)
        .map(|versions| versions.iter().map(ToString::to_string).collect())
        .map_err(Error::internal)
}

/// Takes every change back, newest first.
///
/// # Errors
/// As [`migrate`].
pub fn revert_all(owner_url: &str) -> Result<()> {
    connect(owner_url)?.revert_all_migrations(MIGRATIONS).map(|_| ()).map_err(Error::internal)
}

/// The name of the newest change of this binary: a schema of the same name is the same.
///
/// # Errors
/// Internal, when the built-in changes cannot be read: a defect.
pub fn latest() -> Result<String> {
    let all =
        MigrationSource::<Pg>::migrations(&MIGRATIONS).map_err(|cause| Error::internal(cause.to_string()))?;
    Ok(all.iter().map(|change| change.name().to_string()).max().unwrap_or_default())
}

fn connect(owner_url: &str) -> Result<PgConnection> {
    let mut conn = PgConnection::establish(owner_url).map_err(|cause| {
        Error::new(
            Code::Unavailable,
            "Cannot connect to PostgreSQL to migrate. Check the address and the role.",
        )
        .because(cause)
    })?;
    conn.batch_execute("SET ROLE garboard_owner").map_err(|cause| {
        Error::new(
            Code::Conflict,
            "The migrating role cannot act as garboard_owner. Use a superuser or a member of it.",
        )
        .because(cause)
    })?;
    Ok(conn)
}

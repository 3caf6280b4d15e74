//! The roles the service connects as, on the private PostgreSQL and on one of the user's own.
//!
//! [`OWNER`] owns the database and everything in it and cannot sign in: migrations run as a superuser, or as a
//! member of it, after `SET ROLE`. [`APP`], [`WORKER`] and [`SIGN_IN`] own nothing and never pass row-level
//! security. What they may do to each table is granted by the migrations.

use std::fmt;

use diesel::sql_types::{Bool, Text};
use diesel::{Connection, PgConnection, QueryResult, QueryableByName, RunQueryDsl, sql_query};

use crate::error::{Code, Error, Result};

/// The database of the private PostgreSQL.
pub const DATABASE: &str = "garboard";
/// Owns the schema; cannot sign in.
pub const OWNER: &str = "garboard_owner";
/// Serves requests.
pub const APP: &str = "garboard_app";
/// Claims jobs.
pub const WORKER: &str = "garboard_worker";
/// Reads the tables that sign-in needs before an organisation is known.
pub const SIGN_IN: &str = "garboard_sign_in";

/// The passwords to give to the roles that sign in.
#[derive(Clone)]
pub struct RolePasswords {
    /// That of [`APP`].
    pub app: String,
    /// That of [`WORKER`].
    pub worker: String,
    /// That of [`SIGN_IN`].
    pub sign_in: String,
}

impl fmt::Debug for RolePasswords {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("RolePasswords(redacted)")
    }
}

#[derive(QueryableByName)]
struct Attributes {
    #[diesel(sql_type = Bool)]
    can_login: bool,
    #[diesel(sql_type = Bool)]
    is_superuser: bool,
    #[diesel(sql_type = Bool)]
    bypasses_rls: bool,
}

#[derive(QueryableByName)]
struct Statement {
    #[diesel(sql_type = Text)]
    statement: String,
}

#[derive(QueryableByName)]
struct Answer {
    #[diesel(sql_type = Bool)]
    answer: bool,
}

/// Makes the roles that are missing and mends the ones that may do too much, in one transaction. Needs a superuser,
/// or CREATEROLE where nothing has to be mended. Without passwords those of existing roles stay, and a new role
/// cannot sign in with one until it is given one.
///
/// # Errors
/// Those of the database; nothing is changed then.
pub fn ensure_roles(connection: &mut PgConnection, passwords: Option<&RolePasswords>) -> QueryResult<()> {
    connection.transaction(|connection| {
        if passwords.is_some() {
            keep_out_of_the_log(connection)?;
        }
        ensure_role(connection, OWNER, false)?;
        become_able_to_be_owner(connection)?;
        for (role, password) in [
            (APP, passwords.map(|p| &p.app)),
            (WORKER, passwords.map(|p| &p.worker)),
            (SIGN_IN, passwords.map(|p| &p.sign_in)),
        ] {
            ensure_role(connection, role, true)?;
            if let Some(password) = password {
                run_formatted(connection, "ALTER ROLE %I PASSWORD %L", role, password)?;
            }
        }
        Ok(())
    })
}

/// A server that logs statements would log the passwords in them.
fn keep_out_of_the_log(connection: &mut PgConnection) -> QueryResult<()> {
    let superuser = sql_query("SELECT rolsuper AS answer FROM pg_roles WHERE rolname = current_user");
    if superuser.get_result::<Answer>(connection)?.answer {
        sql_query("SET LOCAL log_statement = 'none'").execute(connection)?;
        sql_query("SET LOCAL log_min_duration_statement = -1").execute(connection)?;
        sql_query("SET LOCAL log_min_error_statement = 'panic'").execute(connection)?;
    }
    Ok(())
}

fn ensure_role(connection: &mut PgConnection, role: &str, can_login: bool) -> QueryResult<()> {
    let known: Vec<Attributes> = sql_query(
        "SELECT rolcanlogin AS can_login, rolsuper AS is_superuser, rolbypassrls AS bypasses_rls \
         FROM pg_roles WHERE rolname = $1",
    )
    .bind::<Text, _>(role)
    .load(connection)?;
    let login = if can_login { "LOGIN" } else { "NOLOGIN" };
    let Some(known) = known.first() else {
        // NOSUPERUSER, NOBYPASSRLS and the like are what a new role has; naming them needs a superuser.
        return run_formatted(connection, &format!("CREATE ROLE %I {login}"), role, "");
    };
    if known.can_login != can_login {
        run_formatted(connection, &format!("ALTER ROLE %I {login}"), role, "")?;
    }
    if known.is_superuser || known.bypasses_rls {
        run_formatted(connection, "ALTER ROLE %I NOSUPERUSER NOBYPASSRLS", role, "")?;
    }
    Ok(())
}

/// Someone who may create roles is not thereby allowed to become them (PostgreSQL 16 release notes).
fn become_able_to_be_owner(connection: &mut PgConnection) -> QueryResult<()> {
    sql_query(format!(
        "DO $$ BEGIN \
           BEGIN \
             SET LOCAL ROLE {OWNER}; \
             RESET ROLE; \
           EXCEPTION WHEN insufficient_privilege THEN \
             EXECUTE format('GRANT {OWNER} TO %I', current_user); \
           END; \
         END $$"
    ))
    .execute(connection)?;
    Ok(())
}

/// Makes the database if it is missing, owned by [`OWNER`], closed to everyone but the roles of this module. Not
/// in a transaction: `CREATE DATABASE` refuses that.
///
/// # Errors
/// Those of the database.
pub fn ensure_database(connection: &mut PgConnection, database: &str) -> QueryResult<()> {
    let exists = sql_query("SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1) AS answer")
        .bind::<Text, _>(database)
        .get_result::<Answer>(connection)?;
    if !exists.answer {
        run_formatted(connection, "CREATE DATABASE %I OWNER %2$I", database, OWNER)?;
    }
    grant_database(connection, database)
}

/// Lets the roles, and nobody else, connect to a database; they stage imports in temporary tables. These rights
/// do not come along when a database is cloned.
///
/// # Errors
/// Those of the database.
pub fn grant_database(connection: &mut PgConnection, database: &str) -> QueryResult<()> {
    run_formatted(connection, "REVOKE ALL ON DATABASE %I FROM PUBLIC", database, "")?;
    for role in [APP, WORKER] {
        run_formatted(connection, "GRANT CONNECT, TEMPORARY ON DATABASE %I TO %2$I", database, role)?;
    }
    run_formatted(connection, "GRANT CONNECT ON DATABASE %I TO %2$I", database, SIGN_IN)
}

/// In the database itself, before its migrations: the extension they want, and a schema in which only the owner
/// creates (before PostgreSQL 15 everyone could).
///
/// # Errors
/// Those of the database; nothing is changed then.
pub fn prepare_database(connection: &mut PgConnection) -> QueryResult<()> {
    connection.transaction(|connection| {
        sql_query("CREATE EXTENSION IF NOT EXISTS btree_gist").execute(connection)?;
        sql_query("REVOKE ALL ON SCHEMA public FROM PUBLIC").execute(connection)?;
        sql_query(format!("GRANT USAGE, CREATE ON SCHEMA public TO {OWNER}")).execute(connection)?;
        sql_query(format!("GRANT USAGE ON SCHEMA public TO {APP}, {WORKER}, {SIGN_IN}"))
            .execute(connection)?;
        Ok(())
    })
}

/// Makes the roles that are missing, without passwords, and prepares the database, over a connection of its own.
///
/// # Errors
/// Unavailable when the connection fails; those of the database.
pub fn prepare(owner_url: &str) -> Result<()> {
    let mut connection = PgConnection::establish(owner_url).map_err(|cause| {
        Error::new(Code::Unavailable, "Cannot connect with DATABASE_OWNER_URL. Check the address.")
            .because(cause)
    })?;
    ensure_roles(&mut connection, None)?;
    prepare_database(&mut connection)?;
    Ok(())
}

/// Runs a statement that takes no parameters with names and texts in it, quoted by the server: `%I` and `%L` as
/// its `format` knows them.
fn run_formatted(
    connection: &mut PgConnection,
    template: &str,
    first: &str,
    second: &str,
) -> QueryResult<()> {
    let quoted: Statement = sql_query("SELECT format($1, $2, $3) AS statement")
        .bind::<Text, _>(template)
        .bind::<Text, _>(first)
        .bind::<Text, _>(second)
        .get_result(connection)?;
    sql_query(quoted.statement).execute(connection)?;
    Ok(())
}

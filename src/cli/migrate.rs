//! `garboard migrate`: the roles, the schema.

use clap::Args;

use crate::cli::database::Where;
use crate::cli::output::print_line;
use crate::config::Database;
use crate::db::{migrations, roles};
use crate::error::{Code, Error, Result};

/// Bring the database's roles and schema up to date.
#[derive(Debug, Args)]
pub struct Migrate {
    #[command(flatten)]
    database: Where,
}

impl Migrate {
    pub(super) fn run(&self) -> Result<()> {
        let settings = self.database.settings()?;
        let applied = match &settings.database {
            Database::Private(options) => {
                let private = crate::db::private::PrivatePostgres::start(options)
                    .map_err(|cause| Error::new(Code::Unavailable, cause.to_string()))?;
                migrations::migrate(&private.addresses(roles::DATABASE).superuser_url)?
            }
            Database::Given(given) => {
                let owner_url = given.owner_url.as_deref().ok_or_else(|| {
                    Error::new(Code::Invalid, "Set DATABASE_OWNER_URL to a superuser, or to a member of garboard_owner, of that database.")
                })?;
                roles::prepare(owner_url)?;
                migrations::migrate(owner_url)?
            }
        };
        match applied.len() {
            0 => print_line("The schema is up to date."),
            n => print_line(&format!(
                "{n} changes applied, up to {}.",
                applied.last().map_or("", String::as_str)
            )),
        }
    }
}

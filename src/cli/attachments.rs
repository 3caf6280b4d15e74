//! `garboard attachments sweep`: the store of attachments against the rows that name its objects.

use clap::{Args, Subcommand};

use crate::cli::database::Where;
use crate::cli::output::print;
use crate::error::{Code, Error, Result};
use crate::features::attachments::sweep::sweep;

/// Look after the bytes of attachments.
#[derive(Debug, Args)]
pub struct Attachments {
    #[command(subcommand)]
    command: AttachmentsCommand,
}

#[derive(Debug, Subcommand)]
enum AttachmentsCommand {
    /// Remove what no record names (a service does it once a day), and tell what is missing
    Sweep(Sweep),
}

#[derive(Debug, Args)]
struct Sweep {
    #[command(flatten)]
    database: Where,
}

impl Attachments {
    pub(super) fn run(&self) -> Result<()> {
        let AttachmentsCommand::Sweep(command) = &self.command;
        let opened = command.database.open()?;
        let now = opened.db.clock().now();
        let swept = actix_web::rt::System::new().block_on(sweep(&opened.db, &opened.objects, now))?;
        print(&format!(
            "{} objects kept, {} removed, {} younger than an hour left alone.\n",
            swept.kept, swept.removed, swept.waiting
        ))?;
        if swept.missing.is_empty() {
            return Ok(());
        }
        Err(Error::new(
            Code::Conflict,
            format!(
                "{} objects are missing: {}. Put them back from a backup.",
                swept.missing.len(),
                swept.missing.join(", ")
            ),
        ))
    }
}

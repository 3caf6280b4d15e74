//! `garboard token-key`: the key that signs access tokens, followed by another.

use clap::Args;

use crate::cli::database::Where;
use crate::cli::output::print;
use crate::error::Result;
use crate::http::tokens::{ACCESS_MINUTES, add_key, remove_older_keys};

/// Make a new key to sign access tokens; a running service takes it up within a minute.
///
/// The earlier keys go on to verify. Remove them when their last tokens have run out.
#[derive(Debug, Args)]
pub struct TokenKey {
    #[command(flatten)]
    database: Where,
    /// Remove all keys but the newest instead; what the others signed holds no longer
    #[arg(long)]
    remove_older: bool,
}

impl TokenKey {
    pub(super) fn run(&self) -> Result<()> {
        let folder = self.database.folder()?.join("secrets").join("token_keys");
        if self.remove_older {
            let removed = remove_older_keys(&folder)?;
            return print(&format!("{removed} older keys removed.\n"));
        }
        let kid = add_key(&folder)?;
        print(&format!(
            "The key {kid} signs from now on. The earlier ones verify until you remove them with --remove-older;\n\
             wait {} minutes, so that every token they signed has run out.\n",
            ACCESS_MINUTES + 1
        ))
    }
}

//! `garboard invite`, `garboard reset-password`: one-time tokens, printed for whoever runs the service.

use clap::{Args, ValueEnum};

use crate::cli::database::{ForOrganisation, Where};
use crate::cli::output::print;
use crate::error::{Code, Error, Result};
use crate::features::accounts::api::invitations::{INVITATION_DAYS, invite};
use crate::features::accounts::api::passwords::{RESET_MINUTES, offer_reset};
use crate::features::accounts::model::NewInvitationFields;
use crate::http::body::validated;
use crate::permissions::Role;

/// The roles, as arguments.
#[derive(Debug, Clone, Copy, ValueEnum)]
enum RoleName {
    Administrator,
    Lead,
    Surveyor,
    Crew,
    Reader,
}

/// Invite a person into an organisation, and print the one-time token to accept with.
#[derive(Debug, Args)]
pub struct Invite {
    #[command(flatten)]
    database: Where,
    #[command(flatten)]
    organisation: ForOrganisation,
    /// The person's e-mail address
    #[arg(long)]
    email: String,
    /// The role
    #[arg(long)]
    role: RoleName,
}

impl Invite {
    pub(super) fn run(&self) -> Result<()> {
        let role = match self.role {
            RoleName::Administrator => Role::Administrator,
            RoleName::Lead => Role::Lead,
            RoleName::Surveyor => Role::Surveyor,
            RoleName::Crew => Role::Crew,
            RoleName::Reader => Role::Reader,
        };
        let new = validated(NewInvitationFields { email: self.email.clone(), role })?;
        let opened = self.database.open()?;
        let actor = self.organisation.actor(&opened.db)?;
        let (_, token) = invite(&opened.db, &actor, &new)?;
        print(&format!(
            "{} accepts within {INVITATION_DAYS} days by sending this token with a password to /v1/invitations/acceptance:\n{token}\n",
            self.email
        ))
    }
}

/// Print a one-time token with which a person sets a new password.
#[derive(Debug, Args)]
pub struct ResetPassword {
    #[command(flatten)]
    database: Where,
    /// The person's e-mail address
    #[arg(long)]
    email: String,
}

impl ResetPassword {
    pub(super) fn run(&self) -> Result<()> {
        let opened = self.database.open()?;
        let token = offer_reset(&opened.db, &self.email)?.ok_or_else(|| {
            Error::new(Code::NotFound, format!("Nobody signs in as {}. Check the address.", self.email))
        })?;
        print(&format!(
            "{} sets a new password within {RESET_MINUTES} minutes by sending this token with it to /v1/password-resets/completion:\n{token}\n",
            self.email
        ))
    }
}

//! The command line: one file a command. Exit codes: 0 done, 1 refused or failed with a one-line reason,
//! 2 wrong arguments.

pub mod archive;
mod attachments;
pub mod audit;
pub mod calc;
mod client;
pub mod database;
mod demo;
mod due;
pub mod erase;
mod hindcast;
mod import;
mod jobs;
mod migrate;
pub mod openapi;
pub mod organisation;
mod output;
mod people;
mod serve;
mod token_key;

use std::process::ExitCode;

use clap::{Parser, Subcommand};

/// Keeps the underwater condition of fibreglass hulls, and computes when each is next due.
///
/// It advises; local codes and a qualified surveyor or coating inspector decide.
#[derive(Debug, Parser)]
#[command(name = "garboard", version)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Show an invented marina: its hulls, what falls due, and why
    Demo(demo::Demo),
    /// Serve the API
    Serve(serve::Serve),
    /// Import vessels, haul-outs, readings or coats from a CSV file
    Import(import::Import),
    /// Print what falls due
    Due(due::Due),
    /// Hold past surveys against the forecasts that were possible before them
    Hindcast(hindcast::Hindcast),
    /// Show the vessels of a service
    Vessel(client::lists::Vessel),
    /// Write what a service keeps to a file
    Export(client::lists::Export),
    /// Sign in to a service
    SignIn(client::people::SignIn),
    /// End the session kept for a service
    SignOut(client::people::SignOut),
    /// Compute with one of the calculators: JSON in, JSON out
    Calc(calc::Calc),
    /// Bring the database's roles and schema up to date
    Migrate(migrate::Migrate),
    /// Make an organisation and its administrator
    Organisation(organisation::Organisation),
    /// Invite a person, and print the token to accept with
    Invite(people::Invite),
    /// Print a token to set a new password with
    ResetPassword(people::ResetPassword),
    /// Write the whole of an organisation to a file
    Archive(archive::Archive),
    /// Bring an exported organisation back
    Restore(archive::Restore),
    /// Take out a person's fields or a whole organisation, for good
    Erase(erase::Erase),
    /// Make a new key to sign access tokens
    TokenKey(token_key::TokenKey),
    /// Look at the queue of work, and try again what could not be done
    Jobs(jobs::Jobs),
    /// Look after the audit
    Audit(audit::Audit),
    /// Look after the bytes of attachments
    Attachments(attachments::Attachments),
    /// Print the OpenAPI document
    Openapi(openapi::Openapi),
}

/// Parses the command line and runs the command.
#[must_use]
pub fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let outcome = match arguments.command {
        Command::Demo(command) => command.run(),
        Command::Serve(command) => command.run(),
        Command::Import(command) => command.run(),
        Command::Due(command) => command.run(),
        Command::Hindcast(command) => command.run(),
        Command::Vessel(command) => command.run(),
        Command::Export(command) => command.run(),
        Command::SignIn(command) => command.run(),
        Command::SignOut(command) => command.run(),
        Command::Calc(command) => command.run(),
        Command::Migrate(command) => command.run(),
        Command::Organisation(command) => command.run(),
        Command::Invite(command) => command.run(),
        Command::ResetPassword(command) => command.run(),
        Command::Archive(command) => command.run(),
        Command::Restore(command) => command.run(),
        Command::Erase(command) => command.run(),
        Command::TokenKey(command) => command.run(),
        Command::Jobs(command) => command.run(),
        Command::Audit(command) => command.run(),
        Command::Attachments(command) => command.run(),
        Command::Openapi(command) => command.run(),
    };
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            let cause = error.cause.as_ref().map(|cause| format!(" ({cause})")).unwrap_or_default();
            eprintln!("garboard: {error}{cause}");
            ExitCode::from(1)
        }
    }
}

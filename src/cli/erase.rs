//! `garboard erase`: a person's fields, or a whole organisation. Both are for good, so both are said twice.

use std::fs::OpenOptions;
use std::io::Write;
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

use chrono::{DateTime, Utc};
use clap::{Args, Subcommand};
use serde::{Deserialize, Serialize};

use crate::cli::database::{ForOrganisation, Where};
use crate::cli::output::print;
use crate::db::{Db, organisation_rows};
use crate::error::{Code, Error, Result};
use crate::features::accounts::store::erasure;
use crate::features::accounts::store::organisations;
use crate::ids::{Id, OrgId, RequestId};

/// The file that says which organisations were erased, in the folder for secrets, beside the heads of the audit.
pub const ERASURES: &str = "erasures.jsonl";

/// Take out a person's fields or a whole organisation, for good.
#[derive(Debug, Args)]
pub struct Erase {
    #[command(subcommand)]
    command: EraseCommand,
}

#[derive(Debug, Subcommand)]
enum EraseCommand {
    /// Take out the address, name, password and sessions of a person; what they recorded stays, under their id
    Person(Person),
    /// Take out everything of an organisation, its audit too
    Organisation(Everything),
}

#[derive(Debug, Args)]
struct Person {
    #[command(flatten)]
    database: Where,
    /// The person's e-mail address
    #[arg(long)]
    email: String,
    /// The address once more: there is no way back
    #[arg(long, value_name = "EMAIL")]
    confirm: String,
}

#[derive(Debug, Args)]
struct Everything {
    #[command(flatten)]
    database: Where,
    #[command(flatten)]
    organisation: ForOrganisation,
    /// The organisation's name, in full: there is no way back
    #[arg(long, value_name = "NAME")]
    confirm: String,
}

/// An erasure as it stands in the file.
#[derive(Debug, Serialize, Deserialize)]
pub struct Erasure {
    /// When.
    pub erased_at: DateTime<Utc>,
    /// Which organisation.
    pub org_id: OrgId,
    /// How many rows of all tables.
    pub rows: i64,
}

impl Erase {
    pub(super) fn run(&self) -> Result<()> {
        match &self.command {
            EraseCommand::Person(command) => command.run(),
            EraseCommand::Organisation(command) => command.run(),
        }
    }
}

fn unconfirmed(expected: &str) -> Error {
    Error::new(Code::Invalid, format!("Nothing was erased. To erase for good, say --confirm \"{expected}\"."))
}

impl Person {
    fn run(&self) -> Result<()> {
        if self.confirm.trim().to_lowercase() != self.email.trim().to_lowercase() {
            return Err(unconfirmed(&self.email));
        }
        let opened = self.database.open()?;
        let of = opened.db.sign_in(|conn| {
            let person_id = erasure::person_of(conn, &self.email)?;
            erasure::erase_person(conn, person_id, RequestId::fresh(), opened.db.clock().now())
        })?;
        print(&format!(
            "Erased: address, name, password, second factor and sessions. {} organisations keep what the person recorded, under an id.\n\
             Names that others wrote into notes, surveys and decisions are theirs to correct.\n",
            of.len()
        ))
    }
}

impl Everything {
    fn run(&self) -> Result<()> {
        let opened = self.database.open()?;
        let actor = self.organisation.actor(&opened.db)?;
        let all = opened.db.sign_in(organisations)?;
        let name =
            all.iter().find(|(org_id, _)| *org_id == actor.org_id).map_or("", |(_, name)| name.as_str());
        if self.confirm != name {
            return Err(unconfirmed(name));
        }
        let owner_url = self.database.owner_url(&opened)?;
        let (tables, people) = erase_organisation(&opened.db, &owner_url, &opened.secrets, actor.org_id)?;
        let rows: i64 = tables.iter().map(|(_, rows)| rows).sum();
        print(&format!(
            "Erased: {rows} rows of {name}, and the fields of {people} people who were in no other organisation.\n\
             Backups and copies of exports are yours to erase. Run VACUUM to give the room back.\n"
        ))
    }
}

/// The organisations that the file of erasures in a folder names.
///
/// # Errors
/// Invalid, when it cannot be read.
pub fn erasures(secrets: &Path) -> Result<Vec<OrgId>> {
    let text = match std::fs::read_to_string(secrets.join(ERASURES)) {
        Ok(text) => text,
        Err(cause) if cause.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(cause) => return Err(Error::internal(cause)),
    };
    let unreadable = |cause| Error::new(Code::Invalid, format!("{ERASURES} cannot be read.")).because(cause);
    text.lines()
        .map(|line| serde_json::from_str::<Erasure>(line).map(|e| e.org_id).map_err(unreadable))
        .collect()
}

/// Erases an organisation and the people of no other one, and notes it in the file of erasures: the rows that went of
/// each table, and how many people.
///
/// # Errors
/// Those of the database; internal, when the file cannot be written: then nothing is erased.
pub fn erase_organisation(
    db: &Db,
    owner_url: &str,
    secrets: &Path,
    org_id: OrgId,
) -> Result<(Vec<(String, i64)>, usize)> {
    let now = db.clock().now();
    let people = db.sign_in(|conn| erasure::members_of_no_other(conn, org_id))?;
    let tables = organisation_rows::erase(owner_url, org_id, |tables| {
        let rows = tables.iter().map(|(_, rows)| rows).sum();
        let line =
            serde_json::to_string(&Erasure { erased_at: now, org_id, rows }).map_err(Error::internal)?;
        let mut options = OpenOptions::new();
        let mut file = options
            .append(true)
            .create(true)
            .mode(0o600)
            .open(secrets.join(ERASURES))
            .map_err(Error::internal)?;
        writeln!(file, "{line}").and_then(|()| file.sync_all()).map_err(Error::internal)
    })?;
    db.sign_in(|conn| {
        people.iter().try_for_each(|person_id| {
            erasure::erase_person(conn, *person_id, RequestId::fresh(), now).map(|_| ())
        })
    })?;
    Ok((tables, people.len()))
}

//! `garboard demo`: an invented marina from nothing to its due list.

mod hulls;
mod loading;
mod scenario;
mod under_way;

use std::fs;
use std::io::{IsTerminal, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};

use crate::cli::database::{Opened, Where};
use crate::cli::due;
use crate::cli::organisation::{self, random_password};
use crate::cli::output::print;
use crate::cli::serve::{Listening, serve};
use crate::db::{Actor, Db};
use crate::error::{Error, Result};
use crate::features::accounts::model::{NewMemberFields, OrganisationFields};
use crate::features::accounts::store;
use crate::features::forecasts;
use crate::ids::{Id, PersonId, RequestId};
use crate::jobs::runner;
use crate::permissions::Role;

const CONNECTIONS: u32 = 8;

/// Show an invented marina: its hulls, what falls due, and why.
///
/// The demo keeps to a folder of its own and knows nothing of real hulls.
#[derive(Debug, Args)]
pub struct Demo {
    #[command(flatten)]
    database: Where,
    #[command(flatten)]
    listening: Listening,
    /// Stop after printing, do not serve
    #[arg(long)]
    once: bool,
}

impl Demo {
    pub(super) fn run(&self) -> Result<()> {
        self.listening.start_log()?;
        let listener = if self.once { None } else { Some(self.listening.bind()?) };
        let database = self.database.beside("demo")?;
        eprintln!("Starting the demo's own PostgreSQL in {}.", database.folder()?.display());
        let opened = database.start(CONNECTIONS)?;
        let password = Self::prepare(&opened)?;
        due::print_table(&opened.db, &organisation_of_demo(&opened.db)?)?;
        print_sign_ins(&password)?;
        match listener {
            None => stop(opened),
            Some(listener) => serve(opened, listener, &self.listening),
        }
    }

    /// Loads the scenario into an empty database, brings the forecasts up to today, and tells the password.
    fn prepare(opened: &Opened) -> Result<String> {
        let password = demo_password(&opened.secrets)?;
        if opened.db.sign_in(store::organisations)?.is_empty() {
            load(&opened.db, &password)?;
        }
        let progress = bar("Computing the forecasts");
        let tally = runner::run_until_idle(&opened.db, &forecasts::job::workers())?;
        progress.finish_and_clear();
        eprintln!("{} forecasts computed.", tally.done);
        Ok(password)
    }
}

fn organisation_of_demo(db: &Db) -> Result<Actor> {
    let all = db.sign_in(store::organisations)?;
    let (org_id, _) = all.first().ok_or_else(|| Error::internal("the demo has no organisation"))?;
    Ok(Actor::service(*org_id, RequestId::fresh()))
}

fn bar(what: &'static str) -> ProgressBar {
    let bar = if std::io::stderr().is_terminal() { ProgressBar::new(0) } else { ProgressBar::hidden() };
    if let Ok(style) = ProgressStyle::with_template("{msg} {bar:30} {pos}/{len}") {
        bar.set_style(style);
    }
    bar.set_message(what);
    bar
}

/// Made once and kept in a 0600 file: there is no default password, not even here.
fn demo_password(secrets: &Path) -> Result<String> {
    let path = secrets.join("demo_password");
    if let Ok(text) = fs::read_to_string(&path) {
        return Ok(text.trim().to_owned());
    }
    let password = random_password()?;
    let mut file = fs::OpenOptions::new()
        .write(true)
        .create_new(true)
        .mode(0o600)
        .open(&path)
        .map_err(Error::internal)?;
    writeln!(file, "{password}").map_err(Error::internal)?;
    Ok(password)
}

const PEOPLE: [(&str, &str, Role); 5] = [
    ("administrator", "Administrator of the haven", Role::Administrator),
    ("lead", "Hull lead of the haven", Role::Lead),
    ("surveyor", "Surveyor of the haven", Role::Surveyor),
    ("crew", "Yard crew of the haven", Role::Crew),
    ("reader", "Office of the haven", Role::Reader),
];

fn address(word: &str) -> String {
    format!("{word}@{}", scenario::DOMAIN)
}

fn load(db: &Db, password: &str) -> Result<()> {
    let members: Vec<NewMemberFields> = PEOPLE
        .iter()
        .map(|(word, name, role)| NewMemberFields {
            email: address(word),
            display_name: (*name).to_owned(),
            role: *role,
            password: password.to_owned(),
        })
        .collect();
    let fields = OrganisationFields { name: scenario::ORGANISATION.to_owned(), time_zone: "UTC".to_owned() };
    let org_id = organisation::create(db, &fields, &members)?;
    let acting = |word: &str| -> Result<Actor> {
        Ok(Actor { person_id: person(db, word)?, ..Actor::service(org_id, RequestId::fresh()) })
    };
    let progress = bar("Loading the invented marina");
    let today = db.clock().now().date_naive();
    let hulls = loading::load(db, &acting("lead")?, &acting("surveyor")?, today, &progress)?;
    progress.finish_and_clear();
    eprintln!("{hulls} hulls of {} loaded, all invented.", scenario::ORGANISATION);
    Ok(())
}

fn person(db: &Db, word: &str) -> Result<Option<PersonId>> {
    let found = db.sign_in(|conn| store::sessions::candidate(conn, &address(word)))?;
    Ok(found.map(|candidate| candidate.person_id))
}

fn print_sign_ins(password: &str) -> Result<()> {
    let people: String =
        PEOPLE.iter().map(|(word, name, _)| format!("  {:<38} {name}\n", address(word))).collect();
    print(&format!("\nSign-ins of the demo, all with the password {password}:\n{people}\n"))
}

fn stop(opened: Opened) -> Result<()> {
    let Opened { db, private, .. } = opened;
    drop(db);
    match private {
        Some(private) => {
            private.stop().map_err(|cause| Error::new(crate::error::Code::Unavailable, cause.to_string()))
        }
        None => Ok(()),
    }
}

//! `garboard jobs`: what could not be done, and trying it again.

use clap::{Args, Subcommand, ValueEnum};

use crate::cli::database::Where;
use crate::cli::output::{print, print_line};
use crate::db::Actor;
use crate::error::{Code, Error, Result};
use crate::ids::{Id, RequestId};
use crate::jobs::board::{self, JobState};

/// The most that are listed or retried at once.
const MOST: i64 = 10_000;

/// Look at the queue of work, and try again what could not be done.
#[derive(Debug, Args)]
pub struct Jobs {
    #[command(subcommand)]
    command: JobsCommand,
}

#[derive(Debug, Subcommand)]
enum JobsCommand {
    /// List the jobs of every organisation that failed too often, or those that wait or run
    List(List),
    /// Try dead jobs again: the one named, or all
    Retry(Retry),
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum State {
    Dead,
    Queued,
    Running,
}

#[derive(Debug, Args)]
struct List {
    #[command(flatten)]
    database: Where,
    /// Which
    #[arg(long, value_enum, default_value = "dead")]
    state: State,
}

#[derive(Debug, Args)]
struct Retry {
    #[command(flatten)]
    database: Where,
    /// The job's id
    #[arg(required_unless_present = "all", conflicts_with = "all")]
    id: Option<String>,
    /// All dead ones
    #[arg(long)]
    all: bool,
}

impl Jobs {
    pub(super) fn run(&self) -> Result<()> {
        match &self.command {
            JobsCommand::List(list) => list.run(),
            JobsCommand::Retry(retry) => retry.run(),
        }
    }
}

impl List {
    fn run(&self) -> Result<()> {
        let opened = self.database.open()?;
        let state = match self.state {
            State::Dead => JobState::Dead,
            State::Queued => JobState::Queued,
            State::Running => JobState::Running,
        };
        let mut text = String::from("id\torganisation\tkind\tsubject\tattempts\trun_after\tlast_error\n");
        for job in board::of_all(&opened.db, state, MOST)? {
            // An error may hold line ends; a line is a job.
            let error = job.last_error.unwrap_or_default().replace(['\n', '\t', '\r'], " ");
            text.push_str(&format!(
                "{}\t{}\t{}\t{}\t{}\t{}\t{error}\n",
                job.id,
                job.org_id,
                job.kind,
                job.subject_id,
                job.attempts,
                job.run_after.to_rfc3339_opts(chrono::SecondsFormat::Secs, true),
            ));
        }
        print(&text)
    }
}

impl Retry {
    fn run(&self) -> Result<()> {
        let opened = self.database.open()?;
        let mut dead = board::of_all(&opened.db, JobState::Dead, MOST)?;
        if let Some(id) = &self.id {
            dead.retain(|job| job.id.to_string() == *id);
            if dead.is_empty() {
                return Err(Error::new(
                    Code::NotFound,
                    "No dead job has this id. List them: garboard jobs list",
                ));
            }
        }
        for job in &dead {
            let actor = Actor::service(job.org_id, RequestId::fresh());
            opened.db.write(&actor, |tx| board::retry(tx, job.id).map(|_| ()))?;
        }
        print_line(&format!("{} asked for again. A service that runs does them.", dead.len()))
    }
}

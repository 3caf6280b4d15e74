//! `garboard audit verify`: whether the audit still says what was recorded; and its heads, written to a file outside
//! the database.

use std::collections::BTreeMap;
use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use chrono::{DateTime, Utc};
use clap::{Args, Subcommand};
use serde::{Deserialize, Serialize};

use crate::cli::database::Where;
use crate::cli::erase::erasures;
use crate::cli::output::print;
use crate::codes::hex;
use crate::db::{Actor, Db};
use crate::error::{Code, Error, Result};
use crate::features::{accounts, audit};
use crate::ids::{Id, OrgId, RequestId};

/// The name of the file of heads, in the folder for secrets.
pub const HEADS: &str = "audit_heads.jsonl";

/// Look after the audit.
#[derive(Debug, Args)]
pub struct Audit {
    #[command(subcommand)]
    command: AuditCommand,
}

#[derive(Debug, Subcommand)]
enum AuditCommand {
    /// Follow the chain of every organisation's audit, and compare it with the heads written before
    Verify(Verify),
}

#[derive(Debug, Args)]
struct Verify {
    #[command(flatten)]
    database: Where,
    /// The file of heads; keep a copy where nobody reaches who reaches the database [default: `audit_heads.jsonl`
    /// among the secrets]
    #[arg(long, value_name = "FILE")]
    heads: Option<PathBuf>,
}

/// A head, as it stands in the file.
#[derive(Debug, Serialize, Deserialize)]
pub struct Head {
    written_at: DateTime<Utc>,
    org_id: OrgId,
    sequence: i64,
    row_sha256: String,
}

impl Audit {
    pub(super) fn run(&self) -> Result<()> {
        let AuditCommand::Verify(command) = &self.command;
        let opened = command.database.open()?;
        let default = opened.secrets.join(HEADS);
        let path = command.heads.as_deref().unwrap_or(&default);
        // A file that was named must be there.
        let heads = if command.heads.is_some() || path.exists() { read_heads(path)? } else { Vec::new() };
        let (mut report, mut sound) = verify(&opened.db, &heads)?;
        for org_id in vanished(&opened.db, &heads, &erasures(&opened.secrets)?)? {
            sound = false;
            report.push_str(&format!(
                "{org_id}: NOT SOUND: its heads were written down, and it is gone without an erasure.\n"
            ));
        }
        print(&report)?;
        if sound {
            Ok(())
        } else {
            Err(Error::new(Code::Conflict, "The audit is not what was recorded. Compare with a backup."))
        }
    }
}

/// The heads in a file.
///
/// # Errors
/// Invalid, when it cannot be read.
pub fn read_heads(path: &Path) -> Result<Vec<Head>> {
    let unreadable = |cause: String| {
        Error::new(Code::Invalid, format!("The heads in {} cannot be read: {cause}.", path.display()))
    };
    let file = fs::File::open(path).map_err(|cause| unreadable(cause.to_string()))?;
    BufReader::new(file)
        .lines()
        .map(|line| {
            let line = line.map_err(|cause| unreadable(cause.to_string()))?;
            serde_json::from_str(&line).map_err(|cause| unreadable(cause.to_string()))
        })
        .collect()
}

/// The organisations whose heads were written down and that are neither there nor erased by `garboard erase`.
///
/// # Errors
/// Those of the database.
pub fn vanished(db: &Db, heads: &[Head], erased: &[OrgId]) -> Result<Vec<OrgId>> {
    let there = db.sign_in(accounts::store::organisations)?;
    let known = |org_id: &OrgId| erased.contains(org_id) || there.iter().any(|(there, _)| there == org_id);
    let mut gone: Vec<OrgId> = heads.iter().map(|head| head.org_id).filter(|org_id| !known(org_id)).collect();
    gone.sort_by_key(ToString::to_string);
    gone.dedup();
    Ok(gone)
}

/// A line for each organisation, and whether all are sound.
///
/// # Errors
/// Those of the database.
pub fn verify(db: &Db, heads: &[Head]) -> Result<(String, bool)> {
    let (mut report, mut sound) = (String::new(), true);
    for (org_id, name) in db.sign_in(accounts::store::organisations)? {
        let written: BTreeMap<i64, &str> = heads
            .iter()
            .filter(|head| head.org_id == org_id)
            .map(|head| (head.sequence, head.row_sha256.as_str()))
            .collect();
        let (follower, wrong) = db.read(&Actor::service(org_id, RequestId::fresh()), |tx| {
            audit::follow(tx, |sequence, digest| match written.get(&sequence) {
                Some(head) if *head != hex(digest) => {
                    Err(format!("Link {sequence} is not the one whose head was written down."))
                }
                _ => Ok(()),
            })
        })?;
        let last = written.last_key_value().map_or(0, |(sequence, _)| *sequence);
        let wrong = wrong.or_else(|| {
            (last > follower.sequence).then(|| {
                format!("The chain ends at {}, and the head of {last} was written down.", follower.sequence)
            })
        });
        let verdict = wrong.as_deref().map_or_else(
            || {
                format!(
                    "sound: {} links, {} heads written down agree; the head is {}",
                    follower.sequence,
                    written.len(),
                    hex(&follower.head)
                )
            },
            |wrong| format!("NOT SOUND: {wrong}"),
        );
        sound &= wrong.is_none();
        report.push_str(&format!("{name} ({org_id}): {verdict}\n"));
    }
    Ok((report, sound))
}

/// Appends the present head of every organisation's audit to the file in the folder.
///
/// # Errors
/// Those of the database; internal, when the file cannot be written.
pub fn write_heads(db: &Db, folder: &Path) -> Result<()> {
    let written_at = db.clock().now();
    let mut lines = String::new();
    for (org_id, _) in db.sign_in(accounts::store::organisations)? {
        let head = db.read(&Actor::service(org_id, RequestId::fresh()), audit::head)?;
        if let Some((sequence, digest)) = head {
            let head = Head { written_at, org_id, sequence, row_sha256: hex(&digest) };
            lines.push_str(&serde_json::to_string(&head).map_err(Error::internal)?);
            lines.push('\n');
        }
    }
    let mut options = fs::OpenOptions::new();
    let mut file =
        options.append(true).create(true).mode(0o600).open(folder.join(HEADS)).map_err(Error::internal)?;
    file.write_all(lines.as_bytes()).map_err(Error::internal)?;
    file.sync_all().map_err(Error::internal)
}

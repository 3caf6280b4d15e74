//! Sessions kept between commands: a file for each service, of the user's alone. A refresh token is good for one use, and
//! a second use ends the session: whoever refreshes holds a lock, and whoever waited finds the new tokens.

use std::fs::{self, DirBuilder, File, OpenOptions};
use std::io::Write;
use std::os::unix::fs::{DirBuilderExt, MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use chrono::{DateTime, TimeDelta, Utc};
use rustix::fs::{FlockOperation, flock};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use super::{Door, not_ours, refusal};
use crate::clock::Clock;
use crate::config::Settings;
use crate::error::{Code, Error, Result};

/// An access token that ends sooner is not used any more.
const MARGIN: TimeDelta = TimeDelta::seconds(30);

/// What is kept of a session.
#[derive(Serialize, Deserialize)]
struct Kept {
    server: String,
    refresh_token: String,
    access_token: String,
    access_ends_at: DateTime<Utc>,
}

/// The folder of the sessions.
pub struct Sessions {
    folder: PathBuf,
}

/// A session's file, locked.
struct Locked {
    path: PathBuf,
    // Let go when it is closed.
    _lock: File,
}

fn unusable(path: &Path, cause: &dyn std::fmt::Display) -> Error {
    Error::new(
        Code::Unavailable,
        format!("{} cannot be used for sessions: {cause}. Check who owns it.", path.display()),
    )
}

fn signed_out(door: &Door) -> Error {
    Error::new(
        Code::Unauthenticated,
        format!("You are not signed in to {0}. Sign in: garboard sign-in --server {0}", door.address),
    )
}

impl Sessions {
    /// Those of the user, in the user's folder for settings.
    ///
    /// # Errors
    /// Unavailable, when the folder cannot be made.
    pub fn open() -> Result<Self> {
        let folder = Settings::config_folder()?.join("sessions");
        DirBuilder::new()
            .recursive(true)
            .mode(0o700)
            .create(&folder)
            .map_err(|cause| unusable(&folder, &cause))?;
        Ok(Self { folder })
    }

    fn locked(&self, door: &Door) -> Result<Locked> {
        let digest = Sha256::digest(door.address.as_bytes());
        let name: String = digest.iter().take(12).map(|byte| format!("{byte:02x}")).collect();
        let path = self.folder.join(format!("{name}.json"));
        let lock = self.folder.join(format!("{name}.lock"));
        let file = OpenOptions::new()
            .write(true)
            .create(true)
            .truncate(false)
            .mode(0o600)
            .open(&lock)
            .map_err(|cause| unusable(&lock, &cause))?;
        flock(&file, FlockOperation::LockExclusive).map_err(|cause| unusable(&lock, &cause))?;
        Ok(Locked { path, _lock: file })
    }

    /// An access token of the stored session, renewed where it has run out.
    ///
    /// # Errors
    /// Unauthenticated, when there is no session or it is over.
    pub fn token(&self, door: &Door) -> Result<String> {
        let locked = self.locked(door)?;
        let kept = locked.read()?.ok_or_else(|| signed_out(door))?;
        let now = Clock::System.now();
        if kept.access_ends_at - MARGIN > now {
            return Ok(kept.access_token);
        }
        let body = json!({"refresh_token": kept.refresh_token});
        let response = door.send(door.request("POST", "/v1/sign-in/refresh").json(&body))?;
        if response.status().as_u16() == 401 {
            locked.remove()?;
            return Err(Error::new(
                Code::Unauthenticated,
                format!("Your session is over. Sign in again: garboard sign-in --server {}", door.address),
            ));
        }
        if !response.status().is_success() {
            return Err(refusal(&door.address, response));
        }
        let session = super::json(response)?;
        let next = kept_of(door, &session, now)?;
        locked.write(&next)?;
        Ok(next.access_token)
    }

    /// Keeps a session that was opened; one that was kept before is ended.
    ///
    /// # Errors
    /// Unavailable, when the file cannot be written.
    pub fn keep(&self, door: &Door, session: &Value) -> Result<()> {
        let locked = self.locked(door)?;
        let next = kept_of(door, session, Clock::System.now())?;
        let before = locked.read().ok().flatten();
        locked.write(&next)?;
        if let Some(before) = before {
            // One that is over already is what is wanted.
            end(door, &before.refresh_token).ok();
        }
        Ok(())
    }

    /// Ends the stored session, at the service and here.
    ///
    /// # Errors
    /// Unauthenticated, when there is none; unavailable, when the service cannot be told.
    pub fn end(&self, door: &Door) -> Result<()> {
        let locked = self.locked(door)?;
        let kept = locked.read()?.ok_or_else(|| signed_out(door))?;
        end(door, &kept.refresh_token)?;
        locked.remove()
    }
}

fn end(door: &Door, refresh_token: &str) -> Result<()> {
    let body = json!({"refresh_token": refresh_token});
    let response = door.send(door.request("POST", "/v1/sign-out").json(&body))?;
    if response.status().is_success() { Ok(()) } else { Err(refusal(&door.address, response)) }
}

fn kept_of(door: &Door, session: &Value, now: DateTime<Utc>) -> Result<Kept> {
    let text = |name: &str| session[name].as_str().map(str::to_owned).ok_or_else(|| not_ours(&door.address));
    let seconds = session["expires_in_s"].as_i64().filter(|seconds| (0..=86_400).contains(seconds));
    Ok(Kept {
        server: door.address.clone(),
        refresh_token: text("refresh_token")?,
        access_token: text("access_token")?,
        access_ends_at: now + TimeDelta::seconds(seconds.unwrap_or(0)),
    })
}

impl Locked {
    fn read(&self) -> Result<Option<Kept>> {
        let text = match fs::read_to_string(&self.path) {
            Ok(text) => text,
            Err(cause) if cause.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(cause) => return Err(unusable(&self.path, &cause)),
        };
        let mode = fs::metadata(&self.path).map_err(|cause| unusable(&self.path, &cause))?.mode();
        if mode & 0o077 != 0 {
            return Err(Error::new(
                Code::Conflict,
                format!(
                    "Others can read {}, which holds your session. Remove it and sign in again.",
                    self.path.display()
                ),
            ));
        }
        serde_json::from_str(&text).map(Some).map_err(|cause| unusable(&self.path, &cause))
    }

    /// Whole or not at all, and on the disk before the old tokens are gone.
    fn write(&self, kept: &Kept) -> Result<()> {
        let wrong = |cause: std::io::Error| unusable(&self.path, &cause);
        let folder = self.path.parent().unwrap_or(Path::new("."));
        // Made with 0600.
        let mut file = tempfile::NamedTempFile::new_in(folder).map_err(wrong)?;
        let text = serde_json::to_string(kept).map_err(Error::internal)?;
        file.write_all(text.as_bytes()).and_then(|()| file.as_file().sync_all()).map_err(wrong)?;
        file.persist(&self.path).map_err(|cause| unusable(&self.path, &cause.error))?;
        File::open(folder).and_then(|folder| folder.sync_all()).map_err(wrong)
    }

    fn remove(&self) -> Result<()> {
        match fs::remove_file(&self.path) {
            Err(cause) if cause.kind() != std::io::ErrorKind::NotFound => Err(unusable(&self.path, &cause)),
            _ => Ok(()),
        }
    }
}

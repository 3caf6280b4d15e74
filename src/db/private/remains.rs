//! What an earlier service left behind: a server still shutting down, or files that name a process that is
//! gone.
//!
//! A pid in `postmaster.pid` proves nothing: the process may be a zombie that nobody reaps, or another program
//! that got the same number (always so in a restarted container). `postgres` itself only asks whether the
//! number is in use, and refuses to start. So the process is looked at before the file is removed, and the file
//! is removed only when no process of this cluster is left; where the number is simply free, it is left to
//! `postgres`, which also looks at the shared memory that the file names.

use std::fs;
use std::path::{Path, PathBuf};
use std::thread;
use std::time::{Duration, Instant};

use rustix::process::{Pid, PidfdFlags, Signal, pidfd_open, pidfd_send_signal};

use super::error::PrivateError;
use super::folder::{Folder, PORT, fingerprint};

/// How long a server whose service was killed is left to shut down by itself.
const BY_ITSELF: Duration = Duration::from_secs(10);
/// How long it gets after having been told to.
const WHEN_TOLD: Duration = Duration::from_mins(1);
const POLL: Duration = Duration::from_millis(10);

/// The name that the cluster's processes carry in their titles.
pub(super) fn cluster_name(cluster: &Path) -> String {
    format!("garboard-{}", fingerprint(cluster))
}

/// Waits until no process of an earlier run is left and removes the files that would stop the next one.
pub(super) fn settle(folder: &Folder) -> Result<(), PrivateError> {
    let cluster = &folder.cluster;
    if !wait_until_gone(cluster, BY_ITSELF) {
        tell_to_stop(folder)?;
        if !wait_until_gone(cluster, WHEN_TOLD) {
            return Err(PrivateError::new(
                format!("processes {:?} of an earlier run still use {}", of(cluster), cluster.display()),
                "end them, then start again",
            ));
        }
    }
    remove_misleading(&cluster.join("postmaster.pid"), cluster)?;
    remove_misleading(&folder.socket.join(format!(".s.PGSQL.{PORT}.lock")), cluster)
}

fn wait_until_gone(cluster: &Path, patience: Duration) -> bool {
    let deadline = Instant::now() + patience;
    while !of(cluster).is_empty() {
        if Instant::now() > deadline {
            return false;
        }
        thread::sleep(POLL);
    }
    true
}

/// Stops a server that an earlier service of ours started, or what is left of it; never one that somebody
/// started on this folder by hand.
fn tell_to_stop(folder: &Folder) -> Result<(), PrivateError> {
    let cluster = &folder.cluster;
    let server =
        first_line_pid(&cluster.join("postmaster.pid")).filter(|pid| belongs(*pid, cluster) == Some(true));
    let (targets, signal) = match server {
        Some(pid) if folder.recorded_server == Some(pid) => (vec![pid], Signal::INT),
        Some(pid) => {
            return Err(PrivateError::new(
                format!(
                    "a PostgreSQL (pid {pid}) that garboard did not start is running on {}",
                    cluster.display()
                ),
                "stop that one first",
            ));
        }
        // Server processes whose postmaster is gone end by themselves once they notice; a busy one does not.
        None => (of(cluster), Signal::TERM),
    };
    for pid in targets {
        let Some(handle) = i32::try_from(pid).ok().and_then(Pid::from_raw) else { continue };
        // Looked at again through a handle that cannot come to mean another process.
        if let Ok(process) = pidfd_open(handle, PidfdFlags::empty())
            && belongs(pid, cluster) == Some(true)
            && let Err(error) = pidfd_send_signal(&process, signal)
        {
            tracing::warn!(pid, %error, "cannot stop a PostgreSQL process of an earlier run");
        }
    }
    Ok(())
}

/// Removes a file whose first line names a process that is there but is not ours.
fn remove_misleading(path: &Path, cluster: &Path) -> Result<(), PrivateError> {
    let Some(pid) = first_line_pid(path) else { return Ok(()) };
    if !process_folder(pid).exists() || belongs(pid, cluster) != Some(false) {
        return Ok(());
    }
    tracing::warn!(pid, file = %path.display(), "removing a file that names a process that is not our PostgreSQL");
    fs::remove_file(path).map_err(|e| PrivateError::io("cannot remove", path, &e))
}

/// A socket's lock file has the pid as it is, `postmaster.pid` as well (negative for a single-user server).
fn first_line_pid(path: &Path) -> Option<u32> {
    let text = fs::read_to_string(path).ok()?;
    text.lines().next()?.trim().trim_start_matches('-').parse().ok()
}

/// The processes that run on this cluster.
fn of(cluster: &Path) -> Vec<u32> {
    let Ok(processes) = fs::read_dir("/proc") else { return Vec::new() };
    processes
        .flatten()
        .filter_map(|entry| entry.file_name().to_str()?.parse().ok())
        .filter(|pid| belongs(*pid, cluster) == Some(true))
        .collect()
}

/// Whether a process runs on this cluster; `None` where that cannot be told.
fn belongs(pid: u32, cluster: &Path) -> Option<bool> {
    let stat = fs::read_to_string(process_folder(pid).join("stat")).unwrap_or_default();
    if !is_alive(&stat) {
        return Some(false);
    }
    let name = fs::read_to_string(process_folder(pid).join("comm")).unwrap_or_default();
    if !matches!(name.trim_end(), "postgres" | "postmaster") {
        return Some(false);
    }
    // `postgres` works in its data folder. Root in a container without CAP_SYS_PTRACE may not read this link.
    if let Ok(working) = fs::read_link(process_folder(pid).join("cwd")) {
        return Some(working == cluster);
    }
    let command = fs::read(process_folder(pid).join("cmdline")).unwrap_or_default();
    named_in(&String::from_utf8_lossy(&command), cluster)
}

/// `/proc/PID/stat` is `pid (name) state ...`, and the name may hold anything.
fn is_alive(stat: &str) -> bool {
    stat.rsplit_once(") ").is_some_and(|(_, rest)| !rest.starts_with(['Z', 'X']))
}

/// What the command line says: `.../postgres -D FOLDER ...` or the title `postgres: NAME: checkpointer`.
fn named_in(command: &str, cluster: &Path) -> Option<bool> {
    if let Some(title) = command.strip_prefix("postgres: ") {
        return Some(title.starts_with(&format!("{}: ", cluster_name(cluster))));
    }
    let mut words = command.split('\0');
    let program = words.next().unwrap_or_default();
    if !matches!(program.rsplit('/').next(), Some("postgres" | "postmaster")) {
        return Some(false);
    }
    let folder = words.skip_while(|word| *word != "-D").nth(1)?;
    Some(Path::new(folder).canonicalize().ok()? == cluster)
}

fn process_folder(pid: u32) -> PathBuf {
    PathBuf::from(format!("/proc/{pid}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn zombies_are_not_alive() {
        // Field 3 of /proc/PID/stat: proc_pid_stat(5).
        assert!(is_alive("7 (postgres) S 1 7 7 0"));
        assert!(is_alive("7 (a) Z) R 1 7 7 0"));
        assert!(!is_alive("7 (postgres) Z 1 7 7 0"));
        assert!(!is_alive(""));
    }

    #[test]
    fn command_lines_tell_the_cluster() {
        let cluster = Path::new("/proc");
        let title = format!("postgres: {}: checkpointer", cluster_name(cluster));
        assert_eq!(named_in(&title, cluster), Some(true));
        assert_eq!(named_in("postgres: 15/main: checkpointer", cluster), Some(false));
        assert_eq!(named_in("/usr/lib/x/postgres\0-D\0/proc/\0-c\0a=b\0", cluster), Some(true));
        assert_eq!(named_in("/usr/lib/x/postgres\0-D\0/sys\0", cluster), Some(false));
        assert_eq!(named_in("/bin/sh\0-D\0/proc\0", cluster), Some(false));
        assert_eq!(named_in("postgres\0", cluster), None);
    }

    #[test]
    fn a_live_foreign_process_is_told_apart() {
        assert_eq!(belongs(std::process::id(), Path::new("/no/such/cluster")), Some(false));
        assert!(of(Path::new("/no/such/cluster")).is_empty());
    }
}

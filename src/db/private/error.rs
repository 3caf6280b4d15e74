//! Why the private PostgreSQL cannot be had, in one line, and what to do about it.

use std::fmt;
use std::io;
use std::path::Path;

/// A refusal or failure of the private PostgreSQL: what is wrong and what to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PrivateError {
    problem: String,
    remedy: String,
}

impl PrivateError {
    pub(super) fn new(problem: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { problem: problem.into(), remedy: remedy.into() }
    }

    /// A system call failed: `doing` says what was tried, e.g. `cannot open`.
    pub(super) fn io(doing: &str, path: &Path, error: &io::Error) -> Self {
        let remedy = match error.kind() {
            io::ErrorKind::PermissionDenied => {
                "run as the user who owns the folder, or name another one with --data-dir"
            }
            io::ErrorKind::StorageFull => "free some space there, or name another folder with --data-dir",
            _ => "mend that, or name another folder with --data-dir",
        };
        Self::new(format!("{doing} {}: {error}", path.display()), remedy)
    }

    /// What is wrong.
    #[must_use]
    pub fn problem(&self) -> &str {
        &self.problem
    }

    /// What the person can do about it.
    #[must_use]
    pub fn remedy(&self) -> &str {
        &self.remedy
    }
}

impl fmt::Display for PrivateError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}; {}", self.problem, self.remedy)
    }
}

impl std::error::Error for PrivateError {}

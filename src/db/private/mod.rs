//! A PostgreSQL of our own, for a machine where nobody set `DATABASE_URL`.
//!
//! [`PrivatePostgres::start`] finds the server's programs, makes or takes a data folder, starts `postgres` as a
//! child process that listens on a Unix socket only, sees to the roles and the database of
//! [`roles`], and hands out connection strings. The server lives as long as the value: it is
//! shut down by [`PrivatePostgres::stop`] or when the value is dropped, and by the kernel when the service is
//! killed. Linux only: it relies on `/proc` and on the parent-death signal.
//!
//! # Finding the programs
//! `PG_BINDIR` when given, and then nothing else; otherwise PATH, then the distributions' usual folders, newest
//! version first. Version 15 or newer. A data folder made by one major version is opened only by the same: among
//! several installed ones the fitting one is taken, and where there is none the error says which to install.
//! As root on a machine with apt-get the package is installed, unless refused; Debian's own cluster on port 5432,
//! which would come with it, is switched off first.
//!
//! # The data folder
//! ```text
//! lock            held with flock by the service; its pid, the server's, and the folder of the socket, a line each
//! cluster/        PostgreSQL's own data folder; its processes show the name garboard-<fingerprint>
//! socket/         0700, the only way in
//! secrets/        0700; superuser, app, worker, sign_in: random passwords, 0600 each
//! postgres.log    emptied at a start once it is over 10 MB
//! ```
//! The folder is 0700. A folder that holds anything else is refused. Where its path is too long for a socket
//! (107 bytes with the socket's name) or has a comma in it, at which libpq splits hosts, the socket lies in
//! `/run/garboard-<uid>-<fingerprint>` (root), `/run/user/<uid>/...` or `/tmp/...` instead, taken only if it is a
//! 0700 folder of the right owner.
//!
//! # Users
//! `postgres` refuses to run as root. Then it runs as the user `postgres`, or `nobody` where there is none, or as
//! the owner of a cluster that is already there, with no supplementary groups; everything in the data folder
//! belongs to that user, which is also the one for the service to become once it has started
//! ([`PrivatePostgres::account`]): a service that became another could not stop the server. A folder below one
//! that the user may not enter is refused.
//!
//! Nobody gets in without a password, not even over the socket: SCRAM, no `trust`. Migrations use the superuser
//! and `SET ROLE` to the owner; the service uses the roles of [`roles`], none of which is a
//! superuser or passes row-level security.
//!
//! # Ends
//! * `stop`, or drop: fast shutdown, waited for. The child has a process group of its own, so that Ctrl-C in a
//!   terminal reaches the service first.
//! * The service is killed: the kernel drops the lock and sends the server the signal for a fast shutdown, at the
//!   end of the *thread* that spawned it; a thread that lives as long as the value therefore does the spawning.
//!   The next start waits until the old server is gone and starts a new one. It does not take the old one over:
//!   that one has no parent whose death would stop it.
//! * Both are killed: `postmaster.pid` may name a zombie, or a process that got the number since. The process is
//!   looked at, the file removed only if it is not ours, and nothing foreign is ever signalled; see the module
//!   `remains`.
//! * A second service on the folder: refused, with the pid of the first.
//!
//! fsync stays on; [`PrivateOptions::fsync`] is there for the tests' cluster.

mod account;
mod discovery;
mod error;
mod folder;
mod install;
mod remains;
mod running;
mod server;
mod urls;

use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};

use diesel::{Connection, PgConnection};

pub use self::account::{Account, is_root};
pub use self::discovery::OLDEST_MAJOR;
pub use self::error::PrivateError;
pub use self::running::Addresses;

use self::discovery::Binaries;
use self::folder::Folder;
use self::server::{SUPERUSER, Server};
use crate::db::roles::{self, DATABASE, RolePasswords};

/// What the private PostgreSQL is started with.
#[derive(Debug, Clone)]
pub struct PrivateOptions {
    /// The folder that keeps everything; made if missing.
    pub data_dir: PathBuf,
    /// The value of `PG_BINDIR`: the only folder to take the programs from.
    pub bin_dir: Option<PathBuf>,
    /// The value of `PATH`.
    pub path: OsString,
    /// Whether root on a Debian-like system may install the package.
    pub allow_install: bool,
    /// Off only for a cluster that may be lost, that of the tests.
    pub fsync: bool,
}

/// Where the data folder is when nobody names one: `/var/lib/garboard` as root, whose home others cannot enter;
/// otherwise the user's data folder (`XDG_DATA_HOME`, or `.local/share` in the home folder).
///
/// # Errors
/// Where neither folder is known.
pub fn default_data_dir(
    is_root: bool,
    home: Option<&Path>,
    xdg_data_home: Option<&Path>,
) -> Result<PathBuf, PrivateError> {
    if is_root {
        return Ok(PathBuf::from("/var/lib/garboard"));
    }
    // The XDG base directory specification: a relative path is to be ignored.
    let data = xdg_data_home.filter(|folder| folder.is_absolute()).map(Path::to_owned);
    let share = || home.filter(|folder| folder.is_absolute()).map(|folder| folder.join(".local/share"));
    data.or_else(share).map(|folder| folder.join("garboard")).ok_or_else(|| {
        PrivateError::new(
            "neither HOME nor XDG_DATA_HOME names a folder for the data",
            "name one with --data-dir",
        )
    })
}

/// A running private PostgreSQL, shut down when dropped.
#[derive(Debug)]
pub struct PrivatePostgres {
    // Dropped in this order: the lock is let go only after the server has ended.
    server: Server,
    folder: Folder,
    superuser_password: String,
    passwords: RolePasswords,
    major: u32,
}

impl PrivatePostgres {
    /// Starts the server on its data folder, with its roles and its database [`DATABASE`] there afterwards.
    /// Blocks for about a second the first time, a tenth of one later, longer after a crash.
    ///
    /// # Errors
    /// Where no PostgreSQL is found, the folder cannot be used or is in use, or the server does not start.
    pub fn start(options: &PrivateOptions) -> Result<Self, PrivateError> {
        let cluster = options.data_dir.join("cluster");
        let mut account = account::unprivileged(&cluster)?;
        let mut found = discovery::find(options.bin_dir.as_deref(), &options.path, account.as_ref())?;
        if found.is_empty() {
            install(options)?;
            account = account::unprivileged(&cluster)?;
            found = discovery::find(None, &options.path, account.as_ref())?;
        }
        let mut folder = Folder::open(&options.data_dir, account)?;
        folder.record(folder.recorded_server)?;
        let superuser_password = superuser_password(&folder)?;
        let passwords = RolePasswords {
            app: folder.secret("app")?,
            worker: folder.secret("worker")?,
            sign_in: folder.secret("sign_in")?,
        };
        let binaries = fitting(&folder.cluster, found)?;
        if folder.cluster.exists() {
            remains::settle(&folder)?;
        } else {
            server::create_cluster(&folder, &binaries, &options.path, options.fsync)?;
        }
        let server = Server::start(&mut folder, &binaries, &options.path, options.fsync)?;
        let this = Self { server, folder, superuser_password, passwords, major: binaries.major };
        this.prepare_roles()?;
        Ok(this)
    }

    fn prepare_roles(&self) -> Result<(), PrivateError> {
        let refused = |what: &str, why: &dyn std::fmt::Display| {
            PrivateError::new(
                format!("the private PostgreSQL refused {what}: {why}"),
                format!("read {}", self.folder.log.display()),
            )
        };
        let connect = |database: &str| {
            PgConnection::establish(&self.superuser_url(database))
                .map_err(|e| refused("the superuser's connection", &e))
        };
        let mut connection = connect("postgres")?;
        roles::ensure_roles(&mut connection, Some(&self.passwords)).map_err(|e| refused("the roles", &e))?;
        roles::ensure_database(&mut connection, DATABASE).map_err(|e| refused("the database", &e))?;
        roles::prepare_database(&mut connect(DATABASE)?).map_err(|e| refused("the extension", &e))
    }

    /// Shuts the server down and waits for its end.
    ///
    /// # Errors
    /// Where it had ended before, or had to be killed.
    pub fn stop(mut self) -> Result<(), PrivateError> {
        self.server.stop()?;
        self.folder.record(None)
    }

    /// Whether the server still runs; it may have been killed, by the kernel for want of memory for example.
    #[must_use]
    pub fn is_running(&self) -> bool {
        self.server.ended().is_none()
    }

    /// The data folder, absolute.
    #[must_use]
    pub fn data_dir(&self) -> &Path {
        &self.folder.root
    }

    /// The folder of the socket.
    #[must_use]
    pub fn socket_dir(&self) -> &Path {
        &self.folder.socket
    }

    /// The server's process.
    #[must_use]
    pub fn server_pid(&self) -> u32 {
        self.server.pid()
    }

    /// The server's major version.
    #[must_use]
    pub fn major(&self) -> u32 {
        self.major
    }

    /// The unprivileged user that the server runs as when we are root: the one for the service to become.
    #[must_use]
    pub fn account(&self) -> Option<&Account> {
        self.folder.account.as_ref()
    }

    /// For migrations only (`SET ROLE` to [`roles::OWNER`] first): it passes row-level security.
    #[must_use]
    pub fn superuser_url(&self, database: &str) -> String {
        urls::url(&self.folder.socket, SUPERUSER, &self.superuser_password, database)
    }

    /// For requests: the role [`roles::APP`].
    #[must_use]
    pub fn app_url(&self, database: &str) -> String {
        urls::url(&self.folder.socket, roles::APP, &self.passwords.app, database)
    }

    /// For claiming jobs: the role [`roles::WORKER`].
    #[must_use]
    pub fn worker_url(&self, database: &str) -> String {
        urls::url(&self.folder.socket, roles::WORKER, &self.passwords.worker, database)
    }

    /// For signing in: the role [`roles::SIGN_IN`].
    #[must_use]
    pub fn sign_in_url(&self, database: &str) -> String {
        urls::url(&self.folder.socket, roles::SIGN_IN, &self.passwords.sign_in, database)
    }
}

fn install(options: &PrivateOptions) -> Result<(), PrivateError> {
    match install::apt_get(&options.path) {
        Some(apt_get) if options.allow_install && is_root() => install::install(&apt_get, &options.path),
        _ => Err(discovery::not_found()),
    }
}

/// A cluster keeps the password it was made with, so a lost one is not made anew.
fn superuser_password(folder: &Folder) -> Result<String, PrivateError> {
    let path = folder.secret_path("superuser");
    if folder.cluster.exists() && !path.exists() {
        return Err(PrivateError::new(
            format!("{} is missing, and the cluster beside it opens with no other password", path.display()),
            "restore the file from a backup of the data folder",
        ));
    }
    folder.secret("superuser")
}

/// Among the versions found, the first; for an existing cluster the one that made it.
fn fitting(cluster: &Path, found: Vec<Binaries>) -> Result<Binaries, PrivateError> {
    let have: Vec<String> = found.iter().map(|binaries| binaries.major.to_string()).collect();
    let file = cluster.join("PG_VERSION");
    let wanted: Option<u32> = if cluster.exists() {
        let text = fs::read_to_string(&file).map_err(|e| PrivateError::io("cannot read", &file, &e))?;
        Some(text.trim().parse().map_err(|e| {
            PrivateError::new(
                format!("{} does not hold a version: {e}", file.display()),
                "restore the data folder from a backup",
            )
        })?)
    } else {
        None
    };
    let fits = |binaries: &Binaries| wanted.is_none_or(|major| binaries.major == major);
    found.into_iter().find(fits).ok_or_else(|| match wanted {
        None => discovery::not_found(),
        Some(major) => PrivateError::new(
            format!(
                "the data folder was made by PostgreSQL {major}, and only version {} was found",
                have.join(", ")
            ),
            format!(
                "install PostgreSQL {major} or name its bin folder by PG_BINDIR; to move on, dump the database \
                 with {major} and load it into a new folder named with --data-dir"
            ),
        ),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn default_folder_follows_the_user() {
        let (home, data) = (Path::new("/home/someone"), Path::new("/elsewhere"));
        let found = |root, home, data| default_data_dir(root, home, data).ok();
        assert_eq!(found(true, Some(home), Some(data)), Some(PathBuf::from("/var/lib/garboard")));
        assert_eq!(found(false, Some(home), Some(data)), Some(PathBuf::from("/elsewhere/garboard")));
        let share = Some(PathBuf::from("/home/someone/.local/share/garboard"));
        assert_eq!(found(false, Some(home), None), share);
        // The XDG base directory specification: relative paths are to be ignored.
        assert_eq!(found(false, Some(home), Some(Path::new("relative"))), share);
        assert_eq!(found(false, None, None), None);
    }
}

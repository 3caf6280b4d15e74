//! The data folder: its layout, its owner, its lock and the folder of the socket.

use std::fs::{self, DirBuilder, File, Permissions, TryLockError};
use std::io::{self, Read, Seek, Write};
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{DirBuilderExt, MetadataExt, PermissionsExt};
use std::path::{Path, PathBuf};

use rustix::fs::{Mode, OFlags};
use sha2::{Digest, Sha256};

use super::account::Account;
use super::error::PrivateError;
use crate::codes::hex;

/// Bytes of a socket's path that fit in `sockaddr_un.sun_path` (108 on Linux, unix(7)) with its final zero.
const SOCKET_PATH_BYTES: usize = 107;
/// The port in the socket's name; nothing listens on a port.
pub(super) const PORT: u16 = 5432;
const LOG_BYTES: u64 = 10 * 1024 * 1024;

/// The folders and files of one private PostgreSQL, locked for as long as this lives.
#[derive(Debug)]
pub(super) struct Folder {
    pub root: PathBuf,
    pub cluster: PathBuf,
    pub secrets: PathBuf,
    pub socket: PathBuf,
    pub log: PathBuf,
    pub account: Option<Account>,
    lock: File,
    /// The server that an earlier service, killed before it could stop it, wrote down.
    pub recorded_server: Option<u32>,
}

impl Folder {
    /// Makes the folder, or takes an existing one, and locks it.
    pub(super) fn open(root: &Path, account: Option<Account>) -> Result<Self, PrivateError> {
        let root = std::path::absolute(root).map_err(|e| PrivateError::io("cannot resolve", root, &e))?;
        if let Some(parent) = root.parent() {
            fs::create_dir_all(parent).map_err(|e| PrivateError::io("cannot create", parent, &e))?;
        }
        refuse_foreign(&root)?;
        create_private(&root)?;
        let root = root.canonicalize().map_err(|e| PrivateError::io("cannot resolve", &root, &e))?;
        if let Some(account) = &account {
            super::account::check_reachable(&root, account)?;
        }
        let path = root.join("lock");
        let mut lock = open_private(&path, OFlags::RDWR | OFlags::CREATE)?;
        let recorded_server = take(&mut lock, &root, &path)?;
        let socket = root.join("socket");
        let cluster = root.join("cluster");
        let mut folder = Self {
            // Where it is a link to another disk, processes show the place it leads to.
            cluster: cluster.canonicalize().unwrap_or(cluster),
            secrets: root.join("secrets"),
            log: root.join("postgres.log"),
            socket,
            root,
            account,
            lock,
            recorded_server,
        };
        folder.own(&folder.root)?;
        folder.own(&path)?;
        create_private(&folder.secrets)?;
        folder.own(&folder.secrets)?;
        folder.socket = folder.socket_folder()?;
        Ok(folder)
    }

    /// Writes down who holds the folder, for the message that a second service gets and for the next start.
    pub(super) fn record(&mut self, server: Option<u32>) -> Result<(), PrivateError> {
        let socket = self.socket.display();
        let server = server.map(|pid| format!("{pid}\n{socket}\n")).unwrap_or_default();
        let text = format!("{}\n{server}", std::process::id());
        let path = self.root.join("lock");
        let mut write = || {
            self.lock.rewind()?;
            self.lock.set_len(0)?;
            self.lock.write_all(text.as_bytes())
        };
        write().map_err(|e| PrivateError::io("cannot write", &path, &e))
    }

    /// Opens the server's log for appending, emptied when it has grown large; also tells its length.
    pub(super) fn open_log(&self) -> Result<(File, u64), PrivateError> {
        let file = open_private(&self.log, OFlags::WRONLY | OFlags::CREATE | OFlags::APPEND)?;
        let length = || {
            let length = file.metadata()?.len();
            if length > LOG_BYTES {
                file.set_len(0)?;
                return Ok(0);
            }
            Ok(length)
        };
        let length = length().map_err(|e| PrivateError::io("cannot open", &self.log, &e))?;
        self.own(&self.log)?;
        Ok((file, length))
    }

    /// The password kept under `name`, made at random the first time.
    pub(super) fn secret(&self, name: &str) -> Result<String, PrivateError> {
        let path = self.secret_path(name);
        if !path.exists() {
            self.write_secret(&path)?;
        }
        let mut text = String::new();
        open_private(&path, OFlags::RDONLY)?
            .read_to_string(&mut text)
            .map_err(|e| PrivateError::io("cannot read", &path, &e))?;
        let text = text.trim();
        if text.len() < 32 || !text.bytes().all(|b| b.is_ascii_hexdigit()) {
            return Err(PrivateError::new(
                format!("{} does not hold a password that garboard made", path.display()),
                "restore the file from a backup of the data folder",
            ));
        }
        Ok(text.to_owned())
    }

    pub(super) fn secret_path(&self, name: &str) -> PathBuf {
        self.secrets.join(name)
    }

    /// Written aside and renamed, so that a crash leaves no half of a password.
    fn write_secret(&self, path: &Path) -> Result<(), PrivateError> {
        let mut bytes = [0_u8; 32];
        getrandom::fill(&mut bytes)
            .map_err(|e| PrivateError::new(format!("the system gives no random bytes: {e}"), "mend that"))?;
        let aside = path.with_extension("new");
        let mut file = open_private(&aside, OFlags::WRONLY | OFlags::CREATE | OFlags::TRUNC)?;
        self.own(&aside)?;
        let mut write = || {
            writeln!(file, "{}", hex(&bytes))?;
            file.sync_all()?;
            fs::rename(&aside, path)
        };
        write().map_err(|e| PrivateError::io("cannot write", path, &e))
    }

    /// Gives what we made as root to the user that the server runs as.
    pub(super) fn own(&self, path: &Path) -> Result<(), PrivateError> {
        let Some(account) = &self.account else { return Ok(()) };
        std::os::unix::fs::lchown(path, Some(account.uid), Some(account.gid))
            .map_err(|e| PrivateError::io("cannot change the owner of", path, &e))
    }

    /// `socket` in the data folder where its path is short enough, otherwise a folder below /run or /tmp.
    fn socket_folder(&self) -> Result<PathBuf, PrivateError> {
        let folder = self.root.join("socket");
        if fits(&folder) {
            create_private(&folder)?;
            self.own(&folder)?;
            return Ok(folder);
        }
        let user = self.account.as_ref().map_or_else(|| rustix::process::geteuid().as_raw(), |a| a.uid);
        let own_run = PathBuf::from(format!("/run/user/{user}"));
        let base = if self.account.is_some() && Path::new("/run").is_dir() {
            Path::new("/run")
        } else if fs::metadata(&own_run).is_ok_and(|m| m.uid() == user) {
            own_run.as_path()
        } else {
            Path::new("/tmp")
        };
        let folder = base.join(format!("garboard-{user}-{}", fingerprint(&self.root)));
        self.take_short(&folder, user)?;
        Ok(folder)
    }

    /// Anyone may make a folder of that name in /tmp first: take it only if it is ours.
    fn take_short(&self, folder: &Path, user: u32) -> Result<(), PrivateError> {
        match DirBuilder::new().mode(0o700).create(folder) {
            Ok(()) => return self.own(folder),
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            Err(error) => return Err(PrivateError::io("cannot create", folder, &error)),
        }
        let metadata =
            fs::symlink_metadata(folder).map_err(|e| PrivateError::io("cannot look at", folder, &e))?;
        if metadata.is_dir() && metadata.uid() == user && metadata.mode() & 0o777 == 0o700 {
            return Ok(());
        }
        Err(PrivateError::new(
            format!(
                "the path of {} is too long for a socket ({SOCKET_PATH_BYTES} bytes at most), and {}, the short \
                 folder used instead, belongs to someone else",
                self.root.display(),
                folder.display()
            ),
            "remove that folder, or name a data folder with a shorter path with --data-dir",
        ))
    }
}

/// Sixteen characters that stand for a path.
pub(super) fn fingerprint(path: &Path) -> String {
    let digest = Sha256::digest(path.as_os_str().as_bytes());
    hex(digest.get(..8).unwrap_or_default())
}

/// Whether a socket's path in `folder` is short enough, and free of the comma that libpq splits hosts at and of
/// the quotation mark that would end the server's setting.
fn fits(folder: &Path) -> bool {
    let socket = folder.join(format!(".s.PGSQL.{PORT}"));
    let bytes = socket.as_os_str().as_bytes();
    bytes.len() <= SOCKET_PATH_BYTES && !bytes.contains(&b',') && !bytes.contains(&b'"')
}

/// A folder that holds something else is not changed: `--data-dir /home/me` would otherwise change hands.
fn refuse_foreign(root: &Path) -> Result<(), PrivateError> {
    let entries = match fs::read_dir(root) {
        Ok(entries) => entries,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(PrivateError::io("cannot read the data folder", root, &error)),
    };
    let names: Vec<_> = entries.flatten().map(|entry| entry.file_name()).collect();
    // A freshly made file system has lost+found in it.
    if names.iter().any(|name| name == "lock") || names.iter().all(|name| name == "lost+found") {
        return Ok(());
    }
    Err(PrivateError::new(
        format!("{} is not empty and is not a data folder of garboard", root.display()),
        "name an empty or a new folder with --data-dir",
    ))
}

/// Creates the folder unless it is there, and closes it to others.
fn create_private(folder: &Path) -> Result<(), PrivateError> {
    match DirBuilder::new().mode(0o700).create(folder) {
        Ok(()) => Ok(()),
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
            fs::set_permissions(folder, Permissions::from_mode(0o700))
                .map_err(|e| PrivateError::io("cannot close to others", folder, &e))
        }
        Err(error) => Err(PrivateError::io("cannot create", folder, &error)),
    }
}

/// Opens a 0600 file without following a link: root writes here in a folder of an unprivileged user.
fn open_private(path: &Path, flags: OFlags) -> Result<File, PrivateError> {
    rustix::fs::open(path, flags | OFlags::NOFOLLOW | OFlags::CLOEXEC, Mode::RUSR | Mode::WUSR)
        .map(File::from)
        .map_err(|e| PrivateError::io("cannot open", path, &io::Error::from(e)))
}

/// Locks the folder and reads the server that the last holder wrote down.
fn take(lock: &mut File, root: &Path, path: &Path) -> Result<Option<u32>, PrivateError> {
    let mut tried = lock.try_lock();
    // A command that looks whether somebody serves here has a shared lock for an instant; a service has not.
    while matches!(tried, Err(TryLockError::WouldBlock)) && lock.try_lock_shared().is_ok() {
        lock.unlock().map_err(|e| PrivateError::io("cannot unlock", path, &e))?;
        std::thread::yield_now();
        tried = lock.try_lock();
    }
    let mut text = String::new();
    lock.read_to_string(&mut text).map_err(|e| PrivateError::io("cannot read", path, &e))?;
    let mut lines = text.lines();
    let (holder, server) = (lines.next(), lines.next());
    match tried {
        Ok(()) => Ok(server.and_then(|pid| pid.parse().ok())),
        Err(TryLockError::WouldBlock) => {
            let holder = holder.map(|pid| format!(" (pid {pid})")).unwrap_or_default();
            Err(PrivateError::new(
                format!("another garboard{holder} is running on the data folder {}", root.display()),
                "stop that one first, or name another folder with --data-dir",
            ))
        }
        Err(TryLockError::Error(error)) => Err(PrivateError::io("cannot lock", path, &error)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_look_at_the_lock_refuses_nobody_a_start() {
        use std::sync::atomic::{AtomicBool, Ordering};
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("lock");
        let open = || open_private(&path, OFlags::RDWR | OFlags::CREATE).expect("the lock file");
        let (mine, ended) = (open(), AtomicBool::new(false));
        drop(mine);
        std::thread::scope(|scope| {
            scope.spawn(|| {
                let looking = open();
                while !ended.load(Ordering::Relaxed) {
                    if looking.try_lock_shared().is_ok() {
                        looking.unlock().expect("it was locked");
                    }
                }
            });
            let starts = (0..2000).map(|_| take(&mut open(), folder.path(), &path).map(|_| ()));
            let refused = starts.filter(Result::is_err).count();
            ended.store(true, Ordering::Relaxed);
            assert_eq!(refused, 0);
        });
        let holder = open();
        holder.try_lock().expect("nobody has it");
        assert!(take(&mut open(), folder.path(), &path).is_err(), "who serves is in the way");
    }

    #[test]
    fn socket_paths_are_bounded() {
        // sun_path is 108 bytes with the final zero: unix(7). `/.s.PGSQL.5432` is 14 of them.
        let longest = format!("/{}", "d".repeat(SOCKET_PATH_BYTES - 15));
        assert!(fits(Path::new(&longest)));
        assert!(!fits(Path::new(&format!("{longest}d"))));
        // libpq's `host` is a list separated by commas (libpq documentation, 34.1.2).
        assert!(!fits(Path::new("/a,b")));
    }
}

//! The server process: made by `initdb`, started as our child, watched until ready, stopped.

use std::ffi::OsString;
use std::fs::{self, File};
use std::io::{self, Read, Seek, SeekFrom};
use std::os::unix::process::{CommandExt, ExitStatusExt};
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal};

use super::account::{self, Account};
use super::discovery::Binaries;
use super::error::PrivateError;
use super::folder::{Folder, PORT};
use super::remains::cluster_name;

/// Recovery after a crash replays the log; the status line says "starting" meanwhile.
const READY_WITHIN: Duration = Duration::from_mins(10);
const FAST_SHUTDOWN: Duration = Duration::from_mins(1);
const IMMEDIATE_SHUTDOWN: Duration = Duration::from_secs(10);
const POLL: Duration = Duration::from_millis(5);
/// How the name of a cluster that `initdb` has not finished begins.
const UNFINISHED: &str = "cluster.";
/// The superuser of a cluster made here; nobody else's name can clash with it.
pub(super) const SUPERUSER: &str = "garboard_superuser";

/// Makes the cluster aside and renames it, so that a crash in between leaves no half of one.
pub(super) fn create_cluster(
    folder: &Folder,
    binaries: &Binaries,
    path: &OsString,
    fsync: bool,
) -> Result<(), PrivateError> {
    discard_unfinished(&folder.root)?;
    let aside = folder.root.join(format!("{UNFINISHED}{}", std::process::id()));
    // Text sorts by bytes on every machine alike, and letters beyond ASCII have their two cases.
    for ctype in ["C.UTF-8", "C"] {
        let mut command = Command::new(binaries.program("initdb"));
        command
            .arg("-D")
            .arg(&aside)
            .arg("--pwfile")
            .arg(folder.secret_path("superuser"))
            .args(["-U", SUPERUSER, "--auth=scram-sha-256", "--data-checksums"])
            .args(["--encoding=UTF8", "--locale=C"])
            .arg(format!("--lc-ctype={ctype}"))
            .args((!fsync).then_some("--no-sync"))
            .stdin(Stdio::null());
        prepare(&mut command, path, folder.account.as_ref(), Signal::KILL);
        let output = command
            .output()
            .map_err(|e| PrivateError::io("cannot start", &binaries.program("initdb"), &e))?;
        if output.status.success() {
            return fs::rename(&aside, &folder.cluster)
                .and_then(|()| File::open(&folder.root)?.sync_all())
                .map_err(|e| PrivateError::io("cannot create", &folder.cluster, &e));
        }
        let message = String::from_utf8_lossy(&output.stderr).into_owned();
        discard(&aside)?;
        if ctype == "C" || !message.contains("locale") {
            return Err(PrivateError::new(
                format!(
                    "initdb could not make a cluster in {}: {}",
                    folder.root.display(),
                    last_lines(&message)
                ),
                "mend that and start again",
            ));
        }
    }
    Ok(())
}

/// Removes what an `initdb` killed half-way left.
fn discard_unfinished(root: &Path) -> Result<(), PrivateError> {
    let entries = fs::read_dir(root).map_err(|e| PrivateError::io("cannot read", root, &e))?;
    for entry in entries.flatten() {
        if entry.file_name().to_string_lossy().starts_with(UNFINISHED) {
            discard(&entry.path())?;
        }
    }
    Ok(())
}

fn discard(aside: &Path) -> Result<(), PrivateError> {
    match fs::remove_dir_all(aside) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => {
            Err(PrivateError::io("cannot remove", aside, &error))
        }
        _ => Ok(()),
    }
}

/// What every program of PostgreSQL is started with: none of our environment (PGDATA, PGOPTIONS, PGPORT
/// would steer it), a folder it may be in, an unprivileged user, and an end when we end.
fn prepare(command: &mut Command, path: &OsString, account: Option<&Account>, on_our_end: Signal) {
    command.env_clear().env("PATH", path).env("LC_ALL", "C").current_dir("/");
    account::run_as(command, account);
    end_with_parent(command, on_our_end);
}

/// The kernel sends `signal` to the child when the thread that spawns it ends, however it ends.
#[allow(unsafe_code, reason = "the only way to run code between fork and exec; it makes two system calls")]
fn end_with_parent(command: &mut Command, signal: Signal) {
    let parent = rustix::process::getpid();
    let between_fork_and_exec = move || {
        rustix::process::set_parent_process_death_signal(Some(signal))?;
        // The parent may have ended before the call above; then nothing would be sent.
        if rustix::process::getppid() == Some(parent) {
            Ok(())
        } else {
            Err(io::Error::from_raw_os_error(rustix::io::Errno::SRCH.raw_os_error()))
        }
    };
    // SAFETY: the closure allocates nothing, takes no lock and makes only system calls, so it may run in a
    // child forked from a process with several threads. It runs after the change of user, which would
    // otherwise reset the signal.
    unsafe {
        command.pre_exec(between_fork_and_exec);
    }
}

/// A running `postgres` and the thread that owns it. The signal of [`end_with_parent`] is sent at the end of
/// the spawning thread, so that thread lives exactly as long as this value.
#[derive(Debug)]
pub(super) struct Server {
    pid: u32,
    orders: Option<Sender<Order>>,
    owner: Option<JoinHandle<Result<(), PrivateError>>>,
}

/// What the owning thread is asked; it stops the server when nobody can ask any more.
#[derive(Debug)]
struct Order {
    has_ended: Sender<Option<ExitStatus>>,
}

impl Server {
    /// Starts `postgres` and waits until it accepts connections.
    pub(super) fn start(
        folder: &mut Folder,
        binaries: &Binaries,
        path: &OsString,
        fsync: bool,
    ) -> Result<Self, PrivateError> {
        let (log, log_start) = folder.open_log()?;
        let program = binaries.program("postgres");
        let command = command(folder, &program, path, fsync, &log)?;
        let (started, start) = channel();
        let (orders, inbox) = channel();
        let owner = thread::Builder::new()
            .name("private-postgresql".to_owned())
            .spawn(move || own(command, &started, &inbox))
            .map_err(|e| PrivateError::new(format!("cannot start a thread: {e}"), "mend that"))?;
        let pid = match start.recv() {
            Ok(Ok(pid)) => pid,
            Ok(Err(error)) => return Err(PrivateError::io("cannot start", &program, &error)),
            Err(_gone) => {
                return Err(PrivateError::new("the thread that starts PostgreSQL ended", "start again"));
            }
        };
        let server = Self { pid, orders: Some(orders), owner: Some(owner) };
        folder.record(Some(pid))?;
        server.wait_until_ready(folder, log_start)?;
        Ok(server)
    }

    pub(super) fn pid(&self) -> u32 {
        self.pid
    }

    /// How the server ended, when it has.
    pub(super) fn ended(&self) -> Option<ExitStatus> {
        let (reply, answer) = channel();
        self.orders.as_ref()?.send(Order { has_ended: reply }).ok()?;
        answer.recv().ok()?
    }

    /// Connections would fail for many reasons; the eighth line of `postmaster.pid` says "ready" for one.
    fn wait_until_ready(&self, folder: &Folder, log_start: u64) -> Result<(), PrivateError> {
        let status_file = folder.cluster.join("postmaster.pid");
        let deadline = Instant::now() + READY_WITHIN;
        loop {
            let text = fs::read_to_string(&status_file).unwrap_or_default();
            let mut lines = text.lines().map(str::trim);
            let ours = lines.next() == Some(self.pid.to_string().as_str());
            if ours && lines.nth(6) == Some("ready") {
                return Ok(());
            }
            if let Some(status) = self.ended() {
                let said = File::open(&folder.log).and_then(|file| read_from(file, log_start));
                return Err(PrivateError::new(
                    format!(
                        "PostgreSQL ended while starting ({status}): {}",
                        last_lines(&said.unwrap_or_default())
                    ),
                    format!("read {} and mend what it says", folder.log.display()),
                ));
            }
            if Instant::now() > deadline {
                return Err(PrivateError::new(
                    format!("PostgreSQL was not ready within {} s", READY_WITHIN.as_secs()),
                    format!("read {}", folder.log.display()),
                ));
            }
            thread::sleep(POLL);
        }
    }

    /// Shuts the server down and waits for its end. Doing it twice is harmless.
    pub(super) fn stop(&mut self) -> Result<(), PrivateError> {
        self.orders = None;
        match self.owner.take().map(JoinHandle::join) {
            None | Some(Ok(Ok(()))) => Ok(()),
            Some(Ok(Err(error))) => Err(error),
            Some(Err(_panic)) => {
                Err(PrivateError::new("the thread that owns PostgreSQL ended early", "read postgres.log"))
            }
        }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        if let Err(error) = self.stop() {
            tracing::warn!(%error, "stopping PostgreSQL");
        }
    }
}

/// The whole life of the owning thread.
fn own(
    mut command: Command,
    started: &Sender<io::Result<u32>>,
    inbox: &Receiver<Order>,
) -> Result<(), PrivateError> {
    let mut child = match command.spawn() {
        Ok(child) => child,
        Err(error) => {
            // Nobody listens any more only when the starter is gone as well.
            let _ = started.send(Err(error));
            return Ok(());
        }
    };
    let _ = started.send(Ok(child.id()));
    while let Ok(order) = inbox.recv() {
        let _ = order.has_ended.send(child.try_wait().ok().flatten());
    }
    shut_down(&mut child)
}

/// Fast shutdown, then immediate shutdown, then the end.
fn shut_down(child: &mut Child) -> Result<(), PrivateError> {
    let steps = [(Signal::INT, FAST_SHUTDOWN), (Signal::QUIT, IMMEDIATE_SHUTDOWN)];
    for (signal, patience) in steps {
        let deadline = Instant::now() + patience;
        // One that has ended and was waited for has a number that may be another's by now.
        if matches!(child.try_wait(), Ok(None)) {
            send(child, signal);
        }
        loop {
            match child.try_wait() {
                Ok(Some(status)) if status.success() => return Ok(()),
                Ok(Some(status)) => {
                    return Err(PrivateError::new(
                        format!("PostgreSQL ended with {}", how(status)),
                        "read postgres.log; the next start recovers what was committed",
                    ));
                }
                Ok(None) if Instant::now() < deadline => thread::sleep(POLL),
                Ok(None) | Err(_) => break,
            }
        }
    }
    let killed = child.kill().and_then(|()| child.wait());
    Err(PrivateError::new(
        format!("PostgreSQL did not shut down and was killed ({killed:?})"),
        "read postgres.log; the next start recovers what was committed",
    ))
}

fn send(child: &Child, signal: Signal) {
    let pid = i32::try_from(child.id()).ok().and_then(Pid::from_raw);
    if let Some(pid) = pid
        && let Err(error) = rustix::process::kill_process(pid, signal)
    {
        tracing::warn!(%error, "cannot signal PostgreSQL");
    }
}

fn how(status: ExitStatus) -> String {
    status.signal().map_or_else(|| status.to_string(), |signal| format!("signal {signal}"))
}

fn command(
    folder: &Folder,
    program: &Path,
    path: &OsString,
    fsync: bool,
    log: &File,
) -> Result<Command, PrivateError> {
    let shared = || log.try_clone().map_err(|e| PrivateError::io("cannot open", &folder.log, &e));
    let mut command = Command::new(program);
    command.arg("-D").arg(&folder.cluster).arg("-c").arg(socket_setting(&folder.socket));
    let name = format!("cluster_name={}", cluster_name(&folder.cluster));
    let port = format!("port={PORT}");
    let settings = [
        "listen_addresses=",
        "unix_socket_permissions=0700",
        port.as_str(),
        name.as_str(),
        "max_connections=60",
        "shared_buffers=128MB",
        "timezone=UTC",
        "log_timezone=UTC",
        "log_destination=stderr",
        "logging_collector=off",
        "log_line_prefix=%m [%p] %q%u@%d ",
        "password_encryption=scram-sha-256",
    ];
    // Only a cluster that may be lost, that of the tests, in which many services run at once.
    let careless = ["fsync=off", "full_page_writes=off", "max_connections=400"];
    for setting in settings.iter().chain(careless.iter().filter(|_| !fsync)) {
        command.arg("-c").arg(setting);
    }
    command.stdin(Stdio::null()).stdout(shared()?).stderr(shared()?);
    // Ctrl-C in a terminal goes to the whole group: the database would close under the last requests.
    command.process_group(0);
    prepare(&mut command, path, folder.account.as_ref(), Signal::INT);
    Ok(command)
}

/// The setting is a list: a name is quoted so that a blank or comma does not split it.
fn socket_setting(socket: &Path) -> OsString {
    let mut setting = OsString::from("unix_socket_directories=\"");
    setting.push(socket);
    setting.push("\"");
    setting
}

fn read_from(mut file: File, start: u64) -> io::Result<String> {
    file.seek(SeekFrom::Start(start))?;
    let mut bytes = Vec::new();
    file.read_to_end(&mut bytes)?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

/// The end of a message, on one line.
fn last_lines(text: &str) -> String {
    let lines: Vec<&str> = text.lines().map(str::trim).filter(|line| !line.is_empty()).collect();
    let end = lines.get(lines.len().saturating_sub(4)..).unwrap_or_default();
    if end.is_empty() { "it said nothing".to_owned() } else { end.join(" | ") }
}

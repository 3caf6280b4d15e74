//! One PostgreSQL for all tests, and a database of its own for each test.
//!
//! `cargo test` runs many tests in one process and never drops a static; nextest runs a process a test. So nobody
//! who ends in time can own the server. A process that holds it for them does, the *supervisor*: this test binary
//! once more, in a session of its own, at the entry [`supervise`]. It starts the server with the service's own
//! code (fsync off) and then waits for an exclusive lock on the file `holders`, of which every test process keeps
//! a shared one until it ends, however it ends: the kernel takes the locks back. Having got it, it stops the
//! server and ends. When the supervisor is killed, the server goes with it, by the parent-death signal.
//!
//! The race between the last to leave and the next to come has no gap: who comes holds `start` (one at a time),
//! then waits for its shared lock, which it gets either before the supervisor has the exclusive one (then the
//! server stays) or after the supervisor has ended (then it starts another).
//!
//! Files in `TMPDIR/garboard-tests-<uid>-<fingerprint of the package's folder>`: the locks `start`, `holders`,
//! `supervisor` and `template`; `ready` with the addresses; `supervisor.log`; the data folder `data`.

use std::fs::{self, DirBuilder, File, OpenOptions};
use std::io::Write;
use std::os::unix::fs::{DirBuilderExt, MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;
use std::time::{Duration, Instant};

use diesel::{Connection, PgConnection, QueryableByName, RunQueryDsl, sql_query, sql_types};
use garboard::db::private::{PrivateOptions, PrivatePostgres, is_root};
use garboard::db::roles;
use sha2::{Digest, Sha256};

const START_WITHIN: Duration = Duration::from_mins(5);
const POLL: Duration = Duration::from_millis(5);
/// Stands in the addresses for the name of a database.
const PLACE: &str = "DATABASE";
/// Templates of earlier migrations that are kept, for going back and forth between branches.
const TEMPLATES_KEPT: usize = 4;

/// A share in the tests' server: it runs at least as long as this lives.
pub struct Cluster {
    folder: PathBuf,
    _holder: File,
    superuser: String,
    app: String,
    worker: String,
    sign_in: String,
}

/// The share of this process in the server of all tests.
pub fn cluster() -> &'static Cluster {
    static JOINED: OnceLock<Cluster> = OnceLock::new();
    JOINED.get_or_init(|| Cluster::join(&tests_folder()))
}

/// Options for a private PostgreSQL in a test: the programs that the environment names, fsync off.
#[allow(clippy::disallowed_methods, reason = "tests have no configuration of their own to read it with")]
pub fn options(data_dir: &Path) -> PrivateOptions {
    PrivateOptions {
        data_dir: data_dir.to_owned(),
        bin_dir: std::env::var_os("PG_BINDIR").map(PathBuf::from),
        path: std::env::var_os("PATH").unwrap_or_default(),
        allow_install: true,
        fsync: false,
    }
}

fn tests_folder() -> PathBuf {
    let user = rustix::process::geteuid().as_raw();
    std::env::temp_dir().join(format!("garboard-tests-{user}-{}", short_hash(env!("CARGO_MANIFEST_DIR"))))
}

fn short_hash(text: &str) -> String {
    let digest = Sha256::digest(text.as_bytes());
    digest.iter().take(8).fold(String::new(), |text, byte| format!("{text}{byte:02x}"))
}

impl Cluster {
    /// Takes a share in the server in `folder`, starting it where it does not run.
    pub fn join(folder: &Path) -> Self {
        make(folder);
        let _one_at_a_time = exclusive(&folder.join("start"));
        let holder = open(&folder.join("holders"));
        holder.lock_shared().expect("a shared lock on the holders' file");
        let addresses = wait_for_server(folder);
        let mut lines = addresses.lines().map(str::to_owned);
        let mut next = || lines.next().expect("the supervisor wrote four addresses");
        Self {
            folder: folder.to_owned(),
            _holder: holder,
            superuser: next(),
            app: next(),
            worker: next(),
            sign_in: next(),
        }
    }

    pub fn superuser_url(&self, database: &str) -> String {
        self.superuser.replace(PLACE, database)
    }

    fn superuser(&self, database: &str) -> PgConnection {
        PgConnection::establish(&self.superuser_url(database))
            .expect("the tests' server accepts its superuser")
    }

    /// A database migrated once for each hash, which tests clone.
    fn template(&self, migrations_hash: &str, migrate: impl FnOnce(&str)) -> String {
        let _one_at_a_time = exclusive(&self.folder.join("template"));
        let name = format!("migrated_{}", short_hash(migrations_hash));
        let mut connection = self.superuser("postgres");
        let known = sql_query("SELECT datname AS name FROM pg_database WHERE datname = $1")
            .bind::<sql_types::Text, _>(&name)
            .load::<Named>(&mut connection)
            .expect("the catalog is readable");
        if known.is_empty() {
            let mut run = |statement: String| {
                sql_query(statement).execute(&mut connection).expect("the superuser may make the template");
            };
            run("DROP DATABASE IF EXISTS migrating WITH (FORCE)".to_owned());
            run(format!("CREATE DATABASE migrating OWNER {}", roles::OWNER));
            roles::prepare_database(&mut self.superuser("migrating")).expect("the extension is there");
            migrate(&self.superuser_url("migrating"));
            // A single connection to the template would make every cloning fail.
            run("ALTER DATABASE migrating WITH ALLOW_CONNECTIONS false".to_owned());
            run(format!("ALTER DATABASE migrating RENAME TO {name}"));
        }
        name
    }
}

/// A test's own database, dropped at its end.
pub struct TestDatabase {
    pub name: String,
    cluster: &'static Cluster,
}

impl TestDatabase {
    /// A clone of the database that `migrate` makes, which is called once for each `migrations_hash` with the
    /// address of an empty, prepared database (superuser; the schema's owner is [`roles::OWNER`]).
    pub fn new(migrations_hash: &str, migrate: impl FnOnce(&str)) -> Self {
        let cluster = cluster();
        let template = cluster.template(migrations_hash, migrate);
        let name = format!("test_{}", unique());
        let mut connection = cluster.superuser("postgres");
        // Before version 15 there was no other strategy, nor a word for it.
        let version: Number = sql_query("SELECT current_setting('server_version_num')::int AS number")
            .get_result(&mut connection)
            .expect("the server tells its version");
        let strategy = if version.number >= 150_000 { "STRATEGY FILE_COPY" } else { "" };
        sql_query(format!("CREATE DATABASE {name} TEMPLATE {template} OWNER {} {strategy}", roles::OWNER))
            .execute(&mut connection)
            .expect("the template can be cloned");
        roles::grant_database(&mut connection, &name).expect("the superuser may grant");
        Self { name, cluster }
    }

    /// The role that serves requests: the one to test with.
    pub fn app_url(&self) -> String {
        self.cluster.app.replace(PLACE, &self.name)
    }

    pub fn worker_url(&self) -> String {
        self.cluster.worker.replace(PLACE, &self.name)
    }

    pub fn sign_in_url(&self) -> String {
        self.cluster.sign_in.replace(PLACE, &self.name)
    }

    /// For looking at the catalog and for setting the scene only: it passes row-level security.
    pub fn superuser_url(&self) -> String {
        self.cluster.superuser_url(&self.name)
    }
}

impl Drop for TestDatabase {
    fn drop(&mut self) {
        let dropped = PgConnection::establish(&self.cluster.superuser_url("postgres"))
            .map_err(|e| e.to_string())
            .and_then(|mut connection| {
                sql_query(format!("DROP DATABASE {} WITH (FORCE)", self.name))
                    .execute(&mut connection)
                    .map_err(|e| e.to_string())
            });
        // A panic here would hide the test's own; the next start of the server drops what is left.
        if let Err(error) = dropped {
            eprintln!("the database {} stays for now: {error}", self.name);
        }
    }
}

/// A word that nothing else in the world has.
#[allow(clippy::disallowed_methods, reason = "names of databases and folders are no identifiers of ours")]
pub fn unique() -> String {
    uuid::Uuid::now_v7().simple().to_string()
}

#[derive(QueryableByName)]
struct Named {
    #[diesel(sql_type = sql_types::Text)]
    name: String,
}

#[derive(QueryableByName)]
struct Number {
    #[diesel(sql_type = sql_types::Integer)]
    number: i32,
}

/// The folder is open to be passed through, for the unprivileged user that the server runs as under root.
fn make(folder: &Path) {
    let mode = if is_root() { 0o711 } else { 0o700 };
    let created = DirBuilder::new().recursive(true).mode(mode).create(folder);
    created.expect("a folder for the tests' server in the folder for temporary files");
    let owner = fs::symlink_metadata(folder).expect("the folder just made").uid();
    assert_eq!(owner, rustix::process::geteuid().as_raw(), "{} belongs to someone else", folder.display());
}

fn open(path: &Path) -> File {
    let mut options = OpenOptions::new();
    options.read(true).write(true).create(true).truncate(false).mode(0o600);
    options.open(path).expect("a lock file in the folder of the tests' server")
}

fn exclusive(path: &Path) -> File {
    let file = open(path);
    file.lock().expect("a lock on a file of ours");
    file
}

fn wait_for_server(folder: &Path) -> String {
    let ready = folder.join("ready");
    let deadline = Instant::now() + START_WITHIN;
    let mut started: Option<Child> = None;
    loop {
        let supervised = open(&folder.join("supervisor")).try_lock().is_err();
        match (supervised, &mut started) {
            (true, _) => {
                if let Ok(addresses) = fs::read_to_string(&ready) {
                    return addresses;
                }
            }
            (false, None) => {
                // Left by a supervisor that was killed.
                if ready.exists() {
                    fs::remove_file(&ready).expect("a file of ours can be removed");
                }
                started = Some(start_supervisor(folder));
            }
            (false, Some(child)) => {
                let ended = child.try_wait().expect("a child of ours can be waited for");
                let said = || fs::read_to_string(folder.join("supervisor.log")).unwrap_or_default();
                assert!(ended.is_none(), "the tests' server did not start: {}", said());
            }
        }
        assert!(Instant::now() < deadline, "the tests' server was not ready within {START_WITHIN:?}");
        std::thread::sleep(POLL);
    }
}

fn start_supervisor(folder: &Path) -> Child {
    let log = File::create(folder.join("supervisor.log")).expect("a log in the folder of the tests' server");
    let (_crate, module) = module_path!().split_once("::").expect("this is a module of a test binary");
    Command::new(std::env::current_exe().expect("a running program has a path"))
        .args(["--exact", &format!("{module}::supervise"), "--ignored", "--nocapture"])
        // Taken for one more name of a test, which none has.
        .arg(folder)
        .current_dir("/")
        .stdin(Stdio::null())
        .stdout(log.try_clone().expect("a file can be opened twice"))
        .stderr(log)
        .spawn()
        .expect("a test binary can be started again")
}

/// The folder that a re-executed test binary was given as its last argument.
pub fn folder_argument() -> Option<PathBuf> {
    std::env::args_os().next_back().map(PathBuf::from).filter(|path| path.is_absolute() && path.is_dir())
}

#[test]
#[ignore = "not a test: the process that owns the tests' server, started by the tests"]
fn supervise() {
    let Some(folder) = folder_argument() else { return };
    // Out of the terminal's and the test runner's reach.
    rustix::process::setsid().expect("a child is no leader of a group yet");
    let _life = exclusive(&folder.join("supervisor"));
    let data = folder.join("data");
    let options = options(&data);
    let server = PrivatePostgres::start(&options).or_else(|error| {
        // Without fsync a power failure can ruin it, and another version cannot read it.
        eprintln!("starting afresh, because: {error}");
        fs::remove_dir_all(&data).expect("a folder of ours can be removed");
        PrivatePostgres::start(&options)
    });
    let server = server.expect("a private PostgreSQL for the tests");
    drop_leftovers(&server);
    let addresses = [
        server.superuser_url(PLACE),
        server.app_url(PLACE),
        server.worker_url(PLACE),
        server.sign_in_url(PLACE),
    ];
    let aside = folder.join("ready.new");
    let mut file = open(&aside);
    file.set_len(0).and_then(|()| writeln!(file, "{}", addresses.join("\n"))).expect("room for four lines");
    fs::rename(&aside, folder.join("ready")).expect("a file of ours can be renamed");
    let _last = exclusive(&folder.join("holders"));
    fs::remove_file(folder.join("ready")).expect("a file of ours can be removed");
    server.stop().expect("the tests' server shuts down");
}

/// Databases of tests that were killed, and templates of migrations long changed.
fn drop_leftovers(server: &PrivatePostgres) {
    let mut connection =
        PgConnection::establish(&server.superuser_url("postgres")).expect("the server just started");
    let mut named = |condition: &str| {
        sql_query(format!("SELECT datname AS name FROM pg_database WHERE {condition} ORDER BY oid DESC"))
            .load::<Named>(&mut connection)
            .expect("the catalog is readable")
    };
    let tests = named(r"datname LIKE 'test\_%'");
    let templates = named(r"datname LIKE 'migrated\_%'");
    for database in tests.iter().chain(templates.iter().skip(TEMPLATES_KEPT)) {
        sql_query(format!("DROP DATABASE {} WITH (FORCE)", database.name))
            .execute(&mut connection)
            .expect("the superuser may drop a database");
    }
}

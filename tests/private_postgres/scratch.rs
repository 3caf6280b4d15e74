//! Scratch folders, child processes that hold a server, and waiting for a state.

use std::fs;
use std::io::{BufRead, BufReader, Read};
use std::os::unix::fs::DirBuilderExt;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, Stdio};
use std::time::{Duration, Instant};

use diesel::{Connection, PgConnection, QueryableByName, RunQueryDsl, sql_query, sql_types};
use garboard::db::private::is_root;

use crate::support::cluster::unique;

/// A folder of its own for a test, removed at its end.
pub struct Scratch(PathBuf);

impl Scratch {
    pub fn new() -> Self {
        let name = format!("garboard-scratch-{}", unique());
        let folder = std::env::temp_dir().join(name);
        let mode = if is_root() { 0o711 } else { 0o700 };
        fs::DirBuilder::new().mode(mode).create(&folder).expect("a new folder");
        Self(folder)
    }

    pub fn join(&self, name: &str) -> PathBuf {
        self.0.join(name)
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        if let Err(error) = fs::remove_dir_all(&self.0) {
            eprintln!("{} stays: {error}", self.0.display());
        }
    }
}

/// This test binary once more, at one of its ignored entries, until its input ends or it is killed.
pub struct Holder {
    pub child: Child,
    pub said: String,
    /// Open until it ends, or its last words would fail it.
    output: BufReader<ChildStdout>,
}

impl Holder {
    /// Starts the entry `name` on `folder` and waits for what it says when it is ready.
    pub fn start(name: &str, folder: &Path) -> Self {
        let mut child = Command::new(std::env::current_exe().expect("a running program has a path"))
            .args(["--exact", name, "--ignored", "--nocapture"])
            // Taken for one more name of a test, which none has.
            .arg(folder)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("a test binary can be started again");
        let mut output = BufReader::new(child.stdout.take().expect("its output is piped"));
        let said = output
            .by_ref()
            .lines()
            .map_while(Result::ok)
            .find_map(|line| line.split_once("READY ").map(|(_, said)| said.to_owned()));
        let said = said.expect("the holder became ready; its own message is above");
        Self { child, said, output }
    }

    /// `kill -9`.
    pub fn kill(mut self) {
        self.child.kill().expect("a child can be killed");
        self.child.wait().expect("a child can be waited for");
    }

    /// Lets it end by itself.
    pub fn release(mut self) {
        drop(self.child.stdin.take());
        let mut rest = String::new();
        self.output.read_to_string(&mut rest).expect("its last words");
        assert!(self.child.wait().expect("a child can be waited for").success(), "{rest}");
    }
}

/// What a holder does once it is ready.
pub fn hold(said: &str) {
    println!("READY {said}");
    let mut line = String::new();
    std::io::stdin().read_line(&mut line).expect("the end of the input");
}

/// Waits for a state; it is an error when it does not come.
pub fn wait_for(what: &str, mut state: impl FnMut() -> bool) {
    let deadline = Instant::now() + Duration::from_mins(1);
    while !state() {
        assert!(Instant::now() < deadline, "{what} did not come about");
        std::thread::sleep(Duration::from_millis(5));
    }
}

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = sql_types::Text)]
    value: String,
}

pub fn connect(url: &str) -> PgConnection {
    PgConnection::establish(url).expect("the server accepts the connection")
}

pub fn run(connection: &mut PgConnection, statement: &str) {
    sql_query(statement).execute(connection).expect(statement);
}

/// The texts of a query's first column, which it calls `value`.
pub fn texts(connection: &mut PgConnection, query: &str) -> Vec<String> {
    sql_query(query).load::<Row>(connection).expect(query).into_iter().map(|row| row.value).collect()
}

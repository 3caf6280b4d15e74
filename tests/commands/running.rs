//! Running the binary.

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};

use serde_json::{Value, json};

/// A folder of this test's own with a short path, removed at its end.
pub struct Scratch(pub PathBuf);

impl Scratch {
    pub fn new() -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let n = COUNT.fetch_add(1, Ordering::Relaxed);
        let path = std::env::temp_dir().join(format!("gb-{}-{n}", std::process::id()));
        std::fs::remove_dir_all(&path).ok();
        Self(path)
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        std::fs::remove_dir_all(&self.0).ok();
    }
}

/// The command without a database of anybody's in its environment.
pub fn garboard(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_garboard"));
    command
        .args(arguments)
        .env_remove("DATABASE_URL")
        .env_remove("GARBOARD_SERVER")
        .env_remove("RUST_LOG")
        .stdin(Stdio::null());
    command
}

/// What a command printed and how it ended.
pub fn run(arguments: &[&str]) -> Output {
    garboard(arguments).output().unwrap()
}

/// The same with something on standard input.
pub fn run_with(arguments: &[&str], input: &str) -> Output {
    let mut command = garboard(arguments);
    let mut child =
        command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    // A command that refuses its arguments does not read: a broken pipe is its answer, not ours.
    child.stdin.take().unwrap().write_all(input.as_bytes()).ok();
    child.wait_with_output().unwrap()
}

pub fn stdout(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

pub fn stderr(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

#[track_caller]
pub fn succeeded(output: &Output) {
    assert!(output.status.success(), "{}\n{}", stdout(output), stderr(output));
}

/// Refused: exit code 1 and one line of reason that names all of `words`.
#[track_caller]
pub fn refused(output: &Output, words: &[&str]) {
    let said = stderr(output);
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert_eq!(said.trim_end().lines().count(), 1, "{said}");
    for word in words {
        assert!(said.contains(word), "no {word} in {said}");
    }
}

pub fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// A demo that serves, with the address it announced.
pub struct Serving {
    child: Child,
    pub address: String,
}

impl Serving {
    pub fn start(folder: &Path) -> Self {
        Self::start_with(folder, &[])
    }

    pub fn start_with(folder: &Path, options: &[&str]) -> Self {
        Self::start_changed(folder, options, |command| {
            command.stderr(Stdio::null());
        })
    }

    /// With an environment or a log of the test's own.
    pub fn start_changed(folder: &Path, options: &[&str], change: impl FnOnce(&mut Command)) -> Self {
        let arguments = ["demo", "--listen", "127.0.0.1:0", "--data-dir", text(folder)];
        let mut command = garboard(&[&arguments, options].concat());
        change(command.stdout(Stdio::piped()));
        let mut child = command.spawn().unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let address = lines
            .find_map(|line| line.unwrap().strip_prefix("Serving on ")?.split(',').next().map(str::to_owned))
            .expect("the demo announces its address");
        Self { child, address }
    }

    pub fn signal(&mut self, signal: rustix::process::Signal) -> std::process::ExitStatus {
        let pid = rustix::process::Pid::from_child(&self.child);
        rustix::process::kill_process(pid, signal).unwrap();
        self.child.wait().unwrap()
    }
}

/// A client with the token of one of the demo's people.
pub struct Member<'a> {
    serving: &'a Serving,
    http: reqwest::blocking::Client,
    token: String,
}

impl<'a> Member<'a> {
    pub fn sign_in(serving: &'a Serving, folder: &Path, who: &str) -> Self {
        rustls::crypto::ring::default_provider().install_default().ok();
        let http = reqwest::blocking::Client::new();
        let password = std::fs::read_to_string(folder.join("secrets").join("demo_password")).unwrap();
        let person = json!({"email": format!("{who}@sandwhistle.example"), "password": password.trim()});
        let answer = http.post(format!("{}/v1/sign-in", serving.address)).json(&person).send().unwrap();
        let session: Value = answer.json().unwrap();
        Self { serving, http, token: session["access_token"].as_str().unwrap().to_owned() }
    }

    pub fn get(&self, path: &str) -> Value {
        let request = self.http.get(format!("{}{path}", self.serving.address)).bearer_auth(&self.token);
        request.send().unwrap().error_for_status().unwrap().json().unwrap()
    }

    pub fn post(&self, path: &str, body: &Value) -> Value {
        let request = self.http.post(format!("{}{path}", self.serving.address)).bearer_auth(&self.token);
        request.json(body).send().unwrap().error_for_status().unwrap().json().unwrap()
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        self.child.kill().ok();
        self.child.wait().ok();
    }
}

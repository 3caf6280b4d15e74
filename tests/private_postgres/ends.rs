//! The ways in which a service or its server ends, and what the next start makes of them.

use std::fs;
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::{Child, Command, Stdio};

use garboard::db::private::PrivatePostgres;

use crate::scratch::{Holder, Scratch, connect, hold, run, texts, wait_for};
use crate::support::cluster::{folder_argument, options};

#[test]
#[ignore = "not a test: a service for the tests to kill, started by them"]
fn hold_service() {
    let Some(folder) = folder_argument() else { return };
    let server = PrivatePostgres::start(&options(&folder)).expect("a start");
    hold(&format!("{} {}", server.server_pid(), server.superuser_url("garboard")));
    server.stop().expect("a clean end");
}

/// A service in a process of its own, its server's pid, and its superuser's address.
fn service(folder: &Path) -> (Holder, u32, String) {
    fs::create_dir_all(folder).expect("ours");
    let holder = Holder::start("ends::hold_service", folder);
    let (pid, url) = holder.said.split_once(' ').expect("pid and address");
    let (pid, url) = (pid.parse().expect("a number"), url.to_owned());
    (holder, pid, url)
}

fn state(pid: u32) -> Option<char> {
    let stat = fs::read_to_string(format!("/proc/{pid}/stat")).ok()?;
    stat.rsplit_once(") ")?.1.chars().next()
}

fn is_gone(pid: u32) -> bool {
    matches!(state(pid), None | Some('Z' | 'X'))
}

#[test]
fn a_second_service_is_refused_and_the_first_still_answers() {
    let scratch = Scratch::new();
    let data = scratch.join("data");
    let (first, server, url) = service(&data);
    let text = PrivatePostgres::start(&options(&data)).expect_err("one service a folder").to_string();
    let pid = first.child.id();
    assert!(text.contains(&format!("another garboard (pid {pid}) is running")), "{text}");
    assert_eq!(texts(&mut connect(&url), "SELECT 'up' AS value"), ["up"]);
    first.release();
    assert!(is_gone(server));
    PrivatePostgres::start(&options(&data)).expect("the folder is free again");
}

#[test]
fn after_kill_9_of_the_service_the_next_start_recovers() {
    let scratch = Scratch::new();
    let data = scratch.join("data");
    let (first, old_server, url) = service(&data);
    let mut open = connect(&url);
    run(&mut open, "CREATE TABLE kept AS SELECT 'committed' AS value");
    first.kill();
    // At once, with a connection still open: the old server may be anywhere in its shutdown.
    let server = PrivatePostgres::start(&options(&data)).expect("the next start");
    assert!(is_gone(old_server), "the old server ended");
    assert_ne!(server.server_pid(), old_server);
    assert_eq!(texts(&mut connect(&url), "SELECT value FROM kept"), ["committed"]);
}

#[test]
fn without_a_next_start_the_server_ends_by_itself() {
    let scratch = Scratch::new();
    let (first, server, _) = service(&scratch.join("data"));
    assert!(!is_gone(server));
    first.kill();
    wait_for("the end of the server whose service was killed", || is_gone(server));
}

#[test]
fn after_kill_9_of_both_the_next_start_recovers() {
    let scratch = Scratch::new();
    let data = scratch.join("data");
    let (first, old_server, url) = service(&data);
    run(&mut connect(&url), "CREATE TABLE kept AS SELECT 'committed' AS value");
    kill(old_server);
    first.kill();
    let server = PrivatePostgres::start(&options(&data)).expect("the next start");
    assert_eq!(texts(&mut connect(&url), "SELECT value FROM kept"), ["committed"]);
    server.stop().expect("a clean end");
}

#[test]
fn a_killed_server_is_noticed() {
    let scratch = Scratch::new();
    let options = options(&scratch.join("data"));
    let server = PrivatePostgres::start(&options).expect("a start");
    assert!(server.is_running());
    kill(server.server_pid());
    wait_for("the end of the server", || !server.is_running());
    let text = server.stop().expect_err("it did not end well").to_string();
    assert!(text.contains("signal 9"), "{text}");
    PrivatePostgres::start(&options).expect("the next start recovers");
}

/// Not left behind by a test that fails.
struct Bystander(Child);

impl Drop for Bystander {
    fn drop(&mut self) {
        // Both fail only for one that has been killed and waited for.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A live process of the user that the server runs as: its signals would reach it, so `postgres` takes it for
/// another server.
fn bystander(account: Option<(u32, u32)>) -> Bystander {
    let mut command = Command::new("sleep");
    command.arg("1000").stdin(Stdio::null()).current_dir("/");
    if let Some((uid, gid)) = account {
        command.uid(uid).gid(gid);
    }
    Bystander(command.spawn().expect("sleep starts"))
}

/// Makes both files of a stopped server name `pid`.
fn blame(data: &Path, socket: &Path, pid: u32) {
    let cluster = data.join("cluster");
    let text =
        format!("{pid}\n{}\n1700000000\n5432\n{}\n\n  1 2\nready\n", cluster.display(), socket.display());
    fs::write(cluster.join("postmaster.pid"), &text).expect("ours");
    fs::write(socket.join(".s.PGSQL.5432.lock"), &text).expect("ours");
}

#[test]
fn files_that_name_a_foreign_process_or_a_zombie_neither_stop_a_start_nor_harm_the_process() {
    let scratch = Scratch::new();
    let options = options(&scratch.join("data"));
    let server = PrivatePostgres::start(&options).expect("a start");
    let account = server.account().map(|account| (account.uid, account.gid));
    let socket = server.socket_dir().to_owned();
    server.stop().expect("a clean end");

    let mut foreign = bystander(account);
    let pid = foreign.0.id();
    blame(&options.data_dir, &socket, pid);
    PrivatePostgres::start(&options).expect("a foreign process is none of ours").stop().expect("a clean end");
    assert!(!is_gone(pid), "it lives on");

    blame(&options.data_dir, &socket, std::process::id());
    PrivatePostgres::start(&options).expect("nor are we").stop().expect("a clean end");

    foreign.0.kill().expect("a child can be killed");
    wait_for("a zombie", || state(pid) == Some('Z'));
    blame(&options.data_dir, &socket, pid);
    PrivatePostgres::start(&options).expect("a zombie does nothing").stop().expect("a clean end");
    assert_eq!(state(pid), Some('Z'), "it was one all the time");
}

fn kill(pid: u32) {
    let pid = i32::try_from(pid).ok().and_then(rustix::process::Pid::from_raw).expect("a process number");
    rustix::process::kill_process(pid, rustix::process::Signal::KILL).expect("ours to kill");
}

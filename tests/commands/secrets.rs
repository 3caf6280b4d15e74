//! Addresses that are secrets: no log holds them, however much it is told to hold.

use std::fs::File;

use serde_json::json;

use crate::running::{Member, Scratch, Serving};

#[test]
fn no_log_holds_an_address_that_is_a_secret() {
    let folder = Scratch::new();
    let files = Scratch::new();
    std::fs::create_dir_all(&files.0).unwrap();
    for (json_log, level) in [(false, "trace"), (true, "debug")] {
        let log = files.0.join(format!("log-{level}"));
        let options: &[&str] = if json_log { &["--json-log"] } else { &[] };
        let mut serving = Serving::start_changed(&folder.0, options, |command| {
            command.env("RUST_LOG", level).stderr(File::create(&log).unwrap());
        });
        let secrets = {
            let lead = Member::sign_in(&serving, &folder.0, "lead");
            let address = lead.post("/v1/me/calendar-feeds", &json!({"name": "Hulls"}))["address"].clone();
            let address = address.as_str().unwrap().to_owned();
            let secret = address.rsplit('.').nth(1).unwrap().to_owned();
            let http = reqwest::blocking::Client::new();
            let at = |path: &str| format!("{}{path}", serving.address);
            assert_eq!(http.get(at(&address)).send().unwrap().status(), 200);
            assert_eq!(http.head(at(&address)).send().unwrap().status(), 200);
            // One that holds no more, is misspelt, asked for in another way, or with something after it.
            let wrong = "AnotherSecretOfTheTests";
            assert_eq!(http.get(at(&address.replace(&secret, wrong))).send().unwrap().status(), 404);
            assert_eq!(http.delete(at(&address)).send().unwrap().status(), 405);
            assert_eq!(http.get(at(&format!("{address}/{secret}"))).send().unwrap().status(), 404);
            let ending = format!("/v1/digest-endings/a.b.{wrong}");
            assert_eq!(http.get(at(&ending)).send().unwrap().status(), 404);
            [secret, wrong.to_owned()]
        };
        serving.signal(rustix::process::Signal::TERM);
        let text = std::fs::read_to_string(&log).unwrap();
        assert!(text.contains("/v1/calendars/") && text.contains("/v1/sign-in"), "it logs requests: {level}");
        for secret in secrets {
            let line = text.lines().find(|line| line.contains(&secret));
            assert_eq!(line, None, "{level}");
        }
    }
}

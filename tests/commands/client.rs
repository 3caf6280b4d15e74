//! Commands that speak to a service: sessions, programs, forms, refusals.

use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use serde_json::{Value, json};

use crate::running::{Scratch, Serving, garboard, refused, run, stderr, stdout, succeeded, text};

/// A served demo, and a user with a folder for settings.
struct Haven {
    folder: Scratch,
    settings: Scratch,
    files: Scratch,
    serving: Serving,
}

impl Haven {
    fn open() -> Self {
        let folder = Scratch::new();
        let serving = Serving::start(&folder.0);
        let haven = Self { folder, settings: Scratch::new(), files: Scratch::new(), serving };
        std::fs::create_dir_all(&haven.files.0).unwrap();
        haven
    }

    fn password(&self) -> String {
        let path = self.folder.0.join("secrets").join("demo_password");
        std::fs::read_to_string(path).unwrap().trim().to_owned()
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = garboard(arguments);
        command.env("GARBOARD_SERVER", &self.serving.address).env("XDG_CONFIG_HOME", &self.settings.0);
        command
    }

    fn run(&self, arguments: &[&str]) -> Output {
        self.command(arguments).output().unwrap()
    }

    fn sign_in(&self, who: &str, password: &str) -> Output {
        use std::io::Write;
        let email = format!("{who}@sandwhistle.example");
        let mut command = self.command(&["sign-in", "--email", &email]);
        let mut child =
            command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        writeln!(child.stdin.take().unwrap(), "{password}").unwrap();
        child.wait_with_output().unwrap()
    }

    fn signed_in(&self, who: &str) {
        let output = self.sign_in(who, &self.password());
        succeeded(&output);
        assert!(stdout(&output).contains("Signed in to http://127.0.0.1"), "{}", stdout(&output));
    }

    fn json(&self, arguments: &[&str]) -> Value {
        let output = self.run(arguments);
        succeeded(&output);
        serde_json::from_str(&stdout(&output)).unwrap()
    }

    /// The file of the only session.
    fn session(&self) -> PathBuf {
        let folder = self.settings.0.join("garboard").join("sessions");
        let files: Vec<PathBuf> =
            std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
        let sessions: Vec<&PathBuf> =
            files.iter().filter(|path| path.extension().is_some_and(|end| end == "json")).collect();
        assert_eq!(sessions.len(), 1, "{files:?}");
        sessions[0].clone()
    }
}

fn mode(path: &Path) -> u32 {
    std::fs::metadata(path).unwrap().permissions().mode() & 0o777
}

fn csv_rows(bytes: &[u8]) -> (Vec<String>, usize) {
    let mut reader = csv::Reader::from_reader(bytes);
    let header = reader.headers().unwrap().iter().map(str::to_owned).collect();
    (header, reader.records().map(Result::unwrap).count())
}

#[test]
fn a_session_is_kept_and_every_form_tells_the_same() {
    let haven = Haven::open();
    refused(&haven.run(&["due"]), &["not signed in", "garboard sign-in --server"]);
    refused(&haven.sign_in("lead", "a wrong password"), &["password"]);
    haven.signed_in("lead");
    assert_eq!(mode(&haven.session()), 0o600);
    assert_eq!(mode(haven.session().parent().unwrap()), 0o700);

    // What the service says is what the database says.
    let here = run(&["due", "--as", "json", "--data-dir", text(&haven.folder.0)]);
    succeeded(&here);
    let here: Value = serde_json::from_str(&stdout(&here)).unwrap();
    let there = haven.json(&["due", "--as", "json"]);
    assert_eq!(there, here);
    let rows = there.as_array().unwrap().len();
    let csv = haven.run(&["due", "--as", "csv"]);
    succeeded(&csv);
    assert_eq!(csv_rows(&csv.stdout).1, rows);
    let table = haven.run(&["due"]);
    succeeded(&table);
    let local = run(&["due", "--data-dir", text(&haven.folder.0)]);
    assert_eq!(stdout(&table), stdout(&local));
    let repairs = haven.json(&["due", "--as", "json", "--kind", "repair", "--site", "Sandwhistle Haven"]);
    assert!(repairs.as_array().unwrap().iter().all(|row| row["kind"] == "repair"));
    assert!(!repairs.as_array().unwrap().is_empty());
    refused(&haven.run(&["due", "--site", "Nowhere"]), &["Nowhere", "Sandwhistle Haven"]);

    let hindcast = ["hindcast", "--from", "2010"];
    let local = |more: &[&str]| {
        let output = run(&[&hindcast[..], more, &["--data-dir", text(&haven.folder.0)]].concat());
        succeeded(&output);
        stdout(&output)
    };
    let told = haven.json(&["hindcast", "--from", "2010", "--as", "json"]);
    assert_eq!(serde_json::from_str::<Value>(&local(&["--as", "json"])).unwrap(), told);
    let surveys = usize::try_from(told["surveys"].as_u64().unwrap()).unwrap();
    assert!(surveys > 40, "{surveys} past surveys of the demo's hulls");
    let cases = haven.run(&["hindcast", "--from", "2010", "--as", "csv"]);
    succeeded(&cases);
    assert_eq!(csv_rows(&cases.stdout).1, surveys);
    assert_eq!(stdout(&cases), local(&["--as", "csv"]));
    let read = haven.run(&hindcast);
    succeeded(&read);
    assert_eq!(stdout(&read), local(&[]));
    for sentence in [&told["findings"], &told["limits"]].iter().flat_map(|list| list.as_array().unwrap()) {
        assert!(stdout(&read).contains(sentence.as_str().unwrap()), "no {sentence} in {}", stdout(&read));
    }
    let fewer = haven.json(&["hindcast", "--from", "2024", "--lead-months", "6", "--as", "json"]);
    assert_eq!((&fewer["from_year"], &fewer["lead_months"]), (&json!(2024), &json!(6)));
    assert!(fewer["surveys"].as_u64() < told["surveys"].as_u64());
    refused(&haven.run(&["hindcast", "--from", "1066"]), &["from_year"]);
    refused(&haven.run(&["hindcast", "--from", "2010", "--lead-months", "0"]), &["lead_months"]);

    let vessels = haven.json(&["vessel", "--as", "json"]);
    let shown = haven.run(&["vessel", "Cinder Bobbin"]);
    succeeded(&shown);
    assert!(stdout(&shown).contains("length_m") && stdout(&shown).contains("repair"), "{}", stdout(&shown));
    let one = haven.json(&["vessel", "Cinder Bobbin", "--as", "json"]);
    assert!(vessels.as_array().unwrap().contains(&one["vessel"]));
    assert_eq!(one["forecast"]["vessel_id"], one["vessel"]["id"]);
    refused(&haven.run(&["vessel", "Nobody's"]), &["Nobody's", "garboard vessel"]);
    let page = haven.files.0.join("dossier.html");
    succeeded(&haven.run(&["vessel", "Cinder Bobbin", "--dossier", text(&page)]));
    assert!(std::fs::read_to_string(&page).unwrap().contains("<h1>Cinder Bobbin</h1>"));

    succeeded(&haven.run(&["sign-out"]));
    refused(&haven.run(&["due"]), &["not signed in"]);
    refused(&haven.run(&["sign-out"]), &["not signed in"]);
}

#[test]
fn an_export_is_whole_over_many_pages() {
    let haven = Haven::open();
    haven.signed_in("reader");
    let readings = haven.json(&["export", "readings", "--as", "json"]);
    let readings = readings.as_array().unwrap();
    assert!(readings.len() > 400, "{} readings make more than two pages", readings.len());
    let ids: std::collections::BTreeSet<&str> =
        readings.iter().map(|row| row["id"].as_str().unwrap()).collect();
    assert_eq!(ids.len(), readings.len());
    for record in [
        "due",
        "fleet",
        "sites",
        "vessels",
        "haul-outs",
        "stations",
        "surveys",
        "readings",
        "findings",
        "products",
        "coats",
        "treatments",
        "attachments",
    ] {
        let file = haven.files.0.join(format!("{record}.csv"));
        succeeded(&haven.run(&["export", record, "--out", text(&file)]));
        let (header, rows) = csv_rows(&std::fs::read(&file).unwrap());
        let json = haven.json(&["export", record, "--as", "json"]);
        assert_eq!(rows, json.as_array().unwrap().len(), "{record}");
        let first = if ["due", "fleet"].contains(&record) { "vessel_name" } else { "id" };
        assert_eq!(header[0], first, "{record}");
    }
    // Workbooks: those of the reports, as many rows as the list has, and of nothing else.
    for record in ["due", "fleet"] {
        let file = haven.files.0.join(format!("{record}.xlsx"));
        succeeded(&haven.run(&["export", record, "--as", "xlsx", "--out", text(&file)]));
        let mut book: calamine::Xlsx<_> = calamine::open_workbook(&file).unwrap();
        let first = calamine::Reader::sheet_names(&book)[0].clone();
        let rows = calamine::Reader::worksheet_range(&mut book, &first).unwrap().rows().count() - 1;
        let json = haven.json(&["export", record, "--as", "json"]);
        assert_eq!(rows, json.as_array().unwrap().len(), "{record}");
    }
    refused(
        &haven.run(&["export", "vessels", "--as", "xlsx"]),
        &["workbooks of due and of fleet", "--as csv"],
    );
    let none = haven.json(&["export", "vessels", "--as", "json", "--since", "2199-01-01"]);
    assert_eq!(none, json!([]));
    // Nothing half-written is left where the service refuses.
    let file = haven.files.0.join("late.csv");
    refused(&haven.run(&["export", "vessels", "--since", "soon", "--out", text(&file)]), &["--since soon"]);
    assert!(!file.exists());
    let nowhere = haven.files.0.join("no such folder").join("vessels.csv");
    refused(&haven.run(&["export", "vessels", "--out", text(&nowhere)]), &["--out"]);
}

#[test]
fn commands_at_once_do_not_lose_the_session() {
    let haven = Haven::open();
    haven.signed_in("lead");
    for _ in 0..2 {
        // The access token has run out: each of these must renew the session, and one refresh token is good once.
        let path = haven.session();
        let mut kept: Value = serde_json::from_str(&std::fs::read_to_string(&path).unwrap()).unwrap();
        let before = kept["refresh_token"].clone();
        kept["access_ends_at"] = json!("2020-01-01T00:00:00Z");
        std::fs::write(&path, kept.to_string()).unwrap();
        let children: Vec<_> = (0..6)
            .map(|_| {
                let mut command = haven.command(&["vessel", "--as", "json"]);
                command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()
            })
            .collect();
        for child in children {
            succeeded(&child.wait_with_output().unwrap());
        }
        let after: Value = serde_json::from_str(&std::fs::read_to_string(haven.session()).unwrap()).unwrap();
        assert_ne!(after["refresh_token"], before);
        assert_eq!(mode(&haven.session()), 0o600);
    }
    succeeded(&haven.run(&["due"]));

    // A copy of the refresh token used by somebody else ends the session, and the command says what to do.
    let path = haven.session();
    let mut kept: Value = serde_json::from_str(&std::fs::read_to_string(&path).unwrap()).unwrap();
    kept["access_ends_at"] = json!("2020-01-01T00:00:00Z");
    let stolen = json!({"refresh_token": kept["refresh_token"]});
    let http = http();
    let used =
        http.post(format!("{}/v1/sign-in/refresh", haven.serving.address)).json(&stolen).send().unwrap();
    assert_eq!(used.status(), 200);
    std::fs::write(&path, kept.to_string()).unwrap();
    refused(&haven.run(&["due"]), &["session is over", "garboard sign-in --server"]);
    refused(&haven.run(&["due"]), &["not signed in"]);

    haven.signed_in("lead");
    std::fs::set_permissions(haven.session(), std::fs::Permissions::from_mode(0o644)).unwrap();
    refused(&haven.run(&["due"]), &["Others can read"]);
}

fn http() -> reqwest::blocking::Client {
    rustls::crypto::ring::default_provider().install_default().ok();
    reqwest::blocking::Client::new()
}

/// The credentials of a program with these scopes, made by the administrator.
fn program(haven: &Haven, scopes: &[&str]) -> (String, String) {
    let (http, address) = (http(), &haven.serving.address);
    let person = json!({"email": "administrator@sandwhistle.example", "password": haven.password()});
    let session: Value =
        http.post(format!("{address}/v1/sign-in")).json(&person).send().unwrap().json().unwrap();
    let program = json!({"name": "Nightly", "scopes": scopes});
    let made =
        http.post(format!("{address}/v1/programs")).bearer_auth(session["access_token"].as_str().unwrap());
    let made: Value = made.json(&program).send().unwrap().json().unwrap();
    let text = |value: &Value| value.as_str().unwrap_or_else(|| unreachable!("{made}")).to_owned();
    (text(&made["client_id"]), text(&made["client_secret"]))
}

#[test]
fn a_program_needs_no_session() {
    let haven = Haven::open();
    let (id, secret) = program(&haven, &["read"]);
    let by_environment = haven
        .command(&["due", "--as", "json"])
        .env("GARBOARD_CLIENT_ID", &id)
        .env("GARBOARD_CLIENT_SECRET", &secret)
        .output()
        .unwrap();
    succeeded(&by_environment);
    let rows: Value = serde_json::from_str(&stdout(&by_environment)).unwrap();
    assert!(rows.as_array().unwrap().len() > 50);
    let half = haven.command(&["due"]).env("GARBOARD_CLIENT_ID", &id).output().unwrap();
    refused(&half, &["GARBOARD_CLIENT_SECRET"]);

    let file = haven.files.0.join("credentials.json");
    std::fs::write(&file, json!({"client_id": id, "client_secret": secret}).to_string()).unwrap();
    std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o640)).unwrap();
    refused(&haven.run(&["due", "--credentials", text(&file)]), &["Others can read", "chmod 600"]);
    std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o600)).unwrap();
    succeeded(&haven.run(&["due", "--credentials", text(&file)]));
    succeeded(&haven.command(&["due"]).env("GARBOARD_CREDENTIALS", &file).output().unwrap());
    assert!(!haven.settings.0.exists(), "nothing is stored for a program");

    // Its scopes do not reach further, and the refusal says so.
    let csv = haven.files.0.join("hulls.csv");
    std::fs::write(&csv, "ref,name,form,length_m\nN1,Nightly hull,motor,9\n").unwrap();
    refused(&haven.run(&["import", "vessels", text(&csv), "--credentials", text(&file)]), &["scopes"]);
    std::fs::write(&file, json!({"client_id": id, "client_secret": "wrong"}).to_string()).unwrap();
    refused(&haven.run(&["due", "--credentials", text(&file)]), &["no token"]);
    std::fs::write(&file, "{}").unwrap();
    refused(&haven.run(&["due", "--credentials", text(&file)]), &["client_id"]);
}

#[test]
fn a_file_goes_into_the_service() {
    let haven = Haven::open();
    haven.signed_in("lead");
    let file = haven.files.0.join("hulls.csv");
    std::fs::write(&file, "ref;name;form;length_m\nZ1;First;motor;8,5\nZ2;Second;sloop;9\n").unwrap();
    let held = haven.run(&["import", "vessels", text(&file)]);
    assert_eq!(held.status.code(), Some(1));
    let told = stderr(&held);
    assert!(told.contains("line 3, column form: `sloop`") && told.contains("--skip-bad"), "{told}");
    let tried = haven.run(&["import", "vessels", text(&file), "--skip-bad", "--dry-run"]);
    succeeded(&tried);
    assert!(stdout(&tried).contains("1 created") && stdout(&tried).contains("dry run"), "{}", stdout(&tried));
    succeeded(&haven.run(&["import", "vessels", text(&file), "--skip-bad"]));
    let made = haven.json(&["vessel", "Z1", "--as", "json"]);
    assert_eq!(made["vessel"]["length_m"], 8.5);
    let again = haven.run(&["import", "vessels", text(&file), "--skip-bad"]);
    assert!(stdout(&again).contains("0 created, 0 updated, 1 unchanged"), "{}", stdout(&again));
    std::fs::write(&file, "ref,name,form,lenght_m\n").unwrap();
    let misspelt = haven.run(&["import", "vessels", text(&file)]);
    assert_eq!(misspelt.status.code(), Some(1));
    assert!(
        stderr(&misspelt).contains("lenght_m") && stderr(&misspelt).contains("length_m"),
        "{}",
        stderr(&misspelt)
    );
}

#[test]
fn the_store_of_attachments_is_swept() {
    // Without a service, which would sweep as well.
    let folder = Scratch::new();
    let email = "administrator@yard.example";
    succeeded(&run(&["organisation", "--name", "Yard", "--email", email, "--data-dir", text(&folder.0)]));
    let hull = folder.0.join("attachments").join("nobody");
    std::fs::create_dir_all(&hull).unwrap();
    std::fs::write(hull.join("content"), "left over").unwrap();
    let old = std::fs::File::options().append(true).open(hull.join("content")).unwrap();
    let long_ago = std::time::UNIX_EPOCH + std::time::Duration::from_hours(1);
    old.set_modified(long_ago).unwrap();
    std::fs::write(hull.join("thumbnail"), "just written").unwrap();
    let swept = run(&["attachments", "sweep", "--data-dir", text(&folder.0)]);
    succeeded(&swept);
    assert_eq!(stdout(&swept), "0 objects kept, 1 removed, 1 younger than an hour left alone.\n");
    assert!(!hull.join("content").exists() && hull.join("thumbnail").exists());
}

#[test]
fn what_cannot_be_spoken_to_is_told_in_one_line() {
    let settings = Scratch::new();
    let due = |arguments: &[&str]| {
        garboard(&[&["due"], arguments].concat()).env("XDG_CONFIG_HOME", &settings.0).output().unwrap()
    };
    let file = Scratch::new();
    std::fs::write(&file.0, json!({"client_id": "a.b", "client_secret": "c"}).to_string()).unwrap();
    std::fs::set_permissions(&file.0, std::fs::Permissions::from_mode(0o600)).unwrap();
    let credentials = text(&file.0);
    // Port 9 of this machine: nobody listens there.
    refused(&due(&["--server", "http://127.0.0.1:9", "--credentials", credentials]), &["cannot be reached"]);
    refused(&due(&["--server", "http://hulls.example"]), &["Use https"]);
    refused(&due(&["--server", "ftp://127.0.0.1"]), &["https://NAME"]);
    refused(&due(&["--server", "hulls"]), &["https://NAME"]);
    refused(&due(&["--server", "https://a:b@127.0.0.1"]), &["names before the host"]);
    refused(&due(&["--server", "https://127.0.0.1:9", "--ca", "/dev/null"]), &["certificate"]);
    refused(&due(&["--server", "http://127.0.0.1:9", "--data-dir", "/tmp"]), &["--server", "--data-dir"]);
    let nameless = garboard(&["export", "due"]).env("XDG_CONFIG_HOME", &settings.0).output().unwrap();
    refused(&nameless, &["--server URL", "GARBOARD_SERVER"]);
    for arguments in [
        &["export"][..],
        &["export", "boats"],
        &["sign-in"],
        &["due", "--as", "pdf"],
        &["vessel", "--dossier", "x"],
    ] {
        assert_eq!(run(arguments).status.code(), Some(2), "{arguments:?}");
    }
    std::fs::remove_file(&file.0).unwrap();
}

#[test]
fn a_private_authority_is_trusted_where_it_is_named() {
    let files = Scratch::new();
    std::fs::create_dir_all(&files.0).unwrap();
    let made = rcgen::generate_simple_self_signed(vec!["127.0.0.1".to_owned()]).unwrap();
    let (certificate, key) = (files.0.join("certificate.pem"), files.0.join("key.pem"));
    std::fs::write(&certificate, made.cert.pem()).unwrap();
    std::fs::write(&key, made.signing_key.serialize_pem()).unwrap();
    let folder = Scratch::new();
    let options = ["--tls-certificate", text(&certificate), "--tls-key", text(&key)];
    let serving = Serving::start_with(&folder.0, &options);
    assert!(serving.address.starts_with("https://"), "{}", serving.address);
    let haven = Haven { folder, settings: Scratch::new(), files, serving };
    let untrusted = haven.sign_in("lead", &haven.password());
    refused(&untrusted, &["cannot be reached", "certificate"]);
    let trusting = |arguments: &[&str]| {
        let mut command = haven.command(arguments);
        command.env("GARBOARD_CA", &certificate);
        command
    };
    let mut child = trusting(&["sign-in", "--email", "lead@sandwhistle.example"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    {
        use std::io::Write;
        writeln!(child.stdin.take().unwrap(), "{}", haven.password()).unwrap();
    }
    succeeded(&child.wait_with_output().unwrap());
    succeeded(&trusting(&["due"]).output().unwrap());
    // Another authority than the one that signed.
    let other = rcgen::generate_simple_self_signed(vec!["127.0.0.1".to_owned()]).unwrap();
    let file = haven.files.0.join("other.pem");
    std::fs::write(&file, other.cert.pem()).unwrap();
    let kept = std::fs::read_to_string(haven.session()).unwrap();
    let ended = serde_json::from_str::<Value>(&kept).map(|mut kept| {
        kept["access_ends_at"] = json!("2020-01-01T00:00:00Z");
        kept.to_string()
    });
    std::fs::write(haven.session(), ended.unwrap()).unwrap();
    refused(&haven.run(&["due", "--ca", text(&file)]), &["cannot be reached"]);
    succeeded(&trusting(&["due"]).output().unwrap());
}

//! The real server on a database of its own, and clients signed in as each role.

use std::collections::BTreeMap;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, OnceLock, mpsc};
use std::thread::JoinHandle;

use actix_web::dev::ServerHandle;
use chrono::{DateTime, Utc};
use garboard::clock::Clock;
use garboard::db::{Actor, Db, DbOptions, migrations};
use garboard::features::accounts::api::proof::hash_password;
use garboard::features::accounts::model::{NewMemberFields, OrganisationFields};
use garboard::features::accounts::store;
use garboard::http::guards::{Bounds, Guards};
use garboard::http::mail::Mail;
use garboard::http::server;
use garboard::http::state::AppState;
use garboard::http::tokens::TokenKeys;
use garboard::ids::{Id, OrgId, PersonId, RequestId};
use garboard::objects::Objects;
use garboard::permissions::Role;
use garboard::routes;
use serde_json::Value;
use sha2::{Digest, Sha256};

use super::cluster::TestDatabase;

/// The password of everybody in the tests.
pub const PASSWORD: &str = "eleven lazy gulls on a pontoon";
/// The day on which tests run.
pub const TODAY: &str = "2026-06-15T10:00:00Z";

fn password_hash() -> &'static str {
    static HASH: OnceLock<String> = OnceLock::new();
    HASH.get_or_init(|| hash_password(PASSWORD).expect("argon2 hashes"))
}

/// A digest of everything below `migrations/`: another schema, another template.
fn migrations_hash() -> String {
    fn add(folder: &Path, digest: &mut Sha256) {
        let mut paths: Vec<PathBuf> = std::fs::read_dir(folder)
            .expect("the migrations are there")
            .map(|entry| entry.expect("a readable entry").path())
            .collect();
        paths.sort();
        for path in paths {
            if path.is_dir() {
                add(&path, digest);
            } else {
                digest.update(path.to_string_lossy().as_bytes());
                digest.update(std::fs::read(&path).expect("a readable migration"));
            }
        }
    }
    let mut digest = Sha256::new();
    add(&Path::new(env!("CARGO_MANIFEST_DIR")).join("migrations"), &mut digest);
    digest.finalize().iter().map(|byte| format!("{byte:02x}")).collect()
}

/// An empty, migrated database.
pub fn database() -> TestDatabase {
    TestDatabase::new(&migrations_hash(), |url| {
        migrations::migrate(url).expect("the migrations run on an empty database");
    })
}

/// An organisation of the test with a member for each role.
pub struct TestOrganisation {
    pub org_id: OrgId,
    pub people: BTreeMap<&'static str, (PersonId, Role, String)>,
}

impl TestOrganisation {
    /// Makes the organisation with five members, by the sign-in door as the service does.
    pub fn create(db: &Db, name: &str) -> Self {
        let org_id = OrgId::fresh();
        let now = db.clock().now();
        let roles = [
            ("administrator", Role::Administrator),
            ("lead", Role::Lead),
            ("surveyor", Role::Surveyor),
            ("crew", Role::Crew),
            ("reader", Role::Reader),
        ];
        let fields = OrganisationFields { name: name.to_owned(), time_zone: "UTC".to_owned() };
        let people = db
            .sign_in(|conn| {
                store::insert_organisation(conn, org_id, &fields, now)?;
                let mut people = BTreeMap::new();
                for (word, role) in roles {
                    let email = format!("{word}@{}.example", name.to_lowercase());
                    let new = NewMemberFields {
                        email: email.clone(),
                        display_name: format!("The {word}"),
                        role,
                        password: PASSWORD.to_owned(),
                    };
                    let person_id = store::insert_member(conn, org_id, None, &new, password_hash(), now)?;
                    people.insert(word, (person_id, role, email));
                }
                Ok(people)
            })
            .expect("an organisation can be made");
        Self { org_id, people }
    }
}

/// The server, stopped and its database dropped at the end.
pub struct TestApp {
    pub address: String,
    pub db: Db,
    pub home: TestOrganisation,
    pub away: TestOrganisation,
    pub database: TestDatabase,
    /// The letters sent, as they went out.
    pub letters: Arc<Mutex<Vec<String>>>,
    pub keys: Arc<TokenKeys>,
    pub guards: Arc<Guards>,
    pub objects: Objects,
    handle: ServerHandle,
    thread: Option<JoinHandle<()>>,
    folder: KeyFolder,
}

/// A folder of this test, removed at its end.
struct KeyFolder(PathBuf);

impl Drop for KeyFolder {
    fn drop(&mut self) {
        std::fs::remove_dir_all(&self.0).ok();
    }
}

impl TestApp {
    /// Starts on [`TODAY`].
    pub fn start() -> Self {
        Self::start_at(TODAY)
    }

    /// Starts with the clock standing at an instant, RFC 3339.
    pub fn start_at(instant: &str) -> Self {
        Self::start_with(instant, Bounds { requests_per_second: 0, ..Bounds::default() })
    }

    /// Starts with the clock standing at an instant, within these bounds.
    pub fn start_with(instant: &str, bounds: Bounds) -> Self {
        let letters: Arc<Mutex<Vec<String>>> = Arc::default();
        let outbox = letters.clone();
        let mail = Mail::new("hulls@marina.example", "https://hulls.example", move |letter| {
            let text = String::from_utf8(letter.formatted()).expect("a letter is text");
            outbox.lock().expect("no test panics while it holds this").push(text);
            Ok(())
        });
        Self::start_posting(instant, bounds, mail.expect("the sender is an address"), letters)
    }

    /// Starts with a post of the test's own.
    pub fn start_posting(
        instant: &str,
        bounds: Bounds,
        mail: Mail,
        letters: Arc<Mutex<Vec<String>>>,
    ) -> Self {
        let instant: DateTime<Utc> = instant.parse().expect("an RFC 3339 time");
        let clock = Clock::Fixed(instant);
        let database = database();
        let options = DbOptions {
            app_url: database.app_url(),
            worker_url: database.worker_url(),
            sign_in_url: database.sign_in_url(),
            app_connections: 6,
        };
        let db = Db::connect(&options, clock).expect("the service's roles connect");
        let folder = std::env::temp_dir().join(format!("garboard-keys-{}", RequestId::fresh()));
        std::fs::create_dir_all(&folder).expect("a temporary folder");
        let keys =
            Arc::new(TokenKeys::load_or_create(&folder.join("token_keys")).expect("a key can be made"));
        let guards = Arc::new(Guards::new(bounds, &folder, Some(mail)).expect("a key can be made"));
        let objects = Objects::in_folder(&folder.join("attachments")).expect("a folder can be made");
        let state = AppState {
            db: db.clone(),
            keys: keys.clone(),
            guards: guards.clone(),
            clock,
            objects: objects.clone(),
        };
        let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
        let address = format!("http://{}", listener.local_addr().expect("a bound address"));
        let (send, receive) = mpsc::channel();
        let thread = std::thread::spawn(move || {
            actix_web::rt::System::new().block_on(async move {
                let server =
                    server::run(listener, None, state, routes::configure, 2, 4).expect("the server starts");
                send.send(server.handle()).expect("the test waits for the handle");
                server.await.expect("the server runs to its end");
            });
        });
        let handle = receive.recv().expect("the server started");
        let home = TestOrganisation::create(&db, "Home");
        let away = TestOrganisation::create(&db, "Away");
        Self {
            address,
            db,
            home,
            away,
            database,
            keys,
            guards,
            objects,
            handle,
            thread: Some(thread),
            folder: KeyFolder(folder),
            letters,
        }
    }

    /// The same database, seen some time later.
    pub fn later(&self, by: chrono::TimeDelta) -> Db {
        let options = DbOptions {
            app_url: self.database.app_url(),
            worker_url: self.database.worker_url(),
            sign_in_url: self.database.sign_in_url(),
            app_connections: 2,
        };
        Db::connect(&options, Clock::Fixed(self.db.clock().now() + by)).expect("the roles connect")
    }

    /// A member of an organisation.
    pub fn signed(&self, organisation: &TestOrganisation, word: &str) -> Client {
        let (person_id, role, _) = organisation.people.get(word).expect("a role of the tests");
        let token = self
            .keys
            .sign(*person_id, organisation.org_id, *role, self.db.clock().now())
            .expect("the key signs");
        Client { address: self.address.clone(), token: Some(token), http: http() }
    }

    pub fn administrator(&self) -> Client {
        self.signed(&self.home, "administrator")
    }
    pub fn lead(&self) -> Client {
        self.signed(&self.home, "lead")
    }
    pub fn surveyor(&self) -> Client {
        self.signed(&self.home, "surveyor")
    }
    pub fn crew(&self) -> Client {
        self.signed(&self.home, "crew")
    }
    pub fn reader(&self) -> Client {
        self.signed(&self.home, "reader")
    }
    /// The administrator of another organisation.
    pub fn stranger(&self) -> Client {
        self.signed(&self.away, "administrator")
    }
    /// Nobody.
    pub fn anonymous(&self) -> Client {
        Client { address: self.address.clone(), token: None, http: http() }
    }
    /// The folder of the keys that sign tokens.
    pub fn key_folder(&self) -> PathBuf {
        self.folder.0.join("token_keys")
    }
    /// The one-time token of the last letter to an address.
    pub fn token_for(&self, address: &str) -> String {
        let letters = self.letters.lock().expect("no test panics while it holds this");
        let letter = letters.iter().rev().find(|letter| letter.contains(&format!("To: {address}")));
        let letter = letter.expect("a letter to this address").replace("=\r\n", "");
        let is_token = |line: &&str| line.len() > 60 && !line.contains(' ');
        letter.lines().find(is_token).expect("a token on a line of its own").to_owned()
    }
    /// A client of this token.
    pub fn bearing(&self, token: &str) -> Client {
        Client { token: Some(token.to_owned()), ..self.anonymous() }
    }
    /// Somebody at another address of this machine.
    pub fn at_address(&self, address: &str) -> Client {
        let local: std::net::IpAddr = address.parse().expect("an address");
        Client {
            http: http_builder().local_address(local).build().expect("an HTTP client"),
            ..self.anonymous()
        }
    }
    /// The folder of the bytes of attachments.
    pub fn attachment_folder(&self) -> PathBuf {
        self.folder.0.join("attachments")
    }
    /// The service itself at work in the home organisation.
    pub fn service(&self) -> Actor {
        Actor::service(self.home.org_id, RequestId::fresh())
    }
}

impl Drop for TestApp {
    fn drop(&mut self) {
        let stop = self.handle.stop(false);
        actix_web::rt::System::new().block_on(stop);
        if let Some(thread) = self.thread.take() {
            thread.join().ok();
        }
    }
}

fn http() -> reqwest::blocking::Client {
    http_builder().build().expect("an HTTP client")
}

fn http_builder() -> reqwest::blocking::ClientBuilder {
    static PROVIDER: OnceLock<()> = OnceLock::new();
    PROVIDER.get_or_init(|| {
        rustls::crypto::ring::default_provider().install_default().ok();
    });
    reqwest::blocking::Client::builder()
        .redirect(reqwest::redirect::Policy::none())
        // A loaded machine is slow, not wrong.
        .timeout(std::time::Duration::from_mins(5))
}

/// A caller of the API.
#[derive(Clone)]
pub struct Client {
    pub address: String,
    pub token: Option<String>,
    pub http: reqwest::blocking::Client,
}

/// What came back.
#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    pub json: Value,
    pub text: String,
    headers: reqwest::header::HeaderMap,
}

impl Answer {
    pub fn header(&self, name: &str) -> Option<String> {
        self.headers.get(name).and_then(|value| value.to_str().ok()).map(str::to_owned)
    }
    /// All values of a header.
    pub fn headers_of(&self, name: &str) -> Vec<String> {
        self.headers.get_all(name).iter().filter_map(|value| value.to_str().ok()).map(str::to_owned).collect()
    }
    pub fn etag(&self) -> String {
        self.header("etag").expect("the answer has an ETag")
    }
    /// The id of the record.
    pub fn id(&self) -> String {
        self.json["id"].as_str().expect("the answer has an id").to_owned()
    }
    /// Fails the test unless the status is this one.
    #[track_caller]
    pub fn expect(self, status: u16) -> Self {
        assert_eq!(self.status, status, "{}", self.text);
        self
    }
    /// The pointers of a problem document.
    pub fn pointers(&self) -> Vec<String> {
        self.json["errors"]
            .as_array()
            .into_iter()
            .flatten()
            .filter_map(|error| error["pointer"].as_str())
            .map(str::to_owned)
            .collect()
    }
    /// Fails the test unless it is a problem document with this status, code and pointer.
    #[track_caller]
    pub fn expect_problem(self, status: u16, code: &str, pointer: &str) -> Self {
        let answer = self.expect(status);
        assert_eq!(
            answer.header("content-type").as_deref(),
            Some("application/problem+json"),
            "{}",
            answer.text
        );
        assert_eq!(answer.json["code"], code, "{}", answer.text);
        assert!(
            pointer.is_empty() || answer.pointers().iter().any(|p| p == pointer),
            "no {pointer} in {}",
            answer.text
        );
        answer
    }
}

impl Client {
    pub fn request(&self, method: &str, path: &str) -> reqwest::blocking::RequestBuilder {
        let method = reqwest::Method::from_bytes(method.as_bytes()).expect("an HTTP method");
        let request = self.http.request(method, format!("{}{path}", self.address));
        match &self.token {
            Some(token) => request.bearer_auth(token),
            None => request,
        }
    }

    #[allow(clippy::unused_self, reason = "it reads as what a client does")]
    pub fn send(&self, request: reqwest::blocking::RequestBuilder) -> Answer {
        let response = request.send().expect("the server answers");
        let (status, headers) = (response.status().as_u16(), response.headers().clone());
        let text = response.text().expect("a readable answer");
        Answer { status, json: serde_json::from_str(&text).unwrap_or(Value::Null), text, headers }
    }

    pub fn get(&self, path: &str) -> Answer {
        self.send(self.request("GET", path))
    }

    pub fn post(&self, path: &str, body: &Value) -> Answer {
        self.send(self.request("POST", path).json(body))
    }

    pub fn post_with_key(&self, path: &str, key: &str, body: &Value) -> Answer {
        self.send(self.request("POST", path).header("Idempotency-Key", key).json(body))
    }

    pub fn patch(&self, path: &str, etag: &str, body: &Value) -> Answer {
        self.send(self.request("PATCH", path).header("If-Match", etag).json(body))
    }

    pub fn post_if_match(&self, path: &str, etag: &str, body: &Value) -> Answer {
        self.send(self.request("POST", path).header("If-Match", etag).json(body))
    }
}

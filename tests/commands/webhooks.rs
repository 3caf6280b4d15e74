//! Events sent over TLS by the service as it is run, over its restart.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::Stdio;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use rustls::pki_types::{PrivateKeyDer, PrivatePkcs8KeyDer};
use serde_json::{Value, json};

use crate::running::{Member, Scratch, Serving};

/// Longer than any of these takes; a test that fails would otherwise hang.
const PATIENCE: Duration = Duration::from_mins(5);

/// A receiver that speaks TLS with a certificate of its own making, and answers as it is told.
struct TlsReceiver {
    url: String,
    certificate_pem: String,
    status: Arc<Mutex<u16>>,
    arrivals: Receiver<(u16, String, Value)>,
}

impl TlsReceiver {
    fn start() -> Self {
        let made = rcgen::generate_simple_self_signed(["127.0.0.1".to_owned()]).unwrap();
        let key = PrivateKeyDer::Pkcs8(PrivatePkcs8KeyDer::from(made.signing_key.serialize_der()));
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let config = rustls::ServerConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .unwrap()
            .with_no_client_auth()
            .with_single_cert(vec![made.cert.der().clone()], key)
            .unwrap();
        let (config, listener) = (Arc::new(config), TcpListener::bind("127.0.0.1:0").unwrap());
        let url = format!("https://{}/hooks", listener.local_addr().unwrap());
        let (send, arrivals) = channel();
        let status = Arc::new(Mutex::new(204));
        let of_thread = status.clone();
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                // Who does not trust the certificate hangs up; a test that has ended takes nothing.
                serve(stream.unwrap(), config.clone(), &of_thread, &send).ok();
            }
        });
        Self { url, certificate_pem: made.cert.pem(), status, arrivals }
    }

    fn answers(&self, status: u16) {
        *self.status.lock().unwrap() = status;
    }

    /// The next event that arrives: how it was answered, its `webhook-id`, its body.
    fn next(&self) -> (u16, String, Value) {
        self.arrivals.recv_timeout(PATIENCE).unwrap()
    }
}

fn serve(
    stream: TcpStream,
    config: Arc<rustls::ServerConfig>,
    status: &Mutex<u16>,
    send: &Sender<(u16, String, Value)>,
) -> std::io::Result<()> {
    let connection = rustls::ServerConnection::new(config).map_err(std::io::Error::other)?;
    let mut reader = BufReader::new(rustls::StreamOwned::new(connection, stream));
    let (mut id, mut length) = (String::new(), 0);
    loop {
        let mut line = String::new();
        reader.read_line(&mut line)?;
        let line = line.trim_end().to_owned();
        if line.is_empty() {
            break;
        }
        let (name, value) = line.split_once(": ").unwrap_or_default();
        match name.to_lowercase().as_str() {
            "webhook-id" => value.clone_into(&mut id),
            "content-length" => length = value.parse().unwrap_or(0),
            _ => {}
        }
    }
    let mut body = vec![0; length];
    reader.read_exact(&mut body)?;
    let status = *status.lock().unwrap();
    write!(reader.get_mut(), "HTTP/1.1 {status} Told\r\ncontent-length: 0\r\nconnection: close\r\n\r\n")?;
    reader.get_mut().flush()?;
    send.send((status, id, serde_json::from_slice(&body)?)).map_err(std::io::Error::other)
}

/// The service, which may send to this machine and trusts this certificate alone: the system's store of authorities is
/// named by `SSL_CERT_FILE`.
fn serving(folder: &Path, trusted: &Path) -> Serving {
    Serving::start_changed(folder, &[], |command| {
        command.env("GARBOARD_SEND_TO_LOOPBACK", "true").env("SSL_CERT_FILE", trusted).stderr(Stdio::null());
    })
}

fn finding(member: &Member<'_>, vessel_id: &Value, note: &str) {
    let today = garboard::clock::Clock::System.now().date_naive();
    let fields = json!({"vessel_id": vessel_id, "kind": "impact_damage", "zone": "bottom", "found_on": today, "note": note});
    member.post("/v1/findings", &fields);
}

fn note_of(member: &Member<'_>, body: &Value) -> Value {
    let id = body["data"]["content"]["finding_id"].as_str().unwrap();
    member.get(&format!("/v1/findings/{id}"))["note"].clone()
}

#[test]
fn events_go_out_over_tls_to_whom_is_trusted_and_none_is_lost_over_a_restart() {
    let (folder, files) = (Scratch::new(), Scratch::new());
    std::fs::create_dir_all(&files.0).unwrap();
    let (receiver, stranger) = (TlsReceiver::start(), TlsReceiver::start());
    let trusted = files.0.join("trusted.pem");
    std::fs::write(&trusted, &receiver.certificate_pem).unwrap();
    let mut first = serving(&folder.0, &trusted);
    let (trusting, subscribed) = {
        let administrator = Member::sign_in(&first, &folder.0, "administrator");
        let subscribe = |url: &str| {
            let fields = json!({"name": "A program", "url": url, "kinds": ["finding.opened"]});
            administrator.post("/v1/subscriptions", &fields)["id"].as_str().unwrap().to_owned()
        };
        let (trusting, distrusted) = (subscribe(&receiver.url), subscribe(&stranger.url));
        let hull = administrator.get("/v1/vessels?name=Cinder%20Bobbin")["items"][0]["id"].clone();
        finding(&administrator, &hull, "one");
        let (status, _, body) = receiver.next();
        assert_eq!((status, note_of(&administrator, &body)), (204, json!("one")));
        // The other one's certificate is nobody's: the same event is tried and not sent.
        let give_up = Instant::now() + PATIENCE;
        let path = format!("/v1/subscriptions/{distrusted}/deliveries");
        let tried = loop {
            let delivery = administrator.get(&path)["items"][0].clone();
            if delivery["attempts"].as_i64().is_some_and(|attempts| attempts > 0) {
                break delivery;
            }
            assert!(Instant::now() < give_up, "{delivery}");
        };
        let told = administrator.get(&format!("/v1/deliveries/{}", tried["id"].as_str().unwrap()));
        let attempt = &told["history"][0];
        assert_eq!(attempt["status"], Value::Null);
        assert!(attempt["outcome"].as_str().unwrap().to_lowercase().contains("certificate"), "{attempt}");
        assert!(stranger.arrivals.try_recv().is_err(), "nothing was said before the certificate was seen");
        // A time in which the receiver fails, and the service stops in the middle of it.
        receiver.answers(503);
        finding(&administrator, &hull, "two");
        finding(&administrator, &hull, "three");
        (trusting, hull)
    };
    let (status, refused_id, _) = receiver.next();
    assert_eq!(status, 503);
    // Killed before it has kept what came of this, the next would wait for the lease to run out.
    {
        let administrator = Member::sign_in(&first, &folder.0, "administrator");
        let path = format!("/v1/subscriptions/{trusting}/deliveries?state=waiting");
        let give_up = Instant::now() + PATIENCE;
        while administrator.get(&path)["items"].as_array().unwrap().iter().all(|one| one["attempts"] == 0) {
            assert!(Instant::now() < give_up, "nothing was kept");
        }
    }
    first.signal(rustix::process::Signal::KILL);
    receiver.answers(204);
    let second = serving(&folder.0, &trusted);
    let administrator = Member::sign_in(&second, &folder.0, "administrator");
    let taken: Vec<(String, Value)> = std::iter::repeat_with(|| receiver.next())
        .filter(|(status, _, _)| *status == 204)
        .take(2)
        .map(|(_, id, body)| (id, note_of(&administrator, &body)))
        .collect();
    assert_eq!(taken[0], (refused_id, json!("two")), "under the same id, and first");
    assert_eq!(taken[1].1, json!("three"));
    // Once each: what is asked for after them arrives next.
    finding(&administrator, &subscribed, "four");
    let (_, _, body) = receiver.next();
    assert_eq!(note_of(&administrator, &body), json!("four"));
}

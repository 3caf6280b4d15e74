//! A store that speaks as much S3 as attachments need, and takes nothing that is not signed.
//!
//! Written after the S3 API reference (`PutObject` with `If-None-Match: *`, `GetObject`, `DeleteObjects`, `ListObjectsV2`) and
//! Signature Version 4 (canonical request, string to sign, signing key), from memory of both.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;

use ring::hmac;
use sha2::{Digest, Sha256};

pub const KEY_ID: &str = "a-key-of-the-tests";
pub const SECRET: &str = "a secret of the tests";
pub const REGION: &str = "nowhere-1";
pub const BUCKET: &str = "attachments";

#[derive(Default)]
struct Shared {
    objects: Mutex<BTreeMap<String, Vec<u8>>>,
    refused: Mutex<Vec<String>>,
    ended: AtomicBool,
}

/// The store, on a port of this machine; it stops when it is dropped.
pub struct Store {
    pub endpoint: String,
    port: u16,
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

impl Store {
    pub fn start() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
        let port = listener.local_addr().expect("a bound address").port();
        let shared: Arc<Shared> = Arc::default();
        let of_thread = shared.clone();
        let thread = std::thread::spawn(move || {
            for stream in listener.incoming() {
                if of_thread.ended.load(Ordering::SeqCst) {
                    break;
                }
                if let Ok(stream) = stream {
                    serve(stream, &of_thread);
                }
            }
        });
        Self { endpoint: format!("http://127.0.0.1:{port}"), port, shared, thread: Some(thread) }
    }

    /// What is kept, by key.
    pub fn objects(&self) -> BTreeMap<String, Vec<u8>> {
        self.shared.objects.lock().expect("no test panics with it").clone()
    }

    /// Why requests were refused for their signature.
    pub fn refused(&self) -> Vec<String> {
        self.shared.refused.lock().expect("no test panics with it").clone()
    }
}

impl Drop for Store {
    fn drop(&mut self) {
        self.shared.ended.store(true, Ordering::SeqCst);
        drop(TcpStream::connect(("127.0.0.1", self.port)));
        if let Some(thread) = self.thread.take() {
            thread.join().ok();
        }
    }
}

struct Request {
    method: String,
    path: String,
    query: Vec<(String, String)>,
    headers: BTreeMap<String, String>,
    body: Vec<u8>,
}

fn read(reader: &mut impl BufRead) -> Option<Request> {
    let mut line = String::new();
    if reader.read_line(&mut line).unwrap_or(0) == 0 {
        return None;
    }
    let mut words = line.split_whitespace();
    let (method, target) = (words.next()?.to_owned(), words.next()?.to_owned());
    let mut headers = BTreeMap::new();
    loop {
        let mut line = String::new();
        reader.read_line(&mut line).ok()?;
        match line.trim_end().split_once(':') {
            Some((name, value)) => headers.insert(name.to_lowercase(), value.trim().to_owned()),
            None => break,
        };
    }
    let length = headers.get("content-length").and_then(|text| text.parse().ok()).unwrap_or(0);
    let mut body = vec![0; length];
    reader.read_exact(&mut body).ok()?;
    let (path, query) = target.split_once('?').unwrap_or((&target, ""));
    let query = query.split('&').filter(|part| !part.is_empty());
    let query = query.map(|part| part.split_once('=').unwrap_or((part, "")));
    let query = query.map(|(name, value)| (name.to_owned(), value.to_owned())).collect();
    Some(Request { method, path: path.to_owned(), query, headers, body })
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn mac(key: &[u8], text: &str) -> Vec<u8> {
    hmac::sign(&hmac::Key::new(hmac::HMAC_SHA256, key), text.as_bytes()).as_ref().to_vec()
}

impl Request {
    fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", String::as_str)
    }

    /// What is wrong with the signature.
    fn unsigned(&self) -> Option<String> {
        let given = self.header("authorization").strip_prefix("AWS4-HMAC-SHA256 ").unwrap_or_default();
        let part = |name: &str| {
            let found = given.split(',').find_map(|part| part.trim().strip_prefix(name));
            found.unwrap_or_default().to_owned()
        };
        let (credential, signed) = (part("Credential="), part("SignedHeaders="));
        let at = self.header("x-amz-date");
        let day: String = at.chars().take(8).collect();
        let scope = format!("{day}/{REGION}/s3/aws4_request");
        if credential != format!("{KEY_ID}/{scope}") {
            return Some(format!("signed as {credential}"));
        }
        let digest = self.header("x-amz-content-sha256");
        if digest != "UNSIGNED-PAYLOAD" && digest != hex(&Sha256::digest(&self.body)) {
            return Some("another body was signed".to_owned());
        }
        let mut query = self.query.clone();
        query.sort();
        let query: Vec<String> = query.iter().map(|(name, value)| format!("{name}={value}")).collect();
        let headers: String =
            signed.split(';').map(|name| format!("{name}:{}\n", self.header(name))).collect();
        let canonical =
            format!("{}\n{}\n{}\n{headers}\n{signed}\n{digest}", self.method, self.path, query.join("&"));
        let to_sign = format!("AWS4-HMAC-SHA256\n{at}\n{scope}\n{}", hex(&Sha256::digest(canonical)));
        let key = mac(format!("AWS4{SECRET}").as_bytes(), &day);
        let key = mac(&mac(&mac(&key, REGION), "s3"), "aws4_request");
        let expected = hex(&mac(&key, &to_sign));
        (part("Signature=") != expected).then(|| format!("{} {} is not signed", self.method, self.path))
    }
}

const WRITTEN_AT: &str = "2026-06-15T08:00:00.000Z";

/// Status, headers, body.
fn answered(request: &Request, shared: &Shared) -> (u16, String, Vec<u8>) {
    let mut objects = shared.objects.lock().expect("no test panics with it");
    let asks = |name: &str| request.query.iter().any(|(found, _)| found == name);
    let key = request.path.strip_prefix(&format!("/{BUCKET}/")).unwrap_or_default().to_owned();
    let nothing = |status| (status, String::new(), Vec::new());
    match (request.method.as_str(), key.as_str()) {
        ("GET", "") if asks("list-type") => {
            let prefix = request.query.iter().find(|(name, _)| name == "prefix");
            let prefix = prefix.map(|(_, value)| value.replace("%2F", "/")).unwrap_or_default();
            let contents: String = objects
                .iter()
                .filter(|(key, _)| key.starts_with(&prefix))
                .map(|(key, bytes)| {
                    let size = bytes.len();
                    format!("<Contents><Key>{key}</Key><LastModified>{WRITTEN_AT}</LastModified><ETag>\"e\"</ETag><Size>{size}</Size></Contents>")
                })
                .collect();
            let list =
                format!("<ListBucketResult><IsTruncated>false</IsTruncated>{contents}</ListBucketResult>");
            (200, "content-type: application/xml\r\n".to_owned(), list.into_bytes())
        }
        ("POST", "") if asks("delete") => {
            let asked = String::from_utf8_lossy(&request.body).into_owned();
            let keys = asked.split("<Key>").skip(1).filter_map(|rest| rest.split("</Key>").next());
            let mut deleted = String::new();
            for key in keys {
                objects.remove(key);
                deleted.push_str(&format!("<Deleted><Key>{key}</Key></Deleted>"));
            }
            (200, String::new(), format!("<DeleteResult>{deleted}</DeleteResult>").into_bytes())
        }
        ("PUT", _) if request.header("if-none-match") == "*" && objects.contains_key(&key) => nothing(412),
        ("PUT", _) => {
            objects.insert(key, request.body.clone());
            (200, "etag: \"e\"\r\n".to_owned(), Vec::new())
        }
        ("GET", _) => match objects.get(&key) {
            Some(bytes) => {
                let headers = "etag: \"e\"\r\nlast-modified: Mon, 15 Jun 2026 08:00:00 GMT\r\n";
                (200, headers.to_owned(), bytes.clone())
            }
            None => (404, String::new(), b"<Error><Code>NoSuchKey</Code></Error>".to_vec()),
        },
        ("DELETE", _) => {
            objects.remove(&key);
            nothing(204)
        }
        _ => nothing(501),
    }
}

fn serve(mut stream: TcpStream, shared: &Shared) {
    let mut reader = BufReader::new(stream.try_clone().expect("a second handle"));
    let Some(request) = read(&mut reader) else { return };
    let (status, headers, body) = match request.unsigned() {
        Some(why) => {
            shared.refused.lock().expect("no test panics with it").push(why);
            (403, String::new(), b"<Error><Code>SignatureDoesNotMatch</Code></Error>".to_vec())
        }
        None => answered(&request, shared),
    };
    let length = body.len();
    write!(
        stream,
        "HTTP/1.1 {status} Told\r\n{headers}content-length: {length}\r\nconnection: close\r\n\r\n"
    )
    .and_then(|()| stream.write_all(&body))
    // Who has gone meanwhile does not matter.
    .ok();
}

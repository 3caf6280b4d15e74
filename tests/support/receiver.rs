//! A receiver of webhooks: an HTTP server that does as it is told.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;

use serde_json::Value;

/// What it does with a request.
#[derive(Debug, Clone)]
pub enum Manner {
    /// Answers this status with this body.
    Answer(u16, String),
    /// Answers 500 to what speaks of this vessel, 204 to the rest.
    Refuse(String),
    /// Sends elsewhere.
    Redirect(String),
    /// Hangs up without an answer.
    HangUp,
    /// Answers nothing and keeps the line open.
    Silent,
}

/// What arrived.
#[derive(Debug, Clone)]
pub struct Arrival {
    /// The headers, their names in lower case.
    pub headers: BTreeMap<String, String>,
    /// The body as it came.
    pub text: String,
    /// Whether it was answered with success.
    pub taken: bool,
}

impl Arrival {
    pub fn id(&self) -> String {
        self.headers.get("webhook-id").expect("a webhook-id").clone()
    }
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.text).expect("the body is JSON")
    }
    pub fn vessel(&self) -> Option<String> {
        self.json()["data"]["vessel_id"].as_str().map(str::to_owned)
    }
}

#[derive(Default)]
struct Shared {
    manner: Mutex<Option<Manner>>,
    arrivals: Mutex<Vec<Arrival>>,
    held: Mutex<Vec<TcpStream>>,
    ended: AtomicBool,
}

/// The receiver, on a port of this machine; it stops when it is dropped.
pub struct Receiver {
    pub port: u16,
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

impl Receiver {
    /// Starts, taking everything.
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
        Self { port, shared, thread: Some(thread) }
    }

    pub fn url(&self) -> String {
        format!("http://127.0.0.1:{}/hooks", self.port)
    }

    /// From now on it does so.
    pub fn does(&self, manner: Manner) {
        *self.shared.manner.lock().expect("no test panics with it") = Some(manner);
    }

    /// From now on it takes everything.
    pub fn takes_all(&self) {
        self.does(Manner::Answer(204, String::new()));
    }

    /// All that arrived.
    pub fn arrivals(&self) -> Vec<Arrival> {
        self.shared.arrivals.lock().expect("no test panics with it").clone()
    }

    /// What it took, in its order.
    pub fn taken(&self) -> Vec<Arrival> {
        self.arrivals().into_iter().filter(|arrival| arrival.taken).collect()
    }
}

impl Drop for Receiver {
    fn drop(&mut self) {
        self.shared.ended.store(true, Ordering::SeqCst);
        drop(TcpStream::connect(("127.0.0.1", self.port)));
        if let Some(thread) = self.thread.take() {
            thread.join().ok();
        }
    }
}

fn serve(mut stream: TcpStream, shared: &Shared) {
    let mut reader = BufReader::new(stream.try_clone().expect("a second handle"));
    let mut line = String::new();
    if reader.read_line(&mut line).unwrap_or(0) == 0 {
        return;
    }
    let mut headers = BTreeMap::new();
    loop {
        line.clear();
        reader.read_line(&mut line).expect("a header");
        match line.trim_end().split_once(':') {
            Some((name, value)) => headers.insert(name.to_lowercase(), value.trim().to_owned()),
            None => break,
        };
    }
    let length = headers.get("content-length").and_then(|text| text.parse().ok()).unwrap_or(0);
    let mut body = vec![0; length];
    reader.read_exact(&mut body).expect("the body");
    let text = String::from_utf8(body).expect("the body is text");
    let manner = shared.manner.lock().expect("no test panics with it").clone();
    let (status, location, answer) = match manner {
        None => (204, None, String::new()),
        Some(Manner::Answer(status, answer)) => (status, None, answer),
        Some(Manner::Refuse(vessel)) => (if text.contains(&vessel) { 500 } else { 204 }, None, String::new()),
        Some(Manner::Redirect(to)) => (307, Some(to), String::new()),
        Some(Manner::HangUp | Manner::Silent) => (0, None, String::new()),
    };
    let taken = (200..300).contains(&status);
    shared.arrivals.lock().expect("no test panics with it").push(Arrival { headers, text, taken });
    if status == 0 {
        if matches!(shared.manner.lock().expect("no test panics with it").as_ref(), Some(Manner::Silent)) {
            shared.held.lock().expect("no test panics with it").push(stream);
        }
        return;
    }
    let location = location.map(|to| format!("location: {to}\r\n")).unwrap_or_default();
    let length = if status == 204 { String::new() } else { format!("content-length: {}\r\n", answer.len()) };
    // Who has gone meanwhile does not matter.
    write!(stream, "HTTP/1.1 {status} Told\r\n{location}{length}connection: close\r\n\r\n{answer}").ok();
}

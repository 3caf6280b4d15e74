//! Speaking to a service from the command line, with a stored session or a program's credentials.

pub mod lists;
pub mod people;
pub mod session;

use std::fs::File;
use std::io::{Read, Write};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::Args;
use reqwest::Certificate;
use reqwest::blocking::{Client, RequestBuilder, Response};
use serde::Deserialize;
use serde_json::Value;

use self::session::Sessions;
use crate::cli::output::hushed;
use crate::config::Settings;
use crate::error::{Code, Error, Result};

/// The longest a service may take to answer.
const ANSWER_TIME: Duration = Duration::from_mins(5);
const CONNECT_TIME: Duration = Duration::from_secs(10);
/// The rows of a page, the most the service gives.
const PAGE: u32 = 200;

/// Which service to speak to.
#[derive(Debug, Clone, Args)]
pub struct Remote {
    /// Speak to the service at this address instead of a database here [default: `GARBOARD_SERVER`]
    #[arg(long, value_name = "URL")]
    server: Option<String>,
    /// Trust this certificate authority instead of those of the system, a PEM file [default: `GARBOARD_CA`]
    #[arg(long, value_name = "FILE")]
    ca: Option<PathBuf>,
    /// Speak as a program, with the `client_id` and `client_secret` of this JSON file (mode 0600) [default: the file
    /// `GARBOARD_CREDENTIALS`, or `GARBOARD_CLIENT_ID` and `GARBOARD_CLIENT_SECRET`, or your session]
    #[arg(long, value_name = "FILE")]
    credentials: Option<PathBuf>,
}

/// What a program proves itself with.
#[derive(Clone, Deserialize)]
struct Credentials {
    client_id: String,
    client_secret: String,
}

/// A service, spoken to without a token.
pub struct Door {
    http: Client,
    /// Its address, without a slash at the end.
    pub address: String,
}

/// A service, spoken to with a token.
pub struct Service {
    door: Door,
    token: String,
}

impl Remote {
    /// The door of the service that is asked for; none where a database here is meant.
    ///
    /// # Errors
    /// Invalid, for an address or a certificate that cannot be used.
    pub fn door(&self, data_dir: Option<&Path>) -> Result<Option<Door>> {
        let address = match (&self.server, data_dir) {
            (Some(_), Some(_)) => {
                return Err(Error::new(
                    Code::Invalid,
                    "--server speaks to a service, --data-dir to a database here. Give one of them.",
                ));
            }
            (Some(server), None) => server.clone(),
            (None, Some(_)) => return Ok(None),
            (None, None) => match Settings::server()? {
                Some(server) => server,
                None => return Ok(None),
            },
        };
        let ca = self.ca.clone().or_else(Settings::ca);
        Door::new(&address, ca.as_deref()).map(Some)
    }

    /// The same where only a service will do.
    ///
    /// # Errors
    /// As [`Remote::door`]; invalid, when none is named.
    pub fn needed(&self) -> Result<Door> {
        self.door(None)?.ok_or_else(|| {
            Error::new(Code::Invalid, "Name the service: --server URL, or set GARBOARD_SERVER.")
        })
    }

    /// The service with a token: a program's where credentials are given, else that of the stored session.
    ///
    /// # Errors
    /// Unauthenticated, when neither is there or holds.
    pub fn enter(&self, door: Door) -> Result<Service> {
        let token = match self.credentials()? {
            Some(credentials) => program_token(&door, &credentials)?,
            None => Sessions::open()?.token(&door)?,
        };
        Ok(Service { door, token })
    }

    fn credentials(&self) -> Result<Option<Credentials>> {
        if let Some(file) = self.credentials.clone().or_else(Settings::credentials_file) {
            return read_credentials(&file).map(Some);
        }
        Ok(Settings::program_credentials()?
            .map(|(client_id, client_secret)| Credentials { client_id, client_secret }))
    }
}

fn read_credentials(path: &Path) -> Result<Credentials> {
    let refused = |cause: &dyn std::fmt::Display| {
        Error::new(
            Code::Invalid,
            format!(
                "{} cannot be used for credentials: {cause}. It holds {{\"client_id\": \"...\", \"client_secret\": \"...\"}}.",
                path.display()
            ),
        )
    };
    let mut file = File::open(path).map_err(|cause| refused(&cause))?;
    if file.metadata().map_err(|cause| refused(&cause))?.mode() & 0o077 != 0 {
        return Err(Error::new(
            Code::Invalid,
            format!("Others can read {}. Make it yours alone: chmod 600.", path.display()),
        ));
    }
    let mut text = String::new();
    file.read_to_string(&mut text).map_err(|cause| refused(&cause))?;
    serde_json::from_str(&text).map_err(|cause| refused(&cause))
}

fn program_token(door: &Door, credentials: &Credentials) -> Result<String> {
    let form = [
        ("grant_type", "client_credentials"),
        ("client_id", &credentials.client_id),
        ("client_secret", &credentials.client_secret),
    ];
    let response = door.send(door.request("POST", "/oauth/token").form(&form))?;
    let status = response.status();
    let answer = json(response)?;
    if !status.is_success() {
        // RFC 6749, section 5.2.
        let said = answer["error_description"].as_str().unwrap_or("no reason given");
        return Err(Error::new(
            Code::Unauthenticated,
            format!("The service gives no token: {}", hushed(said)),
        ));
    }
    answer["access_token"].as_str().map(str::to_owned).ok_or_else(|| not_ours(&door.address))
}

fn not_ours(address: &str) -> Error {
    Error::new(Code::Invalid, format!("{address} does not answer as this service does. Check the address."))
}

impl Door {
    /// The door at an address, which must be https unless it is this machine's.
    ///
    /// # Errors
    /// Invalid, for another address, or a certificate that cannot be used.
    pub fn new(address: &str, ca: Option<&Path>) -> Result<Self> {
        let refused =
            |why: &str| Error::new(Code::Invalid, format!("{address} is no address to speak to: {why}"));
        let url = reqwest::Url::parse(address)
            .map_err(|cause| refused("enter it as https://NAME.").because(cause))?;
        let here = match url.host_str() {
            Some("localhost") => true,
            Some(host) => {
                host.trim_matches(['[', ']']).parse::<std::net::IpAddr>().is_ok_and(|ip| ip.is_loopback())
            }
            None => false,
        };
        match url.scheme() {
            "https" => {}
            "http" if here => {}
            "http" => return Err(refused("a password would travel in the open. Use https.")),
            _ => return Err(refused("enter it as https://NAME.")),
        }
        if url.query().is_some() || url.fragment().is_some() || !url.username().is_empty() {
            return Err(refused("leave out what comes after the path, and names before the host."));
        }
        // One TLS library in the process; whoever came first chose the same.
        rustls::crypto::ring::default_provider().install_default().ok();
        let mut builder = Client::builder()
            .redirect(reqwest::redirect::Policy::none())
            .connect_timeout(CONNECT_TIME)
            .timeout(ANSWER_TIME)
            .user_agent(concat!("garboard/", env!("CARGO_PKG_VERSION")));
        if let Some(path) = ca {
            let refused = |cause: &dyn std::fmt::Display| {
                Error::new(
                    Code::Invalid,
                    format!("{} cannot be used as a certificate authority: {cause}.", path.display()),
                )
            };
            let pem = std::fs::read(path).map_err(|cause| refused(&cause))?;
            let authorities = Certificate::from_pem_bundle(&pem).map_err(|cause| refused(&cause))?;
            if authorities.is_empty() {
                return Err(refused(&"it holds no certificate in PEM"));
            }
            builder = builder.tls_certs_only(authorities);
        }
        let http = builder.build().map_err(Error::internal)?;
        Ok(Self { http, address: address.trim_end_matches('/').to_owned() })
    }

    /// A request to a path of the service.
    pub fn request(&self, method: &str, path: &str) -> RequestBuilder {
        let method = reqwest::Method::from_bytes(method.as_bytes()).unwrap_or(reqwest::Method::GET);
        self.http.request(method, format!("{}{path}", self.address))
    }

    /// Sends a request.
    ///
    /// # Errors
    /// Unavailable, when nobody answers.
    pub fn send(&self, request: RequestBuilder) -> Result<Response> {
        request.send().map_err(|cause| {
            // The deepest cause is the one that says something.
            let cause = cause.without_url();
            let mut why: &dyn std::error::Error = &cause;
            while let Some(deeper) = why.source() {
                why = deeper;
            }
            Error::new(
                Code::Unavailable,
                format!(
                    "{} cannot be reached: {why}. Check the address, the network and that it runs.",
                    self.address
                ),
            )
        })
    }
}

/// The JSON of an answer; null where it is none.
fn json(response: Response) -> Result<Value> {
    let bytes = response.bytes().map_err(broke_off)?;
    Ok(serde_json::from_slice(&bytes).unwrap_or(Value::Null))
}

fn broke_off(cause: reqwest::Error) -> Error {
    Error::new(Code::Unavailable, "The answer broke off. Try again.").because(cause.without_url())
}

/// The refusal that an answer tells (RFC 9457), with what to do next.
fn refusal(address: &str, response: Response) -> Error {
    let status = response.status().as_u16();
    let retry_after = response
        .headers()
        .get("retry-after")
        .and_then(|value| value.to_str().ok())
        .map(|seconds| format!(" Try again in {seconds} seconds."));
    let answer = match json(response) {
        Ok(answer) => answer,
        Err(error) => return error,
    };
    let Some(detail) = answer["detail"].as_str() else {
        return Error::new(
            Code::Invalid,
            format!("{address} answers with {status} and not as this service does. Check the address."),
        );
    };
    let (code, remedy) = match status {
        401 => (Code::Unauthenticated, format!(" Sign in: garboard sign-in --server {address}")),
        429 | 503 => (Code::Unavailable, retry_after.unwrap_or_default()),
        404 => (Code::NotFound, String::new()),
        500 => (
            Code::Unavailable,
            format!(" Request {}.", hushed(answer["instance"].as_str().unwrap_or_default())),
        ),
        _ => (Code::Invalid, String::new()),
    };
    let detail = hushed(detail);
    Error::new(code, if detail.contains(remedy.trim()) { detail } else { format!("{detail}{remedy}") })
}

impl Service {
    /// The address of the service.
    #[must_use]
    pub fn address(&self) -> &str {
        &self.door.address
    }

    /// A request with the token.
    pub fn request(&self, method: &str, path: &str) -> RequestBuilder {
        self.door.request(method, path).bearer_auth(&self.token)
    }

    /// Sends a request; any status but a success is an error that says what the service said.
    ///
    /// # Errors
    /// Unavailable, when nobody answers; the service's refusal.
    pub fn send(&self, request: RequestBuilder) -> Result<Response> {
        let response = self.door.send(request)?;
        if response.status().is_success() { Ok(response) } else { Err(refusal(self.address(), response)) }
    }

    /// Sends a request, whatever the status of its answer.
    ///
    /// # Errors
    /// Unavailable, when nobody answers.
    pub fn ask(&self, request: RequestBuilder) -> Result<(u16, Value)> {
        let response = self.door.send(request)?;
        let status = response.status();
        if status.is_success() || status.as_u16() == 422 {
            return Ok((status.as_u16(), json(response)?));
        }
        Err(refusal(self.address(), response))
    }

    /// Reads JSON.
    ///
    /// # Errors
    /// As [`Service::send`].
    pub fn get(&self, path: &str, query: &[(&str, String)]) -> Result<Value> {
        json(self.send(self.request("GET", path).query(query))?)
    }

    /// Reads a whole list, page by page, and gives each row to `f`.
    ///
    /// # Errors
    /// As [`Service::send`]; those of `f`.
    pub fn each(
        &self,
        path: &str,
        query: &[(&str, String)],
        mut f: impl FnMut(Value) -> Result<()>,
    ) -> Result<()> {
        let mut cursor: Option<String> = None;
        loop {
            let mut asked = query.to_vec();
            asked.push(("limit", PAGE.to_string()));
            asked.extend(cursor.clone().map(|cursor| ("cursor", cursor)));
            let mut page = self.get(path, &asked)?;
            let Value::Array(items) = page["items"].take() else { return Err(not_ours(self.address())) };
            for item in items {
                f(item)?;
            }
            match page["next_cursor"].as_str() {
                // The same page for ever would be no list.
                Some(next) if cursor.as_deref() != Some(next) => cursor = Some(next.to_owned()),
                Some(_) => return Err(not_ours(self.address())),
                None => return Ok(()),
            }
        }
    }

    /// Reads a whole list.
    ///
    /// # Errors
    /// As [`Service::each`].
    pub fn all(&self, path: &str, query: &[(&str, String)]) -> Result<Vec<Value>> {
        let mut rows = Vec::new();
        self.each(path, query, |row| {
            rows.push(row);
            Ok(())
        })?;
        Ok(rows)
    }

    /// Copies what a path gives in this form to `out`.
    ///
    /// # Errors
    /// As [`Service::send`]; an output that cannot be written to.
    pub fn copy(
        &self,
        path: &str,
        query: &[(&str, String)],
        accept: &str,
        out: &mut impl Write,
    ) -> Result<()> {
        let mut response = self.send(self.request("GET", path).query(query).header("Accept", accept))?;
        let mut piece = vec![0; 64 * 1024];
        loop {
            let read = response.read(&mut piece).map_err(|cause| {
                Error::new(Code::Unavailable, "The answer broke off. Try again.").because(cause)
            })?;
            let Some(bytes) = piece.get(..read).filter(|bytes| !bytes.is_empty()) else { return Ok(()) };
            out.write_all(bytes).map_err(|cause| {
                Error::new(Code::Unavailable, "The answer cannot be written.").because(cause)
            })?;
        }
    }
}

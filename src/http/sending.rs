//! Sending to addresses that others entered: a signed POST to the very address that was checked, no redirect followed,
//! little read of the answer, and all of it within a time.
//!
//! Signed as the Standard Webhooks specification 1.0.0 says: HMAC-SHA256 (RFC 2104) over `id.timestamp.body`.

use std::net::{IpAddr, SocketAddr, ToSocketAddrs};
use std::time::Duration;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use ring::hmac;
use url::Host;

use crate::error::{Error, Result};
use crate::http::destination;
use crate::http::tokens::random;

/// The longest a delivery may take, the answer included.
const LONGEST: Duration = Duration::from_secs(10);
/// So much of an answer is read and kept.
const ANSWER_BYTES: usize = 1024;
/// Bytes of a secret: the specification asks for 24 to 64.
const SECRET_BYTES: usize = 32;
const SECRET_PREFIX: &str = "whsec_";

type Resolver = dyn Fn(&str, u16) -> std::io::Result<Vec<SocketAddr>> + Send + Sync;

/// A new secret, as it is shown once.
///
/// # Errors
/// Internal, without randomness.
pub fn new_secret() -> Result<String> {
    Ok(format!("{SECRET_PREFIX}{}", STANDARD.encode(random::<SECRET_BYTES>()?)))
}

/// The signature of a delivery: `v1,` and the digest.
///
/// # Errors
/// Internal, when the secret is none of ours.
pub fn signature(secret: &str, id: &str, timestamp: i64, body: &[u8]) -> Result<String> {
    let key = secret.strip_prefix(SECRET_PREFIX).unwrap_or(secret);
    let key = hmac::Key::new(hmac::HMAC_SHA256, &STANDARD.decode(key).map_err(Error::internal)?);
    let mut signed = hmac::Context::with_key(&key);
    signed.update(format!("{id}.{timestamp}.").as_bytes());
    signed.update(body);
    Ok(format!("v1,{}", STANDARD.encode(signed.sign())))
}

/// What is sent.
#[derive(Debug)]
pub struct Outgoing<'a> {
    /// To whom.
    pub url: &'a str,
    /// The `webhook-id`: the same however often it is sent.
    pub id: &'a str,
    /// The `webhook-timestamp`: of this attempt, seconds since 1970.
    pub timestamp: i64,
    /// The body, JSON.
    pub body: &'a str,
    /// The secrets it is signed with, the newest first.
    pub secrets: &'a [String],
}

/// What came of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sent {
    /// The status of the answer, if there was one.
    pub status: Option<u16>,
    /// What happened, in words.
    pub outcome: String,
    /// The beginning of the answer.
    pub answer: Option<String>,
    /// For how many seconds the receiver asks to be left alone.
    pub retry_after_s: Option<u32>,
}

impl Sent {
    /// Whether it arrived: the receiver answered with success (2xx).
    #[must_use]
    pub fn arrived(&self) -> bool {
        self.status.is_some_and(|status| (200..300).contains(&status))
    }

    fn failed(outcome: impl Into<String>) -> Self {
        Self { status: None, outcome: outcome.into(), answer: None, retry_after_s: None }
    }
}

/// Sends.
pub struct Sender {
    loopback_allowed: bool,
    longest: Duration,
    resolve: Box<Resolver>,
}

impl Sender {
    /// A sender that finds addresses by the system's resolver.
    #[must_use]
    pub fn new(loopback_allowed: bool) -> Self {
        Self::resolving(loopback_allowed, |host, port| Ok((host, port).to_socket_addrs()?.collect()))
    }

    /// A sender that finds addresses by `resolve`.
    pub fn resolving(
        loopback_allowed: bool,
        resolve: impl Fn(&str, u16) -> std::io::Result<Vec<SocketAddr>> + Send + Sync + 'static,
    ) -> Self {
        // Another may have been installed: then that one serves.
        rustls::crypto::ring::default_provider().install_default().ok();
        Self { loopback_allowed, longest: LONGEST, resolve: Box::new(resolve) }
    }

    /// The same, waiting at most so long for an answer.
    #[must_use]
    pub fn within(self, longest: Duration) -> Self {
        Self { longest, ..self }
    }

    /// Whether this machine may be sent to.
    #[must_use]
    pub fn loopback_allowed(&self) -> bool {
        self.loopback_allowed
    }

    /// Sends once, on this thread, within ten seconds unless told otherwise.
    ///
    /// # Errors
    /// Internal, when nothing can be sent at all; what the receiver did is no error.
    pub fn send(&self, outgoing: &Outgoing<'_>) -> Result<Sent> {
        let url = match destination::read(outgoing.url, self.loopback_allowed) {
            Ok(url) => url,
            Err(error) => return Ok(Sent::failed(error.detail)),
        };
        let port = url.port_or_known_default().unwrap_or(443);
        let found: std::io::Result<Vec<SocketAddr>> = match url.host() {
            Some(Host::Ipv4(address)) => Ok(vec![(IpAddr::V4(address), port).into()]),
            Some(Host::Ipv6(address)) => Ok(vec![(IpAddr::V6(address), port).into()]),
            Some(Host::Domain(name)) => (self.resolve)(name, port),
            None => Ok(Vec::new()),
        };
        let addresses = match found {
            Ok(addresses) if !addresses.is_empty() => addresses,
            Ok(_) => return Ok(Sent::failed("The host has no address.")),
            Err(cause) => return Ok(Sent::failed(format!("The host was not found: {cause}."))),
        };
        // One closed address among open ones is no mistake of an honest zone.
        let allowed =
            |at: &SocketAddr| destination::may_connect(url.scheme(), at.ip(), self.loopback_allowed);
        if !addresses.iter().all(allowed) {
            return Ok(Sent::failed(
                "The host's address leads into this machine or a private network: nothing was sent.",
            ));
        }
        let mut signatures = Vec::new();
        for secret in outgoing.secrets {
            signatures.push(signature(secret, outgoing.id, outgoing.timestamp, outgoing.body.as_bytes())?);
        }
        let mut client = reqwest::Client::builder()
            .redirect(reqwest::redirect::Policy::none())
            .no_proxy()
            .retry(reqwest::retry::never())
            .user_agent(concat!("garboard/", env!("CARGO_PKG_VERSION")));
        if let Some(Host::Domain(name)) = url.host() {
            client = client.resolve_to_addrs(name, &addresses);
        }
        let client = match client.build() {
            Ok(client) => client,
            Err(error) => return Ok(Sent::failed(format!("It could not be sent: {}.", innermost(&error)))),
        };
        let request = client
            .post(url)
            .header("content-type", "application/json")
            .header("webhook-id", outgoing.id)
            .header("webhook-timestamp", outgoing.timestamp)
            .header("webhook-signature", signatures.join(" "))
            .body(outgoing.body.to_owned());
        let runtime =
            tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(Error::internal)?;
        let sent = runtime.block_on(async { tokio::time::timeout(self.longest, exchange(request)).await });
        Ok(sent.unwrap_or_else(|_late| Sent::failed("There was no answer in time.")))
    }
}

async fn exchange(request: reqwest::RequestBuilder) -> Sent {
    let mut response = match request.send().await {
        Ok(response) => response,
        Err(error) => return Sent::failed(format!("It could not be sent: {}.", innermost(&error))),
    };
    let status = response.status();
    let retry_after_s = response
        .headers()
        .get("retry-after")
        .and_then(|value| value.to_str().ok())
        .and_then(|text| text.trim().parse().ok());
    let mut read = Vec::new();
    // What cannot be read any more does not undo the status.
    while let Ok(Some(piece)) = response.chunk().await {
        let room = ANSWER_BYTES - read.len();
        read.extend(piece.iter().take(room));
        if read.len() == ANSWER_BYTES {
            break;
        }
    }
    let text: String = String::from_utf8_lossy(&read).chars().filter(|c| *c != '\0').collect();
    let outcome = if status.is_success() {
        "It arrived.".to_owned()
    } else if status.is_redirection() {
        format!("The answer was {status}: redirects are not followed. Enter the new address.")
    } else {
        format!("The answer was {status}.")
    };
    Sent { status: Some(status.as_u16()), outcome, answer: (!text.is_empty()).then_some(text), retry_after_s }
}

fn innermost(error: &reqwest::Error) -> String {
    let mut cause: &dyn std::error::Error = error;
    while let Some(deeper) = cause.source() {
        cause = deeper;
    }
    cause.to_string()
}

#[cfg(test)]
mod tests {
    use super::{new_secret, signature};

    // The vector of the specification's reference library: standard-webhooks/standard-webhooks,
    // libraries/rust/src/lib.rs, `test_sign`, at commit 1e88c9ce08bb2c605fea9a2a540b4a91d31c7a62.
    #[test]
    fn the_signature_is_that_of_the_specifications_library() {
        let signed = signature(
            "whsec_C2FVsBQIhrscChlQIMV+b5sSYspob7oD",
            "msg_27UH4WbU6Z5A5EzD8u03UvzRbpk",
            1_649_367_553,
            br#"{"email":"test@example.com","username":"test_user"}"#,
        );
        assert_eq!(signed.expect("signed"), "v1,tZ1I4/hDygAJgO5TYxiSd6Sd0kDW6hPenDe+bTa3Kkw=");
    }

    // Standard Webhooks 1.0.0, "Signature scheme": whsec_ and base64 of 24 to 64 random bytes.
    #[test]
    fn a_secret_has_the_form_of_the_specification() {
        use base64::Engine;
        let (one, two) = (new_secret().expect("a secret"), new_secret().expect("a secret"));
        assert_ne!(one, two);
        let key = one.strip_prefix("whsec_").expect("the prefix");
        let bytes = base64::engine::general_purpose::STANDARD.decode(key).expect("base64");
        assert!((24..=64).contains(&bytes.len()), "{}", bytes.len());
    }
}

//! What stands at the doors: rates, bounds, keys outside the database, and the post.

use std::net::IpAddr;
use std::path::Path;
use std::time::Duration;

use actix_web::HttpRequest;
use uuid::Uuid;

use crate::error::Result;
use crate::http::gate::Gates;
use crate::http::mail::Mail;
use crate::http::sealing::SealingKey;
use crate::http::sending::Sender;
use crate::http::throttle::{Rate, SignInThrottle, network};

/// What whoever runs the service may set.
#[derive(Debug, Clone)]
pub struct Bounds {
    /// A proxy in front tells the caller's address in `X-Forwarded-For`.
    pub behind_proxy: bool,
    /// We end TLS ourselves.
    pub tls: bool,
    /// The origins (RFC 6454) whose pages may call the API; none by default.
    pub cors_origins: Vec<String>,
    /// Requests a second of one caller; bursts are ten times as many. No bound with 0.
    pub requests_per_second: u32,
    /// The longest a request may take.
    pub request_time: Duration,
    /// Whether events may be sent to this machine, by http too.
    pub sends_to_loopback: bool,
    /// What opens the counts; without one they are for this machine.
    pub metrics_token: Option<String>,
    /// The longest file of an attachment, bytes.
    pub attachment_bytes: u64,
}

impl Default for Bounds {
    fn default() -> Self {
        Self {
            behind_proxy: false,
            tls: false,
            cors_origins: Vec::new(),
            requests_per_second: 100,
            request_time: Duration::from_mins(1),
            sends_to_loopback: false,
            metrics_token: None,
            attachment_bytes: 16 * 1024 * 1024,
        }
    }
}

/// The guards, made once.
pub struct Guards {
    /// What was set.
    pub bounds: Bounds,
    /// How often passwords and secrets may be tried.
    pub sign_in: SignInThrottle,
    /// Opens the second factors.
    pub sealing: SealingKey,
    /// Delivers one-time tokens, where it is set up.
    pub mail: Option<Mail>,
    /// Sends to addresses that others entered.
    pub sender: Sender,
    /// Bound how much is computed at once.
    pub gates: Gates,
    callers: Option<Rate<Uuid>>,
    addresses: Option<Rate<IpAddr>>,
}

impl Guards {
    /// Guards with their key in the folder for secrets.
    ///
    /// # Errors
    /// Internal, when the key can be neither read nor made.
    pub fn new(bounds: Bounds, secrets: &Path, mail: Option<Mail>) -> Result<Self> {
        let rate = bounds.requests_per_second;
        let period = Duration::from_secs(1).checked_div(rate).unwrap_or_default();
        Ok(Self {
            sign_in: SignInThrottle::usual(),
            sealing: SealingKey::load_or_create(&secrets.join("sealing_key"))?,
            mail,
            sender: Sender::new(bounds.sends_to_loopback),
            gates: Gates::default(),
            callers: Rate::new(rate.saturating_mul(10), period),
            // Several callers may sit behind one address.
            addresses: Rate::new(rate.saturating_mul(40), period.checked_div(4).unwrap_or_default()),
            bounds,
        })
    }

    /// Counts a request from an address.
    ///
    /// # Errors
    /// Too many.
    pub fn admit_address(&self, address: IpAddr) -> Result<()> {
        self.addresses.as_ref().map_or(Ok(()), |rate| rate.admit(&network(address)))
    }

    /// Counts a request of a person or a program.
    ///
    /// # Errors
    /// Too many.
    pub fn admit_caller(&self, id: Uuid) -> Result<()> {
        self.callers.as_ref().map_or(Ok(()), |rate| rate.admit(&id))
    }

    /// Where a request comes from: the peer, or whom the proxy in front names last.
    #[must_use]
    pub fn address(&self, request: &HttpRequest) -> IpAddr {
        let named = self.bounds.behind_proxy.then(|| {
            let header = request.headers().get_all("x-forwarded-for").last()?;
            header.to_str().ok()?.rsplit(',').next()?.trim().parse().ok()
        });
        let peer = request.peer_addr().map_or(IpAddr::from([0, 0, 0, 0]), |peer| peer.ip());
        named.flatten().unwrap_or(peer)
    }
}

//! `garboard serve`: the service, its worker and, where it is private, its PostgreSQL.

use std::net::{SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use clap::Args;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio::signal::unix::{SignalKind, signal};

use crate::cli::audit::write_heads;
use crate::cli::database::{Opened, Where};
use crate::cli::output::print_line;
use crate::clock::Clock;
use crate::config::{Database, Settings};
use crate::db::Db;
use crate::db::private::{Account, is_root};
use crate::error::{Code, Error, Result};
use crate::features::accounts::store::organisations;
use crate::features::attachments::sweep::sweep;
use crate::features::forecasts;
use crate::http::guards::{Bounds, Guards};
use crate::http::mail::Mail;
use crate::http::server;
use crate::http::state::{AppState, blocking};
use crate::http::tokens::TokenKeys;
use crate::jobs::board;
use crate::jobs::runner::Runner;
use crate::objects::Objects;
use crate::{routes, telemetry};

/// Connections of the application role, and blocking threads to match them: the best throughput on two cores.
const CONNECTIONS: u32 = 8;
const HTTP_WORKERS: usize = 2;
const BLOCKING_THREADS: usize = 4;
const JOB_THREADS: usize = 1;
const SENDING_THREADS: usize = 2;
const LEARNING_THREADS: usize = 1;
/// How often the heads of the audit go to their file; once at the start.
const HEADS_EVERY: Duration = Duration::from_hours(24);
/// How often the store of attachments is swept of what has no row; once at the start.
const SWEPT_EVERY: Duration = Duration::from_hours(24);
/// How often the gauges of the queue are set; once at the start.
const GAUGED_EVERY: Duration = Duration::from_secs(10);

/// How to listen.
#[derive(Debug, Clone, Args)]
pub struct Listening {
    /// Address and port; port 0 takes a free one
    #[arg(long, default_value = "127.0.0.1:8080", value_name = "ADDRESS")]
    listen: SocketAddr,
    /// Allow an address that others can reach: a proxy in front ends TLS there
    #[arg(long)]
    behind_proxy: bool,
    /// Serve TLS with the certificate chain of this PEM file
    #[arg(long, value_name = "FILE", requires = "tls_key")]
    tls_certificate: Option<PathBuf>,
    /// The private key of the certificate, a PEM file
    #[arg(long, value_name = "FILE", requires = "tls_certificate")]
    tls_key: Option<PathBuf>,
    /// Log in JSON
    #[arg(long)]
    json_log: bool,
}

/// Serve the API.
#[derive(Debug, Args)]
pub struct Serve {
    #[command(flatten)]
    database: Where,
    #[command(flatten)]
    listening: Listening,
}

impl Serve {
    pub(super) fn run(&self) -> Result<()> {
        telemetry::start(self.listening.json_log)?;
        if is_root() && matches!(self.database.settings()?.database, Database::Given(_)) {
            return Err(Error::new(
                Code::Conflict,
                "The service does not run as root with a given database. Start it as an unprivileged user.",
            ));
        }
        let listener = self.listening.bind()?;
        let opened = self.database.start(CONNECTIONS)?;
        serve(opened, listener, &self.listening)
    }
}

impl Listening {
    /// Takes the socket, before anything slow is done.
    ///
    /// # Errors
    /// A conflict, when the address is taken or open to others without a proxy, or the certificate cannot be used.
    pub fn bind(&self) -> Result<TcpListener> {
        if !self.listen.ip().is_loopback() && !self.behind_proxy && self.tls_certificate.is_none() {
            return Err(Error::new(
                Code::Conflict,
                format!(
                    "{} can be reached by others. Give a certificate with --tls-certificate and --tls-key, put a proxy in front and say --behind-proxy, or listen on 127.0.0.1.",
                    self.listen
                ),
            ));
        }
        // A certificate that cannot be used is told of now, not after the database has started.
        self.tls()?;
        TcpListener::bind(self.listen).map_err(|cause| {
            Error::new(
                Code::Conflict,
                format!("Cannot listen on {}: {cause}. Choose another address with --listen.", self.listen),
            )
        })
    }

    /// The certificate and key given, read now.
    fn tls(&self) -> Result<Option<rustls::ServerConfig>> {
        let (Some(certificate), Some(key)) = (&self.tls_certificate, &self.tls_key) else { return Ok(None) };
        let refused = |what: &Path, cause: &dyn std::fmt::Display| {
            Error::new(Code::Conflict, format!("{} cannot be used for TLS: {cause}.", what.display()))
        };
        let chain = CertificateDer::pem_file_iter(certificate)
            .and_then(Iterator::collect::<std::result::Result<Vec<_>, _>>)
            .map_err(|cause| refused(certificate, &cause))?;
        let secret = PrivateKeyDer::from_pem_file(key).map_err(|cause| refused(key, &cause))?;
        rustls::ServerConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
            .with_safe_default_protocol_versions()
            .map_err(Error::internal)?
            .with_no_client_auth()
            .with_single_cert(chain, secret)
            .map(Some)
            .map_err(|cause| refused(certificate, &cause))
    }

    /// Rates, bounds and the post, as set.
    fn guards(&self, secrets: &Path) -> Result<Guards> {
        let settings = Settings::service()?;
        let usual = Bounds::default();
        let bounds = Bounds {
            behind_proxy: self.behind_proxy,
            tls: self.tls_certificate.is_some(),
            cors_origins: settings.cors_origins,
            sends_to_loopback: settings.sends_to_loopback,
            metrics_token: settings.metrics_token,
            requests_per_second: settings.requests_per_second.unwrap_or(usual.requests_per_second),
            attachment_bytes: settings
                .attachment_mib
                .map_or(usual.attachment_bytes, |mib| u64::from(mib) * 1024 * 1024),
            ..usual
        };
        let mail = match (settings.smtp_url, settings.mail_from, settings.public_url) {
            (None, _, _) => None,
            (Some(url), Some(from), Some(address)) => Some(Mail::by_smtp(&url, &from, &address)?),
            _ => {
                return Err(Error::new(
                    Code::Invalid,
                    "GARBOARD_SMTP_URL is set. Set GARBOARD_MAIL_FROM and GARBOARD_PUBLIC_URL with it.",
                ));
            }
        };
        Guards::new(bounds, secrets, mail)
    }

    /// Starts the log as asked.
    ///
    /// # Errors
    /// An unreadable `RUST_LOG`.
    pub fn start_log(&self) -> Result<()> {
        telemetry::start(self.json_log)
    }
}

/// Says where it serves, serves until a signal says stop, then ends worker and database in order.
///
/// # Errors
/// What keeps the service from starting.
pub(super) fn serve(opened: Opened, listener: TcpListener, listening: &Listening) -> Result<()> {
    let Opened { db, private, secrets, objects, .. } = opened;
    let keys = Arc::new(TokenKeys::load_or_create(&secrets.join("token_keys"))?);
    let guards = Arc::new(listening.guards(&secrets)?);
    let tls = listening.tls()?;
    let scheme = if tls.is_some() { "https" } else { "http" };
    if let Some(account) = private.as_ref().and_then(|private| private.account()) {
        drop_privileges(account)?;
    }
    for (org_id, _) in db.sign_in(organisations)? {
        routes::recur(&db, org_id)?;
    }
    forecasts::job::request_for_new_model(&db)?;
    let runner = Runner::start(&db, &routes::workers(&guards), JOB_THREADS)?;
    // Apart from the others: a receiver may be slow.
    let senders = Runner::start(&db, &routes::senders(&guards), SENDING_THREADS)?;
    // Apart from the others: a fit may take a minute.
    let learners = Runner::start(&db, &routes::learners(), LEARNING_THREADS)?;
    let address = listener.local_addr().map_err(Error::internal)?;
    let heads = (db.clone(), secrets.clone());
    let sweeping = (db.clone(), objects.clone());
    let gauged = db.clone();
    let state = AppState { db, keys, guards, clock: Clock::System, objects };
    let served = actix_web::rt::System::new().block_on(async move {
        // Heard from before the address is told: a stop that comes while the server still starts is a stop.
        let stop = stop_signal()?;
        let server = server::run(listener, tls, state, routes::configure, HTTP_WORKERS, BLOCKING_THREADS)?;
        let handle = server.handle();
        actix_web::rt::spawn(async move {
            let mut daily = tokio::time::interval(HEADS_EVERY);
            loop {
                daily.tick().await;
                let (db, folder) = heads.clone();
                if let Err(error) = blocking(move || write_heads(&db, &folder)).await {
                    tracing::error!(%error, cause = ?error.cause, "the audit's heads were not written");
                }
            }
        });
        actix_web::rt::spawn(async move {
            let mut daily = tokio::time::interval(SWEPT_EVERY);
            loop {
                daily.tick().await;
                sweep_and_log(&sweeping.0, &sweeping.1).await;
            }
        });
        actix_web::rt::spawn(async move {
            let mut often = tokio::time::interval(GAUGED_EVERY);
            loop {
                often.tick().await;
                let db = gauged.clone();
                if let Err(error) = blocking(move || board::gauge(&db)).await {
                    tracing::warn!(%error, cause = ?error.cause, "the jobs that wait were not counted");
                }
            }
        });
        actix_web::rt::spawn(async move {
            stop.await;
            handle.stop(true).await;
        });
        print_line(&format!(
            "Serving on {scheme}://{address}, documentation on {scheme}://{address}/docs/. Ctrl-C stops it."
        ))?;
        server.await.map_err(Error::internal)
    });
    runner.stop();
    senders.stop();
    learners.stop();
    if let Some(private) = private {
        private.stop().map_err(|cause| Error::new(Code::Unavailable, cause.to_string()))?;
    }
    served
}

/// Sweeps the store of attachments; what came of it goes to the log.
async fn sweep_and_log(db: &Db, objects: &Objects) {
    match sweep(db, objects, db.clock().now()).await {
        Ok(swept) if swept.missing.is_empty() => {
            tracing::info!(kept = swept.kept, removed = swept.removed, "the attachments were swept");
        }
        Ok(swept) => {
            tracing::error!(missing = ?swept.missing, removed = swept.removed, "objects of attachments are missing");
        }
        Err(error) => {
            tracing::error!(%error, cause = ?error.cause, "the attachments were not swept");
        }
    }
}

/// Listens for the signals that ask for a stop, from now on; ends when one has come.
fn stop_signal() -> Result<impl Future<Output = ()>> {
    let mut terminate = signal(SignalKind::terminate()).map_err(Error::internal)?;
    let mut interrupt = signal(SignalKind::interrupt()).map_err(Error::internal)?;
    Ok(async move {
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
    })
}

/// Becomes the unprivileged user for good. All threads change together: the C library sees to it.
fn drop_privileges(account: &Account) -> Result<()> {
    use nix::unistd::{Gid, Uid, setgid, setgroups, setuid};
    setgroups(&[]).map_err(Error::internal)?;
    setgid(Gid::from_raw(account.gid)).map_err(Error::internal)?;
    setuid(Uid::from_raw(account.uid)).map_err(Error::internal)?;
    Ok(())
}

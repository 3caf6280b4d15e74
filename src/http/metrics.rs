//! Counts and times for whoever watches the service, in the open text format of Prometheus (version 0.0.4): requests,
//! jobs, waits for a connection. No label holds a name or an id of anybody's.

use std::sync::{Arc, OnceLock};
use std::time::Duration;

use actix_web::http::header::AUTHORIZATION;
use actix_web::{HttpRequest, HttpResponse};
use metrics_exporter_prometheus::{PrometheusBuilder, PrometheusHandle};

use crate::http::state::App;

/// Upper bounds of the classes of times, seconds.
const CLASSES_S: [f64; 12] = [0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 5.0, 30.0];
/// How often what was measured is put into its classes, so that nothing piles up where nobody asks.
pub const KEPT_EVERY: Duration = Duration::from_secs(10);

/// What was counted so far; from the first call on it is counted. None where something else counts in this process.
pub fn counted() -> Option<&'static PrometheusHandle> {
    static HANDLE: OnceLock<Option<PrometheusHandle>> = OnceLock::new();
    HANDLE
        .get_or_init(|| PrometheusBuilder::new().set_buckets(&CLASSES_S).ok()?.install_recorder().ok())
        .as_ref()
}

/// Counts an answered request under the pattern of its address, never the address.
pub(super) fn count(method: &str, pattern: Option<String>, status: u16, took: Duration) {
    let path: Arc<str> = pattern.unwrap_or_else(|| "(none)".to_owned()).into();
    // Methods are whatever a caller makes up.
    let method = match method {
        "GET" => "GET",
        "HEAD" => "HEAD",
        "POST" => "POST",
        "PATCH" => "PATCH",
        "OPTIONS" => "OPTIONS",
        _ => "other",
    };
    metrics::counter!("garboard_requests_total", "method" => method, "path" => path.clone(), "status" => status.to_string())
        .increment(1);
    metrics::histogram!("garboard_request_seconds", "method" => method, "path" => path).record(took);
}

/// Whether the caller may look: with the token, where one is set; else from this machine, unless a proxy in front makes
/// everybody seem to come from it.
fn may_look(app: &App, request: &HttpRequest) -> bool {
    let bounds = &app.guards.bounds;
    match &bounds.metrics_token {
        Some(token) => {
            let given = request.headers().get(AUTHORIZATION).and_then(|value| value.to_str().ok());
            let given = given.and_then(|value| value.strip_prefix("Bearer ")).unwrap_or_default();
            // Digests of equal length are compared, so that the time tells nothing of the token.
            ring::digest::digest(&ring::digest::SHA256, given.as_bytes()).as_ref()
                == ring::digest::digest(&ring::digest::SHA256, token.as_bytes()).as_ref()
        }
        None => {
            !bounds.behind_proxy
                && request.peer_addr().is_some_and(|peer| peer.ip().to_canonical().is_loopback())
        }
    }
}

/// `GET /metrics`; none for who may not look.
pub(super) fn answer(app: &App, request: &HttpRequest) -> Option<HttpResponse> {
    let text = counted().filter(|_| may_look(app, request))?.render();
    Some(HttpResponse::Ok().content_type("text/plain; version=0.0.4; charset=utf-8").body(text))
}

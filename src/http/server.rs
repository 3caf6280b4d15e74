//! The server: one listener, one application, the outermost layer that names requests and renders errors.

use std::collections::BTreeMap;
use std::net::TcpListener;
use std::sync::Arc;
use std::time::Instant;

use actix_cors::Cors;
use actix_web::body::MessageBody;
use actix_web::dev::{Server, ServiceRequest, ServiceResponse};
use actix_web::error::InternalError;
use actix_web::http::Method;
use actix_web::http::header::{
    ACCEPT, CONTENT_ENCODING, CONTENT_SECURITY_POLICY, CONTENT_TYPE, HeaderMap, HeaderName, HeaderValue,
};
use actix_web::middleware::{Condition, Next, from_fn};
use actix_web::{App as ActixApp, HttpMessage, HttpRequest, HttpResponse, HttpServer, web};
use utoipa::openapi::{OpenApi, Paths};
use utoipa_actix_web::service_config::ServiceConfig;
use utoipa_actix_web::{AppExt, UtoipaApp};

use crate::error::{Code, Error};
use crate::http::accept::preferred;
use crate::http::auth::request_id;
use crate::http::state::{App, AppState};
use crate::http::{metrics, openapi, problem};
use crate::ids::{Id, RequestId};

/// Registers the capabilities; `routes.rs` has the one there is.
pub type Configure = fn(&mut ServiceConfig<'_>);

/// The OpenAPI document of everything `configure` registers.
#[must_use]
pub fn document(configure: Configure) -> OpenApi {
    let app: UtoipaApp<_> = ActixApp::new().into_utoipa_app().openapi(openapi::foundation());
    app.configure(configure).split_for_parts().1
}

/// Starts serving on `listener`, with TLS where its settings are given. `blocking_threads` are matched to the database connections.
///
/// # Errors
/// Internal, when the socket cannot be used.
pub fn run(
    listener: TcpListener,
    tls: Option<rustls::ServerConfig>,
    state: AppState,
    configure: Configure,
    workers: usize,
    blocking_threads: usize,
) -> Result<Server, Error> {
    let state = web::Data::new(state);
    let api = Arc::new(document(configure));
    let known = Arc::new(KnownPaths::of(&api.paths));
    if let Some(counted) = metrics::counted() {
        actix_web::rt::spawn(async move {
            let mut kept = tokio::time::interval(metrics::KEPT_EVERY);
            loop {
                kept.tick().await;
                counted.run_upkeep();
            }
        });
    }
    let server = HttpServer::new(move || {
        let known = known.clone();
        let cors = cors(&state.guards.bounds.cors_origins);
        ActixApp::new()
            .app_data(state.clone())
            .app_data(web::Data::from(api.clone()))
            .wrap(from_fn(guarded))
            .wrap(from_fn(outermost))
            .wrap(cors)
            .into_utoipa_app()
            .configure(configure)
            .into_app()
            .service(utoipa_swagger_ui::SwaggerUi::new("/docs/{_:.*}").url("/openapi.json", (*api).clone()))
            .route(
                "/docs",
                web::get()
                    .to(|| async { HttpResponse::Found().insert_header(("location", "/docs/")).finish() }),
            )
            .route("/metrics", {
                let known = known.clone();
                web::get().to(move |app: App, request: HttpRequest| {
                    let known = known.clone();
                    async move { metrics::answer(&app, &request).unwrap_or_else(|| known.refuse(&request)) }
                })
            })
            .default_service(web::to(move |request: HttpRequest| {
                let known = known.clone();
                async move { known.refuse(&request) }
            }))
    })
    .workers(workers)
    .worker_max_blocking_threads(blocking_threads)
    .client_request_timeout(std::time::Duration::from_secs(15))
    .shutdown_timeout(10)
    // Whoever starts the server stops it by its handle: see `cli::serve`.
    .disable_signals();
    let server = match tls {
        Some(tls) => server.listen_rustls_0_23(listener, tls),
        None => server.listen(listener),
    };
    Ok(server.map_err(Error::internal)?.run())
}

/// Pages of other origins may call the API only where they are named (the Fetch standard's CORS protocol).
fn cors(origins: &[String]) -> Condition<Cors> {
    let cors = origins.iter().fold(Cors::default(), |cors, origin| cors.allowed_origin(origin));
    let cors = cors
        .allowed_methods(["GET", "POST", "PATCH", "HEAD"])
        .allowed_headers(["authorization", "content-type", "if-match", "idempotency-key", "accept"])
        .expose_headers(["etag", "location", "retry-after", "x-request-id"])
        .max_age(600);
    Condition::new(!origins.is_empty(), cors)
}

/// Bounds how often an address comes, and how long a request takes.
async fn guarded(
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<impl MessageBody>, actix_web::Error> {
    let app = request.app_data::<App>().cloned().ok_or_else(|| Error::internal("no application state"))?;
    let address = app.guards.address(request.request());
    if let Err(error) = app.guards.admit_address(address) {
        return Ok(request.error_response(error).map_into_right_body());
    }
    // What is compressed is refused, so nothing grows while it is read.
    let coding = request.headers().get(CONTENT_ENCODING).map(HeaderValue::as_bytes);
    if coding.is_some_and(|coding| !coding.eq_ignore_ascii_case(b"identity")) {
        let error =
            Error::new(Code::UnsupportedMediaType, "Send the body as it is, without Content-Encoding.");
        return Ok(request.error_response(error).map_into_right_body());
    }
    // An import reads up to 64 MiB as it comes, an attachment 16 from a telephone in a yard.
    let files = ["/v1/imports", "/v1/attachments"].iter().any(|files| request.path().starts_with(files));
    let longest = app.guards.bounds.request_time * if files { 10 } else { 1 };
    let answered = tokio::time::timeout(longest, next.call(request)).await.map_err(|late| {
        Error::new(Code::Unavailable, "The request took too long and was given up. Ask for less at a time.")
            .because(late)
    })?;
    answered.map(ServiceResponse::map_into_left_body)
}

/// The headers that tell browsers to take the answer for what it is (`nosniff` of the Fetch standard, Referrer
/// Policy, RFC 6797, Content Security Policy).
fn secure(headers: &mut HeaderMap, tls: bool) {
    let html = headers.get(CONTENT_TYPE).is_some_and(|kind| kind.as_bytes().starts_with(b"text/html"));
    headers.insert(HeaderName::from_static("x-content-type-options"), HeaderValue::from_static("nosniff"));
    if !headers.contains_key("referrer-policy") {
        headers.insert(HeaderName::from_static("referrer-policy"), HeaderValue::from_static("no-referrer"));
    }
    // A page that says itself what it may do has narrowed this down.
    if html && !headers.contains_key(CONTENT_SECURITY_POLICY) {
        headers.insert(
            CONTENT_SECURITY_POLICY,
            HeaderValue::from_static(
                "default-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; object-src 'none'; \
                 base-uri 'none'; form-action 'self'; frame-ancestors 'none'",
            ),
        );
    }
    if tls {
        headers.insert(
            HeaderName::from_static("strict-transport-security"),
            HeaderValue::from_static("max-age=31536000"),
        );
    }
}

/// Addresses that are secrets begin so: no log holds what follows.
const SECRET_ADDRESSES: [&str; 2] = ["/v1/calendars/", "/v1/digest-endings/"];

/// A path as it may be logged.
fn loggable(path: &str) -> &str {
    SECRET_ADDRESSES.into_iter().find(|address| path.starts_with(address)).unwrap_or(path)
}

/// Gives the request its id, renders errors as problem documents, logs once.
async fn outermost(
    mut request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<impl MessageBody>, actix_web::Error> {
    let (id, started) = (RequestId::fresh(), Instant::now());
    request.extensions_mut().insert(id);
    let (method, path) = (request.method().clone(), loggable(request.path()).to_owned());
    let tls = request.app_data::<App>().is_some_and(|app| app.guards.bounds.tls);
    // HEAD is answered wherever GET is (RFC 9110, 9.3.2): the protocol below leaves the content out.
    if method == Method::HEAD {
        request.head_mut().method = Method::GET;
    }
    let response = match next.call(request).await {
        Ok(response) => response,
        Err(error) => return Err(rendered_late(error, id, tls, method.as_str(), &path)),
    };
    let failed = response.response().error().map(|error| match error.as_error::<Error>() {
        Some(ours) => render(ours, id, method.as_str(), &path),
        None => render_foreign(error, id),
    });
    let mut response = match failed {
        Some(answer) => response.into_response(answer).map_into_right_body(),
        None => response.map_into_left_body(),
    };
    if let Ok(value) = HeaderValue::from_str(&id.to_string()) {
        response.headers_mut().insert(HeaderName::from_static("x-request-id"), value);
    }
    secure(response.headers_mut(), tls);
    let pattern = response.request().match_pattern();
    metrics::count(method.as_str(), pattern, response.status().as_u16(), started.elapsed());
    tracing::debug!(request_id = %id, %method, %path, status = response.status().as_u16(), "answered");
    Ok(response)
}

fn render(error: &Error, id: RequestId, method: &str, path: &str) -> HttpResponse {
    if error.code == Code::Internal {
        let cause = error.cause.as_ref().map(ToString::to_string).unwrap_or_default();
        tracing::error!(request_id = %id, method, path, cause, "failed");
    }
    problem::rendered(error, &id.to_string())
}

/// The answer to a request that was given up: nothing is left of it but its id.
fn rendered_late(
    error: actix_web::Error,
    id: RequestId,
    tls: bool,
    method: &str,
    path: &str,
) -> actix_web::Error {
    let Some(ours) = error.as_error::<Error>() else { return error };
    let mut answer = render(ours, id, method, path);
    secure(answer.headers_mut(), tls);
    InternalError::from_response("given up", answer).into()
}

/// An error of the framework's own, such as a path it could not decode.
fn render_foreign(error: &actix_web::Error, id: RequestId) -> HttpResponse {
    let status = error.as_response_error().status_code();
    let code = match status.as_u16() {
        404 => Code::NotFound,
        408 | 503 => Code::Unavailable,
        413 => Code::TooLarge,
        415 => Code::UnsupportedMediaType,
        400..=499 => Code::Malformed,
        _ => Code::Internal,
    };
    problem::rendered(&Error::new(code, "The request cannot be read."), &id.to_string())
}

/// What somebody who looks sees at an address where there is nothing.
const NOTHING_HERE: &str = "<!doctype html>\n<html lang=\"en\">\n<head><meta charset=\"utf-8\">\
    <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"><title>Not found · garboard</title></head>\n\
    <body><main><h1>Not found</h1><p>There is nothing at this address.</p>\
    <p><a href=\"/\">To the first page</a> · <a href=\"/docs/\">The API's documentation</a></p></main></body>\n</html>\n";

/// A browser names HTML first; a program that takes anything gets the problem document, as everywhere in the API.
fn is_looked_at(request: &HttpRequest) -> bool {
    let accept = request.headers().get(ACCEPT).and_then(|value| value.to_str().ok()).unwrap_or_default();
    let offered = [problem::PROBLEM_JSON, "application/json", "text/html"];
    accept.contains("text/html") && preferred(Some(accept), &offered).is_ok_and(|kind| kind == "text/html")
}

/// The paths of the document, to tell a wrong method from a wrong address.
struct KnownPaths(Vec<(Vec<String>, String)>);

impl KnownPaths {
    fn of(paths: &Paths) -> Self {
        let known: BTreeMap<&String, Vec<&str>> =
            paths.paths.iter().map(|(path, item)| (path, methods(item))).collect();
        Self(
            known
                .into_iter()
                .map(|(path, methods)| (path.split('/').map(str::to_owned).collect(), methods.join(", ")))
                .collect(),
        )
    }

    fn refuse(&self, request: &HttpRequest) -> HttpResponse {
        let asked: Vec<&str> = request.path().split('/').collect();
        let id = request_id(request).to_string();
        let matches = |known: &[String]| {
            known.len() == asked.len()
                && known.iter().zip(&asked).all(|(k, a)| k == a || (k.starts_with('{') && !a.is_empty()))
        };
        match self.0.iter().find(|(segments, _)| matches(segments)) {
            Some((_, allowed)) => problem::method_not_allowed(allowed, &id),
            None if is_looked_at(request) => HttpResponse::NotFound()
                .insert_header((CONTENT_TYPE, "text/html; charset=utf-8"))
                .insert_header(("vary", "accept"))
                .body(NOTHING_HERE),
            None => problem::rendered(
                &Error::new(Code::NotFound, "There is nothing at this address. See /docs."),
                &id,
            ),
        }
    }
}

fn methods(item: &utoipa::openapi::PathItem) -> Vec<&'static str> {
    let all = [
        ("GET", item.get.is_some()),
        ("HEAD", item.get.is_some()),
        ("POST", item.post.is_some()),
        ("PUT", item.put.is_some()),
        ("PATCH", item.patch.is_some()),
        ("DELETE", item.delete.is_some()),
    ];
    all.into_iter().filter(|(_, there)| *there).map(|(name, _)| name).collect()
}

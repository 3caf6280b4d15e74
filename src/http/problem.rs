//! RFC 9457 problem documents, made in one place: the outermost layer of the server.

use std::collections::BTreeMap;

use actix_web::http::StatusCode;
use actix_web::http::header::{ALLOW, CONTENT_TYPE, HeaderValue, RETRY_AFTER, WWW_AUTHENTICATE};
use actix_web::{HttpResponse, HttpResponseBuilder, ResponseError};
use serde::Serialize;
use utoipa::openapi::{ContentBuilder, Ref, RefOr, Response, ResponseBuilder};
use utoipa::{IntoResponses, ToSchema};

use crate::error::{Code, Error};

/// The content type of every error answer.
pub const PROBLEM_JSON: &str = "application/problem+json";

/// What an error answer carries (RFC 9457).
#[derive(Debug, Serialize, ToSchema)]
pub struct Problem {
    /// Always `about:blank`: the code tells problems apart.
    #[serde(rename = "type")]
    pub kind: &'static str,
    /// The HTTP status in words.
    pub title: String,
    /// The HTTP status.
    pub status: u16,
    /// What is wrong and what to do.
    pub detail: String,
    /// The request id, also in the header `x-request-id`: name it when you report a fault.
    pub instance: String,
    /// A stable word for programs.
    pub code: String,
    /// The fields at fault.
    pub errors: Vec<ProblemField>,
}

/// One field at fault.
#[derive(Debug, Serialize, ToSchema)]
pub struct ProblemField {
    /// JSON pointer into the body (RFC 6901), or the name of a query parameter.
    pub pointer: String,
    /// A stable word for programs.
    pub code: String,
    /// What is wrong and what to do.
    pub detail: String,
}

/// The status that stands for a code.
#[must_use]
pub fn status(code: Code) -> StatusCode {
    match code {
        Code::Malformed => StatusCode::BAD_REQUEST,
        Code::Invalid | Code::KeyReused => StatusCode::UNPROCESSABLE_ENTITY,
        Code::Unauthenticated | Code::CodeRequired => StatusCode::UNAUTHORIZED,
        Code::TooMany => StatusCode::TOO_MANY_REQUESTS,
        Code::Forbidden => StatusCode::FORBIDDEN,
        Code::NotFound => StatusCode::NOT_FOUND,
        Code::Conflict | Code::TreatmentRuns | Code::Held | Code::Duplicate | Code::IdTaken => {
            StatusCode::CONFLICT
        }
        Code::Stale => StatusCode::PRECONDITION_FAILED,
        Code::VersionRequired => StatusCode::PRECONDITION_REQUIRED,
        Code::TooLarge => StatusCode::PAYLOAD_TOO_LARGE,
        Code::UnsupportedMediaType => StatusCode::UNSUPPORTED_MEDIA_TYPE,
        Code::NotAcceptable => StatusCode::NOT_ACCEPTABLE,
        Code::Unavailable => StatusCode::SERVICE_UNAVAILABLE,
        Code::Internal => StatusCode::INTERNAL_SERVER_ERROR,
    }
}

impl ResponseError for Error {
    fn status_code(&self) -> StatusCode {
        status(self.code)
    }

    // The document needs the request id, which only the outermost layer knows: see `rendered`.
    fn error_response(&self) -> HttpResponse {
        HttpResponse::new(self.status_code())
    }
}

impl Problem {
    /// The document of `error` in the request `instance`.
    #[must_use]
    pub fn of(error: &Error, instance: &str) -> Self {
        let status = status(error.code);
        Self {
            kind: "about:blank",
            title: status.canonical_reason().unwrap_or("Error").to_owned(),
            status: status.as_u16(),
            detail: error.detail.clone(),
            instance: instance.to_owned(),
            code: error.code.as_str().to_owned(),
            errors: error
                .fields
                .iter()
                .map(|f| ProblemField {
                    pointer: f.pointer.clone(),
                    code: f.code.clone(),
                    detail: f.detail.clone(),
                })
                .collect(),
        }
    }
}

/// The full answer for an error.
#[must_use]
pub fn rendered(error: &Error, instance: &str) -> HttpResponse {
    let mut answer = HttpResponseBuilder::new(status(error.code));
    answer.insert_header((CONTENT_TYPE, HeaderValue::from_static(PROBLEM_JSON)));
    match error.code {
        Code::Unauthenticated | Code::CodeRequired => {
            answer.insert_header((WWW_AUTHENTICATE, HeaderValue::from_static("Bearer")));
        }
        Code::Unavailable | Code::TooMany => {
            answer.insert_header((RETRY_AFTER, error.retry_after_s.unwrap_or(2).to_string()));
        }
        _ => {}
    }
    body(&mut answer, &Problem::of(error, instance))
}

/// A known path, asked with a method it does not have.
#[must_use]
pub fn method_not_allowed(allowed: &str, instance: &str) -> HttpResponse {
    let mut answer = HttpResponseBuilder::new(StatusCode::METHOD_NOT_ALLOWED);
    answer.insert_header((CONTENT_TYPE, HeaderValue::from_static(PROBLEM_JSON)));
    answer.insert_header((ALLOW, allowed));
    let problem = Problem {
        kind: "about:blank",
        title: "Method Not Allowed".to_owned(),
        status: 405,
        detail: format!("This address takes {allowed}."),
        instance: instance.to_owned(),
        code: "method_not_allowed".to_owned(),
        errors: Vec::new(),
    };
    body(&mut answer, &problem)
}

fn body(answer: &mut HttpResponseBuilder, problem: &Problem) -> HttpResponse {
    answer.body(serde_json::to_string(problem).unwrap_or_default())
}

macro_rules! problems {
    ($(#[$doc:meta])* $name:ident: $($status:literal $meaning:literal),+) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy)]
        pub struct $name;
        impl IntoResponses for $name {
            fn responses() -> BTreeMap<String, RefOr<Response>> {
                [$(($status, $meaning)),+]
                    .into_iter()
                    .map(|(status, meaning): (&str, &str)| (status.to_owned(), documented(meaning)))
                    .collect()
            }
        }
    };
}

fn documented(meaning: &str) -> RefOr<Response> {
    let content = ContentBuilder::new().schema(Some(Ref::from_schema_name("Problem"))).build();
    RefOr::T(ResponseBuilder::new().description(meaning).content(PROBLEM_JSON, content).build())
}

problems!(/** What reading one record can answer instead. */ ReadProblems:
    "401" "No valid token", "403" "Your role does not allow this", "404" "No such record in your organisation",
    "429" "Too often; try again after Retry-After", "503" "Busy; try again after Retry-After");
problems!(/** What reading a list can answer instead. */ ListProblems:
    "400" "The cursor or the query cannot be read", "401" "No valid token", "403" "Your role does not allow this",
    "422" "A query parameter breaks a rule", "429" "Too often; try again after Retry-After", "503" "Busy; try again after Retry-After");
problems!(/** What reading the versions of one record can answer instead. */ VersionProblems:
    "400" "The cursor or the query cannot be read", "401" "No valid token", "403" "Your role does not allow this",
    "404" "No such record in your organisation", "422" "A query parameter breaks a rule",
    "429" "Too often; try again after Retry-After", "503" "Busy; try again after Retry-After");
problems!(/** What creating a record can answer instead. */ CreateProblems:
    "400" "The body cannot be read", "401" "No valid token", "403" "Your role does not allow this",
    "404" "The record it belongs to is not in your organisation", "409" "A unique value is taken, or the state does not allow it",
    "413" "The body is too long", "415" "The body is not JSON", "422" "Fields break rules", "429" "Too often; try again after Retry-After", "503" "Busy; try again after Retry-After");
problems!(/** What changing a record can answer instead. */ ChangeProblems:
    "400" "The body cannot be read", "401" "No valid token", "403" "Your role does not allow this",
    "404" "No such record in your organisation", "409" "A unique value is taken, or the state does not allow it",
    "412" "The record changed since that version", "413" "The body is too long", "415" "The body is not JSON",
    "422" "Fields break rules", "428" "If-Match is missing", "429" "Too often; try again after Retry-After", "503" "Busy; try again after Retry-After");
problems!(/** What a computation can answer instead. */ ComputeProblems:
    "400" "The body cannot be read", "401" "No valid token", "403" "Your role does not allow this",
    "413" "The body is too long", "415" "The body is not JSON", "422" "Fields break rules",
    "429" "Too often; try again after Retry-After", "503" "Busy; try again after Retry-After");
problems!(/** What an operation on one's own account can answer instead. */ OwnProblems:
    "400" "The body cannot be read", "401" "No valid token, or the password or the code is wrong",
    "403" "The caller is no person", "409" "The state does not allow it", "413" "The body is too long",
    "415" "The body is not JSON", "422" "Fields break rules", "429" "Too often; try again after Retry-After",
    "503" "Busy; try again after Retry-After");
problems!(/** What a door without a token can answer instead. */ OpenDoorProblems:
    "400" "The body cannot be read", "401" "Refused", "413" "The body is too long", "415" "The body is not JSON",
    "422" "Fields break rules", "429" "Too often; try again after Retry-After", "503" "Busy; try again after Retry-After");

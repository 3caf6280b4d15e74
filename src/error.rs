//! What went wrong, in terms of the service and not of HTTP: a code for programs, a sentence for people,
//! the fields at fault, and the cause for the log only.

use std::fmt;

use crate::science::refusal::Refusals;

/// What a program must be able to tell apart. The HTTP status of each stands in `http::problem`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Code {
    /// The request could not be read at all: broken JSON, a bad cursor, an unreadable file.
    Malformed,
    /// Fields were read and break a rule.
    Invalid,
    /// No token, or one that does not hold.
    Unauthenticated,
    /// The password is right, and the code of the second factor is missing or wrong.
    CodeRequired,
    /// Too often; come again after the time told.
    TooMany,
    /// Signed in, without the role for this.
    Forbidden,
    /// It does not exist, or it is not yours: the two look alike.
    NotFound,
    /// The record's present state does not allow this.
    Conflict,
    /// A treatment runs in this haul-out: its holds guard the coats, which are recorded under it.
    TreatmentRuns,
    /// A hold point of a treatment is open.
    Held,
    /// Another record already has this unique value.
    Duplicate,
    /// The id chosen by the client is taken by something else.
    IdTaken,
    /// The record changed since the version the caller named.
    Stale,
    /// The caller must name the version it means to change.
    VersionRequired,
    /// The same `Idempotency-Key` came with another body.
    KeyReused,
    /// The body is longer than this operation takes.
    TooLarge,
    /// The body's content type is not one this operation reads.
    UnsupportedMediaType,
    /// None of the forms asked for can be given.
    NotAcceptable,
    /// Out of reach for the moment.
    Unavailable,
    /// A defect or an outage on our side. The cause is logged, never shown.
    Internal,
}

impl Code {
    /// The word used in problem documents and logs.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Malformed => "malformed",
            Self::Invalid => "invalid",
            Self::Unauthenticated => "unauthenticated",
            Self::CodeRequired => "code_required",
            Self::TooMany => "too_many",
            Self::Forbidden => "forbidden",
            Self::NotFound => "not_found",
            Self::Conflict => "conflict",
            Self::TreatmentRuns => "treatment_runs",
            Self::Held => "held",
            Self::Duplicate => "duplicate",
            Self::IdTaken => "id_taken",
            Self::Stale => "stale",
            Self::VersionRequired => "version_required",
            Self::KeyReused => "key_reused",
            Self::TooLarge => "too_large",
            Self::UnsupportedMediaType => "unsupported_media_type",
            Self::NotAcceptable => "not_acceptable",
            Self::Unavailable => "unavailable",
            Self::Internal => "internal",
        }
    }
}

/// One field that broke a rule.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FieldError {
    /// JSON pointer (RFC 6901) into the body, or the name of a query parameter.
    pub pointer: String,
    /// Short stable word for programs.
    pub code: String,
    /// One sentence: what is wrong and what to do.
    pub detail: String,
}

impl FieldError {
    /// A field error from its three parts.
    pub fn new(pointer: impl Into<String>, code: impl Into<String>, detail: impl Into<String>) -> Self {
        Self { pointer: pointer.into(), code: code.into(), detail: detail.into() }
    }
}

/// The error every layer returns.
#[derive(Debug)]
pub struct Error {
    /// What a program tells it by.
    pub code: Code,
    /// One sentence for the person: what is wrong and what to do.
    pub detail: String,
    /// The fields at fault, if any.
    pub fields: Vec<FieldError>,
    /// The cause, for the log.
    pub cause: Option<Box<dyn std::error::Error + Send + Sync>>,
    /// Seconds after which it is worth while to come again, where they are known.
    pub retry_after_s: Option<u64>,
}

/// What every fallible function of the service returns.
pub type Result<T, E = Error> = std::result::Result<T, E>;

impl Error {
    /// An error without fields.
    pub fn new(code: Code, detail: impl Into<String>) -> Self {
        Self { code, detail: detail.into(), fields: Vec::new(), cause: None, retry_after_s: None }
    }

    /// One field broke a rule.
    pub fn field(pointer: impl Into<String>, code: impl Into<String>, detail: impl Into<String>) -> Self {
        Self::invalid(vec![FieldError::new(pointer, code, detail)])
    }

    /// Several fields broke rules.
    #[must_use]
    pub fn invalid(fields: Vec<FieldError>) -> Self {
        let detail = fields
            .iter()
            .map(|field| format!("{} {}", field.pointer, field.detail).trim().to_owned())
            .collect::<Vec<_>>()
            .join("; ");
        Self { code: Code::Invalid, detail, fields, cause: None, retry_after_s: None }
    }

    /// The record is not there, or not the caller's. `what` is the word for the record, e.g. `vessel`.
    #[must_use]
    pub fn not_found(what: &str) -> Self {
        Self::new(Code::NotFound, format!("No such {what} in your organisation. Check the id."))
    }

    /// Too often: come again in so many seconds.
    #[must_use]
    pub fn too_many(retry_after_s: u64) -> Self {
        let mut error = Self::new(
            Code::TooMany,
            format!("That was too often from here. Try again in {retry_after_s} seconds."),
        );
        error.retry_after_s = Some(retry_after_s);
        error
    }

    /// Our fault; the cause goes to the log.
    pub fn internal(cause: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Self {
        Self {
            code: Code::Internal,
            detail: "The service failed at this request. Nothing was changed. Try again, and report the request id if it stays.".to_owned(),
            fields: Vec::new(),
            cause: Some(cause.into()),
            retry_after_s: None,
        }
    }

    /// The same error with a cause for the log.
    #[must_use]
    pub fn because(mut self, cause: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Self {
        self.cause = Some(cause.into());
        self
    }

    /// The same error with every pointer set below `prefix`, for an item of a batch.
    #[must_use]
    pub fn below(mut self, prefix: &str) -> Self {
        for field in &mut self.fields {
            field.pointer = format!("{prefix}{}", field.pointer);
        }
        self
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.detail)
    }
}

impl std::error::Error for Error {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        self.cause.as_deref().map(|cause| cause as &(dyn std::error::Error + 'static))
    }
}

impl From<Refusals> for Error {
    fn from(refusals: Refusals) -> Self {
        Self::invalid(refusals.0.into_iter().map(|r| FieldError::new(r.pointer, r.code, r.detail)).collect())
    }
}

//! HTTP, without a word about hulls: the server, the OpenAPI document, problem documents, extractors,
//! tokens, preconditions and retries.

pub mod accept;
pub mod auth;
pub mod body;
pub mod creation;
pub mod csv;
pub mod destination;
pub mod gate;
pub mod guards;
pub mod health;
pub mod mail;
pub mod metrics;
pub mod openapi;
pub mod paging;
pub mod params;
pub mod preconditions;
pub mod problem;
pub mod sealing;
pub mod sending;
pub mod server;
pub mod state;
pub mod table;
pub mod throttle;
pub mod tokens;
pub mod versions;
pub mod wording;

pub use auth::{CallerAddress, Permit};
pub use body::{New, Patch, Plain};
pub use creation::{Kept, RetryKey};
pub use paging::Page;
pub use params::{At, Params};
pub use preconditions::IfMatch;
pub use state::App;
pub use versions::VersionQuery;

/// What handlers return.
pub type Outcome = crate::error::Result<actix_web::HttpResponse>;

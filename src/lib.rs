//! garboard keeps the underwater condition of fibreglass hulls and computes when each is next due.
//!
//! The map. A file is found from two words: the capability and the role.
//!
//! | where | what |
//! |---|---|
//! | [`science`] | the formulas: pure, with units, sources and ranges |
//! | [`features`] | the capabilities: in each `model` (rules), `store` (rows and SQL), `api` (endpoints) |
//! | [`db`] | pools, the tenant transaction, paging, migrations, roles, the private PostgreSQL |
//! | [`http`] | the server, problem documents, extractors, tokens, preconditions, retries, the contract |
//! | [`jobs`] | work after a commit: the queue and the runner |
//! | [`cli`] | a file a command |
//! | [`routes`] | the only file that lists the capabilities |
//! | [`objects`] | bytes outside the database: a folder, or a store that speaks S3 |
//! | [`error`], [`ids`], [`codes`], [`permissions`], [`clock`], [`config`], [`telemetry`] | what all of them stand on |
//!
//! A request goes through extractor, handler, transaction, store, rule and view. A forecast is a job: facts are
//! loaded, computed on holding no connection, and saved. What may use what stands in DEVELOPERS.md, and a test
//! holds it.

pub mod cli;
pub mod clock;
pub mod codes;
pub mod config;
pub mod db;
pub mod error;
pub mod features;
pub mod http;
pub mod ids;
pub mod jobs;
pub mod objects;
pub mod permissions;
pub mod routes;
pub mod science;
pub mod telemetry;

//! The database: the pool, the tenant transaction that is the one door to the rows, migrations, and the
//! private PostgreSQL. Only this folder sees a pool or a connection's origin.

pub mod actor;
mod failure;
pub mod ground;
pub mod migrations;
pub mod organisation_rows;
pub mod paging;
pub mod pool;
pub mod private;
pub mod roles;
#[rustfmt::skip]
#[allow(missing_docs, reason = "generated from the database by a tool that writes no docs")]
pub mod schema;
pub mod tx;
#[rustfmt::skip]
#[allow(missing_docs, reason = "columns are described by their migrations")]
pub mod views;

pub use actor::Actor;
pub use pool::{Db, DbOptions};
pub use tx::Tx;

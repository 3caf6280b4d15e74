//! The database: the private PostgreSQL and the roles the service connects as.

pub mod private;
pub mod roles;

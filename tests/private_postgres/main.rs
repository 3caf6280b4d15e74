//! The private PostgreSQL and the server of the tests, tried on the real thing.

#[path = "../support/mod.rs"]
mod support;

mod ends;
mod folders;
mod roles;
mod scratch;
mod shared_server;
mod start;

//! Work after a commit: the queue, what recurs, and the runner that leases from it.
//!
//! To add a kind of work: its word in [`queue`], in its list of all, and in the CHECK on `jobs.kind` and `schedules.kind`; a handler
//! `fn(&Db, OrgId, &[Job]) -> Result<()>` in the capability's `job.rs`, whose effect is written in one transaction
//! that first asks [`queue::still_claimed`]; a line in `routes::workers`; and who asks for it: [`queue::request`] in
//! the transaction that causes it, [`queue::request_at`] for a time, [`schedule::set`] for every day or week.

pub mod board;
mod lease;
pub mod outbox;
pub mod queue;
pub mod runner;
pub mod schedule;

pub use lease::hold_on;
pub use queue::Job;
pub use runner::{Handler, Runner, Tally, Workers, run_until_idle};

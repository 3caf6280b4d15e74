//! Work after a commit: the queue, and the runner that leases from it.

mod lease;
pub mod queue;
pub mod runner;

pub use queue::Job;
pub use runner::{Handler, Runner, Tally, run_until_idle};

//! Work after a commit: the queue, and the runner that leases from it.

pub mod queue;

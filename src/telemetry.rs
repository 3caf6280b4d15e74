//! The log: to standard error, in lines for people or in JSON for machines.

use tracing_subscriber::EnvFilter;

use crate::config::Settings;
use crate::error::{Code, Error, Result};

/// Starts the log, filtered by `RUST_LOG`, or warnings and our own notices where it is unset.
///
/// # Errors
/// Invalid, when `RUST_LOG` cannot be read as a filter.
pub fn start(json: bool) -> Result<()> {
    let filter = match Settings::log_filter()? {
        Some(text) => EnvFilter::try_new(&text)
            .map_err(|cause| Error::new(Code::Invalid, format!("RUST_LOG is not a filter: {cause}.")))?,
        None => EnvFilter::new("warn,garboard=info"),
    };
    let log = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
    let started = if json { log.json().try_init() } else { log.compact().try_init() };
    started.map_err(Error::internal)
}

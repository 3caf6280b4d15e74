//! `garboard openapi`: the contract, as the service serves it.

use clap::Args;

use crate::cli::output::print;
use crate::error::{Error, Result};
use crate::{http, routes};

/// Print the OpenAPI document.
#[derive(Debug, Args)]
pub struct Openapi {
    /// Print one line an operation instead: method, path, operation id
    #[arg(long)]
    operations: bool,
}

impl Openapi {
    pub(super) fn run(&self) -> Result<()> {
        print(&if self.operations { operations() } else { document()? + "\n" })
    }
}

/// The document as text, as it is checked in.
///
/// # Errors
/// Internal, if it cannot be written as JSON.
pub fn document() -> Result<String> {
    http::server::document(routes::configure).to_pretty_json().map_err(Error::internal)
}

/// One line an operation, sorted by path.
#[must_use]
pub fn operations() -> String {
    let api = http::server::document(routes::configure);
    let mut lines = String::new();
    for (path, item) in &api.paths.paths {
        let operations = [
            ("GET", &item.get),
            ("POST", &item.post),
            ("PUT", &item.put),
            ("PATCH", &item.patch),
            ("DELETE", &item.delete),
        ];
        for (method, operation) in operations {
            if let Some(operation) = operation {
                let id = operation.operation_id.as_deref().unwrap_or("-");
                lines.push_str(&format!("{method} {path} {id}\n"));
            }
        }
    }
    lines
}

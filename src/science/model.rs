//! Which formula, in which version, gave an answer.

use serde::Serialize;
use utoipa::ToSchema;

/// Name and version of the formula behind an answer; the version rises when its numbers change.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
pub struct Model {
    /// Name of the model, e.g. `exposure`.
    pub name: &'static str,
    /// Version of the model.
    pub version: u32,
}

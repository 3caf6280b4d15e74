//! The rules of imports: how a file's text is read, which columns there are, and what is reported.

pub mod cells;
pub mod columns;
pub mod identity;
pub mod kinds;
pub mod report;
pub mod sheet;
pub mod text;

#[cfg(test)]
mod tests;

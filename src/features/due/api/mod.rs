//! The endpoint of the due list, in its forms.

pub mod columns;
pub mod export;
mod lifts;
pub mod list;
mod printed;
mod workbook;

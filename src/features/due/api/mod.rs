//! The endpoint of the due list, in its forms.

pub mod columns;
pub mod export;
mod lifts;
pub mod list;
pub mod printed;
pub mod workbook;

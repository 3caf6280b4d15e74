//! Tests of the reader.

mod cells;
mod columns;
mod text;

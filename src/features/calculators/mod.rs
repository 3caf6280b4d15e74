//! The calculators: pure functions of `science`, each behind two doors that share one list: `POST
//! /v1/calculators/NAME` and `garboard calc NAME`. Same JSON in, same JSON out, same refusals.

pub mod api;

pub use api::register;

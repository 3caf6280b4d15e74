//! The list of calculators, and their endpoints.

use actix_web::{HttpResponse, post};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;

use crate::error::{Code, Error, Result};
use crate::http::body::{AnyJson, read_value};
use crate::http::gate::Gate;
use crate::http::problem::ComputeProblems;
use crate::http::{Outcome, Permit};
use crate::permissions::Read;
use crate::science::exposure::{ExposureInput, ExposureOutput, exposure};
use crate::science::refusal::Refusals;

/// Computations at work at once; more are asked to come again.
static PLACES: Gate = Gate::new(4);

/// One calculator.
#[derive(Debug)]
pub struct Calculator {
    /// Its name, in the address and on the command line.
    pub name: &'static str,
    /// What it answers, in one line.
    pub summary: &'static str,
    /// An input it takes, as JSON.
    pub example: &'static str,
    calculate: fn(Value) -> Result<Value>,
}

/// All there are.
pub static CALCULATORS: &[Calculator] = &[Calculator {
    name: "exposure",
    summary: "water in a laminate through a history of temperature, water and skin, and the exposure it adds up to",
    example: include_str!("examples/exposure.json"),
    calculate: |input| computed(input, exposure),
}];

fn computed<I: DeserializeOwned, O: Serialize>(
    input: Value,
    f: fn(&I) -> std::result::Result<O, Refusals>,
) -> Result<Value> {
    let output = f(&read_value(input)?)?;
    serde_json::to_value(output).map_err(Error::internal)
}

/// The calculator of that name.
///
/// # Errors
/// Not found, with the names there are.
pub fn calculator(name: &str) -> Result<&'static Calculator> {
    CALCULATORS.iter().find(|calculator| calculator.name == name).ok_or_else(|| {
        let names: Vec<&str> = CALCULATORS.iter().map(|calculator| calculator.name).collect();
        Error::new(
            Code::NotFound,
            format!("There is no calculator {name:?}. There are: {}.", names.join(", ")),
        )
    })
}

impl Calculator {
    /// Computes its answer to an input.
    ///
    /// # Errors
    /// Invalid, with the pointers of the fields at fault.
    pub fn answer(&self, input: Value) -> Result<Value> {
        (self.calculate)(input)
    }
}

async fn answered(name: &str, input: Value) -> Outcome {
    let calculator = calculator(name)?;
    let answer = PLACES.run(move || calculator.answer(input)).await?;
    Ok(HttpResponse::Ok().json(answer))
}

/// Follows the water in a laminate and adds up its exposure.
#[utoipa::path(tag = "calculators", security(("bearer" = [])), request_body = ExposureInput,
    responses((status = 200, description = "The laminate at the end of every segment", body = ExposureOutput), ComputeProblems))]
#[post("/v1/calculators/exposure")]
pub async fn calculate_exposure(_permit: Permit<Read>, input: AnyJson) -> Outcome {
    answered("exposure", input.0).await
}

//! The list of calculators, and their endpoints.

use actix_web::{HttpResponse, post};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;
use utoipa_actix_web::service_config::ServiceConfig;

use crate::error::{Code, Error, Result};
use crate::http::body::{ComputationBody, parse, read_value};
use crate::http::problem::ComputeProblems;
use crate::http::{App, Outcome, Permit};
use crate::permissions::Read;
use crate::science::blister::{BlisterGradeInput, BlisterGradeOutput, blister_grade};
use crate::science::bottom_area::{BottomAreaInput, BottomAreaOutput, bottom_area};
use crate::science::drying::{DryingInput, DryingOutput, drying};
use crate::science::exposure::{ExposureInput, ExposureOutput, exposure};
use crate::science::film::{FilmInput, FilmOutput, film};
use crate::science::inspection_interval::{
    InspectionIntervalInput, InspectionIntervalOutput, inspection_interval,
};
use crate::science::lifetime::{LifetimeInput, LifetimeOutput, lifetime};
use crate::science::moist_air::{
    CoatingClimateInput, CoatingClimateOutput, DewPointInput, DewPointOutput, coating_climate, dew_point,
};
use crate::science::overcoat::{OvercoatWindowInput, OvercoatWindowOutput, overcoat_window};
use crate::science::quantity::{QuantityInput, QuantityOutput, quantity};
use crate::science::refusal::Refusals;
use crate::science::seawater::{SeawaterInput, SeawaterOutput, seawater};
use crate::science::skin::{SkinInput, SkinOutput, skin};

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

/// From one line each: the list for the command line, an operation with its own schemas and example for each, and
/// their registration.
macro_rules! calculators {
    ($($name:tt $address:tt $handler:ident: $formula:ident($input:ident) -> $output:ident, $summary:tt;)+) => {
        /// All there are.
        pub static CALCULATORS: &[Calculator] = &[$(Calculator {
            name: $name,
            summary: $summary,
            example: include_str!(concat!("examples/", $name, ".json")),
            calculate: |input| computed(input, $formula),
        }),+];

        $(
            #[doc = concat!("Computes ", $summary, ".")]
            #[utoipa::path(tag = "calculators", summary = $summary, security(("bearer" = [])),
                request_body(content = $input, example = json!(example($name))),
                responses((status = 200, description = "The answer", body = $output), ComputeProblems))]
            #[post($address)]
            pub async fn $handler(app: App, _permit: Permit<Read>, input: ComputationBody) -> Outcome {
                answered(&app, $name, input.0).await
            }
        )+

        /// Registers the endpoints.
        pub fn register(config: &mut ServiceConfig<'_>) {
            $(config.service($handler);)+
        }
    };
}

calculators! {
    "dew-point" "/v1/calculators/dew-point" calculate_dew_point:
        dew_point(DewPointInput) -> DewPointOutput,
        "dew point, vapour pressure and absolute humidity of air";
    "coating-climate" "/v1/calculators/coating-climate" calculate_coating_climate:
        coating_climate(CoatingClimateInput) -> CoatingClimateOutput,
        "whether air and surface allow a coat to be put on";
    "seawater" "/v1/calculators/seawater" calculate_seawater:
        seawater(SeawaterInput) -> SeawaterOutput,
        "water activity and osmotic pressure of sea water";
    "exposure" "/v1/calculators/exposure" calculate_exposure:
        exposure(ExposureInput) -> ExposureOutput,
        "water in a laminate through a history of temperature, water and skin, and the exposure it adds up to";
    "skin" "/v1/calculators/skin" calculate_skin:
        skin(SkinInput) -> SkinOutput,
        "the resistance of the films on a hull to water";
    "overcoat-window" "/v1/calculators/overcoat-window" calculate_overcoat_window:
        overcoat_window(OvercoatWindowInput) -> OvercoatWindowOutput,
        "when the next coat may go on, and until when";
    "film" "/v1/calculators/film" calculate_film:
        film(FilmInput) -> FilmOutput,
        "whether the readings of a dry film are accepted";
    "quantity" "/v1/calculators/quantity" calculate_quantity:
        quantity(QuantityInput) -> QuantityOutput,
        "litres and packs of paint for an area";
    "bottom-area" "/v1/calculators/bottom-area" calculate_bottom_area:
        bottom_area(BottomAreaInput) -> BottomAreaOutput,
        "the wetted area of a hull";
    "blister-grade" "/v1/calculators/blister-grade" calculate_blister_grade:
        blister_grade(BlisterGradeInput) -> BlisterGradeOutput,
        "density, area, size class and grade of the blisters on an area";
    "drying" "/v1/calculators/drying" calculate_drying:
        drying(DryingInput) -> DryingOutput,
        "when a station will be dry, or why that cannot be told";
    "lifetime" "/v1/calculators/lifetime" calculate_lifetime:
        lifetime(LifetimeInput) -> LifetimeOutput,
        "the distribution of a life from inspections that bracket its end";
    "inspection-interval" "/v1/calculators/inspection-interval" calculate_inspection_interval:
        inspection_interval(InspectionIntervalInput) -> InspectionIntervalOutput,
        "the interval of planned renewal with the least cost";
}

fn computed<I: DeserializeOwned, O: Serialize>(
    input: Value,
    f: fn(&I) -> std::result::Result<O, Refusals>,
) -> Result<Value> {
    let output = f(&read_value(input)?)?;
    serde_json::to_value(output).map_err(Error::internal)
}

/// The example of a calculator, for the OpenAPI document; a test reads every one.
fn example(name: &str) -> Value {
    calculator(name)
        .ok()
        .and_then(|calculator| serde_json::from_str(calculator.example).ok())
        .unwrap_or_default()
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

async fn answered(app: &App, name: &str, input: Vec<u8>) -> Outcome {
    let calculator = calculator(name)?;
    let answer = app.guards.gates.calculators.run(move || calculator.answer(parse(&input)?)).await?;
    Ok(HttpResponse::Ok().json(answer))
}

//! `garboard calc`: the calculators, without a database.

use std::io::{Read, Write};

use clap::Args;

use crate::error::{Code, Error, Result};
use crate::features::calculators::api::{CALCULATORS, calculator};
use crate::http::body::{MAX_BODY_BYTES, parse};

/// Compute from JSON on standard input to JSON on standard output.
#[derive(Debug, Args)]
pub struct Calc {
    /// The calculator, as in /v1/calculators/NAME
    #[arg(required_unless_present_any = ["list", "example"])]
    name: Option<String>,
    /// Print the calculators, one a line
    #[arg(long, conflicts_with_all = ["name", "example"])]
    list: bool,
    /// Print an input that this calculator takes
    #[arg(long, value_name = "NAME", conflicts_with = "name")]
    example: Option<String>,
}

impl Calc {
    pub(super) fn run(&self) -> Result<()> {
        let text = if let Some(name) = &self.example {
            calculator(name)?.example.to_owned()
        } else if let Some(name) = &self.name {
            let calculator = calculator(name)?;
            let answer = calculator.answer(parse(&input()?)?)?;
            serde_json::to_string_pretty(&answer).map_err(Error::internal)? + "\n"
        } else {
            CALCULATORS.iter().map(|c| format!("{}  {}\n", c.name, c.summary)).collect()
        };
        std::io::stdout().lock().write_all(text.as_bytes()).map_err(|cause| {
            Error::new(Code::Unavailable, "The answer cannot be written to standard output.").because(cause)
        })
    }
}

/// Standard input, as long as a request's body may be.
fn input() -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let limit = u64::try_from(MAX_BODY_BYTES).unwrap_or(u64::MAX);
    std::io::stdin()
        .lock()
        .take(limit + 1)
        .read_to_end(&mut bytes)
        .map_err(|cause| Error::new(Code::Malformed, "Standard input cannot be read.").because(cause))?;
    if bytes.len() > MAX_BODY_BYTES {
        return Err(Error::new(
            Code::TooLarge,
            format!("The input is longer than {MAX_BODY_BYTES} bytes. Send less at a time."),
        ));
    }
    Ok(bytes)
}

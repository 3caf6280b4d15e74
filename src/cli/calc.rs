//! `garboard calc`: the calculators, without a database.

use std::io::{BufRead, Read, Write};

use clap::Args;
use serde_json::{Value, json};

use crate::error::{Code, Error, Result};
use crate::features::calculators::api::{CALCULATORS, Calculator, calculator};
use crate::http::body::{MAX_COMPUTATION_BYTES, parse};

/// Compute from JSON on standard input to JSON on standard output.
///
/// One document gives one answer. Several documents, one a line, give an answer a line; a line that is refused gives
/// its refusal, {"code", "detail", "errors"}, and the command ends with 1 after the last.
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
        if let Some(name) = &self.example {
            write(&mut std::io::stdout().lock(), calculator(name)?.example)
        } else if let Some(name) = &self.name {
            answer(calculator(name)?, &mut std::io::stdin().lock(), &mut std::io::stdout().lock())
        } else {
            let list: String = CALCULATORS.iter().map(|c| format!("{}  {}\n", c.name, c.summary)).collect();
            write(&mut std::io::stdout().lock(), &list)
        }
    }
}

fn answer(calculator: &Calculator, input: &mut impl BufRead, output: &mut impl Write) -> Result<()> {
    let Some(mut first) = line(input)? else {
        return Err(Error::new(Code::Malformed, "Standard input is empty. Send JSON."));
    };
    // A first line that is a document by itself begins a batch, if another follows.
    if let Ok(document) = parse(&first) {
        let Some(second) = line(input)? else {
            return single(calculator, document, output);
        };
        return batch(calculator, [first, second], input, output);
    }
    append(input, &mut first)?;
    single(calculator, parse(&first)?, output)
}

fn single(calculator: &Calculator, document: Value, output: &mut impl Write) -> Result<()> {
    let answer = calculator.answer(document)?;
    write(output, &(serde_json::to_string_pretty(&answer).map_err(Error::internal)? + "\n"))
}

fn batch(
    calculator: &Calculator,
    begun: [Vec<u8>; 2],
    input: &mut impl BufRead,
    output: &mut impl Write,
) -> Result<()> {
    let mut output = std::io::BufWriter::new(output);
    let (mut lines, mut refused) = (0_u64, 0_u64);
    let mut begun = begun.into_iter();
    while let Some(document) = begun.next().map_or_else(|| line(input), |document| Ok(Some(document)))? {
        lines += 1;
        let answer = parse(document.trim_ascii_end())
            .and_then(|value| calculator.answer(value))
            .unwrap_or_else(|error| {
                refused += 1;
                refusal(&error)
            });
        write(&mut output, &format!("{answer}\n"))?;
    }
    output.flush().map_err(unwritten)?;
    if refused > 0 {
        return Err(Error::new(
            Code::Invalid,
            format!("{refused} of {lines} lines were refused. Their answers say why."),
        ));
    }
    Ok(())
}

fn refusal(error: &Error) -> Value {
    let errors: Vec<Value> = error
        .fields
        .iter()
        .map(|field| json!({"pointer": field.pointer, "code": field.code, "detail": field.detail}))
        .collect();
    json!({"code": error.code.as_str(), "detail": error.detail, "errors": errors})
}

/// The next line that is not blank, as long as a request's body may be; none at the end.
fn line(input: &mut impl BufRead) -> Result<Option<Vec<u8>>> {
    loop {
        let mut bytes = Vec::new();
        let limit = u64::try_from(MAX_COMPUTATION_BYTES).unwrap_or(u64::MAX);
        input.take(limit + 1).read_until(b'\n', &mut bytes).map_err(unread)?;
        if bytes.is_empty() {
            return Ok(None);
        }
        refuse_too_long(&bytes)?;
        if !bytes.trim_ascii().is_empty() {
            return Ok(Some(bytes));
        }
    }
}

/// The rest of one document.
fn append(input: &mut impl BufRead, document: &mut Vec<u8>) -> Result<()> {
    let limit = u64::try_from(MAX_COMPUTATION_BYTES).unwrap_or(u64::MAX);
    input.take(limit + 1).read_to_end(document).map_err(unread)?;
    refuse_too_long(document)
}

fn refuse_too_long(bytes: &[u8]) -> Result<()> {
    if bytes.len() > MAX_COMPUTATION_BYTES {
        return Err(Error::new(
            Code::TooLarge,
            format!(
                "A document is longer than {MAX_COMPUTATION_BYTES} bytes. Send less at a time, one a line."
            ),
        ));
    }
    Ok(())
}

fn write(output: &mut impl Write, text: &str) -> Result<()> {
    output.write_all(text.as_bytes()).map_err(unwritten)
}

fn unread(cause: std::io::Error) -> Error {
    Error::new(Code::Malformed, "Standard input cannot be read.").because(cause)
}

fn unwritten(cause: std::io::Error) -> Error {
    Error::new(Code::Unavailable, "The answer cannot be written to standard output.").because(cause)
}

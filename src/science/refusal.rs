//! Why an input was not computed with: which field, what rule, what to do.

use std::fmt;

/// One refused input field. Nothing is clamped silently; the caller gets every field it must mend.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal {
    /// JSON pointer (RFC 6901) to the field in the calculator's input, e.g. `/segments/3/days`.
    pub pointer: String,
    /// Short stable word for programs, e.g. `out_of_range`.
    pub code: &'static str,
    /// One sentence: what is wrong and what to enter instead.
    pub detail: String,
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.pointer, self.detail)
    }
}

impl std::error::Error for Refusal {}

/// The refusals gathered over one input, in the order of its fields.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Refusals(pub Vec<Refusal>);

/// A number as a person reads it: very large and very small ones by their power of ten.
fn written(value: f64) -> String {
    if value == 0.0 || !value.is_finite() || (1e-4..1e9).contains(&value.abs()) {
        value.to_string()
    } else {
        format!("{value:e}")
    }
}

impl Refusals {
    /// Notes that `value` must lie in `low..=high`; NaN and infinities never do.
    pub fn range(&mut self, pointer: &str, value: f64, low: f64, high: f64, unit: &str) {
        if !(value.is_finite() && value >= low && value <= high) {
            let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
            self.0.push(Refusal {
                pointer: pointer.to_owned(),
                code: "out_of_range",
                detail: format!(
                    "is {}; enter a value from {} to {}{unit}",
                    written(value),
                    written(low),
                    written(high)
                ),
            });
        }
    }

    /// Notes a refusal that is not a plain range.
    pub fn refuse(&mut self, pointer: impl Into<String>, code: &'static str, detail: impl Into<String>) {
        self.0.push(Refusal { pointer: pointer.into(), code, detail: detail.into() });
    }

    /// `Ok` when nothing was refused.
    ///
    /// # Errors
    /// All the refusals noted so far.
    pub fn into_result(self) -> Result<(), Self> {
        if self.0.is_empty() { Ok(()) } else { Err(self) }
    }
}

impl fmt::Display for Refusals {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (n, refusal) in self.0.iter().enumerate() {
            if n > 0 {
                f.write_str("; ")?;
            }
            write!(f, "{refusal}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Refusals {}

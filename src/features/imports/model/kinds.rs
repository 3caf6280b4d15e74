//! What can be imported, and the columns of each kind.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::cells::Form;
use super::columns::{COATS, HAUL_OUTS, READINGS, VESSELS};
use super::text::Table;
use crate::error::{Error, FieldError, Result};

/// What a file holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ImportKind {
    /// The register.
    Vessels,
    /// Times ashore.
    HaulOuts,
    /// Meter readings, with the stations and draft surveys they need.
    Readings,
    /// What was put on the hulls.
    Coats,
}

/// One column of a kind.
#[derive(Debug, Clone, Copy)]
pub struct Column {
    /// Its name in the header; that of the field in JSON, where there is one.
    pub name: &'static str,
    /// How its cells are read.
    pub form: Form,
    /// Whether the header must name it.
    pub required: bool,
    /// What it stands for.
    pub meaning: &'static str,
    /// Its cell in the template.
    pub example: &'static str,
}

/// The column with the reasons in a file of refused rows; read past on import, so that the mended file can be
/// imported as it is.
pub const REFUSED_BECAUSE: &str = "refused_because";

/// What the name of a column begins with that is passed over.
pub const PASSED_OVER: char = '-';

impl ImportKind {
    /// All kinds.
    pub const ALL: [Self; 4] = [Self::Vessels, Self::HaulOuts, Self::Readings, Self::Coats];

    /// Its name in addresses and on the command line.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Vessels => "vessels",
            Self::HaulOuts => "haul-outs",
            Self::Readings => "readings",
            Self::Coats => "coats",
        }
    }

    /// The kind of that name.
    ///
    /// # Errors
    /// Not found, naming the kinds there are.
    pub fn named(name: &str) -> Result<Self> {
        Self::ALL.into_iter().find(|kind| kind.as_str() == name).ok_or_else(|| {
            let mut error = Error::not_found("import");
            "There are imports of vessels, haul-outs, readings and coats.".clone_into(&mut error.detail);
            error
        })
    }

    /// Its columns, in the order of the template.
    #[must_use]
    pub fn columns(self) -> &'static [Column] {
        match self {
            Self::Vessels => VESSELS,
            Self::HaulOuts => HAUL_OUTS,
            Self::Readings => READINGS,
            Self::Coats => COATS,
        }
    }

    /// Columns of which the header must name at least one.
    #[must_use]
    fn one_of(self) -> &'static [&'static [&'static str]] {
        const VESSEL: &[&str] = &["vessel_ref", "vessel_hull_id_number"];
        match self {
            Self::Vessels => &[&["ref", "hull_id_number"]],
            Self::HaulOuts | Self::Coats => &[VESSEL],
            Self::Readings => &[VESSEL, &["survey_ref", "surveyed_on"]],
        }
    }

    /// The template: the header and one line of examples.
    #[must_use]
    pub fn template(self) -> String {
        let line =
            |cell: fn(&Column) -> &'static str| self.columns().iter().map(cell).collect::<Vec<_>>().join(",");
        format!("{}\n{}\n", line(|column| column.name), line(|column| column.example))
    }

    /// The columns in Markdown, for the documentation of the endpoint.
    #[must_use]
    pub fn described(self) -> String {
        let mut text =
            format!("\n\n**{}**\n\n| column | | cell | meaning |\n|---|---|---|---|\n", self.as_str());
        for column in self.columns() {
            let required = if column.required { "required" } else { "" };
            text.push_str(&format!(
                "| `{}` | {required} | {} | {} |\n",
                column.name,
                column.form.in_words(),
                column.meaning
            ));
        }
        text
    }

    /// For each column of the kind, where the header names it.
    ///
    /// # Errors
    /// Invalid, with every name of the header that is unknown, doubled or missing.
    pub fn places(self, table: &Table) -> Result<Vec<Option<usize>>> {
        let columns = self.columns();
        let place = format!("line {}", table.header_line());
        let mut faults = Vec::new();
        let mut fault = |name: &str, code: &str, detail: String| {
            faults.push(FieldError::new(format!("{place}, column {name}"), code, detail));
        };
        let mut places = vec![None; columns.len()];
        let mut seen: Vec<&str> = Vec::new();
        for (n, name) in table.header().iter().map(String::as_str).enumerate() {
            let shown: String = name.chars().take(100).collect();
            if name.is_empty() {
                fault(&(n + 1).to_string(), "unnamed", "has no name. Name it or take it out.".to_owned());
            } else if seen.contains(&name) {
                fault(&shown, "doubled", "stands in the header twice. Take one out.".to_owned());
            } else if let Some(slot) =
                columns.iter().position(|column| column.name == name).and_then(|known| places.get_mut(known))
            {
                *slot = Some(n);
            } else if name != REFUSED_BECAUSE && !name.starts_with(PASSED_OVER) {
                let nearest = nearest(&shown, columns.iter().map(|column| column.name));
                fault(
                    &shown,
                    "unknown_column",
                    format!(
                        "is not a column of {}; the nearest is {nearest}. Correct it, take it out, or put - before it.",
                        self.as_str()
                    ),
                );
            }
            seen.push(name);
        }
        let named = |name: &str| table.header().iter().any(|given| given == name);
        for column in columns.iter().filter(|column| column.required && !named(column.name)) {
            fault(column.name, "missing", "is required and stands not in the header. Add it.".to_owned());
        }
        for choice in self.one_of() {
            if let [first, ..] = choice
                && !choice.iter().any(|name| named(name))
            {
                let detail =
                    format!("or one of its equals is required in the header: {}.", choice.join(", "));
                fault(first, "missing", detail);
            }
        }
        if faults.is_empty() { Ok(places) } else { Err(Error::invalid(faults)) }
    }
}

/// The known name with the fewest letters to change.
fn nearest<'a>(name: &str, known: impl Iterator<Item = &'a str>) -> &'a str {
    known.min_by_key(|candidate| distance(name, candidate)).unwrap_or_default()
}

/// How many letters must be put in, taken out or replaced to get from one word to the other (Levenshtein).
fn distance(from: &str, to: &str) -> usize {
    let to: Vec<char> = to.chars().collect();
    let mut row: Vec<usize> = (0..=to.len()).collect();
    for (n, a) in from.chars().enumerate() {
        let mut diagonal = n;
        let mut left = n + 1;
        for (slot, b) in row.iter_mut().skip(1).zip(&to) {
            let replaced = diagonal + usize::from(a != *b);
            diagonal = *slot;
            left = replaced.min(*slot + 1).min(left + 1);
            *slot = left;
        }
        if let Some(first) = row.first_mut() {
            *first = n + 1;
        }
    }
    row.last().copied().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The textbook pair of the edit distance, from memory: three changes.
    #[test]
    fn the_edit_distance_counts_changes() {
        for (from, to, changes) in [
            ("kitten", "sitting", 3),
            ("", "abc", 3),
            ("abc", "", 3),
            ("lenght_m", "length_m", 2),
            ("a", "a", 0),
        ] {
            assert_eq!(distance(from, to), changes, "{from} {to}");
            assert_eq!(distance(to, from), changes, "{to} {from}");
        }
    }

    #[test]
    fn every_column_stands_in_the_page_of_the_capability() {
        let page = include_str!("../mod.rs");
        for kind in ImportKind::ALL {
            for column in kind.columns() {
                let zone = super::super::columns::ZONES.iter().find(|zone| column.name.starts_with(**zone));
                let name = match zone {
                    Some(zone) => column.name.replacen(zone, "ZONE", 1),
                    None => column.name.to_owned(),
                };
                assert!(page.contains(&format!("`{name}`")), "{} {name}", kind.as_str());
            }
        }
    }
}

//! Which column of a file is which of ours. The header of the text is written anew with our names; a column that is
//! left out gets a name that the import passes over. Rows and their line numbers stay as they are.

use super::form::{Pairs, field};
use crate::error::{Error, Result};
use crate::features::imports::model::kinds::{ImportKind, PASSED_OVER, REFUSED_BECAUSE};
use crate::features::imports::model::text::Table;

use super::import::MOST_TEXT_BYTES;

/// What the form calls the choice for a column: this, and its name in the file.
const AS: &str = "as:";

/// A column of the file.
pub struct Heading {
    /// Its name in the file.
    pub name: String,
    /// The column of ours that it is; empty where it is left out.
    pub column: String,
    /// The columns to choose from.
    pub choices: Vec<&'static str>,
}

impl Heading {
    /// What the form calls the choice.
    #[must_use]
    pub fn field(&self) -> String {
        format!("{AS}{}", self.name)
    }
}

/// A name without what people write differently.
fn bare(name: &str) -> String {
    name.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

/// The column that a name means: the one of that name, or the only one that begins with it.
fn meant(name: &str, columns: &[&'static str]) -> &'static str {
    let bare_name = bare(name);
    if bare_name.is_empty() {
        return "";
    }
    if let Some(same) = columns.iter().find(|column| bare(column) == bare_name) {
        return same;
    }
    let mut longer = columns.iter().filter(|column| bare(column).starts_with(&bare_name));
    match (longer.next(), longer.next()) {
        (Some(only), None) => only,
        _ => "",
    }
}

/// The columns of a text, with what was chosen for each, or else what its name means.
///
/// # Errors
/// Those of [`Table::read`].
pub fn headings(kind: ImportKind, text: &str, chosen: &Pairs) -> Result<Vec<Heading>> {
    let table = Table::read(text.as_bytes(), MOST_TEXT_BYTES)?;
    let choices: Vec<&'static str> = kind.columns().iter().map(|column| column.name).collect();
    // With the first look nothing was chosen; afterwards an empty choice is left out of the form's fields.
    let was_asked = field(chosen, "columns") == Some(&signature(kind, table.header()));
    let heading = |name: &String| {
        let column = if was_asked {
            field(chosen, &format!("{AS}{name}"))
                .filter(|column| choices.contains(column))
                .unwrap_or_default()
        } else {
            meant(name, &choices)
        };
        Heading { name: name.clone(), column: column.to_owned(), choices: choices.clone() }
    };
    Ok(table.header().iter().map(heading).collect())
}

/// What the choices were made for: of another kind or header they count no more.
#[must_use]
pub fn signature(kind: ImportKind, header: &[String]) -> String {
    format!("{} {}", kind.as_str(), header.join(" | "))
}

/// The text with our names in its header.
///
/// # Errors
/// Those of [`Table::read`]; internal.
pub fn renamed(text: &str, headings: &[Heading]) -> Result<String> {
    let table = Table::read(text.as_bytes(), MOST_TEXT_BYTES)?;
    let delimiter = table.delimiter().byte();
    let mut reader =
        csv::ReaderBuilder::new().delimiter(delimiter).flexible(true).from_reader(text.as_bytes());
    reader.headers().map_err(Error::internal)?;
    let rest = usize::try_from(reader.position().byte()).map_err(Error::internal)?;
    let (head, rest) = text.split_at_checked(rest).ok_or_else(|| Error::internal("a header's end"))?;
    let names = headings.iter().enumerate().map(|(n, heading)| {
        if heading.column.is_empty() && heading.name != REFUSED_BECAUSE {
            format!("{PASSED_OVER}{n} {}", heading.name)
        } else if heading.column.is_empty() {
            heading.name.clone()
        } else {
            heading.column.clone()
        }
    });
    let mut writer = csv::WriterBuilder::new().delimiter(delimiter).from_writer(Vec::new());
    writer.write_record(names).map_err(Error::internal)?;
    let header = writer.into_inner().map_err(|cause| Error::internal(cause.to_string()))?;
    let header = String::from_utf8(header).map_err(Error::internal)?;
    // The reader stops between the two signs of a line's end.
    let rest = if head.ends_with('\r') { rest.strip_prefix('\n').unwrap_or(rest) } else { rest };
    // Blank lines are passed over: so many as the header had lines before keep the rows on theirs.
    let blank = head.trim_end_matches(['\r', '\n']).matches('\n').count();
    Ok(format!("{}{}\n{rest}", "\n".repeat(blank), header.trim_end_matches('\n')))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_understood_where_they_can_mean_one_thing_only() {
        let columns = ["ref", "name", "length_m", "lwl_m", "owner_name", "owner_phone"];
        for (name, column) in [
            ("Name", "name"),
            ("Length (m)", "length_m"),
            ("length", "length_m"),
            ("OWNER-PHONE", "owner_phone"),
            ("owner", ""),
            ("colour of the sofa", ""),
            ("", ""),
            ("(m)", ""),
        ] {
            assert_eq!(meant(name, &columns), column, "{name}");
        }
    }

    #[test]
    fn the_header_is_written_anew_and_the_lines_stay() {
        let text = "\n\nBoat;\"Length\n(m)\";sofa\r\nA;9,5;red\r\nB;8;blue\r\n";
        let mut found = headings(ImportKind::Vessels, text, &Pairs::new()).expect("a table");
        found[0].column = "name".to_owned();
        let renamed = renamed(text, &found).expect("a table");
        let (before, after) = (
            Table::read(text.as_bytes(), 1000).expect("a table"),
            Table::read(renamed.as_bytes(), 1000).expect("a table"),
        );
        assert_eq!(after.header(), ["name", "length_m", "-2 sofa"]);
        let lines = |table: &Table| table.rows().map(|row| row.line()).collect::<Vec<_>>();
        assert_eq!(lines(&before), lines(&after));
        assert_eq!(lines(&before), [5, 6]);
    }
}

//! The craft identification number.
//!
//! ISO 10087, *Small craft - Craft identification - Coding system*: the country of the manufacturer, the
//! manufacturer, a serial number, the month and the year of manufacture, the model year; a hyphen follows
//! the country. The kinds of characters in each part are from memory of that standard, which was not re-read.
//! Where memory was not certain, more is let through: digits in the manufacturer's code, and the letters that
//! are easily misread in the serial number. Whether the country and the manufacturer exist is not checked, nor
//! the year against the year built: a register's year may be the model's.

use std::fmt;

/// A number whose parts all read as they should.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HullIdNumber {
    country: String,
    rest: String,
}

/// The part that does not read as it should.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HullIdFault {
    /// Not fourteen letters and digits, besides the hyphen after the country; so many.
    Length(usize),
    /// A hyphen elsewhere than after the country, or another sign.
    Sign,
    /// The first two: the country.
    Country,
    /// The eleventh: the month.
    Month,
    /// The twelfth: the last digit of the year.
    Year,
    /// The last two: the model year.
    ModelYear,
}

/// Letters and digits of the number.
const LENGTH: usize = 14;

impl HullIdNumber {
    /// Reads a number in capitals or small letters, with or without the hyphen after the country.
    ///
    /// # Errors
    /// The first part at fault.
    pub fn read(given: &str) -> Result<Self, HullIdFault> {
        let capitals = given.to_ascii_uppercase();
        let parts: Vec<char> = match capitals.char_indices().nth(2) {
            Some((_, '-')) => capitals.chars().take(2).chain(capitals.chars().skip(3)).collect(),
            _ => capitals.chars().collect(),
        };
        if parts.len() != LENGTH {
            return Err(HullIdFault::Length(parts.len()));
        }
        if !parts.iter().all(char::is_ascii_alphanumeric) {
            return Err(HullIdFault::Sign);
        }
        let all = |range: std::ops::Range<usize>, kind: fn(&char) -> bool| {
            parts.iter().skip(range.start).take(range.len()).all(kind)
        };
        if !all(0..2, char::is_ascii_alphabetic) {
            return Err(HullIdFault::Country);
        }
        if !all(10..11, |letter| ('A'..='L').contains(letter)) {
            return Err(HullIdFault::Month);
        }
        if !all(11..12, char::is_ascii_digit) {
            return Err(HullIdFault::Year);
        }
        if !all(12..14, char::is_ascii_digit) {
            return Err(HullIdFault::ModelYear);
        }
        Ok(Self { country: parts.iter().take(2).collect(), rest: parts.iter().skip(2).collect() })
    }
}

impl fmt::Display for HullIdNumber {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}-{}", self.country, self.rest)
    }
}

impl fmt::Display for HullIdFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Length(12) => f.write_str(
                "has 12 characters, ISO 10087 has 14: the country is missing. Put its two letters in front.",
            ),
            Self::Length(found) => write!(
                f,
                "has {found} characters, ISO 10087 has 14 besides the hyphen after the country. Copy it again \
                 from the hull, or leave it out and put it into the note."
            ),
            Self::Sign => f.write_str(
                "has a sign that is neither a letter nor a digit. Only one hyphen may stand, after the country.",
            ),
            Self::Country => {
                f.write_str("has no country: characters 1 and 2 must be letters. Copy it again from the hull.")
            }
            Self::Month => f.write_str(
                "has no month: character 11 (not counting the hyphen) must be A to L, January to December. \
                 Copy it again from the hull.",
            ),
            Self::Year => f.write_str(
                "has no year: character 12 (not counting the hyphen) must be a digit, the last of the year of \
                 manufacture. Copy it again from the hull.",
            ),
            Self::ModelYear => f.write_str(
                "has no model year: characters 13 and 14 (not counting the hyphen) must be digits. Copy it again \
                 from the hull.",
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// The parts as ISO 10087 orders them, from memory. Invented numbers of an invented country and maker.
    #[test]
    fn good_numbers_get_one_spelling() {
        for given in ["XX-ABC12345D626", "XXABC12345D626", "xx-abc12345d626", "xxAbC12345d626"] {
            let number = HullIdNumber::read(given).map(|number| number.to_string());
            assert_eq!(number.as_deref(), Ok("XX-ABC12345D626"), "{given}");
        }
        for (month, given) in ('A'..='L').map(|month| (month, format!("QZ-Q1Z000A1{month}009"))) {
            assert!(HullIdNumber::read(&given).is_ok(), "month {month}");
        }
    }

    #[test]
    fn a_refusal_names_the_part() {
        let bad = [
            ("", HullIdFault::Length(0)),
            ("XX", HullIdFault::Length(2)),
            ("XX-", HullIdFault::Length(2)),
            ("ABC12345D626", HullIdFault::Length(12)),
            ("XX-ABC12345D62", HullIdFault::Length(13)),
            ("XX-ABC12345D6261", HullIdFault::Length(15)),
            ("XX-ABC12345-D6-26", HullIdFault::Length(16)),
            (" XX-ABC12345D626", HullIdFault::Length(16)),
            ("XX-ABC1234-D626", HullIdFault::Sign),
            ("XX ABC1234D626", HullIdFault::Sign),
            ("XX-ABC1234 D626", HullIdFault::Sign),
            ("XÉ-ABC12345D626", HullIdFault::Sign),
            ("X1-ABC12345D626", HullIdFault::Country),
            ("12ABC12345D626", HullIdFault::Country),
            ("XX-ABC12345M626", HullIdFault::Month),
            ("XX-ABC123451626", HullIdFault::Month),
            ("XX-ABC12345DX26", HullIdFault::Year),
            ("XX-ABC12345D6X6", HullIdFault::ModelYear),
            ("XX-ABC12345D62X", HullIdFault::ModelYear),
        ];
        for (given, fault) in bad {
            assert_eq!(HullIdNumber::read(given), Err(fault), "{given}");
        }
    }

    proptest! {
        #[test]
        fn reading_what_was_written_changes_nothing(given in "[A-Za-z]{2}-?[A-Za-z0-9]{8}[A-La-l][0-9]{3}") {
            let once = HullIdNumber::read(&given).map(|number| number.to_string());
            prop_assert!(once.is_ok());
            let again = once.as_deref().map_err(|fault| *fault).and_then(HullIdNumber::read);
            prop_assert_eq!(again.map(|number| number.to_string()), once);
        }

        #[test]
        fn any_text_is_read_or_refused_within_the_column(given in "\\PC{0,20}") {
            if let Ok(number) = HullIdNumber::read(&given) {
                prop_assert_eq!(number.to_string().len(), 15);
            }
        }
    }
}

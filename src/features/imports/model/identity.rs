//! Which kept record a row speaks of, and that no two rows of a file speak of the same one.

use std::collections::HashMap;

/// A record that is kept, as rows can name it.
#[derive(Debug, Clone)]
pub struct Known<I> {
    /// Its id.
    pub id: I,
    /// Its reference.
    pub r#ref: Option<String>,
    /// What tells it where no reference does, e.g. vessel and day.
    pub key: Option<String>,
    /// Whether it was withdrawn as entered in error.
    pub withdrawn: bool,
}

/// What a row's names lead to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Found<I> {
    /// No record: a new one.
    New,
    /// This one.
    One(I),
    /// More than one, by their key: only a reference can tell them apart.
    Several,
    /// One that was withdrawn.
    Withdrawn,
}

/// The kept records that the rows of a file may speak of.
#[derive(Debug)]
pub struct Registry<I> {
    known: Vec<Known<I>>,
    by_ref: HashMap<String, usize>,
    by_key: HashMap<String, Vec<usize>>,
}

impl<I: Copy> Registry<I> {
    /// A registry of these records.
    #[must_use]
    pub fn of(known: Vec<Known<I>>) -> Self {
        let (mut by_ref, mut by_key) = (HashMap::new(), HashMap::<String, Vec<usize>>::new());
        for (n, record) in known.iter().enumerate() {
            if let Some(reference) = &record.r#ref {
                by_ref.insert(reference.clone(), n);
            }
            if let Some(key) = &record.key {
                by_key.entry(key.clone()).or_default().push(n);
            }
        }
        Self { known, by_ref, by_key }
    }

    /// The record a row speaks of. A reference leads to its record; an unknown reference or none, to the
    /// record of the same key. A row with a new reference is not the record that has another one.
    #[must_use]
    pub fn find(&self, reference: Option<&str>, key: Option<&str>) -> Found<I> {
        let record = |n: &usize| self.known.get(*n);
        if let Some(known) = reference.and_then(|text| self.by_ref.get(text)).and_then(record) {
            return if known.withdrawn { Found::Withdrawn } else { Found::One(known.id) };
        }
        let alike: Vec<&Known<I>> = key
            .and_then(|key| self.by_key.get(key))
            .into_iter()
            .flatten()
            .filter_map(record)
            .filter(|known| reference.is_none() || known.r#ref.is_none())
            .collect();
        let standing: Vec<&Known<I>> = alike.iter().filter(|known| !known.withdrawn).copied().collect();
        match standing.as_slice() {
            [] if alike.is_empty() => Found::New,
            [] => Found::Withdrawn,
            [one] => Found::One(one.id),
            _ => Found::Several,
        }
    }
}

/// The names that rows of a file have used so far, with their lines.
#[derive(Debug, Default)]
pub struct Used(HashMap<String, u32>);

impl Used {
    /// Notes a name; the line of the row that used it before, if one did.
    pub fn note(&mut self, name: String, line: u32) -> Option<u32> {
        match self.0.entry(name) {
            std::collections::hash_map::Entry::Occupied(earlier) => Some(*earlier.get()),
            std::collections::hash_map::Entry::Vacant(free) => {
                free.insert(line);
                None
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn registry() -> Registry<u8> {
        let known = |id, reference: Option<&str>, key: &str, withdrawn| Known {
            id,
            r#ref: reference.map(str::to_owned),
            key: Some(key.to_owned()),
            withdrawn,
        };
        Registry::of(vec![
            known(1, Some("A"), "k", false),
            known(2, None, "l", false),
            known(3, None, "m", false),
            known(4, Some("B"), "m", false),
            known(5, Some("C"), "n", true),
            known(6, None, "n", false),
            known(7, None, "o", true),
        ])
    }

    #[test]
    fn a_row_finds_the_record_it_speaks_of() {
        let registry = registry();
        let table = [
            (Some("A"), Some("k"), Found::One(1)),
            (Some("A"), Some("l"), Found::One(1)),
            (None, Some("k"), Found::One(1)),
            // Another reference than the one kept: another record.
            (Some("Z"), Some("k"), Found::New),
            // Kept without a reference: the reference is new, the record is not.
            (Some("Z"), Some("l"), Found::One(2)),
            (None, Some("m"), Found::Several),
            (Some("Z"), Some("m"), Found::One(3)),
            (Some("C"), Some("n"), Found::Withdrawn),
            (None, Some("n"), Found::One(6)),
            (None, Some("o"), Found::Withdrawn),
            (None, Some("p"), Found::New),
            (Some("Z"), None, Found::New),
        ];
        for (reference, key, found) in table {
            assert_eq!(registry.find(reference, key), found, "{reference:?} {key:?}");
        }
    }

    #[test]
    fn the_second_use_of_a_name_tells_the_first() {
        let mut used = Used::default();
        assert_eq!(used.note("ref A".to_owned(), 2), None);
        assert_eq!(used.note("ref B".to_owned(), 3), None);
        assert_eq!(used.note("ref A".to_owned(), 4), Some(2));
        assert_eq!(used.note("ref A".to_owned(), 5), Some(2));
    }
}

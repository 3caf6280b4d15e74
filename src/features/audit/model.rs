//! The chain over an organisation's audit: each link holds the digest of the link before and of its own row, so that
//! a row changed, taken out or slipped in breaks it. Whoever can write the whole table can make a new chain; the
//! heads written to a file elsewhere are what that one does not reach.

use sha2::{Digest, Sha256};

/// A link, with the fields of its row as text, in the order of `audit_text` in the migration.
#[derive(Debug, Clone)]
pub struct Link {
    /// Its number, from 1.
    pub sequence: i64,
    /// The digest of the link before.
    pub previous_sha256: Vec<u8>,
    /// Its own.
    pub row_sha256: Vec<u8>,
    /// The row; nothing but absent fields where the row is gone.
    pub fields: Vec<Option<String>>,
}

/// What stands before the first link.
pub const NOTHING: [u8; 32] = [0; 32];

/// SHA-256 over the digest before and the fields: each as its length in characters, a colon and its text, an absent
/// one as a hyphen, with commas between.
#[must_use]
pub fn digest(previous: &[u8], fields: &[Option<String>]) -> [u8; 32] {
    let text: Vec<String> = fields
        .iter()
        .map(|field| field.as_ref().map_or_else(|| "-".to_owned(), |f| format!("{}:{f}", f.chars().count())))
        .collect();
    Sha256::new().chain_update(previous).chain_update(text.join(",")).finalize().into()
}

/// Follows a chain from its beginning.
#[derive(Debug, Clone)]
pub struct Follower {
    /// The number of the last link followed.
    pub sequence: i64,
    /// Its digest.
    pub head: Vec<u8>,
}

impl Default for Follower {
    fn default() -> Self {
        Self { sequence: 0, head: NOTHING.to_vec() }
    }
}

impl Follower {
    /// Takes the next link.
    ///
    /// # Errors
    /// What is wrong with it, as a sentence.
    pub fn follow(&mut self, link: &Link) -> Result<(), String> {
        let n = link.sequence;
        if n != self.sequence + 1 {
            return Err(format!("Link {} is missing.", self.sequence + 1));
        }
        if link.previous_sha256 != self.head {
            return Err(format!("Link {n} does not follow the one before it."));
        }
        if link.fields.iter().all(Option::is_none) {
            return Err(format!("The row of link {n} is gone."));
        }
        if digest(&link.previous_sha256, &link.fields)[..] != link.row_sha256[..] {
            return Err(format!("The row of link {n} was changed since it was recorded."));
        }
        self.sequence = n;
        self.head.clone_from(&link.row_sha256);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::{NOTHING, digest};

    // SHA-256 of 32 zero bytes and "1:a,-,2:\u{e9}b" in UTF-8, computed with Python's hashlib.
    #[test]
    fn the_digest_is_that_of_another_implementation() {
        let fields = [Some("a".to_owned()), None, Some("\u{e9}b".to_owned())];
        let hex: String = digest(&NOTHING, &fields).iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(hex, "4ea67437b2212c193f5e9c41dc671571118a24f970d5d71d5bb8a615a28ea3ee");
    }
}

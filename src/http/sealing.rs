//! Secrets that the database keeps sealed (ChaCha20-Poly1305, RFC 8439), with a key that stays in a 0600 file: a
//! copy of the database alone opens none of them.

use std::path::Path;

use ring::aead::{Aad, CHACHA20_POLY1305, LessSafeKey, NONCE_LEN, Nonce, UnboundKey};

use crate::error::{Error, Result};
use crate::http::tokens::{random, write_secret};

/// The key.
pub struct SealingKey(LessSafeKey);

impl SealingKey {
    /// Reads the key file, or makes one (0600) where there is none.
    ///
    /// # Errors
    /// Internal when the file can be neither read nor made, or holds no key.
    pub fn load_or_create(path: &Path) -> Result<Self> {
        if !path.exists() {
            write_secret(path, &random::<32>()?)?;
        }
        let bytes = std::fs::read(path).map_err(Error::internal)?;
        let key = UnboundKey::new(&CHACHA20_POLY1305, &bytes)
            .map_err(|cause| Error::internal(cause.to_string()))?;
        Ok(Self(LessSafeKey::new(key)))
    }

    /// Seals a secret for its `owner`: for another it does not open.
    ///
    /// # Errors
    /// Internal.
    pub fn seal(&self, owner: &[u8], secret: &[u8]) -> Result<Vec<u8>> {
        let nonce = random::<NONCE_LEN>()?;
        let mut sealed = secret.to_vec();
        self.0
            .seal_in_place_append_tag(Nonce::assume_unique_for_key(nonce), Aad::from(owner), &mut sealed)
            .map_err(|cause| Error::internal(cause.to_string()))?;
        Ok([nonce.as_slice(), &sealed].concat())
    }

    /// Opens what was sealed for `owner`.
    ///
    /// # Errors
    /// Internal, when it was sealed with another key, for another owner, or changed since.
    pub fn open(&self, owner: &[u8], sealed: &[u8]) -> Result<Vec<u8>> {
        let broken = || Error::internal("a sealed secret does not open with this key");
        let (nonce, rest) = sealed.split_first_chunk::<NONCE_LEN>().ok_or_else(broken)?;
        let mut secret = rest.to_vec();
        let opened = self
            .0
            .open_in_place(Nonce::assume_unique_for_key(*nonce), Aad::from(owner), &mut secret)
            .map_err(|_unopened| broken())?;
        Ok(opened.to_vec())
    }
}

#[cfg(test)]
mod tests {
    use super::SealingKey;

    #[test]
    fn it_opens_for_its_owner_whole_and_with_its_key_only() {
        let folder = tempfile::tempdir().expect("a folder");
        let key = SealingKey::load_or_create(&folder.path().join("a")).expect("a key");
        let sealed = key.seal(b"owner", b"secret").expect("sealed");
        assert!(!sealed.windows(6).any(|window| window == b"secret"));
        assert_eq!(key.open(b"owner", &sealed).expect("opened"), b"secret");
        let again = SealingKey::load_or_create(&folder.path().join("a")).expect("the same key");
        assert_eq!(again.open(b"owner", &sealed).expect("opened"), b"secret");
        key.open(b"another", &sealed).expect_err("of another owner");
        let other = SealingKey::load_or_create(&folder.path().join("b")).expect("another key");
        other.open(b"owner", &sealed).expect_err("another key");
        let mut changed = sealed.clone();
        changed[14] ^= 1;
        key.open(b"owner", &changed).expect_err("changed");
        key.open(b"owner", &sealed[..5]).expect_err("cut off");
    }
}

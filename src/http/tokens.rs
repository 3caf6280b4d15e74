//! Access tokens: JWT signed with Ed25519 (RFC 8037), one organisation, ten minutes. The private key is a
//! 0600 file, never a table.

use std::fs;
use std::io::Write;
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::{DateTime, Duration, Utc};
use jsonwebtoken::{Algorithm, DecodingKey, EncodingKey, Header, Validation};
use ring::signature::{Ed25519KeyPair, KeyPair};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::error::{Code, Error, Result};
use crate::ids::{OrgId, PersonId};
use crate::permissions::Role;

/// How long an access token holds, in minutes.
pub const ACCESS_MINUTES: i64 = 10;
const ISSUER: &str = "garboard";
const AUDIENCE: &str = "garboard";
/// Longer tokens are refused unread.
const MAX_TOKEN_BYTES: usize = 4096;

/// What an access token says.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Claims {
    iss: String,
    aud: String,
    /// The person.
    pub sub: PersonId,
    /// The organisation.
    pub org: OrgId,
    /// The person's role there.
    pub role: Role,
    iat: i64,
    nbf: i64,
    exp: i64,
}

/// The key pair and its name.
pub struct TokenKeys {
    encoding: EncodingKey,
    decoding: DecodingKey,
    kid: String,
}

impl TokenKeys {
    /// Reads the key file, or makes one (0600) where there is none.
    ///
    /// # Errors
    /// Internal when the file can be neither read nor made, or holds no Ed25519 key.
    pub fn load_or_create(path: &Path) -> Result<Self> {
        if !path.exists() {
            let pkcs8 = Ed25519KeyPair::generate_pkcs8(&ring::rand::SystemRandom::new())
                .map_err(|cause| Error::internal(cause.to_string()))?;
            let mut file = fs::OpenOptions::new()
                .write(true)
                .create_new(true)
                .mode(0o600)
                .open(path)
                .map_err(Error::internal)?;
            file.write_all(pkcs8.as_ref()).map_err(Error::internal)?;
        }
        Self::from_pkcs8(&fs::read(path).map_err(Error::internal)?)
    }

    fn from_pkcs8(pkcs8: &[u8]) -> Result<Self> {
        let pair = Ed25519KeyPair::from_pkcs8(pkcs8).map_err(|cause| Error::internal(cause.to_string()))?;
        let public = pair.public_key().as_ref();
        Ok(Self {
            encoding: EncodingKey::from_ed_der(pkcs8),
            decoding: DecodingKey::from_ed_der(public),
            kid: URL_SAFE_NO_PAD.encode(&Sha256::digest(public)[..12]),
        })
    }

    /// Signs an access token that holds from `now` on.
    ///
    /// # Errors
    /// Internal, if signing fails.
    pub fn sign(&self, sub: PersonId, org: OrgId, role: Role, now: DateTime<Utc>) -> Result<String> {
        let claims = Claims {
            iss: ISSUER.to_owned(),
            aud: AUDIENCE.to_owned(),
            sub,
            org,
            role,
            iat: now.timestamp(),
            nbf: now.timestamp(),
            exp: (now + Duration::minutes(ACCESS_MINUTES)).timestamp(),
        };
        let mut header = Header::new(Algorithm::EdDSA);
        header.kid = Some(self.kid.clone());
        jsonwebtoken::encode(&header, &claims, &self.encoding).map_err(Error::internal)
    }

    /// Verifies signature, issuer, audience and times.
    ///
    /// # Errors
    /// Unauthenticated, with the same words whatever is wrong.
    pub fn verify(&self, token: &str, now: DateTime<Utc>) -> Result<Claims> {
        if token.len() > MAX_TOKEN_BYTES {
            return Err(refused());
        }
        let mut validation = Validation::new(Algorithm::EdDSA);
        validation.set_issuer(&[ISSUER]);
        validation.set_audience(&[AUDIENCE]);
        validation.set_required_spec_claims(&["exp", "nbf", "iss", "aud", "sub"]);
        // Times are checked below against our clock, which tests can set.
        validation.validate_exp = false;
        validation.validate_nbf = false;
        let read = jsonwebtoken::decode::<Claims>(token, &self.decoding, &validation)
            .map_err(|cause| refused().because(cause))?;
        let at = now.timestamp();
        if read.header.kid.as_deref() != Some(self.kid.as_str())
            || at < read.claims.nbf
            || at >= read.claims.exp
        {
            return Err(refused());
        }
        Ok(read.claims)
    }
}

fn refused() -> Error {
    Error::new(
        Code::Unauthenticated,
        "The access token does not hold. Sign in or refresh, and send it as Authorization: Bearer.",
    )
}

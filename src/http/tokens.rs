//! Access tokens: JWT signed with Ed25519 (RFC 8037), one organisation, ten minutes. The private keys are 0600
//! files, never a table. The newest key signs, all in the folder verify, and their public halves are published
//! (RFC 7517): a key is replaced by a newer one beside it, and removed when its last token has run out.

use std::fs;
use std::io::Write;
use std::os::unix::fs::{DirBuilderExt, MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration as Span, Instant};

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::{DateTime, Duration, Utc};
use jsonwebtoken::{Algorithm, DecodingKey, EncodingKey, Header, Validation};
use ring::signature::{Ed25519KeyPair, KeyPair};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::error::{Code, Error, Result};
use crate::ids::{Id, OrgId, PersonId, ProgramId, RequestId};
use crate::permissions::{Powers, Role, Scope};

/// How long an access token holds, in minutes.
pub const ACCESS_MINUTES: i64 = 10;
const ISSUER: &str = "garboard";
const AUDIENCE: &str = "garboard";
/// Longer tokens are refused unread.
const MAX_TOKEN_BYTES: usize = 4096;
/// A key made by another process signs from then on at the latest.
const READ_AGAIN: Span = Span::from_mins(1);
/// The folder is not read more often than this, whatever tokens come.
const READ_AT_MOST: Span = Span::from_secs(1);

/// What an access token says.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Claims {
    iss: String,
    aud: String,
    sub: Uuid,
    org: OrgId,
    /// Of a person.
    #[serde(skip_serializing_if = "Option::is_none")]
    role: Option<Role>,
    /// Of a program: words with spaces between (RFC 8693, 4.2).
    #[serde(skip_serializing_if = "Option::is_none")]
    scope: Option<String>,
    iat: i64,
    nbf: i64,
    exp: i64,
}

/// Who a token speaks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Subject {
    /// A member.
    Person(PersonId),
    /// A program.
    Program(ProgramId),
}

/// What a verified token says.
#[derive(Debug, Clone)]
pub struct Verified {
    /// Who.
    pub subject: Subject,
    /// For which organisation.
    pub org_id: OrgId,
    /// What it may do.
    pub powers: Powers,
}

/// The published half of a key (RFC 7517; RFC 8037, section 2).
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PublicKey {
    /// The key type, `OKP`.
    pub kty: &'static str,
    /// The curve, `Ed25519`.
    pub crv: &'static str,
    /// What it is for: `sig`.
    #[serde(rename = "use")]
    pub usage: &'static str,
    /// The algorithm, `EdDSA`.
    pub alg: &'static str,
    /// The name by which a token refers to it.
    pub kid: String,
    /// The public key, base64url.
    pub x: String,
}

struct Key {
    encoding: EncodingKey,
    decoding: DecodingKey,
    public: PublicKey,
}

impl Key {
    fn from_pkcs8(pkcs8: &[u8]) -> Result<Self> {
        let pair = Ed25519KeyPair::from_pkcs8(pkcs8).map_err(|cause| Error::internal(cause.to_string()))?;
        let public = pair.public_key().as_ref();
        Ok(Self {
            encoding: EncodingKey::from_ed_der(pkcs8),
            decoding: DecodingKey::from_ed_der(public),
            public: PublicKey {
                kty: "OKP",
                crv: "Ed25519",
                usage: "sig",
                alg: "EdDSA",
                kid: URL_SAFE_NO_PAD.encode(&Sha256::digest(public)[..12]),
                x: URL_SAFE_NO_PAD.encode(public),
            },
        })
    }
}

/// The keys of a folder, the newest first.
pub struct TokenKeys {
    folder: PathBuf,
    known: Mutex<(Arc<Vec<Key>>, Instant)>,
}

impl TokenKeys {
    /// Reads the folder of keys, or makes one with a first key where there is none.
    ///
    /// # Errors
    /// Internal when it can be neither read nor made, or holds something that is no Ed25519 key.
    pub fn load_or_create(folder: &Path) -> Result<Self> {
        if files(folder)?.is_empty() {
            add_key(folder)?;
        }
        let keys = Arc::new(read(folder)?);
        Ok(Self { folder: folder.to_owned(), known: Mutex::new((keys, Instant::now())) })
    }

    /// The keys, read again when they were read longer ago than `age`.
    fn keys(&self, age: Span) -> Arc<Vec<Key>> {
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        if known.1.elapsed() >= age {
            match read(&self.folder) {
                Ok(keys) if !keys.is_empty() => known.0 = Arc::new(keys),
                Ok(_) => tracing::error!("the folder of the token keys is empty; the keys known go on"),
                Err(error) => tracing::error!(cause = ?error.cause, "the token keys cannot be read again"),
            }
            known.1 = Instant::now();
        }
        known.0.clone()
    }

    /// The public keys, the one that signs first.
    #[must_use]
    pub fn public(&self) -> Vec<PublicKey> {
        self.keys(READ_AT_MOST).iter().map(|key| key.public.clone()).collect()
    }

    /// Signs an access token of a person that holds from `now` on.
    ///
    /// # Errors
    /// Internal, if signing fails.
    pub fn sign(&self, person: PersonId, org: OrgId, role: Role, now: DateTime<Utc>) -> Result<String> {
        self.sign_claims(person.into(), org, Some(role), None, now)
    }

    /// Signs an access token of a program that holds from `now` on.
    ///
    /// # Errors
    /// Internal, if signing fails.
    pub fn sign_program(
        &self,
        program: ProgramId,
        org: OrgId,
        scopes: &[Scope],
        now: DateTime<Utc>,
    ) -> Result<String> {
        self.sign_claims(program.into(), org, None, Some(scope_words(scopes)?), now)
    }

    fn sign_claims(
        &self,
        sub: Uuid,
        org: OrgId,
        role: Option<Role>,
        scope: Option<String>,
        now: DateTime<Utc>,
    ) -> Result<String> {
        let claims = Claims {
            iss: ISSUER.to_owned(),
            aud: AUDIENCE.to_owned(),
            sub,
            org,
            role,
            scope,
            iat: now.timestamp(),
            nbf: now.timestamp(),
            exp: (now + Duration::minutes(ACCESS_MINUTES)).timestamp(),
        };
        let keys = self.keys(READ_AGAIN);
        let key = keys.first().ok_or_else(|| Error::internal("there is no token key"))?;
        let mut header = Header::new(Algorithm::EdDSA);
        header.kid = Some(key.public.kid.clone());
        jsonwebtoken::encode(&header, &claims, &key.encoding).map_err(Error::internal)
    }

    /// Verifies signature, issuer, audience and times.
    ///
    /// # Errors
    /// Unauthenticated, with the same words whatever is wrong.
    pub fn verify(&self, token: &str, now: DateTime<Utc>) -> Result<Verified> {
        if token.len() > MAX_TOKEN_BYTES {
            return Err(refused());
        }
        let header = jsonwebtoken::decode_header(token).map_err(|cause| refused().because(cause))?;
        let kid = header.kid.ok_or_else(refused)?;
        let mut keys = self.keys(READ_AGAIN);
        if !keys.iter().any(|key| key.public.kid == kid) {
            // Another process may have begun to sign with a newer key.
            keys = self.keys(READ_AT_MOST);
        }
        let key = keys.iter().find(|key| key.public.kid == kid).ok_or_else(refused)?;
        let mut validation = Validation::new(Algorithm::EdDSA);
        validation.set_issuer(&[ISSUER]);
        validation.set_audience(&[AUDIENCE]);
        validation.set_required_spec_claims(&["exp", "nbf", "iss", "aud", "sub"]);
        // Times are checked below against our clock, which tests can set.
        validation.validate_exp = false;
        validation.validate_nbf = false;
        let claims = jsonwebtoken::decode::<Claims>(token, &key.decoding, &validation)
            .map_err(|cause| refused().because(cause))?
            .claims;
        let at = now.timestamp();
        if at < claims.nbf || at >= claims.exp {
            return Err(refused());
        }
        let (subject, powers) = match (claims.role, claims.scope) {
            (Some(role), None) => (Subject::Person(claims.sub.into()), Powers::Role(role)),
            (None, Some(scope)) => {
                let scopes = scopes_of(&scope).map_err(|cause| refused().because(cause))?;
                (Subject::Program(claims.sub.into()), Powers::Scopes(scopes))
            }
            _ => return Err(refused()),
        };
        Ok(Verified { subject, org_id: claims.org, powers })
    }
}

/// Makes a new key beside the others; it signs from now on. The `kid` of the new one.
///
/// # Errors
/// Internal, when it cannot be written.
pub fn add_key(folder: &Path) -> Result<String> {
    fs::DirBuilder::new().recursive(true).mode(0o700).create(folder).map_err(Error::internal)?;
    if rustix::process::geteuid().is_root() {
        give_to_who_serves(folder)?;
    }
    let pkcs8 = Ed25519KeyPair::generate_pkcs8(&ring::rand::SystemRandom::new())
        .map_err(|cause| Error::internal(cause.to_string()))?;
    // Ids are ordered by the time they are made, so the files are.
    write_secret(&folder.join(format!("{}.pkcs8", RequestId::fresh())), pkcs8.as_ref())?;
    Ok(Key::from_pkcs8(pkcs8.as_ref())?.public.kid)
}

/// Removes all keys but the newest; the tokens that the others signed hold no longer. How many went.
///
/// # Errors
/// Internal, when one cannot be removed.
pub fn remove_older_keys(folder: &Path) -> Result<usize> {
    let files = files(folder)?;
    let older = files.len().saturating_sub(1);
    for file in files.iter().take(older) {
        fs::remove_file(file).map_err(Error::internal)?;
    }
    Ok(older)
}

/// The key files, the oldest first.
fn files(folder: &Path) -> Result<Vec<PathBuf>> {
    if !folder.exists() {
        return Ok(Vec::new());
    }
    let entries = fs::read_dir(folder).map_err(Error::internal)?;
    let mut files = Vec::new();
    for entry in entries {
        let path = entry.map_err(Error::internal)?.path();
        if path.extension().is_some_and(|extension| extension == "pkcs8") {
            files.push(path);
        }
    }
    files.sort();
    Ok(files)
}

fn read(folder: &Path) -> Result<Vec<Key>> {
    let read = |path: &PathBuf| Key::from_pkcs8(&fs::read(path).map_err(Error::internal)?);
    files(folder)?.iter().rev().map(read).collect()
}

/// Writes a secret into a new file that only its owner reads.
///
/// # Errors
/// Internal, when it cannot be written or is there already.
pub fn write_secret(path: &Path, secret: &[u8]) -> Result<()> {
    let mut options = fs::OpenOptions::new();
    let mut file = options.write(true).create_new(true).mode(0o600).open(path).map_err(Error::internal)?;
    file.write_all(secret).map_err(Error::internal)?;
    if rustix::process::geteuid().is_root() {
        give_to_who_serves(path)?;
    }
    Ok(())
}

/// Whoever owns the folder above is the one who serves: what a command or a start as root makes is made for them.
fn give_to_who_serves(path: &Path) -> Result<()> {
    let Some(above) = path.parent() else { return Ok(()) };
    let (above, made) =
        (fs::metadata(above).map_err(Error::internal)?, fs::metadata(path).map_err(Error::internal)?);
    if above.uid() == made.uid() {
        return Ok(());
    }
    std::os::unix::fs::chown(path, Some(above.uid()), Some(above.gid())).map_err(Error::internal)
}

/// Bytes that nobody can guess.
///
/// # Errors
/// Internal, when the system has no randomness.
pub fn random<const N: usize>() -> Result<[u8; N]> {
    let mut bytes = [0_u8; N];
    getrandom::fill(&mut bytes).map_err(|cause| Error::internal(cause.to_string()))?;
    Ok(bytes)
}

/// Scopes as the words of RFC 6749, 3.3.
///
/// # Errors
/// Internal.
pub fn scope_words(scopes: &[Scope]) -> Result<String> {
    Ok(scopes.iter().map(crate::codes::to_text).collect::<Result<Vec<_>>>()?.join(" "))
}

/// The scopes that words name, each once.
///
/// # Errors
/// Of [`crate::codes::from_text`], for a word that names none.
pub fn scopes_of(words: &str) -> Result<Vec<Scope>> {
    let mut scopes = words
        .split(' ')
        .filter(|word| !word.is_empty())
        .map(crate::codes::from_text)
        .collect::<Result<Vec<_>>>()?;
    scopes.sort_unstable();
    scopes.dedup();
    Ok(scopes)
}

fn refused() -> Error {
    Error::new(
        Code::Unauthenticated,
        "The access token does not hold. Sign in or refresh, and send it as Authorization: Bearer.",
    )
}

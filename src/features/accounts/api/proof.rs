//! Proving who one is: a password, and a code where the person has a second factor.

use std::net::IpAddr;

use argon2::Argon2;
use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{PasswordHasher, PasswordVerifier};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use sha2::{Digest, Sha256};

use crate::error::{Code, Error, Result};
use crate::features::accounts::api::second_factor::step_of;
use crate::features::accounts::store::{links, sessions as store};
use crate::http::state::AppState;
use crate::http::tokens::random;
use crate::ids::PersonId;

/// Verified when the account does not exist, so that both answers take the same work.
const NOBODY: &str =
    "$argon2id$v=19$m=19456,t=2,p=1$c29tZXNhbHRzb21lc2FsdA$zKlIMvBVjYxyX3HJMcXTJn1zcTEUyCSTFMLMTbzxR0Y";

/// Hashes a password with argon2id.
///
/// # Errors
/// Internal.
pub fn hash_password(password: &str) -> Result<String> {
    Argon2::default()
        .hash_password(password.as_bytes())
        .map(|hash| hash.to_string())
        .map_err(|cause| Error::internal(cause.to_string()))
}

/// The refusal of a sign-in, whatever was wrong.
#[must_use]
pub fn refused() -> Error {
    Error::new(
        Code::Unauthenticated,
        "Address and password do not match an account. Check both, or ask an administrator of your organisation.",
    )
}

/// What is offered as proof.
#[derive(Debug, Clone, Copy)]
pub struct Proof<'a> {
    /// The e-mail address.
    pub email: &'a str,
    /// The password.
    pub password: &'a str,
    /// The code of the second factor.
    pub code: Option<&'a str>,
}

/// The person who proves to be the one of the address. Always one verification of a password, whether there is
/// such an account or not.
///
/// # Errors
/// Too many; unauthenticated; a code is required.
pub fn prove(app: &AppState, from: IpAddr, proof: Proof<'_>) -> Result<PersonId> {
    app.guards.sign_in.admit(proof.email, from)?;
    let candidate = app.db.sign_in(|conn| store::candidate(conn, proof.email))?;
    let hash = candidate.as_ref().map_or(NOBODY, |c| c.password_hash.as_str());
    let parsed = PasswordHash::new(hash).map_err(|cause| Error::internal(cause.to_string()))?;
    let matches = Argon2::default().verify_password(proof.password.as_bytes(), &parsed).is_ok();
    let candidate = candidate.filter(|_| matches).ok_or_else(refused)?;
    let person_id = candidate.person_id;
    if let (Some(sealed), true) = (candidate.second_factor_sealed, candidate.second_factor_confirmed) {
        let step_at = proof
            .code
            .map(|code| step_of(app, person_id, &sealed, code))
            .transpose()?
            .flatten()
            .ok_or_else(code_required)?;
        if !app.db.sign_in(|conn| links::spend_code(conn, person_id, step_at))? {
            return Err(code_required());
        }
    }
    Ok(person_id)
}

/// The person of a permit proves it once more, for what a stolen access token must not do.
///
/// # Errors
/// As [`prove`].
pub fn prove_again(
    app: &AppState,
    from: IpAddr,
    person_id: PersonId,
    password: &str,
    code: Option<&str>,
) -> Result<()> {
    let email = app.db.sign_in(|conn| store::address_of(conn, person_id))?;
    prove(app, from, Proof { email: &email, password, code }).map(|_| ())
}

fn code_required() -> Error {
    Error::new(
        Code::CodeRequired,
        "This account asks for the code of its second factor, each code once. Send the present one as code.",
    )
}

/// A secret to hand out, behind the ids of what it opens, and the digest that is kept of it.
///
/// # Errors
/// Internal, when the system has no randomness.
pub fn fresh_secret(ids: &[uuid::Uuid]) -> Result<(String, [u8; 32])> {
    let secret = random::<32>()?;
    let mut bytes: Vec<u8> = ids.iter().flat_map(|id| *id.as_bytes()).collect();
    bytes.extend_from_slice(&secret);
    Ok((URL_SAFE_NO_PAD.encode(bytes), Sha256::digest(secret).into()))
}

/// The bytes of a one-time token.
#[must_use]
pub fn token_bytes(token: &str) -> Option<Vec<u8>> {
    URL_SAFE_NO_PAD.decode(token.trim()).ok()
}

//! The optional second factor: one-time codes by time (TOTP, RFC 6238: SHA-1, six digits, thirty seconds, one step
//! of tolerance either way, each code once).

use std::net::IpAddr;

use actix_web::{HttpResponse, post};
use chrono::{DateTime, Utc};
use garde::Validate;
use serde::{Deserialize, Serialize};
use totp_rs::{Builder, Secret, Totp};
use utoipa::ToSchema;

use crate::error::{Code, Error, Result};
use crate::features::accounts::api::proof::prove_again;
use crate::features::accounts::store::{acts, links, sessions as store};
use crate::http::problem::OwnProblems;
use crate::http::state::{AppState, blocking};
use crate::http::tokens::random;
use crate::http::{App, Outcome, Permit, Plain};
use crate::ids::PersonId;
use crate::permissions::BeOneself;

const STEP_S: u64 = 30;
/// 160 bits, as RFC 4226, section 4, requirement R6, recommends.
const SECRET_BYTES: usize = 20;

/// The password, once more.
#[derive(Debug, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PasswordAgain {
    /// The password of the account.
    #[garde(length(max = 800))]
    #[schema(max_length = 800)]
    pub password: String,
    /// The present code, where the account has a second factor already.
    #[garde(inner(length(max = 12)))]
    #[schema(max_length = 12)]
    pub code: Option<String>,
}

/// A code.
#[derive(Debug, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SecondFactorCode {
    /// The six digits that the other device shows now.
    #[garde(length(max = 12))]
    #[schema(max_length = 12)]
    pub code: String,
}

/// A second factor to take up. It is asked for once a code has confirmed it.
#[derive(Debug, Serialize, ToSchema)]
pub struct SecondFactorView {
    /// The secret in base32 (RFC 4648), shown this once.
    pub secret: String,
    /// The same as an address that other devices read, often from a QR code.
    pub uri: String,
}

fn totp(secret: &[u8]) -> Result<Totp> {
    let secret: [u8; SECRET_BYTES] =
        secret.try_into().map_err(|_wrong| Error::internal("a second factor of another length"))?;
    Builder::new()
        .with_digits(6)
        .with_skew(1)
        .with_step_duration(STEP_S)
        .with_secret(Secret::new_stack(secret))
        .build()
        .map_err(|cause| Error::internal(cause.to_string()))
}

/// The beginning of the time step whose code this is, if it is one of now.
///
/// # Errors
/// Internal, when the secret cannot be opened.
pub fn step_of(
    app: &AppState,
    person_id: PersonId,
    sealed: &[u8],
    code: &str,
) -> Result<Option<DateTime<Utc>>> {
    let owner = uuid::Uuid::from(person_id);
    let secret = app.guards.sealing.open(owner.as_bytes(), sealed)?;
    let now = u64::try_from(app.clock.now().timestamp()).map_err(Error::internal)?;
    let step = totp(&secret)?.check(code.trim(), now);
    Ok(step.and_then(|step| DateTime::from_timestamp(i64::try_from(step * STEP_S).ok()?, 0)))
}

/// RFC 4648, section 6, without padding.
fn base32(bytes: &[u8]) -> String {
    const ALPHABET: &[u8; 32] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZ234567";
    let bits: Vec<u8> = bytes.iter().flat_map(|byte| (0..8).rev().map(move |n| byte >> n & 1)).collect();
    bits.chunks(5)
        .map(|five| {
            (0..5).fold(0_usize, |value, n| value << 1 | usize::from(five.get(n).copied().unwrap_or(0)))
        })
        .filter_map(|value| ALPHABET.get(value).map(|&letter| char::from(letter)))
        .collect()
}

fn person(permit: &Permit<BeOneself>) -> Result<PersonId> {
    permit.actor().person_id.ok_or_else(|| Error::new(Code::Forbidden, "Sign in as a person."))
}

/// Makes a second factor for your account, or replaces the one it has.
#[utoipa::path(tag = "accounts", security(("bearer" = [])), request_body = PasswordAgain,
    responses((status = 200, description = "The secret, shown this once", body = SecondFactorView), OwnProblems))]
#[post("/v1/me/second-factor")]
pub async fn request_second_factor(
    app: App,
    permit: Permit<BeOneself>,
    body: Plain<PasswordAgain>,
) -> Outcome {
    let person_id = person(&permit)?;
    let from = permit.address();
    let view = blocking(move || make(&app, from, person_id, &body.0));
    Ok(HttpResponse::Ok().insert_header(("cache-control", "no-store")).json(view.await?))
}

/// Makes a second factor, to be confirmed.
///
/// # Errors
/// Those of [`prove_again`] and of the database.
pub fn make(
    app: &AppState,
    from: IpAddr,
    person_id: PersonId,
    again: &PasswordAgain,
) -> Result<SecondFactorView> {
    prove_again(app, from, person_id, &again.password, again.code.as_deref())?;
    let secret = random::<SECRET_BYTES>()?;
    let sealed = app.guards.sealing.seal(uuid::Uuid::from(person_id).as_bytes(), &secret)?;
    let email = app.db.sign_in(|conn| {
        links::keep_second_factor(conn, person_id, Some(&sealed), false)?;
        store::address_of(conn, person_id)
    })?;
    let secret = base32(&secret);
    let account: String = form_urlencoded::byte_serialize(email.as_bytes()).collect();
    let uri = format!("otpauth://totp/garboard:{account}?secret={secret}&issuer=garboard");
    Ok(SecondFactorView { secret, uri })
}

/// Confirms a second factor with its first code: signing in asks for one from now on.
#[utoipa::path(tag = "accounts", security(("bearer" = [])), request_body = SecondFactorCode,
    responses((status = 204, description = "Signing in asks for a code from now on"), OwnProblems))]
#[post("/v1/me/second-factor/confirmation")]
pub async fn confirm_second_factor(
    app: App,
    permit: Permit<BeOneself>,
    body: Plain<SecondFactorCode>,
) -> Outcome {
    let person_id = person(&permit)?;
    let from = permit.address();
    blocking(move || confirm(&app, from, person_id, &body.0.code)).await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Confirms a second factor with its first code.
///
/// # Errors
/// A conflict where there is none to confirm; invalid; those of the database.
pub fn confirm(app: &AppState, from: IpAddr, person_id: PersonId, code: &str) -> Result<()> {
    let email = app.db.sign_in(|conn| store::address_of(conn, person_id))?;
    app.guards.sign_in.admit(&email, from)?;
    let found = app.db.sign_in(|conn| store::candidate(conn, &email))?;
    let sealed = found.filter(|c| !c.second_factor_confirmed).and_then(|c| c.second_factor_sealed);
    let sealed = sealed.ok_or_else(|| {
        Error::new(Code::Conflict, "There is no second factor to confirm. Ask for one first.")
    })?;
    let step_at = step_of(app, person_id, &sealed, code)?.ok_or_else(|| {
        Error::field("/code", "rule", "is not the present code. Check the clock of the device that made it.")
    })?;
    app.db.sign_in(|conn| {
        links::keep_second_factor(conn, person_id, Some(&sealed), true)?;
        links::spend_code(conn, person_id, step_at)?;
        acts::record(conn, person_id, None, "confirm_second_factor", from, app.clock.now())
    })
}

/// Removes your second factor.
#[utoipa::path(tag = "accounts", security(("bearer" = [])), request_body = PasswordAgain,
    responses((status = 204, description = "The password alone signs in from now on"), OwnProblems))]
#[post("/v1/me/second-factor/removal")]
pub async fn remove_second_factor(
    app: App,
    permit: Permit<BeOneself>,
    body: Plain<PasswordAgain>,
) -> Outcome {
    let person_id = person(&permit)?;
    let from = permit.address();
    blocking(move || remove(&app, from, person_id, &body.0)).await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Removes a second factor.
///
/// # Errors
/// Those of [`prove_again`] and of the database.
pub fn remove(app: &AppState, from: IpAddr, person_id: PersonId, again: &PasswordAgain) -> Result<()> {
    prove_again(app, from, person_id, &again.password, again.code.as_deref())?;
    app.db.sign_in(|conn| {
        links::keep_second_factor(conn, person_id, None, false)?;
        acts::record(conn, person_id, None, "remove_second_factor", from, app.clock.now())
    })
}

#[cfg(test)]
mod tests {
    use super::{base32, totp};
    use totp_rs::{Builder, Secret};

    // RFC 6238, appendix B: the rows of SHA-1, secret "12345678901234567890", eight digits.
    const VECTORS: [(u64, &str); 6] = [
        (59, "94287082"),
        (1_111_111_109, "07081804"),
        (1_111_111_111, "14050471"),
        (1_234_567_890, "89005924"),
        (2_000_000_000, "69279037"),
        (20_000_000_000, "65353130"),
    ];
    const SECRET: &[u8; 20] = b"12345678901234567890";

    #[test]
    fn codes_are_those_of_the_standard() {
        let eight = Builder::new().with_digits(8).with_secret(Secret::new_stack(*SECRET)).build();
        let eight = eight.expect("the standard's secret is long enough");
        let ours = totp(SECRET).expect("the same");
        for (time_s, code) in VECTORS {
            assert_eq!(eight.generate(time_s).to_string(), code);
            // Fewer digits are the last ones: RFC 4226, section 5.3, takes the value modulo 10^digits.
            let six: String = code.chars().skip(2).collect();
            assert_eq!(ours.generate(time_s).to_string(), six);
            assert_eq!(ours.check(&six, time_s), Some(time_s / 30));
            assert_eq!(ours.check(&six, time_s + 30), Some(time_s / 30), "one step late");
            assert_eq!(ours.check(&six, time_s + 90), None, "three steps late");
        }
        for other in ["", "28708", "2870820", "abcdef", "287083"] {
            assert_eq!(ours.check(other, 59), None, "{other}");
        }
    }

    // RFC 4648, section 10, without the padding.
    #[test]
    fn base32_is_that_of_the_standard() {
        for (bytes, text) in [
            ("", ""),
            ("f", "MY"),
            ("fo", "MZXQ"),
            ("foo", "MZXW6"),
            ("foob", "MZXW6YQ"),
            ("fooba", "MZXW6YTB"),
            ("foobar", "MZXW6YTBOI"),
        ] {
            assert_eq!(base32(bytes.as_bytes()), text);
        }
    }
}

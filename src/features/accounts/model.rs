//! The rules of accounts.

use chrono::{DateTime, Utc};
use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::error::{Error, Result};
use crate::permissions::{Role, Scope};

/// What an organisation says of itself.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, Validate, ToSchema)]
pub struct OrganisationFields {
    /// Its name.
    #[garde(length(chars, min = 1, max = 200))]
    #[schema(min_length = 1, max_length = 200)]
    pub name: String,
    /// The IANA name of its time zone, e.g. `Europe/Lisbon`: the day on which something is due begins there.
    #[garde(custom(known_time_zone))]
    #[schema(example = "UTC")]
    pub time_zone: String,
}

/// A member taken in by whoever runs the service: a person by e-mail, with a first password unless the person
/// has one already.
#[derive(Debug, Clone, Validate)]
pub struct NewMemberFields {
    /// The person's e-mail address: the name to sign in with.
    #[garde(custom(email_address))]
    pub email: String,
    /// How others see the person.
    #[garde(length(chars, min = 1, max = 200))]
    pub display_name: String,
    /// The role here.
    #[garde(skip)]
    pub role: Role,
    /// A first password, 12 to 200 characters.
    #[garde(length(chars, min = 12, max = 200))]
    pub password: String,
}

/// Whom to invite.
#[derive(Debug, Clone, Serialize, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewInvitationFields {
    /// The person's e-mail address: the letter goes there, and the name to sign in with.
    #[garde(custom(email_address))]
    #[schema(min_length = 3, max_length = 254)]
    pub email: String,
    /// The role here.
    #[garde(skip)]
    pub role: Role,
}

/// What can be changed of a member.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, Validate, ToSchema)]
pub struct MemberFields {
    /// The role here.
    #[garde(skip)]
    pub role: Role,
    /// Whether the membership has ended.
    #[garde(skip)]
    pub ended: bool,
}

/// A program that calls the API for the organisation.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, Validate, ToSchema)]
pub struct ProgramFields {
    /// What it is called here.
    #[garde(length(chars, min = 1, max = 200))]
    #[schema(min_length = 1, max_length = 200)]
    pub name: String,
    /// What it may do.
    #[garde(length(min = 1, max = 6))]
    #[schema(min_items = 1, max_items = 6)]
    pub scopes: Vec<Scope>,
    /// When it ends by itself.
    #[garde(skip)]
    pub expires_at: Option<DateTime<Utc>>,
    /// Whether it has ended: it gets no more tokens, and those it has run out in ten minutes.
    #[garde(skip)]
    #[serde(default)]
    pub ended: bool,
}

impl ProgramFields {
    /// The same with each scope once, in one order.
    #[must_use]
    pub fn checked(mut self) -> Self {
        self.scopes.sort_unstable();
        self.scopes.dedup();
        self
    }
}

/// A garde rule: an IANA time zone.
///
/// # Errors
/// For any other name.
pub fn known_time_zone(name: &str, _: &()) -> garde::Result {
    name.parse::<chrono_tz::Tz>()
        .map(|_| ())
        .map_err(|_unknown| garde::Error::new("is not an IANA time zone; enter one such as Europe/Lisbon"))
}

fn email_address(address: &str, _: &()) -> garde::Result {
    let ok = address.len() <= 254
        && address.split_once('@').is_some_and(|(local, domain)| {
            !local.is_empty() && domain.contains('.') && !domain.starts_with('.') && !domain.ends_with('.')
        })
        && !address.chars().any(|c| c.is_whitespace() || c.is_control());
    if ok { Ok(()) } else { Err(garde::Error::new("is not an e-mail address")) }
}

/// An organisation keeps at least one administrator.
///
/// # Errors
/// Invalid, when the change would leave none.
pub fn keeps_an_administrator(other_administrators: i64, after: &MemberFields) -> Result<()> {
    if other_administrators > 0 || (after.role == Role::Administrator && !after.ended) {
        Ok(())
    } else {
        Err(Error::field(
            "/role",
            "last_administrator",
            "would leave the organisation without an administrator. Name another one first.",
        ))
    }
}

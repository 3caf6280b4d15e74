//! The rules of accounts.

use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::error::{Error, Result};
use crate::permissions::Role;

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

/// A member to take in: a person by e-mail, with a first password unless the person has one already.
#[derive(Debug, Clone, Serialize, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewMemberFields {
    /// The person's e-mail address: the name to sign in with.
    #[garde(custom(email_address))]
    #[schema(min_length = 3, max_length = 254)]
    pub email: String,
    /// How others see the person.
    #[garde(length(chars, min = 1, max = 200))]
    #[schema(min_length = 1, max_length = 200)]
    pub display_name: String,
    /// The role here.
    #[garde(skip)]
    pub role: Role,
    /// A first password, 12 to 200 characters.
    #[garde(length(chars, min = 12, max = 200))]
    #[schema(min_length = 12, max_length = 200)]
    pub password: String,
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

/// A garde rule: an IANA time zone.
pub fn known_time_zone(name: &String, _: &()) -> garde::Result {
    name.parse::<chrono_tz::Tz>()
        .map(|_| ())
        .map_err(|_unknown| garde::Error::new("is not an IANA time zone; enter one such as Europe/Lisbon"))
}

fn email_address(address: &String, _: &()) -> garde::Result {
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

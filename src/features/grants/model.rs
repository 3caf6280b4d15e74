//! The rules of grants and transfers.

use chrono::{DateTime, Utc};
use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::error::{Error, FieldError, Result};
use crate::ids::{OrgId, SiteId, VesselId};
pub use crate::permissions::GrantScope;

/// What is granted to whom, and for how long.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, Validate, ToSchema)]
pub struct GrantFields {
    /// The vessel; fixed.
    #[garde(skip)]
    pub vessel_id: VesselId,
    /// The organisation it is granted to, by the id that it reads at `/v1/organisation`; fixed.
    #[garde(skip)]
    pub grantee_org_id: OrgId,
    /// What it may do; fixed.
    #[garde(skip)]
    pub scope: GrantScope,
    /// From when on; at once when left out. Fixed.
    #[garde(skip)]
    #[serde(default)]
    pub from_at: Option<DateTime<Utc>>,
    /// Until when; open when left out.
    #[garde(skip)]
    #[serde(default)]
    pub until_at: Option<DateTime<Utc>>,
    /// A note. The other organisation does not see it.
    #[garde(length(chars, max = 4000))]
    #[schema(max_length = 4000)]
    #[serde(default)]
    pub note: Option<String>,
}

impl GrantFields {
    /// The fields with the beginning filled in, when the period is one.
    ///
    /// # Errors
    /// Invalid, when it ends before it begins.
    pub fn checked(self, now: DateTime<Utc>) -> Result<Self> {
        let from_at = self.from_at.unwrap_or(now);
        if self.until_at.is_some_and(|until| until <= from_at) {
            return Err(Error::field(
                "/until_at",
                "order",
                "is not after the beginning. Correct one of them, or revoke the grant.",
            ));
        }
        Ok(Self { from_at: Some(from_at), ..self })
    }

    /// Refuses a change of what is fixed.
    ///
    /// # Errors
    /// Invalid, naming the fields.
    pub fn changing(self, before: &Self) -> Result<Self> {
        let fixed = [
            ("/vessel_id", self.vessel_id != before.vessel_id),
            ("/grantee_org_id", self.grantee_org_id != before.grantee_org_id),
            ("/scope", self.scope != before.scope),
            ("/from_at", self.from_at != before.from_at),
        ];
        let changed: Vec<FieldError> = fixed
            .iter()
            .filter(|(_, changed)| *changed)
            .map(|(pointer, _)| {
                FieldError::new(*pointer, "fixed", "is fixed. Revoke this grant and make another.")
            })
            .collect();
        if changed.is_empty() { Ok(self) } else { Err(Error::invalid(changed)) }
    }
}

/// How a grant stands at an instant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum GrantState {
    /// It begins later.
    Upcoming,
    /// It holds.
    Live,
    /// Its time is over.
    Ended,
    /// It was revoked.
    Revoked,
}

impl GrantState {
    /// Of a period, or its revocation.
    #[must_use]
    pub fn at(
        now: DateTime<Utc>,
        from_at: DateTime<Utc>,
        until_at: Option<DateTime<Utc>>,
        revoked_at: Option<DateTime<Utc>>,
    ) -> Self {
        if revoked_at.is_some() {
            Self::Revoked
        } else if until_at.is_some_and(|until| until <= now) {
            Self::Ended
        } else if from_at > now {
            Self::Upcoming
        } else {
            Self::Live
        }
    }
}

/// To whom a vessel is offered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, Validate, ToSchema)]
pub struct OfferFields {
    /// The organisation that is to have it, by the id that it reads at `/v1/organisation`.
    #[garde(skip)]
    pub to_org_id: OrgId,
    /// A note, which the other organisation reads.
    #[garde(length(chars, max = 4000))]
    #[schema(max_length = 4000)]
    #[serde(default)]
    pub note: Option<String>,
}

/// Where the vessel will lie.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TransferAcceptance {
    /// A site of your organisation; none when left out, and can be named later.
    #[garde(skip)]
    #[serde(default)]
    pub site_id: Option<SiteId>,
}

/// How a transfer stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum TransferState {
    /// It waits for the other organisation.
    Offered,
    /// The vessel is the other's.
    Accepted,
    /// The other did not want it.
    Declined,
    /// The offer was taken back.
    Withdrawn,
}

#[cfg(test)]
mod tests {
    use super::{DateTime, GrantState, Utc};

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().unwrap_or_default()
    }

    #[test]
    fn a_grant_holds_from_its_first_instant_until_before_its_last() {
        let (from, until) = (at("2026-06-01T00:00:00Z"), Some(at("2026-07-01T00:00:00Z")));
        let state = |now: &str| GrantState::at(at(now), from, until, None);
        assert_eq!(state("2026-05-31T23:59:59Z"), GrantState::Upcoming);
        assert_eq!(state("2026-06-01T00:00:00Z"), GrantState::Live);
        assert_eq!(state("2026-06-30T23:59:59Z"), GrantState::Live);
        assert_eq!(state("2026-07-01T00:00:00Z"), GrantState::Ended);
        let revoked = GrantState::at(at("2026-06-10T00:00:00Z"), from, None, Some(from));
        assert_eq!(revoked, GrantState::Revoked);
    }
}

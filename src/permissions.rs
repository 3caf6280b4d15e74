//! Roles, and what each may do. A permission is a type: an endpoint that does not name one gets no data.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::error::{Code, Error, Result};

/// A member's role in an organisation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Runs the organisation's account: everything below, members and policies too.
    Administrator,
    /// The hull lead: decides who comes out when; everything but members.
    Lead,
    /// Takes readings, grades what is found, signs.
    Surveyor,
    /// Does the work: haul-outs, coats, readings.
    Crew,
    /// Reads.
    Reader,
}

/// What a program may be given: the permissions that need no person.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Scope {
    /// Read everything but members and the audit.
    Read,
    /// Enter and change sites and vessels, import.
    KeepRegister,
    /// Record haul-outs, coats and treatments.
    RecordWork,
    /// Record stations, readings and findings.
    RecordReadings,
    /// Write surveys; signing takes a person.
    Survey,
    /// Set the limits the dates follow.
    SetPolicy,
}

/// What a caller has been given: a person's role, or a program's scopes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Powers {
    /// Of a member.
    Role(Role),
    /// Of a program.
    Scopes(Vec<Scope>),
}

impl Powers {
    /// Refuses a caller without the permission `P`.
    ///
    /// # Errors
    /// Forbidden.
    pub fn require<P: Permission>(&self) -> Result<()> {
        let (given, why) = match self {
            Self::Role(role) => (P::ROLES.contains(role), "Your role does"),
            Self::Scopes(scopes) => {
                (P::SCOPE.is_some_and(|scope| scopes.contains(&scope)), "The scopes of your token do")
            }
        };
        if given {
            return Ok(());
        }
        Err(Error::new(
            Code::Forbidden,
            format!("{why} not allow you to {}. Ask an administrator of your organisation.", P::TO),
        ))
    }
}

/// What a grant lets another organisation do on a vessel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum GrantScope {
    /// Read all that is recorded of the vessel, and what its dates rest on.
    Read,
    /// Read, and record stations, surveys, readings and findings.
    RecordSurveys,
    /// Read, and record haul-outs, coats, films, climate and treatments.
    RecordTreatments,
}

/// What a request would do in the rows of another organisation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Deed {
    /// Read: a grant of any scope lets it.
    Read,
    /// Record: a grant lets it whose scope covers the kind of record.
    Record,
    /// Rule over what is the organisation's own: its register, its limits, its members. No grant lets it.
    Rule,
}

/// What an endpoint needs. The types below are all there are.
pub trait Permission: 'static {
    /// What is lacking when it is refused, as a phrase: "to ...".
    const TO: &'static str;
    /// The roles that have it.
    const ROLES: &'static [Role];
    /// The scope of a program that has it; none where it takes a person.
    const SCOPE: Option<Scope>;

    /// What whoever has it would do as a guest.
    #[must_use]
    fn deed() -> Deed {
        match Self::SCOPE {
            Some(Scope::Read) => Deed::Read,
            Some(Scope::RecordWork | Scope::RecordReadings | Scope::Survey) => Deed::Record,
            Some(Scope::KeepRegister | Scope::SetPolicy) | None => Deed::Rule,
        }
    }
}

macro_rules! permission {
    ($(#[$doc:meta])* $name:ident, $to:literal, [$($role:ident),+], $scope:expr) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy)]
        pub struct $name;
        impl Permission for $name {
            const TO: &'static str = $to;
            const ROLES: &'static [Role] = &[$(Role::$role),+];
            const SCOPE: Option<Scope> = $scope;
        }
    };
}

permission!(/** Read everything but the audit. */ Read, "read", [Administrator, Lead, Surveyor, Crew, Reader], Some(Scope::Read));
permission!(/** Enter and change sites and vessels, import. */ KeepRegister, "change the register", [Administrator, Lead], Some(Scope::KeepRegister));
permission!(/** Record haul-outs, coats and treatments. */ RecordWork, "record haul-outs, coats and treatments", [Administrator, Lead, Crew], Some(Scope::RecordWork));
permission!(/** Record stations, readings and findings. */ RecordReadings, "record readings and findings", [Administrator, Lead, Surveyor, Crew], Some(Scope::RecordReadings));
permission!(/** Write and sign surveys. */ Survey, "write and sign surveys", [Administrator, Lead, Surveyor], Some(Scope::Survey));
permission!(/** Set the limits the dates follow. */ SetPolicy, "set policies", [Administrator, Lead], Some(Scope::SetPolicy));
permission!(/** Members and the organisation itself; the audit. */ Administer, "administer the organisation", [Administrator], None);
permission!(/** Grant vessels to other organisations, and transfer them. */ GrantVessels, "grant or transfer vessels", [Administrator], None);
permission!(/** Act on one\'s own account. */ BeOneself, "act on an account of your own: sign in as a person", [Administrator, Lead, Surveyor, Crew, Reader], None);

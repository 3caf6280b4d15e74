//! Roles, and what each may do. A permission is a type: an endpoint that does not name one gets no data.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

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

/// What an endpoint needs. The types below are all there are.
pub trait Permission: 'static {
    /// What is lacking when it is refused, as a phrase: "to ...".
    const TO: &'static str;
    /// The roles that have it.
    const ROLES: &'static [Role];
}

macro_rules! permission {
    ($(#[$doc:meta])* $name:ident, $to:literal, [$($role:ident),+]) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy)]
        pub struct $name;
        impl Permission for $name {
            const TO: &'static str = $to;
            const ROLES: &'static [Role] = &[$(Role::$role),+];
        }
    };
}

permission!(/** Read everything but the audit. */ Read, "read", [Administrator, Lead, Surveyor, Crew, Reader]);
permission!(/** Enter and change sites and vessels, import. */ KeepRegister, "change the register", [Administrator, Lead]);
permission!(/** Record haul-outs, coats and treatments. */ RecordWork, "record haul-outs, coats and treatments", [Administrator, Lead, Crew]);
permission!(/** Record stations, readings and findings. */ RecordReadings, "record readings and findings", [Administrator, Lead, Surveyor, Crew]);
permission!(/** Write and sign surveys. */ Survey, "write and sign surveys", [Administrator, Lead, Surveyor]);
permission!(/** Set the limits the dates follow. */ SetPolicy, "set policies", [Administrator, Lead]);
permission!(/** Members and the organisation itself; the audit. */ Administer, "administer the organisation", [Administrator]);

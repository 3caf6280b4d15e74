//! Who acts, for whom, and in which request: what every transaction carries.

use std::net::IpAddr;

use crate::db::ground::About;
use crate::ids::{OrgId, PersonId, ProgramId, RequestId};
use crate::permissions::Deed;

/// The one on whose behalf a transaction runs. A handler gets it from its permit and from nowhere else.
#[derive(Debug, Clone)]
pub struct Actor {
    /// The organisation that acts.
    pub org_id: OrgId,
    /// The person, or nobody for the service's own work.
    pub person_id: Option<PersonId>,
    /// The program that calls, if it is one.
    pub program_id: Option<ProgramId>,
    /// Where the request came from; none for the service's own work.
    pub address: Option<IpAddr>,
    /// The request or command.
    pub request_id: RequestId,
    /// The record under a vessel that the request names in its address, if it does.
    pub about: Option<About>,
    /// What it would do where that is another organisation's.
    pub deed: Deed,
}

impl Actor {
    /// The service itself, at work for one organisation.
    #[must_use]
    pub fn service(org_id: OrgId, request_id: RequestId) -> Self {
        Self {
            org_id,
            person_id: None,
            program_id: None,
            address: None,
            request_id,
            about: None,
            deed: Deed::Rule,
        }
    }
}

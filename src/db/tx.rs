//! The tenant transaction.

use chrono::{DateTime, Utc};
use diesel::PgConnection;

use crate::db::actor::Actor;
use crate::ids::{OrgId, PersonId};

/// An open transaction in which row-level security shows one organisation's rows. Every store function
/// takes one; nobody else can make one.
pub struct Tx<'a> {
    pub(super) conn: &'a mut PgConnection,
    pub(super) actor: &'a Actor,
    pub(super) now: DateTime<Utc>,
    /// In whose rows it works: its own organisation's, or that of a vessel granted to it.
    pub(super) ground: OrgId,
    /// The other organisations it has to do with, as the policies know them.
    pub(super) partners: Vec<OrgId>,
}

impl Tx<'_> {
    /// The connection, for a store's statements.
    pub fn conn(&mut self) -> &mut PgConnection {
        self.conn
    }

    /// Who acts.
    #[must_use]
    pub fn actor(&self) -> &Actor {
        self.actor
    }

    /// The organisation in whose rows this works: every statement names it. It is the one that acts, unless the request
    /// is about a vessel of another that is granted to it.
    #[must_use]
    pub fn org_id(&self) -> OrgId {
        self.ground
    }

    /// The organisation that acts: whose keys, lists and audit these are.
    #[must_use]
    pub fn acting_org_id(&self) -> OrgId {
        self.actor.org_id
    }

    /// The person who acts, if it is one.
    #[must_use]
    pub fn person_id(&self) -> Option<PersonId> {
        self.actor.person_id
    }

    /// The one instant of this transaction.
    #[must_use]
    pub fn now(&self) -> DateTime<Utc> {
        self.now
    }
}

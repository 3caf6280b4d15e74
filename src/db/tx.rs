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

    /// The organisation: every statement names it.
    #[must_use]
    pub fn org_id(&self) -> OrgId {
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

//! Identifiers: a type for each kind of record, each a `UUIDv7` (RFC 9562), so that one cannot stand for another.

use diesel::deserialize::{self, FromSql, FromSqlRow};
use diesel::expression::AsExpression;
use diesel::pg::{Pg, PgValue};
use diesel::serialize::{self, Output, ToSql};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// What all identifiers can do.
pub trait Id: Copy + std::fmt::Display + From<Uuid> + Into<Uuid> {
    /// The word for the record in problem documents and paths, e.g. `vessel`.
    const KIND: &'static str;
    /// A new identifier of this moment.
    fn fresh() -> Self;
}

macro_rules! id {
    ($(#[$doc:meta])* $name:ident, $kind:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
                 AsExpression, FromSqlRow, utoipa::ToSchema)]
        #[diesel(sql_type = diesel::sql_types::Uuid)]
        #[serde(transparent)]
        #[schema(value_type = Uuid)]
        pub struct $name(Uuid);

        impl Id for $name {
            const KIND: &'static str = $kind;
            #[allow(clippy::disallowed_methods, reason = "identifiers are made here and nowhere else")]
            fn fresh() -> Self {
                Self(Uuid::now_v7())
            }
        }
        impl From<Uuid> for $name {
            fn from(uuid: Uuid) -> Self {
                Self(uuid)
            }
        }
        impl From<$name> for Uuid {
            fn from(id: $name) -> Self {
                id.0
            }
        }
        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                self.0.fmt(f)
            }
        }
        impl ToSql<diesel::sql_types::Uuid, Pg> for $name {
            fn to_sql<'b>(&'b self, out: &mut Output<'b, '_, Pg>) -> serialize::Result {
                <Uuid as ToSql<diesel::sql_types::Uuid, Pg>>::to_sql(&self.0, out)
            }
        }
        impl FromSql<diesel::sql_types::Uuid, Pg> for $name {
            fn from_sql(bytes: PgValue<'_>) -> deserialize::Result<Self> {
                <Uuid as FromSql<diesel::sql_types::Uuid, Pg>>::from_sql(bytes).map(Self)
            }
        }
    };
}

id!(/** An organisation: the tenant. */ OrgId, "organisation");
id!(/** A person, member of one or more organisations. */ PersonId, "person");
id!(/** A session of a person: the family of its refresh tokens. */ FamilyId, "session");
id!(/** An invitation to an organisation. */ InvitationId, "invitation");
id!(/** A program that calls the API for an organisation. */ ProgramId, "program");
id!(/** A secret of a program. */ SecretId, "secret");
id!(/** An audit row. */ AuditId, "audit row");
id!(/** A job. */ JobId, "job");
id!(/** An event. */ EventId, "event");
id!(/** A subscription to events. */ SubscriptionId, "subscription");
id!(/** An event on its way to a subscription. */ DeliveryId, "delivery");
id!(/** A site. */ SiteId, "site");
id!(/** A vessel. */ VesselId, "vessel");
id!(/** A grant on a vessel to another organisation. */ GrantId, "grant");
id!(/** A transfer of a vessel to another organisation. */ TransferId, "transfer");
id!(/** A haul-out. */ HaulOutId, "haul-out");
id!(/** A station on a vessel's bottom. */ StationId, "station");
id!(/** A survey. */ SurveyId, "survey");
id!(/** A reading. */ ReadingId, "reading");
id!(/** A finding. */ FindingId, "finding");
id!(/** A product. */ ProductId, "product");
id!(/** A coat. */ CoatId, "coat");
id!(/** A measured film of a coat. */ FilmId, "film");
id!(/** A climate value. */ ClimateValueId, "climate value");
id!(/** A treatment. */ TreatmentId, "treatment");
id!(/** What was done or decided in a treatment under way. */ EntryId, "entry");
id!(/** An attachment. */ AttachmentId, "attachment");
id!(/** An object: the bytes of an attachment, outside the database. */ ObjectId, "object");
id!(/** A calibration: what was learned from a fleet. */ CalibrationId, "calibration");
id!(/** A policy. */ PolicyId, "policy");
id!(/** A row of the due list. */ DueId, "due row");
id!(/** A calendar that a person subscribes to. */ CalendarFeedId, "calendar");
id!(/** A weekly letter sent to a member. */ DigestLetterId, "letter");
id!(/** One HTTP request or one command, for the log and the audit. */ RequestId, "request");

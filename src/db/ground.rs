//! In whose rows a request works. A request about a vessel, or a record under one, works in the rows of the vessel's
//! organisation: its own, or another's that granted the vessel to it. This is the one place where that is found, from
//! the id in the address, in a filter, or in the body of a creation; handlers and stores name [`Tx::org_id`] and know
//! nothing of it. What is seen and written there is decided by row-level security; here it is told in words.

use diesel::prelude::*;
use diesel::sql_types::{Nullable, Text, Timestamptz, Uuid as SqlUuid};
use uuid::Uuid;

use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::ids::OrgId;
use crate::permissions::{Deed, GrantScope};

/// A kind of record under a vessel, or the vessel itself.
#[derive(Debug, PartialEq, Eq)]
pub struct Under {
    /// Its collection in an address.
    pub collection: &'static str,
    /// The field or filter that names one.
    pub field: &'static str,
    /// The word for it ([`crate::ids::Id::KIND`]).
    pub kind: &'static str,
    /// Where its ids are found; each table has `org_id`, `id` and, but for vessels, `vessel_id`.
    pub tables: &'static [&'static str],
    /// The scope that records it; none for what no grant lets record.
    pub scope: Option<GrantScope>,
}

const fn under(
    collection: &'static str,
    field: &'static str,
    kind: &'static str,
    tables: &'static [&'static str],
    scope: Option<GrantScope>,
) -> Under {
    Under { collection, field, kind, tables, scope }
}

const SURVEYS: Option<GrantScope> = Some(GrantScope::RecordSurveys);
const TREATMENTS: Option<GrantScope> = Some(GrantScope::RecordTreatments);

/// All kinds of records that can be resolved, those that a body names first to last.
pub static UNDER: [Under; 10] = [
    under("vessels", "vessel_id", "vessel", &["vessels"], None),
    under("surveys", "survey_id", "survey", &["surveys"], SURVEYS),
    under("haul-outs", "haul_out_id", "haul-out", &["haul_outs"], TREATMENTS),
    under("stations", "station_id", "station", &["stations"], SURVEYS),
    under("readings", "reading_id", "reading", &["readings"], SURVEYS),
    under("findings", "finding_id", "finding", &["findings"], SURVEYS),
    under("coats", "coat_id", "coat", &["coats"], TREATMENTS),
    under("films", "film_id", "film", &["coat_films"], TREATMENTS),
    under("treatments", "treatment_id", "treatment", &["treatment_plans", "treatments"], TREATMENTS),
    // The evidence.
    under("attachments", "attachment_id", "attachment", &["attachments"], SURVEYS),
];

/// The record a request is about.
#[derive(Debug, Clone, Copy)]
pub struct About {
    under: &'static Under,
    id: Uuid,
    /// The scope that what is to be recorded needs, where that is known.
    needs: Option<GrantScope>,
}

impl About {
    /// The record of a collection, if it is one under a vessel.
    #[must_use]
    pub fn in_collection(collection: &str, id: Uuid) -> Option<Self> {
        let under = UNDER.iter().find(|under| under.collection == collection)?;
        Some(Self { under, id, needs: under.scope })
    }

    /// The first record under a vessel among what fields name, as `named` tells it of a field.
    #[must_use]
    pub fn among(named: impl Fn(&str) -> Option<Uuid>) -> Option<Self> {
        UNDER.iter().find_map(|under| Some(Self { under, id: named(under.field)?, needs: under.scope }))
    }

    /// As the record that another is to be put under into this collection, if that is one of records under a vessel.
    #[must_use]
    pub fn into_collection(self, collection: &str) -> Self {
        let scope = UNDER.iter().find(|under| under.collection == collection).and_then(|under| under.scope);
        Self { needs: scope.or(self.needs), ..self }
    }

    /// As the record that another of this kind is to be created under.
    #[must_use]
    pub fn creating(self, kind: &str) -> Self {
        let scope = UNDER.iter().find(|under| under.kind == kind).and_then(|under| under.scope);
        Self { needs: scope.or(self.needs), ..self }
    }
}

/// A place where the record is.
#[derive(QueryableByName)]
struct Place {
    #[diesel(sql_type = SqlUuid)]
    org_id: OrgId,
    /// The scopes of the live grants on its vessel, with spaces between.
    #[diesel(sql_type = Nullable<Text>)]
    scopes: Option<String>,
}

impl Tx<'_> {
    /// Works, from here on, in the rows of the organisation where the record is: its own first, then the one other that
    /// ever granted it a vessel. Found nowhere, it works in its own and finds nothing.
    ///
    /// # Errors
    /// Forbidden, when the record may be read and no more, or not what is to be done; those of the database.
    pub fn work_at(&mut self, about: About) -> Result<()> {
        if self.ground != self.actor.org_id || self.is_own(about)? {
            return Ok(());
        }
        let mut places = self.places(about)?;
        // One that two organisations have cannot be told apart: an id of a client's choice that came twice.
        let (Some(place), true) = (places.pop(), places.is_empty()) else { return Ok(()) };
        self.join(place.org_id)?;
        self.ground = place.org_id;
        let deed = self.actor.deed;
        let scopes: Vec<&str> = place.scopes.as_deref().unwrap_or_default().split_whitespace().collect();
        let covered = match about.needs {
            Some(GrantScope::RecordSurveys) => scopes.contains(&"record_surveys"),
            Some(GrantScope::RecordTreatments) => scopes.contains(&"record_treatments"),
            Some(GrantScope::Read) | None => scopes.iter().any(|scope| scope.starts_with("record_")),
        };
        match deed {
            Deed::Read => Ok(()),
            Deed::Record if covered => Ok(()),
            // A vessel once granted is as unknown as any other.
            _ if scopes.is_empty() && about.under.field == "vessel_id" => {
                self.ground = self.actor.org_id;
                Ok(())
            }
            Deed::Record if scopes.is_empty() => Err(Error::new(
                Code::Forbidden,
                "The grant on this vessel has ended: what your organisation recorded stays readable, and is not changed any more. Ask the vessel's organisation for a new grant.",
            )),
            Deed::Record => Err(Error::new(
                Code::Forbidden,
                "Your organisation's grant on this vessel does not let it record this. Ask the vessel's organisation for one that does.",
            )),
            Deed::Rule => Err(Error::new(
                Code::Forbidden,
                "This is for the vessel's organisation alone. A grant lets others read and record, and no more.",
            )),
        }
    }

    /// Has to do with another organisation, from here to the end of the transaction: the policies let it see what its
    /// grants and transfers with that one are for.
    ///
    /// # Errors
    /// Those of the database.
    pub fn join(&mut self, partner: OrgId) -> Result<()> {
        if partner == self.actor.org_id || self.partners.contains(&partner) {
            return Ok(());
        }
        self.partners.push(partner);
        let partners = self.partners.iter().map(ToString::to_string).collect::<Vec<_>>().join(",");
        diesel::sql_query("SELECT set_config('app.partners', $1, true)")
            .bind::<Text, _>(partners)
            .execute(self.conn)?;
        Ok(())
    }

    /// Whether the id is that of a record of this kind that the acting organisation can see elsewhere than in the rows it
    /// works in: such an id cannot be chosen for a new record, since it would not be told apart.
    ///
    /// # Errors
    /// Those of the database.
    pub fn is_seen_elsewhere(&mut self, kind: &str, id: Uuid) -> Result<bool> {
        let Some(under) = UNDER.iter().find(|under| under.kind == kind) else { return Ok(false) };
        let places = under
            .tables
            .iter()
            .map(|table| {
                format!(
                    "SELECT t.org_id, NULL::text AS scopes FROM {table} t WHERE t.id = $1 AND t.org_id <> $3 AND t.org_id IN (
                         SELECT $2 UNION SELECT g.org_id FROM grants g WHERE g.grantee_org_id = $2)"
                )
            })
            .collect::<Vec<_>>()
            .join(" UNION ");
        let found: Vec<Place> = diesel::sql_query(places)
            .bind::<SqlUuid, _>(id)
            .bind::<SqlUuid, _>(self.actor.org_id)
            .bind::<SqlUuid, _>(self.ground)
            .load(self.conn)?;
        Ok(!found.is_empty())
    }

    fn is_own(&mut self, about: About) -> Result<bool> {
        let rows = about
            .under
            .tables
            .iter()
            .map(|table| {
                format!(
                    "(SELECT org_id, NULL::text AS scopes FROM {table} WHERE org_id = $2 AND id = $1 LIMIT 1)"
                )
            })
            .collect::<Vec<_>>()
            .join(" UNION ALL ");
        let found: Vec<Place> = diesel::sql_query(rows)
            .bind::<SqlUuid, _>(about.id)
            .bind::<SqlUuid, _>(self.actor.org_id)
            .load(self.conn)?;
        Ok(!found.is_empty())
    }

    /// Where else the record is, among the organisations that ever granted a vessel to the acting one. Of a vessel the
    /// grant tells, so that what was recorded under one stays to be found when the grant has ended.
    fn places(&mut self, about: About) -> Result<Vec<Place>> {
        let rows = about
            .under
            .tables
            .iter()
            .map(|table| match *table {
                "vessels" => "SELECT g.org_id, g.vessel_id FROM grants g WHERE g.grantee_org_id = $2 AND g.vessel_id = $1".to_owned(),
                table => format!(
                    "SELECT t.org_id, t.vessel_id FROM {table} t WHERE t.id = $1 AND t.org_id IN (
                         SELECT g.org_id FROM grants g WHERE g.grantee_org_id = $2)"
                ),
            })
            .collect::<Vec<_>>()
            .join(" UNION ");
        let query = format!(
            "SELECT DISTINCT r.org_id, (SELECT string_agg(l.scope, ' ') FROM grants l
                 WHERE l.grantee_org_id = $2 AND l.org_id = r.org_id AND l.vessel_id = r.vessel_id AND l.revoked_at IS NULL
                   AND l.from_at <= $3 AND (l.until_at IS NULL OR l.until_at > $3)) AS scopes
             FROM ({rows}) AS r LIMIT 2"
        );
        Ok(diesel::sql_query(query)
            .bind::<SqlUuid, _>(about.id)
            .bind::<SqlUuid, _>(self.actor.org_id)
            .bind::<Timestamptz, _>(self.now)
            .load(self.conn)?)
    }
}

//! Rows of measured films.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use serde_json::Value;

use crate::codes;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::coat_films::{self, self as f};
use crate::error::{Error, Result};
use crate::features::coats::model::film::{FilmFields, Judged};
use crate::ids::{CoatId, FilmId, OrgId, PersonId, VesselId};

/// A film as stored.
#[derive(Debug, Clone)]
pub struct Film {
    /// Its id.
    pub id: FilmId,
    /// The vessel: the coat's.
    pub vessel_id: VesselId,
    /// The coat.
    pub coat_id: CoatId,
    /// Its fields.
    pub fields: FilmFields,
    /// Whether its rule accepts it, as judged when it was entered.
    pub accepted: bool,
    /// Mean dry film.
    pub mean_film_um: f64,
    /// Thinnest dry film.
    pub thinnest_film_um: f64,
    /// Thickest dry film.
    pub thickest_film_um: f64,
    /// The parts of the rule that are not kept, as [`crate::science::film::FilmFailure`].
    pub failures: Value,
    /// When it was recorded.
    pub recorded_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
    /// The organisation that recorded it.
    pub author_org_id: OrgId,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = coat_films)]
struct FilmRow {
    id: FilmId,
    vessel_id: VesselId,
    coat_id: CoatId,
    supersedes_id: Option<FilmId>,
    method: String,
    rule: String,
    nominal_um: f64,
    max_um: Option<f64>,
    level: Option<i32>,
    readings_um: Value,
    volume_solids_pct: Option<f64>,
    loss_fraction: Option<f64>,
    measured_at: DateTime<Utc>,
    note: Option<String>,
    accepted: bool,
    mean_film_um: f64,
    thinnest_film_um: f64,
    thickest_film_um: f64,
    failures: Value,
    recorded_at: DateTime<Utc>,
    recorded_by: Option<PersonId>,
    author_org_id: OrgId,
}

impl FilmRow {
    fn film(self) -> Result<Film> {
        let fields = FilmFields {
            method: codes::from_text(&self.method)?,
            rule: codes::from_text(&self.rule)?,
            nominal_um: self.nominal_um,
            max_um: self.max_um,
            level: self.level,
            readings_um: serde_json::from_value(self.readings_um).map_err(Error::internal)?,
            volume_solids_pct: self.volume_solids_pct,
            loss_fraction: self.loss_fraction,
            measured_at: self.measured_at,
            supersedes_id: self.supersedes_id,
            note: self.note,
        };
        Ok(Film {
            id: self.id,
            vessel_id: self.vessel_id,
            coat_id: self.coat_id,
            fields,
            accepted: self.accepted,
            mean_film_um: self.mean_film_um,
            thinnest_film_um: self.thinnest_film_um,
            thickest_film_um: self.thickest_film_um,
            failures: self.failures,
            recorded_at: self.recorded_at,
            recorded_by: self.recorded_by,
            author_org_id: self.author_org_id,
        })
    }
}

/// Adds a film to a coat.
///
/// # Errors
/// A film that is not the coat's or was superseded already; those of the database.
pub fn insert(
    tx: &mut Tx<'_>,
    id: FilmId,
    coat_id: CoatId,
    vessel_id: VesselId,
    judged: &Judged,
) -> Result<()> {
    let (org_id, now, person) = (tx.org_id(), tx.now(), tx.person_id());
    let Judged { fields, output } = judged;
    diesel::insert_into(f::table)
        .values((
            f::org_id.eq(org_id),
            f::id.eq(id),
            f::vessel_id.eq(vessel_id),
            f::coat_id.eq(coat_id),
            f::supersedes_id.eq(fields.supersedes_id),
            f::method.eq(codes::to_text(&fields.method)?),
            f::rule.eq(codes::to_text(&fields.rule)?),
            f::nominal_um.eq(fields.nominal_um),
            f::max_um.eq(fields.max_um),
            f::level.eq(fields.level),
            f::readings_um.eq(serde_json::to_value(&fields.readings_um).map_err(Error::internal)?),
            f::volume_solids_pct.eq(fields.volume_solids_pct),
            f::loss_fraction.eq(fields.loss_fraction),
            f::measured_at.eq(fields.measured_at),
            f::note.eq(&fields.note),
            f::accepted.eq(output.accepted),
            f::mean_film_um.eq(output.mean_um),
            f::thinnest_film_um.eq(output.min_um),
            f::thickest_film_um.eq(output.max_um),
            f::failures.eq(serde_json::to_value(&output.failures).map_err(Error::internal)?),
            f::recorded_at.eq(now),
            f::recorded_by.eq(person),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// One film.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: FilmId) -> Result<Film> {
    let row: Option<FilmRow> =
        coat_films::table.find((tx.org_id(), id)).select(FilmRow::as_select()).first(tx.conn()).optional()?;
    row.ok_or_else(|| Error::not_found("film"))?.film()
}

/// The films that no other took the place of and that `wanted` chooses, by coat and time.
macro_rules! standing {
    ($tx:ident, $wanted:expr) => {{
        let later = diesel::alias!(coat_films as later);
        let superseded = later
            .filter(
                later.field(f::org_id).eq(f::org_id).and(later.field(f::supersedes_id).eq(f::id.nullable())),
            )
            .select(later.field(f::id));
        let rows: Vec<FilmRow> = f::table
            .filter(f::org_id.eq($tx.org_id()).and($wanted))
            .filter(diesel::dsl::not(diesel::dsl::exists(superseded)))
            .order((f::coat_id, f::measured_at, f::id))
            .select(FilmRow::as_select())
            .load($tx.conn())?;
        rows.into_iter().map(FilmRow::film).collect()
    }};
}

/// The films of some coats that no other took the place of, by coat and the time they were measured.
///
/// # Errors
/// Those of the database.
pub fn of_coats(tx: &mut Tx<'_>, coat_ids: &[CoatId]) -> Result<Vec<Film>> {
    standing!(tx, f::coat_id.eq_any(coat_ids))
}

/// The films of some vessels' coats that no other took the place of, by coat and the time they were measured.
///
/// # Errors
/// Those of the database.
pub fn of_vessels(tx: &mut Tx<'_>, vessel_ids: &[VesselId]) -> Result<Vec<Film>> {
    standing!(tx, f::vessel_id.eq_any(vessel_ids))
}

/// All films of some coats, superseded ones too, by coat and the time they were measured.
///
/// # Errors
/// Those of the database.
pub fn all_of_coats(tx: &mut Tx<'_>, coat_ids: &[CoatId]) -> Result<Vec<Film>> {
    let rows: Vec<FilmRow> = f::table
        .filter(f::org_id.eq(tx.org_id()).and(f::coat_id.eq_any(coat_ids)))
        .order((f::coat_id, f::measured_at, f::recorded_at, f::id))
        .select(FilmRow::as_select())
        .load(tx.conn())?;
    rows.into_iter().map(FilmRow::film).collect()
}

/// The films of a coat as they were recorded, superseded ones too.
///
/// # Errors
/// Those of the database.
pub fn list(tx: &mut Tx<'_>, coat_id: CoatId, page: PageRequest) -> Result<Slice<Film>> {
    let mut query = f::table.filter(f::org_id.eq(tx.org_id()).and(f::coat_id.eq(coat_id))).into_boxed();
    if let Some((time, id)) = page.after_time() {
        let id = FilmId::from(id);
        query = query.filter(f::recorded_at.gt(time).or(f::recorded_at.eq(time).and(f::id.gt(id))));
    }
    let rows: Vec<FilmRow> = query
        .order((f::recorded_at, f::id))
        .limit(page.fetch())
        .select(FilmRow::as_select())
        .load(tx.conn())?;
    let found = rows.into_iter().map(FilmRow::film).collect::<Result<Vec<_>>>()?;
    Ok(page.slice(found, |film| Position::at(film.recorded_at, film.id)))
}

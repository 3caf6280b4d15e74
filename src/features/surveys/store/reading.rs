//! Rows of readings: a correction is the next version of the same id.

use chrono::{DateTime, Utc};
use diesel::dsl::avg;
use diesel::prelude::*;

use crate::codes;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::{readings, stations};
use crate::db::views::current_readings;
use crate::error::{Error, Result};
use crate::features::surveys::model::reading::{KnownReading, KnownReadings, ReadingFields};
use crate::features::vessels::model::Zone;
use crate::ids::{OrgId, PersonId, ReadingId, StationId, SurveyId, VesselId};

/// Rows a statement when many are inserted: well under the 65,535 parameters that PostgreSQL takes.
const CHUNK: usize = 1000;

/// A version of a reading as stored.
#[derive(Debug, Clone)]
pub struct Reading {
    /// Its id.
    pub id: ReadingId,
    /// The version.
    pub version: i32,
    /// The vessel: the survey's.
    pub vessel_id: VesselId,
    /// Its fields; the scale is always there.
    pub fields: ReadingFields,
    /// When this version was recorded.
    pub recorded_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
    /// The organisation that recorded it first: only it corrects it.
    pub author_org_id: OrgId,
}

/// A reading to insert. Whoever inserts has seen to it that it is new and that its survey is a draft.
#[derive(Debug, Clone)]
pub struct NewReadingRow {
    /// Its id.
    pub id: ReadingId,
    /// The vessel: the survey's.
    pub vessel_id: VesselId,
    /// Its fields, with the scale.
    pub fields: ReadingFields,
}

/// Which readings.
#[derive(Debug, Clone, Copy, Default)]
pub struct ReadingFilter {
    /// Of this survey.
    pub survey_id: Option<SurveyId>,
    /// Of this vessel.
    pub vessel_id: Option<VesselId>,
    /// At this station.
    pub station_id: Option<StationId>,
    /// Changed at or after.
    pub updated_since: Option<DateTime<Utc>>,
    /// Those withdrawn too.
    pub withdrawn: bool,
}

#[derive(Queryable)]
struct ReadingRow {
    id: ReadingId,
    version: i32,
    ref_: Option<String>,
    vessel_id: VesselId,
    survey_id: SurveyId,
    station_id: StationId,
    scale: String,
    sequence: i32,
    value: f64,
    taken_at: Option<DateTime<Utc>>,
    note: Option<String>,
    withdrawn: bool,
    correction_reason: Option<String>,
    recorded_at: DateTime<Utc>,
    recorded_by: Option<PersonId>,
    author_org_id: OrgId,
}

/// The columns of a row, of the table or of the view.
macro_rules! columns {
    ($of:ident) => {
        (
            $of::id,
            $of::version,
            $of::ref_,
            $of::vessel_id,
            $of::survey_id,
            $of::station_id,
            $of::scale,
            $of::sequence,
            $of::value,
            $of::taken_at,
            $of::note,
            $of::withdrawn,
            $of::correction_reason,
            $of::recorded_at,
            $of::recorded_by,
            diesel::dsl::sql::<diesel::sql_types::Uuid>(concat!(
                "(SELECT i.author_org_id FROM readings i WHERE i.org_id = ",
                stringify!($of),
                ".org_id AND i.id = ",
                stringify!($of),
                ".id AND i.version = 1)"
            )),
        )
    };
}

impl From<ReadingRow> for Reading {
    fn from(row: ReadingRow) -> Self {
        let fields = ReadingFields {
            r#ref: row.ref_,
            survey_id: row.survey_id,
            station_id: row.station_id,
            scale: Some(row.scale),
            sequence: row.sequence,
            value: row.value,
            taken_at: row.taken_at,
            note: row.note,
            withdrawn: row.withdrawn,
            correction_reason: row.correction_reason,
        };
        Self {
            id: row.id,
            version: row.version,
            vessel_id: row.vessel_id,
            fields,
            recorded_at: row.recorded_at,
            recorded_by: row.recorded_by,
            author_org_id: row.author_org_id,
        }
    }
}

/// Inserts many new readings, a thousand a statement.
///
/// # Errors
/// One that is there already, a foreign station; those of the database.
pub fn insert_readings(tx: &mut Tx<'_>, rows: &[NewReadingRow]) -> Result<()> {
    for chunk in rows.chunks(CHUNK) {
        insert_versions(tx, 1, chunk)?;
    }
    Ok(())
}

/// Adds a version to a reading.
///
/// # Errors
/// Stale, when the version is there already; those of the database.
pub fn insert_version(tx: &mut Tx<'_>, version: i32, row: NewReadingRow) -> Result<()> {
    insert_versions(tx, version, &[row])
}

fn insert_versions(tx: &mut Tx<'_>, version: i32, rows: &[NewReadingRow]) -> Result<()> {
    let (org_id, now, person) = (tx.org_id(), tx.now(), tx.person_id());
    let values: Vec<_> = rows
        .iter()
        .map(|row| {
            (
                readings::org_id.eq(org_id),
                readings::id.eq(row.id),
                readings::version.eq(version),
                readings::ref_.eq(&row.fields.r#ref),
                readings::vessel_id.eq(row.vessel_id),
                readings::survey_id.eq(row.fields.survey_id),
                readings::station_id.eq(row.fields.station_id),
                readings::scale.eq(row.fields.scale.as_deref().unwrap_or_default()),
                readings::sequence.eq(row.fields.sequence),
                readings::value.eq(row.fields.value),
                readings::taken_at.eq(row.fields.taken_at),
                readings::note.eq(&row.fields.note),
                readings::withdrawn.eq(row.fields.withdrawn),
                readings::correction_reason.eq(&row.fields.correction_reason),
                readings::recorded_at.eq(now),
                readings::recorded_by.eq(person),
            )
        })
        .collect();
    diesel::insert_into(readings::table).values(values).execute(tx.conn())?;
    Ok(())
}

/// What is kept already of the readings at these stations of a survey, and of those with these ids or
/// references anywhere.
///
/// # Errors
/// Those of the database.
pub fn known(
    tx: &mut Tx<'_>,
    survey_id: SurveyId,
    station_ids: &[StationId],
    ids: &[ReadingId],
    references: &[&str],
) -> Result<KnownReadings> {
    let at_stations = readings::survey_id.eq(survey_id).and(readings::station_id.eq_any(station_ids));
    let alike =
        at_stations.or(readings::id.eq_any(ids)).or(readings::ref_.assume_not_null().eq_any(references));
    let rows: Vec<ReadingRow> = readings::table
        .filter(readings::org_id.eq(tx.org_id()).and(alike))
        .order((readings::id, readings::version))
        .select(columns!(readings))
        .load(tx.conn())?;
    let mut known = KnownReadings::default();
    let mut rows = rows.into_iter().map(Reading::from).peekable();
    let mut values = Vec::new();
    while let Some(reading) = rows.next() {
        values.push(reading.fields.value);
        if rows.peek().is_none_or(|next| next.id != reading.id) {
            let values = std::mem::take(&mut values);
            known.insert(KnownReading { id: reading.id, fields: reading.fields, values });
        }
    }
    Ok(known)
}

/// One reading, its current version.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: ReadingId) -> Result<Reading> {
    let row: Option<ReadingRow> = current_readings::table
        .find((tx.org_id(), id))
        .select(columns!(current_readings))
        .first(tx.conn())
        .optional()?;
    row.map(Reading::from).ok_or_else(|| Error::not_found("reading"))
}

/// Readings by last change.
///
/// # Errors
/// Those of the database.
pub fn list(tx: &mut Tx<'_>, filter: ReadingFilter, page: PageRequest) -> Result<Slice<Reading>> {
    use current_readings as r;
    let mut query = r::table.filter(r::org_id.eq(tx.org_id())).into_boxed();
    if let Some(survey_id) = filter.survey_id {
        query = query.filter(r::survey_id.eq(survey_id));
    }
    if let Some(vessel_id) = filter.vessel_id {
        query = query.filter(r::vessel_id.eq(vessel_id));
    }
    if let Some(station_id) = filter.station_id {
        query = query.filter(r::station_id.eq(station_id));
    }
    if let Some(since) = filter.updated_since {
        query = query.filter(r::recorded_at.ge(since));
    }
    if !filter.withdrawn {
        query = query.filter(r::withdrawn.eq(false));
    }
    if let Some((time, id)) = page.after_time() {
        let id = ReadingId::from(id);
        query = query.filter(r::recorded_at.gt(time).or(r::recorded_at.eq(time).and(r::id.gt(id))));
    }
    let rows: Vec<ReadingRow> = query
        .order((r::recorded_at, r::id))
        .limit(page.fetch())
        .select(columns!(current_readings))
        .load(tx.conn())?;
    let found = rows.into_iter().map(Reading::from).collect();
    Ok(page.slice(found, |reading: &Reading| Position::at(reading.recorded_at, reading.id)))
}

/// The mean of what a scale said at one station of the bottom in one survey.
#[derive(Debug, Clone, Queryable)]
pub struct StationMean {
    /// The vessel.
    pub vessel_id: VesselId,
    /// The survey, signed or not.
    pub survey_id: SurveyId,
    /// The meter's scale.
    pub scale: String,
    /// The station.
    pub station_id: StationId,
    /// The mean.
    pub value: f64,
}

/// What meters said at the stations of the bottoms of several vessels, by survey, scale and station.
///
/// # Errors
/// Those of the database.
pub fn station_means_of_vessels(tx: &mut Tx<'_>, vessel_ids: &[VesselId]) -> Result<Vec<StationMean>> {
    use current_readings as r;
    let at_station = stations::org_id.eq(r::org_id).and(stations::id.eq(r::station_id));
    Ok(r::table
        .inner_join(stations::table.on(at_station))
        .filter(r::org_id.eq(tx.org_id()).and(r::vessel_id.eq_any(vessel_ids)))
        .filter(r::withdrawn.eq(false).and(stations::zone.eq(codes::to_text(&Zone::Bottom)?)))
        .group_by((r::vessel_id, r::survey_id, r::scale, r::station_id))
        .order((r::vessel_id, r::survey_id, r::scale, r::station_id))
        .select((r::vessel_id, r::survey_id, r::scale, r::station_id, avg(r::value).assume_not_null()))
        .load(tx.conn())?)
}

/// The versions of a reading, oldest first.
///
/// # Errors
/// Not found.
pub fn versions(tx: &mut Tx<'_>, id: ReadingId, page: PageRequest) -> Result<Slice<Reading>> {
    read(tx, id)?;
    let after = page.after.and_then(|after| i32::try_from(after.key).ok()).unwrap_or(0);
    let rows: Vec<ReadingRow> = readings::table
        .filter(readings::org_id.eq(tx.org_id()).and(readings::id.eq(id)))
        .filter(readings::version.gt(after))
        .order(readings::version)
        .limit(page.fetch())
        .select(columns!(readings))
        .load(tx.conn())?;
    let found = rows.into_iter().map(Reading::from).collect();
    Ok(page.slice(found, |reading: &Reading| Position {
        key: i64::from(reading.version),
        id: reading.id.into(),
    }))
}

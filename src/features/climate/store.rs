//! Rows of climate values: versions, told apart by haul-out, time and source.

use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_types;

use super::model::window::ClimateMoment;
use super::model::{ClimateFields, ClimateSource};
use crate::codes;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::climate_values;
use crate::db::views::current_climate_values;
use crate::error::Result;
use crate::ids::{ClimateValueId, HaulOutId, Id, OrgId, PersonId, VesselId};

/// Rows of one INSERT: a statement takes 65,535 parameters.
const CHUNK: usize = 2_000;

/// A version of a climate value as stored.
#[derive(Debug, Clone)]
pub struct ClimateValue {
    /// Its id, another for each version.
    pub id: ClimateValueId,
    /// The version.
    pub version: i32,
    /// The vessel: the haul-out's.
    pub vessel_id: VesselId,
    /// The haul-out.
    pub haul_out_id: HaulOutId,
    /// Its fields.
    pub fields: ClimateFields,
    /// When this version was recorded.
    pub recorded_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
    /// The organisation that recorded it first: only it corrects it.
    pub author_org_id: OrgId,
}

/// Which climate values.
#[derive(Debug, Clone, Copy, Default)]
pub struct ClimateFilter {
    /// Of this source.
    pub source: Option<ClimateSource>,
    /// Measured at or after.
    pub measured_since: Option<DateTime<Utc>>,
    /// Measured before.
    pub measured_before: Option<DateTime<Utc>>,
    /// Recorded at or after.
    pub updated_since: Option<DateTime<Utc>>,
    /// Those withdrawn too.
    pub withdrawn: bool,
    /// The versions before the current one too.
    pub all_versions: bool,
}

#[derive(Queryable)]
struct ClimateRow {
    id: ClimateValueId,
    version: i32,
    vessel_id: VesselId,
    haul_out_id: HaulOutId,
    measured_at: DateTime<Utc>,
    source: String,
    air_temperature_c: f64,
    relative_humidity_pct: f64,
    surface_temperature_c: Option<f64>,
    withdrawn: bool,
    correction_reason: Option<String>,
    recorded_at: DateTime<Utc>,
    recorded_by: Option<PersonId>,
    author_org_id: OrgId,
}

macro_rules! columns {
    ($from:ident) => {
        (
            $from::id,
            $from::version,
            $from::vessel_id,
            $from::haul_out_id,
            $from::measured_at,
            $from::source,
            $from::air_temperature_c,
            $from::relative_humidity_pct,
            $from::surface_temperature_c,
            $from::withdrawn,
            $from::correction_reason,
            $from::recorded_at,
            $from::recorded_by,
            diesel::dsl::sql::<diesel::sql_types::Uuid>(concat!(
                "(SELECT i.author_org_id FROM climate_values i WHERE i.org_id = ",
                stringify!($from),
                ".org_id AND i.id = ",
                stringify!($from),
                ".id)"
            )),
        )
    };
}

impl ClimateRow {
    fn value(self) -> Result<ClimateValue> {
        let fields = ClimateFields {
            measured_at: self.measured_at,
            source: codes::from_text(&self.source)?,
            air_temperature_c: self.air_temperature_c,
            relative_humidity_pct: self.relative_humidity_pct,
            surface_temperature_c: self.surface_temperature_c,
            withdrawn: self.withdrawn,
            correction_reason: self.correction_reason,
        };
        Ok(ClimateValue {
            id: self.id,
            version: self.version,
            vessel_id: self.vessel_id,
            haul_out_id: self.haul_out_id,
            fields,
            recorded_at: self.recorded_at,
            recorded_by: self.recorded_by,
            author_org_id: self.author_org_id,
        })
    }
}

/// Adds values, each with its version.
///
/// # Errors
/// Those of the database.
pub fn insert(
    tx: &mut Tx<'_>,
    vessel_id: VesselId,
    haul_out_id: HaulOutId,
    values: &[(ClimateFields, i32)],
) -> Result<()> {
    use climate_values as c;
    let (org_id, now, person) = (tx.org_id(), tx.now(), tx.person_id());
    for chunk in values.chunks(CHUNK) {
        let rows = chunk
            .iter()
            .map(|(fields, version)| {
                Ok((
                    c::org_id.eq(org_id),
                    c::id.eq(ClimateValueId::fresh()),
                    c::version.eq(*version),
                    c::vessel_id.eq(vessel_id),
                    c::haul_out_id.eq(haul_out_id),
                    c::measured_at.eq(fields.measured_at),
                    c::source.eq(codes::to_text(&fields.source)?),
                    c::air_temperature_c.eq(fields.air_temperature_c),
                    c::relative_humidity_pct.eq(fields.relative_humidity_pct),
                    c::surface_temperature_c.eq(fields.surface_temperature_c),
                    c::withdrawn.eq(fields.withdrawn),
                    c::correction_reason.eq(&fields.correction_reason),
                    c::recorded_at.eq(now),
                    c::recorded_by.eq(person),
                ))
            })
            .collect::<Result<Vec<_>>>()?;
        diesel::insert_into(c::table).values(rows).execute(tx.conn())?;
    }
    Ok(())
}

/// The current versions of a haul-out's values from one time to another, both included, in order of time; withdrawn
/// ones too.
///
/// # Errors
/// Those of the database.
pub fn kept(
    tx: &mut Tx<'_>,
    haul_out_id: HaulOutId,
    from: DateTime<Utc>,
    to: DateTime<Utc>,
) -> Result<Vec<ClimateValue>> {
    use current_climate_values as c;
    let rows: Vec<ClimateRow> = c::table
        .filter(c::org_id.eq(tx.org_id()).and(c::haul_out_id.eq(haul_out_id)))
        .filter(c::measured_at.between(from, to))
        .order((c::measured_at, c::source))
        .select(columns!(current_climate_values))
        .load(tx.conn())?;
    rows.into_iter().map(ClimateRow::value).collect()
}

/// What a coat asks of a haul-out's climate from one time to another, both included, in order of time: values that
/// hold the hull's temperature and are not withdrawn.
///
/// # Errors
/// Those of the database.
pub fn between(
    tx: &mut Tx<'_>,
    haul_out_id: HaulOutId,
    from: DateTime<Utc>,
    to: DateTime<Utc>,
) -> Result<Vec<ClimateMoment>> {
    let values = kept(tx, haul_out_id, from, to)?;
    Ok(values
        .into_iter()
        .filter(|value| !value.fields.withdrawn)
        .filter_map(|value| moment(&value))
        .collect())
}

/// A value as far as a coat asks; none without the hull's temperature.
#[must_use]
pub fn moment(value: &ClimateValue) -> Option<ClimateMoment> {
    Some(ClimateMoment {
        at: value.fields.measured_at,
        air_temperature_c: value.fields.air_temperature_c,
        relative_humidity_pct: value.fields.relative_humidity_pct,
        surface_temperature_c: value.fields.surface_temperature_c?,
    })
}

/// The mean air of a day at a haul-out.
#[derive(Debug, Clone, Copy, QueryableByName)]
pub struct DayOfAir {
    /// The haul-out.
    #[diesel(sql_type = sql_types::Uuid)]
    pub haul_out_id: HaulOutId,
    /// The day, of UTC.
    #[diesel(sql_type = sql_types::Date)]
    pub on: NaiveDate,
    /// Temperature of the air.
    #[diesel(sql_type = sql_types::Double)]
    pub air_temperature_c: f64,
    /// Relative humidity over water.
    #[diesel(sql_type = sql_types::Double)]
    pub relative_humidity_pct: f64,
    /// Temperature of the hull's surface; that of the air where none was measured.
    #[diesel(sql_type = sql_types::Double)]
    pub surface_temperature_c: f64,
}

/// The means of each logged day of some haul-outs, by haul-out and day: one row a day, however dense the log.
///
/// # Errors
/// Those of the database.
pub fn days_of_air(tx: &mut Tx<'_>, haul_out_ids: &[HaulOutId]) -> Result<Vec<DayOfAir>> {
    if haul_out_ids.is_empty() {
        return Ok(Vec::new());
    }
    let org_id = tx.org_id();
    Ok(diesel::sql_query(
        "SELECT haul_out_id, (measured_at AT TIME ZONE 'UTC')::date AS \"on\", \
            avg(air_temperature_c) AS air_temperature_c, avg(relative_humidity_pct) AS relative_humidity_pct, \
            avg(coalesce(surface_temperature_c, air_temperature_c)) AS surface_temperature_c \
         FROM current_climate_values WHERE org_id = $1 AND haul_out_id = ANY($2) AND NOT withdrawn \
         GROUP BY 1, 2 ORDER BY 1, 2",
    )
    .bind::<sql_types::Uuid, _>(org_id)
    .bind::<sql_types::Array<sql_types::Uuid>, _>(haul_out_ids)
    .load(tx.conn())?)
}

/// The climate values of a haul-out by time.
///
/// # Errors
/// Those of the database.
pub fn list(
    tx: &mut Tx<'_>,
    haul_out_id: HaulOutId,
    filter: ClimateFilter,
    page: PageRequest,
) -> Result<Slice<ClimateValue>> {
    macro_rules! listed {
        ($from:ident) => {{
            use $from as c;
            let mut query =
                c::table.filter(c::org_id.eq(tx.org_id()).and(c::haul_out_id.eq(haul_out_id))).into_boxed();
            if let Some(source) = filter.source {
                query = query.filter(c::source.eq(codes::to_text(&source)?));
            }
            if let Some(since) = filter.measured_since {
                query = query.filter(c::measured_at.ge(since));
            }
            if let Some(before) = filter.measured_before {
                query = query.filter(c::measured_at.lt(before));
            }
            if let Some(since) = filter.updated_since {
                query = query.filter(c::recorded_at.ge(since));
            }
            if !filter.withdrawn {
                query = query.filter(c::withdrawn.eq(false));
            }
            if let Some((time, id)) = page.after_time() {
                let id = ClimateValueId::from(id);
                query = query.filter(c::measured_at.gt(time).or(c::measured_at.eq(time).and(c::id.gt(id))));
            }
            query
                .order((c::measured_at, c::id))
                .limit(page.fetch())
                .select(columns!($from))
                .load::<ClimateRow>(tx.conn())?
        }};
    }
    let rows = if filter.all_versions { listed!(climate_values) } else { listed!(current_climate_values) };
    let found = rows.into_iter().map(ClimateRow::value).collect::<Result<Vec<_>>>()?;
    Ok(page.slice(found, |value| Position::at(value.fields.measured_at, value.id)))
}

//! A row written to the record it speaks of.

use garde::Validate;
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::{Map, Value};

use super::coats::Coats;
use super::haul_outs::HaulOuts;
use super::readings::Readings;
use super::refusal::{Refusal, differences};
use super::run::Effect;
use super::vessels::Vessels;
use crate::db::Tx;
use crate::error::{Error, Result};
use crate::features::imports::model::identity::{Found, Used};
use crate::features::imports::model::kinds::ImportKind;
use crate::features::imports::model::report::RowError;
use crate::features::imports::model::sheet::{Entry, Sheet};
use crate::features::imports::store::attempt;
use crate::http::body::read_fields;
use crate::ids::Id;

/// The records of one kind, as the rows of a file name them.
pub(super) enum Records {
    Vessels(Vessels),
    HaulOuts(HaulOuts),
    Readings(Box<Readings>),
    Coats(Coats),
}

impl Records {
    /// Looks up everything the file names.
    pub(super) fn of(tx: &mut Tx<'_>, sheet: &Sheet, update: bool) -> Result<Self> {
        Ok(match sheet.kind() {
            ImportKind::Vessels => Self::Vessels(Vessels::of(tx, sheet, update)?),
            ImportKind::HaulOuts => Self::HaulOuts(HaulOuts::of(tx, sheet, update)?),
            ImportKind::Readings => Self::Readings(Box::new(Readings::of(tx, sheet, update)?)),
            ImportKind::Coats => Self::Coats(Coats::of(tx, sheet, update)?),
        })
    }

    /// Writes a row, or notes it for the end.
    pub(super) fn write(
        &mut self,
        tx: &mut Tx<'_>,
        entry: &Entry<'_>,
    ) -> std::result::Result<Effect, Refusal> {
        match self {
            Self::Vessels(records) => records.write(tx, entry),
            Self::HaulOuts(records) => records.write(tx, entry),
            Self::Readings(records) => records.write(tx, entry),
            Self::Coats(records) => records.write(tx, entry),
        }
    }

    /// Writes what was noted for the end.
    pub(super) fn finish(self, tx: &mut Tx<'_>) -> Result<()> {
        match self {
            Self::Readings(records) => records.finish(tx),
            Self::Vessels(_) | Self::HaulOuts(_) | Self::Coats(_) => Ok(()),
        }
    }
}

/// A kind of record that is written row by row, with the functions its capability has for it.
pub(super) trait Record {
    /// Its id.
    type Id: Id;
    /// Its fields.
    type Fields: DeserializeOwned + Serialize + Validate<Context = ()> + PartialEq;
    /// It as it is kept.
    type Kept;

    fn load(tx: &mut Tx<'_>, id: Self::Id) -> Result<Self::Kept>;
    /// The fields a change starts from.
    fn fields(kept: &Self::Kept) -> Self::Fields;
    /// The fields in the spelling in which they would be kept.
    fn spelled(fields: Self::Fields) -> Result<Self::Fields>;
    fn create(tx: &mut Tx<'_>, id: Self::Id, fields: Self::Fields) -> Result<()>;
    /// Changes it; `reason` is why, where the row says so.
    fn change(tx: &mut Tx<'_>, kept: &Self::Kept, fields: Self::Fields, reason: Option<&str>) -> Result<()>;
}

/// Writes a row's cells, by `write_over`, to the record found for it.
pub(super) fn write<R: Record>(
    tx: &mut Tx<'_>,
    entry: &Entry<'_>,
    found: Found<R::Id>,
    update: bool,
    write_over: impl Fn(&mut Map<String, Value>),
) -> std::result::Result<Effect, Refusal> {
    let refused = |error: Error| Refusal::of(entry, error, None);
    let id = match found {
        Found::New => {
            let mut fields = Map::new();
            write_over(&mut fields);
            let zones = fields.get("zones").cloned();
            return read_fields::<R::Fields>(Value::Object(fields))
                .and_then(|fields| attempt(tx, |tx| R::create(tx, R::Id::fresh(), fields)))
                .map(|()| Effect::Created)
                .map_err(|error| Refusal::of(entry, error, zones.as_ref()));
        }
        Found::One(id) => id,
        Found::Several => return Err(several(entry).into()),
        Found::Withdrawn => return Err(withdrawn(entry).into()),
    };
    let kept = R::load(tx, id).map_err(refused)?;
    let before = R::fields(&kept);
    let mut merged = match serde_json::to_value(&before).map_err(|cause| refused(Error::internal(cause)))? {
        Value::Object(fields) => fields,
        _ => Map::new(),
    };
    let kept_value = Value::Object(merged.clone());
    write_over(&mut merged);
    let zones = merged.get("zones").cloned();
    let refused = |error: Error| Refusal::of(entry, error, zones.as_ref());
    let after = read_fields::<R::Fields>(Value::Object(merged)).and_then(R::spelled).map_err(refused)?;
    if after == before {
        return Ok(Effect::Unchanged);
    }
    if !update {
        let sent = serde_json::to_value(&after).map_err(|cause| refused(Error::internal(cause)))?;
        return Err(Refusal::Row(differences(entry, &kept_value, &sent)));
    }
    let reason = entry.text("correction_reason");
    attempt(tx, |tx| R::change(tx, &kept, after, reason)).map(|()| Effect::Updated).map_err(refused)
}

fn several(entry: &Entry<'_>) -> RowError {
    entry.error(
        "ref",
        "ambiguous",
        "is needed: several records that are kept fit this row. Name the one you mean by its reference.",
    )
}

pub(super) fn withdrawn(entry: &Entry<'_>) -> RowError {
    entry.error("ref", "withdrawn", "names a record that was withdrawn as entered in error. Take the row out, or give it a reference of its own.")
}

/// Notes the names under which a row goes; an error at `column` when another row of the file has one of them.
pub(super) fn once(
    used: &mut Used,
    entry: &Entry<'_>,
    names: [(&str, Option<&str>); 2],
) -> std::result::Result<(), RowError> {
    for (column, name) in names {
        let Some(name) = name else { continue };
        if let Some(earlier) = used.note(format!("{column} {name}"), entry.line()) {
            let reason = format!(
                "is the same record as on line {earlier} of this file. Take one of the two rows out, or tell them apart by ref."
            );
            return Err(entry.error(column, "twice_in_file", reason));
        }
    }
    Ok(())
}

/// The refusal of a row that names no record and could not be known again at a second import.
pub(super) fn unnamed(entry: &Entry<'_>, instead: &str) -> RowError {
    entry.error("ref", "no_identity", format!("is needed, or {instead}: without them a second import of this file could not know the record again."))
}

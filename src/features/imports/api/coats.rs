//! Rows of coats.

use std::collections::HashMap;

use serde::Serialize;
use serde_json::{Map, Value, json};

use super::names::{NamedVessels, each_once};
use super::records::{Record, once, unnamed, write};
use super::refusal::Refusal;
use super::run::Effect;
use crate::db::Tx;
use crate::error::{Error, Result};
use crate::features::coats::api as coats;
use crate::features::coats::model::CoatFields;
use crate::features::coats::store::{self as kept, Coat};
use crate::features::imports::model::cells::Cell;
use crate::features::imports::model::identity::{Registry, Used};
use crate::features::imports::model::sheet::{Entry, Sheet};
use crate::features::imports::store;
use crate::features::treatments::api::coats as recording;
use crate::http::{IfMatch, Patch};
use crate::ids::{CoatId, HaulOutId, ProductId};

/// The coats a file names.
pub(super) struct Coats {
    registry: Registry<CoatId>,
    vessels: NamedVessels,
    haul_outs: HashMap<String, HaulOutId>,
    products: HashMap<String, ProductId>,
    used: Used,
    update: bool,
}

struct CoatRecord;

impl Record for CoatRecord {
    type Id = CoatId;
    type Fields = CoatFields;
    type Kept = Coat;

    fn load(tx: &mut Tx<'_>, id: CoatId) -> Result<Coat> {
        kept::read(tx, id)
    }
    fn fields(kept: &Coat) -> CoatFields {
        kept.fields.clone().without_reason()
    }
    fn spelled(fields: CoatFields) -> Result<CoatFields> {
        Ok(fields)
    }
    fn create(tx: &mut Tx<'_>, id: CoatId, fields: CoatFields) -> Result<()> {
        recording::create(tx, id, fields).map(|_| ())
    }
    fn change(tx: &mut Tx<'_>, kept: &Coat, fields: CoatFields, reason: Option<&str>) -> Result<()> {
        let mut changes = changed(&Self::fields(kept), &fields)?;
        if let Some(reason) = reason {
            changes.insert("correction_reason".to_owned(), json!(reason));
        }
        let patch = Patch::from_value(Value::Object(changes))?;
        coats::change(tx, kept.id, IfMatch(kept.version), &patch).map(|_| ())
    }
}

/// What differs, as a merge patch: a field that is gone is null.
fn changed(before: &CoatFields, after: &CoatFields) -> Result<Map<String, Value>> {
    let value = |fields| serde_json::to_value(fields).map_err(Error::internal);
    let before = value(before)?;
    let Value::Object(after) = value(after)? else { return Ok(Map::new()) };
    Ok(after.into_iter().filter(|(name, value)| before.get(name) != Some(value)).collect())
}

/// The id of what a row names by its reference: null to clear it, none where the row says nothing.
fn referred<I: Copy + Serialize>(
    entry: &Entry<'_>,
    column: &str,
    known: &HashMap<String, I>,
) -> std::result::Result<Option<Value>, Refusal> {
    Ok(match entry.cell(column) {
        Cell::NotGiven => None,
        Cell::Clear => Some(Value::Null),
        Cell::Given(name) => {
            let id = name.as_str().and_then(|name| known.get(name)).ok_or_else(|| {
                entry.error(
                    column,
                    "unknown",
                    "is no record of yours. Enter it first, or correct the reference.",
                )
            })?;
            Some(json!(id))
        }
    })
}

impl Coats {
    pub(super) fn of(tx: &mut Tx<'_>, sheet: &Sheet, update: bool) -> Result<Self> {
        let vessels = NamedVessels::of(tx, sheet)?;
        let known = store::coats_named(tx, &each_once(sheet, "ref"), &vessels.ids())?;
        let haul_outs = store::haul_out_ids(tx, &each_once(sheet, "haul_out_ref"))?;
        let products = store::product_ids(tx, &each_once(sheet, "product_ref"))?;
        Ok(Self {
            registry: Registry::of(known),
            vessels,
            haul_outs,
            products,
            used: Used::default(),
            update,
        })
    }

    pub(super) fn write(
        &mut self,
        tx: &mut Tx<'_>,
        entry: &Entry<'_>,
    ) -> std::result::Result<Effect, Refusal> {
        let reference = entry.text("ref");
        let vessel_id = self.vessels.of_row(entry)?;
        let key = entry
            .text("applied_on")
            .zip(entry.value("sequence"))
            .map(|(applied_on, sequence)| format!("{vessel_id} {applied_on} {sequence}"));
        if reference.is_none() && key.is_none() {
            return Err(unnamed(entry, "applied_on and sequence").into());
        }
        // Two coats of one day may have one place where references tell them apart.
        let alone = key.as_deref().filter(|_| reference.is_none());
        once(&mut self.used, entry, [("ref", reference), ("sequence", alone)])?;
        let haul_out_id = referred(entry, "haul_out_ref", &self.haul_outs)?;
        let product_id = referred(entry, "product_ref", &self.products)?;
        let found = self.registry.find(reference, key.as_deref());
        write::<CoatRecord>(tx, entry, found, self.update, |fields| {
            let own =
                ["vessel_ref", "vessel_hull_id_number", "haul_out_ref", "product_ref", "correction_reason"];
            entry.write_over(fields, |column| !own.contains(&column.name));
            fields.insert("vessel_id".to_owned(), json!(vessel_id));
            if let Some(haul_out_id) = &haul_out_id {
                fields.insert("haul_out_id".to_owned(), haul_out_id.clone());
            }
            if let Some(product_id) = &product_id {
                fields.insert("product_id".to_owned(), product_id.clone());
            }
        })
    }
}

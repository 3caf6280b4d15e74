//! Rows of vessels.

use serde_json::{Map, Value, json};

use super::names::{NamedSites, each_once, number_spelling};
use super::records::{Record, once, unnamed, write};
use super::refusal::Refusal;
use super::run::Effect;
use crate::db::Tx;
use crate::error::Result;
use crate::features::imports::model::cells::Cell;
use crate::features::imports::model::columns::ZONES;
use crate::features::imports::model::identity::{Known, Registry, Used};
use crate::features::imports::model::sheet::{Entry, Sheet};
use crate::features::imports::store;
use crate::features::vessels::api as vessels;
use crate::features::vessels::model::VesselFields;
use crate::features::vessels::store::{self as kept, Vessel};
use crate::ids::VesselId;

/// The vessels a file names.
pub(super) struct Vessels {
    registry: Registry<VesselId>,
    sites: NamedSites,
    used: Used,
    update: bool,
}

struct VesselRecord;

impl Record for VesselRecord {
    type Id = VesselId;
    type Fields = VesselFields;
    type Kept = Vessel;

    fn load(tx: &mut Tx<'_>, id: VesselId) -> Result<Vessel> {
        kept::read(tx, id)
    }
    fn fields(kept: &Vessel) -> VesselFields {
        kept.fields.clone()
    }
    fn spelled(fields: VesselFields) -> Result<VesselFields> {
        fields.checked()
    }
    fn create(tx: &mut Tx<'_>, id: VesselId, fields: VesselFields) -> Result<()> {
        vessels::create(tx, id, fields).map(|_| ())
    }
    fn change(tx: &mut Tx<'_>, kept: &Vessel, fields: VesselFields, _: Option<&str>) -> Result<()> {
        vessels::change(tx, kept, fields).map(|_| ())
    }
}

impl Vessels {
    pub(super) fn of(tx: &mut Tx<'_>, sheet: &Sheet, update: bool) -> Result<Self> {
        let numbers: Vec<String> =
            each_once(sheet, "hull_id_number").into_iter().map(number_spelling).collect();
        let known = store::vessels_named(tx, &each_once(sheet, "ref"), &numbers)?
            .into_iter()
            .map(|name| Known { id: name.id, r#ref: name.r#ref, key: name.hull_id_number, withdrawn: false })
            .collect();
        Ok(Self {
            registry: Registry::of(known),
            sites: NamedSites::of(tx, sheet)?,
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
        let number = entry.text("hull_id_number").map(number_spelling);
        if reference.is_none() && number.is_none() {
            return Err(unnamed(entry, "hull_id_number").into());
        }
        once(&mut self.used, entry, [("ref", reference), ("hull_id_number", number.as_deref())])?;
        let site_id = self.sites.of_row(entry)?;
        let found = self.registry.find(reference, number.as_deref());
        write::<VesselRecord>(tx, entry, found, self.update, |fields| {
            entry.write_over(fields, |column| {
                !column.name.starts_with("site_") && zone_of(column.name).is_none()
            });
            if let Some(site_id) = site_id {
                fields.insert("site_id".to_owned(), json!(site_id));
            }
            write_over_zones(entry, fields);
        })
    }
}

/// The zone a column speaks of, and the zone's field.
fn zone_of(column: &str) -> Option<(&'static str, &str)> {
    ZONES.into_iter().find_map(|zone| Some((zone, column.strip_prefix(zone)?.strip_prefix('_')?)))
}

/// Writes the zones' cells over the zones of the fields: a zone that a row speaks of and that was not there is
/// added, as no sandwich unless the row says so.
fn write_over_zones(entry: &Entry<'_>, fields: &mut Map<String, Value>) {
    let mut zones = match fields.remove("zones") {
        Some(Value::Array(zones)) => zones,
        _ => Vec::new(),
    };
    for name in ZONES {
        let cells = ["laminate_thickness_mm", "cored", "gelcoat_thickness_um"]
            .map(|field| (field, entry.cell(&format!("{name}_{field}"))));
        if cells.iter().all(|(_, cell)| **cell == Cell::NotGiven) {
            continue;
        }
        let there = zones.iter().position(|zone| zone.get("zone") == Some(&json!(name)));
        if there.is_none() && !cells.iter().any(|(_, cell)| matches!(cell, Cell::Given(_))) {
            continue;
        }
        let n = there.unwrap_or(zones.len());
        if there.is_none() {
            zones.push(json!({"zone": name, "cored": false}));
        }
        let Some(zone) = zones.get_mut(n).and_then(Value::as_object_mut) else { continue };
        for (field, cell) in cells {
            match (field, cell) {
                (_, Cell::NotGiven) => {}
                ("cored", Cell::Clear) => _ = zone.insert(field.to_owned(), json!(false)),
                (_, Cell::Clear) => _ = zone.remove(field),
                (_, Cell::Given(value)) => _ = zone.insert(field.to_owned(), value.clone()),
            }
        }
    }
    fields.insert("zones".to_owned(), Value::Array(zones));
}

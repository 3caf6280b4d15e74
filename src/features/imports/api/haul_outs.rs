//! Rows of haul-outs.

use serde_json::json;

use super::names::{NamedVessels, each_once};
use super::records::{Record, once, unnamed, write};
use super::refusal::Refusal;
use super::run::Effect;
use crate::db::Tx;
use crate::error::Result;
use crate::features::haulouts::api as haul_outs;
use crate::features::haulouts::model::HaulOutFields;
use crate::features::haulouts::store::{self as kept, HaulOut};
use crate::features::imports::model::identity::{Registry, Used};
use crate::features::imports::model::sheet::{Entry, Sheet};
use crate::features::imports::store;
use crate::ids::HaulOutId;

/// The haul-outs a file names.
pub(super) struct HaulOuts {
    registry: Registry<HaulOutId>,
    vessels: NamedVessels,
    used: Used,
    update: bool,
}

struct HaulOutRecord;

impl Record for HaulOutRecord {
    type Id = HaulOutId;
    type Fields = HaulOutFields;
    type Kept = HaulOut;

    fn load(tx: &mut Tx<'_>, id: HaulOutId) -> Result<HaulOut> {
        kept::read(tx, id)
    }
    fn fields(kept: &HaulOut) -> HaulOutFields {
        kept.fields.clone()
    }
    fn spelled(fields: HaulOutFields) -> Result<HaulOutFields> {
        Ok(fields)
    }
    fn create(tx: &mut Tx<'_>, id: HaulOutId, fields: HaulOutFields) -> Result<()> {
        haul_outs::create(tx, id, fields).map(|_| ())
    }
    fn change(tx: &mut Tx<'_>, kept: &HaulOut, fields: HaulOutFields, _: Option<&str>) -> Result<()> {
        haul_outs::change(tx, kept, fields).map(|_| ())
    }
}

impl HaulOuts {
    pub(super) fn of(tx: &mut Tx<'_>, sheet: &Sheet, update: bool) -> Result<Self> {
        let vessels = NamedVessels::of(tx, sheet)?;
        let known = store::haul_outs_named(tx, &each_once(sheet, "ref"), &vessels.ids())?;
        Ok(Self { registry: Registry::of(known), vessels, used: Used::default(), update })
    }

    pub(super) fn write(
        &mut self,
        tx: &mut Tx<'_>,
        entry: &Entry<'_>,
    ) -> std::result::Result<Effect, Refusal> {
        let reference = entry.text("ref");
        let vessel_id = self.vessels.of_row(entry)?;
        let key = entry.text("lifted_on").map(|lifted_on| format!("{vessel_id} {lifted_on}"));
        if reference.is_none() && key.is_none() {
            return Err(unnamed(entry, "lifted_on").into());
        }
        once(&mut self.used, entry, [("ref", reference), ("lifted_on", key.as_deref())])?;
        let found = self.registry.find(reference, key.as_deref());
        write::<HaulOutRecord>(tx, entry, found, self.update, |fields| {
            entry.write_over(fields, |column| !column.name.starts_with("vessel_"));
            fields.insert("vessel_id".to_owned(), json!(vessel_id));
        })
    }
}

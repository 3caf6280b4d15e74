//! The vessels and sites that rows name.

use std::collections::HashMap;

use crate::db::Tx;
use crate::error::Result;
use crate::features::imports::model::cells::Cell;
use crate::features::imports::model::report::RowError;
use crate::features::imports::model::sheet::{Entry, Sheet};
use crate::features::imports::store;
use crate::features::vessels::model::hull_id::HullIdNumber;
use crate::ids::{SiteId, VesselId};

/// The one spelling of a craft identification number; as given where it is none.
pub(super) fn number_spelling(given: &str) -> String {
    HullIdNumber::read(given).map_or_else(|_| given.to_owned(), |number| number.to_string())
}

/// The texts of a column, each once.
pub(super) fn each_once<'a>(sheet: &'a Sheet, column: &str) -> Vec<&'a str> {
    let mut texts: Vec<&str> = sheet.texts(column).collect();
    texts.sort_unstable();
    texts.dedup();
    texts
}

/// The vessels named by `vessel_ref` and `vessel_hull_id_number`.
#[derive(Debug)]
pub(super) struct NamedVessels {
    by_ref: HashMap<String, VesselId>,
    by_number: HashMap<String, VesselId>,
}

impl NamedVessels {
    /// Those a file names, in one query.
    pub(super) fn of(tx: &mut Tx<'_>, sheet: &Sheet) -> Result<Self> {
        let refs = each_once(sheet, "vessel_ref");
        let numbers: Vec<String> =
            each_once(sheet, "vessel_hull_id_number").into_iter().map(number_spelling).collect();
        let (mut by_ref, mut by_number) = (HashMap::new(), HashMap::new());
        for vessel in store::vessels_named(tx, &refs, &numbers)? {
            if let Some(reference) = vessel.r#ref {
                by_ref.insert(reference, vessel.id);
            }
            if let Some(number) = vessel.hull_id_number {
                by_number.insert(number, vessel.id);
            }
        }
        Ok(Self { by_ref, by_number })
    }

    /// The ids of all of them, each once.
    pub(super) fn ids(&self) -> Vec<VesselId> {
        let mut ids: Vec<VesselId> = self.by_ref.values().chain(self.by_number.values()).copied().collect();
        ids.sort_unstable();
        ids.dedup();
        ids
    }

    /// The vessel of a row.
    pub(super) fn of_row(&self, entry: &Entry<'_>) -> std::result::Result<VesselId, RowError> {
        let (reference, number) = (entry.text("vessel_ref"), entry.text("vessel_hull_id_number"));
        let by_ref = reference
            .map(|text| {
                self.by_ref.get(text).copied().ok_or_else(|| {
                    entry.error(
                        "vessel_ref",
                        "unknown",
                        "is no vessel of yours. Enter the vessel first, or correct the reference.",
                    )
                })
            })
            .transpose()?;
        let by_number = number
            .map(|text| {
                self.by_number.get(&number_spelling(text)).copied().ok_or_else(|| {
                    entry.error(
                        "vessel_hull_id_number",
                        "unknown",
                        "is no vessel of yours. Enter the vessel first, or correct the number.",
                    )
                })
            })
            .transpose()?;
        match (by_ref, by_number) {
            (Some(one), Some(other)) if one != other => Err(entry.error(
                "vessel_hull_id_number",
                "contradicts",
                "is another vessel than vessel_ref. Correct one of them.",
            )),
            (Some(id), _) | (None, Some(id)) => Ok(id),
            (None, None) => Err(entry.error(
                "vessel_ref",
                "missing",
                "or vessel_hull_id_number is required. Name the vessel.",
            )),
        }
    }
}

/// The sites named by `site_ref` and `site_name`.
#[derive(Debug)]
pub(super) struct NamedSites {
    by_ref: HashMap<String, SiteId>,
    by_name: HashMap<String, Vec<SiteId>>,
}

impl NamedSites {
    /// Those a file names, in one query.
    pub(super) fn of(tx: &mut Tx<'_>, sheet: &Sheet) -> Result<Self> {
        let (refs, names) = (each_once(sheet, "site_ref"), each_once(sheet, "site_name"));
        let (mut by_ref, mut by_name) = (HashMap::new(), HashMap::<String, Vec<SiteId>>::new());
        for (id, reference, name) in store::sites_named(tx, &refs, &names)? {
            if let Some(reference) = reference {
                by_ref.insert(reference, id);
            }
            by_name.entry(name).or_default().push(id);
        }
        Ok(Self { by_ref, by_name })
    }

    /// The site of a row: as its cells have it, `None` where they say nothing, `Some(None)` where they clear it.
    pub(super) fn of_row(&self, entry: &Entry<'_>) -> std::result::Result<Option<Option<SiteId>>, RowError> {
        let by_ref = entry
            .text("site_ref")
            .map(|text| {
                self.by_ref.get(text).copied().ok_or_else(|| {
                    entry.error(
                        "site_ref",
                        "unknown",
                        "is no site of yours. Enter the site first, or correct the reference.",
                    )
                })
            })
            .transpose()?;
        let by_name = entry
            .text("site_name")
            .map(|text| match self.by_name.get(text).map(Vec::as_slice) {
                Some([id]) => Ok(*id),
                Some([_, ..]) => Err(entry.error(
                    "site_name",
                    "ambiguous",
                    "is the name of several sites. Name the site by site_ref.",
                )),
                _ => Err(entry.error(
                    "site_name",
                    "unknown",
                    "is no site of yours. Enter the site first, or correct the name.",
                )),
            })
            .transpose()?;
        match (by_ref, by_name) {
            (Some(one), Some(other)) if one != other => Err(entry.error(
                "site_name",
                "contradicts",
                "is another site than site_ref. Correct one of them.",
            )),
            (Some(id), _) | (None, Some(id)) => Ok(Some(Some(id))),
            (None, None) if [entry.cell("site_ref"), entry.cell("site_name")].contains(&&Cell::Clear) => {
                Ok(Some(None))
            }
            (None, None) => Ok(None),
        }
    }
}

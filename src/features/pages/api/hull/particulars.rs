//! The particulars of a hull, in words.

use chrono::Month;
use serde::Serialize;

use crate::codes;
use crate::features::pages::api::marks::day;
use crate::features::vessels::model::VesselFields;
use crate::ids::SiteId;

/// A month by its number, 1 to 12.
#[must_use]
pub fn month(number: u32) -> &'static str {
    u8::try_from(number).ok().and_then(|number| Month::try_from(number).ok()).map_or("", |month| month.name())
}

fn word(code: &impl Serialize) -> String {
    codes::to_text(code).unwrap_or_default().replace('_', " ")
}

/// The particulars that bear on the dates, and how to reach the owner.
#[must_use]
pub fn facts(fields: &VesselFields, sites: &[(SiteId, String)]) -> Vec<(&'static str, String)> {
    let site = sites.iter().find(|(id, _)| Some(*id) == fields.site_id).map(|(_, name)| name.clone());
    let lies = [site, fields.berth.clone()].into_iter().flatten().collect::<Vec<_>>().join(", ");
    let owner = [fields.owner_name.clone(), fields.owner_phone.clone()];
    let owner = owner.into_iter().flatten().collect::<Vec<_>>().join(", ");
    let number = |number: Option<i32>| number.and_then(|number| u32::try_from(number).ok());
    let season = number(fields.ashore_from_month).zip(number(fields.ashore_until_month));
    let all = [
        ("Lies at", lies),
        ("Owner", owner),
        ("Length", format!("{}\u{a0}m, {}", fields.length_m, word(&fields.form))),
        (
            "Launched",
            fields
                .launched_on
                .map(day)
                .or(fields.built_year.map(|year| format!("built {year}")))
                .unwrap_or_default(),
        ),
        ("Laminate", fields.laminate_class.as_ref().map(word).unwrap_or_default()),
        ("Bilge", fields.bilge.as_ref().map(word).unwrap_or_default()),
        (
            "Ashore",
            season.map(|(from, until)| format!("{} to {}", month(from), month(until))).unwrap_or_default(),
        ),
        ("Reference", fields.r#ref.clone().unwrap_or_default()),
        ("Out of service", fields.retired_on.map(day).unwrap_or_default()),
    ];
    all.into_iter().filter(|(_, text)| !text.is_empty()).collect()
}

//! A site's fields as a form, and what was typed there as a program would send it.

use serde_json::{Value, json};

use super::act_form::{ActForm, Field, Kind, Typed, fresh_id};
use super::cells::{Column, Table, numbered};
use super::entry_survey::choice;
use super::hull::month;
use super::yard_words::LocalTime;
use crate::error::{Error, FieldError, Result};
use crate::features::sites::model::{SiteFields, months_of};
use crate::features::sites::store::Site;
use crate::science::climate::{Climate, climates};

/// The year of a site, a month a row.
const MONTHS: Table = Table {
    list: "months",
    columns: &[
        Column {
            name: "water_temperature_c",
            label: "water",
            kind: || Kind::Number,
            needed: true,
            cells: numbered!("water_temperature_c"),
        },
        Column {
            name: "salinity_g_kg",
            label: "salt",
            kind: || Kind::Number,
            needed: true,
            cells: numbered!("salinity_g_kg"),
        },
        Column {
            name: "air_temperature_c",
            label: "air",
            kind: || Kind::Number,
            needed: true,
            cells: numbered!("air_temperature_c"),
        },
        Column {
            name: "relative_humidity_pct",
            label: "humidity",
            kind: || Kind::Number,
            needed: true,
            cells: numbered!("relative_humidity_pct"),
        },
    ],
    headings: &["Water, °C", "Salt, g/kg", "Air, °C", "Humidity, %"],
    row: |at| month(u32::try_from(at + 1).unwrap_or_default()).to_owned(),
};

/// What a named climate stands for, in short.
#[must_use]
pub fn climate_words(name: &str) -> &'static str {
    let climate = named(name).map_or("", |climate| climate.description);
    climate.split_once(':').map_or(climate, |(words, _)| words)
}

fn named(name: &str) -> Option<&'static Climate> {
    climates().iter().find(|climate| climate.name == name)
}

/// The form of a new site, or of one as it stands.
#[must_use]
pub fn site_form(site: Option<&Site>, local: &LocalTime) -> ActForm {
    let named = climates().iter().map(|climate| choice(climate.name, climate_words(climate.name)));
    let mut fields = vec![
        Field::new("name", "Name", Kind::Text)
            .needed()
            .told("What the yard calls it: a harbour, a lake, a row of moorings."),
        Field::new("time_zone", "Time zone", Kind::Text)
            .needed()
            .holding(local.zone_name())
            .told("As Europe/Lisbon or America/New_York. The day on which something is due begins by it."),
        Field::new("climate", "Water and air most like", Kind::Choice(named.collect())).told(if site.is_some() {
            "An approximation. Choosing another puts its figures in place of those below; typing figures below makes them the site\u{2019}s own."
        } else {
            "An approximation to start from. Leave it open only where all twelve months are typed below."
        }),
    ];
    let lines: Vec<Value> =
        site.into_iter().flat_map(|site| &site.fields.months).map(|line| json!(line)).collect();
    let begins = Field::unseen("months", "").folding("The year, month by month").explained(
        "Means of each month. Salt: grams in a kilogram of water, about 35 in the open sea, 5 to 20 where it is brackish, 0 in lakes and rivers. A cell left empty is taken from the climate chosen above. Warm, fresh water gets into a laminate fastest; air and humidity tell how it dries ashore.",
    );
    fields.extend(MONTHS.fields(&begins, 12, &lines, local));
    fields.extend([
        Field::new("ref", "Your own reference", Kind::Text).folding("Reference and note"),
        Field::new("note", "Anything else", Kind::Long),
    ]);
    let mut form = match site {
        None => {
            fields.insert(0, Field::unseen("id", fresh_id()));
            ActForm::new("site", "A new site", "/sites/new".to_owned(), "Add this site", fields)
        }
        Some(site) => {
            fields.insert(0, Field::unseen("version", site.version));
            let action = format!("/sites/{}/change", site.id);
            let mut form = ActForm::new("site", "The site as it stands", action, "Save", fields);
            let record = json!(site.fields);
            for field in &mut form.fields {
                if let Some(value) = record.get(field.name) {
                    field.hold(value, local);
                }
            }
            form
        }
    };
    "Where hulls lie. How warm and how salt the water is sets how fast it gets into a laminate; without a site a stand-in is taken."
        .clone_into(&mut form.about);
    form.open = true;
    form
}

/// What was typed, as a program sends it: for a new site, or what changes of one as it stands.
///
/// # Errors
/// Invalid, with every field that cannot be read.
pub fn site_json(
    form: &ActForm,
    typed: &Typed,
    local: &LocalTime,
    before: Option<&SiteFields>,
) -> Result<Value> {
    let mut json = match before {
        None => form.json(typed, local, json!({}))?,
        Some(_) => form.changes(typed, local)?,
    };
    let chosen = typed.get("climate").map(String::as_str).filter(|name| !name.is_empty());
    let Some(object) = json.as_object_mut() else { return Ok(json) };
    if !MONTHS.take(object) {
        if before.is_none() && chosen.is_none() {
            let detail = "is not chosen. Choose the one most like yours, or type all twelve months below.";
            return Err(Error::field("/climate", "missing", detail));
        }
        return Ok(json);
    }
    let months = year(form, typed, local, before, chosen.and_then(named))?;
    object.insert(MONTHS.list.to_owned(), Value::Array(months));
    Ok(json)
}

/// The twelve months: as typed, or else of the climate chosen.
fn year(
    form: &ActForm,
    typed: &Typed,
    local: &LocalTime,
    before: Option<&SiteFields>,
    climate: Option<&'static Climate>,
) -> Result<Vec<Value>> {
    let cells = MONTHS.typed(form, typed, local)?;
    let newly = climate.is_some_and(|it| before.is_some_and(|b| b.climate.as_deref() != Some(it.name)));
    let usual: Vec<Value> =
        climate.map(months_of).unwrap_or_default().iter().map(|line| json!(line)).collect();
    let stood: Vec<Value> =
        before.into_iter().flat_map(|fields| &fields.months).map(|line| json!(line)).collect();
    let (mut months, mut faults) = (Vec::new(), Vec::new());
    for at in 0..12 {
        let mut line = json!({"month": at + 1});
        for column in MONTHS.columns {
            let of = |lines: &[Value]| lines.get(at).map(|line| line[column.name].clone());
            let cell = column.cells.get(at).copied().unwrap_or_default();
            let figure = |value: &Value| value.as_f64();
            let own = cells.get(cell).filter(|value| {
                // What stood there of the climate before makes way for that of the one chosen now.
                !newly || of(&stood).as_ref().and_then(figure) != figure(value)
            });
            match own.cloned().or_else(|| of(&usual)) {
                Some(value) => line[column.name] = value,
                None => faults.push(FieldError::new(
                    format!("/{cell}"),
                    "missing",
                    "is empty. Type it, or choose a climate above to take it from.",
                )),
            }
        }
        months.push(line);
    }
    if faults.is_empty() { Ok(months) } else { Err(Error::invalid(faults)) }
}

/// An error of the fields with its pointers to those of the form.
#[must_use]
pub fn at_fields(mut error: Error) -> Error {
    for fault in &mut error.fields {
        if let Some(place) = MONTHS.place(&fault.pointer, None) {
            fault.pointer = place;
        }
        fault.detail = fault.detail.replace("; see /v1/climates", "; choose one of the list");
    }
    error
}

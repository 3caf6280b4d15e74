//! A product's data sheet as a form, and what was typed there as a program would send it.

use serde_json::{Value, json};

use super::act_form::{ActForm, Field, Kind, Typed, fresh_id};
use super::cells::{Column, MOST_ROWS, Table, numbered};
use super::record_forms::roles;
use super::yard_words::LocalTime;
use crate::error::{Error, Result};
use crate::features::products::store::Product;

/// Empty rows that stand below the lines of a table.
const SPARE: usize = 3;

const OVERCOATING: Table = Table {
    list: "overcoating",
    columns: &[
        Column {
            name: "next_role",
            label: "next coat",
            kind: roles,
            needed: true,
            cells: numbered!("overcoating_next_role"),
        },
        Column {
            name: "temperature_c",
            label: "hull",
            kind: || Kind::Number,
            needed: true,
            cells: numbered!("overcoating_temperature_c"),
        },
        Column {
            name: "min_h",
            label: "shortest time",
            kind: || Kind::Number,
            needed: true,
            cells: numbered!("overcoating_min_h"),
        },
        Column {
            name: "max_h",
            label: "longest time",
            kind: || Kind::Number,
            needed: false,
            cells: numbered!("overcoating_max_h"),
        },
    ],
    headings: &["Next coat", "Hull at, °C", "Shortest time, h", "Longest time, h"],
    row: line,
};

const CURE: Table = Table {
    list: "cure",
    columns: &[
        Column {
            name: "temperature_c",
            label: "hull",
            kind: || Kind::Number,
            needed: true,
            cells: numbered!("cure_temperature_c"),
        },
        Column {
            name: "hours",
            label: "shortest time",
            kind: || Kind::Number,
            needed: true,
            cells: numbered!("cure_hours"),
        },
    ],
    headings: &["Hull at, °C", "Shortest time, h"],
    row: line,
};

const POT_LIFE: Table = Table {
    list: "pot_life",
    columns: &[
        Column {
            name: "temperature_c",
            label: "mix",
            kind: || Kind::Number,
            needed: true,
            cells: numbered!("pot_life_temperature_c"),
        },
        Column {
            name: "minutes",
            label: "time to work it",
            kind: || Kind::Number,
            needed: true,
            cells: numbered!("pot_life_minutes"),
        },
    ],
    headings: &["Mix at, °C", "Workable for, minutes"],
    row: line,
};

/// The tables of a sheet.
const TABLES: [&Table; 3] = [&OVERCOATING, &CURE, &POT_LIFE];

fn line(at: usize) -> String {
    format!("Line {}", at + 1)
}

fn number(name: &'static str, label: &str, unit: &str) -> Field {
    Field::new(name, label, Kind::Number).measured_in(unit)
}

/// The rows of a table, with the lines of a product in them and some to spare, or as many as are typed.
fn rows(
    table: &Table,
    begins: &Field,
    product: Option<&Product>,
    typed: Option<&Typed>,
    local: &LocalTime,
) -> Vec<Field> {
    let record = product.map(|product| json!(product.fields)).unwrap_or_default();
    let lines = record.get(table.list).and_then(Value::as_array).cloned().unwrap_or_default();
    let shown =
        (lines.len() + SPARE).max(typed.map_or(0, |typed| table.rows_typed(typed) + 1)).min(MOST_ROWS);
    table.fields(begins, shown, &lines, local)
}

/// The form of a new product, or of one as it stands, with room for all that is typed.
#[must_use]
pub fn product_form(product: Option<&Product>, typed: Option<&Typed>, local: &LocalTime) -> ActForm {
    let table = |table: &Table, begins: Field| rows(table, &begins, product, typed, local);
    let mut fields = vec![
        Field::new("name", "Name", Kind::Text)
            .needed()
            .told("As on the tin, so that whoever stands there with it finds it."),
        Field::new("role", "What a coat of it is there for", roles()).needed(),
    ];
    fields.extend(film());
    fields.extend(climate());
    fields.extend(table(
        &OVERCOATING,
        Field::unseen("overcoating", "").beginning("Time to the next coat").explained(
            "A line for each hull temperature of the sheet, and for each kind of coat that may go over it. After the longest time it is abraded first; empty where the sheet sets no end.",
        ),
    ));
    fields.extend(table(
        &CURE,
        Field::unseen("cure", "").beginning("Time until it may go into the water").explained(
            "A line for each hull temperature of the sheet, counted from the end of the last coat.",
        ),
    ));
    fields.extend(mix());
    fields.extend(table(
        &POT_LIFE,
        Field::unseen("pot_life", "")
            .folding("How long the mix can be worked")
            .explained("A line for each temperature of the mix."),
    ));
    fields.extend(antifouling());
    fields.extend([
        number("permeability_kg_m_s", "Lets water through, a unit of activity", "kg/(m·s)")
            .folding("How far it holds water off")
            .told("As 2.3e-12. Few sheets say it. Left open, what is usual for its kind is taken."),
        Field::new("ref", "Your own reference", Kind::Text).folding("Reference and note"),
        Field::new("note", "Anything else", Kind::Long),
    ]);
    let mut form = match product {
        None => {
            fields.insert(0, Field::unseen("id", fresh_id()));
            ActForm::new("product", "A new product", "/products/new".to_owned(), "Add this product", fields)
        }
        Some(product) => {
            fields.insert(0, Field::unseen("version", product.version));
            let action = format!("/products/{}/change", product.id);
            let mut form = ActForm::new("product", "The sheet as it stands", action, "Save", fields);
            let record = json!(product.fields);
            for field in &mut form.fields {
                if let Some(value) = record.get(field.name) {
                    field.hold(value, local);
                }
            }
            form
        }
    };
    match product {
        None => "Type off its data sheet what it says; only name and kind are needed. What is left open is taken as usual, or said to be unknown.",
        Some(_) => "Coats that were recorded keep what the sheet said then.",
    }
    .clone_into(&mut form.about);
    form.open = true;
    form
}

fn film() -> [Field; 3] {
    [
        number("volume_solids_pct", "Solids by volume", "%")
            .beginning("The film")
            .told("What is left of a litre when it is dry. Litres and films are worked out by it."),
        number("min_dry_film_um", "Thinnest dry film of a coat", "µm")
            .told("Coats are planned to this film, and judged by it."),
        number("max_dry_film_um", "Thickest dry film of a coat", "µm"),
    ]
}

fn climate() -> [Field; 4] {
    [
        number("min_surface_temperature_c", "Coldest hull it may go on", "°C")
            .beginning("When it may be put on")
            .told("Left open: 10."),
        number("max_surface_temperature_c", "Warmest hull it may go on", "°C").told("Left open: 35."),
        number("min_margin_k", "Hull warmer than the dew point by at least", "°C")
            .told("Left open: 3. Closer than that, dew may lie on the hull unseen."),
        number("max_relative_humidity_pct", "Dampest air", "% relative humidity").told("Left open: 85."),
    ]
}

fn mix() -> [Field; 5] {
    [
        number("mix_base_parts", "Base", "parts by volume").beginning("The mix and the tin"),
        number("mix_hardener_parts", "Hardener", "parts by volume").told("Both parts, or neither."),
        number("pack_l", "A pack, base and hardener together", "litres"),
        Field::new("solventless", "It holds no solvent", Kind::Flag),
        Field::new("amine_blush", "It blushes as it cures: washed off before the next coat", Kind::Flag),
    ]
}

fn antifouling() -> [Field; 4] {
    [
        number("max_days_to_launch", "Must be in the water within", "days").folding("Of an antifouling only"),
        number("wear_um_per_month_15c", "Wears off afloat at 15 °C", "µm a month"),
        number("season_limit_months", "Lasts, where it does not wear", "months"),
        number("max_days_dry", "May stand dry", "days").told("Longer ashore, and it no longer works."),
    ]
}

/// What was typed, as a program sends it, with the rows that its lines come from.
#[derive(Debug)]
pub struct Read {
    /// The fields.
    pub json: Value,
    rows: [Option<Vec<usize>>; 3],
}

impl Read {
    /// Of a new product; or of a change, with what was left as it was left out.
    ///
    /// # Errors
    /// Invalid, with every field that cannot be read.
    pub fn of(form: &ActForm, typed: &Typed, local: &LocalTime, change: bool) -> Result<Self> {
        let mut json = if change { form.changes(typed, local)? } else { form.json(typed, local, json!({}))? };
        let mut rows = [None, None, None];
        if let Some(object) = json.as_object_mut() {
            for (table, rows) in TABLES.iter().zip(&mut rows) {
                if table.take(object) {
                    let read = table.lines(form, typed, local)?;
                    object.insert(table.list.to_owned(), Value::Array(read.lines));
                    *rows = Some(read.rows);
                }
            }
        }
        Ok(Self { json, rows })
    }

    /// An error of the fields with its pointers to those of the form, and what they are called there.
    #[must_use]
    pub fn at_fields(&self, mut error: Error, form: &ActForm) -> Error {
        for fault in &mut error.fields {
            let place =
                |(table, rows): (&&Table, &Option<Vec<usize>>)| table.place(&fault.pointer, rows.as_deref());
            if let Some(place) = TABLES.iter().zip(&self.rows).find_map(place) {
                fault.pointer = place;
            }
            for field in form.fields.iter().filter(|field| field.name.contains('_')) {
                fault.detail = fault.detail.replace(field.name, &format!("“{}”", field.label));
            }
            for (name, called) in [
                ("of one next_role", "of the same next coat"),
                ("min_h", "the shortest time"),
                ("correct the role", "correct what it is there for"),
            ] {
                fault.detail = fault.detail.replace(name, called);
            }
        }
        error
    }
}

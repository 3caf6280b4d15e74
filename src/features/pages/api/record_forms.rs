//! The fields of what is recorded of a hull in the ordinary: for a new record, and for its correction.

use chrono::NaiveDate;

use super::act_form::{Addition, Field, Kind};
use super::entry_survey::choice;
use super::marks::day;
use super::yard_words::{LocalTime, headed, word};
use crate::features::haulouts::model::HaulOutFields;
use crate::features::haulouts::store::HaulOut;
use crate::features::products::store::Product;
use crate::features::surveys::store::survey::Survey;

/// A time ashore in words.
#[must_use]
pub fn lift_words(lift: &HaulOutFields) -> String {
    let until = lift.relaunched_on.map_or_else(|| "ashore now".to_owned(), |on| format!("to {}", day(on)));
    format!("lifted {}, {until}", day(lift.lifted_on))
}

fn zones() -> Kind {
    Kind::Choice(
        ["bottom", "waterline", "keel", "rudder", "appendage"].map(|zone| choice(zone, zone)).to_vec(),
    )
}

/// What a coat is there for.
#[must_use]
pub fn roles() -> Kind {
    let roles = [
        ("gelcoat", "gelcoat"),
        ("sealer", "sealer"),
        ("barrier", "barrier"),
        ("topcoat", "topcoat, for looks and weather"),
        ("antifouling", "antifouling"),
    ];
    Kind::Choice(roles.map(|(code, words)| choice(code, words)).to_vec())
}

/// Where a product is added that a choice of them lacks.
pub const ADD_A_PRODUCT: Addition = Addition { address: "/products/new", words: "Add a product" };

/// A day that is mostly today.
fn day_of(name: &'static str, label: &str, today: NaiveDate) -> Field {
    Field::new(name, label, Kind::Day).needed().holding(today.to_string())
}

fn number(name: &'static str, label: &str, unit: &str) -> Field {
    Field::new(name, label, Kind::Number).measured_in(unit)
}

fn time(name: &'static str, what: &str, local: &LocalTime) -> Field {
    Field::new(name, &format!("{what} (clock of {})", local.zone_name()), Kind::Time)
}

/// Why a record was wrong.
#[must_use]
pub fn reason(label: &str) -> Field {
    Field::new("correction_reason", label, Kind::Text)
}

/// Of a time ashore.
#[must_use]
pub fn haul_out(today: NaiveDate) -> Vec<Field> {
    let reasons = [
        ("inspection", "to look at the bottom"),
        ("antifouling", "to renew the antifouling"),
        ("barrier", "to put on barrier coats"),
        ("repair", "to mend damage"),
        ("treatment", "to treat a blistered or wet hull"),
        ("seasonal", "for the season ashore"),
        ("other", "something else: say it below"),
    ];
    vec![
        day_of("lifted_on", "Lifted on", today),
        Field::new("reason", "Why", Kind::Choice(reasons.map(|(code, words)| choice(code, words)).to_vec()))
            .needed(),
        Field::new("relaunched_on", "Back in the water on", Kind::Day).told("Empty while it stands ashore."),
        Field::new("note", "Anything else", Kind::Long),
        Field::new("ref", "Your own reference", Kind::Text),
    ]
}

/// Of a coat. Those that stay as they are once recorded come first where they are wanted.
#[must_use]
pub fn coat(local: &LocalTime, products: &[Product], lifts: Option<&[HaulOut]>) -> Vec<Field> {
    let sheets = products.iter().map(|product| {
        (product.id.to_string(), format!("{} ({})", product.fields.name, word(&product.fields.role)))
    });
    let mut fields = vec![
        Field::new("role", "What it is there for", roles()).needed(),
        Field::new("zone", "Zone", zones()).needed().holding("bottom"),
        day_of("applied_on", "Day it was put on", local.today()),
    ];
    if let Some(lifts) = lifts {
        let ashore = lifts.iter().rfind(|lift| lift.fields.relaunched_on.is_none());
        let choices = lifts.iter().rev().map(|lift| (lift.id.to_string(), lift_words(&lift.fields)));
        let held = ashore.map_or_else(String::new, |lift| lift.id.to_string());
        fields.push(
            Field::new("haul_out_id", "In which time ashore", Kind::Choice(choices.collect())).holding(held),
        );
    }
    fields.extend([
        Field::new("product_id", "Product, by its data sheet", Kind::Choice(sheets.collect()))
            .told("What the sheet says and you leave empty is taken from it.")
            .lacking(ADD_A_PRODUCT),
        Field::new("product", "Product, where no sheet is entered", Kind::Text),
        Field::new("colour", "Colour", Kind::Text),
        number("dry_film_um", "Dry film", "µm").told("Left open, what is usual for such a coat is taken."),
        Field::new("film_measured", "The film was measured", Kind::Flag),
        number("litres", "Used, mixed and unthinned", "litres").folding("How it was put on"),
        number("area_m2", "On what area", "m²"),
        number("wet_film_um", "Wet film by the comb", "µm"),
        Field::new("batch_number", "Batch number", Kind::Text),
        time("started_at", "Begun", local),
        time("finished_at", "Ended", local),
        number("sequence", "Which coat of that day, counted outwards", "").told("Empty: the next."),
        Field::new("note", "Anything else", Kind::Long),
        number("permeability_kg_m_s", "Permeability to water", "kg/(m·s)")
            .folding("By the data sheet, where none is entered"),
        number("wear_um_per_month_15c", "Wears off afloat at 15 °C", "µm a month"),
        number("season_limit_months", "Lasts, where it does not wear", "months"),
        number("max_days_dry", "May stand dry", "days"),
    ]);
    if lifts.is_some() {
        fields.push(Field::new("ref", "Your own reference", Kind::Text));
    }
    fields
}

/// Of a finding. Those that stay as they are once recorded are there where surveys are given.
#[must_use]
pub fn finding(today: NaiveDate, surveys: Option<&[Survey]>) -> Vec<Field> {
    let of = |pairs: &[(&str, &str)]| {
        Kind::Choice(pairs.iter().map(|(code, words)| choice(code, words)).collect())
    };
    let kinds = [
        ("blister", "a blister, or a field of them"),
        ("skin_break", "a break through the skin"),
        ("impact_damage", "damage from a blow"),
        ("crack", "a crack"),
        ("delamination", "layers that came apart"),
        ("coating_defect", "a defect of the coating only"),
    ];
    let mut fields = vec![
        Field::new("kind", "What", of(&kinds)).needed(),
        Field::new(
            "layer",
            "Of a blister: the layer it lies in",
            of(&[
                ("coating", "the paint"),
                ("gelcoat", "under or in the gelcoat"),
                ("laminate", "the laminate"),
            ]),
        ),
        day_of("found_on", "Found on", today),
        Field::new("zone", "Zone", zones()).needed().holding("bottom"),
        Field::new("side", "Side, looking forward", of(&[("port", "port"), ("starboard", "starboard")])),
        number("x_m", "Aft from the forward end of the waterline", "m"),
        number("girth_m", "Up from the centreline, along the skin", "m"),
        number("largest_mm", "The largest, across or along", "mm"),
        number("count", "How many", ""),
        number("area_m2", "On what area", "m²"),
        Field::new("note", "Anything else", Kind::Long),
        Field::new(
            "state",
            "How it stands",
            of(&[("open", "open"), ("watched", "watched"), ("repaired", "repaired")]),
        )
        .needed()
        .holding("open")
        .beginning("What became of it"),
        Field::new("follow_up_on", "To be looked at again on", Kind::Day),
        Field::new("repaired_on", "Repaired on", Kind::Day),
        Field::new("happened_on", "It happened on", Kind::Day).folding("More"),
        Field::new(
            "hull",
            "Of a multihull: on which hull",
            of(&[("centre", "the middle one"), ("port", "port hull"), ("starboard", "starboard hull")]),
        ),
        number("fluid_ph", "pH of the fluid, if tested", ""),
    ];
    if let Some(surveys) = surveys {
        let found = surveys.iter().rev().map(|survey| {
            (survey.id.to_string(), format!("{}, {}", day(survey.fields.surveyed_on), word(&survey.state())))
        });
        fields.push(Field::new("survey_id", "The survey that found it", Kind::Choice(found.collect())));
        fields.push(Field::new("ref", "Your own reference", Kind::Text));
    }
    fields
}

/// Of a treatment done without a plan here.
#[must_use]
pub fn treatment_done(lifts: &[HaulOut]) -> Vec<Field> {
    let lifts = lifts.iter().rev().map(|lift| (lift.id.to_string(), lift_words(&lift.fields)));
    vec![
        Field::new("kind", "What it was", kinds()).needed(),
        Field::new("started_on", "Begun on", Kind::Day).needed(),
        Field::new("completed_on", "Complete on", Kind::Day).needed(),
        number("laminate_removed_mm", "Laminate taken off, of a curative one", "mm"),
        Field::new("haul_out_id", "In which time ashore", Kind::Choice(lifts.collect())),
        Field::new("note", "Anything else", Kind::Long),
    ]
}

/// The kinds of treatment.
#[must_use]
pub fn kinds() -> Kind {
    Kind::Choice(vec![
        choice("preventive", "preventive: a barrier on sound gelcoat"),
        choice("curative", "curative: stripped, dried and built up again"),
    ])
}

/// What a finding is, in a line.
#[must_use]
pub fn finding_words(fields: &crate::features::surveys::model::finding::FindingFields) -> String {
    let side = fields.side.as_ref().map(|side| format!(", {}", word(side))).unwrap_or_default();
    format!("{} on the {}{side}", headed(&fields.kind), word(&fields.zone))
}

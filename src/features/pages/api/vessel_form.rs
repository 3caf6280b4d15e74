//! A vessel's fields as a form, and what was typed there as a program would send it.

use serde_json::{Map, Value, json};

use super::act_form::{ActForm, Addition, Field, Kind, Typed, fresh_id};
use super::entry_survey::choice;
use super::hull::month;
use super::yard_words::{LocalTime, headed, word};
use crate::error::{Error, FieldError, Result};
use crate::features::vessels::model::{VesselFields, Zone};
use crate::features::vessels::store::Vessel;
use crate::ids::SiteId;

/// A zone with the names of its fields in the form: sandwich or not, laminate, gelcoat.
const ZONES: [(Zone, [&str; 3]); 5] = [
    (Zone::Bottom, ["bottom_cored", "bottom_laminate_thickness_mm", "bottom_gelcoat_thickness_um"]),
    (
        Zone::Waterline,
        ["waterline_cored", "waterline_laminate_thickness_mm", "waterline_gelcoat_thickness_um"],
    ),
    (Zone::Keel, ["keel_cored", "keel_laminate_thickness_mm", "keel_gelcoat_thickness_um"]),
    (Zone::Rudder, ["rudder_cored", "rudder_laminate_thickness_mm", "rudder_gelcoat_thickness_um"]),
    (
        Zone::Appendage,
        ["appendage_cored", "appendage_laminate_thickness_mm", "appendage_gelcoat_thickness_um"],
    ),
];
/// What those are called in a zone of a vessel.
const OF_ZONE: [&str; 3] = ["cored", "laminate_thickness_mm", "gelcoat_thickness_um"];
const MONTHS: [&str; 2] = ["ashore_from_month", "ashore_until_month"];

/// The field of the vessel's form: forms of pages have a field `form` for their token.
const SHAPE: &str = "hull_form";

/// The form of a new vessel, or of one as it stands.
#[must_use]
pub fn vessel_form(vessel: Option<&Vessel>, sites: &[(SiteId, String)], local: &LocalTime) -> ActForm {
    let mut fields = vec![
        Field::new("name", "Name", Kind::Text).needed(),
        Field::new(
            SHAPE,
            "Shape under water",
            Kind::Choice(vec![
                choice("fin_keel", "sailing, with a fin keel"),
                choice("long_keel", "sailing, with a long keel"),
                choice("motor", "motor, planing or nearly"),
                choice("full_bodied", "full-bodied displacement hull"),
                choice("multihull", "two hulls or more"),
            ]),
        )
        .needed(),
        Field::new("length_m", "Length of the hull", Kind::Number).measured_in("m").needed(),
        Field::new(
            "site_id",
            "Lies at",
            Kind::Choice(sites.iter().map(|(id, name)| (id.to_string(), name.clone())).collect()),
        )
        .told("Left open, a stand-in climate is taken.")
        .lacking(Addition { address: "/sites/new", words: "Add a site" }),
        Field::new("berth", "Berth", Kind::Text),
    ];
    fields.extend(built());
    fields.extend(season_and_owner());
    fields.extend(measures());
    fields.extend(zones());
    fields.extend([
        Field::new("ref", "Your own reference", Kind::Text)
            .folding("Reference, hull number, note, the day it left"),
        Field::new("hull_id_number", "Hull identification number (ISO 10087)", Kind::Text),
        Field::new("retired_on", "The day it left for good", Kind::Day)
            .told("From then on nothing of it is due."),
        Field::new("note", "Anything else", Kind::Long),
    ]);
    let mut form = match vessel {
        None => {
            fields.insert(0, Field::unseen("id", fresh_id()));
            ActForm::new("vessel", "A new vessel", "/vessels/new".to_owned(), "Enter this vessel", fields)
        }
        Some(vessel) => {
            fields.insert(0, Field::unseen("version", vessel.version));
            let action = format!("/vessels/{}/change", vessel.id);
            let form = ActForm::new("vessel", "The vessel as it stands", action, "Save", fields);
            let mut form = form.filled(&vessel.fields, local);
            hold_build(&mut form, &vessel.fields, local);
            form
        }
    };
    "Only name, shape and length are needed. The more is known, the narrower the ranges of the dates."
        .clone_into(&mut form.about);
    form.open = true;
    form
}

fn built() -> [Field; 4] {
    [
        Field::new("launched_on", "First launched on", Kind::Day)
            .beginning("Age and build")
            .told("Without it and the year built, water and risk cannot be followed."),
        Field::new("built_year", "Year built", Kind::Number).told("Its 1 July stands in for the launch."),
        Field::new(
            "laminate_class",
            "Resin of the laminate",
            Kind::Choice(vec![
                choice("orthophthalic", "orthophthalic polyester"),
                choice("isophthalic", "isophthalic polyester"),
                choice("vinylester_skin", "vinylester behind the gelcoat, polyester beneath"),
                choice("vinylester", "vinylester throughout"),
                choice("epoxy", "epoxy throughout"),
            ]),
        )
        .told("Left open, the dates are wider: the lesser resins are taken as equally likely."),
        Field::new(
            "bilge",
            "Bilge, as it is usually found",
            Kind::Choice(vec![
                choice("dry", "dusty dry"),
                choice("damp", "damp, no standing water"),
                choice("wet", "standing water"),
            ]),
        )
        .told("Left open, a damp one is taken."),
    ]
}

fn season_and_owner() -> Vec<Field> {
    let months: Vec<(String, String)> = (1..=12).map(|n: u32| choice(&n.to_string(), month(n))).collect();
    vec![
        Field::new(MONTHS[0], "From", Kind::Choice(months.clone())).beginning("Usual season ashore"),
        Field::new(MONTHS[1], "To the end of", Kind::Choice(months))
            .told("Both, or neither: afloat all year but for its haul-outs."),
        Field::new("owner_name", "Name", Kind::Text).beginning("The boat\u{2019}s owner"),
        Field::new("owner_phone", "Telephone", Kind::Text),
        Field::new("owner_email", "E-mail address", Kind::Text),
    ]
}

fn measures() -> Vec<Field> {
    let number = |name, label: &str, unit| Field::new(name, label, Kind::Number).measured_in(unit);
    vec![
        number("lwl_m", "Length of the waterline", "m").folding("More measures, and the lift"),
        number("beam_m", "Greatest beam", "m"),
        number("draft_m", "Draught", "m"),
        number("displacement_kg", "Displacement", "kg"),
        number("sling_forward_m", "Forward sling, aft of the bow", "m"),
        number("sling_aft_m", "Aft sling, aft of the bow", "m"),
    ]
}

fn zones() -> Vec<Field> {
    let of_zone = |(zone, [cored, laminate, gelcoat]): &(Zone, [&'static str; 3])| {
        let zone = headed(zone);
        [
            Field::new(
                cored,
                &format!("{zone}: built as"),
                Kind::Choice(vec![
                    choice("false", "solid laminate"),
                    choice("true", "sandwich, with a core"),
                ]),
            ),
            Field::new(laminate, &format!("{zone}: laminate"), Kind::Number).measured_in("mm"),
            Field::new(gelcoat, &format!("{zone}: gelcoat as built"), Kind::Number).measured_in("µm"),
        ]
    };
    let mut fields: Vec<Field> = ZONES.iter().flat_map(of_zone).collect();
    if let Some(first) = fields.first_mut() {
        *first = first.clone().folding("How its zones are built");
    }
    fields
}

/// Puts the shape of a vessel and how its zones are built into the fields.
fn hold_build(form: &mut ActForm, vessel: &VesselFields, local: &LocalTime) {
    if let Some(field) = form.fields.iter_mut().find(|field| field.name == SHAPE) {
        field.hold(&json!(vessel.form), local);
    }
    for zone in &vessel.zones {
        let Some((_, names)) = ZONES.iter().find(|(own, _)| *own == zone.zone) else { continue };
        let zone = serde_json::to_value(zone).unwrap_or_default();
        for (name, own) in names.iter().zip(OF_ZONE) {
            if let Some(field) = form.fields.iter_mut().find(|field| field.name == *name) {
                field.hold(&zone[own], local);
            }
        }
    }
}

/// What was typed, as a program sends it.
#[derive(Debug)]
pub struct Read {
    /// The fields.
    pub json: Value,
    /// The zones described, in the order sent.
    zones: Vec<Zone>,
}

impl Read {
    /// Of a new vessel.
    ///
    /// # Errors
    /// Invalid, with every field that cannot be read.
    pub fn new(form: &ActForm, typed: &Typed, local: &LocalTime) -> Result<Self> {
        let json = form.json(typed, local, json!({}))?;
        Self::of(form, typed, local, json)
    }

    /// Of a change, with what was left as it was left out.
    ///
    /// # Errors
    /// Invalid, with every field that cannot be read.
    pub fn changes(form: &ActForm, typed: &Typed, local: &LocalTime) -> Result<Self> {
        let json = form.changes(typed, local)?;
        Self::of(form, typed, local, json)
    }

    fn of(form: &ActForm, typed: &Typed, local: &LocalTime, json: Value) -> Result<Self> {
        let Value::Object(mut object) = json else { return Ok(Self { json, zones: Vec::new() }) };
        if let Some(shape) = object.remove(SHAPE) {
            object.insert("form".to_owned(), shape);
        }
        for name in MONTHS {
            if let Some(number) =
                object.get(name).and_then(Value::as_str).and_then(|text| text.parse::<i32>().ok())
            {
                object.insert(name.to_owned(), json!(number));
            }
        }
        let names: Vec<&str> = ZONES.iter().flat_map(|(_, names)| *names).collect();
        let touched = names.iter().filter(|name| object.remove(**name).is_some()).count() > 0;
        if !touched {
            return Ok(Self { json: Value::Object(object), zones: Vec::new() });
        }
        // All that is typed of the zones, for they are replaced together.
        let form = ActForm {
            fields: form.fields.iter().filter(|field| names.contains(&field.name)).cloned().collect(),
            ..form.clone()
        };
        let typed = form.json(typed, local, json!({}))?;
        let (mut described, mut zones) = (Vec::new(), Vec::new());
        for (zone, names) in &ZONES {
            let mut own: Map<String, Value> = names
                .iter()
                .zip(OF_ZONE)
                .filter_map(|(name, own)| Some((own.to_owned(), typed.get(*name)?.clone())))
                .collect();
            if own.is_empty() {
                continue;
            }
            let [cored, ..] = names;
            let Some(built) = typed.get(*cored).and_then(Value::as_str) else {
                let detail = "is not chosen, though more of that zone is entered. Choose one.";
                return Err(Error::field(format!("/{cored}"), "missing", detail));
            };
            own.insert("cored".to_owned(), json!(built == "true"));
            own.insert("zone".to_owned(), json!(zone));
            described.push(Value::Object(own));
            zones.push(*zone);
        }
        object.insert("zones".to_owned(), Value::Array(described));
        Ok(Self { json: Value::Object(object), zones })
    }

    /// An error of the fields with its pointers to those of the form.
    #[must_use]
    pub fn at_fields(&self, mut error: Error) -> Error {
        let place = |fault: &FieldError| {
            if fault.pointer == "/form" {
                return Some(format!("/{SHAPE}"));
            }
            let mut parts = fault.pointer.strip_prefix("/zones/")?.split('/');
            let zone = self.zones.get(parts.next()?.parse::<usize>().ok()?)?;
            Some(format!("/{}_{}", word(zone), parts.next()?))
        };
        for fault in &mut error.fields {
            if let Some(place) = place(fault) {
                fault.pointer = place;
            }
        }
        error
    }
}

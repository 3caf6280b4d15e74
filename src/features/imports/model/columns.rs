//! The columns of each kind. A column with a unit carries it in its name.

use super::cells::Form;
use super::kinds::Column;

/// The zones a vessel's columns speak of.
pub const ZONES: [&str; 5] = ["bottom", "waterline", "keel", "rudder", "appendage"];

const FORMS: Form = Form::Word(&["fin_keel", "long_keel", "motor", "full_bodied", "multihull"]);
const LAMINATES: Form =
    Form::Word(&["orthophthalic", "isophthalic", "vinylester_skin", "vinylester", "epoxy"]);
const BILGES: Form = Form::Word(&["dry", "damp", "wet"]);
const REASONS: Form =
    Form::Word(&["inspection", "antifouling", "barrier", "repair", "treatment", "seasonal", "other"]);
const ROLES: Form = Form::Word(&["gelcoat", "sealer", "barrier", "topcoat", "antifouling"]);
const ZONE: Form = Form::Word(&ZONES);
const HULLS: Form = Form::Word(&["centre", "port", "starboard"]);
const SIDES: Form = Form::Word(&["port", "starboard"]);

const REF: &str =
    "your own reference, unique among the records of this kind; it tells which record a row speaks of";
const VESSEL_REF: &str = "the vessel's reference";
const VESSEL_NUMBER: &str =
    "the vessel's craft identification number (ISO 10087); this or the reference, or both";

const fn column(
    name: &'static str,
    form: Form,
    required: bool,
    example: &'static str,
    meaning: &'static str,
) -> Column {
    Column { name, form, required, meaning, example }
}

/// Vessels.
pub const VESSELS: &[Column] = &[
    column("ref", Form::Text, false, "V-001", REF),
    column("name", Form::Text, true, "Invented Hull", "the vessel's name"),
    column("form", FORMS, true, "fin_keel", "the shape of the underwater hull"),
    column("length_m", Form::Number, true, "10.5", "length of the hull, 2 to 100 m"),
    column("lwl_m", Form::Number, false, "9.1", "length of the waterline, 1 to 100 m"),
    column("beam_m", Form::Number, false, "3.4", "greatest beam, 0.5 to 40 m"),
    column("draft_m", Form::Number, false, "1.8", "draught, 0.1 to 15 m"),
    column("displacement_kg", Form::Number, false, "5200", "displacement, 50 to 2,000,000 kg"),
    column("sling_forward_m", Form::Number, false, "2.6", "where the forward sling goes, m aft from the bow"),
    column("sling_aft_m", Form::Number, false, "7.9", "where the aft sling goes, m aft from the bow"),
    column(
        "hull_id_number",
        Form::Text,
        false,
        "XX-ABC12345D626",
        "craft identification number (ISO 10087); without a reference it tells which vessel a row speaks of",
    ),
    column("built_year", Form::Whole, false, "2006", "year it was built, 1940 to 2199"),
    column("launched_on", Form::Date, false, "2006-05-20", "day it first went into the water"),
    column("laminate_class", LAMINATES, false, "isophthalic", "resin system of the structural laminate"),
    column("bilge", BILGES, false, "dry", "how the bilge is usually found"),
    column("ashore_from_month", Form::Whole, false, "11", "first month it usually stands ashore, 1 to 12"),
    column("ashore_until_month", Form::Whole, false, "3", "last month it usually stands ashore, 1 to 12"),
    column("site_ref", Form::Text, false, "", "reference of the site where it lies"),
    column("site_name", Form::Text, false, "", "name of that site, where only one has it"),
    column("berth", Form::Text, false, "B 14", "the berth there"),
    column("owner_name", Form::Text, false, "", "the owner's name"),
    column("owner_phone", Form::Text, false, "", "the owner's telephone number"),
    column("owner_email", Form::Text, false, "", "the owner's e-mail address"),
    column("note", Form::Text, false, "", "anything else"),
    column("retired_on", Form::Date, false, "", "day it left for good"),
    column(
        "bottom_laminate_thickness_mm",
        Form::Number,
        false,
        "9.5",
        "thickness of the structural laminate of the bottom, 1 to 200 mm",
    ),
    column("bottom_cored", Form::Truth, false, "false", "whether the bottom is a sandwich; no when left out"),
    column(
        "bottom_gelcoat_thickness_um",
        Form::Number,
        false,
        "600",
        "thickness of the gelcoat of the bottom as built, 0 to 5000 µm",
    ),
    column(
        "waterline_laminate_thickness_mm",
        Form::Number,
        false,
        "",
        "thickness of the structural laminate of the waterline, 1 to 200 mm",
    ),
    column(
        "waterline_cored",
        Form::Truth,
        false,
        "",
        "whether the waterline is a sandwich; no when left out",
    ),
    column(
        "waterline_gelcoat_thickness_um",
        Form::Number,
        false,
        "",
        "thickness of the gelcoat of the waterline as built, 0 to 5000 µm",
    ),
    column(
        "keel_laminate_thickness_mm",
        Form::Number,
        false,
        "",
        "thickness of the structural laminate of the keel, 1 to 200 mm",
    ),
    column("keel_cored", Form::Truth, false, "", "whether the keel is a sandwich; no when left out"),
    column(
        "keel_gelcoat_thickness_um",
        Form::Number,
        false,
        "",
        "thickness of the gelcoat of the keel as built, 0 to 5000 µm",
    ),
    column(
        "rudder_laminate_thickness_mm",
        Form::Number,
        false,
        "",
        "thickness of the structural laminate of the rudder, 1 to 200 mm",
    ),
    column("rudder_cored", Form::Truth, false, "", "whether the rudder is a sandwich; no when left out"),
    column(
        "rudder_gelcoat_thickness_um",
        Form::Number,
        false,
        "",
        "thickness of the gelcoat of the rudder as built, 0 to 5000 µm",
    ),
    column(
        "appendage_laminate_thickness_mm",
        Form::Number,
        false,
        "",
        "thickness of the structural laminate of the appendage, 1 to 200 mm",
    ),
    column(
        "appendage_cored",
        Form::Truth,
        false,
        "",
        "whether the appendage is a sandwich; no when left out",
    ),
    column(
        "appendage_gelcoat_thickness_um",
        Form::Number,
        false,
        "",
        "thickness of the gelcoat of the appendage as built, 0 to 5000 µm",
    ),
];

/// Haul-outs.
pub const HAUL_OUTS: &[Column] = &[
    column("ref", Form::Text, false, "H-001", REF),
    column("vessel_ref", Form::Text, false, "V-001", VESSEL_REF),
    column("vessel_hull_id_number", Form::Text, false, "", VESSEL_NUMBER),
    column(
        "lifted_on",
        Form::Date,
        true,
        "2026-03-02",
        "day of the lift; without a reference, vessel and day tell which haul-out a row speaks of",
    ),
    column("relaunched_on", Form::Date, false, "2026-03-20", "day of the relaunch; empty while ashore"),
    column("reason", REASONS, true, "seasonal", "why it was lifted"),
    column("note", Form::Text, false, "", "anything else"),
];

/// Readings.
pub const READINGS: &[Column] = &[
    column("ref", Form::Text, false, "", REF),
    column("vessel_ref", Form::Text, false, "V-001", VESSEL_REF),
    column("vessel_hull_id_number", Form::Text, false, "", VESSEL_NUMBER),
    column(
        "survey_ref",
        Form::Text,
        false,
        "",
        "reference of the survey; made as a draft where there is none, and then surveyed_on is needed",
    ),
    column(
        "surveyed_on",
        Form::Date,
        false,
        "2026-03-05",
        "day of the survey; a draft is made where the vessel has none of this day",
    ),
    column("station_code", Form::Text, true, "P3", "what the station is called on this vessel"),
    column("hull", HULLS, false, "centre", "of a station not known yet: which hull; centre when left out"),
    column("side", SIDES, false, "port", "of a station not known yet: which side; required for it"),
    column("zone", ZONE, false, "bottom", "of a station not known yet: in which zone; bottom when left out"),
    column(
        "x_m",
        Form::Number,
        false,
        "3.2",
        "of a station not known yet: m aft from the forward end of the waterline",
    ),
    column(
        "girth_m",
        Form::Number,
        false,
        "0.8",
        "of a station not known yet: m up from the centreline along the skin",
    ),
    column(
        "scale",
        Form::Text,
        false,
        "relative",
        "the meter's scale; the survey's meter_scale when left out",
    ),
    column(
        "sequence",
        Form::Whole,
        false,
        "1",
        "which reading at this station, survey and scale; 1 when left out",
    ),
    column("value", Form::Number, true, "14.5", "what the meter showed, on its scale"),
    column("taken_at", Form::Time, false, "2026-03-05T09:30:00Z", "when it was taken"),
    column("note", Form::Text, false, "", "anything else"),
    column(
        "correction_reason",
        Form::Text,
        false,
        "",
        "with update: why a reading that is kept is corrected; required for it",
    ),
];

/// Coats.
pub const COATS: &[Column] = &[
    column("ref", Form::Text, false, "C-001", REF),
    column("vessel_ref", Form::Text, false, "V-001", VESSEL_REF),
    column("vessel_hull_id_number", Form::Text, false, "", VESSEL_NUMBER),
    column("haul_out_ref", Form::Text, false, "H-001", "reference of the haul-out in which it was applied"),
    column("role", ROLES, true, "barrier", "what the coat is for"),
    column("zone", ZONE, true, "bottom", "the zone it covers"),
    column("applied_on", Form::Date, true, "2026-03-10", "day it was applied"),
    column(
        "sequence",
        Form::Whole,
        false,
        "1",
        "its place among the coats of that day, 1 for the innermost; without a reference, vessel, day and sequence tell which coat a row speaks of",
    ),
    column("product", Form::Text, false, "", "what was applied"),
    column("product_ref", Form::Text, false, "", "reference of the product, where its sheet is entered"),
    column("batch_number", Form::Text, false, "", "number of the product's batch"),
    column("litres", Form::Number, false, "", "how much was used, mixed and unthinned"),
    column("area_m2", Form::Number, false, "", "on what area, 0.01 to 2000 m²"),
    column("wet_film_um", Form::Number, false, "", "wet film thickness, 1 to 10000 µm"),
    column("started_at", Form::Time, false, "", "when its application began"),
    column("finished_at", Form::Time, false, "", "when its application ended"),
    column("colour", Form::Text, false, "grey", "its colour"),
    column("dry_film_um", Form::Number, false, "120", "dry film thickness, 1 to 5000 µm"),
    column("film_measured", Form::Truth, false, "true", "whether that was measured; no when left out"),
    column(
        "permeability_kg_m_s",
        Form::Number,
        false,
        "",
        "water permeability from the maker's sheet, kg/(m s), concentration taken out: as in the API",
    ),
    column(
        "wear_um_per_month_15c",
        Form::Number,
        false,
        "",
        "wear of an antifouling, µm a month in water of 15 °C",
    ),
    column("season_limit_months", Form::Whole, false, "", "an antifouling's life in months by its maker"),
    column("max_days_dry", Form::Whole, false, "", "days an antifouling may stand dry"),
    column("removed_on", Form::Date, false, "", "day it was taken off"),
    column("note", Form::Text, false, "", "anything else"),
    column(
        "correction_reason",
        Form::Text,
        false,
        "",
        "with update: why a coat that is kept is corrected; required for it",
    ),
];

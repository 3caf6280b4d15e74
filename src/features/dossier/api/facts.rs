//! Facts in words, each with its label and unit.

use chrono::{Month, NaiveDate};
use serde::Serialize;

use super::{Dossier, DossierSurvey};
use crate::codes;

/// A labelled value.
pub(super) type Fact = (&'static str, String);

/// A number with at most three decimals, without zeros at its end.
pub(super) fn number(value: f64) -> String {
    let text = format!("{value:.3}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// A code in words.
pub(super) fn word(code: &impl Serialize) -> String {
    codes::to_text(code).unwrap_or_default().replace('_', " ")
}

/// The facts that are known, each with its unit.
#[derive(Default)]
struct Facts(Vec<Fact>);

impl Facts {
    fn text(&mut self, label: &'static str, text: Option<&str>) {
        self.0.extend(text.map(|text| (label, text.to_owned())));
    }
    fn measure(&mut self, label: &'static str, value: Option<f64>, unit: &str) {
        self.0.extend(value.map(|value| (label, format!("{}\u{a0}{unit}", number(value)).trim().to_owned())));
    }
    fn code(&mut self, label: &'static str, code: Option<&impl Serialize>) {
        self.0.extend(code.map(|code| (label, word(code))));
    }
    fn day(&mut self, label: &'static str, day: Option<NaiveDate>) {
        self.0.extend(day.map(|day| (label, day.to_string())));
    }
}

fn month(number: i32) -> Option<&'static str> {
    Some(Month::try_from(u8::try_from(number).ok()?).ok()?.name())
}

/// The vessel as the register has it.
pub(super) fn particulars(dossier: &Dossier) -> Vec<Fact> {
    let vessel = &dossier.vessel.fields;
    let mut facts = Facts::default();
    facts.text("Name", Some(&vessel.name));
    facts.text("Reference", vessel.r#ref.as_deref());
    facts.text("Hull identification number", vessel.hull_id_number.as_deref());
    facts.text("Owner", vessel.owner_name.as_deref());
    facts.text("Owner\u{2019}s telephone", vessel.owner_phone.as_deref());
    facts.text("Owner\u{2019}s e-mail", vessel.owner_email.as_deref());
    facts.code("Form of the underwater hull", Some(&vessel.form));
    facts.measure("Length", Some(vessel.length_m), "m");
    facts.measure("Length of the waterline", vessel.lwl_m, "m");
    facts.measure("Beam", vessel.beam_m, "m");
    facts.measure("Draught", vessel.draft_m, "m");
    facts.measure("Displacement", vessel.displacement_kg, "kg");
    facts.measure("Forward sling, aft of the bow", vessel.sling_forward_m, "m");
    facts.measure("Aft sling, aft of the bow", vessel.sling_aft_m, "m");
    facts.text("Year built", vessel.built_year.map(|year| year.to_string()).as_deref());
    facts.day("Launched", vessel.launched_on);
    facts.code("Resin system", vessel.laminate_class.as_ref());
    facts.code("Bilge", vessel.bilge.as_ref());
    let season = vessel.ashore_from_month.and_then(month).zip(vessel.ashore_until_month.and_then(month));
    facts.text("Usually ashore", season.map(|(from, until)| format!("{from} to {until}")).as_deref());
    facts.text("Lies at", dossier.site_name.as_deref());
    facts.text("Berth", vessel.berth.as_deref());
    facts.day("Out of service since", vessel.retired_on);
    facts.text("Note", vessel.note.as_deref());
    facts.0
}

/// What a survey says, but its readings.
pub(super) fn survey_facts(survey: &DossierSurvey) -> Vec<Fact> {
    let fields = &survey.fields;
    let mut facts = Facts::default();
    facts.text("Surveyor", fields.surveyor.as_deref());
    facts.code("Bottom examined", fields.bottom_examined.as_ref());
    facts.code("Deepest blistering", fields.blistering.as_ref());
    facts.measure("Blisters", fields.blister_density_per_m2, "per m\u{b2}");
    facts.measure("Largest blister", fields.largest_blister_mm, "mm");
    facts.text("Coating failed", Some(if fields.coating_failure { "yes" } else { "no" }));
    facts.code("Hammer sounding", fields.sounding.as_ref());
    facts.measure("Hardness", fields.hardness_barcol, "Barcol");
    facts.measure("Air", fields.air_temperature_c, "\u{b0}C");
    facts.measure("Relative humidity", fields.relative_humidity_pct, "%");
    facts.measure("Hull surface", fields.hull_surface_temperature_c, "\u{b0}C");
    facts.measure("Since the lift", fields.hours_since_lift, "h");
    facts.measure("Since the last wash", fields.hours_since_wash, "h");
    facts.text("Meter", fields.meter.as_deref());
    facts.text("Serial number of the meter", fields.meter_serial.as_deref());
    facts.text("Scale of the meter", fields.meter_scale.as_deref());
    facts.measure("Reading on the check block", fields.check_block_reading, "");
    facts.measure("Reading above the waterline", fields.dry_reference_reading, "");
    facts.code("Depth", fields.depth_mode.as_ref());
    facts.text("Note", fields.note.as_deref());
    facts.0
}

#[cfg(test)]
mod tests {
    use super::number;

    #[test]
    fn numbers_end_where_they_say_something() {
        for (value, text) in
            [(12.0, "12"), (0.1 + 0.2, "0.3"), (9.85, "9.85"), (100.0, "100"), (-0.0001, "0")]
        {
            assert_eq!(number(value), text);
        }
    }
}

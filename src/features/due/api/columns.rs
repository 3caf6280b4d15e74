//! The columns of the due list as a table, and what stands in them.

use super::list::DueView;
use crate::error::Result;
use crate::http::table::{Cell, Column, column};

/// Names as in JSON, those of parts joined by an underscore. What a person reads comes first, what programs join by last.
pub const COLUMNS: [Column; 32] = [
    column("vessel_name", 22, "The vessel's name."),
    column("vessel_ref", 12, "The reference of the vessel in its organisation."),
    column("site_name", 20, "The site's name."),
    column("berth", 10, "The berth."),
    column("kind", 14, "What is due: inspection, barrier, antifouling, repair or treatment."),
    column("status", 14, "due, or not_enough_data: then the reason says what to enter."),
    column("due_on", 12, "The day it is due; empty where none can be told or none lies within the horizon."),
    column("overdue", 9, "Whether that day has passed, by today in your organisation's time zone."),
    column("reason", 60, "Why, in a sentence with its numbers."),
    column("basis", 10, "prior: from the priors; learned: from the fleet's own history."),
    column("due_range_p10", 13, "One in ten of the reckoned dates lies before this day."),
    column("due_range_p50", 13, "Half of the reckoned dates lie before this day."),
    column("due_range_p90", 13, "Nine in ten of the reckoned dates lie before this day."),
    column("driver", 22, "The rule that decided the date, as a word."),
    column("evidence", 60, "What the date rests on, every default that was used included."),
    column("onset_p10", 12, "One in ten: blistering would begin before this day if nothing is done."),
    column("onset_p50", 12, "An even chance: blistering would begin before this day if nothing is done."),
    column("onset_p90", 12, "Nine in ten: blistering would begin before this day if nothing is done."),
    column(
        "onset_beyond_horizon_probability",
        14,
        "The probability (0 to 1) that it begins beyond the horizon or never.",
    ),
    column("owner_name", 20, "The owner's name."),
    column("owner_phone", 18, "The owner's telephone."),
    column("laminate_class", 15, "The resin system of the laminate, if known."),
    column("stale", 8, "Whether something it rests on has changed since: it is being computed again."),
    column("computed_at", 17, "When it was computed, UTC."),
    column("org_name", 22, "The name of that organisation."),
    column("calibration_id", 12, "The calibration it was made by; empty where the basis is prior."),
    column("model", 16, "Name and version of the model."),
    column("inputs_hash", 14, "SHA-256 (hex) of what went in."),
    column("id", 12, "The id of the row; it stays for as long as this kind is due of this vessel."),
    column("vessel_id", 12, "The id of the vessel."),
    column("site_id", 12, "The id of the site it lies at."),
    column("org_id", 12, "The id of the organisation the vessel belongs to."),
];

/// The cells of a row, in the order of the columns.
///
/// # Errors
/// Internal, for a code without a word: a defect.
pub fn cells(row: &DueView) -> Result<[Cell; COLUMNS.len()]> {
    let date = &row.date;
    let evidence: Vec<&str> = date.evidence.iter().map(|item| item.text.as_str()).collect();
    let text = |value: &Option<String>| Cell::text(value.as_deref());
    Ok([
        Cell::Text(row.vessel_name.clone()),
        text(&row.vessel_ref),
        text(&row.site_name),
        text(&row.berth),
        Cell::code(&date.kind)?,
        Cell::code(&date.status)?,
        Cell::day(date.due_on),
        Cell::Truth(row.overdue),
        Cell::Text(date.reason.clone()),
        Cell::code(&date.basis)?,
        Cell::day(date.due_range.and_then(|range| range.p10)),
        Cell::day(date.due_range.and_then(|range| range.p50)),
        Cell::day(date.due_range.and_then(|range| range.p90)),
        Cell::code(&date.driver)?,
        Cell::Text(evidence.join(" | ")),
        Cell::day(row.onset.and_then(|onset| onset.p10)),
        Cell::day(row.onset.and_then(|onset| onset.p50)),
        Cell::day(row.onset.and_then(|onset| onset.p90)),
        Cell::number(row.onset.map(|onset| onset.beyond_horizon_probability)),
        text(&row.owner_name),
        text(&row.owner_phone),
        text(&row.laminate_class),
        Cell::Truth(row.stale),
        Cell::Time(row.computed_at),
        Cell::Text(row.org_name.clone()),
        Cell::word(row.calibration_id),
        Cell::Word(row.model.clone()),
        Cell::Word(row.inputs_hash.clone()),
        Cell::word(Some(row.id)),
        Cell::word(Some(row.vessel_id)),
        Cell::word(row.site_id),
        Cell::word(Some(row.org_id)),
    ])
}

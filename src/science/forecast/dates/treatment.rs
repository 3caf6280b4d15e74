//! **Treatment**: after blistering was found and before a curative treatment is completed the onset model stops
//! and the treatment itself is due, within a time that depends on how deep the blisters go.

use super::{Basis, Case, Driver, DueDate, DueKind, DueStatus, Evidence, counted, range};
use crate::science::forecast::day;
use crate::science::forecast::facts::Blistering;

/// The treatment row; none on a hull on which no blistering was found and no treatment runs.
#[must_use]
pub fn due(case: &Case) -> Option<DueDate> {
    let life = case.history.current();
    let policy = &case.facts.policy;
    let mut evidence = Vec::new();
    let due_on = life.onset_found.as_ref().map(|found| {
        let deep = found.blistering == Blistering::Laminate;
        let months = if deep { policy.treatment_laminate_max_months } else { policy.treatment_max_months };
        let layer = if deep { "laminate" } else { "gelcoat" };
        evidence.push(Evidence::new(
            "onset_found",
            format!("The survey of {} found blistering of the {layer}.", found.surveyed_on),
        ));
        if let Some(clean_on) = life.clean_on.last() {
            evidence.push(Evidence::new(
                "last_clean",
                format!("The whole bottom was last found clean on {clean_on}."),
            ));
        }
        let reason = format!(
            "Blistering of the {layer} was found on {}; treatment follows within {}, as a surveyor decides.",
            found.surveyed_on,
            counted(months, "month")
        );
        (day::months_after(found.surveyed_on, months), reason)
    });
    let (date, driver, reason) = match (case.history.treatment_open_since, due_on) {
        (Some(since), due_on) => (
            due_on.map_or(since, |(date, _)| date),
            Driver::TreatmentOpen,
            format!("The curative treatment begun on {since} is not completed."),
        ),
        (None, Some((date, reason))) => (date, Driver::BlisteringFound, reason),
        (None, None) => return None,
    };
    let number = day::number(date);
    Some(DueDate {
        kind: DueKind::Treatment,
        status: DueStatus::Due,
        due_on: day::date_within(number, case.horizon),
        due_range: range(&[], number, case.horizon),
        driver,
        reason,
        evidence,
        basis: Basis::Prior,
        member_days: Vec::new(),
    })
}

//! **Repair**: an open break or damage. Where the skin of the bottom is broken the model runs on without a skin
//! from the day it happened, or was found, and the repair is due when the chance of onset there, none having
//! begun before, reaches its limit; at most some months after it was found, and never before that day. Other
//! damage (delamination; breaks elsewhere than on the bottom, on a cored one, or on a hull whose age is not
//! known) has that longest time alone.

use super::{
    Basis, Candidate, Case, Driver, DueDate, DueKind, DueStatus, Evidence, counted, held, percent, range,
};
use crate::science::forecast::day;
use crate::science::forecast::facts::{FindingFact, FindingKind, FindingState};

/// Whether a finding is to be repaired for its own sake.
#[must_use]
pub fn needs_repair(finding: &FindingFact) -> bool {
    finding.state == FindingState::Open && (breaks_skin(finding) || finding.kind == FindingKind::Delamination)
}

/// Whether a finding bares the laminate.
#[must_use]
pub fn breaks_skin(finding: &FindingFact) -> bool {
    matches!(finding.kind, FindingKind::SkinBreak | FindingKind::ImpactDamage | FindingKind::Crack)
}

/// The repair row, for the most pressing of the open findings; none where there are none.
#[must_use]
pub fn due(case: &Case) -> Option<DueDate> {
    let open = || case.facts.findings.iter().enumerate().filter(|(_, finding)| needs_repair(finding));
    let (first, members, finding) = open()
        .map(|(index, finding)| {
            let (candidate, members) = finding_due(case, index, finding);
            (candidate, members, finding)
        })
        .min_by(|one, other| one.0.day.total_cmp(&other.0.day))?;
    let mut evidence = Vec::new();
    let others = open().count() - 1;
    if others > 0 {
        evidence.push(Evidence::new(
            "other_open_findings",
            format!("{others} more open findings need repair; this row is for the most pressing."),
        ));
    }
    if breaks_skin(finding) && finding.happened_on.is_none() {
        evidence.push(Evidence::new(
            "default_happened_on",
            format!("When it happened is not recorded: the day it was found, {}, is used.", finding.found_on),
        ));
    }
    if members.is_some() {
        evidence.extend_from_slice(case.water_evidence);
    } else {
        evidence.extend(case.no_model_evidence());
    }
    let latest = longest(case, finding);
    let member_days = held(members, latest);
    Some(DueDate {
        kind: DueKind::Repair,
        status: DueStatus::Due,
        due_on: day::date_within(first.day, case.horizon),
        due_range: range(&member_days, latest, case.horizon),
        driver: first.driver,
        reason: first.reason,
        evidence,
        basis: Basis::Prior,
        member_days,
    })
}

/// The last day a finding may be left to.
fn longest(case: &Case, finding: &FindingFact) -> f64 {
    day::number(day::months_after(finding.found_on, case.facts.policy.repair_max_months))
}

fn finding_due(case: &Case, index: usize, finding: &FindingFact) -> (Candidate, Option<Vec<(f64, f64)>>) {
    let policy = &case.facts.policy;
    let what = match finding.kind {
        FindingKind::SkinBreak => "break in the skin",
        FindingKind::ImpactDamage => "impact damage",
        FindingKind::Crack => "crack",
        FindingKind::Delamination => "delamination",
        FindingKind::Blister | FindingKind::CoatingDefect => "finding",
    };
    let found_on = finding.found_on;
    let found = day::number(found_on);
    let latest = Candidate {
        day: longest(case, finding),
        driver: Driver::RepairMaximum,
        reason: format!(
            "The {what} found on {found_on} is open; the longest time allowed is {}.",
            counted(policy.repair_max_months, "month")
        ),
    };
    let modelled = case.onset_model().zip(case.breaks[index]).filter(|_| breaks_skin(finding));
    let Some((outlook, break_index)) = modelled else {
        return (latest, None);
    };
    let (day, members) = outlook.break_days(break_index, policy.repair_risk);
    let members = members.into_iter().map(|(day, weight)| (day.max(found), weight)).collect();
    let since = finding.happened_on.unwrap_or(found_on);
    let first = if day < latest.day {
        Candidate {
            day: day.max(found),
            driver: Driver::BreakRisk,
            reason: format!(
                "Bare laminate at the {what} since {since}: the chance that blistering has begun there reaches {}.",
                percent(policy.repair_risk)
            ),
        }
    } else {
        latest
    };
    (first, Some(members))
}

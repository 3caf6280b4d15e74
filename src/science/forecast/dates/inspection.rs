//! **Inspection**: earliest of the calendar maximum since the last whole examination, the risk since the last
//! clean survey (not sooner than a minimum), a finding's follow-up, readings that make the hull look wet, and the
//! first look after a curative treatment. A blistered hull is looked at as its blisters grow. Never counted from the as-of date: a hull
//! nobody looked at becomes overdue.

use chrono::NaiveDate;

use super::{
    Basis, Candidate, Case, Driver, DueDate, DueKind, DueStatus, Evidence, counted, earliest, held, percent,
    range,
};
use crate::science::forecast::day;
use crate::science::forecast::facts::{BottomExamined, FindingState, SurveyFact};
use crate::science::forecast::history::{Beginning, Verdict, verdict};
use crate::science::forecast::readings;

/// The inspection row. There is always one.
#[must_use]
pub fn due(case: &Case) -> DueDate {
    let life = case.history.current();
    let policy = &case.facts.policy;
    if let Some(since) = case.history.treatment_open_since {
        return DueDate::missing(
            DueKind::Inspection,
            format!(
                "The curative treatment begun on {since} is not completed: enter its completion and the relaunch."
            ),
            Vec::new(),
        );
    }
    let mut evidence: Vec<Evidence> = case.no_model_evidence().into_iter().collect();
    let mut candidates: Vec<Candidate> = calendar(case).into_iter().chain(follow_up(case)).collect();
    if let Some(found) = &life.onset_found {
        candidates.push(growth(case, found, &mut evidence));
    } else {
        candidates.extend(post_treatment(case));
        candidates.extend(wet_look(case, &mut evidence));
    }
    let fixed = candidates.iter().map(|candidate| candidate.day).fold(f64::INFINITY, f64::min);
    let mut members = None;
    if let Some((outlook, sound_on)) = case.onset_model().zip(case.history.sound_on()) {
        let since = day::number(sound_on);
        let soonest = day::number(day::months_after(sound_on, policy.inspection_min_months));
        let own = outlook.member_days_at_risk(since, policy.inspection_risk);
        members = Some(own.map(|(day, weight)| (day.max(soonest), weight)).collect());
        let reached = outlook.day_at_risk_since(since, policy.inspection_risk);
        let what =
            if life.clean_on.is_empty() { "the beginning of this life on" } else { "the clean survey of" };
        let note = if reached < soonest {
            format!(
                ", and no survey is called for sooner than {}",
                counted(policy.inspection_min_months, "month")
            )
        } else {
            String::new()
        };
        candidates.push(Candidate {
            day: reached.max(soonest),
            driver: Driver::OnsetRisk,
            reason: format!(
                "The chance that blistering has begun since {what} {sound_on} reaches {}{note}.",
                percent(policy.inspection_risk)
            ),
        });
        evidence.extend_from_slice(case.water_evidence);
    }
    let Some(first) = earliest(candidates) else {
        return DueDate::missing(
            DueKind::Inspection,
            "Enter the year built or the launch date, or a survey of the whole bottom.",
            evidence,
        );
    };
    let member_days = held(members, fixed);
    DueDate {
        kind: DueKind::Inspection,
        status: DueStatus::Due,
        due_on: day::date_within(first.day, case.horizon),
        due_range: range(&member_days, fixed, case.horizon),
        driver: first.driver,
        reason: first.reason,
        evidence,
        basis: Basis::Prior,
        member_days,
    }
}

/// The calendar maximum since the last whole examination, or since the life began.
fn calendar(case: &Case) -> Option<Candidate> {
    let months = case.facts.policy.inspection_max_months;
    let life = case.history.current();
    let (base, what) = match (case.history.last_whole_examination, life.began_on) {
        (Some(examined), Some(began)) if began > examined => (began, beginning(life.beginning)),
        (Some(examined), _) => (examined, "The whole bottom was last examined"),
        (None, Some(began)) => (began, beginning(life.beginning)),
        (None, None) => return None,
    };
    Some(Candidate {
        day: day::number(day::months_after(base, months)),
        driver: Driver::CalendarMaximum,
        reason: format!("{what} on {base}; the longest time allowed is {}.", counted(months, "month")),
    })
}

fn beginning(beginning: Beginning) -> &'static str {
    match beginning {
        Beginning::Relaunch => {
            "The bottom was relaunched after a curative treatment and not examined since: that was"
        }
        Beginning::Completion => {
            "A curative treatment was completed and the bottom not examined since: that was"
        }
        Beginning::Launch | Beginning::BuiltYear | Beginning::Unknown => {
            "No examination of the whole bottom is recorded since the launch"
        }
    }
}

/// The first look after a curative treatment.
fn post_treatment(case: &Case) -> Option<Candidate> {
    let life = case.history.current();
    let began = life.began_on?;
    let what = match life.beginning {
        Beginning::Relaunch => "Relaunched after a curative treatment",
        Beginning::Completion => "A curative treatment was completed (relaunch not recorded)",
        Beginning::Launch | Beginning::BuiltYear | Beginning::Unknown => return None,
    };
    let months = case.facts.policy.post_treatment_inspection_months;
    let looked_at = case.history.last_whole_examination.is_some_and(|examined| examined > began);
    (!looked_at).then(|| Candidate {
        day: day::number(day::months_after(began, months)),
        driver: Driver::PostTreatment,
        reason: format!(
            "{what} on {began}; the first examination follows within {}.",
            counted(months, "month")
        ),
    })
}

/// The earliest follow-up that no later survey has met.
fn follow_up(case: &Case) -> Option<Candidate> {
    let met = |on: NaiveDate| {
        let looked = |survey: &&SurveyFact| survey.bottom_examined != BottomExamined::None;
        case.facts.surveys.iter().filter(looked).any(|survey| survey.surveyed_on >= on)
    };
    case.facts
        .findings
        .iter()
        .filter(|finding| finding.state != FindingState::Repaired)
        .filter_map(|finding| Some((finding.follow_up_on?, finding.found_on)))
        .filter(|&(on, _)| !met(on))
        .min()
        .map(|(on, found_on)| Candidate {
            day: day::number(on),
            driver: Driver::FollowUp,
            reason: format!("A finding of {found_on} is to be looked at again on {on}."),
        })
}

/// The next look at a hull whose readings make it look wet, and which nobody has looked at since.
fn wet_look(case: &Case, evidence: &mut Vec<Evidence>) -> Option<Candidate> {
    let look = readings::wet_look(case.facts, case.history.current().began_on)?;
    let months = case.facts.policy.wet_inspection_months;
    evidence.push(Evidence::new("wet_readings", format!("On {}: {}", look.seen_on, look.text)));
    Some(Candidate {
        day: day::number(day::months_after(look.seen_on, months)),
        driver: Driver::WetReadings,
        reason: format!(
            "The hull looked wet on {} and is looked at again within {}: {}",
            look.seen_on,
            counted(months, "month"),
            look.text
        ),
    })
}

/// The next look at a blistered hull: after the longest time where its blisters do not grow, after the
/// shortest where their area doubles within a year or its growth is not known, in proportion between.
fn growth(case: &Case, found: &SurveyFact, evidence: &mut Vec<Evidence>) -> Candidate {
    let policy = &case.facts.policy;
    let looked: Vec<&SurveyFact> = case
        .facts
        .surveys
        .iter()
        .filter(|survey| survey.surveyed_on >= found.surveyed_on)
        .filter(|survey| survey.bottom_examined != BottomExamined::None)
        .collect();
    let last = looked.last().copied().unwrap_or(found);
    let blistered: Vec<&SurveyFact> =
        looked.iter().copied().filter(|survey| verdict(survey, policy) == Verdict::Onset).collect();
    let doublings = match blistered.as_slice() {
        [.., before, after] => doublings_per_year(before, after),
        _ => None,
    };
    let span =
        f64::from(policy.growth_inspection_max_months) - f64::from(policy.growth_inspection_min_months);
    let shorter = span * doublings.unwrap_or(1.0).clamp(0.0, 1.0);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "between the two limits, which are months"
    )]
    let months = policy.growth_inspection_max_months - shorter.round() as u32;
    evidence.push(match doublings {
        Some(rate) => Evidence::new(
            "blister_growth",
            format!("Between the last two surveys the blistered area doubled {rate:.1} times a year."),
        ),
        None => Evidence::new(
            "blister_growth_unknown",
            "The growth of the blisters is not known: it takes density and largest diameter from two surveys.",
        ),
    });
    let looked_on = last.surveyed_on;
    Candidate {
        day: day::number(day::months_after(looked_on, months)),
        driver: Driver::BlisterGrowth,
        reason: format!(
            "Blistering was found on {}; the hull was last looked at on {looked_on} and is looked at again after {}.",
            found.surveyed_on,
            counted(months, "month")
        ),
    }
}

/// How often a year the blistered area (density × diameter²) doubled between two surveys.
fn doublings_per_year(before: &SurveyFact, after: &SurveyFact) -> Option<f64> {
    let area = |survey: &SurveyFact| {
        Some(survey.blister_density_per_m2? * survey.largest_blister_mm?.powi(2)).filter(|&area| area > 0.0)
    };
    let years = (day::number(after.surveyed_on) - day::number(before.surveyed_on)) / 365.25;
    (years > 0.0).then_some(())?;
    Some((area(after)? / area(before)?).log2() / years)
}

//! What a survey, a break or a change at the hull does to a date, as a table: before, after, why. Every direction is what
//! a surveyor expects: common practice, no source; where a rule of the model gives it, the rule is named.

use chrono::NaiveDate;
use garboard::science::forecast::dates::{Driver, DueKind};
use garboard::science::forecast::facts::{Bilge, CoatRole, FindingKind, HullFacts};

use crate::hulls::{blistered, clean, coat, date, find, finding, hull, of};

/// What the date named does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Moves {
    Sooner,
    Later,
    Stays,
    /// The kind of row appears, with this driver.
    Appears(Driver),
    /// The kind of row goes.
    Goes,
}

struct Case {
    what: &'static str,
    why: &'static str,
    kind: DueKind,
    moves: Moves,
    change: fn(&mut HullFacts),
}

/// An isophthalic hull of 2012 with a damp bilge, looked at in 2018, asked about in 2020.
fn before() -> HullFacts {
    let mut facts = hull("2012-05-01", "2020-06-01");
    facts.laminate_class = Some(garboard::science::forecast::facts::LaminateClass::Isophthalic);
    facts.bilge = Some(Bilge::Damp);
    facts.surveys = vec![clean("2018-05-20")];
    facts
}

fn cases() -> Vec<Case> {
    use Moves::{Appears, Goes, Later, Sooner, Stays};
    let mut cases = Vec::new();
    let mut case = |what, why, kind, moves, change| cases.push(Case { what, why, kind, moves, change });
    case(
        "the whole bottom is found clean",
        "what has not begun by then begins later",
        DueKind::Inspection,
        Later,
        |facts| facts.surveys.push(clean("2020-05-20")),
    );
    case(
        "a part of the bottom is found clean",
        "it says nothing of the rest",
        DueKind::Inspection,
        Stays,
        |facts| {
            let mut part = clean("2020-05-20");
            part.bottom_examined = garboard::science::forecast::facts::BottomExamined::Part;
            facts.surveys.push(part);
        },
    );
    case(
        "blisters in the gelcoat are found",
        "the onset is behind: its treatment falls due",
        DueKind::Treatment,
        Appears(Driver::BlisteringFound),
        |facts| facts.surveys.push(blistered("2020-05-20", 20.0, 12.0)),
    );
    case(
        "blisters in the gelcoat are found",
        "a barrier over blisters is no remedy",
        DueKind::Barrier,
        Goes,
        |facts| facts.surveys.push(blistered("2020-05-20", 20.0, 12.0)),
    );
    case(
        "blisters between coats only",
        "the coat's fault and not the laminate's: as a clean survey",
        DueKind::Inspection,
        Later,
        |facts| {
            let mut coating = clean("2020-05-20");
            coating.blistering = garboard::science::forecast::facts::Blistering::CoatingOnly;
            facts.surveys.push(coating);
        },
    );
    case(
        "a break in the skin",
        "bare laminate fills faster than any coated one: its own risk comes before the longest time",
        DueKind::Repair,
        Appears(Driver::BreakRisk),
        |facts| facts.findings.push(finding(FindingKind::SkinBreak, "2020-05-20")),
    );
    case(
        "a finding to be looked at again in September",
        "the hull is to be looked at before that already",
        DueKind::Inspection,
        Stays,
        |facts| {
            let mut watched = finding(FindingKind::CoatingDefect, "2020-05-20");
            watched.follow_up_on = Some(date("2020-09-01"));
            facts.findings.push(watched);
        },
    );
    case(
        "the bilge stands wet",
        "water from both sides: the laminate is wetter",
        DueKind::Barrier,
        Sooner,
        |facts| facts.bilge = Some(Bilge::Wet),
    );
    case("the bilge is dry", "the laminate dries inwards", DueKind::Barrier, Later, |facts| {
        facts.bilge = Some(Bilge::Dry);
    });
    case("winters ashore", "dry months take water out again", DueKind::Barrier, Later, |facts| {
        (facts.ashore_from_month, facts.ashore_until_month) = (Some(11), Some(3));
    });
    case("warmer water", "diffusion and hydrolysis run faster", DueKind::Barrier, Sooner, |facts| {
        facts.months = crate::hulls::climate("warm_sea");
    });
    case("a barrier went on at the launch", "less gets through the skin", DueKind::Barrier, Later, |facts| {
        facts.coats.push(coat(CoatRole::Barrier, "2012-05-01", 300.0));
    });
    case(
        "a thinner gelcoat than was thought",
        "more gets through the skin",
        DueKind::Barrier,
        Sooner,
        |facts| facts.gelcoat_thickness_um = Some(350.0),
    );
    cases
}

fn due_on(facts: &HullFacts, kind: DueKind) -> Option<(Option<NaiveDate>, Driver)> {
    find(&of(facts), kind).map(|due| (due.due_on, due.driver))
}

#[test]
fn evidence_moves_dates_as_a_surveyor_expects() {
    let mut wrong = Vec::new();
    for case in cases() {
        let facts = before();
        let mut changed = facts.clone();
        (case.change)(&mut changed);
        let (was, is) = (due_on(&facts, case.kind), due_on(&changed, case.kind));
        // No date within the horizon counts as the latest of all.
        let day = |row: Option<(Option<NaiveDate>, Driver)>| row.map(|(on, _)| on.unwrap_or(NaiveDate::MAX));
        let right = match case.moves {
            Moves::Sooner => day(is).zip(day(was)).is_some_and(|(is, was)| is < was),
            Moves::Later => day(is).zip(day(was)).is_some_and(|(is, was)| is > was),
            Moves::Stays => is.is_some() && is == was,
            Moves::Appears(driver) => {
                was.is_none() && is.is_some_and(|(on, by)| on.is_some() && by == driver)
            }
            Moves::Goes => was.is_some() && is.is_none(),
        };
        if !right {
            wrong.push(format!("{} ({}): {:?} was {was:?}, is {is:?}", case.what, case.why, case.moves));
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

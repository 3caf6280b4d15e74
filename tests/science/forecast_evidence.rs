//! What a survey, a break or a change at the hull does to a date, as a table: before, after, why. Every direction is what
//! a surveyor expects: common practice, no source; where a rule of the model gives it, the rule is named. What a meter
//! says moves the next look alone, by the rule of `science::forecast::readings`: common practice, no source.

use chrono::NaiveDate;
use garboard::science::forecast::dates::{Driver, DueKind};
use garboard::science::forecast::facts::{
    Bilge, CoatRole, FindingKind, HullFacts, MeterVisit, StationReading,
};

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

#[expect(clippy::too_many_lines, reason = "a table of cases")]
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
        "readings risen by 6 on the same stations since 2016",
        "it looks wet: looked at again within a year, not two",
        DueKind::Inspection,
        Sooner,
        |facts| facts.meter_visits = vec![visit("2016-05-20", "A", 9.0), visit("2018-05-20", "A", 15.0)],
    );
    case(
        "readings risen by 6 on the same stations since 2016",
        "they are relative and say nothing of the water in the laminate: the barrier stays",
        DueKind::Barrier,
        Stays,
        |facts| facts.meter_visits = vec![visit("2016-05-20", "A", 9.0), visit("2018-05-20", "A", 15.0)],
    );
    case(
        "readings 16 over the dry reference of the day",
        "it looks wet, whatever it was before",
        DueKind::Inspection,
        Sooner,
        |facts| {
            facts.meter_visits =
                vec![MeterVisit { dry_reference_reading: Some(4.0), ..visit("2018-05-20", "A", 20.0) }];
        },
    );
    case(
        "readings steady on the same stations",
        "nothing new is known",
        DueKind::Inspection,
        Stays,
        |facts| facts.meter_visits = vec![visit("2016-05-20", "A", 12.0), visit("2018-05-20", "A", 14.0)],
    );
    case(
        "readings higher on another meter",
        "only readings of one instrument compare",
        DueKind::Inspection,
        Stays,
        |facts| facts.meter_visits = vec![visit("2016-05-20", "A", 9.0), visit("2018-05-20", "B", 25.0)],
    );
    case(
        "readings risen on two stations",
        "two spots are not the hull",
        DueKind::Inspection,
        Stays,
        |facts| {
            facts.meter_visits = vec![visit("2016-05-20", "A", 9.0), visit("2018-05-20", "A", 25.0)];
            facts.meter_visits[0].stations.truncate(2);
        },
    );
    case(
        "readings risen in 2017, the whole bottom found clean in 2018",
        "somebody has looked since",
        DueKind::Inspection,
        Stays,
        |facts| facts.meter_visits = vec![visit("2014-05-20", "A", 9.0), visit("2017-05-20", "A", 25.0)],
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

/// Four stations that read about `value`.
fn visit(on: &str, instrument: &str, value: f64) -> MeterVisit {
    let stations = [("P1", -1.0), ("P2", 0.0), ("S1", 0.0), ("S2", 2.0)];
    MeterVisit {
        surveyed_on: date(on),
        instrument: instrument.to_owned(),
        dry_reference_reading: None,
        stations: stations
            .map(|(station, off)| StationReading { station: station.to_owned(), value: value + off })
            .to_vec(),
    }
}

/// The rule's numbers: from 5 on the median, 12 months, both the policy's (common practice, no source).
#[test]
fn a_hull_that_looks_wet_is_looked_at_within_the_policys_months() {
    let mut facts = crate::hulls::durable("2012-05-01", "2020-06-01");
    facts.surveys = vec![clean("2019-05-20")];
    let due = |facts: &HullFacts| find(&of(facts), DueKind::Inspection).cloned().expect("a row");
    facts.meter_visits = vec![visit("2017-05-20", "A", 9.0), visit("2019-05-20", "A", 13.9)];
    assert_eq!(due(&facts).driver, Driver::CalendarMaximum, "4.9 is under the limit");
    facts.meter_visits[1] = visit("2019-05-20", "A", 14.0);
    let wet = due(&facts);
    assert_eq!((wet.due_on, wet.driver), (Some(date("2020-05-20")), Driver::WetReadings));
    assert!(
        wet.reason.contains("4 of its stations had risen by 5.0 (median) since 2017-05-20"),
        "{}",
        wet.reason
    );
    assert!(wet.evidence.iter().any(|evidence| evidence.code == "wet_readings"));
    facts.policy.wet_inspection_months = 6;
    assert_eq!(due(&facts).due_on, Some(date("2019-11-20")));
    facts.policy.reading_rise = 5.1;
    assert_eq!(due(&facts).driver, Driver::CalendarMaximum);
    // What was read before a curative treatment says nothing of the life after it.
    facts.policy.reading_rise = 5.0;
    facts.haul_outs = vec![crate::hulls::haul_out("2018-01-05", Some("2018-06-10"))];
    facts.treatments = vec![crate::hulls::curative("2018-01-10", Some("2018-06-01"))];
    assert_eq!(due(&facts).driver, Driver::CalendarMaximum);
    // What is read after the day of the forecast is not known on it.
    facts.treatments.clear();
    facts.as_of = date("2019-05-19");
    assert!(due(&facts).evidence.iter().all(|evidence| evidence.code != "wet_readings"));
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

//! Hulls to try the forecast on, invented.

use chrono::NaiveDate;
use garboard::science::climate::{MonthNormals, climates};
use garboard::science::forecast::dates::{Driver, DueDate, DueKind, DueStatus};
use garboard::science::forecast::facts::{
    Bilge, Blistering, BottomExamined, CoatFact, CoatRole, FindingFact, FindingKind, FindingState,
    HaulOutFact, HullFacts, LaminateClass, SurveyFact, TreatmentFact, TreatmentKind,
};
use garboard::science::forecast::policy::Policy;
use garboard::science::forecast::{Forecast, forecast};

pub fn date(text: &str) -> NaiveDate {
    text.parse().expect("an ISO date")
}

pub fn climate(name: &str) -> [MonthNormals; 12] {
    climates().iter().find(|climate| climate.name == name).expect("a named climate").months
}

/// An orthophthalic hull of 10 m with a dry bilge in a temperate sea, afloat all year.
pub fn hull(launched_on: &str, as_of: &str) -> HullFacts {
    HullFacts {
        as_of: date(as_of),
        length_m: 10.0,
        laminate_class: Some(LaminateClass::Orthophthalic),
        laminate_thickness_mm: Some(8.0),
        gelcoat_thickness_um: Some(600.0),
        cored: false,
        launched_on: Some(date(launched_on)),
        built_year: None,
        bilge: Some(Bilge::Dry),
        ashore_from_month: None,
        ashore_until_month: None,
        months: climate("temperate_sea"),
        site_known: true,
        haul_outs: Vec::new(),
        coats: Vec::new(),
        treatments: Vec::new(),
        logged_air: Vec::new(),
        meter_visits: Vec::new(),
        surveys: Vec::new(),
        findings: Vec::new(),
        policy: Policy::default(),
        intent: None,
    }
}

pub fn clean(on: &str) -> SurveyFact {
    SurveyFact {
        surveyed_on: date(on),
        bottom_examined: BottomExamined::Whole,
        blistering: Blistering::None,
        blister_density_per_m2: None,
        largest_blister_mm: None,
        coating_failure: false,
    }
}

pub fn blistered(on: &str, density_per_m2: f64, largest_mm: f64) -> SurveyFact {
    SurveyFact {
        blistering: Blistering::Gelcoat,
        blister_density_per_m2: Some(density_per_m2),
        largest_blister_mm: Some(largest_mm),
        ..clean(on)
    }
}

pub fn coat(role: CoatRole, on: &str, dry_film_um: f64) -> CoatFact {
    CoatFact {
        role,
        applied_on: date(on),
        dry_film_um: Some(dry_film_um),
        permeability_kg_m_s: None,
        wear_um_per_month_15c: None,
        season_limit_months: None,
        max_days_dry: None,
        film_measured: true,
        film_refused: false,
        removed_on: None,
    }
}

pub fn finding(kind: FindingKind, found_on: &str) -> FindingFact {
    FindingFact {
        kind,
        state: FindingState::Open,
        found_on: date(found_on),
        happened_on: None,
        repaired_on: None,
        follow_up_on: None,
        zone_is_bottom: true,
    }
}

pub fn haul_out(lifted_on: &str, relaunched_on: Option<&str>) -> HaulOutFact {
    HaulOutFact { lifted_on: date(lifted_on), relaunched_on: relaunched_on.map(date) }
}

pub fn curative(started_on: &str, completed_on: Option<&str>) -> TreatmentFact {
    TreatmentFact {
        kind: TreatmentKind::Curative,
        started_on: date(started_on),
        completed_on: completed_on.map(date),
        laminate_removed_mm: Some(1.0),
    }
}

pub fn of(facts: &HullFacts) -> Forecast {
    forecast(facts, 64, 1).expect("facts a forecast can be made from")
}

pub fn find(forecast: &Forecast, kind: DueKind) -> Option<&DueDate> {
    forecast.dates.iter().find(|due| due.kind == kind)
}

pub fn row(facts: &HullFacts, kind: DueKind) -> DueDate {
    find(&of(facts), kind).expect("a row of this kind").clone()
}

pub fn assert_due(due: &DueDate, on: &str, driver: Driver) {
    assert_eq!((due.due_on, due.driver), (Some(date(on)), driver), "{due:?}");
    assert_eq!(due.status, DueStatus::Due);
}

pub fn has_evidence(due: &DueDate, code: &str) -> bool {
    due.evidence.iter().any(|evidence| evidence.code == code)
}

/// An epoxy hull, on which the risk alone calls for nothing for a long time.
pub fn durable(launched_on: &str, as_of: &str) -> HullFacts {
    HullFacts { laminate_class: Some(LaminateClass::Epoxy), ..hull(launched_on, as_of) }
}

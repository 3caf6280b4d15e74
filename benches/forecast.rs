//! How long the water, and the dates of one hull, take: `cargo bench --bench forecast`.
//!
//! One core, no database. Divide a hull's time into a second for the hulls a core does in it.

use std::hint::black_box;

use chrono::{Datelike, NaiveDate};
use criterion::{BenchmarkId, Criterion, criterion_group, criterion_main};
use garboard::science::climate::{MonthNormals, climates};
use garboard::science::exposure::{HullWater, Laminate, Segment, WaterState, run};
use garboard::science::forecast::ensemble::{DEFAULT_MEMBERS, Ensemble};
use garboard::science::forecast::facts::{
    Bilge, Blistering, BottomExamined, CoatFact, CoatRole, HaulOutFact, HullFacts, LaminateClass, SurveyFact,
};
use garboard::science::forecast::forecast_with;
use garboard::science::forecast::policy::Policy;
use garboard::science::forecast::priors::Priors;

const AS_OF: i32 = 2026;

fn temperate() -> [MonthNormals; 12] {
    climates().iter().find(|climate| climate.name == "temperate_sea").expect("a named climate").months
}

/// Twenty years of months, one member: all afloat, and with five winter months ashore.
fn exposure(criterion: &mut Criterion) {
    let hull = HullWater {
        laminate: Laminate {
            thickness_m: 0.008,
            diffusivity_15c_m2_s: 4e-13,
            capacity_kg_m3: 15.0,
            activation_energy_j_mol: 42_000.0,
        },
        inner_resistance_m2_s_kg: 0.0,
        reference_skin_resistance_m2_s_kg: 7e7,
        pocket_resistance_m2_s_kg: 3e7,
        threshold_activity: 0.85,
        hydrolysis_activation_energy_j_mol: 60_000.0,
    };
    let months = temperate();
    let mut group = criterion.benchmark_group("exposure, 20 years of months, one member");
    for (name, winter) in [("afloat", false), ("winter ashore", true)] {
        let segments: Vec<Segment> = (0..240)
            .map(|month| {
                let normals = &months[month % 12];
                let ashore = winter && !(3..10).contains(&(month % 12));
                Segment {
                    days: 365.25 / 12.0,
                    temperature_c: if ashore {
                        normals.air_temperature_c
                    } else {
                        normals.water_temperature_c
                    },
                    outer_activity: if ashore { normals.relative_humidity_pct / 100.0 } else { 0.981 },
                    inner_activity: 0.65,
                    skin_resistance_15c_m2_s_kg: 7e7,
                }
            })
            .collect();
        group.bench_with_input(BenchmarkId::from_parameter(name), &segments, |bencher, segments| {
            bencher.iter(|| {
                let mut state = WaterState::new(&hull, 0.60);
                let mut years = 0.0;
                run(&hull, &mut state, black_box(segments), |_, end| years = end.exposure_years);
                years
            });
        });
    }
}

/// All dates of one hull, launched 20 years ago, looked at each third year, 30 years ahead, 64 members.
fn one_hull(criterion: &mut Criterion) {
    let ensemble = Ensemble::draw(DEFAULT_MEMBERS, 1, Priors::default());
    let mut group = criterion.benchmark_group("dates of one hull, 20 years back and 30 ahead, 64 members");
    let cases = [
        ("afloat", afloat()),
        ("afloat, a barrier after 8 years", HullFacts { coats: barrier(), ..afloat() }),
        (
            "winters ashore by habit",
            HullFacts { ashore_from_month: Some(11), ashore_until_month: Some(3), ..afloat() },
        ),
        (
            "winters ashore on record",
            HullFacts {
                ashore_from_month: Some(11),
                ashore_until_month: Some(3),
                haul_outs: winters_on_record(),
                coats: barrier(),
                ..afloat()
            },
        ),
    ];
    for (name, facts) in cases {
        group.bench_with_input(BenchmarkId::from_parameter(name), &facts, |bencher, facts| {
            bencher.iter(|| forecast_with(black_box(facts), &ensemble).expect("facts of a whole hull"));
        });
    }
}

/// Scale and shape of all members of an ensemble: what every forecast draws once a life.
fn weibull(criterion: &mut Criterion) {
    let ensemble = Ensemble::draw(DEFAULT_MEMBERS, 1, Priors::default());
    criterion.bench_function("scale and shape of 64 members", |bencher| {
        bencher.iter(|| {
            (0..ensemble.members())
                .map(|member| ensemble.weibull(member, 0, black_box(Some(LaminateClass::Isophthalic))))
                .fold(0.0, |sum, (scale, shape)| sum + scale * shape)
        });
    });
}

fn on(year: i32, month: u32, day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(year, month, day).expect("a day of the calendar")
}

fn afloat() -> HullFacts {
    HullFacts {
        as_of: on(AS_OF, 5, 12),
        length_m: 10.0,
        laminate_class: Some(LaminateClass::Orthophthalic),
        laminate_thickness_mm: Some(8.0),
        gelcoat_thickness_um: Some(600.0),
        cored: false,
        launched_on: Some(on(AS_OF - 20, 4, 20)),
        built_year: None,
        bilge: Some(Bilge::Dry),
        ashore_from_month: None,
        ashore_until_month: None,
        months: temperate(),
        site_known: true,
        haul_outs: Vec::new(),
        coats: Vec::new(),
        treatments: Vec::new(),
        logged_air: Vec::new(),
        meter_visits: Vec::new(),
        surveys: (1..=6)
            .map(|visit| SurveyFact {
                surveyed_on: on(AS_OF - 20 + 3 * visit, 3, 10),
                bottom_examined: BottomExamined::Whole,
                blistering: Blistering::None,
                blister_density_per_m2: None,
                largest_blister_mm: None,
                coating_failure: false,
            })
            .collect(),
        findings: Vec::new(),
        policy: Policy::default(),
        intent: None,
    }
}

fn barrier() -> Vec<CoatFact> {
    vec![CoatFact {
        role: CoatRole::Barrier,
        applied_on: on(AS_OF - 12, 3, 20),
        dry_film_um: Some(250.0),
        permeability_kg_m_s: None,
        wear_um_per_month_15c: None,
        season_limit_months: None,
        max_days_dry: None,
        film_measured: true,
        film_refused: false,
        removed_on: None,
    }]
}

/// A lift each autumn and a relaunch each spring, never on the same day of the year.
fn winters_on_record() -> Vec<HaulOutFact> {
    (AS_OF - 20..AS_OF)
        .map(|year| {
            let drift = year.unsigned_abs() % 23;
            HaulOutFact {
                lifted_on: on(year, 10, 5 + drift),
                relaunched_on: Some(on(year + 1, 4, 26 - drift)),
            }
        })
        .inspect(|haul_out| assert!(haul_out.lifted_on.year() >= AS_OF - 20))
        .collect()
}

criterion_group!(benches, exposure, weibull, one_hull);
criterion_main!(benches);

//! Invented hulls whose truth is known: drawn from the priors by a generator of its own, their water by the slow
//! finite volumes, surveyed at irregular times. Nothing here is computed by the code under test but the activity of
//! sea water and the named climates, which have checks of their own.

use chrono::{Datelike, Months, NaiveDate};
use garboard::science::climate::{MonthNormals, climates};
use garboard::science::exposure::{HullWater, Laminate, Segment};
use garboard::science::forecast::facts::{
    Bilge, Blistering, BottomExamined, CoatFact, CoatRole, HullFacts, LaminateClass, SurveyFact,
};
use garboard::science::forecast::policy::Policy;
use garboard::science::forecast::priors::Priors;
use garboard::science::seawater::water_activity;

use crate::finite_volume::FiniteVolumes;

const DAYS_A_YEAR: f64 = 365.25;
const HORIZON_YEARS: u32 = 30;
/// Enough for the exposure to be within a hundredth of the fine grid's (a test says so).
pub const CELLS: u32 = 48;
pub const STEPS: u32 = 8;

/// PCG-XSH-RR (O'Neill 2014, from memory): 32 bits a step.
pub struct Random(u64);

impl Random {
    pub fn new(seed: u64) -> Self {
        let mut random = Self(seed.wrapping_mul(2).wrapping_add(0x5851_f42d_4c95_7f2d));
        random.bits();
        random
    }

    fn bits(&mut self) -> u32 {
        let old = self.0;
        self.0 = old.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        #[expect(clippy::cast_possible_truncation, reason = "the generator gives the low half")]
        let mixed = (((old >> 18) ^ old) >> 27) as u32;
        mixed.rotate_right(u32::try_from(old >> 59).expect("five bits"))
    }

    /// Evenly over (0, 1).
    pub fn even(&mut self) -> f64 {
        (f64::from(self.bits()) + 0.5) / 4_294_967_296.0
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.even()
    }

    fn one_of<T: Copy>(&mut self, choices: &[T]) -> T {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "below the length")]
        let index = (self.even() * f64::from(u32::try_from(choices.len()).expect("few"))) as usize;
        choices[index]
    }

    /// Box and Muller (1958).
    pub fn normal(&mut self) -> f64 {
        (-2.0 * self.even().ln()).sqrt() * (std::f64::consts::TAU * self.even()).cos()
    }

    fn log_normal(&mut self, median: f64, gsd: f64) -> f64 {
        median * (gsd.ln() * self.normal()).exp()
    }
}

/// What is true of a fleet and not known.
#[derive(Clone, Copy)]
pub struct World {
    /// Class scales over their prior medians; none where each hull draws its own from the prior.
    pub scale_over_prior: Option<f64>,
    /// The shape; none where each hull draws its own.
    pub shape: Option<f64>,
    /// The class of all hulls; none for a mixture, some of them not recorded.
    pub class: Option<LaminateClass>,
}

/// Where nothing is known but the priors.
pub const PRIOR_WORLD: World = World { scale_over_prior: None, shape: None, class: None };

/// A hull as its owner knows it, and when blistering really began.
pub struct Truth {
    /// What is known on the as-of date.
    pub facts: HullFacts,
    /// The day blistering begins, as a number; infinite past the horizon.
    pub onset: f64,
    /// Whether a survey has found it by the as-of date.
    pub found: bool,
}

fn number(date: NaiveDate) -> f64 {
    f64::from(date.num_days_from_ce())
}

fn months_of(name: &str) -> [MonthNormals; 12] {
    climates().iter().find(|climate| climate.name == name).expect("a named climate").months
}

/// Draws a hull and lives it through, no further than its as-of date unless `horizon` is asked for.
pub fn live(random: &mut Random, world: &World, as_of: NaiveDate, horizon: bool) -> Truth {
    let priors = Priors::default();
    let known = world.class.or_else(|| {
        random.one_of(&[
            Some(LaminateClass::Orthophthalic),
            Some(LaminateClass::Isophthalic),
            Some(LaminateClass::VinylesterSkin),
            None,
        ])
    });
    let class = known.unwrap_or_else(|| {
        random.one_of(&[
            LaminateClass::Orthophthalic,
            LaminateClass::Isophthalic,
            LaminateClass::VinylesterSkin,
        ])
    });
    let years = random.between(3.0, 30.0).floor();
    #[expect(clippy::cast_possible_truncation, reason = "30 at most")]
    let year = as_of.year() - years as i32;
    let month = random.one_of(&[1, 3, 5, 7, 9, 11]);
    let launched_on = NaiveDate::from_ymd_opt(year, month, 1).expect("a day");
    let ashore = random.even() < 0.5;
    let months = months_of(random.one_of(&["temperate_sea", "warm_sea", "brackish_cool", "temperate_fresh"]));
    let bilge = random.one_of(&[Bilge::Dry, Bilge::Damp, Bilge::Wet]);
    let thickness_mm = random.between(5.0, 12.0);
    let coated_on = (random.even() < 0.33)
        .then(|| launched_on.checked_add_months(Months::new(12 * random.one_of(&[1_u32, 3, 6, 10]))))
        .flatten()
        .filter(|&on| on < as_of);
    let gelcoat_measured = random.even() < 0.5;
    let mut facts = HullFacts {
        as_of,
        length_m: 10.0,
        laminate_class: known,
        laminate_thickness_mm: Some(thickness_mm),
        gelcoat_thickness_um: gelcoat_measured.then_some(600.0),
        cored: false,
        launched_on: Some(launched_on),
        built_year: None,
        bilge: Some(bilge),
        ashore_from_month: ashore.then_some(11),
        ashore_until_month: ashore.then_some(3),
        months,
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
    };
    facts.coats.extend(coated_on.map(barrier));
    let threshold = loop {
        let drawn = priors.threshold_mean + priors.threshold_sd * random.normal();
        if (priors.threshold_min..priors.threshold_max).contains(&drawn) {
            break drawn;
        }
    };
    let water = HullWater {
        laminate: Laminate {
            thickness_m: thickness_mm / 1000.0,
            diffusivity_15c_m2_s: random
                .log_normal(priors.diffusivity_15c_m2_s.median, priors.diffusivity_15c_m2_s.gsd),
            capacity_kg_m3: priors.capacity_kg_m3,
            activation_energy_j_mol: random
                .between(priors.activation_energy_min_j_mol, priors.activation_energy_max_j_mol),
        },
        inner_resistance_m2_s_kg: priors.inner_resistance_m2_s_kg,
        reference_skin_resistance_m2_s_kg: priors.reference_skin_resistance_m2_s_kg,
        pocket_resistance_m2_s_kg: random
            .log_normal(priors.pocket_resistance_m2_s_kg.median, priors.pocket_resistance_m2_s_kg.gsd),
        threshold_activity: threshold,
        hydrolysis_activation_energy_j_mol: priors.hydrolysis_energy_mean_j_mol
            + priors.hydrolysis_energy_sd_j_mol * random.normal(),
    };
    let skin_factor = random.log_normal(priors.skin_factor.median, priors.skin_factor.gsd);
    let class_factor =
        world.scale_over_prior.unwrap_or_else(|| random.log_normal(1.0, priors.class_scale_gsd));
    let scale = priors.class_scale_exposure_years(class)
        * class_factor
        * random.log_normal(1.0, priors.hull_scale_gsd);
    let shape = world.shape.unwrap_or_else(|| random.log_normal(priors.shape.median, priors.shape.gsd));
    let target = scale * (-random.even().ln()).powf(shape.recip());

    let end = if horizon {
        as_of.checked_add_months(Months::new(12 * HORIZON_YEARS)).expect("a day")
    } else {
        as_of
    };
    let onset = onset(&facts, &water, skin_factor, coated_on, launched_on, end, target);
    let found = survey(random, &mut facts, launched_on, onset);
    Truth { facts, onset, found }
}

fn barrier(applied_on: NaiveDate) -> CoatFact {
    CoatFact {
        role: CoatRole::Barrier,
        applied_on,
        dry_film_um: Some(250.0),
        permeability_kg_m_s: None,
        wear_um_per_month_15c: None,
        season_limit_months: None,
        max_days_dry: None,
        film_measured: false,
        film_refused: false,
        removed_on: None,
    }
}

/// The resistances that the defaults of the priors stand for: 600 µm at 8.6e-12 kg/(m s) (stated as 7e7) and 250 µm of
/// flake-filled barrier at 2.3e-12 (1.1e8): common practice, no source.
const GELCOAT: f64 = 600e-6 / 8.6e-12;
const BARRIER: f64 = 250e-6 / 2.3e-12;

fn onset(
    facts: &HullFacts,
    water: &HullWater,
    skin_factor: f64,
    coated_on: Option<NaiveDate>,
    launched_on: NaiveDate,
    end: NaiveDate,
    target: f64,
) -> f64 {
    let inner_activity = match facts.bilge {
        Some(Bilge::Dry) => 0.65,
        Some(Bilge::Wet) => 1.0,
        Some(Bilge::Damp) | None => 0.85,
    };
    // Of a skin's spread, gsd 1.5, gsd 1.3 is the film's; a gelcoat whose thickness was measured has only the rest.
    let gelcoat_factor = if facts.gelcoat_thickness_um.is_some() {
        skin_factor.powf(f64::sqrt(1.0 - (1.3_f64.ln() / 1.5_f64.ln()).powi(2)))
    } else {
        skin_factor
    };
    let mut slow = FiniteVolumes::with_grid(0.60, CELLS, STEPS);
    let mut from = launched_on;
    let mut before = 0.0;
    while from < end {
        let until = from.checked_add_months(Months::new(1)).expect("a day");
        let normals = &facts.months[from.month0() as usize];
        let stands = facts.ashore_from_month.is_some() && !(4..=10).contains(&from.month());
        let segment = Segment {
            days: number(until) - number(from),
            temperature_c: if stands { normals.air_temperature_c } else { normals.water_temperature_c },
            outer_activity: if stands {
                normals.relative_humidity_pct / 100.0
            } else {
                water_activity(normals.salinity_g_kg, normals.water_temperature_c.max(0.0))
            },
            inner_activity,
            skin_resistance_15c_m2_s_kg: gelcoat_factor * GELCOAT
                + if coated_on.is_some_and(|on| on <= from) { skin_factor * BARRIER } else { 0.0 },
        };
        let after = slow.advance(water, &segment).exposure_years;
        if after >= target {
            return number(from) + segment.days * (target - before) / (after - before);
        }
        before = after;
        from = until;
    }
    f64::INFINITY
}

/// Looks at the hull every half year to five years, until blistering is found or the as-of date has come. What began
/// within a year before is seen nine times in ten.
fn survey(random: &mut Random, facts: &mut HullFacts, launched_on: NaiveDate, onset: f64) -> bool {
    let mut on = launched_on;
    loop {
        let days = random.between(0.5, 5.0) * DAYS_A_YEAR;
        #[expect(clippy::cast_possible_truncation, reason = "five years at most")]
        let days = chrono::Duration::days(days as i64);
        on += days;
        if on > facts.as_of {
            return false;
        }
        let begun = onset <= number(on);
        let overlooked = number(on) - onset < DAYS_A_YEAR && random.even() > 0.9;
        let blistering = if begun && !overlooked { Blistering::Gelcoat } else { Blistering::None };
        facts.surveys.push(SurveyFact {
            surveyed_on: on,
            bottom_examined: BottomExamined::Whole,
            blistering,
            blister_density_per_m2: None,
            largest_blister_mm: None,
            coating_failure: false,
        });
        if blistering == Blistering::Gelcoat {
            return true;
        }
    }
}

/// The chance P(T ≤ onset) by a forecast's risk at it, spread evenly over what lies beyond the horizon (the randomised
/// probability integral transform: Dawid 1984; Smith 1985, from memory).
pub fn randomised_pit(random: &mut Random, onset: f64, horizon: f64, risk: impl Fn(f64) -> f64) -> f64 {
    if onset <= horizon {
        return risk(onset);
    }
    let reached = risk(horizon);
    reached + (1.0 - reached) * random.even()
}

/// The share of values from 0.1 to 0.9, and the chi-square p of ten even cells.
pub fn judged(pits: &[f64]) -> (f64, f64, [u32; 10]) {
    use statrs::distribution::{ChiSquared, ContinuousCDF};
    let count = f64::from(u32::try_from(pits.len()).expect("few"));
    let covered =
        f64::from(u32::try_from(pits.iter().filter(|pit| (0.1..=0.9).contains(*pit)).count()).expect("few"));
    let mut cells = [0_u32; 10];
    for pit in pits {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "from 0 to 1")]
        let cell = (pit * 10.0).clamp(0.0, 9.0) as usize;
        cells[cell] += 1;
    }
    let expected = count / 10.0;
    let square: f64 = cells.iter().map(|&seen| (f64::from(seen) - expected).powi(2) / expected).sum();
    let p = 1.0 - ChiSquared::new(9.0).expect("nine degrees").cdf(square);
    (covered / count, p, cells)
}

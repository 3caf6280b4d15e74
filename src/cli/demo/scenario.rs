//! The invented marina's history: each hull's plan told as dated facts, the same every time for the same day.
//! Facts are JSON as a program would send it, so that the demo goes through the rules everybody goes through.

use chrono::{Datelike, Duration, NaiveDate};
use serde_json::{Value, json};

use super::hulls::{Course, HULLS, HullPlan, Story};
use super::under_way::DAYS_ASHORE;

/// What the scenario is called.
pub(super) const ORGANISATION: &str = "Sandwhistle Haven";
/// The domain of its people's addresses; `.example` is reserved (RFC 2606).
pub(super) const DOMAIN: &str = "sandwhistle.example";
/// How many years of haul-outs are on record; before them the usual pattern stands.
const YEARS_ON_RECORD: i32 = 8;

/// One hull with its history. Haul-outs are named by their place in the list.
#[derive(Debug, Clone)]
pub(super) struct Hull {
    pub vessel: Value,
    pub haul_outs: Vec<Value>,
    pub coats: Vec<Placed>,
    pub treatments: Vec<Placed>,
    pub surveys: Vec<Survey>,
    pub findings: Vec<Value>,
    /// Codes, sides and places of the measured stations.
    pub stations: Vec<Value>,
    /// The treatment under way in its last haul-out, begun with the lift.
    pub under_way: Option<(Course, NaiveDate)>,
}

/// A fact, and the haul-out it belongs to.
#[derive(Debug, Clone)]
pub(super) struct Placed {
    pub haul_out: Option<usize>,
    pub fact: Value,
}

/// A survey with the readings taken at the stations, in their order.
#[derive(Debug, Clone)]
pub(super) struct Survey {
    pub haul_out: Option<usize>,
    pub fact: Value,
    pub readings: Vec<f64>,
}

/// The water and air of the haven: an estuary of its own, a little fresher and warmer than the open coast.
pub(super) fn site() -> Value {
    let water = [7.6, 7.0, 7.8, 9.9, 12.8, 15.9, 18.1, 18.6, 17.0, 14.2, 11.0, 8.8];
    let air = [5.4, 5.6, 7.4, 9.6, 12.7, 15.6, 17.6, 17.7, 15.4, 12.1, 8.5, 6.2];
    let salinity = [29.5, 29.8, 30.4, 31.2, 31.9, 32.6, 33.0, 33.1, 32.6, 31.8, 30.5, 29.7];
    let humidity = [86.0, 84.0, 81.0, 78.0, 77.0, 77.0, 78.0, 79.0, 81.0, 84.0, 86.0, 87.0];
    let months: Vec<Value> = (0..12)
        .map(|m| {
            json!({ "month": m + 1, "water_temperature_c": water[m], "salinity_g_kg": salinity[m],
                    "air_temperature_c": air[m], "relative_humidity_pct": humidity[m] })
        })
        .collect();
    json!({ "ref": "haven", "name": "Sandwhistle Haven", "time_zone": "UTC", "months": months,
            "note": "An invented place." })
}

/// Invented generic products, as sheets are entered; the coats of each role are of its product.
pub(super) fn products() -> Vec<Value> {
    vec![
        json!({ "ref": "barrier", "name": "Generic flake barrier", "role": "barrier", "amine_blush": true, "volume_solids_pct": 60,
                "min_dry_film_um": 60, "max_dry_film_um": 150, "min_surface_temperature_c": 8, "mix_base_parts": 3, "mix_hardener_parts": 1,
                "pack_l": 2.5, "pot_life": [{ "temperature_c": 20, "minutes": 120 }],
                "overcoating": [
                    { "next_role": "barrier", "temperature_c": 5, "min_h": 20, "max_h": 1440 },
                    { "next_role": "barrier", "temperature_c": 15, "min_h": 8, "max_h": 1080 },
                    { "next_role": "barrier", "temperature_c": 25, "min_h": 4, "max_h": 720 },
                    { "next_role": "antifouling", "temperature_c": 5, "min_h": 12, "max_h": 36 },
                    { "next_role": "antifouling", "temperature_c": 15, "min_h": 6, "max_h": 18 },
                    { "next_role": "antifouling", "temperature_c": 25, "min_h": 3, "max_h": 9 }],
                "cure": [{ "temperature_c": 5, "hours": 240 }, { "temperature_c": 15, "hours": 120 }, { "temperature_c": 25, "hours": 72 }],
                "note": "An invented product." }),
        json!({ "ref": "sealer", "name": "Generic solventless sealer", "role": "sealer", "amine_blush": true, "volume_solids_pct": 100,
                "min_dry_film_um": 80, "max_dry_film_um": 200, "min_surface_temperature_c": 10, "mix_base_parts": 2, "mix_hardener_parts": 1,
                "pack_l": 3, "pot_life": [{ "temperature_c": 20, "minutes": 40 }],
                "overcoating": [
                    { "next_role": "sealer", "temperature_c": 10, "min_h": 12, "max_h": 48 },
                    { "next_role": "sealer", "temperature_c": 20, "min_h": 5, "max_h": 24 },
                    { "next_role": "barrier", "temperature_c": 10, "min_h": 14, "max_h": 48 },
                    { "next_role": "barrier", "temperature_c": 20, "min_h": 6, "max_h": 24 }],
                "cure": [{ "temperature_c": 10, "hours": 240 }, { "temperature_c": 20, "hours": 120 }],
                "note": "An invented product." }),
        json!({ "ref": "antifouling", "name": "Generic wearing antifouling", "role": "antifouling", "volume_solids_pct": 50,
                "min_dry_film_um": 40, "max_dry_film_um": 120, "min_surface_temperature_c": 5, "pack_l": 2.5, "max_days_to_launch": 180,
                "overcoating": [
                    { "next_role": "antifouling", "temperature_c": 5, "min_h": 16, "max_h": null },
                    { "next_role": "antifouling", "temperature_c": 25, "min_h": 6, "max_h": null }],
                "cure": [{ "temperature_c": 5, "hours": 36 }, { "temperature_c": 25, "hours": 12 }],
                "note": "An invented product." }),
    ]
}

/// All hulls as they stand on `today`.
pub(super) fn hulls(today: NaiveDate) -> Vec<Hull> {
    (0..).zip(HULLS).map(|(n, plan)| Teller::new(n, plan, today).tell()).collect()
}

fn day(year: i32, month: u32, day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(year, month, day).unwrap_or_default()
}

/// Tells one hull's history.
struct Teller<'a> {
    n: i32,
    plan: &'a HullPlan,
    today: NaiveDate,
    hull: Hull,
}

impl<'a> Teller<'a> {
    fn new(n: i32, plan: &'a HullPlan, today: NaiveDate) -> Self {
        let hull = Hull {
            vessel: Value::Null,
            haul_outs: Vec::new(),
            coats: Vec::new(),
            treatments: Vec::new(),
            surveys: Vec::new(),
            findings: Vec::new(),
            stations: Vec::new(),
            under_way: None,
        };
        Self { n, plan, today, hull }
    }

    fn tell(mut self) -> Hull {
        self.hull.vessel = self.vessel();
        if self.plan.story == Story::Unknown {
            return self.hull;
        }
        if self.plan.stations {
            self.hull.stations = stations(self.plan.length_m);
        }
        self.haul_outs();
        self.barrier();
        self.story();
        self.seasons();
        self.hull
    }

    /// The spring of a year: relaunched then, or lifted for some days.
    fn spring(&self, year: i32) -> NaiveDate {
        day(year, 4, 2) + Duration::days(i64::from(self.n * 5 % 27))
    }

    fn autumn(&self, year: i32) -> NaiveDate {
        day(year, 10, 14) + Duration::days(i64::from(self.n * 7 % 30))
    }

    fn built(&self) -> i32 {
        self.today.year() - self.plan.age_years
    }

    fn first_year_on_record(&self) -> i32 {
        (self.today.year() - YEARS_ON_RECORD).max(self.built() + 1)
    }

    fn vessel(&self) -> Value {
        let plan = self.plan;
        let mut vessel = json!({ "ref": format!("H{:02}", self.n + 1), "name": plan.name, "form": plan.form, "length_m": plan.length_m });
        if plan.story == Story::Unknown {
            return vessel;
        }
        let beam_m = (plan.length_m * 0.31 * 10.0).round() / 10.0;
        let displacement_kg = (plan.length_m.powi(3) * 5.2).round() * 1.0;
        let more = json!({
            "lwl_m": (plan.length_m * 8.8).round() / 10.0, "beam_m": beam_m, "draft_m": (plan.length_m * 1.6).round() / 10.0,
            "displacement_kg": displacement_kg,
            "sling_forward_m": (plan.length_m * 2.4).round() / 10.0, "sling_aft_m": (plan.length_m * 7.3).round() / 10.0,
            "built_year": self.built(), "launched_on": self.spring(self.built()),
            "laminate_class": plan.laminate_class, "bilge": plan.bilge,
            "berth": format!("{}{}", ["A", "B", "C", "D"][usize::try_from(self.n % 4).unwrap_or(0)], self.n / 4 + 1),
            "owner_name": format!("Owner of {}", plan.name), "owner_phone": format!("+00 555 {:04}", 100 + self.n),
            "zones": [{ "zone": "bottom", "cored": plan.story == Story::Cored,
                        "laminate_thickness_mm": if self.n % 4 == 0 { json!((plan.length_m * 7.0).round() / 10.0 + 1.5) } else { Value::Null } }],
        });
        if let (Some(vessel), Value::Object(more)) = (vessel.as_object_mut(), more) {
            vessel.extend(more);
            if plan.winters_ashore {
                vessel.insert("ashore_from_month".to_owned(), json!(11));
                vessel.insert("ashore_until_month".to_owned(), json!(3));
            }
        }
        vessel
    }

    /// A winter hull is lifted every autumn; one that stays afloat for a week every spring.
    fn haul_outs(&mut self) {
        let treated = match self.plan.story {
            Story::Treated { years_ago } => Some(self.today.year() - years_ago),
            _ => None,
        };
        let first = treated.map_or(self.first_year_on_record(), |year| year.min(self.first_year_on_record()));
        for year in first..=self.today.year() {
            let ashore_for_treatment = treated == Some(year);
            if self.plan.winters_ashore || ashore_for_treatment {
                self.haul_out(
                    self.autumn(year - 1),
                    self.spring(year),
                    if ashore_for_treatment { "treatment" } else { "seasonal" },
                );
            } else if treated.is_none_or(|t| year > t) {
                let lifted = self.spring(year);
                self.haul_out(lifted, lifted + Duration::days(8), "antifouling");
            }
        }
        if self.plan.winters_ashore {
            self.haul_out(self.autumn(self.today.year()), self.spring(self.today.year() + 1), "seasonal");
        }
        if let Story::UnderWay(course) = self.plan.story {
            let lifted_on = self.today - Duration::days(DAYS_ASHORE);
            // A visit that it would meet was put off.
            self.hull.haul_outs.retain(|visit| {
                visit["relaunched_on"]
                    .as_str()
                    .is_some_and(|relaunched| relaunched < lifted_on.to_string().as_str())
            });
            self.hull
                .haul_outs
                .push(json!({ "lifted_on": lifted_on, "relaunched_on": null, "reason": "treatment" }));
            self.hull.under_way = Some((course, lifted_on));
        }
    }

    fn haul_out(&mut self, lifted_on: NaiveDate, relaunched_on: NaiveDate, reason: &str) {
        let launched = self.spring(self.built());
        if lifted_on > launched && lifted_on <= self.today {
            let relaunched_on = (relaunched_on <= self.today).then_some(relaunched_on);
            self.hull
                .haul_outs
                .push(json!({ "lifted_on": lifted_on, "relaunched_on": relaunched_on, "reason": reason }));
        }
    }

    /// The haul-out that a day falls into.
    fn at(&self, on: NaiveDate) -> Option<usize> {
        let on = on.to_string();
        self.hull.haul_outs.iter().position(|h| {
            h["lifted_on"].as_str().is_some_and(|lifted| lifted <= on.as_str())
                && h["relaunched_on"].as_str().is_none_or(|relaunched| on.as_str() <= relaunched)
        })
    }

    fn coat(&mut self, role: &str, on: NaiveDate, dry_film_um: f64, colour: &str, more: &Value) {
        if on > self.today || on <= self.spring(self.built()) {
            return;
        }
        let mut fact = json!({ "role": role, "zone": "bottom", "applied_on": on, "dry_film_um": dry_film_um, "colour": colour, "film_measured": false });
        if let (Some(fact), Value::Object(more)) = (fact.as_object_mut(), more) {
            fact.extend(more.clone());
        }
        self.hull.coats.push(Placed { haul_out: self.at(on), fact });
    }

    fn barrier(&mut self) {
        if let Some((years_ago, film_um)) = self.plan.barrier {
            let on = self.spring(self.today.year() - years_ago) - Duration::days(1);
            // Colours alternate, so that a miss shows.
            let measured = json!({ "film_measured": self.n % 2 == 0 });
            for (coat, colour) in (1..).zip(["grey", "white", "grey", "white"]) {
                self.coat(
                    "barrier",
                    on,
                    film_um / 4.0,
                    colour,
                    &json!({ "sequence": coat, "film_measured": measured["film_measured"] }),
                );
            }
        }
    }

    fn story(&mut self) {
        let year = self.today.year();
        match self.plan.story {
            Story::Treated { years_ago } => self.treated(year - years_ago),
            Story::Blistered | Story::UnderWay(_) => {
                let on = self.last_visit();
                self.survey(on, "laminate", json!({ "blister_density_per_m2": 14.0, "largest_blister_mm": 22.0, "sounding": "dull_in_places" }), 31.0);
                self.hull.findings.push(json!({ "kind": "blister", "state": "open", "found_on": on, "zone": "bottom", "side": "port", "layer": "laminate",
                    "x_m": 2.4, "girth_m": 0.8, "largest_mm": 22.0, "count": 14, "area_m2": 1.0, "fluid_ph": 4.5 }));
            }
            Story::Broken => {
                let on = self.today - Duration::days(40);
                self.hull.findings.push(json!({ "kind": "skin_break", "state": "open", "found_on": on, "happened_on": on - Duration::days(5), "zone": "bottom",
                    "side": "starboard", "x_m": 1.1, "girth_m": 0.4, "largest_mm": 60.0, "note": "Ground on the sill." }));
            }
            Story::CoatingFailing => {
                let on = self.last_visit();
                self.survey(
                    on,
                    "none",
                    json!({ "coating_failure": true, "note": "The barrier lifts in flakes along the keel." }),
                    9.0,
                );
                self.hull.findings.push(json!({ "kind": "coating_defect", "state": "open", "found_on": on, "zone": "bottom", "largest_mm": 300.0 }));
            }
            Story::Watched => {
                let on = self.last_visit();
                self.hull.findings.push(json!({ "kind": "crack", "state": "watched", "found_on": on, "follow_up_on": on + Duration::days(330), "zone": "bottom",
                    "side": "port", "x_m": 5.2, "girth_m": 0.3, "largest_mm": 40.0 }));
            }
            Story::Sound | Story::Cored | Story::NotLookedAt | Story::Unknown => {}
        }
    }

    /// Found blistered in the autumn, peeled and dried over the winter, sealed and coated in the spring.
    fn treated(&mut self, year: i32) {
        let (lifted, relaunched) = (self.autumn(year - 1), self.spring(year));
        self.survey(
            lifted + Duration::days(2),
            "laminate",
            json!({ "blister_density_per_m2": 22.0, "largest_blister_mm": 30.0 }),
            38.0,
        );
        let fact = json!({ "kind": "curative", "started_on": lifted + Duration::days(10), "completed_on": relaunched - Duration::days(1), "laminate_removed_mm": 1.5 });
        let haul_out = self.at(lifted + Duration::days(10));
        self.hull.treatments.push(Placed { haul_out, fact });
        let sealed = relaunched - Duration::days(20);
        for (coat, colour) in (1..).zip(["clear", "clear"]) {
            self.coat("sealer", sealed, 120.0, colour, &json!({ "sequence": coat, "film_measured": true }));
        }
        for (coat, colour) in (3..).zip(["grey", "white", "grey", "white"]) {
            self.coat(
                "barrier",
                sealed + Duration::days(6),
                75.0,
                colour,
                &json!({ "sequence": coat, "film_measured": true }),
            );
        }
    }

    /// The last day in a haul-out on record on which somebody could look.
    fn last_visit(&self) -> NaiveDate {
        let last = self
            .hull
            .haul_outs
            .last()
            .and_then(|h| h["lifted_on"].as_str())
            .and_then(|text| text.parse::<NaiveDate>().ok());
        last.map_or(self.today - Duration::days(200), |lifted| (lifted + Duration::days(3)).min(self.today))
    }

    fn survey(&mut self, on: NaiveDate, blistering: &str, more: Value, level: f64) {
        let mut fact = json!({ "surveyed_on": on, "surveyor": "Surveyor of the haven", "meter": "Capacitance meter", "meter_serial": "CM-0417",
            "meter_scale": "relative 0-100", "check_block_reading": 20.0, "depth_mode": "deep", "dry_reference_reading": 5.0,
            "air_temperature_c": 12.0, "relative_humidity_pct": 72.0, "hours_since_lift": 48.0, "hours_since_wash": 40.0,
            "bottom_examined": "whole", "blistering": blistering, "coating_failure": false, "sounding": "sound" });
        if let (Some(fact), Value::Object(more)) = (fact.as_object_mut(), more) {
            fact.extend(more);
        }
        // A pattern along the hull, wetter amidships and low down, with nothing random about it.
        let readings = (0..).take(self.hull.stations.len()).map(|s: i32| {
            let along = f64::from((s * 5 + self.n * 3) % 7) - 3.0;
            ((level + along * 0.8) * 2.0).round() / 2.0
        });
        let survey = Survey { haul_out: self.at(on), fact, readings: readings.collect() };
        self.hull.surveys.push(survey);
    }

    /// Antifouling whenever the hull is ashore in spring, a survey at seven visits of eight.
    fn seasons(&mut self) {
        let surveyed_already: Vec<String> = self
            .hull
            .surveys
            .iter()
            .filter_map(|s| s.fact["surveyed_on"].as_str().map(str::to_owned))
            .collect();
        for (visit, haul_out) in self.hull.haul_outs.clone().iter().enumerate() {
            let date = |name: &str| haul_out[name].as_str().and_then(|text| text.parse::<NaiveDate>().ok());
            let Some(lifted) = date("lifted_on") else { continue };
            if let Some(relaunched) = date("relaunched_on") {
                self.coat(
                    "antifouling",
                    relaunched - Duration::days(1),
                    150.0,
                    ["red", "blue"][visit % 2],
                    &json!({ "sequence": 10, "wear_um_per_month_15c": 5.5, "max_days_dry": 120 }),
                );
            }
            let skipped = visit > 0 && (visit + usize::try_from(self.n).unwrap_or(0)) % 8 == 0;
            let looked_at = self.plan.story != Story::NotLookedAt || visit == 0;
            let on = lifted + Duration::days(3);
            let event_here =
                surveyed_already.iter().any(|day| (lifted.to_string()..=on.to_string()).contains(day));
            if looked_at && !skipped && !event_here && on <= self.today && self.may_be_clean_on(on) {
                self.survey(on, "none", json!({}), 7.0 + f64::from(self.plan.age_years) * 0.15);
            }
        }
        self.hull.surveys.sort_by_key(|s| s.fact["surveyed_on"].as_str().map(str::to_owned));
    }

    /// A blistered hull was not clean after it was found blistered.
    fn may_be_clean_on(&self, on: NaiveDate) -> bool {
        let found = self
            .hull
            .surveys
            .iter()
            .filter(|s| s.fact["blistering"] == "laminate")
            .filter_map(|s| s.fact["surveyed_on"].as_str().map(str::to_owned))
            .min();
        match (found, self.plan.story) {
            (Some(found), Story::Treated { years_ago }) => {
                on.to_string() < found || on.year() >= self.today.year() - years_ago
            }
            (Some(found), _) => on.to_string() < found,
            (None, _) => true,
        }
    }
}

/// Twelve stations: six along each side, in walking order round the hull.
fn stations(length_m: f64) -> Vec<Value> {
    let along = |n: i32| (length_m * (0.12 + 0.14 * f64::from(n)) * 10.0).round() / 10.0;
    let port = (0..6).map(|n| ("port", n, n));
    let starboard = (0..6).rev().zip(6..).map(|(n, code)| ("starboard", n, code));
    port.chain(starboard)
        .map(|(side, n, code)| json!({ "code": format!("S{:02}", code + 1), "hull": "centre", "side": side, "zone": "bottom", "x_m": along(n), "girth_m": 0.6 }))
        .collect()
}

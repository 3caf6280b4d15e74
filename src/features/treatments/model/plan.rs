//! The plan of a treatment: zones, steps in order, coats, what counts as dry.

use chrono::NaiveDate;
use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::TreatmentKind;
use super::holds::word;
use super::zone::PlanZone;
use crate::error::{Error, FieldError, Result};
use crate::features::products::model::CoatRole;
use crate::features::surveys::model::fact::within_years;
use crate::features::vessels::model::Zone;
use crate::ids::ProductId;
use crate::science::cautions::Work;

/// A step of a treatment, in the order of the work.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum StepKind {
    /// The bottom is washed down.
    WashDown,
    /// Wax, grease and old paint come off.
    Degrease,
    /// Blisters are opened, or the gelcoat is peeled.
    Strip,
    /// Salts on the surface are measured. Optional.
    SaltCheck,
    /// The laminate is washed and dries until its readings are accepted.
    Dry,
    /// The surface is roughened for the coats.
    Abrade,
    /// Solventless sealer, two coats at least.
    Seal,
    /// The cured sealer is roughened, once its blush is washed off: 60 to 80 grit (common practice, no source).
    AbradeSealed,
    /// Hollows are filled and faired. Optional.
    Fair,
    /// The hold of the coats is tried. Optional.
    AdhesionCheck,
    /// Barrier coats in alternating colours.
    Barrier,
    /// Antifouling.
    Antifouling,
}

impl StepKind {
    /// The role of the coats that it puts on.
    #[must_use]
    pub fn role(self) -> Option<CoatRole> {
        match self {
            Self::Seal => Some(CoatRole::Sealer),
            Self::Barrier => Some(CoatRole::Barrier),
            Self::Antifouling => Some(CoatRole::Antifouling),
            _ => None,
        }
    }

    /// The work that it is, for its cautions.
    #[must_use]
    pub fn works(self) -> &'static [Work] {
        match self {
            Self::WashDown => &[Work::Lifting, Work::WashDown],
            // Old paint comes off in these, and is antifouling.
            Self::Degrease => &[Work::EpoxyCoating, Work::Antifouling],
            Self::Strip => &[Work::Grinding, Work::Antifouling],
            Self::Seal | Self::Fair | Self::Barrier => {
                &[Work::EpoxyCoating, Work::ConfinedSpace, Work::TentHeating]
            }
            Self::Abrade | Self::AbradeSealed | Self::AdhesionCheck => &[Work::Grinding],
            Self::SaltCheck => &[],
            Self::Dry => &[Work::WashDown, Work::ConfinedSpace, Work::TentHeating],
            Self::Antifouling => &[Work::Antifouling],
        }
    }

    /// What closes it.
    #[must_use]
    pub fn evidence(self) -> &'static str {
        match self {
            Self::WashDown | Self::Degrease => "An entry step_done by whoever did it.",
            Self::Strip => "An entry step_done, its note saying what was opened or peeled and how deep.",
            Self::SaltCheck => "An entry step_done, its note giving the measured salts.",
            Self::Dry => {
                "Readings at every planned station at or under the target and steady (GET drying), then an entry step_done."
            }
            Self::Abrade => "An entry step_done, its note giving the grit.",
            Self::AbradeSealed => {
                "The blush washed off where the sealer leaves one, then an entry step_done, its note giving the grit."
            }
            Self::Fair => "An entry step_done when filled, faired and sanded.",
            Self::AdhesionCheck => "An entry step_done, its note giving method and result.",
            Self::Seal | Self::Barrier | Self::Antifouling => {
                "As many coats as planned, then an entry step_done. Their films are checked before the closing."
            }
        }
    }
}

/// A step of a plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct PlanStep {
    /// What is done.
    #[garde(skip)]
    pub step: StepKind,
    /// On which zones; on all of the plan's when empty.
    #[serde(default)]
    #[garde(length(max = 5))]
    #[schema(max_items = 5)]
    pub zones: Vec<Zone>,
    /// The product of its coats.
    #[garde(skip)]
    pub product_id: Option<ProductId>,
    /// How many coats.
    #[garde(range(min = 1, max = 20))]
    #[schema(minimum = 1, maximum = 20)]
    pub coats: Option<i32>,
    /// Dry film of each coat; the thinnest of the product's sheet when left out.
    #[garde(range(min = 1.0, max = 5000.0))]
    #[schema(minimum = 1, maximum = 5000)]
    pub dry_film_um: Option<f64>,
    /// Anything else: peeling or spot grinding, how deep, the method of a check.
    #[garde(length(chars, max = 1000))]
    #[schema(max_length = 1000)]
    pub note: Option<String>,
}

impl PlanStep {
    fn of(step: StepKind, coats: Option<i32>) -> Self {
        Self { step, zones: Vec::new(), product_id: None, coats, dry_film_um: None, note: None }
    }
}

/// What counts as dry, on the scale of a meter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct DryTarget {
    /// The meter's scale: readings on others are left out.
    #[garde(length(chars, min = 1, max = 100))]
    #[schema(min_length = 1, max_length = 100)]
    pub scale: String,
    /// Dry at or under this, on that scale.
    #[garde(range(min = -10_000.0, max = 10_000.0))]
    #[schema(minimum = -10_000, maximum = 10_000)]
    pub target: f64,
    /// Last readings that must be dry and steady.
    #[serde(default = "three")]
    #[garde(range(min = 1, max = 100))]
    #[schema(minimum = 1, maximum = 100, default = 3)]
    pub consecutive: i32,
    /// Steady within this; at least twice the meter's step.
    #[serde(default = "steady")]
    #[garde(range(min = 0.000_001, max = 1000.0))]
    #[schema(minimum = 0.000_001, maximum = 1000, default = 0.3)]
    pub steady_range: f64,
    /// Smallest difference the meter shows.
    #[garde(range(min = 0.000_001, max = 500.0))]
    #[schema(minimum = 0.000_001, maximum = 500)]
    pub meter_step: Option<f64>,
    /// Moisture of the laminate when saturated, by weight; with the next one it tells whether the air lets it dry.
    #[garde(range(min = 0.01, max = 20.0))]
    #[schema(minimum = 0.01, maximum = 20)]
    pub saturated_moisture_pct: Option<f64>,
    /// Moisture at which the laminate counts as dry, by weight.
    #[garde(range(min = 0.001, max = 20.0))]
    #[schema(minimum = 0.001, maximum = 20)]
    pub dry_moisture_pct: Option<f64>,
}

fn three() -> i32 {
    3
}
fn steady() -> f64 {
    0.3
}
fn some_loss() -> f64 {
    0.1
}

/// A plan. Zones, steps and target that are left out are those usual for the kind; they may be changed until work starts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct PlanFields {
    /// What it is for.
    #[garde(skip)]
    pub kind: TreatmentKind,
    /// The day work is meant to start: for the purchase list of a week.
    #[garde(inner(custom(within_years)))]
    pub starts_on: Option<NaiveDate>,
    /// The zones treated; the bottom when empty.
    #[serde(default)]
    #[garde(length(max = 5), dive)]
    #[schema(max_items = 5)]
    pub zones: Vec<PlanZone>,
    /// The steps in order; those usual for the kind when empty.
    #[serde(default)]
    #[garde(length(max = 12), dive)]
    #[schema(max_items = 12)]
    pub steps: Vec<PlanStep>,
    /// What counts as dry; required where the plan has the step `dry`: 9 on a scale named `relative` when left out.
    #[garde(dive)]
    pub dry_target: Option<DryTarget>,
    /// Share of the paint that is lost.
    #[serde(default = "some_loss")]
    #[garde(range(min = 0.0, max = 0.95))]
    #[schema(minimum = 0, maximum = 0.95, default = 0.1)]
    pub loss_fraction: f64,
    /// Anything else.
    #[garde(length(chars, max = 4000))]
    #[schema(max_length = 4000)]
    pub note: Option<String>,
}

impl PlanFields {
    /// The plan with what is usual (common practice, no source) where it says nothing.
    ///
    /// # Errors
    /// Invalid, with every field at fault: steps twice, out of order or missing their coats, zones twice or unknown.
    pub fn checked(mut self) -> Result<Self> {
        if self.zones.is_empty() {
            self.zones.push(PlanZone { zone: Zone::Bottom, area_m2: None, girths: Vec::new() });
        }
        if self.steps.is_empty() {
            self.steps = usual(self.kind);
        }
        if self.has(StepKind::Dry) && self.dry_target.is_none() {
            self.dry_target = Some(DryTarget {
                scale: "relative".to_owned(),
                target: 9.0,
                consecutive: three(),
                steady_range: steady(),
                meter_step: None,
                saturated_moisture_pct: None,
                dry_moisture_pct: None,
            });
        }
        let mut faults = Vec::new();
        let mut refuse = |pointer: String, code: &str, detail: &str| {
            faults.push(FieldError::new(pointer, code, detail));
        };
        for (n, zone) in self.zones.iter().enumerate() {
            if self.zones.iter().take(n).any(|before| before.zone == zone.zone) {
                refuse(format!("/zones/{n}/zone"), "twice", "is in the list already. Keep it once.");
            }
            let measured = zone.area_by_girths_m2();
            if measured.as_ref().is_ok_and(|area_m2| area_m2.is_some_and(|area_m2| area_m2 < 0.01)) {
                refuse(format!("/zones/{n}/girths"), "no_area", "enclose no area. Measure them again.");
            }
            if let Err(refusals) = measured {
                for refusal in Error::from(refusals).fields {
                    let at = refusal.pointer.replacen("/stations", "/girths", 1);
                    refuse(format!("/zones/{n}{at}"), &refusal.code, &refusal.detail);
                }
            }
        }
        for (n, step) in self.steps.iter().enumerate() {
            if n > 0 && self.steps[n - 1].step >= step.step {
                refuse(
                    format!("/steps/{n}/step"),
                    "order",
                    "does not come after the step before it. Reorder the steps.",
                );
            }
            if step.step.role().is_some() != step.coats.is_some() {
                refuse(
                    format!("/steps/{n}/coats"),
                    "coats",
                    "belongs to seal, barrier and antifouling, and is required there.",
                );
            }
            if step.step == StepKind::Seal && step.coats.is_some_and(|coats| coats < 2) {
                refuse(
                    format!("/steps/{n}/coats"),
                    "too_few",
                    "is under two coats of sealer. Plan two at least.",
                );
            }
            for (m, zone) in step.zones.iter().enumerate() {
                if step.zones.iter().take(m).any(|before| before == zone) {
                    refuse(format!("/steps/{n}/zones/{m}"), "twice", "is in the list already. Keep it once.");
                }
                if !self.zones.iter().any(|own| own.zone == *zone) {
                    refuse(
                        format!("/steps/{n}/zones"),
                        "unknown",
                        "names a zone that the plan does not have. Add it to zones.",
                    );
                }
            }
        }
        if self.has(StepKind::AbradeSealed) && !self.has(StepKind::Seal) {
            refuse(
                "/steps".to_owned(),
                "missing",
                "abrade a sealer that none of them puts on. Add seal, or use abrade.",
            );
        }
        let needed: &[StepKind] = match self.kind {
            TreatmentKind::Preventive => &[StepKind::Abrade, StepKind::Barrier],
            TreatmentKind::Curative => &[StepKind::Strip, StepKind::Dry, StepKind::Seal, StepKind::Barrier],
        };
        for step in needed {
            if !self.has(*step) {
                let detail = format!(
                    "lack {}, without which it is no such treatment. Add it, or send steps as [] for those usual for the kind.",
                    word(step)
                );
                refuse("/steps".to_owned(), "missing", &detail);
            }
        }
        self.check_zones(&mut faults);
        self.check_drying(&mut faults);
        if faults.is_empty() { Ok(self) } else { Err(Error::invalid(faults)) }
    }

    /// What the target of drying must hold to.
    fn check_drying(&self, faults: &mut Vec<FieldError>) {
        let mut refuse = |pointer: String, code: &str, detail: &str| {
            faults.push(FieldError::new(pointer, code, detail));
        };
        if let Some(dry) = &self.dry_target
            && dry.saturated_moisture_pct.zip(dry.dry_moisture_pct).is_some_and(|(most, dry)| dry >= most)
        {
            refuse(
                "/dry_target/dry_moisture_pct".to_owned(),
                "above_saturated",
                "is not under saturated_moisture_pct. Correct one of them.",
            );
        }
        if let Some(dry) = &self.dry_target
            && dry.meter_step.is_some_and(|step| dry.steady_range < 2.0 * step * (1.0 - 1e-9))
        {
            refuse(
                "/dry_target/steady_range".to_owned(),
                "below_step",
                "is under twice meter_step. Enter more.",
            );
        }
    }

    /// What each zone needs for itself.
    fn check_zones(&self, faults: &mut Vec<FieldError>) {
        for (n, zone) in self.zones.iter().enumerate() {
            let here = |step| self.steps_in(zone.zone).any(|own| own.step == step);
            let curative = self.kind == TreatmentKind::Curative;
            let (pointer, detail) = if self.steps_in(zone.zone).next().is_none() {
                (format!("/zones/{n}/zone"), "has no step. Plan one there, or leave the zone out.")
            } else if here(StepKind::Barrier) && !here(StepKind::Abrade) && !here(StepKind::Seal) {
                (
                    "/steps".to_owned(),
                    "put a barrier on a zone that none of them abrades or seals. Add one there.",
                )
            } else if curative && here(StepKind::Seal) && !(here(StepKind::Strip) && here(StepKind::Dry)) {
                ("/steps".to_owned(), "seal a zone that they do not strip and dry. Add both there.")
            } else {
                continue;
            };
            faults.push(FieldError::new(pointer, "zone", detail));
        }
    }

    /// Whether it has a step.
    #[must_use]
    pub fn has(&self, step: StepKind) -> bool {
        self.steps.iter().any(|own| own.step == step)
    }

    /// The zones of a step.
    #[must_use]
    pub fn zones_of(&self, step: &PlanStep) -> Vec<Zone> {
        let all = self.zones.iter().map(|zone| zone.zone);
        all.filter(|zone| step.zones.is_empty() || step.zones.contains(zone)).collect()
    }

    /// The steps of a zone in order.
    pub fn steps_in(&self, zone: Zone) -> impl Iterator<Item = &PlanStep> {
        self.steps.iter().filter(move |step| self.zones_of(step).contains(&zone))
    }
}

/// The steps that are usual for a kind (common practice, no source).
#[must_use]
pub fn usual(kind: TreatmentKind) -> Vec<PlanStep> {
    let steps: &[(StepKind, Option<i32>)] = match kind {
        TreatmentKind::Preventive => &[
            (StepKind::WashDown, None),
            (StepKind::Degrease, None),
            (StepKind::Abrade, None),
            (StepKind::Barrier, Some(4)),
            (StepKind::Antifouling, Some(2)),
        ],
        TreatmentKind::Curative => &[
            (StepKind::WashDown, None),
            (StepKind::Strip, None),
            (StepKind::SaltCheck, None),
            (StepKind::Dry, None),
            (StepKind::Abrade, None),
            (StepKind::Seal, Some(2)),
            (StepKind::AbradeSealed, None),
            (StepKind::Fair, None),
            (StepKind::Barrier, Some(4)),
            (StepKind::Antifouling, Some(2)),
        ],
    };
    steps.iter().map(|(step, coats)| PlanStep::of(*step, *coats)).collect()
}

//! What is known of one hull: the inputs of a forecast.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::policy::Policy;
use crate::science::climate::MonthNormals;

/// The resin system of the structural laminate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum LaminateClass {
    /// General-purpose orthophthalic polyester throughout.
    Orthophthalic,
    /// Isophthalic polyester throughout.
    Isophthalic,
    /// Vinylester behind the gelcoat, polyester beneath.
    VinylesterSkin,
    /// Vinylester throughout.
    Vinylester,
    /// Epoxy throughout.
    Epoxy,
}

impl LaminateClass {
    /// All there are, the least durable first.
    pub const ALL: [Self; 5] =
        [Self::Orthophthalic, Self::Isophthalic, Self::VinylesterSkin, Self::Vinylester, Self::Epoxy];
}

/// How the bilge is usually found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Bilge {
    /// Dusty dry.
    Dry,
    /// Damp: condensation, no standing water.
    Damp,
    /// Standing water.
    Wet,
}

/// The part a coat plays.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum CoatRole {
    /// Gelcoat sprayed or rolled on.
    Gelcoat,
    /// Solventless sealer.
    Sealer,
    /// Barrier coat.
    Barrier,
    /// Topcoat over the barrier.
    Topcoat,
    /// Antifouling: worn away, no skin against water.
    Antifouling,
}

/// One lift, with its relaunch when that has happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct HaulOutFact {
    /// Day of the lift.
    pub lifted_on: NaiveDate,
    /// Day of the relaunch; none while the hull is ashore.
    pub relaunched_on: Option<NaiveDate>,
}

/// One coat on the bottom.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct CoatFact {
    /// The part it plays.
    pub role: CoatRole,
    /// Day it was put on.
    pub applied_on: NaiveDate,
    /// Dry film thickness.
    pub dry_film_um: Option<f64>,
    /// Permeability at 15 °C, from the data sheet.
    pub permeability_kg_m_s: Option<f64>,
    /// Antifouling that wears: film lost per month afloat at 15 °C.
    pub wear_um_per_month_15c: Option<f64>,
    /// Months afloat after which the product is spent.
    pub season_limit_months: Option<u32>,
    /// Days out of the water after which the product is spent.
    pub max_days_dry: Option<u32>,
    /// Whether `dry_film_um` was measured on the hull.
    pub film_measured: bool,
    /// Whether its film is refused: by its rule, or for want of a measurement in a treatment that asks for one. A curative
    /// treatment's skin is made of accepted films only.
    pub film_refused: bool,
    /// Day it was taken off.
    pub removed_on: Option<NaiveDate>,
}

/// The air at the hull over some days of a curative treatment, from a log.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct LoggedAir {
    /// The first day.
    pub from: NaiveDate,
    /// The day after the last.
    pub until: NaiveDate,
    /// Mean temperature of the hull's surface.
    pub surface_temperature_c: f64,
    /// Water activity at the surface: the vapour in the air over saturation at the surface's temperature.
    pub outer_activity: f64,
}

/// What a treatment was for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum TreatmentKind {
    /// A barrier on sound gelcoat.
    Preventive,
    /// Stripping, drying and rebuilding the skin.
    Curative,
}

/// One treatment of the bottom.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct TreatmentFact {
    /// What it was for.
    pub kind: TreatmentKind,
    /// Day the skin was first opened or abraded.
    pub started_on: NaiveDate,
    /// Day of its last hold point; none while it runs.
    pub completed_on: Option<NaiveDate>,
    /// Laminate peeled off beneath the gelcoat.
    pub laminate_removed_mm: Option<f64>,
}

/// How much of the bottom a survey looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum BottomExamined {
    /// None of it.
    None,
    /// A part of it.
    Part,
    /// All of it.
    Whole,
}

/// The deepest layer in which blisters were found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Blistering {
    /// No blisters.
    None,
    /// Between coats only.
    CoatingOnly,
    /// Under or in the gelcoat.
    Gelcoat,
    /// In the laminate.
    Laminate,
}

/// What a signed survey says of the bottom.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct SurveyFact {
    /// Day of the survey.
    pub surveyed_on: NaiveDate,
    /// How much was looked at.
    pub bottom_examined: BottomExamined,
    /// What was found.
    pub blistering: Blistering,
    /// Blisters per square metre.
    pub blister_density_per_m2: Option<f64>,
    /// Diameter of the largest blister.
    pub largest_blister_mm: Option<f64>,
    /// Whether the barrier was seen to fail (loss of adhesion, cracking, flaking).
    pub coating_failure: bool,
}

/// What a meter said at one station.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StationReading {
    /// What tells the station from the others.
    pub station: String,
    /// The mean of its readings, on the meter's scale.
    pub value: f64,
}

/// What a meter said at the stations of the bottom in one signed survey.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MeterVisit {
    /// Day of the survey.
    pub surveyed_on: NaiveDate,
    /// What tells meter, scale and depth from others: only readings of one instrument are compared.
    pub instrument: String,
    /// What it said that day of a laminate known to be dry.
    pub dry_reference_reading: Option<f64>,
    /// The stations.
    pub stations: Vec<StationReading>,
}

/// What a finding is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum FindingKind {
    /// A single blister or a patch of them.
    Blister,
    /// A break in the skin that bares the laminate.
    SkinBreak,
    /// Damage from a blow.
    ImpactDamage,
    /// A crack.
    Crack,
    /// Plies parted.
    Delamination,
    /// A fault of the coating alone.
    CoatingDefect,
}

/// What is being done about a finding.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum FindingState {
    /// To be repaired.
    Open,
    /// Left as it is and looked at again.
    Watched,
    /// Repaired.
    Repaired,
}

/// One finding.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct FindingFact {
    /// What it is.
    pub kind: FindingKind,
    /// What is being done about it.
    pub state: FindingState,
    /// Day it was found.
    pub found_on: NaiveDate,
    /// Day it happened, when known.
    pub happened_on: Option<NaiveDate>,
    /// Day it was repaired.
    pub repaired_on: Option<NaiveDate>,
    /// Day on which it is to be looked at again.
    pub follow_up_on: Option<NaiveDate>,
    /// Whether it lies on the bottom laminate (not on keel, rudder or appendage).
    pub zone_is_bottom: bool,
}

/// What its owner thinks of changing: the conditions that hold from a day on in the place of those on record.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Intent {
    /// The first day of the new conditions.
    pub from: NaiveDate,
    /// How the bilge is found then.
    pub bilge: Option<Bilge>,
    /// First month then usually spent ashore.
    pub ashore_from_month: Option<u32>,
    /// Last month then usually spent ashore (inclusive).
    pub ashore_until_month: Option<u32>,
    /// Normals of the site where the hull lies then, January first.
    pub months: [MonthNormals; 12],
}

/// Everything a forecast is computed from. What is dated after `as_of` is ignored.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HullFacts {
    /// The day on which the forecast is (or would have been) made.
    pub as_of: NaiveDate,
    /// Length of the hull.
    pub length_m: f64,
    /// Resin system; none is the mixture of the three commonest.
    pub laminate_class: Option<LaminateClass>,
    /// Bottom laminate thickness.
    pub laminate_thickness_mm: Option<f64>,
    /// Thickness of the gelcoat the hull was built with.
    pub gelcoat_thickness_um: Option<f64>,
    /// Whether the bottom is cored: such a bottom gets no water forecast.
    pub cored: bool,
    /// Day of the first launch.
    pub launched_on: Option<NaiveDate>,
    /// Year of build; 1 July of it stands for an unknown launch.
    pub built_year: Option<i32>,
    /// How the bilge is usually found.
    pub bilge: Option<Bilge>,
    /// First month usually spent ashore; none with its partner means afloat all year.
    pub ashore_from_month: Option<u32>,
    /// Last month usually spent ashore (inclusive).
    pub ashore_until_month: Option<u32>,
    /// Normals of the site, January first.
    pub months: [MonthNormals; 12],
    /// Whether `months` are those of the hull's own site.
    pub site_known: bool,
    /// Lifts.
    pub haul_outs: Vec<HaulOutFact>,
    /// Coats.
    pub coats: Vec<CoatFact>,
    /// Treatments.
    pub treatments: Vec<TreatmentFact>,
    /// The air logged during curative treatments, apart from each other; elsewhere ashore the site's normals stand.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub logged_air: Vec<LoggedAir>,
    /// Signed surveys.
    pub surveys: Vec<SurveyFact>,
    /// What meters said, apart from what was seen.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub meter_visits: Vec<MeterVisit>,
    /// Findings, each in its current version.
    pub findings: Vec<FindingFact>,
    /// The limits to judge by.
    pub policy: Policy,
    /// What is to change, where it is asked what then; none in the forecast of a hull as it is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub intent: Option<Intent>,
}

impl HullFacts {
    /// The facts that were known on `as_of`, each list in the order of its dates.
    ///
    /// A lift, coat, treatment, survey or finding dated later is dropped; a relaunch, completion,
    /// removal or repair dated later has not happened yet.
    #[must_use]
    pub fn known(&self) -> Self {
        let as_of = self.as_of;
        let happened = |date: Option<NaiveDate>| date.filter(|&date| date <= as_of);
        let mut known = self.clone();
        known.launched_on = happened(known.launched_on);
        known.built_year = known.built_year.filter(|&year| year <= chrono::Datelike::year(&as_of));

        known.haul_outs.retain(|haul_out| haul_out.lifted_on <= as_of);
        for haul_out in &mut known.haul_outs {
            haul_out.relaunched_on = happened(haul_out.relaunched_on);
        }
        known.haul_outs.sort_by_key(|haul_out| (haul_out.lifted_on, haul_out.relaunched_on));

        known.coats.retain(|coat| coat.applied_on <= as_of);
        for coat in &mut known.coats {
            coat.removed_on = happened(coat.removed_on);
        }
        known.coats.sort_by_key(|coat| coat.applied_on);
        known.logged_air.retain(|air| air.until <= as_of);
        known.logged_air.sort_by_key(|air| air.from);

        known.treatments.retain(|treatment| treatment.started_on <= as_of);
        for treatment in &mut known.treatments {
            treatment.completed_on = happened(treatment.completed_on);
            if treatment.completed_on.is_none() {
                treatment.laminate_removed_mm = None;
            }
        }
        known.treatments.sort_by_key(|treatment| treatment.started_on);

        known.surveys.retain(|survey| survey.surveyed_on <= as_of);
        known.surveys.sort_by_key(|survey| survey.surveyed_on);

        known.meter_visits.retain(|visit| visit.surveyed_on <= as_of);
        known.meter_visits.sort_by_key(|visit| visit.surveyed_on);

        known.findings.retain(|finding| finding.found_on <= as_of);
        for finding in &mut known.findings {
            if finding.repaired_on.is_some_and(|date| date > as_of) {
                finding.repaired_on = None;
                finding.state = FindingState::Open;
            }
        }
        known.findings.sort_by_key(|finding| finding.found_on);
        known
    }

    /// The pattern ashore on record as (first month, last month), when the hull has one.
    #[must_use]
    pub fn ashore_months(&self) -> Option<(u32, u32)> {
        self.ashore_from_month.zip(self.ashore_until_month)
    }

    /// The pattern ashore from the as-of date on.
    #[must_use]
    pub fn coming_ashore_months(&self) -> Option<(u32, u32)> {
        match &self.intent {
            Some(intent) => intent.ashore_from_month.zip(intent.ashore_until_month),
            None => self.ashore_months(),
        }
    }

    /// Normals of the month of a day where the hull then lies.
    #[must_use]
    pub fn normals_on(&self, date: NaiveDate) -> &MonthNormals {
        let months = match &self.intent {
            Some(intent) if date >= intent.from => &intent.months,
            _ => &self.months,
        };
        &months[chrono::Datelike::month0(&date) as usize]
    }
}

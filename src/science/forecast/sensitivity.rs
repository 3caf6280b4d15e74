//! What widens each date most, and what would narrow it most.
//!
//! The members' own days of a date, those past the horizon on it, vary with what was drawn for them: the share of each
//! quantity in their variance is first-order ([`crate::science::sensitivity`]). A fact nobody entered has a default in
//! every member; its part is the variance of the mean day over what it may be, equally likely, everything else at its
//! default, and is added to that of the members: V = V(members) + Σ V(fact). What is left to one is of quantities together.
//!
//! A measurement is held to take away the share of what it measures, or the part of it that it measures: of the skin's
//! resistance, the priors' `film_part_of_skin` is film, the rest permeability; of the onset scale, the part that is the class's and
//! not the hull's own. First-order shares are the mean part of the variance that knowing a quantity takes away (Saltelli
//! et al. 2008, §1.2.5, from memory); where many members lie past the horizon it takes away less. What an unknown fact may be: common practice, no source.

use chrono::NaiveDate;
use serde::Serialize;
use utoipa::ToSchema;

use super::dates::DueKind;
use super::ensemble::Ensemble;
use super::facts::{Bilge, HullFacts, Intent};
use super::history::History;
use super::priors::Priors;
use super::skins::skin_changes;
use super::{MODEL, day, forecast_with, onset_outlook};
use crate::science::refusal::Refusals;
use crate::science::sensitivity::{Weighted, first_order_share, moments};

/// A laminate whose thickness nobody entered may be so many times thinner or thicker (common practice, no source).
const THICKNESS_FACTOR: f64 = 1.3;

/// What is not known for certain.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Quantity {
    /// How fast water moves in the laminate.
    LaminateDiffusivity,
    /// How that grows with warmth.
    ActivationEnergy,
    /// How what makes a pocket grow quickens with warmth.
    HydrolysisEnergy,
    /// How dry a pocket keeps the laminate from filling it.
    PocketActivity,
    /// What lies between skin and pocket.
    PocketResistance,
    /// Which resin the laminate is of.
    LaminateClass,
    /// How much water the skin lets through.
    SkinResistance,
    /// How long laminates of its class last.
    OnsetScale,
    /// How much hulls of a class differ in that.
    OnsetShape,
    /// How the bilge is found.
    Bilge,
    /// How thick the laminate is.
    LaminateThickness,
    /// When the hull was launched.
    Launch,
    /// How fast the antifouling wears.
    AntifoulingWear,
}

/// What could be found out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Measurement {
    /// Take film readings.
    TakeFilmReadings,
    /// Confirm the laminate class.
    ConfirmLaminateClass,
    /// Look at the bilge.
    LookAtTheBilge,
    /// Measure the laminate's thickness.
    MeasureLaminateThickness,
    /// Find out the day of the launch.
    FindOutTheLaunch,
    /// Sign surveys of whole bottoms, of this hull's class.
    SurveyTheFleet,
}

impl Measurement {
    /// What to do, in a sentence.
    #[must_use]
    pub const fn advice(self) -> &'static str {
        match self {
            Self::TakeFilmReadings => "Take film readings: the film of its coats is not measured.",
            Self::ConfirmLaminateClass => {
                "Confirm the laminate class, from the builder's papers or a sample."
            }
            Self::LookAtTheBilge => "Look at the bilge: how it is usually found is not recorded.",
            Self::MeasureLaminateThickness => {
                "Measure the laminate's thickness: it is taken from the length."
            }
            Self::FindOutTheLaunch => "Find out the day of the launch: it is taken from the year built.",
            Self::SurveyTheFleet => {
                "Survey whole bottoms of hulls of its class and sign the surveys: how long they last is learned from them."
            }
        }
    }
}

/// The part of a quantity in the width of a date.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct QuantityShare {
    /// The quantity.
    pub quantity: Quantity,
    /// Its first-order share of the variance, 0 to 1.
    pub variance_fraction: f64,
}

/// What a measurement would take away from the width of a date.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct MeasurementShare {
    /// The measurement.
    pub measurement: Measurement,
    /// The share of the variance it would take away, 0 to 1.
    pub variance_fraction: f64,
    /// What to do, in a sentence.
    pub advice: &'static str,
}

/// What widens a date, and what would narrow it.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Sensitivity {
    /// Standard deviation of the members' own days, defaults included; 0 where nothing uncertain bears on the date.
    pub standard_deviation_days: f64,
    /// What widens it most; null where nothing does.
    pub widened_most_by: Option<Quantity>,
    /// What would narrow it most; null where no measurement would.
    pub narrowed_most_by: Option<Measurement>,
    /// The quantities, the largest share first.
    pub quantities: Vec<QuantityShare>,
    /// What is left to one: of quantities together.
    pub together_fraction: f64,
    /// The measurements that would narrow it, the largest share first.
    pub measurements: Vec<MeasurementShare>,
}

/// A date and what it is sensitive to.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct DateSensitivity {
    /// What falls due.
    pub kind: DueKind,
    /// The date; null where none could be set or it lies past the horizon.
    pub due_on: Option<NaiveDate>,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub sensitivity: Sensitivity,
    /// Days by which the date would come later with the bilge dried today; null where it is dry, or not recorded, or a
    /// date lies past the horizon.
    pub dry_the_bilge_later_days: Option<i64>,
}

/// What all dates of a hull are sensitive to.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct HullSensitivity {
    /// Name and version of the model.
    pub model: &'static str,
    /// The day of the forecast.
    pub as_of: NaiveDate,
    /// How many members it was told from.
    pub members: usize,
    /// The dates.
    pub dates: Vec<DateSensitivity>,
    /// The day by which half of such hulls have begun to blister; null where no onset is forecast.
    pub onset: Option<Sensitivity>,
}

/// Tells what the dates of a hull are sensitive to. Some hundred members and more tell it well.
///
/// # Errors
/// Facts that no forecast can be made from.
pub fn hull_sensitivity(facts: &HullFacts, ensemble: &Ensemble) -> Result<HullSensitivity, Refusals> {
    let horizon = day::months_after(facts.as_of, 12 * facts.policy.horizon_years);
    let forecast = forecast_with(facts, ensemble)?;
    let others = unknown_facts(facts)
        .into_iter()
        .map(|(quantity, variants)| {
            let days = variants.iter().map(|variant| Days::of(variant, ensemble, horizon));
            Ok((quantity, days.collect::<Result<Vec<Days>, Refusals>>()?))
        })
        .collect::<Result<Vec<(Quantity, Vec<Days>)>, Refusals>>()?;
    let own = Days::of(facts, ensemble, horizon)?;
    let inputs = inputs(facts, ensemble);
    let dried = dried(facts).map(|dried| forecast_with(&dried, ensemble)).transpose()?;
    let told = |days: &[Weighted], pick: &dyn Fn(&Days) -> Option<Weighted>| {
        let of_facts: Vec<(Quantity, f64)> = others
            .iter()
            .map(|(quantity, variants)| (*quantity, variance_of_means(variants.iter().filter_map(pick))))
            .collect();
        shares(facts, ensemble, days, &inputs, &of_facts)
    };
    let dates = forecast
        .dates
        .iter()
        .map(|due| {
            let own_days = own.of_kind(due.kind).unwrap_or_default();
            let wears =
                due.kind == DueKind::Antifouling && due.due_range.is_some_and(|range| range.p10 != range.p90);
            let after =
                dried.as_ref().and_then(|dried| dried.dates.iter().find(|date| date.kind == due.kind));
            DateSensitivity {
                kind: due.kind,
                due_on: due.due_on,
                sensitivity: if wears {
                    of_wear(due.due_range.and_then(|range| Some((range.p10?, range.p90?))))
                } else {
                    told(own_days, &|days| mean_of(days.of_kind(due.kind)?))
                },
                dry_the_bilge_later_days: after
                    .and_then(|after| Some((after.due_on? - due.due_on?).num_days())),
            }
        })
        .collect();
    Ok(HullSensitivity {
        model: MODEL,
        as_of: facts.as_of,
        members: ensemble.members(),
        dates,
        onset: own.onset.as_deref().map(|days| told(days, &|days| mean_of(days.onset.as_deref()?))),
    })
}

/// The members' own days of each date and of the onset.
struct Days {
    kinds: Vec<(DueKind, Vec<Weighted>)>,
    onset: Option<Vec<Weighted>>,
}

impl Days {
    fn of(facts: &HullFacts, ensemble: &Ensemble, horizon: NaiveDate) -> Result<Self, Refusals> {
        let end = day::number(horizon);
        let within =
            |days: Vec<Weighted>| days.into_iter().map(|(on, weight)| (on.min(end), weight)).collect();
        let forecast = forecast_with(facts, ensemble)?;
        let sound_on = History::read(&facts.known()).sound_on();
        let onset = onset_outlook(facts, ensemble, horizon)?.zip(sound_on).map(|(outlook, sound_on)| {
            within(outlook.member_days_at_risk(day::number(sound_on), 0.5).collect())
        });
        let kinds = forecast.dates.into_iter().map(|due| (due.kind, within(due.member_days))).collect();
        Ok(Self { kinds, onset })
    }

    fn of_kind(&self, kind: DueKind) -> Option<&[Weighted]> {
        self.kinds.iter().find(|(own, _)| *own == kind).map(|(_, days)| days.as_slice())
    }
}

fn mean_of(days: &[Weighted]) -> Option<Weighted> {
    moments(days).map(|(mean, _)| (mean, 1.0))
}

fn variance_of_means(means: impl Iterator<Item = Weighted>) -> f64 {
    moments(&means.collect::<Vec<Weighted>>()).map_or(0.0, |(_, variance)| variance)
}

/// What was drawn for the members.
fn inputs(facts: &HullFacts, ensemble: &Ensemble) -> Vec<(Quantity, Vec<f64>)> {
    let carried = |of: fn(&super::ensemble::Carried) -> f64| ensemble.carried.iter().map(of).collect();
    let life = |of: fn(&super::ensemble::LifeDraw) -> f64| ensemble.lives[0].iter().map(of).collect();
    let mut inputs: Vec<(Quantity, Vec<f64>)> = vec![
        (Quantity::LaminateDiffusivity, carried(|carried| carried.diffusivity_15c_m2_s)),
        (Quantity::ActivationEnergy, carried(|carried| carried.activation_energy_j_mol)),
        (Quantity::HydrolysisEnergy, carried(|carried| carried.hydrolysis_energy_j_mol)),
        (Quantity::PocketActivity, carried(|carried| carried.threshold_activity)),
        (Quantity::PocketResistance, life(|life| life.pocket_resistance_m2_s_kg)),
        (Quantity::SkinResistance, life(|life| life.skin_factor)),
        (Quantity::OnsetScale, life(|life| life.scale_deviate)),
        (Quantity::OnsetShape, life(|life| life.shape_deviate)),
    ];
    if facts.laminate_class.is_none() {
        let classes = (0..ensemble.members()).map(|member| {
            let class = ensemble.class(member, None) as u8;
            f64::from(class)
        });
        inputs.push((Quantity::LaminateClass, classes.collect()));
    }
    inputs
}

/// The facts nobody entered, and the hull as it would be with what each may be.
fn unknown_facts(facts: &HullFacts) -> Vec<(Quantity, Vec<HullFacts>)> {
    let mut unknown = Vec::new();
    if facts.bilge.is_none() {
        let variants = [Bilge::Dry, Bilge::Damp, Bilge::Wet];
        let with = |bilge| HullFacts { bilge: Some(bilge), ..facts.clone() };
        unknown.push((Quantity::Bilge, variants.map(with).to_vec()));
    }
    if facts.laminate_thickness_mm.is_none() && !facts.cored {
        let thickness = Priors::default().laminate_thickness_mm(facts.length_m);
        let with = |thickness| HullFacts { laminate_thickness_mm: Some(thickness), ..facts.clone() };
        let variants = [thickness / THICKNESS_FACTOR, thickness, thickness * THICKNESS_FACTOR];
        unknown.push((Quantity::LaminateThickness, variants.map(with).to_vec()));
    }
    if let (None, Some(year)) = (facts.launched_on, facts.built_year) {
        let variants = [0, 4, 8, 12].map(|month| day::first_of_month(year, month)).into_iter();
        let with = |on| HullFacts { launched_on: Some(on), ..facts.clone() };
        let before =
            |on: &NaiveDate| *on <= facts.as_of && facts.surveys.iter().all(|s| s.surveyed_on >= *on);
        unknown.push((Quantity::Launch, variants.filter(before).map(with).collect()));
    }
    unknown
}

/// The hull with its bilge dried on the day of the forecast; none where that is dry or not recorded.
fn dried(facts: &HullFacts) -> Option<HullFacts> {
    facts.bilge.filter(|bilge| *bilge != Bilge::Dry)?;
    let intent = Intent {
        from: facts.as_of,
        bilge: Some(Bilge::Dry),
        ashore_from_month: facts.ashore_from_month,
        ashore_until_month: facts.ashore_until_month,
        months: facts.months,
    };
    Some(HullFacts { intent: Some(intent), ..facts.clone() })
}

/// A date that only the wear of the antifouling moves.
fn of_wear(range: Option<(NaiveDate, NaiveDate)>) -> Sensitivity {
    // The wear's logarithm is normal: from p10 to p90 are 2.563 standard deviations, of the days as well where they are few.
    let spread = range.map_or(0.0, |(p10, p90)| (day::number(p90) - day::number(p10)) / 2.563);
    // How fast it wears would be known from the film left; no measurement of that bears on the date yet, and none is told.
    Sensitivity {
        standard_deviation_days: spread,
        widened_most_by: Some(Quantity::AntifoulingWear),
        narrowed_most_by: None,
        quantities: vec![QuantityShare { quantity: Quantity::AntifoulingWear, variance_fraction: 1.0 }],
        together_fraction: 0.0,
        measurements: Vec::new(),
    }
}

fn shares(
    facts: &HullFacts,
    ensemble: &Ensemble,
    days: &[Weighted],
    inputs: &[(Quantity, Vec<f64>)],
    of_facts: &[(Quantity, f64)],
) -> Sensitivity {
    let of_members = moments(days).map_or(0.0, |(_, variance)| variance);
    let whole = of_members + of_facts.iter().map(|(_, variance)| variance).sum::<f64>();
    let drawn = inputs.iter().map(|(quantity, input)| {
        (*quantity, first_order_share(input, days).unwrap_or(0.0) * of_members / whole)
    });
    let mut quantities: Vec<QuantityShare> = drawn
        .chain(of_facts.iter().map(|(quantity, variance)| (*quantity, variance / whole)))
        .filter(|(_, share)| *share > 0.0)
        .map(|(quantity, variance_fraction)| QuantityShare { quantity, variance_fraction })
        .collect();
    quantities.sort_by(|one, other| other.variance_fraction.total_cmp(&one.variance_fraction));
    let mut measurements: Vec<MeasurementShare> = quantities
        .iter()
        .filter_map(|share| {
            let (measurement, part) = measured_by(share.quantity, facts, ensemble)?;
            let variance_fraction = part * share.variance_fraction;
            Some(MeasurementShare { measurement, variance_fraction, advice: measurement.advice() })
        })
        .collect();
    measurements.sort_by(|one, other| other.variance_fraction.total_cmp(&one.variance_fraction));
    let told: f64 = quantities.iter().map(|share| share.variance_fraction).sum();
    Sensitivity {
        standard_deviation_days: whole.sqrt(),
        widened_most_by: quantities.first().map(|share| share.quantity),
        narrowed_most_by: measurements.first().map(|share| share.measurement),
        together_fraction: if quantities.is_empty() { 0.0 } else { (1.0 - told).max(0.0) },
        quantities,
        measurements,
    }
}

/// What measures a quantity, and the part of its share that it takes away.
fn measured_by(quantity: Quantity, facts: &HullFacts, ensemble: &Ensemble) -> Option<(Measurement, f64)> {
    match quantity {
        Quantity::SkinResistance => {
            let unmeasured = unmeasured_film_share(facts, &ensemble.priors);
            let part = ensemble.priors.film_part_of_skin * unmeasured;
            (part > 0.0).then_some((Measurement::TakeFilmReadings, part))
        }
        Quantity::LaminateClass => Some((Measurement::ConfirmLaminateClass, 1.0)),
        Quantity::Bilge => Some((Measurement::LookAtTheBilge, 1.0)),
        Quantity::LaminateThickness => Some((Measurement::MeasureLaminateThickness, 1.0)),
        Quantity::Launch => Some((Measurement::FindOutTheLaunch, 1.0)),
        Quantity::OnsetScale => {
            let class = ensemble.class(0, facts.laminate_class);
            let of_class = ensemble.population.log_scale_sds[class as usize].powi(2);
            let of_hull = ensemble.priors.hull_scale_gsd.ln().powi(2);
            Some((Measurement::SurveyTheFleet, of_class / (of_class + of_hull)))
        }
        Quantity::LaminateDiffusivity
        | Quantity::ActivationEnergy
        | Quantity::HydrolysisEnergy
        | Quantity::PocketActivity
        | Quantity::PocketResistance
        | Quantity::OnsetShape
        | Quantity::AntifoulingWear => None,
    }
}

/// The share of the skin's resistance today whose film nobody measured, the gelcoat it was built with included.
fn unmeasured_film_share(facts: &HullFacts, priors: &Priors) -> f64 {
    let known = facts.known();
    let launched_on = History::read(&known).lives.first().and_then(|life| life.began_on);
    let skins = launched_on.map(|launched_on| skin_changes(&known, launched_on, priors)).unwrap_or_default();
    skins
        .last()
        .filter(|skin| skin.resistance_15c_m2_s_kg > 0.0)
        .map_or(0.0, |skin| (1.0 - skin.measured_15c_m2_s_kg / skin.resistance_15c_m2_s_kg).clamp(0.0, 1.0))
}

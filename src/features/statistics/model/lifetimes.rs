//! Lives of a fleet, put together by class, skin, water or site, and what each group tells of the life.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::error::Result;
use crate::ids::{SiteId, VesselId};
use crate::science::climate::MonthNormals;
use crate::science::forecast::ensemble::Ensemble;
use crate::science::forecast::facts::{HullFacts, LaminateClass};
use crate::science::learning::evidence::SkinSystem;
use crate::science::learning::lives::{SeenLife, seen_lives};
use crate::science::lifetime::{
    LifetimeInput, LifetimeOutput, LifetimeQuantile, NoMaximum, Observation, QuantileAsked, TurnbullMass,
    WeibullFit, lifetime,
};

/// Parts into which the time of a curve is cut.
const CURVE_PARTS: u32 = 50;
/// A curve goes on so far beyond the last look.
const CURVE_BEYOND: f64 = 1.25;
/// Of the salinity of water, g/kg: below the first it is fresh, from the second on it is salt; brackish between. The
/// Venice System (1958), from memory: limnetic below 0.5, mixohaline 0.5 to 30, euhaline above.
const FRESH_BELOW_G_KG: f64 = 0.5;
const SALT_FROM_G_KG: f64 = 30.0;

/// What to mind when the curves are read.
pub const INTERVAL_CENSORING: &str = "Nobody sees blistering begin. A survey tells that it began after the last clean \
    look and not after the one that found it, or that it had not begun by the last look: an interval, not a day. The \
    curve without a formula (Turnbull) is flat where no life ended; within an interval that holds mass, where it would \
    fall, nothing tells when, and no value is given. The fitted curve is a Weibull law by greatest likelihood over the \
    same intervals, with a 95 % band for its own uncertainty; where few lives ended the band is wide, and no fit is \
    given where any would do. A life begins at launch, or at relaunch after a curative treatment. Hulls are put under \
    the water and site where they lie now.";

/// The measure of time of a life.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum TimeMeasure {
    /// Years since the life began.
    Years,
    /// Exposure years: what those years come to by the water model, at its central values.
    ExposureYears,
}

/// What lives are put together by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum LifetimeGrouping {
    /// The laminate class.
    LaminateClass,
    /// The skin over the laminate when it was last looked at.
    SkinSystem,
    /// The water where the hull lies.
    Water,
    /// The site where the hull lies.
    Site,
}

/// Water by its salinity.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Water {
    /// Below 0.5 g/kg.
    Fresh,
    /// From 0.5 to under 30 g/kg.
    Brackish,
    /// From 30 g/kg on.
    Salt,
}

impl Water {
    /// That of twelve months, by the mean of their salinities.
    #[must_use]
    pub fn of(months: &[MonthNormals; 12]) -> Self {
        let mean = months.iter().map(|month| month.salinity_g_kg).sum::<f64>() / 12.0;
        if mean < FRESH_BELOW_G_KG {
            Self::Fresh
        } else if mean < SALT_FROM_G_KG {
            Self::Brackish
        } else {
            Self::Salt
        }
    }
}

/// A life of the fleet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FleetLife {
    /// The vessel.
    pub vessel_id: VesselId,
    /// Where it lies.
    pub site_id: Option<SiteId>,
    /// In what water; none where the site is unknown.
    pub water: Option<Water>,
    /// Its laminate.
    pub laminate_class: Option<LaminateClass>,
    /// The life.
    pub life: SeenLife,
}

/// The lives of a vessel that somebody looked at.
#[must_use]
pub fn lives_of(
    vessel_id: VesselId,
    site_id: Option<SiteId>,
    facts: &HullFacts,
    central: &Ensemble,
) -> Vec<FleetLife> {
    let water = facts.site_known.then(|| Water::of(&facts.months));
    seen_lives(facts, central)
        .into_iter()
        .map(|life| FleetLife { vessel_id, site_id, water, laminate_class: facts.laminate_class, life })
        .collect()
}

/// A point of a fitted curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct CurvePoint {
    /// Time, in the measure asked for.
    pub t: f64,
    /// Chance that a life lasts longer, by Turnbull's estimate; null within an interval that holds mass.
    pub turnbull: Option<f64>,
    /// The same by the Weibull fit; null without one.
    pub weibull: Option<f64>,
    /// Lower end of the fit's 95 % band.
    pub lower: Option<f64>,
    /// Upper end.
    pub upper: Option<f64>,
}

/// What the lives of one group tell.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct LifetimeGroup {
    /// The laminate class; null where it is unknown or lives are not put together by it.
    pub laminate_class: Option<LaminateClass>,
    /// The skin; null where lives are not put together by it.
    pub skin_system: Option<SkinSystem>,
    /// The water; null where it is unknown or lives are not put together by it.
    pub water: Option<Water>,
    /// The site; null where it is unknown or lives are not put together by it.
    pub site_id: Option<SiteId>,
    /// The site's name.
    pub site_name: Option<String>,
    /// Hulls behind it.
    pub hulls: u32,
    /// Their lives.
    pub lives: u32,
    /// Lives in which blistering was found.
    pub events: u32,
    /// The Weibull fit; null where the likelihood has no maximum.
    pub weibull: Option<WeibullFit>,
    /// Why there is no fit, where there is none.
    pub no_maximum: Option<NoMaximum>,
    /// Times by which one in ten, and half, have begun to blister, with 95 % intervals.
    pub quantiles: Vec<LifetimeQuantile>,
    /// Turnbull's estimate: the mass of lives that ended in each interval.
    pub turnbull: Vec<TurnbullMass>,
    /// Both curves, evenly along time.
    pub curve: Vec<CurvePoint>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
struct Key {
    laminate_class: Option<LaminateClass>,
    skin_system: Option<SkinSystem>,
    water: Option<Water>,
    site_id: Option<SiteId>,
}

impl Key {
    fn of(life: &FleetLife, by: Option<LifetimeGrouping>) -> Self {
        let mut key = Self::default();
        match by {
            None => {}
            Some(LifetimeGrouping::LaminateClass) => key.laminate_class = life.laminate_class,
            Some(LifetimeGrouping::SkinSystem) => key.skin_system = Some(life.life.system),
            Some(LifetimeGrouping::Water) => key.water = life.water,
            Some(LifetimeGrouping::Site) => key.site_id = life.site_id,
        }
        key
    }

    /// In the order of the words; what is unknown comes last.
    fn place(&self) -> (usize, usize, usize, Option<SiteId>, bool) {
        (
            self.laminate_class.map_or(usize::MAX, |class| class as usize),
            self.skin_system.map_or(usize::MAX, |system| system as usize),
            self.water.map_or(usize::MAX, |water| water as usize),
            self.site_id,
            self.site_id.is_none(),
        )
    }
}

/// When a life ended, by the measure; none where it cannot be told by it.
#[must_use]
pub fn ended(life: &FleetLife, time: TimeMeasure) -> Option<Observation> {
    match time {
        TimeMeasure::Years => life.life.years,
        TimeMeasure::ExposureYears => life.life.exposure_years,
    }
}

/// What the lives tell, group by group; those whose end cannot be told by the measure are left out.
///
/// # Errors
/// Too many lives in one group.
pub fn groups(
    lives: &[FleetLife],
    by: Option<LifetimeGrouping>,
    time: TimeMeasure,
) -> Result<Vec<LifetimeGroup>> {
    let mut sorted: Vec<(Key, Vec<(&FleetLife, Observation)>)> = Vec::new();
    for life in lives {
        let Some(observation) = ended(life, time) else { continue };
        let key = Key::of(life, by);
        match sorted.iter_mut().find(|(known, _)| *known == key) {
            Some((_, members)) => members.push((life, observation)),
            None => sorted.push((key, vec![(life, observation)])),
        }
    }
    sorted.sort_by_key(|(key, _)| key.place());
    sorted.into_iter().map(|(key, members)| group(key, &members)).collect()
}

fn group(key: Key, members: &[(&FleetLife, Observation)]) -> Result<LifetimeGroup> {
    let mut vessels: Vec<VesselId> = members.iter().map(|(life, _)| life.vessel_id).collect();
    vessels.sort_unstable();
    vessels.dedup();
    let observations: Vec<Observation> = members.iter().map(|(_, observation)| *observation).collect();
    let latest = observations.iter().map(|seen| seen.upper.unwrap_or(seen.lower)).fold(0.0, f64::max);
    let part = latest * CURVE_BEYOND / f64::from(CURVE_PARTS);
    let quantiles = [0.1, 0.5].map(|p| QuantileAsked { p, age: 0.0 }).to_vec();
    let at = (0..=CURVE_PARTS).map(|n| part * f64::from(n)).collect();
    let LifetimeOutput { weibull, no_maximum, turnbull, survival, quantiles, .. } =
        lifetime(&LifetimeInput { observations, quantiles, at })?;
    let curve = survival
        .into_iter()
        .map(|point| {
            let band = weibull.map(|fit| fit.survival_band(point.t));
            CurvePoint {
                t: point.t,
                turnbull: point.turnbull,
                weibull: band.map(|(survival, ..)| survival),
                lower: band.map(|(_, lower, _)| lower),
                upper: band.map(|(.., upper)| upper),
            }
        })
        .collect();
    let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    Ok(LifetimeGroup {
        laminate_class: key.laminate_class,
        skin_system: key.skin_system,
        water: key.water,
        site_id: key.site_id,
        site_name: None,
        hulls: count(vessels.len()),
        lives: count(members.len()),
        events: count(members.iter().filter(|(life, _)| life.life.event).count()),
        weibull,
        no_maximum,
        quantiles,
        turnbull,
        curve,
    })
}

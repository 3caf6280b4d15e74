//! What if: the dates a hull would have, were its bilge, its season ashore, its skin or its site other than
//! they are. The new conditions hold from the day of the forecast on; the past stays as it was.

use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use chrono::NaiveDate;

use super::{Computed, DateFields, Outlook, compute};
use crate::error::{Error, Result};
use crate::ids::{SiteId, VesselId};
use crate::science::climate::{MonthNormals, climates};
use crate::science::forecast::dates::DueKind;
use crate::science::forecast::ensemble::Ensemble;
use crate::science::forecast::facts::{Bilge, CoatFact, CoatRole, HullFacts, Intent};

/// What is to change; at least one of them. What is left out stays as it is on record.
#[derive(Debug, Clone, Default, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WhatIf {
    /// How the bilge would be found.
    #[garde(skip)]
    pub bilge: Option<Bilge>,
    /// The season it would usually stand ashore.
    #[garde(dive)]
    pub season_ashore: Option<SeasonAshore>,
    /// A barrier put on over the present skin on the day of the forecast.
    #[garde(dive)]
    pub barrier: Option<AddedBarrier>,
    /// The site where it would lie.
    #[garde(skip)]
    pub site_id: Option<SiteId>,
    /// The named climate in which it would lie (see `/v1/climates`), instead of a site.
    #[garde(length(chars, min = 1, max = 100))]
    #[schema(min_length = 1, max_length = 100)]
    pub climate: Option<String>,
}

/// The months of a season ashore; both left out, or null, for afloat all year.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SeasonAshore {
    /// The first month it would usually stand ashore.
    #[garde(range(min = 1, max = 12))]
    #[schema(minimum = 1, maximum = 12)]
    pub ashore_from_month: Option<u32>,
    /// The last month it would usually stand ashore, that month included.
    #[garde(range(min = 1, max = 12))]
    #[schema(minimum = 1, maximum = 12)]
    pub ashore_until_month: Option<u32>,
}

/// A barrier to think of.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AddedBarrier {
    /// Its dry film, all coats together.
    #[garde(range(min = 1.0, max = 10_000.0))]
    #[schema(minimum = 1, maximum = 10_000)]
    pub dry_film_um: f64,
    /// Its permeability to water by the data sheet, a unit of activity; a default of barriers when left out.
    #[garde(range(min = 1e-14, max = 1e-9))]
    #[schema(minimum = 1e-14, maximum = 1e-9)]
    pub permeability_kg_m_s: Option<f64>,
}

/// A forecast that is told and not kept.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Told {
    /// SHA-256 (hex) of what went in.
    pub inputs_hash: String,
    /// The dates.
    pub dates: Vec<DateFields>,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub outlook: Outlook,
}

impl From<Computed> for Told {
    fn from(computed: Computed) -> Self {
        Self { inputs_hash: computed.inputs_hash, dates: computed.dates, outlook: computed.outlook }
    }
}

/// How a date of one kind would move.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
pub struct DateDifference {
    /// What falls due.
    pub kind: DueKind,
    /// The date as things are; null where there is none within the horizon.
    pub before_on: Option<NaiveDate>,
    /// The date after the change; null where there is none within the horizon.
    pub after_on: Option<NaiveDate>,
    /// Days by which it would come later, negative for sooner; null where one of them is none.
    pub later_days: Option<i64>,
}

/// Days by which the onset of blistering would come later, negative for sooner; null where a date is none.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
pub struct OnsetDifference {
    /// Of the day by which one in ten such hulls has begun.
    pub p10_later_days: Option<i64>,
    /// Of the day by which half have.
    pub p50_later_days: Option<i64>,
    /// Of the day by which nine in ten have.
    pub p90_later_days: Option<i64>,
}

/// The dates as things are, as they would be, and what lies between.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct WhatIfAnswer {
    /// The vessel.
    pub vessel_id: VesselId,
    /// The day of both forecasts, and the first of the new conditions.
    pub as_of: NaiveDate,
    /// Name and version of the model.
    pub model: String,
    /// As things are on record.
    pub before: Told,
    /// As they would be.
    pub after: Told,
    /// How each date would move.
    pub differences: Vec<DateDifference>,
    /// How the onset would move; null where none is forecast.
    pub onset_difference: Option<OnsetDifference>,
}

impl WhatIf {
    /// Refuses changes that are none or contradict each other.
    ///
    /// # Errors
    /// Invalid, at the field.
    pub fn checked(&self) -> Result<()> {
        if self.site_id.is_some() && self.climate.is_some() {
            return Err(Error::field("/climate", "doubled", "comes beside a site. Give one of them."));
        }
        if let Some(season) = self.season_ashore {
            let missing = match (season.ashore_from_month, season.ashore_until_month) {
                (Some(_), None) => Some("/season_ashore/ashore_until_month"),
                (None, Some(_)) => Some("/season_ashore/ashore_from_month"),
                _ => None,
            };
            if let Some(pointer) = missing {
                return Err(Error::field(
                    pointer,
                    "missing",
                    "is missing. Enter both months of the season, or neither for afloat all year.",
                ));
            }
        }
        let asks = self.bilge.is_some()
            || self.season_ashore.is_some()
            || self.barrier.is_some()
            || self.site_id.is_some()
            || self.climate.is_some();
        if asks {
            return Ok(());
        }
        let detail = "asks for no change. Give bilge, season_ashore, barrier, site_id or climate.";
        Err(Error::field("", "missing", detail))
    }

    /// The months of the named climate.
    ///
    /// # Errors
    /// Invalid, where no climate has that name.
    pub fn climate_months(&self) -> Result<Option<[MonthNormals; 12]>> {
        let Some(name) = &self.climate else { return Ok(None) };
        let known = climates().iter().find(|climate| climate.name == name);
        known.map(|climate| Some(climate.months)).ok_or_else(|| {
            Error::field("/climate", "unknown", "is not a named climate. Choose one of /v1/climates.")
        })
    }

    /// Forecasts the hull as it is and as it would be, its months then being `months` where it would move.
    #[must_use]
    pub fn answer(
        &self,
        vessel_id: VesselId,
        facts: &HullFacts,
        months: Option<&[MonthNormals; 12]>,
        ensemble: &Ensemble,
    ) -> WhatIfAnswer {
        let before = compute(facts, ensemble);
        let after = compute(&self.changed(facts, months), ensemble);
        WhatIfAnswer {
            vessel_id,
            as_of: facts.as_of,
            model: before.model.clone(),
            differences: differences(&before.dates, &after.dates),
            onset_difference: onset_difference(&before.outlook, &after.outlook),
            before: before.into(),
            after: after.into(),
        }
    }

    /// The facts as they would be.
    #[must_use]
    pub fn changed(&self, facts: &HullFacts, months: Option<&[MonthNormals; 12]>) -> HullFacts {
        let mut changed = facts.clone();
        let season =
            self.season_ashore.map_or((facts.ashore_from_month, facts.ashore_until_month), |season| {
                (season.ashore_from_month, season.ashore_until_month)
            });
        changed.intent = Some(Intent {
            from: facts.as_of,
            bilge: self.bilge.or(facts.bilge),
            ashore_from_month: season.0,
            ashore_until_month: season.1,
            months: months.copied().unwrap_or(facts.months),
        });
        changed.coats.extend(self.barrier.map(|barrier| CoatFact {
            role: CoatRole::Barrier,
            applied_on: facts.as_of,
            dry_film_um: Some(barrier.dry_film_um),
            permeability_kg_m_s: barrier.permeability_kg_m_s,
            wear_um_per_month_15c: None,
            season_limit_months: None,
            max_days_dry: None,
            film_measured: false,
            film_refused: false,
            removed_on: None,
        }));
        changed
    }
}

fn later_days(before: Option<NaiveDate>, after: Option<NaiveDate>) -> Option<i64> {
    Some((after? - before?).num_days())
}

fn differences(before: &[DateFields], after: &[DateFields]) -> Vec<DateDifference> {
    let on = |dates: &[DateFields], kind| dates.iter().find(|date| date.kind == kind)?.due_on;
    let mut kinds: Vec<DueKind> = before.iter().map(|date| date.kind).collect();
    for date in after {
        if !kinds.contains(&date.kind) {
            kinds.push(date.kind);
        }
    }
    kinds
        .into_iter()
        .map(|kind| {
            let (before_on, after_on) = (on(before, kind), on(after, kind));
            DateDifference { kind, before_on, after_on, later_days: later_days(before_on, after_on) }
        })
        .collect()
}

fn onset_difference(before: &Outlook, after: &Outlook) -> Option<OnsetDifference> {
    let (before, after) = (before.onset?, after.onset?);
    Some(OnsetDifference {
        p10_later_days: later_days(before.p10, after.p10),
        p50_later_days: later_days(before.p50, after.p50),
        p90_later_days: later_days(before.p90, after.p90),
    })
}

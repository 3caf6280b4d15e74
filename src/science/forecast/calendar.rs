//! From dated facts to months afloat and ashore.
//!
//! **Records and pattern.** A recorded haul-out is ashore exactly from its lift to its relaunch. A usual
//! season ashore (first to last month of the pattern) is taken as it stands in every year in which no
//! recorded haul-out touches it; where one does, the record alone tells that season. So a survey lift in
//! summer does not erase the winter, and a winter on record is not counted twice. Before the first record
//! and after the as-of date the pattern is all there is. A hull that is still ashore on the as-of date is
//! taken to be relaunched at the end of the usual season it stands in, otherwise on the as-of date itself.
//! Where it is asked what a change would do, the new conditions and the new pattern hold from its day on, and
//! what was before it stays as it was.
//! A curative treatment is ashore whether or not its haul-out was recorded; the air logged during it goes before the
//! site's normals.

use chrono::{Datelike, NaiveDate};

use super::day;
use super::facts::{Bilge, HullFacts, LoggedAir, TreatmentKind};
use super::priors::Priors;
use super::skins::{self, SkinChange};
use crate::science::climate::MonthNormals;
use crate::science::exposure::Segment;
use crate::science::seawater;

/// Days ashore, from the lift (included) to the relaunch (excluded).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ashore {
    /// Day of the lift.
    pub from: NaiveDate,
    /// Day of the relaunch.
    pub until: NaiveDate,
}

impl Ashore {
    fn touches(self, other: Self) -> bool {
        self.from < other.until && other.from < self.until
    }
}

/// The usual season ashore that begins in `year`.
#[must_use]
pub fn usual_season(year: i32, (from_month, until_month): (u32, u32)) -> Ashore {
    let end = if until_month < from_month { until_month + 12 } else { until_month };
    Ashore { from: day::first_of_month(year, from_month - 1), until: day::first_of_month(year, end) }
}

/// The usual lift that comes last on or before a date.
#[must_use]
pub fn usual_lift_before(date: NaiveDate, pattern: (u32, u32)) -> NaiveDate {
    let this_year = usual_season(date.year(), pattern).from;
    if this_year <= date { this_year } else { usual_season(date.year() - 1, pattern).from }
}

/// The day a hull still ashore is taken to be relaunched.
#[must_use]
pub fn assumed_relaunch(facts: &HullFacts, lifted_on: NaiveDate) -> NaiveDate {
    let standing = Ashore { from: lifted_on, until: day::date_after(facts.as_of) };
    facts
        .coming_ashore_months()
        .into_iter()
        .flat_map(|pattern| {
            (lifted_on.year() - 1..=facts.as_of.year()).map(move |year| usual_season(year, pattern))
        })
        .filter(|season| season.touches(standing))
        .map(|season| season.until)
        .max()
        .map_or(facts.as_of, |until| until.max(facts.as_of))
}

/// The periods ashore between two dates, in order and apart.
#[must_use]
pub fn ashore_periods(facts: &HullFacts, from: NaiveDate, until: NaiveDate) -> Vec<Ashore> {
    let haul_outs = facts.haul_outs.iter().map(|haul_out| Ashore {
        from: haul_out.lifted_on,
        until: haul_out.relaunched_on.unwrap_or_else(|| assumed_relaunch(facts, haul_out.lifted_on)),
    });
    let treatments = facts.treatments.iter().filter(|t| t.kind == TreatmentKind::Curative).map(|treatment| {
        Ashore { from: treatment.started_on, until: treatment.completed_on.unwrap_or(facts.as_of) }
    });
    let recorded: Vec<Ashore> = haul_outs.chain(treatments).collect();
    let seasons = |pattern: Option<(u32, u32)>, within: Ashore| {
        pattern
            .into_iter()
            .flat_map(|pattern| (from.year() - 1..=until.year()).map(move |year| usual_season(year, pattern)))
            .filter(|season| !recorded.iter().any(|record| record.touches(*season)))
            .map(move |season| Ashore {
                from: season.from.max(within.from),
                until: season.until.min(within.until),
            })
            .collect::<Vec<Ashore>>()
    };
    let changed_on = facts.intent.map_or(until, |intent| intent.from.max(from).min(until));
    let mut usual = seasons(facts.ashore_months(), Ashore { from, until: changed_on });
    usual.extend(seasons(facts.coming_ashore_months(), Ashore { from: changed_on, until }));
    let mut periods: Vec<Ashore> = recorded
        .iter()
        .copied()
        .chain(usual)
        .map(|period| Ashore { from: period.from.max(from), until: period.until.min(until) })
        .filter(|period| period.from < period.until)
        .collect();
    periods.sort_by_key(|period| (period.from, period.until));
    periods.dedup_by(|later, earlier| {
        let joined = later.from <= earlier.until;
        if joined {
            earlier.until = earlier.until.max(later.until);
        }
        joined
    });
    periods
}

/// The segments of a hull's history and future, shared by all members.
#[derive(Debug, Clone)]
pub struct Timeline {
    /// Day numbers of the segments' bounds: one more than there are segments.
    pub bounds: Vec<f64>,
    /// The segments, with the nominal resistance of the skin.
    pub segments: Vec<Segment>,
    /// The part of each segment's skin whose film was measured, m² s/kg at 15 °C.
    pub measured_skin_15c_m2_s_kg: Vec<f64>,
    /// Whether a segment is a whole month that equals the one twelve segments earlier.
    pub repeats: Vec<bool>,
}

/// A day within a [`Timeline`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Position {
    /// The segment it falls in.
    pub segment: usize,
    /// The share of that segment that has passed.
    pub fraction: f64,
}

impl Timeline {
    /// Cuts the time from launch to `until` at month ends, lifts, relaunches, changes of skin, and `cuts`.
    #[must_use]
    pub fn build(
        facts: &HullFacts,
        launched_on: NaiveDate,
        until: NaiveDate,
        cuts: &[NaiveDate],
        priors: &Priors,
    ) -> Self {
        let skins = skins::skin_changes(facts, launched_on, priors);
        let periods = ashore_periods(facts, launched_on, until);
        let months = month_conditions(&facts.months, facts.bilge, priors);
        let intended =
            facts.intent.map(|intent| (intent.from, month_conditions(&intent.months, intent.bilge, priors)));

        let mut dates = vec![launched_on, until];
        let count = (until.year() - launched_on.year() + 1).unsigned_abs() * 12;
        dates.extend((0..count).map(|month| day::first_of_month(launched_on.year(), month)));
        dates.extend(skins.iter().map(|change| change.from));
        dates.extend(periods.iter().flat_map(|period| [period.from, period.until]));
        dates.extend(facts.logged_air.iter().flat_map(|air| [air.from, air.until]));
        dates.extend(cuts);
        dates.extend(facts.intent.map(|intent| intent.from));
        dates.retain(|&date| date >= launched_on && date <= until);
        dates.sort_unstable();
        dates.dedup();

        let mut segments: Vec<Segment> = Vec::with_capacity(dates.len());
        let mut measured_skin: Vec<f64> = Vec::with_capacity(dates.len());
        let mut repeats = Vec::with_capacity(dates.len());
        let mut whole_months = Vec::with_capacity(dates.len());
        let mut skin: &[SkinChange] = &skins;
        let mut ashore: &[Ashore] = &periods;
        let mut logged: &[LoggedAir] = &facts.logged_air;
        for pair in dates.windows(2) {
            let [from, to] = [pair[0], pair[1]];
            while skin.get(1).is_some_and(|next| next.from <= from) {
                skin = &skin[1..];
            }
            while ashore.first().is_some_and(|period| period.until <= from) {
                ashore = &ashore[1..];
            }
            let stands_ashore = ashore.first().is_some_and(|period| period.from <= from);
            let months = match &intended {
                Some((changed_on, intended)) if from >= *changed_on => intended,
                _ => &months,
            };
            let conditions = &months[from.month0() as usize];
            while logged.first().is_some_and(|air| air.until <= from) {
                logged = &logged[1..];
            }
            let (temperature_c, outer_activity) = match logged.first().filter(|air| air.from <= from) {
                Some(air) if stands_ashore => (air.surface_temperature_c, air.outer_activity),
                _ if stands_ashore => conditions.ashore,
                _ => conditions.afloat,
            };
            let segment = Segment {
                days: day::number(to) - day::number(from),
                temperature_c,
                outer_activity,
                inner_activity: conditions.inner_activity,
                skin_resistance_15c_m2_s_kg: skin.first().map_or(0.0, |skin| skin.resistance_15c_m2_s_kg),
            };
            let measured = skin.first().map_or(0.0, |skin| skin.measured_15c_m2_s_kg);
            let whole_month = from.day() == 1 && to == day::months_after(from, 1);
            whole_months.push(whole_month);
            let year_before = segments.len().checked_sub(12);
            repeats.push(year_before.is_some_and(|before| {
                let same_film = measured.to_bits() == measured_skin[before].to_bits();
                whole_month
                    && whole_months[before]
                    && same_film
                    && same_conditions(&segments[before], &segment)
            }));
            segments.push(segment);
            measured_skin.push(measured);
        }
        Self {
            bounds: dates.iter().map(|&date| day::number(date)).collect(),
            segments,
            measured_skin_15c_m2_s_kg: measured_skin,
            repeats,
        }
    }

    /// Where a day falls; the first or last bound for days outside.
    #[must_use]
    pub fn position(&self, number: f64) -> Position {
        let last = self.segments.len() - 1;
        let segment = self.bounds.partition_point(|&bound| bound <= number).saturating_sub(1).min(last);
        let fraction = (number - self.bounds[segment]) / (self.bounds[segment + 1] - self.bounds[segment]);
        Position { segment, fraction: fraction.clamp(0.0, 1.0) }
    }
}

/// Equality of conditions, bit for bit: they come from the same table of months.
fn same_conditions(one: &Segment, other: &Segment) -> bool {
    let bits = |segment: &Segment| {
        [
            segment.temperature_c,
            segment.outer_activity,
            segment.inner_activity,
            segment.skin_resistance_15c_m2_s_kg,
        ]
        .map(f64::to_bits)
    };
    bits(one) == bits(other)
}

/// Temperature and outer activity of one month of the year, afloat and ashore.
struct MonthConditions {
    afloat: (f64, f64),
    ashore: (f64, f64),
    inner_activity: f64,
}

fn month_conditions(
    months: &[MonthNormals; 12],
    bilge: Option<Bilge>,
    priors: &Priors,
) -> [MonthConditions; 12] {
    let inner_activity = priors.bilge_activity(bilge.unwrap_or_else(|| priors.unknown_bilge()));
    std::array::from_fn(|month| {
        let normals = &months[month];
        // The activity's formula begins at 0 °C; from there to the freezing point of sea water it changes by far
        // less than 1e-4.
        let water_activity =
            seawater::water_activity(normals.salinity_g_kg, normals.water_temperature_c.max(0.0));
        MonthConditions {
            afloat: (normals.water_temperature_c, water_activity),
            ashore: (normals.air_temperature_c, normals.relative_humidity_pct / 100.0),
            inner_activity,
        }
    })
}

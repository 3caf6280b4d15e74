//! What a hull's page draws: the water through the laminate on chosen days, and the course of the risk that the next
//! inspection is judged by.
//!
//! The water is [`WaterState`] carried through the hull's course member by member, so it obeys the diffusion of
//! [`crate::science::exposure`] (Crank 1975, sections 4.3.6-4.3.7); depth by depth the members are put in order with the
//! weights that the surveys left them. The risk is that of [`super::dates::inspection`]: the chance that blistering has
//! begun since the last clean survey, or since this life began. Valid for what [`super::course::build`] can follow.

use chrono::NaiveDate;

use super::course;
use super::day;
use super::ensemble::Ensemble;
use super::facts::HullFacts;
use super::history::History;
use super::outlook::Outlook;
use super::paths::{Course, Deed, Paths, SkinSpread, hull_water};
use super::quantile::{Quantiles, WeightedSample};
use crate::science::exposure::{Segment, WaterState};

/// Depths at which the water is told, from the outer face to the inner one.
pub const DEPTHS: usize = 25;
/// Years from the day of the forecast at which the water is told.
const WATER_YEARS: [u32; 3] = [0, 5, 10];
/// Steps of the course of the risk.
const STEPS: u32 = 60;
/// The course of the risk goes on so many months after the day of the forecast, and after the limit is reached.
const MONTHS_AHEAD: u32 = 120;
const MONTHS_AFTER_LIMIT: u32 = 36;

/// The water through the laminate on a day.
#[derive(Debug, Clone, PartialEq)]
pub struct WaterProfile {
    /// The day.
    pub on: NaiveDate,
    /// Water activity (0 dry, 1 saturated) at [`DEPTHS`] even steps from the outer face of the laminate to the inner one.
    pub activity: Vec<Quantiles>,
}

/// The risk on a day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RiskOn {
    /// The day.
    pub on: NaiveDate,
    /// Chance that blistering has begun since [`RiskCourse::since`], over all members.
    pub risk: f64,
    /// The chances of the single members.
    pub members: Quantiles,
}

/// How the risk grows from the day the bottom was last known to be sound.
#[derive(Debug, Clone, PartialEq)]
pub struct RiskCourse {
    /// The last clean survey of this life, or its beginning.
    pub since: NaiveDate,
    /// The policy's limit.
    pub limit: f64,
    /// The day the limit is reached; none past the horizon.
    pub reached_on: Option<NaiveDate>,
    /// The course, day after day.
    pub points: Vec<RiskOn>,
}

/// What there is to draw of a hull.
#[derive(Debug, Clone, PartialEq)]
pub struct Portrait {
    /// Thickness of the laminate as it is now.
    pub thickness_mm: f64,
    /// Water activity in a pocket above which blisters grow: the median of what is assumed.
    pub pocket_activity: f64,
    /// The water on the day of the forecast and later.
    pub water: Vec<WaterProfile>,
    /// The risk; none where blistering has been found.
    pub risk: Option<RiskCourse>,
}

/// The portrait of a hull; none where no onset can be followed, or where no forecast can be made of the facts.
#[must_use]
pub fn portrait(facts: &HullFacts, ensemble: &Ensemble) -> Option<Portrait> {
    super::check::check(facts).ok()?;
    let facts = facts.known();
    let history = History::read(&facts);
    let horizon = day::months_after(facts.as_of, 12 * facts.policy.horizon_years);
    let until = day::months_after(horizon, 13);
    let (course, _) = course::build(&facts, &history, until, &ensemble.priors)?;
    let removed_m: f64 = course
        .deeds
        .iter()
        .map(|(_, deed)| match deed {
            Deed::Strip { removed_m, .. } => *removed_m,
            Deed::Launch => 0.0,
        })
        .sum();
    let thickness_mm = (course.thickness_m - removed_m) * 1000.0;
    let paths = Paths::run(&course, ensemble);
    let days: Vec<NaiveDate> = WATER_YEARS
        .map(|years| day::months_after(facts.as_of, 12 * years))
        .into_iter()
        .filter(|&on| on <= horizon)
        .collect();
    let numbers: Vec<f64> = days.iter().map(|&on| day::number(on)).collect();
    let members: Vec<Vec<Vec<f64>>> =
        (0..ensemble.members()).map(|member| water_on(&course, ensemble, member, &numbers)).collect();
    let outlook = Outlook::weigh(course, paths, &history, ensemble, &facts, horizon);
    let water = days
        .iter()
        .enumerate()
        .filter_map(|(n, &on)| {
            let activity = (0..DEPTHS)
                .map(|depth| {
                    let of_member = members.iter().map(|member| member[n][depth]);
                    WeightedSample::new(of_member.zip(outlook.weights())).map(|sample| sample.quantiles())
                })
                .collect::<Option<Vec<Quantiles>>>()?;
            Some(WaterProfile { on, activity })
        })
        .collect();
    let followed = history.current().onset_found.is_none();
    let risk = history.sound_on().filter(|_| followed).map(|since| risk(&outlook, &facts, since, horizon));
    Some(Portrait { thickness_mm, pocket_activity: ensemble.priors.threshold_mean, water, risk })
}

fn risk(outlook: &Outlook, facts: &HullFacts, since: NaiveDate, horizon: NaiveDate) -> RiskCourse {
    let limit = facts.policy.inspection_risk;
    let from = day::number(since);
    let reached_on = day::date_within(outlook.day_at_risk_since(from, limit), horizon);
    let ahead = day::months_after(facts.as_of, MONTHS_AHEAD);
    let until =
        reached_on.map_or(ahead, |on| ahead.max(day::months_after(on, MONTHS_AFTER_LIMIT))).min(horizon);
    let step = (day::number(until) - from) / f64::from(STEPS);
    let points = (0..=STEPS).filter_map(|n| {
        let on = day::date_within(from + step * f64::from(n), until)?;
        let number = day::number(on);
        let members = WeightedSample::new(outlook.member_risks_since(from, number))?.quantiles();
        Some(RiskOn { on, risk: outlook.risk_since(from, number), members })
    });
    RiskCourse { since, limit, reached_on, points: points.collect() }
}

/// The water of a member on some days, in order: activity at [`DEPTHS`] depths.
fn water_on(course: &Course, ensemble: &Ensemble, member: usize, days: &[f64]) -> Vec<Vec<f64>> {
    let mut hull = hull_water(course, ensemble, member);
    let mut skin = SkinSpread::of(ensemble, member, course.first_lives_back);
    let mut state = WaterState::new(&hull, ensemble.priors.launch_activity);
    let mut deeds = course.deeds.iter().peekable();
    let mut days = days.iter().copied().peekable();
    let mut found = Vec::with_capacity(days.len());
    let bounds = &course.timeline.bounds;
    for (at, nominal) in course.timeline.segments.iter().enumerate() {
        while let Some((_, deed)) = deeds.next_if(|(due, _)| *due <= at) {
            if let Deed::Strip { removed_m, lives_back } = *deed {
                state.peel(&mut hull, removed_m);
                let draw = ensemble.life(member, lives_back);
                skin = SkinSpread::of(ensemble, member, lives_back);
                hull.pocket_resistance_m2_s_kg = draw.pocket_resistance_m2_s_kg;
            }
        }
        let segment = Segment {
            skin_resistance_15c_m2_s_kg: skin.resistance(
                nominal.skin_resistance_15c_m2_s_kg,
                course.timeline.measured_skin_15c_m2_s_kg[at],
            ),
            ..*nominal
        };
        while let Some(day) = days.next_if(|&day| day < bounds[at + 1]) {
            let mut then = state.clone();
            then.soak(&hull, &Segment { days: (day - bounds[at]).max(0.0), ..segment });
            found.push(then.profile(&hull, DEPTHS));
        }
        if days.peek().is_none() {
            break;
        }
        state.soak(&hull, &segment);
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::science::climate::climates;
    use crate::science::forecast::dates::{Driver, DueKind};
    use crate::science::forecast::facts::{Bilge, LaminateClass};
    use crate::science::forecast::forecast_with;
    use crate::science::forecast::policy::Policy;
    use crate::science::forecast::priors::Priors;

    fn day_of(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    fn hull(launched_on: &str) -> HullFacts {
        HullFacts {
            as_of: day_of("2026-06-15"),
            length_m: 10.0,
            laminate_class: Some(LaminateClass::Orthophthalic),
            laminate_thickness_mm: Some(8.0),
            gelcoat_thickness_um: Some(600.0),
            cored: false,
            launched_on: Some(day_of(launched_on)),
            built_year: None,
            bilge: Some(Bilge::Dry),
            ashore_from_month: None,
            ashore_until_month: None,
            months: climates()[0].months,
            site_known: true,
            haul_outs: Vec::new(),
            coats: Vec::new(),
            treatments: Vec::new(),
            logged_air: Vec::new(),
            meter_visits: Vec::new(),
            surveys: Vec::new(),
            findings: Vec::new(),
            policy: Policy { inspection_max_months: 120, ..Policy::default() },
            intent: None,
        }
    }

    /// After decades at the same conditions the water falls in a straight line from face to face, and its inner end is
    /// the activity of the bilge (Crank 1975, section 4.3.1: the steady state of a plane sheet).
    #[test]
    fn old_water_lies_in_a_straight_line() {
        let mut facts = hull("1950-01-01");
        let one = facts.months[6];
        facts.months = [one; 12];
        let portrait = portrait(&facts, &Ensemble::central(Priors::default())).expect("a portrait");
        assert_eq!(portrait.water.len(), 3);
        let now = &portrait.water[0].activity;
        let (outer, inner) = (now[0].p50, now[DEPTHS - 1].p50);
        assert!((inner - 0.65).abs() < 1e-6, "the bilge: {inner}");
        assert!(outer > 0.8 && outer < 0.99, "{outer}");
        for (n, at) in now.iter().enumerate() {
            #[expect(clippy::cast_precision_loss, reason = "25 depths")]
            let line = outer + (inner - outer) * n as f64 / (DEPTHS - 1) as f64;
            assert!((at.p50 - line).abs() < 1e-3, "{n}: {} {line}", at.p50);
        }
    }

    /// A young hull is still drier inside than it will be, and every range is in order.
    #[test]
    fn water_comes_in_with_the_years() {
        let portrait =
            portrait(&hull("2024-05-01"), &Ensemble::draw(32, 1, Priors::default())).expect("a portrait");
        let middle = |n: usize| portrait.water[n].activity[DEPTHS / 2].p50;
        assert!(middle(0) < middle(1) && middle(1) < middle(2), "{} {} {}", middle(0), middle(1), middle(2));
        let all = portrait.water.iter().flat_map(|water| &water.activity);
        assert!(all.clone().all(|at| 0.0 <= at.p10 && at.p10 <= at.p50 && at.p50 <= at.p90 && at.p90 <= 1.0));
    }

    /// The limit is crossed on the day that the forecast gives, and the course rises to it.
    #[test]
    fn the_course_of_the_risk_crosses_its_limit_on_the_day_of_the_forecast() {
        let (facts, ensemble) = (hull("2020-05-01"), Ensemble::draw(64, 1, Priors::default()));
        let forecast = forecast_with(&facts, &ensemble).expect("a forecast");
        let due = forecast.dates.iter().find(|due| due.kind == DueKind::Inspection).expect("the row");
        assert_eq!(due.driver, Driver::OnsetRisk, "{due:?}");
        let risk = portrait(&facts, &ensemble).and_then(|portrait| portrait.risk).expect("a course");
        assert_eq!(risk.reached_on, due.due_on);
        assert_eq!(risk.since, day_of("2020-05-01"));
        assert!(risk.points.is_sorted_by(|one, two| one.risk <= two.risk));
        let reached = risk.reached_on.expect("within the horizon");
        for point in &risk.points {
            if (point.on - reached).num_days().abs() > 31 {
                assert_eq!(point.risk >= risk.limit, point.on > reached, "{point:?}");
            }
            assert!(point.members.p10 <= point.members.p50 && point.members.p50 <= point.members.p90);
        }
    }

    #[test]
    fn a_hull_that_cannot_be_followed_has_no_portrait() {
        let ensemble = Ensemble::central(Priors::default());
        assert_eq!(portrait(&HullFacts { cored: true, ..hull("2020-05-01") }, &ensemble), None);
        assert_eq!(portrait(&HullFacts { launched_on: None, ..hull("2020-05-01") }, &ensemble), None);
    }
}

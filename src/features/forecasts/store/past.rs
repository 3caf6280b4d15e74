//! What was known of vessels on an earlier day: of each record the version that stood then.

use std::collections::BTreeMap;

use chrono::{DateTime, Days, NaiveDate, Utc};

use super::facts::{Grounds, Subject, grounds};
use super::records::{Records, records};
use crate::db::Tx;
use crate::error::Result;
use crate::features::coats::store::{self as coats, Coat};
use crate::features::surveys::store as surveys;
use crate::features::surveys::store::finding::Finding;
use crate::features::surveys::store::survey::SignedSurvey;
use crate::features::treatments::store::{self as treatments, Treatment};
use crate::ids::{SurveyId, VesselId};

/// A record first written down longer than this after the day it tells of was entered afterwards, from papers.
const WRITTEN_DOWN_WITHIN: Days = Days::new(31);

/// All that was ever known of a vessel.
#[derive(Debug, Clone)]
pub struct Past {
    /// As it is known today.
    pub subject: Subject,
    /// The name of the vessel.
    pub vessel_name: String,
    records: Records,
    grounds: Grounds,
    surveys: Vec<Vec<SignedSurvey>>,
    findings: Vec<Vec<Finding>>,
    coats: Vec<Vec<Coat>>,
    treatments: Vec<Vec<Treatment>>,
}

impl Past {
    /// The vessel as it was known on a day. Surveys, findings, coats and treatments in the version recorded last by then.
    /// One that was recorded only later counts from its own day on: as it was first written down, or, where that was long
    /// after, from papers, as it stands now. Of the vessel, its haul-outs, readings, films, site and policy only today's state is
    /// kept.
    ///
    /// # Errors
    /// Internal, for words that this version does not know.
    pub fn then(&self, as_of: NaiveDate) -> Result<Subject> {
        let (withdrawn, surveys): (Vec<_>, Vec<_>) =
            known(&self.surveys, as_of, |survey| (survey.recorded_at, survey.fields.surveyed_on))
                .into_iter()
                .partition(|survey| survey.withdrawn);
        let withdrawn: Vec<SurveyId> = withdrawn.into_iter().map(|survey| survey.id).collect();
        let mut records = Records {
            surveys,
            findings: known(&self.findings, as_of, |finding| (finding.recorded_at, finding.fields.found_on))
                .into_iter()
                .filter(|finding| !finding.fields.withdrawn)
                .filter(|finding| finding.fields.survey_id.is_none_or(|id| !withdrawn.contains(&id)))
                .collect(),
            coats: known(&self.coats, as_of, |coat| (coat.recorded_at, coat.fields.applied_on))
                .into_iter()
                .filter(|coat| !coat.fields.withdrawn)
                .collect(),
            treatments: known(&self.treatments, as_of, |treatment| {
                (treatment.recorded_at, treatment.fields.completed_on)
            })
            .into_iter()
            .filter(|treatment| !treatment.fields.withdrawn)
            .collect(),
            ..self.records.clone()
        };
        records.treatments.sort_by_key(|treatment| treatment.fields.started_on);
        self.grounds.subject(&records, as_of)
    }
}

/// Of each record the version known on a day; `of` tells when a version was recorded and the day it tells of.
fn known<T: Clone>(
    all: &[Vec<T>],
    as_of: NaiveDate,
    of: impl Fn(&T) -> (DateTime<Utc>, NaiveDate),
) -> Vec<T> {
    let recorded_on = |version: &T| of(version).0.date_naive();
    all.iter()
        .filter_map(|versions| {
            let (first, current) = (versions.first()?, versions.last()?);
            let standing = versions.iter().rev().find(|version| recorded_on(version) <= as_of);
            let from_papers = recorded_on(first) > of(first).1 + WRITTEN_DOWN_WITHIN;
            Some(standing.unwrap_or(if from_papers { current } else { first }).clone())
        })
        .collect()
}

/// Versions, which come a record's together, by vessel and record.
fn sorted<T, I: PartialEq>(
    versions: Vec<T>,
    of: impl Fn(&T) -> (VesselId, I),
) -> BTreeMap<VesselId, Vec<Vec<T>>> {
    let mut by_vessel: BTreeMap<VesselId, Vec<Vec<T>>> = BTreeMap::new();
    for version in versions {
        let (vessel_id, id) = of(&version);
        let own = by_vessel.entry(vessel_id).or_default();
        match own.last_mut().filter(|last| last.last().is_some_and(|before| of(before).1 == id)) {
            Some(record) => record.push(version),
            None => own.push(vec![version]),
        }
    }
    by_vessel
}

/// All that was ever known of those of the vessels that exist.
///
/// # Errors
/// Those of the database.
pub fn past(tx: &mut Tx<'_>, ids: &[VesselId]) -> Result<Vec<Past>> {
    let found = records(tx, ids)?;
    let mut all_grounds = grounds(tx, &found)?;
    let mut survey_versions =
        sorted(surveys::signed_versions_of_vessels(tx, ids)?, |survey| (survey.vessel_id, survey.id));
    let mut finding_versions =
        sorted(surveys::finding_versions_of_vessels(tx, ids)?, |finding| (finding.vessel_id, finding.id));
    let mut coat_versions =
        sorted(coats::versions_of_vessels(tx, ids)?, |coat| (coat.fields.vessel_id, coat.id));
    let mut treatment_versions = sorted(treatments::versions_of_vessels(tx, ids)?, |treatment| {
        (treatment.fields.vessel_id, treatment.id)
    });
    found
        .into_iter()
        .filter_map(|records| Some((all_grounds.remove(&records.vessel.id)?, records)))
        .map(|(grounds, records)| {
            let id = records.vessel.id;
            Ok(Past {
                subject: grounds.subject(&records, grounds.today)?,
                vessel_name: records.vessel.fields.name.clone(),
                surveys: survey_versions.remove(&id).unwrap_or_default(),
                findings: finding_versions.remove(&id).unwrap_or_default(),
                coats: coat_versions.remove(&id).unwrap_or_default(),
                treatments: treatment_versions.remove(&id).unwrap_or_default(),
                grounds,
                records,
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::{DateTime, NaiveDate, Utc, known};

    #[derive(Debug, Clone, PartialEq)]
    struct Version(i32, &'static str, &'static str);

    fn then(versions: &[Version], as_of: &str) -> Vec<i32> {
        let of = |version: &Version| {
            let recorded_at: DateTime<Utc> = format!("{}T12:00:00Z", version.1).parse().unwrap_or_default();
            let on: NaiveDate = version.2.parse().unwrap_or_default();
            (recorded_at, on)
        };
        known(&[versions.to_vec()], as_of.parse().unwrap_or_default(), of).iter().map(|v| v.0).collect()
    }

    // The rule is this module's own.
    #[test]
    fn a_correction_is_known_from_the_day_it_was_recorded_on() {
        let versions = [Version(1, "2020-05-03", "2020-05-01"), Version(2, "2022-01-10", "2020-05-02")];
        assert_eq!(then(&versions, "2022-01-10"), [2]);
        assert_eq!(then(&versions, "2022-01-09"), [1]);
        assert_eq!(then(&versions, "2020-05-01"), [1], "as first written down, two days later");
    }

    #[test]
    fn what_was_entered_from_papers_is_known_as_it_stands() {
        let versions = [
            Version(1, "2024-01-05", "2012-05-01"),
            Version(2, "2024-01-06", "2012-05-01"),
            Version(3, "2025-01-06", "2012-05-01"),
        ];
        assert_eq!(then(&versions, "2015-01-01"), [3]);
        assert_eq!(then(&versions, "2024-06-01"), [2], "from its recording on by recording");
        assert_eq!(then(&[], "2024-06-01"), [0; 0]);
    }
}

//! The dossier as JSON: everything gathered in one snapshot.

mod facts;
pub mod page;

use std::collections::{BTreeMap, BTreeSet};

use actix_web::{HttpResponse, get};
use chrono::{DateTime, NaiveDate, Utc};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::db::Tx;
use crate::db::paging::PageRequest;
use crate::error::{Error, Result};
use crate::features::attachments::api::AttachmentView;
use crate::features::attachments::store::{self as attachments, Attachment};
use crate::features::coats::api::CoatView;
use crate::features::coats::api::films::FilmView;
use crate::features::dossier::model::readings::{StationValue, by_survey, key};
use crate::features::dossier::store;
use crate::features::forecasts::api::forecast::{self, ForecastView};
use crate::features::haulouts::api::HaulOutView;
use crate::features::surveys::api::findings::FindingView;
use crate::features::surveys::api::stations::StationView;
use crate::features::surveys::model::survey::{SurveyFields, SurveyState};
use crate::features::surveys::store::{self as surveys, reading, station, survey};
use crate::features::treatments::api::TreatmentView;
use crate::features::vessels::api::VesselView;
use crate::features::{accounts, coats, haulouts, sites, treatments, vessels};
use crate::http::problem::ReadProblems;
use crate::http::{App, At, Outcome, Permit};
use crate::ids::{PersonId, SurveyId, TreatmentId, VesselId};
use crate::permissions::Read;
use crate::science::cautions::{ADVISES_ONLY, cautions};
use crate::science::forecast::dates::DueKind;

/// What a dossier is not.
pub const NOT_A_SURVEY: &str = "This dossier says what was recorded of the hull and what is computed from it. It is not a survey and \
     does not say that the hull is sound: a qualified surveyor decides.";
/// What its dates are.
pub const OF_THE_DATES: &str = "The dates are forecasts. Where they are marked prior they rest on general values and not on the history \
     of this fleet; where they are marked learned, on that history.";
/// Records of a kind that are read at most; no hull comes near.
const MOST: i64 = 20_000;

/// All that is known of a hull.
#[derive(Debug, Serialize, ToSchema)]
pub struct Dossier {
    /// What it is not, and what its dates are.
    pub about: Vec<String>,
    /// When it was made: the only thing in it that differs while the record stays.
    pub printed_at: DateTime<Utc>,
    /// The organisation that keeps the record.
    pub organisation: String,
    /// The vessel as the register has it.
    pub vessel: VesselView,
    /// The site where it lies.
    pub site_name: Option<String>,
    /// Launch, lifts, relaunches and the end of service, in order.
    pub history: Vec<DossierEvent>,
    /// Its times ashore.
    pub haul_outs: Vec<HaulOutView>,
    /// Its coats, as they went on.
    pub coats: Vec<CoatView>,
    /// Their films that stand.
    pub films: Vec<FilmView>,
    /// The places where readings are taken.
    pub stations: Vec<StationView>,
    /// Its surveys, the latest first.
    pub surveys: Vec<DossierSurvey>,
    /// What was found, the latest first.
    pub findings: Vec<FindingView>,
    /// Its treatments.
    pub treatments: Vec<DossierTreatment>,
    /// Photographs and certificates, the latest first.
    pub attachments: Vec<AttachmentView>,
    /// What is due next, and why.
    pub forecast: ForecastView,
    /// Who signed which survey.
    pub signatures: Vec<DossierSignature>,
    /// What was corrected, when, by whom and why.
    pub corrections: Vec<DossierCorrection>,
    /// The names of the people whose ids stand in the dossier, as far as they are or were members.
    pub people: Vec<DossierPerson>,
    /// What to mind in the work that the dates lead to.
    pub cautions: Vec<String>,
}

/// What happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum DossierEventKind {
    /// First into the water.
    Launch,
    /// Out of the water.
    Lift,
    /// Into it again.
    Relaunch,
    /// Left for good.
    Retirement,
}

/// A day in the life of the hull.
#[derive(Debug, Serialize, ToSchema)]
pub struct DossierEvent {
    /// The day.
    pub on: NaiveDate,
    /// What happened.
    pub kind: DossierEventKind,
    /// The reason of a lift, and its note.
    pub note: Option<String>,
}

/// A survey, with what was read in it.
#[derive(Debug, Serialize, ToSchema)]
pub struct DossierSurvey {
    /// Its id.
    pub id: SurveyId,
    /// The version shown: the latest signed one, or that of a draft never signed.
    pub version: i32,
    /// Whether it is signed: only then it is evidence.
    pub state: SurveyState,
    /// Whether a correction is being written over the signed version.
    pub correction_open: bool,
    /// What was read, by station.
    pub values: Vec<StationValue>,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: SurveyFields,
}

/// A treatment.
#[derive(Debug, Serialize, ToSchema)]
pub struct DossierTreatment {
    /// Its id; the whole record of one planned here is at `/v1/treatments/{id}/record`.
    pub id: TreatmentId,
    /// Preventive or curative.
    pub kind: String,
    /// Whether it was planned here, with a record of its steps.
    pub planned: bool,
    /// Whether it is done.
    pub done: bool,
    /// The day it is to start, of one planned here.
    pub starts_on: Option<NaiveDate>,
    /// As it was recorded, when it was done.
    pub recorded: Option<TreatmentView>,
    /// What named people answer for.
    pub decisions: Vec<DossierDecision>,
}

/// What a named person answers for.
#[derive(Debug, Serialize, ToSchema)]
pub struct DossierDecision {
    /// Acceptance, override or closing.
    pub kind: String,
    /// The hold that was overridden.
    pub hold: Option<String>,
    /// When.
    pub happened_at: DateTime<Utc>,
    /// By whom.
    pub person_name: Option<String>,
    /// What makes them qualified.
    pub qualification: Option<String>,
    /// Why, or how.
    pub note: Option<String>,
}

/// A signature.
#[derive(Debug, Serialize, ToSchema)]
pub struct DossierSignature {
    /// The survey.
    pub survey_id: SurveyId,
    /// The version that was signed.
    pub version: i32,
    /// The day of the survey.
    pub surveyed_on: NaiveDate,
    /// When it was signed.
    pub signed_at: DateTime<Utc>,
    /// By whom.
    pub signed_by: PersonId,
    /// Whether it is the version that counts.
    pub in_force: bool,
}

/// A correction.
#[derive(Debug, Serialize, ToSchema)]
pub struct DossierCorrection {
    /// The kind of record: survey, reading, finding, coat, treatment or attachment.
    pub record: String,
    /// Its id.
    pub id: Uuid,
    /// The version that corrects; those before are kept.
    pub version: i32,
    /// Whether it withdraws the record, as entered in error.
    pub withdrawn: bool,
    /// Why.
    pub reason: String,
    /// When.
    pub recorded_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
}

/// A person.
#[derive(Debug, Serialize, ToSchema)]
pub struct DossierPerson {
    /// The id.
    pub person_id: PersonId,
    /// The name.
    pub display_name: String,
}

/// The dossier, and its attachments as they are stored.
pub(super) fn gathered(tx: &mut Tx<'_>, id: VesselId) -> Result<(Dossier, Vec<Attachment>)> {
    let vessel = vessels::store::read(tx, id)?;
    let site_name = match vessel.fields.site_id {
        Some(site_id) => Some(sites::store::read(tx, site_id)?.fields.name),
        None => None,
    };
    let mut haul_outs = haulouts::store::of_vessel(tx, id)?;
    haul_outs.sort_by_key(|haul_out| (haul_out.fields.lifted_on, haul_out.id));
    let attached = attachments::of_vessel(tx, id)?;
    let forecast = forecast::kept(tx, id)?;
    let findings = surveys::findings_of_vessels(tx, &[id])?;
    let signatures = store::signatures(tx, id)?;
    let corrections = store::corrections(tx, id)?;
    let stations = stations(tx, id)?;
    let surveys = surveys(tx, id, &stations)?;
    let people = people(tx, &signatures, &corrections, &attached)?;
    let works = forecast.dates.iter().map(|date| date.kind).chain([DueKind::Inspection]);
    let cautions = cautions(works.flat_map(|kind| kind.works().iter().copied()));
    let in_force: BTreeSet<(SurveyId, i32)> =
        surveys.iter().map(|survey| (survey.id, survey.version)).collect();
    let dossier = Dossier {
        about: vec![NOT_A_SURVEY.to_owned(), OF_THE_DATES.to_owned(), ADVISES_ONLY.to_owned()],
        printed_at: tx.now(),
        organisation: accounts::store::organisation(tx)?.fields.name,
        history: history(&vessel, &haul_outs)?,
        vessel: vessel.into(),
        site_name,
        haul_outs: haul_outs.into_iter().map(HaulOutView::from).collect(),
        coats: coats::store::of_vessels(tx, &[id])?.into_iter().map(CoatView::from).collect(),
        films: coats::store::film::of_vessels(tx, &[id])?.into_iter().map(FilmView::from).collect(),
        stations,
        surveys,
        findings: findings.into_iter().rev().map(FindingView::from).collect(),
        treatments: treatments(tx, id)?,
        attachments: attached.iter().cloned().map(AttachmentView::from).collect(),
        forecast,
        signatures: signatures
            .into_iter()
            .map(|signature| DossierSignature {
                in_force: in_force.contains(&(signature.survey_id, signature.version)),
                survey_id: signature.survey_id,
                version: signature.version,
                surveyed_on: signature.surveyed_on,
                signed_at: signature.signed_at,
                signed_by: signature.signed_by,
            })
            .collect(),
        corrections: corrections.into_iter().map(DossierCorrection::from).collect(),
        people,
        cautions: cautions.into_iter().map(str::to_owned).collect(),
    };
    Ok((dossier, attached))
}

impl From<store::Correction> for DossierCorrection {
    fn from(correction: store::Correction) -> Self {
        Self {
            record: correction.record,
            id: correction.id,
            version: correction.version,
            withdrawn: correction.withdrawn,
            reason: correction.reason,
            recorded_at: correction.recorded_at,
            recorded_by: correction.recorded_by,
        }
    }
}

fn history(
    vessel: &vessels::store::Vessel,
    haul_outs: &[haulouts::store::HaulOut],
) -> Result<Vec<DossierEvent>> {
    let mut events = Vec::new();
    let mut add = |on: Option<NaiveDate>, kind, note| {
        events.extend(on.map(|on| DossierEvent { on, kind, note }));
    };
    add(vessel.fields.launched_on, DossierEventKind::Launch, None);
    for haul_out in haul_outs {
        let reason = crate::codes::to_text(&haul_out.fields.reason)?.replace('_', " ");
        let note =
            haul_out.fields.note.as_ref().map_or_else(|| reason.clone(), |note| format!("{reason}: {note}"));
        add(Some(haul_out.fields.lifted_on), DossierEventKind::Lift, Some(note));
        add(haul_out.fields.relaunched_on, DossierEventKind::Relaunch, None);
    }
    add(vessel.fields.retired_on, DossierEventKind::Retirement, None);
    events.sort_by_key(|event| event.on);
    Ok(events)
}

fn whole() -> PageRequest {
    PageRequest { limit: MOST, after: None }
}

/// The stations of a vessel, in the order people count.
///
/// # Errors
/// Those of the database.
pub fn stations(tx: &mut Tx<'_>, id: VesselId) -> Result<Vec<StationView>> {
    let mut stations: Vec<StationView> =
        station::list(tx, Some(id), None, whole())?.items.into_iter().map(StationView::from).collect();
    stations.sort_by_key(|station| key(&station.fields.code));
    Ok(stations)
}

/// The latest signed version of each survey, or the draft of one never signed; the latest first.
///
/// # Errors
/// Those of the database.
pub fn surveys(tx: &mut Tx<'_>, id: VesselId, stations: &[StationView]) -> Result<Vec<DossierSurvey>> {
    let codes = stations.iter().map(|station| (station.id, station.fields.code.clone())).collect();
    let filter = reading::ReadingFilter { vessel_id: Some(id), ..reading::ReadingFilter::default() };
    let mut readings: Vec<_> = reading::list(tx, filter, whole())?.items;
    readings.sort_by_key(|reading| reading.id);
    let readings: Vec<_> = readings.into_iter().map(|reading| reading.fields).collect();
    let mut values = by_survey(&readings, &codes);
    let mut signed: BTreeMap<SurveyId, survey::SignedSurvey> =
        surveys::signed_of_vessels(tx, &[id])?.into_iter().map(|signed| (signed.id, signed)).collect();
    let of_vessel = survey::SurveyFilter { vessel_id: Some(id), ..survey::SurveyFilter::default() };
    let mut shown: Vec<DossierSurvey> = survey::list(tx, of_vessel, whole())?
        .items
        .into_iter()
        .map(|current| {
            let (version, state, fields) = match signed.remove(&current.id) {
                Some(signed) => (signed.version, SurveyState::Signed, signed.fields),
                None => (current.version, SurveyState::Draft, current.fields),
            };
            DossierSurvey {
                id: current.id,
                version,
                state,
                correction_open: current.version != version,
                values: values.remove(&current.id).unwrap_or_default(),
                fields,
            }
        })
        .collect();
    shown.sort_by_key(|survey| std::cmp::Reverse((survey.fields.surveyed_on, survey.id)));
    Ok(shown)
}

/// Those planned here, and those recorded as already done.
fn treatments(tx: &mut Tx<'_>, id: VesselId) -> Result<Vec<DossierTreatment>> {
    let mut decisions: BTreeMap<TreatmentId, Vec<DossierDecision>> = BTreeMap::new();
    for decision in store::decisions(tx, id)? {
        decisions.entry(decision.treatment_id).or_default().push(DossierDecision {
            kind: decision.kind,
            hold: decision.hold,
            happened_at: decision.happened_at,
            person_name: decision.person_name,
            qualification: decision.qualification,
            note: decision.note,
        });
    }
    let mut recorded: BTreeMap<TreatmentId, TreatmentView> = treatments::store::of_vessels(tx, &[id])?
        .into_iter()
        .map(|treatment| (treatment.id, treatment.into()))
        .collect();
    let mut all: Vec<DossierTreatment> = store::planned(tx, id)?
        .into_iter()
        .map(|plan| DossierTreatment {
            id: plan.id,
            kind: plan.kind,
            planned: true,
            done: plan.closed,
            starts_on: plan.starts_on,
            recorded: recorded.remove(&plan.id),
            decisions: decisions.remove(&plan.id).unwrap_or_default(),
        })
        .collect();
    for (id, view) in recorded {
        let kind = crate::codes::to_text(&view.fields.kind)?;
        all.push(DossierTreatment {
            id,
            kind,
            planned: false,
            done: true,
            starts_on: None,
            recorded: Some(view),
            decisions: Vec::new(),
        });
    }
    all.sort_by_key(|treatment| {
        let started = treatment.recorded.as_ref().map(|recorded| recorded.fields.started_on);
        (started.or(treatment.starts_on).unwrap_or(NaiveDate::MAX), treatment.id)
    });
    Ok(all)
}

fn people(
    tx: &mut Tx<'_>,
    signatures: &[store::Signature],
    corrections: &[store::Correction],
    attachments: &[Attachment],
) -> Result<Vec<DossierPerson>> {
    let ids: BTreeSet<PersonId> = signatures
        .iter()
        .map(|signature| signature.signed_by)
        .chain(corrections.iter().filter_map(|correction| correction.recorded_by))
        .chain(attachments.iter().filter_map(|attachment| attachment.created_by))
        .collect();
    let ids: Vec<PersonId> = ids.into_iter().collect();
    let named = store::names(tx, &ids)?;
    Ok(named.into_iter().map(|(person_id, display_name)| DossierPerson { person_id, display_name }).collect())
}

/// The dossier of a hull: all that is known of it.
#[utoipa::path(tag = "dossier", security(("bearer" = [])), params(("id" = VesselId, Path, description = "The vessel")),
    responses((status = 200, description = "The dossier", body = Dossier), ReadProblems))]
#[get("/v1/vessels/{id}/dossier")]
pub async fn read_dossier(app: App, permit: Permit<Read>, id: At<VesselId>) -> Outcome {
    let json = app
        .snapshot(&permit, move |tx| {
            let (dossier, _) = gathered(tx, id.0)?;
            serde_json::to_string(&dossier).map_err(Error::internal)
        })
        .await?;
    Ok(HttpResponse::Ok().content_type("application/json").body(json))
}

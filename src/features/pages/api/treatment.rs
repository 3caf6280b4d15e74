//! A treatment: what comes next and what is missing, the climate and the clock of the coats, what is to be bought, what
//! was done.

use actix_web::HttpRequest;
use actix_web::http::StatusCode;
use askama::Template;
use serde::Deserialize;

use super::act_form::{ActForm, Typed};
use super::drying::{Shown, not_accepted, shown, washes};
use super::entry::all;
use super::form;
use super::frame::{Frame, organisation_name, send_as};
use super::marks::day;
use super::session::PagePermit;
use super::treatment_climate::{Climate, Clock, climate, clocks};
use super::treatment_forms::Forms;
use super::yard_words::{LocalTime, for_people, headed, number, word};
use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::features::haulouts::store as haulouts;
use crate::features::products::store::{self as products, Product, ProductFilter};
use crate::features::surveys::model::survey::SurveyState;
use crate::features::surveys::store::survey::{self, SurveyFilter};
use crate::features::treatments::api::plan::{UnderWay, read_under_way};
use crate::features::treatments::api::quantities::{PurchaseList, purchase_list};
use crate::features::treatments::model::entry::{Entry, StepState, TreatmentState};
use crate::features::treatments::model::next::NextAnswer;
use crate::features::treatments::model::plan::StepKind;
use crate::features::treatments::store::plan;
use crate::features::vessels::store as vessels;
use crate::features::{accounts, treatments};
use crate::http::problem::status;
use crate::http::{App, At, Outcome};
use crate::ids::{PersonId, SurveyId, TreatmentId, VesselId};
use crate::permissions::{Permission, Powers, Read, RecordWork, Survey as WriteSurvey};

/// A treatment with the forms that are possible now.
#[derive(Debug)]
pub struct Loaded {
    /// The treatment.
    pub under_way: UnderWay,
    /// The products there are.
    pub products: Vec<Product>,
    /// The organisation's clock.
    pub local: LocalTime,
    /// The forms.
    pub acts: Vec<ActForm>,
}

impl Loaded {
    /// Loads it, with the forms that are possible now, or every one.
    ///
    /// # Errors
    /// Not found; those of the database.
    pub fn of(
        tx: &mut Tx<'_>,
        id: TreatmentId,
        person_id: Option<PersonId>,
        powers: &Powers,
        every: bool,
    ) -> Result<Self> {
        let under_way = match read_under_way(tx, id) {
            Err(error) if error.code == Code::NotFound => return Err(without_a_plan(tx, id, error)),
            other => other?,
        };
        let products =
            all(|page| products::list(tx, ProductFilter { role: None, updated_since: None }, page))?;
        let local = LocalTime::of(tx)?;
        let names = accounts::store::names_of(tx, &person_id.into_iter().collect::<Vec<_>>())?;
        let person = names.into_iter().next().map(|(_, name)| name).unwrap_or_default();
        let acts = Forms { under_way: &under_way, products: &products, person, powers, local, every }.all();
        Ok(Self { under_way, products, local, acts })
    }
}

/// A treatment can be recorded as done without ever having been planned here.
fn without_a_plan(tx: &mut Tx<'_>, id: TreatmentId, error: Error) -> Error {
    match treatments::api::read(tx, id) {
        Ok(done) => Error::new(
            Code::NotFound,
            format!(
                "This treatment was recorded when it was done, from {} to {}. It has no plan, and so no steps to show.",
                day(done.fields.started_on),
                day(done.fields.completed_on)
            ),
        ),
        Err(_) => error,
    }
}

/// An act that was refused.
#[derive(Debug)]
pub struct Refused {
    /// Which.
    pub act: String,
    /// What was typed.
    pub typed: Typed,
    /// Why.
    pub error: Error,
}

/// The error with its pointers out of a list of one.
#[must_use]
pub fn out_of(mut error: Error, prefix: &str) -> Error {
    for field in &mut error.fields {
        if let Some(own) = field.pointer.strip_prefix(prefix) {
            field.pointer = own.to_owned();
        }
    }
    error
}

/// What is missing, and the form or page that supplies it.
struct Missing {
    detail: String,
    link: Option<(String, &'static str)>,
}

struct Next {
    zone: String,
    class: &'static str,
    answer: &'static str,
    detail: String,
    missing: Vec<Missing>,
    cautions: Vec<&'static str>,
}

struct StepRow {
    step: String,
    zone: String,
    class: &'static str,
    state: &'static str,
    done: String,
    asks: String,
}

struct EntryRow {
    when: String,
    what: String,
    who: String,
    note: String,
    withdrawn: bool,
    stands_out: bool,
}

#[derive(Template)]
#[template(path = "treatment.html")]
struct TreatmentPage {
    frame: Frame,
    id: TreatmentId,
    vessel_id: VesselId,
    vessel: String,
    haul_out: String,
    kind: String,
    state: &'static str,
    done: Option<String>,
    problems: Vec<String>,
    next: Vec<Next>,
    climate: Option<Climate>,
    clocks: Vec<Clock>,
    drying: Option<Shown>,
    drafts: Vec<(SurveyId, String)>,
    may_survey: bool,
    /// Where the plan is changed, or what was done corrected: address and words.
    change: Option<(String, &'static str)>,
    acts: Vec<ActForm>,
    steps: Vec<StepRow>,
    quantities: PurchaseList,
    entries: Vec<EntryRow>,
    advice: Vec<String>,
    note: String,
    cautions: Vec<&'static str>,
    zone_name: &'static str,
}

#[expect(clippy::unused_self, reason = "the template calls methods")]
impl TreatmentPage {
    fn word(&self, code: &impl serde::Serialize) -> String {
        headed(code)
    }
    fn number(&self, value: &f64) -> String {
        number(*value)
    }
}

fn supply(
    code: &str,
    acts: &[ActForm],
    vessel_id: VesselId,
    drafts: &[(SurveyId, String)],
) -> Option<(String, &'static str)> {
    let act = match code {
        "readings_not_accepted" => {
            let draft = drafts.first().map(|(id, _)| format!("/surveys/{id}/entry"));
            return Some((
                draft.unwrap_or_else(|| format!("/vessels/{vessel_id}/surveys/new")),
                "Take readings",
            ));
        }
        "step_not_done" => ("step_done", "Enter that a step is done"),
        "coats_missing" => ("coat", "Record a coat"),
        "blush_wash_missing" => ("blush_wash", "Enter the wash of the blush"),
        "abrasion_missing" => ("abrasion", "Enter an abrasion"),
        "climate_not_known" | "overcoating_unknown" | "immersion_not_known" | "cure_climate_not_known" => {
            ("climate", "Enter the climate")
        }
        code if code.starts_with("film") => ("film", "Record a film"),
        _ => return None,
    };
    acts.iter().any(|form| form.act == act.0).then(|| (format!("#{}", act.0), act.1))
}

fn nexts(loaded: &Loaded, drafts: &[(SurveyId, String)]) -> Vec<Next> {
    let plan = &loaded.under_way.plan;
    let told = plan.next.iter().map(|next| {
        let (class, answer) = match next.answer {
            NextAnswer::Accept => ("wait", "Accept first"),
            NextAnswer::Go => ("go", "Go on"),
            NextAnswer::Wait => ("wait", "Wait"),
        };
        let missing = next.holds.iter().map(|hold| Missing {
            detail: match &loaded.under_way.drying {
                Some(drying)
                    if hold.code == "readings_not_accepted"
                        && drying.stations.iter().any(|own| own.zone == hold.zone) =>
                {
                    not_accepted(drying, hold.zone)
                }
                _ => for_people(&hold.detail),
            },
            link: supply(hold.code, &loaded.acts, plan.vessel_id, drafts),
        });
        // The sentence ends with the first hold, which stands in the list.
        let detail = next.detail.split(" It waits: ").next().unwrap_or_default();
        let works = next.step.map(StepKind::works).unwrap_or_default();
        Next {
            zone: word(&next.zone),
            class,
            answer,
            detail: for_people(detail),
            missing: missing.collect(),
            cautions: works.iter().map(|work| work.caution()).collect(),
        }
    });
    told.collect()
}

fn steps(loaded: &Loaded) -> Vec<StepRow> {
    let row = |step: &crate::features::treatments::api::plan::StepView| {
        let (class, state) = match step.state {
            StepState::Done => ("done", "done"),
            StepState::Open => ("open", "its turn"),
            StepState::Waiting => ("waiting", "waits"),
        };
        let done = step.done.as_ref().map(|entry| {
            let who =
                entry.fields.person_name.as_ref().map_or_else(String::new, |name| format!(" by {name}"));
            let note = entry.fields.note.as_ref().map_or_else(String::new, |note| format!(": {note}"));
            format!("{}{who}{note}", loaded.local.time(entry.fields.happened_at))
        });
        let planned = loaded.under_way.plan.fields.steps.iter().find(|own| own.step == step.step);
        let coats =
            planned.and_then(|own| own.coats).map_or_else(String::new, |coats| format!(", {coats} coats"));
        StepRow {
            step: format!("{}{coats}", headed(&step.step)),
            zone: word(&step.zone),
            class,
            state,
            done: done.unwrap_or_default(),
            asks: for_people(step.evidence),
        }
    };
    loaded.under_way.plan.progress.iter().map(row).collect()
}

fn entry_row(entry: &Entry, local: &LocalTime) -> EntryRow {
    let fields = &entry.fields;
    let mut what = headed(&fields.kind);
    for part in
        [fields.hold.as_ref().map(word), fields.step.as_ref().map(word), fields.zone.as_ref().map(word)]
            .into_iter()
            .flatten()
    {
        what.push_str(", ");
        what.push_str(&part);
    }
    let who = [fields.person_name.clone(), fields.qualification.clone()];
    EntryRow {
        when: local.time(fields.happened_at),
        what,
        who: who.into_iter().flatten().collect::<Vec<_>>().join(", "),
        note: fields.note.clone().unwrap_or_default(),
        withdrawn: entry.withdrawn,
        stands_out: fields.kind.is_decision(),
    }
}

fn state_words(state: TreatmentState) -> &'static str {
    match state {
        TreatmentState::Planned => "planned, not accepted",
        TreatmentState::Accepted => "accepted, work has not begun",
        TreatmentState::Running => "under way",
        TreatmentState::Closed => "closed",
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Asked {
    done: Option<String>,
}

/// The page of a treatment.
///
/// # Errors
/// Not found; those of the database.
pub async fn show(app: App, request: HttpRequest, permit: PagePermit<Read>, id: At<TreatmentId>) -> Outcome {
    page(app, request, &permit, id.0, None).await
}

/// The page, with an act that was refused shown again.
///
/// # Errors
/// Not found; those of the database.
pub async fn page<P: Permission>(
    app: App,
    request: HttpRequest,
    permit: &PagePermit<P>,
    id: TreatmentId,
    refused: Option<Refused>,
) -> Outcome {
    let asked: Option<Asked> = form::query(&request).ok();
    let (powers, person_id) = (permit.0.powers().clone(), permit.0.actor().person_id);
    let may_survey = super::entry::may::<WriteSurvey>(&powers);
    let may_work = super::entry::may::<RecordWork>(&powers);
    let loaded = app
        .read(&permit.0, move |tx| {
            let loaded = Loaded::of(tx, id, person_id, &powers, false)?;
            let (vessel_id, haul_out_id) =
                (loaded.under_way.plan.vessel_id, loaded.under_way.plan.haul_out_id);
            let vessel = vessels::read(tx, vessel_id)?;
            let haul_out = haulouts::read(tx, haul_out_id)?;
            let plan = plan::read(tx, id)?;
            let quantities = purchase_list(tx, &[plan])?;
            let washes = washes(tx, id)?;
            let mut drafts = all(|page| {
                survey::list(tx, SurveyFilter { vessel_id: Some(vessel_id), ..Default::default() }, page)
            })?;
            drafts.retain(|s| s.fields.haul_out_id == Some(haul_out_id) && s.state() == SurveyState::Draft);
            drafts.sort_by_key(|s| std::cmp::Reverse(s.fields.surveyed_on));
            let drafts: Vec<(SurveyId, String)> =
                drafts.into_iter().map(|draft| (draft.id, day(draft.fields.surveyed_on))).collect();
            Ok((loaded, vessel, haul_out, quantities, washes, drafts, organisation_name(tx)?))
        })
        .await?;
    let (loaded, vessel, haul_out, quantities, washes, drafts, organisation) = loaded;
    let (climate, clocks, steps, next) =
        (climate(&loaded)?, clocks(&loaded), steps(&loaded), nexts(&loaded, &drafts));
    let Loaded { under_way, local, acts, .. } = loaded;
    let plan = under_way.plan;
    let drying = under_way
        .drying
        .as_ref()
        .filter(|drying| !drying.stations.is_empty() || plan.state != TreatmentState::Closed);
    let drying = drying.map(|drying| shown(drying, &washes, &local));
    let (mut code, mut problems) = (StatusCode::OK, Vec::new());
    if let Some(refused) = &refused {
        code = status(refused.error.code);
        if !acts.iter().any(|form| form.act == refused.act) {
            problems.push(for_people(&refused.error.detail));
        }
    }
    let done = asked.and_then(|asked| asked.done).filter(|_| refused.is_none());
    let done = done.filter(|act| act.len() < 20 && act.chars().all(|c| c.is_ascii_lowercase() || c == '_'));
    let again = |form: ActForm| match &refused {
        Some(refused) if refused.act == form.act => form.refused(&refused.typed, &refused.error),
        _ => form,
    };
    let until = haul_out
        .fields
        .relaunched_on
        .map_or_else(|| "ashore now".to_owned(), |on| format!("relaunched {}", day(on)));
    let title = format!("{}: {} treatment", vessel.fields.name, word(&plan.fields.kind));
    let frame = Frame::of(&request, organisation, "vessels", title)?;
    let (token, may_add) = (frame.form.clone(), frame.keeps_register());
    let acts =
        acts.into_iter().map(|form| ActForm { token: token.clone(), may_add, ..again(form) }).collect();
    let entries = plan.entries.iter().rev().map(|entry| entry_row(entry, &local)).collect();
    let page = TreatmentPage {
        frame,
        id,
        vessel_id: vessel.id,
        vessel: vessel.fields.name,
        haul_out: format!("lifted {}, {until}", day(haul_out.fields.lifted_on)),
        kind: headed(&plan.fields.kind),
        state: state_words(plan.state),
        done: done.map(|act| headed(&act)),
        problems,
        next,
        climate,
        clocks,
        drying,
        drafts,
        may_survey,
        change: match plan.state {
            TreatmentState::Planned | TreatmentState::Accepted => {
                Some((format!("/treatments/{id}/plan"), "Change the plan"))
            }
            TreatmentState::Running => None,
            TreatmentState::Closed => {
                Some((format!("/treatments/{id}/correction"), "Correct what is recorded"))
            }
        }
        .filter(|_| may_work),
        acts,
        steps,
        quantities,
        entries,
        advice: plan.advice.reasons,
        note: plan.fields.note.unwrap_or_default(),
        cautions: plan.cautions,
        zone_name: local.zone_name(),
    };
    send_as(code, &page)
}

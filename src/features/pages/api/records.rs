//! All that is recorded of a hull, each with the way to correct it, and the forms for what is new.

use actix_web::HttpRequest;
use actix_web::http::StatusCode;
use askama::Template;

use super::act_form::{ActForm, Field, Kind, fresh_id};
use super::entry::{all, may};
use super::form;
use super::frame::{Frame, organisation_name, send_as};
use super::marks::day;
use super::record_forms::{self, finding_words, lift_words};
use super::session::PagePermit;
use super::treatment::Refused;
use super::yard_words::{LocalTime, for_people, headed, number, word};
use crate::db::Tx;
use crate::error::Result;
use crate::features::coats::store as coats;
use crate::features::haulouts::model::HaulOutFields;
use crate::features::haulouts::store::{self as haulouts, HaulOut};
use crate::features::products::store::{self as products, Product, ProductFilter};
use crate::features::surveys::model::finding::FindingState;
use crate::features::surveys::model::survey::SurveyState;
use crate::features::surveys::store::findings_of_vessels;
use crate::features::surveys::store::survey::{self, Survey, SurveyFilter};
use crate::features::treatments::api::launch::warnings;
use crate::features::treatments::model::entry::{TreatmentState, state};
use crate::features::treatments::store as treatments;
use crate::features::treatments::store::plan::{PlansOf, entries_of, plans};
use crate::features::vessels::store::{self as vessels, Vessel};
use crate::http::problem::status;
use crate::http::{App, At, Outcome};
use crate::ids::{SurveyId, TreatmentId, VesselId};
use crate::permissions::{
    KeepRegister, Permission, Powers, Read, RecordReadings, RecordWork, Survey as WriteSurvey,
};
use crate::science::cautions::Work;

/// What withdrawing a survey means.
pub const SURVEY_WITHDRAWN: &str = "It stays in the history with the reason. It counts for nothing, nor does what was read and found in it, and the dates of the hull are computed again.";

/// What the forms of a hull are made of.
pub struct Hull {
    /// The vessel.
    pub vessel: Vessel,
    /// Its times ashore, the earliest first.
    pub lifts: Vec<HaulOut>,
    surveys: Vec<Survey>,
    /// Surveys entered in error.
    withdrawn: Vec<Survey>,
    products: Vec<Product>,
    /// The organisation's clock.
    pub local: LocalTime,
    /// What to look at before the relaunch.
    before_launch: Vec<String>,
}

impl Hull {
    /// Loads them.
    ///
    /// # Errors
    /// Not found; those of the database.
    pub fn of(tx: &mut Tx<'_>, id: VesselId) -> Result<Self> {
        let vessel = vessels::read(tx, id)?;
        let lifts = haulouts::of_vessel(tx, id)?;
        let filter = SurveyFilter { vessel_id: Some(id), withdrawn: true, ..SurveyFilter::default() };
        let mut surveys = all(|page| survey::list(tx, filter, page))?;
        surveys.sort_by_key(|survey| (survey.fields.surveyed_on, survey.id));
        let (withdrawn, surveys) = surveys.into_iter().partition(|survey| survey.withdrawn);
        let products =
            all(|page| products::list(tx, ProductFilter { role: None, updated_since: None }, page))?;
        let local = LocalTime::of(tx)?;
        let mut before_launch = Vec::new();
        if let Some(open) = lifts.iter().rfind(|lift| lift.fields.relaunched_on.is_none()) {
            // As if it were relaunched today.
            let fields = HaulOutFields { relaunched_on: Some(local.today()), ..open.fields.clone() };
            let found = warnings(tx, &HaulOut { fields, ..open.clone() })?;
            before_launch.extend(found.iter().map(|warning| for_people(&warning.detail)));
        }
        Ok(Self { vessel, lifts, surveys, withdrawn, products, local, before_launch })
    }

    /// The time ashore that has not ended.
    #[must_use]
    pub fn ashore(&self) -> Option<&HaulOut> {
        self.lifts.iter().rfind(|lift| lift.fields.relaunched_on.is_none())
    }

    fn form(
        &self,
        act: &'static str,
        title: &str,
        door: &str,
        button: &'static str,
        fields: Vec<Field>,
    ) -> ActForm {
        let action = format!("/vessels/{}/{door}", self.vessel.id);
        ActForm::new(act, title, action, button, fields)
    }

    /// Every form, whether it is shown now or not: one that is sent twice is read twice, and makes one.
    #[must_use]
    pub fn forms(&self) -> Vec<ActForm> {
        let new =
            |fields: Vec<Field>| std::iter::once(Field::unseen("id", fresh_id())).chain(fields).collect();
        let today = self.local.today();
        let mut relaunch = self.form(
            "relaunch",
            "It went back into the water",
            "work",
            "Record the relaunch",
            vec![
                Field::unseen(
                    "haul_out_id",
                    self.ashore().map(|lift| lift.id.to_string()).unwrap_or_default(),
                ),
                Field::unseen("version", self.ashore().map(|lift| lift.version).unwrap_or_default()),
                Field::new("relaunched_on", "Relaunched on", Kind::Day).needed().holding(today.to_string()),
            ],
        );
        relaunch.cautions = vec![Work::Lifting.caution()];
        relaunch.about = self.before_launch.join(" ");
        let lifted = if self.ashore().is_some() { "An earlier time ashore" } else { "It was lifted" };
        let mut lift =
            self.form("lift", lifted, "work", "Record the lift", new(record_forms::haul_out(today)));
        lift.cautions = vec![Work::Lifting.caution()];
        if let Some(field) =
            lift.fields.iter_mut().find(|field| field.name == "lifted_on" && self.ashore().is_some())
        {
            field.value.clear();
        }
        let coat = record_forms::coat(&self.local, &self.products, Some(&self.lifts));
        let mut coat = self.form("coat", "A coat was put on", "work", "Record the coat", new(coat));
        "Outside of a treatment: a coat of one under way is recorded on its page, where its holds are looked at."
            .clone_into(&mut coat.about);
        coat.cautions = vec![Work::EpoxyCoating.caution(), Work::Antifouling.caution()];
        let finding = record_forms::finding(today, Some(&self.surveys));
        let finding =
            self.form("finding", "Something was found", "findings", "Record the finding", new(finding));
        let done = record_forms::treatment_done(&self.lifts);
        let mut done =
            self.form("treated", "A treatment was done before", "work", "Record the treatment", new(done));
        "One that is to be done is planned instead. Of one that was done elsewhere, or before its steps were recorded here, this keeps what the dates need."
            .clone_into(&mut done.about);
        vec![relaunch, lift, coat, finding, done, self.withdraw_survey()]
    }

    fn withdraw_survey(&self) -> ActForm {
        let surveys = self.surveys.iter().rev().map(|survey| {
            let words = format!("{}, {}", day(survey.fields.surveyed_on), word(&survey.state()));
            (format!("{} {}", survey.id, survey.version), words)
        });
        let fields = vec![
            Field::new("survey", "Which survey", Kind::Choice(surveys.collect())).needed(),
            record_forms::reason("Why").needed(),
        ];
        let title = "A survey was entered in error";
        let mut form = self.form("withdraw", title, "surveys/withdrawal", "Withdraw it", fields);
        SURVEY_WITHDRAWN.clone_into(&mut form.about);
        form
    }

    /// Those that may be sent now by whoever has these powers.
    fn shown(&self, powers: &Powers) -> Vec<ActForm> {
        let possible = |form: &ActForm| match form.act {
            "finding" => may::<RecordReadings>(powers),
            "relaunch" => may::<RecordWork>(powers) && self.ashore().is_some(),
            "withdraw" => may::<WriteSurvey>(powers) && !self.surveys.is_empty(),
            _ => may::<RecordWork>(powers),
        };
        self.forms().into_iter().filter(possible).collect()
    }
}

/// A record in a line, with the page that corrects it.
struct Line {
    on: String,
    what: String,
    about: String,
    to: Option<String>,
    tag: Option<&'static str>,
}

/// Records of a kind.
struct RecordsOfKind {
    id: &'static str,
    title: &'static str,
    none: &'static str,
    open: &'static str,
    lines: Vec<Line>,
    /// Those entered in error.
    withdrawn: Vec<Line>,
}

/// A treatment that is planned or goes on.
struct Going {
    id: TreatmentId,
    words: String,
}

#[derive(Template)]
#[template(path = "records.html")]
struct RecordsPage {
    frame: Frame,
    id: VesselId,
    vessel: String,
    stands: String,
    done: Option<&'static str>,
    problems: Vec<String>,
    going: Vec<Going>,
    drafts: Vec<(SurveyId, String)>,
    plan: Option<String>,
    may_plan: bool,
    may_survey: bool,
    may_change: bool,
    acts: Vec<ActForm>,
    lists: Vec<RecordsOfKind>,
}

/// What was recorded, told after the form of an act.
fn done_words(act: &str) -> Option<&'static str> {
    Some(match act {
        "lift" => "the lift",
        "relaunch" => "the relaunch",
        "coat" => "the coat",
        "finding" => "the finding",
        "treated" => "the treatment",
        "withdraw" => "the withdrawal",
        _ => return None,
    })
}

fn treatment_lines(tx: &mut Tx<'_>, id: VesselId, may_work: bool) -> Result<(Vec<Line>, Vec<Going>, bool)> {
    let planned = plans(tx, PlansOf::Vessels(&[id]))?;
    let ids: Vec<TreatmentId> = planned.iter().map(|plan| plan.id).collect();
    let entries = entries_of(tx, &ids)?;
    let (mut lines, mut going) = (Vec::new(), Vec::new());
    for plan in planned.iter().rev() {
        let own: Vec<_> = entries.iter().filter(|entry| entry.treatment_id == plan.id).cloned().collect();
        let at = state(plan.version, &own);
        let words = format!("{} treatment, {}", headed(&plan.fields.kind), word(&at));
        if at == TreatmentState::Closed {
            continue;
        }
        going.push(Going { id: plan.id, words: words.clone() });
    }
    let is_going = !going.is_empty();
    for treatment in treatments::of_vessels(tx, &[id])?.iter().rev() {
        let fields = &treatment.fields;
        let removed = fields.laminate_removed_mm.map(|mm| format!("{} mm of laminate taken off", number(mm)));
        lines.push(Line {
            on: format!("{} to {}", day(fields.started_on), day(fields.completed_on)),
            what: headed(&fields.kind),
            about: [removed, fields.note.clone()].into_iter().flatten().collect::<Vec<_>>().join(". "),
            to: if ids.contains(&treatment.id) {
                Some(format!("/treatments/{}", treatment.id))
            } else {
                may_work.then(|| format!("/treatments/{}/correction", treatment.id))
            },
            tag: None,
        });
    }
    Ok((lines, going, is_going))
}

fn lists(tx: &mut Tx<'_>, hull: &Hull, powers: &Powers, treated: Vec<Line>) -> Result<Vec<RecordsOfKind>> {
    let (works, reads) = (may::<RecordWork>(powers), may::<RecordReadings>(powers));
    let id = hull.vessel.id;
    let lifts = hull.lifts.iter().rev().map(|lift| Line {
        on: day(lift.fields.lifted_on),
        what: headed(&lift.fields.reason),
        about: [Some(lift_words(&lift.fields)), lift.fields.note.clone()]
            .into_iter()
            .flatten()
            .collect::<Vec<_>>()
            .join(". "),
        to: works.then(|| format!("/haul-outs/{}", lift.id)),
        tag: lift.fields.relaunched_on.is_none().then_some("ashore"),
    });
    let mut findings = findings_of_vessels(tx, &[id])?;
    findings.sort_by_key(|finding| {
        (finding.fields.state == FindingState::Repaired, std::cmp::Reverse(finding.fields.found_on))
    });
    let findings = findings.iter().map(|finding| {
        let fields = &finding.fields;
        let repaired = fields.repaired_on.map(|on| format!("repaired {}", day(on)));
        let again = fields.follow_up_on.map(|on| format!("to be looked at again {}", day(on)));
        Line {
            on: day(fields.found_on),
            what: finding_words(fields),
            about: [repaired, again, fields.note.clone()]
                .into_iter()
                .flatten()
                .collect::<Vec<_>>()
                .join(". "),
            to: reads.then(|| format!("/findings/{}", finding.id)),
            tag: match fields.state {
                FindingState::Open => Some("open"),
                FindingState::Watched => Some("watched"),
                FindingState::Repaired => None,
            },
        }
    });
    let coats = coats::of_vessels(tx, &[id])?;
    let coats = coats.iter().rev().map(|coat| {
        let fields = &coat.fields;
        let film = fields.dry_film_um.map(|um| format!("{} µm", number(um)));
        let removed = fields.removed_on.map(|on| format!("taken off {}", day(on)));
        let about = [fields.product.clone(), fields.colour.clone(), film, removed];
        Line {
            on: day(fields.applied_on),
            what: format!("{} on the {}", headed(&fields.role), word(&fields.zone)),
            about: about.into_iter().flatten().collect::<Vec<_>>().join(", "),
            to: works.then(|| format!("/coats/{}", coat.id)),
            tag: None,
        }
    });
    let survey_line = |survey: &Survey| Line {
        on: day(survey.fields.surveyed_on),
        what: headed(&survey.state()),
        about: match (&survey.correction_reason, survey.fields.blistering) {
            (Some(reason), _) if survey.withdrawn => reason.clone(),
            (_, Some(found)) => format!("blistering: {}", word(&found)),
            _ => String::new(),
        },
        to: reads.then(|| format!("/surveys/{}/entry", survey.id)),
        tag: (survey.state() == SurveyState::Draft).then_some("not signed"),
    };
    let kind = |id, title, none, open, lines| {
        let withdrawn = Vec::new();
        RecordsOfKind { id, title, none, open, lines, withdrawn }
    };
    let mut surveys = kind(
        "surveys",
        "Surveys",
        "No survey is recorded.",
        "Open",
        hull.surveys.iter().rev().map(survey_line).collect(),
    );
    surveys.withdrawn = hull.withdrawn.iter().rev().map(survey_line).collect();
    Ok(vec![
        kind(
            "findings",
            "What was found",
            "Nothing is recorded as found.",
            "Close or correct",
            findings.collect(),
        ),
        kind("coats", "Coats", "No coat is recorded.", "Correct", coats.collect()),
        kind("lifts", "Times ashore", "No lift is recorded.", "Correct", lifts.collect()),
        surveys,
        kind("treatments", "Treatments done", "None is recorded as done.", "Open", treated),
    ])
}

/// The records of a hull.
///
/// # Errors
/// Not found; those of the database.
pub async fn show(app: App, request: HttpRequest, permit: PagePermit<Read>, id: At<VesselId>) -> Outcome {
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
    id: VesselId,
    refused: Option<Refused>,
) -> Outcome {
    let powers = permit.0.powers().clone();
    let theirs = powers.clone();
    let loaded = app.read(&permit.0, move |tx| {
        let hull = Hull::of(tx, id)?;
        let (treated, going, is_going) = treatment_lines(tx, id, may::<RecordWork>(&theirs))?;
        let lists = lists(tx, &hull, &theirs, treated)?;
        Ok((hull, going, is_going, lists, organisation_name(tx)?))
    });
    let (hull, going, is_going, lists, organisation) = loaded.await?;
    let token = form::token(&request)?;
    let mut acts = hull.shown(&powers);
    let (mut code, mut problems) = (StatusCode::OK, Vec::new());
    if let Some(Refused { act, typed, error }) = &refused {
        code = status(error.code);
        match acts.iter().position(|form| form.act == act) {
            Some(at) => {
                let form = acts.remove(at).refused(typed, error);
                acts.insert(at, form);
            }
            None => problems.push(for_people(&error.detail)),
        }
    }
    for form in &mut acts {
        form.token.clone_from(&token);
        form.may_add = may::<KeepRegister>(&powers);
    }
    let asked: std::collections::BTreeMap<String, String> = form::query(&request).unwrap_or_default();
    let name = hull.vessel.fields.name.clone();
    let frame = Frame::of(&request, organisation, "vessels", format!("Record: {name}"))?;
    let drafts = hull.surveys.iter().filter(|survey| survey.state() == SurveyState::Draft);
    let page = RecordsPage {
        id,
        stands: match hull.ashore() {
            Some(lift) => format!("Ashore since {}.", day(lift.fields.lifted_on)),
            None => "Not ashore.".to_owned(),
        },
        done: asked.get("done").and_then(|act| done_words(act)).filter(|_| refused.is_none()),
        problems,
        drafts: drafts.map(|draft| (draft.id, day(draft.fields.surveyed_on))).collect(),
        plan: hull
            .ashore()
            .filter(|_| !is_going)
            .map(|lift| format!("/haul-outs/{}/treatments/new", lift.id)),
        may_plan: may::<RecordWork>(&powers),
        may_survey: may::<WriteSurvey>(&powers),
        may_change: may::<KeepRegister>(&powers),
        vessel: name,
        going,
        acts,
        lists,
        frame,
    };
    send_as(code, &page)
}

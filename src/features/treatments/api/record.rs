//! The record of a treatment: all that was measured, put on, done and decided, as JSON and as a page for printing.

use actix_web::http::header::CONTENT_TYPE;
use actix_web::{HttpResponse, get};
use askama::Template;
use serde::Serialize;
use utoipa::ToSchema;

use super::plan::{Facts, PlanView};
use super::quantities::{PurchaseList, purchase_list};
use crate::db::Tx;
use crate::error::{Error, Result};
use crate::features::climate::model::window::ClimateMoment;
use crate::features::coats::api::CoatView;
use crate::features::coats::api::films::FilmView;
use crate::features::coats::store::{self as coats};
use crate::features::treatments::model::TreatmentKind;
use crate::features::treatments::model::drying::HullDrying;
use crate::features::treatments::model::holds::word;
use crate::features::treatments::store::plan as store;
use crate::features::vessels::store as vessels;
use crate::http::problem::ReadProblems;
use crate::http::{App, At, Outcome, Permit};
use crate::ids::TreatmentId;
use crate::permissions::Read;

/// What the record is not.
pub const NOT_A_SURVEY: &str = "This record says what was measured, done and decided. It is not a survey and does not say that \
     the hull is sound: a qualified surveyor decides.";

/// The record of a treatment.
#[derive(Debug, Serialize, ToSchema)]
pub struct TreatmentRecord {
    /// What it is not.
    pub not_a_survey: &'static str,
    /// The vessel's name.
    pub vessel: String,
    /// Plan, steps, entries, overrides, advice and cautions.
    pub plan: PlanView,
    /// Readings by station, with those left out; corrected ones keep their former values at `/v1/readings/{id}/versions`.
    pub drying: Option<HullDrying>,
    /// The coats.
    pub coats: Vec<CoatView>,
    /// Their films that stand.
    pub films: Vec<FilmView>,
    /// The climate that was logged in the haul-out.
    pub climate: Vec<ClimateValueLine>,
    /// What was reckoned to be bought.
    pub quantities: PurchaseList,
}

/// A value of the climate.
#[derive(Debug, Serialize, ToSchema)]
pub struct ClimateValueLine {
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub value: ClimateMoment,
}

fn record(tx: &mut Tx<'_>, id: TreatmentId) -> Result<TreatmentRecord> {
    let plan = store::read(tx, id)?;
    let facts = Facts::load(tx, plan.clone())?;
    let ids: Vec<_> = facts.coats.iter().map(|coat| coat.id).collect();
    let films = coats::film::of_coats(tx, &ids)?.into_iter().map(FilmView::from).collect();
    let mut shown = coats::of_haul_out(tx, plan.haul_out_id)?;
    shown.retain(|coat| ids.contains(&coat.id));
    Ok(TreatmentRecord {
        not_a_survey: NOT_A_SURVEY,
        vessel: vessels::read(tx, plan.vessel_id)?.fields.name,
        quantities: purchase_list(tx, &[plan])?,
        plan: super::plan::read(tx, id)?,
        drying: facts.drying,
        coats: shown.into_iter().map(CoatView::from).collect(),
        films,
        climate: facts.climate.into_iter().map(|value| ClimateValueLine { value }).collect(),
    })
}

#[derive(Template)]
#[template(path = "treatment_record.html")]
struct RecordPage<'a> {
    record: &'a TreatmentRecord,
    kind: &'static str,
}

#[expect(clippy::unused_self, reason = "the template calls methods")]
impl RecordPage<'_> {
    fn text(&self, text: &Option<String>) -> String {
        text.clone().unwrap_or_default()
    }
    fn code(&self, code: &impl Serialize) -> String {
        word(code).replace('_', " ")
    }
    fn maybe(&self, code: &Option<impl Serialize>) -> String {
        code.as_ref().map_or_else(String::new, |code| word(code).replace('_', " "))
    }
    fn time(&self, at: &chrono::DateTime<chrono::Utc>) -> String {
        at.format("%Y-%m-%d %H:%M").to_string()
    }
    fn when(&self, at: &Option<chrono::DateTime<chrono::Utc>>) -> String {
        at.as_ref().map_or_else(String::new, |at| self.time(at))
    }
    fn number(&self, value: &Option<f64>) -> String {
        value.map_or_else(String::new, |value| format!("{value}"))
    }
    fn by(&self, id: &Option<crate::ids::PersonId>) -> String {
        id.map_or_else(String::new, |id| id.to_string())
    }
}

/// The record of a treatment.
#[utoipa::path(tag = "treatments", security(("bearer" = [])), params(("id" = TreatmentId, Path, description = "The treatment")),
    responses((status = 200, description = "The record", body = TreatmentRecord), ReadProblems))]
#[get("/v1/treatments/{id}/record")]
pub async fn read_treatment_record(app: App, permit: Permit<Read>, id: At<TreatmentId>) -> Outcome {
    let record = app.read(&permit, move |tx| record(tx, id.0)).await?;
    Ok(HttpResponse::Ok().json(record))
}

/// The record of a treatment as a page for printing.
#[utoipa::path(tag = "treatments", security(("bearer" = [])), params(("id" = TreatmentId, Path, description = "The treatment")),
    responses((status = 200, description = "The record as a page", content_type = "text/html", body = String), ReadProblems))]
#[get("/v1/treatments/{id}/record-page")]
pub async fn read_treatment_record_page(app: App, permit: Permit<Read>, id: At<TreatmentId>) -> Outcome {
    let record = app.read(&permit, move |tx| record(tx, id.0)).await?;
    let kind = match record.plan.fields.kind {
        TreatmentKind::Preventive => "Preventive treatment",
        TreatmentKind::Curative => "Curative treatment",
    };
    let page = RecordPage { record: &record, kind }.render().map_err(Error::internal)?;
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "text/html; charset=utf-8"))
        .insert_header(("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'"))
        .insert_header(("X-Content-Type-Options", "nosniff"))
        .body(page))
}

//! The due list, a row a date.

use actix_web::http::header::ACCEPT;
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::export;
use super::lifts::{self, LiftPage};
use super::{printed, workbook};
use crate::codes;
use crate::db::Tx;
use crate::error::{Error, Result};
use crate::features::accounts;
use crate::features::due::model::{DEFAULT_WITHIN_DAYS, DueFilter, LaminateFilter, MAX_WITHIN_DAYS};
use crate::features::due::store::{self, DueRow};
use crate::features::forecasts::model::{DateFields, today, zone};
use crate::http::accept::preferred;
use crate::http::csv::TEXT_CSV;
use crate::http::paging::ListQuery;
use crate::http::problem::{ListProblems, Problem};
use crate::http::table::WORKBOOK;
use crate::http::{App, Outcome, Page, Params, Permit};
use crate::ids::{CalibrationId, DueId, OrgId, SiteId, VesselId};
use crate::permissions::Read;
use crate::science::cautions::cautions;
use crate::science::forecast::Onset;
use crate::science::forecast::dates::{DueKind, DueStatus};

/// What is due, of which vessel, when and why.
#[derive(Debug, Serialize, ToSchema)]
pub struct DueView {
    /// Its id; it stays for as long as this kind is due of this vessel.
    pub id: DueId,
    /// The organisation the vessel belongs to: yours, or one that granted it to yours.
    pub org_id: OrgId,
    /// The name of that organisation.
    pub org_name: String,
    /// The vessel.
    pub vessel_id: VesselId,
    /// The reference of the vessel in its organisation.
    pub vessel_ref: Option<String>,
    /// The vessel's name.
    pub vessel_name: String,
    /// Where it lies.
    pub site_id: Option<SiteId>,
    /// The site's name.
    pub site_name: Option<String>,
    /// The berth.
    pub berth: Option<String>,
    /// The owner's name.
    pub owner_name: Option<String>,
    /// The owner's telephone.
    pub owner_phone: Option<String>,
    /// The resin system of the laminate, if known.
    pub laminate_class: Option<String>,
    /// Whether the date has passed, by today in your organisation's time zone.
    pub overdue: bool,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub date: DateFields,
    /// The calibration it was made by; null where its basis is `prior`.
    pub calibration_id: Option<CalibrationId>,
    /// When blistering would begin if nothing is done; null where that cannot be forecast or has been found.
    pub onset: Option<Onset>,
    /// Whether something it rests on has changed since: it is being computed again.
    pub stale: bool,
    /// Name and version of the model.
    pub model: String,
    /// SHA-256 (hex) of what went in.
    pub inputs_hash: String,
    /// When it was computed: what `updated_since` goes by.
    pub computed_at: DateTime<Utc>,
}

impl DueView {
    /// A row as it is shown on a day.
    #[must_use]
    pub fn of(row: DueRow, today: NaiveDate) -> Self {
        Self {
            id: row.id,
            org_id: row.vessel.org_id,
            org_name: row.vessel.org_name,
            vessel_id: row.vessel.id,
            vessel_ref: row.vessel.r#ref,
            vessel_name: row.vessel.name,
            site_id: row.vessel.site_id,
            site_name: row.vessel.site_name,
            berth: row.vessel.berth,
            owner_name: row.vessel.owner_name,
            owner_phone: row.vessel.owner_phone,
            laminate_class: row.laminate_class,
            overdue: row.date.due_on.is_some_and(|day| day < today),
            date: row.date,
            calibration_id: row.calibration_id,
            onset: row.onset,
            stale: row.stale,
            model: row.model,
            inputs_hash: row.inputs_hash,
            computed_at: row.computed_at,
        }
    }
}

/// What the rows are put together by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum DueGrouping {
    /// What one lift of a vessel can serve.
    Lift,
}

/// The form of the answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum DueFormat {
    /// JSON, page by page.
    Json,
    /// CSV, the whole list.
    Csv,
    /// A workbook, the whole list.
    Xlsx,
    /// A page made for printing, the whole list.
    Html,
}

/// Which rows, and in which form.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct DueQuery {
    /// Only of vessels of this organisation: your own, or one that granted you vessels.
    #[param(nullable = false)]
    pub org_id: Option<OrgId>,
    /// Only of vessels lying at this site.
    #[param(nullable = false)]
    pub site_id: Option<SiteId>,
    /// Only of this vessel.
    #[param(nullable = false)]
    pub vessel_id: Option<VesselId>,
    /// Only of this kind.
    #[param(nullable = false)]
    pub kind: Option<DueKind>,
    /// Only with, or without, enough data for a date.
    #[param(nullable = false)]
    pub status: Option<DueStatus>,
    /// Only of vessels of this laminate class.
    #[param(nullable = false, inline)]
    pub laminate_class: Option<LaminateFilter>,
    /// Only what is due before this day.
    #[param(nullable = false)]
    pub before: Option<NaiveDate>,
    /// Only what is overdue, or only what is due today or later.
    #[param(nullable = false)]
    pub overdue: Option<bool>,
    /// Only what was computed at or after this time.
    #[param(nullable = false)]
    pub updated_since: Option<DateTime<Utc>>,
    /// `lift`: a vessel an item, with all that its next lift can serve. The filters then choose the lifts.
    #[param(nullable = false, inline)]
    pub group_by: Option<DueGrouping>,
    /// With `group_by=lift`: what is due so many days after the lift, or after today where it is overdue, is
    /// served by it; 60 if left out.
    #[param(nullable = false, maximum = 366)]
    pub within_days: Option<u32>,
    /// `csv`, `xlsx` or `html` for the whole list as CSV, a workbook or a page for printing; without it, `Accept` decides.
    #[param(nullable = false, inline)]
    pub format: Option<DueFormat>,
    /// Rows a page, 1 to 200.
    #[param(nullable = false, minimum = 1, maximum = 200)]
    pub limit: Option<u32>,
    /// Where the page before ended.
    #[param(nullable = false)]
    pub cursor: Option<String>,
}
crate::list_query!(DueQuery, "list_due");

impl DueQuery {
    pub(super) fn filter(&self, today: NaiveDate) -> DueFilter {
        DueFilter {
            org_id: self.org_id,
            site_id: self.site_id,
            vessel_id: self.vessel_id,
            kind: self.kind,
            status: self.status,
            laminate_class: self.laminate_class,
            before: self.before,
            not_before: None,
            updated_since: self.updated_since,
        }
        .overdue(self.overdue, today)
    }

    /// Refuses the parameters of pages, for the forms that are the whole list.
    pub(super) fn whole(&self) -> Result<()> {
        let paging = [("limit", self.limit.is_some()), ("cursor", self.cursor.is_some())];
        match paging.into_iter().find(|(_, given)| *given) {
            Some((name, _)) => Err(Error::field(
                name,
                "whole_list",
                "does not go with this form, which is the whole list. Leave it out.",
            )),
            None => Ok(()),
        }
    }

    /// Which rows were chosen, for a reader of the whole list.
    pub(super) fn in_words(&self) -> String {
        let class = self.laminate_class.as_ref().and_then(|class| codes::to_text(class).ok());
        let chosen: Vec<String> = [
            self.org_id.map(|id| format!("organisation {id}")),
            self.site_id.map(|id| format!("site {id}")),
            self.vessel_id.map(|id| format!("vessel {id}")),
            self.kind.as_ref().and_then(|kind| codes::to_text(kind).ok()),
            self.status
                .as_ref()
                .and_then(|status| codes::to_text(status).ok())
                .map(|word| word.replace('_', " ")),
            class.map(|word| format!("laminate {}", word.replace('_', " "))),
            self.before.map(|day| format!("due before {day}")),
            self.overdue.map(|overdue| if overdue { "overdue" } else { "not overdue" }.to_owned()),
            self.updated_since.map(|at| format!("computed since {at}")),
        ]
        .into_iter()
        .flatten()
        .collect();
        if chosen.is_empty() { "All rows.".to_owned() } else { format!("Only: {}.", chosen.join(", ")) }
    }

    fn checked(self) -> Result<Self> {
        if self.within_days.is_some_and(|days| days > MAX_WITHIN_DAYS) {
            let detail = format!("must be at most {MAX_WITHIN_DAYS}.");
            return Err(Error::field("within_days", "out_of_range", detail));
        }
        if self.within_days.is_some() && self.group_by.is_none() {
            return Err(Error::field(
                "within_days",
                "lift_only",
                "goes with group_by=lift. Leave it out, or add that.",
            ));
        }
        Ok(self)
    }
}

/// The word for a list by row.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ByRow {
    /// A row an item.
    Row,
}

/// Rows of the due list.
#[derive(Debug, Serialize, ToSchema)]
pub struct DuePage {
    /// Always `row`: what tells it from a list by lift.
    pub grouped_by: ByRow,
    /// The rows.
    pub items: Vec<DueView>,
    /// Send it as `cursor` for the next page; null after the last.
    pub next_cursor: Option<String>,
    /// What to mind in the work these rows lead to.
    pub cautions: Vec<&'static str>,
}

/// The due list by row, or by lift.
#[derive(Debug, Serialize, ToSchema)]
#[serde(untagged)]
pub enum DueAnswer {
    /// By row.
    Row(DuePage),
    /// By lift.
    Lift(LiftPage),
}

/// What to mind in the work that some kinds lead to.
pub(super) fn cautions_of(kinds: impl Iterator<Item = DueKind>) -> Vec<&'static str> {
    cautions(kinds.flat_map(|kind| kind.works().iter().copied()))
}

/// Today, where the organisation that asks is.
///
/// # Errors
/// Those of the database.
pub fn organisation_today(tx: &mut Tx<'_>) -> Result<NaiveDate> {
    let asking = tx.acting_org_id();
    let time_zone = accounts::store::organisation_of(tx, asking)?.fields.time_zone;
    Ok(today(tx.now(), zone(&time_zone)))
}

/// Lists what is due, by date, rows without a date last: as JSON page by page, or the whole list as CSV, as a workbook
/// (at most 100,000 rows) or as a page made for printing (at most 2,000).
///
/// The CSV has a header line with the names of the fields; `evidence` is its sentences joined by " | ", and texts
/// that a spreadsheet would take for a formula begin with an apostrophe.
#[utoipa::path(tag = "due", params(DueQuery), security(("bearer" = [])),
    responses(
        (status = 200, description = "A page of the due list, or all of it in another form",
            content((DueAnswer = "application/json"), (String = "text/csv"), (String = "text/html"),
                (String = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"))),
        (status = 406, description = "None of the forms on offer was asked for", body = Problem, content_type = "application/problem+json"),
        ListProblems))]
#[get("/v1/due")]
pub async fn list_due(
    app: App,
    permit: Permit<Read>,
    request: HttpRequest,
    query: Params<DueQuery>,
) -> Outcome {
    let query = query.0.checked()?;
    let format = match query.format {
        Some(format) => format,
        None => accepted(&request)?,
    };
    if format != DueFormat::Json && query.group_by.is_some() {
        return Err(Error::field(
            "group_by",
            "json_only",
            "is given as JSON only. Ask for JSON, or leave it out.",
        ));
    }
    match format {
        DueFormat::Csv => export::answer(app, permit, query).await,
        DueFormat::Xlsx => workbook::answer(app, permit, query).await,
        DueFormat::Html => printed::answer(app, permit, query).await,
        DueFormat::Json => match query.group_by {
            None => rows(app, permit, query).await,
            Some(DueGrouping::Lift) => {
                let within_days = query.within_days.unwrap_or(DEFAULT_WITHIN_DAYS);
                lifts::answer(app, permit, query, within_days).await
            }
        },
    }
}

fn accepted(request: &HttpRequest) -> Result<DueFormat> {
    let accept = request.headers().get(ACCEPT).and_then(|value| value.to_str().ok());
    let chosen = preferred(accept, &["application/json", TEXT_CSV, WORKBOOK, "text/html"])?;
    Ok(match chosen {
        TEXT_CSV => DueFormat::Csv,
        WORKBOOK => DueFormat::Xlsx,
        "text/html" => DueFormat::Html,
        _ => DueFormat::Json,
    })
}

async fn rows(app: App, permit: Permit<Read>, query: DueQuery) -> Outcome {
    let page = query.page()?;
    let asked = query.clone();
    let (today, slice) = app
        .read(&permit, move |tx| {
            let today = organisation_today(tx)?;
            Ok((today, store::list(tx, &asked.filter(today), page)?))
        })
        .await?;
    let Page { items, next_cursor } = query.answer(slice, |row| DueView::of(row, today));
    let cautions = cautions_of(items.iter().map(|item: &DueView| item.date.kind));
    Ok(HttpResponse::Ok().json(DueAnswer::Row(DuePage {
        grouped_by: ByRow::Row,
        items,
        next_cursor,
        cautions,
    })))
}

//! The state of the fleet, a hull a row.

use actix_web::http::header::{ACCEPT, CONTENT_DISPOSITION, CONTENT_TYPE};
use actix_web::{HttpRequest, HttpResponse, get};
use askama::Template;
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use crate::db::paging::PageRequest;
use crate::db::{Actor, Db};
use crate::error::{Error, Result};
use crate::features::due::api::list::{DueFormat, organisation_today};
use crate::features::due::api::printed::STYLE;
use crate::features::reports::store::fleet::{self as store, FleetFilter, FleetRow};
use crate::http::accept::preferred;
use crate::http::csv::{TEXT_CSV, streamed};
use crate::http::paging::ListQuery;
use crate::http::problem::{ListProblems, Problem};
use crate::http::table::{Book, Cell, Column, WORKBOOK, column, csv_header, csv_lines};
use crate::http::{App, Outcome, Page, Params, Permit};
use crate::ids::{SiteId, VesselId};
use crate::permissions::Read;
use crate::science::cautions::ADVISES_ONLY;

/// How a vessel stands today.
#[derive(Debug, Serialize, ToSchema)]
pub struct FleetView {
    /// The vessel.
    pub vessel_id: VesselId,
    /// Your reference of it.
    pub vessel_ref: Option<String>,
    /// Its name.
    pub vessel_name: String,
    /// Where it lies.
    pub site_id: Option<SiteId>,
    /// The site's name.
    pub site_name: Option<String>,
    /// The berth.
    pub berth: Option<String>,
    /// The owner's name.
    pub owner_name: Option<String>,
    /// The shape of its underwater hull.
    pub form: String,
    /// Its length.
    pub length_m: f64,
    /// The resin system of the laminate, if known.
    pub laminate_class: Option<String>,
    /// When it was launched.
    pub launched_on: Option<NaiveDate>,
    /// Whether it is ashore today.
    pub ashore: bool,
    /// Since when it is ashore; null afloat.
    pub lifted_on: Option<NaiveDate>,
    /// When it was last relaunched.
    pub relaunched_on: Option<NaiveDate>,
    /// The day of the last signed survey.
    pub surveyed_on: Option<NaiveDate>,
    /// What blistering it found.
    pub blistering: Option<String>,
    /// Findings that are not repaired.
    pub open_findings: i64,
    /// When the latest barrier coat went on.
    pub barrier_applied_on: Option<NaiveDate>,
    /// When the latest antifouling went on.
    pub antifouling_applied_on: Option<NaiveDate>,
    /// When it is next due for inspection.
    pub inspection_due_on: Option<NaiveDate>,
    /// When its barrier is due.
    pub barrier_due_on: Option<NaiveDate>,
    /// When its antifouling is due.
    pub antifouling_due_on: Option<NaiveDate>,
    /// When a repair is due.
    pub repair_due_on: Option<NaiveDate>,
    /// When a treatment is due.
    pub treatment_due_on: Option<NaiveDate>,
}

impl From<FleetRow> for FleetView {
    fn from(row: FleetRow) -> Self {
        Self {
            vessel_id: row.id,
            vessel_ref: row.vessel_ref,
            vessel_name: row.name,
            site_id: row.site_id,
            site_name: row.site_name,
            berth: row.berth,
            owner_name: row.owner_name,
            form: row.form,
            length_m: row.length_m,
            laminate_class: row.laminate_class,
            launched_on: row.launched_on,
            ashore: row.ashore,
            lifted_on: row.lifted_on,
            relaunched_on: row.relaunched_on,
            surveyed_on: row.surveyed_on,
            blistering: row.blistering,
            open_findings: row.open_findings,
            barrier_applied_on: row.barrier_applied_on,
            antifouling_applied_on: row.antifouling_applied_on,
            inspection_due_on: row.inspection_due_on,
            barrier_due_on: row.barrier_due_on,
            antifouling_due_on: row.antifouling_due_on,
            repair_due_on: row.repair_due_on,
            treatment_due_on: row.treatment_due_on,
        }
    }
}

const COLUMNS: [Column; 24] = [
    column("vessel_name", 22, "Its name."),
    column("vessel_ref", 12, "Your reference of it."),
    column("site_name", 20, "The site's name."),
    column("berth", 10, "The berth."),
    column("owner_name", 20, "The owner's name."),
    column("ashore", 8, "Whether it is ashore today."),
    column("lifted_on", 12, "Since when it is ashore; empty afloat."),
    column("relaunched_on", 13, "When it was last relaunched."),
    column("surveyed_on", 12, "The day of the last signed survey."),
    column(
        "blistering",
        14,
        "What blistering that survey found: none, or in the coating, the gelcoat or the laminate.",
    ),
    column("open_findings", 13, "How many findings are not repaired."),
    column("inspection_due_on", 16, "When it is next due for inspection."),
    column(
        "barrier_due_on",
        15,
        "When its barrier is due; empty where no date can be told or none lies within the horizon.",
    ),
    column("antifouling_due_on", 17, "When its antifouling is due."),
    column("repair_due_on", 14, "When a repair is due."),
    column("treatment_due_on", 16, "When a treatment is due."),
    column("barrier_applied_on", 17, "When the latest barrier coat went on."),
    column("antifouling_applied_on", 20, "When the latest antifouling went on."),
    column("form", 14, "The shape of its underwater hull."),
    column("length_m", 10, "Its length in metres."),
    column("laminate_class", 15, "The resin system of the laminate, if known."),
    column("launched_on", 12, "When it was launched."),
    column("vessel_id", 12, "The id of the vessel."),
    column("site_id", 12, "The id of the site it lies at."),
];

#[allow(clippy::cast_precision_loss, reason = "findings of one hull are few")]
fn cells(row: FleetRow) -> [Cell; COLUMNS.len()] {
    let text = |value: Option<String>| Cell::text(value.as_deref());
    [
        Cell::Text(row.name),
        text(row.vessel_ref),
        text(row.site_name),
        text(row.berth),
        text(row.owner_name),
        Cell::Truth(row.ashore),
        Cell::day(row.lifted_on),
        Cell::day(row.relaunched_on),
        Cell::day(row.surveyed_on),
        Cell::word(row.blistering),
        Cell::Number(row.open_findings as f64),
        Cell::day(row.inspection_due_on),
        Cell::day(row.barrier_due_on),
        Cell::day(row.antifouling_due_on),
        Cell::day(row.repair_due_on),
        Cell::day(row.treatment_due_on),
        Cell::day(row.barrier_applied_on),
        Cell::day(row.antifouling_applied_on),
        Cell::Word(row.form),
        Cell::Number(row.length_m),
        Cell::word(row.laminate_class),
        Cell::day(row.launched_on),
        Cell::word(Some(row.id)),
        Cell::word(row.site_id),
    ]
}

/// Which vessels, and in which form.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct FleetQuery {
    /// Only those lying at this site.
    #[param(nullable = false)]
    pub site_id: Option<SiteId>,
    /// Only those ashore today, or only those afloat.
    #[param(nullable = false)]
    pub ashore: Option<bool>,
    /// `csv`, `xlsx` or `html` for all of it as CSV, a workbook or a page for printing; without it, `Accept` decides.
    #[param(nullable = false, inline)]
    pub format: Option<DueFormat>,
    /// Rows a page, 1 to 200.
    #[param(nullable = false, minimum = 1, maximum = 200)]
    pub limit: Option<u32>,
    /// Where the page before ended.
    #[param(nullable = false)]
    pub cursor: Option<String>,
}
crate::list_query!(FleetQuery, "list_fleet");

impl FleetQuery {
    fn filter(&self) -> FleetFilter {
        FleetFilter { site_id: self.site_id, ashore: self.ashore }
    }

    fn form(&self, request: &HttpRequest) -> Result<DueFormat> {
        let form = if let Some(form) = self.format {
            form
        } else {
            let accept = request.headers().get(ACCEPT).and_then(|value| value.to_str().ok());
            match preferred(accept, &["application/json", TEXT_CSV, WORKBOOK, "text/html"])? {
                TEXT_CSV => DueFormat::Csv,
                "text/html" => DueFormat::Html,
                WORKBOOK => DueFormat::Xlsx,
                _ => DueFormat::Json,
            }
        };
        let paging = [("limit", self.limit.is_some()), ("cursor", self.cursor.is_some())];
        match paging.into_iter().find(|(_, given)| *given) {
            Some((name, _)) if form != DueFormat::Json => Err(Error::field(
                name,
                "whole_list",
                "does not go with this form, which is the whole list. Leave it out.",
            )),
            _ => Ok(form),
        }
    }
}

/// Rows a piece.
const PIECE: i64 = 500;
/// The most rows that are put on paper.
const MAX_PRINTED: usize = 2_000;

fn each_row(
    db: &Db,
    actor: &Actor,
    filter: FleetFilter,
    mut take: impl FnMut(FleetRow) -> Result<()>,
) -> Result<NaiveDate> {
    let mut after = None;
    loop {
        let (today, slice) = db.read(actor, |tx| {
            let today = organisation_today(tx)?;
            Ok((today, store::list(tx, filter, today, PageRequest { limit: PIECE, after })?))
        })?;
        slice.items.into_iter().try_for_each(&mut take)?;
        match slice.next {
            Some(next) => after = Some(next),
            None => return Ok(today),
        }
    }
}

#[derive(Template)]
#[template(path = "fleet.html")]
struct FleetPage {
    /// Where the style is; within the page, for one that is kept by itself.
    sheet: Option<String>,
    today: NaiveDate,
    rows: Vec<FleetView>,
    advice: &'static str,
}

#[expect(clippy::unused_self, reason = "the template calls methods")]
impl FleetPage {
    fn text(&self, text: &Option<String>) -> String {
        text.as_deref().unwrap_or_default().replace('_', " ")
    }
    fn day(&self, day: &Option<NaiveDate>) -> String {
        day.map_or_else(String::new, |day| day.to_string())
    }
}

/// Lists how the vessels in service stand today, in the order in which they were entered: as JSON page by page, or all
/// of them as CSV, as a workbook (at most 100,000 rows) or as a page made for printing (at most 2,000).
#[utoipa::path(tag = "reports", params(FleetQuery), security(("bearer" = [])),
    responses(
        (status = 200, description = "A page of the fleet, or all of it in another form",
            content((Page<FleetView> = "application/json"), (String = "text/csv"), (String = "text/html"),
                (String = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"))),
        (status = 406, description = "None of the forms on offer was asked for", body = Problem, content_type = "application/problem+json"),
        ListProblems))]
#[get("/v1/fleet")]
pub async fn list_fleet(
    app: App,
    permit: Permit<Read>,
    request: HttpRequest,
    query: Params<FleetQuery>,
) -> Outcome {
    let query = query.0;
    let filter = query.filter();
    match query.form(&request)? {
        DueFormat::Json => {
            let mut query = query;
            let page = query.page()?;
            let slice = app
                .read(&permit, move |tx| {
                    let today = organisation_today(tx)?;
                    store::list(tx, filter, today, page)
                })
                .await?;
            query.format = None;
            Ok(HttpResponse::from(query.answer(slice, FleetView::from)))
        }
        DueFormat::Csv => csv(app, permit, filter).await,
        DueFormat::Xlsx => workbook(&app, &permit, filter).await,
        DueFormat::Html => {
            let html = printable(&app, &permit, filter, None).await?;
            Ok(HttpResponse::Ok().insert_header((CONTENT_TYPE, "text/html; charset=utf-8")).body(html))
        }
    }
}

/// The fleet as CSV.
///
/// # Errors
/// Those of the database.
pub async fn csv(app: App, permit: Permit<Read>, filter: FleetFilter) -> Outcome {
    streamed(app, permit, "fleet.csv", move |tx, after| {
        let today = organisation_today(tx)?;
        let slice = store::list(tx, filter, today, PageRequest { limit: PIECE, after })?;
        let rows: Vec<_> = slice.items.into_iter().map(cells).collect();
        let mut piece = if after.is_none() { csv_header(&COLUMNS)? } else { Vec::new() };
        piece.extend(csv_lines(&rows)?);
        Ok((piece, slice.next))
    })
    .await
}

/// The fleet as a workbook.
///
/// # Errors
/// Too many rows; those of the database.
pub async fn workbook(app: &App, permit: &Permit<Read>, filter: FleetFilter) -> Outcome {
    let bytes = app.with_db(permit, move |db, actor| {
        let mut book = Book::new("Fleet", &COLUMNS)?;
        let today = each_row(db, actor, filter, |row| book.push(&cells(row)))?;
        book.finish(&COLUMNS, &[format!("As of {today}."), ADVISES_ONLY.to_owned()])
    });
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, WORKBOOK))
        .insert_header((CONTENT_DISPOSITION, "attachment; filename=\"fleet.xlsx\""))
        .body(bytes.await?))
}

/// The fleet as a page made for printing, with its style within it or at an address.
///
/// # Errors
/// Too many rows; those of the database.
pub async fn printable(
    app: &App,
    permit: &Permit<Read>,
    filter: FleetFilter,
    sheet: Option<String>,
) -> Result<String> {
    let page = app.with_db(permit, move |db, actor| {
        let mut rows = Vec::new();
        let today = each_row(db, actor, filter, |row| {
            if rows.len() == MAX_PRINTED {
                let detail = format!("cannot be printed: there are more than {MAX_PRINTED} rows. Narrow the filters, or ask for a workbook or CSV.");
                return Err(Error::field("format", "too_many_rows", &detail));
            }
            rows.push(FleetView::from(row));
            Ok(())
        })?;
        Ok(FleetPage { sheet, today, rows, advice: ADVISES_ONLY })
    });
    page.await?.render().map_err(Error::internal)
}

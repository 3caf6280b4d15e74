//! The due list by lift: a vessel an item, with all that its next lift can serve.

use std::collections::HashMap;

use actix_web::HttpResponse;
use chrono::NaiveDate;
use serde::Serialize;
use utoipa::ToSchema;

use super::list::{DueAnswer, DueQuery, DueView, cautions_of, organisation_today};
use crate::db::paging::Slice;
use crate::features::due::model::served_until;
use crate::features::due::store::{self, DueRow, Lift};
use crate::features::vessels;
use crate::features::vessels::model::VesselForm;
use crate::features::vessels::store::Vessel;
use crate::http::paging::ListQuery;
use crate::http::{App, Outcome, Page, Permit};
use crate::ids::{OrgId, VesselId};
use crate::permissions::Read;

/// A vessel's next lift: the sheet for whoever lifts it.
#[derive(Debug, Serialize, ToSchema)]
pub struct LiftView {
    /// The organisation the vessel belongs to.
    pub org_id: OrgId,
    /// The name of that organisation.
    pub org_name: String,
    /// The vessel.
    pub vessel_id: VesselId,
    /// Your reference of the vessel.
    pub vessel_ref: Option<String>,
    /// The vessel's name.
    pub vessel_name: String,
    /// The site's name.
    pub site_name: Option<String>,
    /// The berth.
    pub berth: Option<String>,
    /// The owner's name.
    pub owner_name: Option<String>,
    /// The owner's telephone.
    pub owner_phone: Option<String>,
    /// The shape of its underwater hull.
    pub form: VesselForm,
    /// Length of the hull.
    pub length_m: f64,
    /// Greatest beam.
    pub beam_m: Option<f64>,
    /// Draught.
    pub draft_m: Option<f64>,
    /// Displacement.
    pub displacement_kg: Option<f64>,
    /// Where the forward sling goes, aft from the bow.
    pub sling_forward_m: Option<f64>,
    /// Where the aft sling goes, aft from the bow.
    pub sling_aft_m: Option<f64>,
    /// The day the lift is due by: the earliest date among the rows that the filters choose.
    pub lift_by: NaiveDate,
    /// Whether that day has passed.
    pub overdue: bool,
    /// What the lift serves: what is due by then, and within some days after.
    pub rows: Vec<DueView>,
    /// What it does not serve: what is due later, or has no date.
    pub later: Vec<DueView>,
}

/// The word for a list by lift.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ByLift {
    /// A vessel's lift an item.
    Lift,
}

/// Lifts by the day they are due by.
#[derive(Debug, Serialize, ToSchema)]
pub struct LiftPage {
    /// Always `lift`: what tells it from a list by row.
    pub grouped_by: ByLift,
    /// The lifts.
    pub items: Vec<LiftView>,
    /// Send it as `cursor` for the next page; null after the last.
    pub next_cursor: Option<String>,
    /// What to mind in the work these lifts serve.
    pub cautions: Vec<&'static str>,
}

/// A lift, its vessel, and all rows of it.
type Loaded = (Lift, Option<Vessel>, Vec<DueRow>);

pub(super) async fn answer(app: App, permit: Permit<Read>, query: DueQuery, within_days: u32) -> Outcome {
    let page = query.page()?;
    let asked = query.clone();
    let (today, slice) = app
        .read(&permit, move |tx| {
            let today = organisation_today(tx)?;
            let Slice { items, next } = store::lifts(tx, &asked.filter(today), page)?;
            let ids: Vec<VesselId> = items.iter().map(|lift| lift.vessel_id).collect();
            let org_ids: Vec<OrgId> = items.iter().map(|lift| lift.org_id).collect();
            let vessels = vessels::store::read_among(tx, &org_ids, &ids)?;
            let rows = store::of_vessels(tx, &ids)?;
            Ok((today, Slice { items: put_together(items, vessels, rows), next }))
        })
        .await?;
    let Page { items, next_cursor } = query.answer(slice, |loaded| view(loaded, today, within_days));
    let items: Vec<LiftView> = items.into_iter().flatten().collect();
    let served = items.iter().flat_map(|lift| &lift.rows).map(|row| row.date.kind);
    let cautions = cautions_of(served);
    Ok(HttpResponse::Ok().json(DueAnswer::Lift(LiftPage {
        grouped_by: ByLift::Lift,
        items,
        next_cursor,
        cautions,
    })))
}

fn put_together(lifts: Vec<Lift>, vessels: Vec<Vessel>, rows: Vec<DueRow>) -> Vec<Loaded> {
    let mut vessels: HashMap<_, Vessel> = vessels.into_iter().map(|v| ((v.org_id, v.id), v)).collect();
    let mut by_vessel: HashMap<(OrgId, VesselId), Vec<DueRow>> = HashMap::new();
    for row in rows {
        by_vessel.entry((row.vessel.org_id, row.vessel.id)).or_default().push(row);
    }
    lifts
        .into_iter()
        .map(|lift| {
            let key = (lift.org_id, lift.vessel_id);
            (lift, vessels.remove(&key), by_vessel.remove(&key).unwrap_or_default())
        })
        .collect()
}

/// None for a lift whose rows went between the queries.
fn view((lift, vessel, rows): Loaded, today: NaiveDate, within_days: u32) -> Option<LiftView> {
    let first = &rows.first()?.vessel;
    let (site_name, org_name) = (first.site_name.clone(), first.org_name.clone());
    let Vessel { id: vessel_id, org_id, fields: vessel, .. } = vessel?;
    let until = served_until(lift.lift_by, today, within_days);
    let (served, later): (Vec<DueRow>, Vec<DueRow>) =
        rows.into_iter().partition(|row| row.date.due_on.is_some_and(|day| day <= until));
    let views = |rows: Vec<DueRow>| rows.into_iter().map(|row| DueView::of(row, today)).collect();
    Some(LiftView {
        org_id,
        org_name,
        vessel_id,
        vessel_ref: vessel.r#ref,
        vessel_name: vessel.name,
        site_name,
        berth: vessel.berth,
        owner_name: vessel.owner_name,
        owner_phone: vessel.owner_phone,
        form: vessel.form,
        length_m: vessel.length_m,
        beam_m: vessel.beam_m,
        draft_m: vessel.draft_m,
        displacement_kg: vessel.displacement_kg,
        sling_forward_m: vessel.sling_forward_m,
        sling_aft_m: vessel.sling_aft_m,
        lift_by: lift.lift_by,
        overdue: lift.lift_by < today,
        rows: views(served),
        later: views(later),
    })
}

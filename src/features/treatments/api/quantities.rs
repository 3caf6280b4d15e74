//! How much to buy: for a treatment, and for all that start in a week.

use std::collections::BTreeMap;

use actix_web::{HttpResponse, get};
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::plan::week_from;
use crate::db::Tx;
use crate::error::Result;
use crate::features::products::store as products;
use crate::features::treatments::model::plan::{PlanFields, StepKind};
use crate::features::treatments::store::plan::{self as store, Plan, PlansOf};
use crate::features::vessels::model::{VesselFields, VesselForm, Zone};
use crate::features::vessels::store as vessels;
use crate::http::problem::{ListProblems, ReadProblems};
use crate::http::{App, At, Outcome, Params, Permit};
use crate::ids::{ProductId, TreatmentId};
use crate::permissions::Read;
use crate::science::bottom_area::{AreaForm, AreaMethod, BottomAreaInput, bottom_area};
use crate::science::cautions::ADVISES_ONLY;

/// What a step takes in a zone.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct QuantityLine {
    /// The treatment.
    pub treatment_id: TreatmentId,
    /// The step.
    pub step: StepKind,
    /// The zone.
    pub zone: Zone,
    /// The product, where the plan names one.
    pub product_id: Option<ProductId>,
    /// Its name.
    pub product: Option<String>,
    /// How many coats.
    pub coats: i32,
    /// The area.
    pub area_m2: Option<f64>,
    /// Where the area comes from: `entered`, `girths`, `earlier_girths` (of another treatment of the vessel) or `formula`.
    pub area_source: Option<&'static str>,
    /// The treatment in whose plan the girths stand, of `earlier_girths`. Enter girths or an area in this plan where the
    /// hull is another shape now.
    pub girths_of: Option<TreatmentId>,
    /// Litres with loss; null where something is missing.
    pub litres: Option<f64>,
    /// What is missing, and what to enter.
    pub missing: Option<String>,
}

/// What to buy of a product.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Purchase {
    /// The product.
    pub product_id: ProductId,
    /// Its name.
    pub product: String,
    /// Litres with loss, all lines together.
    pub litres: f64,
    /// Packs that hold them; null where the sheet gives no content.
    pub packs: Option<u32>,
}

/// How much to buy.
#[derive(Debug, Serialize, ToSchema)]
pub struct PurchaseList {
    /// A line for each step that coats, in each zone.
    pub lines: Vec<QuantityLine>,
    /// By product, packs rounded up over all lines.
    pub purchases: Vec<Purchase>,
    /// The cautions.
    pub cautions: Vec<&'static str>,
}

/// Which week.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct WeekQuery {
    /// A day of the week, Monday to Sunday; today when left out.
    #[param(nullable = false)]
    pub week_of: Option<NaiveDate>,
}

/// The bottom's area by the trade's formula, where the vessel's measures are entered.
fn by_formula(vessel: &VesselFields) -> Option<f64> {
    let form = match vessel.form {
        VesselForm::FinKeel => AreaForm::FinKeel,
        VesselForm::LongKeel => AreaForm::LongKeel,
        VesselForm::Motor => AreaForm::Motor,
        VesselForm::FullBodied => AreaForm::FullBodied,
        VesselForm::Multihull => return None,
    };
    let input = BottomAreaInput {
        form: Some(form),
        lwl_m: Some(vessel.lwl_m?),
        beam_m: Some(vessel.beam_m?),
        draft_m: Some(vessel.draft_m?),
        ..BottomAreaInput::of(AreaMethod::Trade)
    };
    bottom_area(&input).ok().map(|output| output.area_m2)
}

/// An area and where it comes from.
#[derive(Debug, Clone, Copy, Default)]
struct Measured {
    area_m2: Option<f64>,
    source: Option<&'static str>,
    girths_of: Option<TreatmentId>,
}

fn girths_m2(plan: &PlanFields, zone: Zone) -> Option<f64> {
    plan.zones.iter().find(|own| own.zone == zone)?.area_by_girths_m2().ok().flatten()
}

/// The area of a zone: as entered, by the plan's girths, by those last entered for the vessel, by the formula.
fn area(plan: &Plan, zone: Zone, vessel: &VesselFields, of_vessels: &[Plan]) -> Measured {
    let own = plan.fields.zones.iter().find(|own| own.zone == zone);
    if let Some(area_m2) = own.and_then(|own| own.area_m2) {
        return Measured { area_m2: Some(area_m2), source: Some("entered"), girths_of: None };
    }
    if let Some(area_m2) = girths_m2(&plan.fields, zone) {
        return Measured { area_m2: Some(area_m2), source: Some("girths"), girths_of: None };
    }
    let earlier = of_vessels
        .iter()
        .filter(|other| other.vessel_id == plan.vessel_id && other.id != plan.id)
        .filter_map(|other| Some((other, girths_m2(&other.fields, zone)?)))
        .max_by_key(|(other, _)| (other.recorded_at, other.id));
    if let Some((other, area_m2)) = earlier {
        return Measured {
            area_m2: Some(area_m2),
            source: Some("earlier_girths"),
            girths_of: Some(other.id),
        };
    }
    let reckoned = by_formula(vessel).filter(|_| zone == Zone::Bottom);
    Measured { area_m2: reckoned, source: reckoned.map(|_| "formula"), girths_of: None }
}

/// The purchase list of some plans.
///
/// # Errors
/// Those of the database.
pub fn purchase_list(tx: &mut Tx<'_>, plans: &[Plan]) -> Result<PurchaseList> {
    let vessel_ids: Vec<_> = plans.iter().map(|plan| plan.vessel_id).collect();
    let vessels = vessels::read_many(tx, &vessel_ids)?;
    let of_vessels = store::plans(tx, PlansOf::Vessels(&vessel_ids))?;
    let product_ids: Vec<ProductId> =
        plans.iter().flat_map(|plan| &plan.fields.steps).filter_map(|step| step.product_id).collect();
    let sheets: BTreeMap<ProductId, _> =
        products::of_ids(tx, &product_ids)?.into_iter().map(|product| (product.id, product.fields)).collect();
    let mut lines = Vec::new();
    let mut litres: BTreeMap<ProductId, f64> = BTreeMap::new();
    for plan in plans {
        let Some(vessel) = vessels.iter().find(|vessel| vessel.id == plan.vessel_id) else { continue };
        for step in plan.fields.steps.iter().filter(|step| step.coats.is_some()) {
            let coats = step.coats.unwrap_or(0);
            let sheet = step.product_id.and_then(|id| sheets.get(&id));
            for zone in plan.fields.zones_of(step) {
                let Measured { area_m2, source: area_source, girths_of } =
                    area(plan, zone, &vessel.fields, &of_vessels);
                let told = match (sheet, area_m2) {
                    (None, _) => Err("Name a product in the plan's step.".to_owned()),
                    (_, None) => Err(
                        "Enter the zone's area_m2 or girths in the plan, or the vessel's lwl_m, beam_m and draft_m."
                            .to_owned(),
                    ),
                    (Some(sheet), Some(area_m2)) => sheet
                        .quantity(
                            area_m2,
                            usize::try_from(coats).unwrap_or(0),
                            step.dry_film_um,
                            plan.fields.loss_fraction,
                        )
                        .map(|quantity| quantity.practical_l)
                        .map_err(|error| error.detail),
                };
                if let (Some(id), Ok(own)) = (step.product_id, &told) {
                    *litres.entry(id).or_default() += own;
                }
                lines.push(QuantityLine {
                    treatment_id: plan.id,
                    step: step.step,
                    zone,
                    product_id: step.product_id,
                    product: sheet.map(|sheet| sheet.name.clone()),
                    coats,
                    area_m2,
                    area_source,
                    girths_of,
                    litres: told.as_ref().ok().copied(),
                    missing: told.err(),
                });
            }
        }
    }
    let purchases = litres
        .into_iter()
        .filter_map(|(product_id, litres)| {
            let sheet = sheets.get(&product_id)?;
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "packs are few")]
            let packs = sheet.pack_l.map(|pack_l| (litres / pack_l - 1e-9).ceil() as u32);
            Some(Purchase { product_id, product: sheet.name.clone(), litres, packs })
        })
        .collect();
    Ok(PurchaseList { lines, purchases, cautions: vec![ADVISES_ONLY] })
}

/// How much to buy for a treatment as planned.
#[utoipa::path(tag = "treatments", security(("bearer" = [])), params(("id" = TreatmentId, Path, description = "The treatment")),
    responses((status = 200, description = "How much to buy", body = PurchaseList), ReadProblems))]
#[get("/v1/treatments/{id}/quantities")]
pub async fn read_treatment_quantities(app: App, permit: Permit<Read>, id: At<TreatmentId>) -> Outcome {
    let list = app.read(&permit, move |tx| {
        let plan = store::read(tx, id.0)?;
        purchase_list(tx, &[plan])
    });
    Ok(HttpResponse::Ok().json(list.await?))
}

/// How much to buy for all treatments that start in a week.
#[utoipa::path(tag = "treatments", security(("bearer" = [])), params(WeekQuery),
    responses((status = 200, description = "How much to buy", body = PurchaseList), ListProblems))]
#[get("/v1/purchase-list")]
pub async fn read_purchase_list(app: App, permit: Permit<Read>, query: Params<WeekQuery>) -> Outcome {
    let list = app.read(&permit, move |tx| {
        let (from, before) = week_from(query.0.week_of.unwrap_or(tx.now().date_naive()));
        let plans = store::plans(tx, PlansOf::Days(from, before))?;
        purchase_list(tx, &plans)
    });
    Ok(HttpResponse::Ok().json(list.await?))
}

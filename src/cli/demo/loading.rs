//! Writes the scenario through the capabilities, under the rules everybody is under: a transaction a hull.

use chrono::NaiveDate;
use garde::Validate;
use indicatif::ProgressBar;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};

use super::scenario::{self, Hull, Placed};
use super::under_way;
use crate::db::{Actor, Db, Tx};
use crate::error::Result;
use crate::features::{haulouts, products, sites, surveys, treatments, vessels};
use crate::http::IfMatch;
use crate::http::body::read_fields;
use crate::ids::{
    CoatId, FindingId, HaulOutId, Id, ProductId, ReadingId, SiteId, StationId, SurveyId, TreatmentId,
    VesselId,
};

/// Writes site, hulls and their histories; `lead` keeps the register, `surveyor` signs.
///
/// # Errors
/// A fact that breaks a rule; those of the database.
pub(super) fn load(
    db: &Db,
    lead: &Actor,
    surveyor: &Actor,
    today: NaiveDate,
    progress: &ProgressBar,
) -> Result<usize> {
    let site_id = SiteId::fresh();
    db.write(lead, |tx| sites::api::create(tx, site_id, fields(scenario::site())?))?;
    let products = db.write(lead, |tx| {
        scenario::products()
            .into_iter()
            .map(|sheet| {
                let id = ProductId::fresh();
                let made = products::api::create(tx, id, fields(sheet)?)?;
                Ok((json!(made.fields.role), id))
            })
            .collect::<Result<Vec<(Value, ProductId)>>>()
    })?;
    let hulls = scenario::hulls(today);
    progress.set_length(u64::try_from(hulls.len()).unwrap_or(0));
    for hull in &hulls {
        let vessel_id = VesselId::fresh();
        let haul_outs = db.write(lead, |tx| register(tx, vessel_id, site_id, hull, &products))?;
        db.write(surveyor, |tx| surveyed(tx, vessel_id, &haul_outs, hull, &products))?;
        progress.inc(1);
    }
    Ok(hulls.len())
}

fn fields<T: DeserializeOwned + Validate<Context = ()>>(value: Value) -> Result<T> {
    read_fields(value)
}

/// The fact with the ids it refers to.
fn with<const N: usize>(fact: &Value, ids: [(&str, Value); N]) -> Value {
    let mut fact = fact.clone();
    if let Some(fact) = fact.as_object_mut() {
        fact.extend(ids.into_iter().map(|(name, id)| (name.to_owned(), id)));
    }
    fact
}

fn register(
    tx: &mut Tx<'_>,
    vessel_id: VesselId,
    site_id: SiteId,
    hull: &Hull,
    products: &[(Value, ProductId)],
) -> Result<Vec<HaulOutId>> {
    vessels::api::create(tx, vessel_id, fields(with(&hull.vessel, [("site_id", json!(site_id))]))?)?;
    let mut haul_outs = Vec::new();
    for fact in &hull.haul_outs {
        let id = HaulOutId::fresh();
        haulouts::api::create(tx, id, fields(with(fact, [("vessel_id", json!(vessel_id))]))?)?;
        haul_outs.push(id);
    }
    let placed = |placed: &Placed| {
        let haul_out = placed.haul_out.and_then(|n| haul_outs.get(n));
        with(&placed.fact, [("vessel_id", json!(vessel_id)), ("haul_out_id", json!(haul_out))])
    };
    for treatment in &hull.treatments {
        treatments::api::create(tx, TreatmentId::fresh(), fields(placed(treatment))?)?;
    }
    for coat in &hull.coats {
        let product = products.iter().find(|(role, _)| *role == coat.fact["role"]).map(|(_, id)| id);
        let fact = with(&placed(coat), [("product_id", json!(product))]);
        treatments::api::coats::create(tx, CoatId::fresh(), fields(fact)?)?;
    }
    Ok(haul_outs)
}

fn surveyed(
    tx: &mut Tx<'_>,
    vessel_id: VesselId,
    haul_outs: &[HaulOutId],
    hull: &Hull,
    products: &[(Value, ProductId)],
) -> Result<()> {
    let vessel = ("vessel_id", json!(vessel_id));
    let mut stations = Vec::new();
    for fact in &hull.stations {
        let id = StationId::fresh();
        surveys::api::stations::create(tx, id, fields(with(fact, [vessel.clone()]))?)?;
        stations.push(id);
    }
    for survey in &hull.surveys {
        let id = SurveyId::fresh();
        let haul_out = survey.haul_out.and_then(|n| haul_outs.get(n));
        let made = surveys::api::surveys::create(
            tx,
            id,
            fields(with(&survey.fact, [vessel.clone(), ("haul_out_id", json!(haul_out))]))?,
        )?;
        for (station, value) in stations.iter().zip(&survey.readings) {
            let reading = json!({ "survey_id": id, "station_id": station, "sequence": 1, "value": value });
            surveys::api::appending::create(tx, ReadingId::fresh(), fields(reading)?)?;
        }
        surveys::api::signing::sign(tx, id, IfMatch(made.version))?;
    }
    if let (Some((course, lifted_on)), Some(haul_out)) = (hull.under_way, haul_outs.last()) {
        under_way::load(tx, course, (vessel_id, *haul_out), lifted_on, &stations, products)?;
    }
    for fact in &hull.findings {
        surveys::api::findings::create(tx, FindingId::fresh(), fields(with(fact, [vessel.clone()]))?)?;
    }
    Ok(())
}

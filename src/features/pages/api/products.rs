//! Products: the list, a new one, and one that changes.

use actix_web::HttpRequest;
use askama::Template;
use uuid::Uuid;

use super::act_form::Typed;
use super::entry::all;
use super::entry_survey::once;
use super::form::{Filled, sent_version};
use super::frame::{Frame, organisation_name, send};
use super::product_form::{Read as ReadSheet, product_form};
use super::register_form::{Opened, Register, page, take};
use super::session::PagePermit;
use super::yard_words::{LocalTime, capital, headed, number, word};
use crate::db::Tx;
use crate::error::Result;
use crate::features::products::api as products;
use crate::features::products::model::{CoatRole, ProductFields};
use crate::features::products::store::{self, Product, ProductFilter};
use crate::http::{App, At, Outcome, Patch};
use crate::ids::ProductId;
use crate::permissions::{KeepRegister, Read};
use crate::science::overcoat::SheetTimes;

struct Row {
    id: ProductId,
    name: String,
    about: String,
    role: String,
    water: String,
    film: String,
    climate: String,
    times: Vec<String>,
}

#[derive(Template)]
#[template(path = "products.html")]
struct ProductsPage {
    frame: Frame,
    rows: Vec<Row>,
}

/// One or both ends of a range.
fn range(low: Option<f64>, high: Option<f64>, unit: &str) -> Option<String> {
    match (low.map(number), high.map(number)) {
        (None, None) => None,
        (Some(low), None) => Some(format!("from {low} {unit}")),
        (None, Some(high)) => Some(format!("to {high} {unit}")),
        (Some(low), Some(high)) if low == high => Some(format!("{low} {unit}")),
        (Some(low), Some(high)) => Some(format!("{low} to {high} {unit}")),
    }
}

/// What a coat of it does against water.
fn against_water(fields: &ProductFields) -> String {
    match (fields.role, fields.permeability_kg_m_s) {
        (CoatRole::Antifouling, _) => "Holds no water off".to_owned(),
        (_, Some(own)) => format!("Slows water, {own:.1e} kg/(m·s) by its sheet"),
        (role, None) => format!("Slows water as usual for a {}", word(&role)),
    }
}

fn joined(parts: impl IntoIterator<Item = Option<String>>) -> String {
    let text = parts.into_iter().flatten().collect::<Vec<_>>().join(", ");
    if text.is_empty() { "Not entered".to_owned() } else { capital(&text) }
}

fn film(fields: &ProductFields) -> String {
    let dry = range(fields.min_dry_film_um, fields.max_dry_film_um, "µm");
    let solids = fields.volume_solids_pct.map(|pct| format!("{} % solids", number(pct)));
    joined([dry, solids])
}

fn climate(fields: &ProductFields) -> String {
    let limits = fields.limits();
    let hull = range(Some(limits.min_surface_temperature_c), Some(limits.max_surface_temperature_c), "°C");
    let given = fields.min_surface_temperature_c.is_some() && fields.max_surface_temperature_c.is_some();
    let air = format!("air to {} %", number(limits.max_relative_humidity_pct));
    let told = joined([hull.map(|hull| format!("hull {hull}")), Some(air)]);
    if given && fields.max_relative_humidity_pct.is_some() {
        told
    } else {
        format!("{told} (in part as usual)")
    }
}

/// From the warmest to the coldest line, as "6 h (30 °C) to 24 h (10 °C)".
fn times(lines: &[SheetTimes]) -> Option<String> {
    let told =
        |line: &SheetTimes| format!("{}\u{a0}h ({}\u{a0}°C)", number(line.min_h), number(line.temperature_c));
    let (coldest, warmest) = (lines.first()?, lines.last()?);
    Some(if lines.len() == 1 { told(coldest) } else { format!("{} to {}", told(warmest), told(coldest)) })
}

const ROLES: [CoatRole; 5] =
    [CoatRole::Gelcoat, CoatRole::Sealer, CoatRole::Barrier, CoatRole::Topcoat, CoatRole::Antifouling];

fn row(product: Product) -> Row {
    let fields = product.fields;
    let next = |role: &CoatRole| {
        times(&fields.times_to(*role)).map(|times| format!("{} after {times}", headed(role)))
    };
    let mut told: Vec<String> = ROLES.iter().filter_map(next).collect();
    told.extend(times(&fields.times_to_immersion()).map(|times| format!("Into the water after {times}")));
    told.extend(fields.max_days_to_launch.map(|days| format!("Into the water within {days} days")));
    if told.is_empty() {
        told.push("Not entered".to_owned());
    }
    Row {
        id: product.id,
        role: headed(&fields.role),
        water: against_water(&fields),
        film: film(&fields),
        climate: climate(&fields),
        times: told,
        about: [fields.r#ref, fields.note].into_iter().flatten().collect::<Vec<_>>().join(". "),
        name: fields.name,
    }
}

fn every(tx: &mut Tx<'_>) -> Result<Vec<Product>> {
    let any = ProductFilter { role: None, updated_since: None };
    all(|page| store::list(tx, any, page))
}

/// The products, by what they are there for and by name.
///
/// # Errors
/// Those of the database.
pub async fn show(app: App, request: HttpRequest, permit: PagePermit<Read>) -> Outcome {
    let loaded = app.read(&permit.0, |tx| Ok((every(tx)?, organisation_name(tx)?)));
    let (mut found, organisation) = loaded.await?;
    found.sort_by(|one, other| {
        let place = |product: &Product| (product.fields.role, product.fields.name.clone(), product.id);
        place(one).cmp(&place(other))
    });
    let rows = found.into_iter().map(row).collect();
    let frame = Frame::of(&request, organisation, "organisation", "Products")?;
    send(&ProductsPage { frame, rows })
}

const PRODUCTS: Register =
    Register { list: "/products", name: "Products", new: "New product", form, take: take_product };

fn form(tx: &mut Tx<'_>, id: Option<Uuid>, typed: Option<&Typed>) -> Result<Opened> {
    let product = id.map(|id| store::read(tx, ProductId::from(id))).transpose()?;
    let form = product_form(product.as_ref(), typed, &LocalTime::of(tx)?);
    Ok((form, product.map(|product| product.fields.name)))
}

fn take_product(tx: &mut Tx<'_>, id: Option<Uuid>, typed: &Typed) -> Result<()> {
    let local = LocalTime::of(tx)?;
    let Some(id) = id else {
        let form = product_form(None, Some(typed), &local);
        let read = ReadSheet::of(&form, typed, &local, false)?;
        let made = once(tx, "create_product", read.json.clone(), products::create, products::read);
        return made.map(|_| ()).map_err(|error| read.at_fields(error, &form));
    };
    let before = store::read(tx, ProductId::from(id))?;
    let version = sent_version(typed)?;
    let form = product_form(Some(&before), Some(typed), &local);
    let read = ReadSheet::of(&form, typed, &local, true)?;
    let changed = Patch::<ProductFields>::from_value(read.json.clone()).and_then(|patch| {
        let after = patch.apply(&before.fields)?;
        if after == before.fields {
            return Ok(());
        }
        version.check(before.version)?;
        products::change(tx, &before, after).map(|_| ())
    });
    changed.map_err(|error| read.at_fields(error, &form))
}

/// The form of a new product.
///
/// # Errors
/// Those of the database.
pub async fn show_new(app: App, request: HttpRequest, permit: PagePermit<KeepRegister>) -> Outcome {
    page(app, request, permit, &PRODUCTS, None, None).await
}

/// Makes a product.
///
/// # Errors
/// Those of the database.
pub async fn make(
    app: App,
    request: HttpRequest,
    permit: PagePermit<KeepRegister>,
    typed: Filled<Typed>,
) -> Outcome {
    take(app, request, permit, &PRODUCTS, None, typed.0).await
}

/// The form of a product as it stands.
///
/// # Errors
/// Not found; those of the database.
pub async fn show_one(
    app: App,
    request: HttpRequest,
    permit: PagePermit<KeepRegister>,
    id: At<ProductId>,
) -> Outcome {
    page(app, request, permit, &PRODUCTS, Some(id.0.into()), None).await
}

/// Changes a product.
///
/// # Errors
/// Not found; those of the database.
pub async fn change(
    app: App,
    request: HttpRequest,
    permit: PagePermit<KeepRegister>,
    id: At<ProductId>,
    typed: Filled<Typed>,
) -> Outcome {
    take(app, request, permit, &PRODUCTS, Some(id.0.into()), typed.0).await
}

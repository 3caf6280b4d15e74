//! Sites: the list, a new one, and one that changes.

use actix_web::HttpRequest;
use askama::Template;
use uuid::Uuid;

use super::act_form::Typed;
use super::entry::all;
use super::entry_survey::once;
use super::form::{Filled, sent_version};
use super::frame::{Frame, organisation_name, send};
use super::register_form::{Opened, Register, page, take};
use super::session::PagePermit;
use super::site_form::{at_fields, climate_words, site_form, site_json};
use super::yard_words::{LocalTime, number};
use crate::db::Tx;
use crate::error::Result;
use crate::features::due::api::list::organisation_today;
use crate::features::sites::model::{SiteFields, SiteMonth};
use crate::features::sites::store::Site;
use crate::features::sites::{api as sites, store};
use crate::features::vessels::store::counts_by_site;
use crate::http::{App, At, Outcome, Patch};
use crate::ids::SiteId;
use crate::permissions::{KeepRegister, Read};

struct Row {
    id: SiteId,
    name: String,
    about: String,
    note: String,
    water: String,
    salt: String,
    air: String,
    source: String,
    vessels: i64,
}

#[derive(Template)]
#[template(path = "sites.html")]
struct SitesPage {
    frame: Frame,
    rows: Vec<Row>,
    nowhere: i64,
}

/// The least to the greatest of a year, as "7.2 to 16.8".
fn span(months: &[SiteMonth], of: fn(&SiteMonth) -> f64) -> String {
    let (least, greatest) = months
        .iter()
        .map(of)
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
    let (least, greatest) = (number(least), number(greatest));
    if least == greatest { least } else { format!("{least} to {greatest}") }
}

/// What people call water with this much salt: fresh under 0.5 g/kg, sea water from 30, brackish between (the Venice
/// System, 1958; from memory).
fn water_words(salinity_g_kg: f64) -> &'static str {
    match salinity_g_kg {
        ..0.5 => "fresh",
        0.5..30.0 => "brackish",
        _ => "sea water",
    }
}

/// How salt the water is over the year, in words and figures.
fn salt(months: &[SiteMonth]) -> String {
    let least = months.iter().map(|month| month.salinity_g_kg).fold(f64::INFINITY, f64::min);
    let greatest = months.iter().map(|month| month.salinity_g_kg).fold(0.0, f64::max);
    let (low, high) = (water_words(least), water_words(greatest));
    let words = if low == high { low.to_owned() } else { format!("{low} to {high}") };
    format!("{words}, {} g/kg", span(months, |month| month.salinity_g_kg))
}

fn row(site: Site, vessels: i64) -> Row {
    let SiteFields { r#ref, name, time_zone, climate, months, note } = site.fields;
    let source = climate
        .as_deref()
        .map_or_else(|| "own figures".to_owned(), |name| format!("as usual for: {}", climate_words(name)));
    Row {
        id: site.id,
        name,
        about: [r#ref, Some(format!("clock of {time_zone}"))]
            .into_iter()
            .flatten()
            .collect::<Vec<_>>()
            .join(", "),
        note: note.unwrap_or_default(),
        water: span(&months, |month| month.water_temperature_c),
        salt: salt(&months),
        air: format!(
            "{} °C, {} % humidity",
            span(&months, |month| month.air_temperature_c),
            span(&months, |month| month.relative_humidity_pct)
        ),
        source,
        vessels,
    }
}

/// The sites, by name.
///
/// # Errors
/// Those of the database.
pub async fn show(app: App, request: HttpRequest, permit: PagePermit<Read>) -> Outcome {
    let loaded = app.read(&permit.0, |tx| {
        let today = organisation_today(tx)?;
        let counts = counts_by_site(tx, today)?;
        Ok((all(|page| store::list(tx, None, page))?, counts, organisation_name(tx)?))
    });
    let (mut found, counts, organisation) = loaded.await?;
    found.sort_by(|one, other| (&one.fields.name, one.id).cmp(&(&other.fields.name, other.id)));
    let count = |id: Option<SiteId>| counts.get(&id).copied().unwrap_or_default();
    let rows = found.into_iter().map(|site| (count(Some(site.id)), site));
    let rows = rows.map(|(vessels, site)| row(site, vessels)).collect();
    let frame = Frame::of(&request, organisation, "organisation", "Sites")?;
    send(&SitesPage { frame, rows, nowhere: count(None) })
}

const SITES: Register = Register { list: "/sites", name: "Sites", new: "New site", form, take: take_site };

fn form(tx: &mut Tx<'_>, id: Option<Uuid>, _: Option<&Typed>) -> Result<Opened> {
    let site = id.map(|id| store::read(tx, SiteId::from(id))).transpose()?;
    let form = site_form(site.as_ref(), &LocalTime::of(tx)?);
    Ok((form, site.map(|site| site.fields.name)))
}

fn take_site(tx: &mut Tx<'_>, id: Option<Uuid>, typed: &Typed) -> Result<()> {
    let local = LocalTime::of(tx)?;
    let Some(id) = id else {
        let json = site_json(&site_form(None, &local), typed, &local, None)?;
        return once(tx, "create_site", json, sites::create, sites::read).map(|_| ()).map_err(at_fields);
    };
    let before = store::read(tx, SiteId::from(id))?;
    let version = sent_version(typed)?;
    let json = site_json(&site_form(Some(&before), &local), typed, &local, Some(&before.fields))?;
    let changed = Patch::<SiteFields>::from_value(json).and_then(|patch| {
        let after = patch.apply(&before.fields)?;
        if after == before.fields {
            return Ok(());
        }
        version.check(before.version)?;
        sites::change(tx, &before, after).map(|_| ())
    });
    changed.map_err(at_fields)
}

/// The form of a new site.
///
/// # Errors
/// Those of the database.
pub async fn show_new(app: App, request: HttpRequest, permit: PagePermit<KeepRegister>) -> Outcome {
    page(app, request, permit, &SITES, None, None).await
}

/// Makes a site.
///
/// # Errors
/// Those of the database.
pub async fn make(
    app: App,
    request: HttpRequest,
    permit: PagePermit<KeepRegister>,
    typed: Filled<Typed>,
) -> Outcome {
    take(app, request, permit, &SITES, None, typed.0).await
}

/// The form of a site as it stands.
///
/// # Errors
/// Not found; those of the database.
pub async fn show_one(
    app: App,
    request: HttpRequest,
    permit: PagePermit<KeepRegister>,
    id: At<SiteId>,
) -> Outcome {
    page(app, request, permit, &SITES, Some(id.0.into()), None).await
}

/// Changes a site.
///
/// # Errors
/// Not found; those of the database.
pub async fn change(
    app: App,
    request: HttpRequest,
    permit: PagePermit<KeepRegister>,
    id: At<SiteId>,
    typed: Filled<Typed>,
) -> Outcome {
    take(app, request, permit, &SITES, Some(id.0.into()), typed.0).await
}

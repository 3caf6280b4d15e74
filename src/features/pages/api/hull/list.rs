//! The vessels, by name, to be searched.

use std::collections::HashMap;

use actix_web::HttpRequest;
use askama::Template;
use serde::{Deserialize, Serialize};

use super::kind_words;
use crate::error::Result;
use crate::features::due::api::list::organisation_today;
use crate::features::due::store::{self as due, DueRow};
use crate::features::pages::api::form;
use crate::features::pages::api::frame::{Frame, organisation_name, send};
use crate::features::pages::api::marks::day;
use crate::features::pages::api::session::PagePermit;
use crate::features::pages::api::start::Start;
use crate::features::vessels::store::{self as vessels, Vessel};
use crate::features::{sites, vessels as vessels_feature};
use crate::http::{App, Outcome};
use crate::ids::{SiteId, VesselId};
use crate::permissions::Read;
use vessels_feature::model::VesselFields;

/// Rows of a page.
const ROWS: i64 = 60;

/// What is looked for.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Asked {
    #[serde(skip_serializing_if = "Option::is_none")]
    text: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    site_id: Option<SiteId>,
    #[serde(skip_serializing_if = "Option::is_none")]
    after: Option<VesselId>,
}

struct Row {
    id: VesselId,
    name: String,
    about: String,
    place: String,
    next: Option<DueRow>,
    late: bool,
}

#[derive(Template)]
#[template(path = "vessels.html")]
struct VesselsPage {
    frame: Frame,
    asked: Asked,
    sites: Vec<(SiteId, String)>,
    rows: Vec<Row>,
    next: Option<String>,
    start: Option<Start>,
    /// The part of an address that says which site.
    of_site: String,
}

#[expect(clippy::unused_self, reason = "the template calls methods")]
impl VesselsPage {
    fn what(&self, row: &DueRow) -> String {
        match row.date.due_on {
            Some(on) => format!("{}, {}", kind_words(row.date.kind), day(on)),
            None => format!("{}: no date", kind_words(row.date.kind)),
        }
    }
}

fn about(fields: &VesselFields) -> String {
    let built = fields.built_year.map(|year| format!("built {year}"));
    let length = format!("{}\u{a0}m", fields.length_m);
    [fields.r#ref.clone(), Some(length), built].into_iter().flatten().collect::<Vec<_>>().join(", ")
}

/// The vessels.
///
/// # Errors
/// Those of the database; invalid parameters.
pub async fn show(app: App, request: HttpRequest, permit: PagePermit<Read>) -> Outcome {
    let asked: Asked = form::query(&request)?;
    let looked_for = asked.clone();
    let (mut found, due_rows, sites, organisation, today, start) = app
        .read(&permit.0, move |tx| -> Result<_> {
            let today = organisation_today(tx)?;
            let text = looked_for.text.as_deref().map(str::trim).filter(|text| !text.is_empty());
            let found = vessels::by_name(tx, today, text, looked_for.site_id, looked_for.after, ROWS + 1)?;
            let ids: Vec<VesselId> = found.iter().map(|vessel| vessel.id).collect();
            let start = if found.is_empty() { Start::of(tx)? } else { None };
            let (due_rows, sites) = (due::of_vessels(tx, &ids)?, sites::store::names(tx)?);
            Ok((found, due_rows, sites, organisation_name(tx)?, today, start))
        })
        .await?;
    let most = usize::try_from(ROWS).unwrap_or(usize::MAX);
    let more = found.len() > most;
    found.truncate(most);
    let after = found.last().filter(|_| more).map(|vessel| vessel.id);
    let next = after.map(|after| {
        let further = Asked { after: Some(after), ..asked.clone() };
        format!("/vessels?{}", serde_urlencoded::to_string(further).unwrap_or_default())
    });
    let mut first: HashMap<VesselId, DueRow> = HashMap::new();
    for row in due_rows {
        first.entry(row.vessel.id).or_insert(row);
    }
    let row = |vessel: Vessel| {
        let next = first.remove(&vessel.id);
        let site =
            sites.iter().find(|(id, _)| Some(*id) == vessel.fields.site_id).map(|(_, name)| name.clone());
        let place = [site, vessel.fields.berth.clone(), vessel.fields.owner_name.clone()];
        Row {
            id: vessel.id,
            about: about(&vessel.fields),
            place: place.into_iter().flatten().collect::<Vec<_>>().join(", "),
            late: next.as_ref().and_then(|row| row.date.due_on).is_some_and(|on| on < today),
            name: vessel.fields.name,
            next,
        }
    };
    let rows: Vec<Row> = found.into_iter().map(row).collect();
    let frame = Frame::of(&request, organisation, "vessels", "Vessels")?;
    let of_site = asked.site_id.map_or_else(String::new, |id| format!("?site_id={id}"));
    send(&VesselsPage { frame, asked, sites, rows, next, start, of_site })
}

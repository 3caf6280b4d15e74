//! The limits that the dates follow, and what a change of them would do to the due list, shown before it is saved.

use actix_web::HttpRequest;
use askama::Template;
use chrono::NaiveDate;
use serde_json::{Map, Value};

use super::due::kind_words;
use super::form::{Filled, Pairs, field, number_or_text, version};
use super::frame::{Frame, Told, organisation_name, send_telling};
use super::marks::day;
use super::policy_effect::{Change, Effect, effect};
use super::session::{PagePermit, see};
use crate::error::{Error, Result};
use crate::features::policies::api::{PolicyView, change, read};
use crate::features::policies::model::{PolicyLimits, STATED};
use crate::http::{App, Outcome, Patch, Permit};
use crate::permissions::{Read, SetPolicy};
use crate::science::forecast::dates::DueKind;

/// One limit, as the form shows it.
struct Limit {
    name: &'static str,
    about: String,
    unit: &'static str,
    low: f64,
    high: f64,
    /// What stands in its field.
    given: String,
    /// What holds where nothing is given.
    otherwise: String,
}

#[derive(Template)]
#[template(path = "policy.html")]
struct PolicyPage {
    frame: Frame,
    limits: Vec<Limit>,
    version: i32,
    may_set: bool,
    effect: Option<Effect>,
}

#[allow(clippy::unused_self, reason = "the template calls it")]
impl PolicyPage {
    fn kind(&self, kind: &DueKind) -> &'static str {
        kind_words(kind)
    }
    fn day_words(&self, on: &Option<NaiveDate>) -> String {
        on.map_or_else(|| "no date".to_owned(), day)
    }
    fn moved(&self, change: &Change) -> String {
        match change.days() {
            Some(days) if days > 0 => format!("{days} later"),
            Some(days) => format!("{} earlier", -days),
            None => "–".to_owned(),
        }
    }
}

/// The unit that a name carries.
fn unit(name: &str) -> &'static str {
    const UNITS: [(&str, &str); 7] = [
        ("_months", "months"),
        ("_years", "years"),
        ("_days", "days"),
        ("_days_dry", "days"),
        ("_um", "µm"),
        ("_per_m2", "per m²"),
        ("_mm", "mm"),
    ];
    if name.ends_with("_per_year") {
        return "chance a year, 0 to 1";
    }
    let found = UNITS.iter().find(|(end, _)| name.ends_with(end));
    found.map_or("chance, 0 to 1", |(_, unit)| *unit)
}

fn text(value: Option<&Value>) -> String {
    match value {
        None | Some(Value::Null) => String::new(),
        Some(Value::String(text)) => text.clone(),
        Some(number) => number.to_string(),
    }
}

/// The limits with what stands in their fields: what was sent, or else what is set.
fn limits(view: &PolicyView, sent: Option<&Pairs>) -> Result<Vec<Limit>> {
    let standing = serde_json::to_value(view.limits).map_err(Error::internal)?;
    let inherited = serde_json::to_value(view.inherited).map_err(Error::internal)?;
    let limit = |&(name, low, high, about): &(&'static str, f64, f64, &str)| Limit {
        name,
        about: about.split_whitespace().collect::<Vec<_>>().join(" ").replace('`', ""),
        unit: unit(name),
        low,
        high,
        given: match sent {
            Some(sent) => field(sent, name).unwrap_or_default().to_owned(),
            None => text(standing.get(name)),
        },
        otherwise: text(inherited.get(name)),
    };
    Ok(STATED.iter().map(limit).collect())
}

async fn page<P: crate::permissions::Permission>(
    app: &App,
    request: &HttpRequest,
    permit: &Permit<P>,
    sent: Option<&Pairs>,
    effect: Option<Effect>,
    told: Option<Told>,
) -> Outcome {
    let (name, view) = app.read(permit, |tx| Ok((organisation_name(tx)?, read(tx, None)?))).await?;
    let frame = Frame::of(request, name, "organisation", "Policy")?.telling(told);
    let may_set = frame.sets_policy();
    let page = PolicyPage { frame, limits: limits(&view, sent)?, version: view.version, may_set, effect };
    send_telling(&page, page.frame.told.as_ref())
}

/// The organisation's policy.
///
/// # Errors
/// Those of the database.
pub async fn show(app: App, request: HttpRequest, permit: PagePermit<Read>) -> Outcome {
    page(&app, &request, &permit.0, None, None, None).await
}

/// Shows what other limits would do, or sets them.
///
/// # Errors
/// Those of the database.
pub async fn set(
    app: App,
    request: HttpRequest,
    permit: PagePermit<SetPolicy>,
    filled: Filled<Pairs>,
) -> Outcome {
    let pairs = filled.0;
    let merge: Map<String, Value> = STATED
        .iter()
        .map(|(name, ..)| ((*name).to_owned(), field(&pairs, name).map_or(Value::Null, number_or_text)))
        .collect();
    let saves = field(&pairs, "act") == Some("save");
    let done = async {
        let version = version(&pairs)?;
        let patch: Patch<PolicyLimits> = Patch::from_value(Value::Object(merge))?;
        if saves {
            app.write(&permit.0, move |tx| change(tx, None, version, &patch)).await?;
            return Ok(None);
        }
        effect(&app, &permit.0, patch.apply(&PolicyLimits::default())?).await.map(Some)
    };
    match done.await {
        Ok(None) => Ok(see("/policy?saved=1")),
        Ok(effect) => page(&app, &request, &permit.0, Some(&pairs), effect, None).await,
        Err(error) => page(&app, &request, &permit.0, Some(&pairs), None, Some(Told::of(error)?)).await,
    }
}

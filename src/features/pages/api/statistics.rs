//! How long bottoms last in this fleet, and what the dates have learned from it.

use std::time::Duration;

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse};
use askama::Template;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use super::form;
use super::frame::{Frame, organisation_name, send_as};
use super::learning::{Learning, Refused};
use super::session::PagePermit;
use super::yard_words::{headed, number};
use crate::codes;
use crate::error::{Code, Error, Result};
use crate::features::due::model::LaminateFilter;
use crate::features::pages::model::chart::{Pair, per_cent};
use crate::features::pages::model::lives;
use crate::features::sites;
use crate::features::statistics::api::lifetimes::{LifetimesQuery, LifetimesView, lifetimes};
use crate::features::statistics::api::table;
use crate::features::statistics::model::lifetimes::{
    INTERVAL_CENSORING, LifetimeGroup, LifetimeGrouping, TimeMeasure, Water,
};
use crate::http::csv::whole;
use crate::http::{App, Outcome, Permit};
use crate::ids::SiteId;
use crate::permissions::{Permission, Read};
use crate::science::learning::evidence::SkinSystem;
use crate::science::lifetime::LifetimeQuantile;

/// How long a page waits while another fleet is read and fitted, before it says so.
pub const LONGEST_WAIT: Duration = Duration::from_secs(15);
/// The most groups drawn: more weigh more than a telephone in a yard should load.
const MOST_DRAWN: usize = 6;
/// The most intervals of a table.
const MOST_INTERVALS: usize = 30;
/// Every so many points of a curve stand in its table.
const POINTS_APART: usize = 5;

/// Which lives, put together by what.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Asked {
    #[serde(skip_serializing_if = "Option::is_none")]
    by: Option<LifetimeGrouping>,
    #[serde(skip_serializing_if = "Option::is_none")]
    time: Option<TimeMeasure>,
    #[serde(skip_serializing_if = "Option::is_none")]
    laminate_class: Option<LaminateFilter>,
    #[serde(skip_serializing_if = "Option::is_none")]
    skin_system: Option<SkinSystem>,
    #[serde(skip_serializing_if = "Option::is_none")]
    water: Option<Water>,
    #[serde(skip_serializing_if = "Option::is_none")]
    site_id: Option<SiteId>,
    #[serde(skip_serializing)]
    done: Option<Done>,
}

/// What was done by a form of the page before it was shown again.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Done {
    Accept,
    Priors,
    Fit,
    Preview,
    Settings,
}

impl Done {
    fn words(self) -> &'static str {
        match self {
            Self::Accept => "The dates follow it from now on. All are being computed again.",
            Self::Priors => "The dates follow the priors from now on. All are being computed again.",
            Self::Fit => {
                "A fit is asked for. Reload the page in a minute: a new version stands here, unless nothing has changed since the last."
            }
            Self::Preview => "The preview is being computed anew. Reload the page in a minute.",
            Self::Settings => "Saved.",
        }
    }
}

impl Asked {
    fn query(&self) -> LifetimesQuery {
        LifetimesQuery {
            by: self.by,
            time: self.time,
            laminate_class: self.laminate_class,
            skin_system: self.skin_system,
            water: self.water,
            site_id: self.site_id,
            format: None,
        }
    }
}

/// One thing to choose.
struct Select {
    name: &'static str,
    label: &'static str,
    options: Vec<(String, String, bool)>,
}

/// A choice among codes that are named by themselves.
fn select<T: Serialize + DeserializeOwned>(
    name: &'static str,
    label: &'static str,
    chosen: Option<&T>,
    options: &[(&str, &str)],
) -> Select {
    let chosen = chosen.and_then(|chosen| codes::to_text(chosen).ok()).unwrap_or_default();
    let options =
        options.iter().map(|(code, words)| ((*code).to_owned(), (*words).to_owned(), *code == chosen));
    Select { name, label, options: options.collect() }
}

fn selects(asked: &Asked, sites: &[(SiteId, String)]) -> Vec<Select> {
    let at = |id: &SiteId| asked.site_id == Some(*id);
    let mut of_sites = vec![(String::new(), "All sites".to_owned(), asked.site_id.is_none())];
    of_sites.extend(sites.iter().map(|(id, name)| (id.to_string(), name.clone(), at(id))));
    vec![
        select(
            "by",
            "A curve for each",
            asked.by.as_ref(),
            &[
                ("", "none: all together"),
                ("laminate_class", "laminate class"),
                ("skin_system", "skin"),
                ("water", "water"),
                ("site", "site"),
            ],
        ),
        select("time", "Time", asked.time.as_ref(), &[("", "years"), ("exposure_years", "exposure years")]),
        select(
            "laminate_class",
            "Laminate",
            asked.laminate_class.as_ref(),
            &[
                ("", "All classes"),
                ("orthophthalic", "Orthophthalic"),
                ("isophthalic", "Isophthalic"),
                ("vinylester_skin", "Vinylester skin"),
                ("vinylester", "Vinylester"),
                ("epoxy", "Epoxy"),
                ("unknown", "Unknown"),
            ],
        ),
        select(
            "skin_system",
            "Skin",
            asked.skin_system.as_ref(),
            &[("", "All skins"), ("gelcoat", "Gelcoat"), ("barrier", "Barrier"), ("rebuilt", "Rebuilt")],
        ),
        select(
            "water",
            "Water",
            asked.water.as_ref(),
            &[("", "All waters"), ("fresh", "Fresh"), ("brackish", "Brackish"), ("salt", "Salt")],
        ),
        Select { name: "site_id", label: "Site", options: of_sites },
    ]
}

/// One group as the page tells it.
struct Group {
    title: String,
    hulls: u32,
    lives: u32,
    events: u32,
    one_in_ten: String,
    half: String,
    no_fit: String,
    drawing: Option<Pair>,
    points: Vec<[String; 4]>,
    intervals: Vec<[String; 2]>,
    intervals_left: usize,
}

fn title(group: &LifetimeGroup, by: Option<LifetimeGrouping>) -> String {
    let unknown = |what: &str| format!("{what} unknown");
    match by {
        None => "All together".to_owned(),
        Some(LifetimeGrouping::LaminateClass) => {
            group.laminate_class.as_ref().map_or_else(|| unknown("Class"), headed)
        }
        Some(LifetimeGrouping::SkinSystem) => {
            group.skin_system.as_ref().map_or_else(|| unknown("Skin"), headed)
        }
        Some(LifetimeGrouping::Water) => {
            group.water.as_ref().map_or_else(|| unknown("Water"), |water| format!("{} water", headed(water)))
        }
        Some(LifetimeGrouping::Site) => group.site_name.clone().unwrap_or_else(|| unknown("Site")),
    }
}

fn quantile(found: Option<&LifetimeQuantile>) -> String {
    let Some(LifetimeQuantile { value: Some(value), lower, upper, .. }) = found else {
        return "cannot be told".to_owned();
    };
    match lower.zip(*upper) {
        Some((lower, upper)) => format!("{value:.1} ({lower:.1} to {upper:.1})"),
        None => format!("{value:.1}"),
    }
}

/// The words of a measure of time.
fn unit(time: TimeMeasure) -> &'static str {
    match time {
        TimeMeasure::Years => "years",
        TimeMeasure::ExposureYears => "exposure years",
    }
}

fn group(found: &LifetimeGroup, n: usize, by: Option<LifetimeGrouping>, time: TimeMeasure) -> Group {
    let title = title(found, by);
    let of = |p: f64| found.quantiles.iter().find(|quantile| (quantile.p - p).abs() < 1e-9);
    let share = |share: Option<f64>, without: &str| share.map_or_else(|| without.to_owned(), per_cent);
    let points = found.curve.iter().step_by(POINTS_APART).map(|point| {
        let band = point.lower.zip(point.upper);
        [
            format!("{:.1}", point.t),
            share(point.turnbull, "not told"),
            share(point.weibull, "no fit"),
            band.map_or_else(String::new, |(low, high)| format!("{} to {}", per_cent(low), per_cent(high))),
        ]
    });
    let intervals = found.turnbull.iter().take(MOST_INTERVALS).map(|mass| {
        let when = match mass.to {
            Some(to) => format!("{:.1} to {to:.1}", mass.from),
            None => format!("after {:.1}, or never", mass.from),
        };
        [when, format!("{}\u{a0}%", number((mass.mass * 1000.0).round() / 10.0))]
    });
    let about = format!("{title}: share without blistering over {}", unit(time));
    let id = format!("lives-{}", n + 1);
    Group {
        hulls: found.hulls,
        lives: found.lives,
        events: found.events,
        one_in_ten: quantile(of(0.1)),
        half: quantile(of(0.5)),
        no_fit: found.no_maximum.as_ref().map(|none| none.detail.clone()).unwrap_or_default(),
        drawing: (n < MOST_DRAWN)
            .then(|| Pair::of(|room| lives::drawn(room, found, unit(time), &id, &about))),
        points: points.collect(),
        intervals: intervals.collect(),
        intervals_left: found.turnbull.len().saturating_sub(MOST_INTERVALS),
        title,
    }
}

/// What the lives tell, or why that cannot be told now.
struct Lives {
    about: String,
    left_out: String,
    unit: &'static str,
    groups: Vec<Group>,
    undrawn: usize,
}

fn lives_part(view: &LifetimesView) -> Lives {
    let groups: Vec<Group> =
        view.groups.iter().enumerate().map(|(n, found)| group(found, n, view.by, view.time)).collect();
    let left_out = match view.lives_left_out {
        0 => String::new(),
        1 => "1 life is left out: its beginning is unknown, or no water forecast is made for the hull."
            .to_owned(),
        more => format!(
            "{more} lives are left out: their beginning is unknown, or no water forecast is made for the hull."
        ),
    };
    Lives {
        about: format!(
            "{} lives of {} hulls were looked at; in {} blistering was found.",
            view.lives, view.hulls, view.events
        ),
        left_out,
        unit: unit(view.time),
        undrawn: groups.len().saturating_sub(MOST_DRAWN),
        groups,
    }
}

#[derive(Template)]
#[template(path = "statistics.html")]
struct StatisticsPage {
    frame: Frame,
    selects: Vec<Select>,
    lives: Option<Lives>,
    busy: String,
    csv: String,
    interval_censoring: &'static str,
    learning: Learning,
    done: Option<Done>,
}

/// Sends the page, with what came of a form of it.
///
/// # Errors
/// Those of the database.
pub async fn page<P: Permission>(
    app: &App,
    request: &HttpRequest,
    permit: &Permit<P>,
    asked: Asked,
    refused: Option<Refused>,
) -> Outcome {
    let frame = Frame::of(request, String::new(), "statistics", "How long bottoms last")?;
    let may = (frame.sets_policy(), frame.administers());
    let token = frame.form.clone();
    let (frame, sites, learning, refused) = app
        .read(permit, move |tx| {
            let frame = Frame { organisation: organisation_name(tx)?, ..frame };
            let learning = Learning::of(tx, may, &token, refused.as_ref())?;
            Ok((frame, sites::store::names(tx)?, learning, refused))
        })
        .await?;
    let (lives, busy) = match lifetimes(app, permit, asked.query(), LONGEST_WAIT).await {
        Ok(view) => (Some(lives_part(&view)), String::new()),
        Err(error) if error.code == Code::Unavailable => (None, error.detail),
        Err(error) => return Err(error),
    };
    let status = match (&refused, &lives) {
        (Some(refused), _) => crate::http::problem::status(refused.error.code),
        (None, None) => StatusCode::SERVICE_UNAVAILABLE,
        (None, Some(_)) => StatusCode::OK,
    };
    let query = serde_urlencoded::to_string(&asked).map_err(Error::internal)?;
    let csv =
        if query.is_empty() { "/statistics.csv".to_owned() } else { format!("/statistics.csv?{query}") };
    let page = StatisticsPage {
        selects: selects(&asked, &sites),
        lives,
        busy,
        csv,
        interval_censoring: INTERVAL_CENSORING,
        learning,
        done: asked.done,
        frame,
    };
    send_as(status, &page)
}

/// How long bottoms last.
///
/// # Errors
/// Those of the database; invalid parameters.
pub async fn show(app: App, request: HttpRequest, permit: PagePermit<Read>) -> Outcome {
    let asked: Asked = form::query(&request)?;
    page(&app, &request, &permit.0, asked, None).await
}

/// The same as CSV.
///
/// # Errors
/// Those of the database; invalid parameters.
pub async fn csv(app: App, request: HttpRequest, permit: PagePermit<Read>) -> Result<HttpResponse> {
    let asked: Asked = form::query(&request)?;
    let view = lifetimes(&app, &permit.0, asked.query(), LONGEST_WAIT).await?;
    Ok(whole("lifetimes.csv", table::csv(&view)?))
}

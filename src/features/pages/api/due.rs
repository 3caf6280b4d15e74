//! What falls due: by when, or by lift.

use std::collections::HashMap;

use actix_web::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use actix_web::{HttpRequest, HttpResponse};
use askama::Template;
use chrono::{Days, NaiveDate};
use serde::{Deserialize, Serialize};

use super::form;
use super::frame::{Frame, organisation_name, send};
use super::marks::{Axis, day, range_words};
use super::members::whole;
use super::session::PagePermit;
use super::start::Start;
use crate::codes;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::error::Result;
use crate::features::due::api::export::csv_piece;
use crate::features::due::api::list::organisation_today;
use crate::features::due::model::{DEFAULT_WITHIN_DAYS, DueFilter, served_until};
use crate::features::due::store::{self, DueRow};
use crate::features::grants::store::grant::{self as grants, GrantFilter};
use crate::features::sites;
use crate::http::paging::ListQuery;
use crate::http::{App, Outcome, Page};
use crate::ids::{OrgId, SiteId, VesselId};
use crate::permissions::Read;
use crate::science::cautions::cautions;
use crate::science::forecast::dates::{DueKind, DueStatus};

/// The kinds, as the filter lists them.
const KINDS: [DueKind; 5] =
    [DueKind::Repair, DueKind::Treatment, DueKind::Inspection, DueKind::Barrier, DueKind::Antifouling];

/// When something is due, as the page tells it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum When {
    /// Before today.
    Overdue,
    /// Within thirty days from today.
    Days30,
    /// Within ninety.
    Days90,
    /// Within a year.
    Days365,
    /// Later.
    Later,
    /// Not within the horizon.
    Beyond,
    /// Facts are missing.
    Unknown,
}

/// Those the page counts and can show alone.
const WHENS: [When; 6] =
    [When::Overdue, When::Days30, When::Days90, When::Days365, When::Later, When::Unknown];

impl When {
    fn of(due_on: Option<NaiveDate>, status: DueStatus, today: NaiveDate) -> Self {
        match (due_on, status) {
            (_, DueStatus::NotEnoughData) => Self::Unknown,
            (None, DueStatus::Due) => Self::Beyond,
            (Some(due_on), DueStatus::Due) => match (due_on - today).num_days() {
                ..0 => Self::Overdue,
                0..30 => Self::Days30,
                30..90 => Self::Days90,
                90..365 => Self::Days365,
                _ => Self::Later,
            },
        }
    }

    fn words(self) -> &'static str {
        match self {
            Self::Overdue => "Overdue",
            Self::Days30 => "Within 30 days",
            Self::Days90 => "In 30 to 90 days",
            Self::Days365 => "In 90 days to a year",
            Self::Later => "Later",
            Self::Beyond => "Not within the horizon",
            Self::Unknown => "Not enough known",
        }
    }

    fn narrow(self, filter: &mut DueFilter, today: NaiveDate) {
        let after = |days| today.checked_add_days(Days::new(days));
        let (not_before, before) = match self {
            Self::Overdue => (None, Some(today)),
            Self::Days30 => (Some(today), after(30)),
            Self::Days90 => (after(30), after(90)),
            Self::Days365 => (after(90), after(365)),
            Self::Later => (after(365), None),
            Self::Beyond => (None, None),
            Self::Unknown => {
                filter.status = Some(DueStatus::NotEnoughData);
                (None, None)
            }
        };
        (filter.not_before, filter.before) = (not_before, before);
    }
}

/// What the rows are put together by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum By {
    /// What one lift can serve.
    Lift,
}

/// The most rows of a page, and the most lifts: more of them weigh more than a telephone in a yard should load.
const MOST_ROWS: i64 = 100;
const MOST_LIFTS: i64 = 50;

/// What the page shows.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Asked {
    #[serde(skip_serializing_if = "Option::is_none")]
    org_id: Option<OrgId>,
    #[serde(skip_serializing_if = "Option::is_none")]
    site_id: Option<SiteId>,
    #[serde(skip_serializing_if = "Option::is_none")]
    kind: Option<DueKind>,
    #[serde(skip_serializing_if = "Option::is_none")]
    when: Option<When>,
    #[serde(skip_serializing_if = "Option::is_none")]
    by: Option<By>,
    #[serde(skip_serializing_if = "Option::is_none")]
    limit: Option<u32>,
    #[serde(skip_serializing_if = "Option::is_none")]
    cursor: Option<String>,
}
crate::list_query!(Asked, "due_page");

impl Asked {
    /// The filter, but for when.
    fn whenever(&self) -> DueFilter {
        DueFilter { org_id: self.org_id, site_id: self.site_id, kind: self.kind, ..DueFilter::default() }
    }

    /// The filter of the rows.
    #[must_use]
    pub fn filter(&self, today: NaiveDate) -> DueFilter {
        let mut filter = self.whenever();
        if let Some(when) = self.when {
            when.narrow(&mut filter, today);
        }
        filter
    }

    /// Which rows were chosen, for a reader of the whole list.
    #[must_use]
    pub fn in_words(&self) -> String {
        let chosen: Vec<String> = [
            self.org_id.map(|id| format!("organisation {id}")),
            self.site_id.map(|id| format!("site {id}")),
            self.kind.as_ref().map(|kind| kind_words(kind).to_lowercase()),
            self.when.map(|when| when.words().to_lowercase()),
        ]
        .into_iter()
        .flatten()
        .collect();
        if chosen.is_empty() { "All rows.".to_owned() } else { format!("Only: {}.", chosen.join(", ")) }
    }

    /// Whether rows are left out of the page.
    fn is_narrowed(&self) -> bool {
        let filtered = self.org_id.is_some() || self.site_id.is_some() || self.kind.is_some();
        // Each lift is of rows with a date.
        filtered || self.when.is_some() || self.by.is_some() || self.cursor.is_some()
    }

    fn address(&self, path: &str) -> String {
        let query = serde_urlencoded::to_string(self).unwrap_or_default();
        if query.is_empty() { path.to_owned() } else { format!("{path}?{query}") }
    }
}

struct Shown {
    row: DueRow,
    place: String,
    day: String,
    late: bool,
    bar: String,
    words: String,
}

struct Group {
    title: String,
    about: String,
    rows: Vec<Shown>,
}

#[derive(Template)]
#[template(path = "due.html")]
struct DuePage {
    frame: Frame,
    asked: Asked,
    sites: Vec<(SiteId, String)>,
    fleets: Vec<(OrgId, String)>,
    counts: Vec<(When, i64)>,
    groups: Vec<Group>,
    axis: String,
    next: Option<String>,
    cautions: Vec<&'static str>,
    narrowed: bool,
    start: Option<Start>,
}

#[expect(clippy::unused_self, reason = "the template calls methods")]
impl DuePage {
    fn code(&self, code: &impl Serialize) -> String {
        codes::to_text(code).unwrap_or_default()
    }
    fn kind(&self, kind: &DueKind) -> &'static str {
        kind_words(kind)
    }
    fn when(&self, when: &When) -> &'static str {
        when.words()
    }
    fn only(&self, when: &When) -> String {
        let asked = Asked { when: Some(*when), cursor: None, ..self.asked.clone() };
        asked.address("/due")
    }
    fn fleet(&self, path: &str) -> String {
        self.asked.site_id.map_or_else(|| path.to_owned(), |site_id| format!("{path}?site_id={site_id}"))
    }
    fn whole(&self, path: &str) -> String {
        let asked = Asked { by: None, cursor: None, limit: None, ..self.asked.clone() };
        asked.address(path)
    }
}

/// A kind in words.
#[must_use]
pub fn kind_words(kind: &DueKind) -> &'static str {
    match kind {
        DueKind::Inspection => "Inspection",
        DueKind::Barrier => "Barrier",
        DueKind::Antifouling => "Antifouling",
        DueKind::Repair => "Repair",
        DueKind::Treatment => "Treatment",
    }
}

fn shown(row: DueRow, axis: Axis, today: NaiveDate) -> Shown {
    let place =
        [row.vessel.site_name.as_deref(), row.vessel.berth.as_deref(), row.vessel.owner_name.as_deref()];
    Shown {
        place: place.into_iter().flatten().collect::<Vec<_>>().join(", "),
        day: match (row.date.due_on, row.date.status) {
            (Some(due_on), _) => day(due_on),
            (None, DueStatus::Due) => "Not within the horizon".to_owned(),
            (None, DueStatus::NotEnoughData) => "No date yet".to_owned(),
        },
        late: row.date.due_on.is_some_and(|day| day < today),
        bar: axis.bar(row.date.due_on, row.date.due_range),
        words: range_words(row.date.due_range),
        row,
    }
}

/// Rows in their order, under a heading for each stretch of time.
fn by_when(rows: Vec<DueRow>, axis: Axis, today: NaiveDate) -> Vec<Group> {
    let mut groups: Vec<Group> = Vec::new();
    for row in rows {
        let title = When::of(row.date.due_on, row.date.status, today).words();
        if groups.last().is_none_or(|group| group.title != title) {
            groups.push(Group { title: title.to_owned(), about: String::new(), rows: Vec::new() });
        }
        if let Some(group) = groups.last_mut() {
            group.rows.push(shown(row, axis, today));
        }
    }
    groups
}

/// The lifts of a page, each with all that it serves, what is due later left out.
fn by_lift(
    tx: &mut Tx<'_>,
    filter: &DueFilter,
    page: PageRequest,
    axis: Axis,
    today: NaiveDate,
) -> Result<(Vec<Group>, Option<Position>)> {
    let Slice { items, next } = store::lifts(tx, filter, page)?;
    let ids: Vec<VesselId> = items.iter().map(|lift| lift.vessel_id).collect();
    let mut rows: HashMap<(OrgId, VesselId), Vec<DueRow>> = HashMap::new();
    for row in store::of_vessels(tx, &ids)? {
        rows.entry((row.vessel.org_id, row.vessel.id)).or_default().push(row);
    }
    let groups = items.into_iter().filter_map(|lift| {
        let until = served_until(lift.lift_by, today, DEFAULT_WITHIN_DAYS);
        let rows = rows.remove(&(lift.org_id, lift.vessel_id))?;
        let (served, later): (Vec<DueRow>, Vec<DueRow>) =
            rows.into_iter().partition(|row| row.date.due_on.is_some_and(|day| day <= until));
        let vessel = &served.first()?.vessel;
        let phone = vessel.owner_phone.as_ref().map(|phone| format!(" Owner's telephone: {phone}."));
        Some(Group {
            title: format!("{}: lift by {}", vessel.name, day(lift.lift_by)),
            about: format!(
                "One lift serves {}; {} later or without a date.{}",
                served.len(),
                later.len(),
                phone.unwrap_or_default()
            ),
            rows: served.into_iter().map(|row| shown(row, axis, today)).collect(),
        })
    });
    Ok((groups.collect(), next))
}

fn counts(tx: &mut Tx<'_>, asked: &Asked, today: NaiveDate) -> Result<Vec<(When, i64)>> {
    let mut of: HashMap<When, i64> = HashMap::new();
    for (due_on, status, rows) in store::counts(tx, &asked.whenever())? {
        *of.entry(When::of(due_on, status, today)).or_default() += rows;
    }
    Ok(WHENS.iter().map(|when| (*when, of.get(when).copied().unwrap_or(0))).collect())
}

/// The fleets that the list spans: one's own, and those of which vessels are granted; none where there is one alone.
fn fleets(tx: &mut Tx<'_>, own: &str) -> Result<Vec<(OrgId, String)>> {
    let live = GrantFilter { live: Some(true), ..GrantFilter::default() };
    let held = whole(|page| grants::list_held(tx, live, page))?;
    let mut others: Vec<(OrgId, String)> =
        held.into_iter().map(|grant| (grant.org_id, grant.partner_name)).collect();
    others.sort_by(|one, other| (&one.1, one.0).cmp(&(&other.1, other.0)));
    others.dedup();
    if !others.is_empty() {
        others.insert(0, (tx.acting_org_id(), own.to_owned()));
    }
    Ok(others)
}

/// What falls due.
///
/// # Errors
/// Those of the database; invalid parameters.
pub async fn show(app: App, request: HttpRequest, permit: PagePermit<Read>) -> Outcome {
    let asked: Asked = form::query(&request)?;
    let mut page = asked.page()?;
    page.limit = page.limit.min(if asked.by.is_some() { MOST_LIFTS } else { MOST_ROWS });
    let loaded = app
        .read(&permit.0, move |tx| {
            let today = organisation_today(tx)?;
            let (filter, axis) = (asked.filter(today), Axis::around(today));
            let (groups, next) = match asked.by {
                Some(By::Lift) => by_lift(tx, &filter, page, axis, today)?,
                None => {
                    let Slice { items, next } = store::list(tx, &filter, page)?;
                    (by_when(items, axis, today), next)
                }
            };
            let counts = counts(tx, &asked, today)?;
            let (sites, organisation) = (sites::store::names(tx)?, organisation_name(tx)?);
            let fleets = fleets(tx, &organisation)?;
            let start = if groups.is_empty() { Start::of(tx)? } else { None };
            Ok((asked, groups, next, counts, sites, organisation, axis, fleets, start))
        })
        .await?;
    let (asked, mut groups, next, counts, sites, organisation, axis, fleets, start) = loaded;
    let own = permit.0.actor().org_id;
    for shown in groups.iter_mut().flat_map(|group| &mut group.rows) {
        // Of another organisation that granted it.
        if shown.row.vessel.org_id != own {
            shown.place = format!("of {}; {}", shown.row.vessel.org_name, shown.place);
        }
    }
    let kinds = groups.iter().flat_map(|group| &group.rows).map(|shown| shown.row.date.kind);
    let cautions = cautions(kinds.flat_map(|kind| kind.works().iter().copied()));
    let Page { next_cursor, .. } = asked.answer(Slice { items: Vec::<()>::new(), next }, |()| ());
    let next = next_cursor.map(|cursor| Asked { cursor: Some(cursor), ..asked.clone() }.address("/due"));
    let frame = Frame::of(&request, organisation, "due", "What falls due")?;
    let (narrowed, axis) = (asked.is_narrowed(), axis.heading());
    send(&DuePage { frame, asked, sites, fleets, counts, groups, axis, next, cautions, narrowed, start })
}

/// The same list as CSV, whole.
///
/// # Errors
/// Those of the database; invalid parameters.
pub async fn csv(app: App, request: HttpRequest, permit: PagePermit<Read>) -> Outcome {
    let asked: Asked = form::query(&request)?;
    let bytes = app
        .read(&permit.0, move |tx| {
            let today = organisation_today(tx)?;
            let filter = asked.filter(today);
            let (mut bytes, mut next) = csv_piece(tx, &filter, None, today)?;
            while let Some(after) = next {
                let (more, further) = csv_piece(tx, &filter, Some(after), today)?;
                bytes.extend(more);
                next = further;
            }
            Ok(bytes)
        })
        .await?;
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "text/csv; charset=utf-8; header=present"))
        .insert_header((CONTENT_DISPOSITION, "attachment; filename=\"due.csv\""))
        .body(bytes))
}

#[cfg(test)]
mod tests {
    use super::{DueFilter, DueStatus, NaiveDate, When};

    /// Every date of a stretch is chosen by that stretch's filter, and by no other's.
    #[test]
    fn the_filters_choose_what_the_headings_say() {
        let today: NaiveDate = "2026-06-15".parse().expect("a date");
        for days in -400..800_i64 {
            let due_on = today + chrono::Duration::days(days);
            let of = When::of(Some(due_on), DueStatus::Due, today);
            for when in [When::Overdue, When::Days30, When::Days90, When::Days365, When::Later] {
                let mut filter = DueFilter::default();
                when.narrow(&mut filter, today);
                let chosen = filter.not_before.is_none_or(|first| due_on >= first)
                    && filter.before.is_none_or(|end| due_on < end);
                assert_eq!(chosen, of == when, "{days} {when:?}");
            }
        }
    }
}

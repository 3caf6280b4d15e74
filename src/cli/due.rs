//! `garboard due`: the due list at the terminal, or as CSV or JSON for the next program.

use chrono::NaiveDate;
use clap::{Args, ValueEnum};
use serde_json::Value;

use crate::cli::client::{Remote, Service};
use crate::cli::database::{ForOrganisation, Where};
use crate::cli::output::{hushed, print};
use crate::clock::Clock;
use crate::db::paging::PageRequest;
use crate::db::{Actor, Db, Tx};
use crate::error::{Code, Error, Result};
use crate::features::due::api::export::csv_piece;
use crate::features::due::api::list::{DueView, organisation_today};
use crate::features::due::model::DueFilter;
use crate::features::due::store;
use crate::features::sites;
use crate::ids::SiteId;
use crate::science::forecast::dates::{Basis, DueKind, DueStatus};

/// The form of the list.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Form {
    /// A table to read.
    Table,
    /// The whole list with a header line.
    Csv,
    /// An array of rows as the API gives them.
    Json,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Kind {
    Inspection,
    Barrier,
    Antifouling,
    Repair,
    Treatment,
}

impl Kind {
    fn due(self) -> DueKind {
        match self {
            Self::Inspection => DueKind::Inspection,
            Self::Barrier => DueKind::Barrier,
            Self::Antifouling => DueKind::Antifouling,
            Self::Repair => DueKind::Repair,
            Self::Treatment => DueKind::Treatment,
        }
    }
}

/// Print what falls due.
#[derive(Debug, Args)]
pub struct Due {
    #[command(flatten)]
    database: Where,
    #[command(flatten)]
    organisation: ForOrganisation,
    #[command(flatten)]
    remote: Remote,
    /// Only hulls lying at this site, by its name or reference
    #[arg(long)]
    site: Option<String>,
    /// Only this kind
    #[arg(long, value_enum)]
    kind: Option<Kind>,
    /// Only what is due before this day
    #[arg(long, value_name = "DATE")]
    before: Option<NaiveDate>,
    /// Only what is overdue
    #[arg(long)]
    overdue: bool,
    /// The form
    #[arg(long = "as", alias = "format", value_enum, default_value_t = Form::Table)]
    form: Form,
}

impl Due {
    pub(super) fn run(&self) -> Result<()> {
        if let Some(door) = self.remote.door(self.database.data_dir.as_deref())? {
            return self.print_from(&self.remote.enter(door)?);
        }
        let opened = self.database.open()?;
        let actor = self.organisation.actor(&opened.db)?;
        let site_id =
            self.site.as_deref().map(|site| opened.db.read(&actor, |tx| find_site(tx, site))).transpose()?;
        let kind = self.kind.map(Kind::due);
        let filter = DueFilter { site_id, kind, before: self.before, ..DueFilter::default() };
        let text = opened.db.read(&actor, |tx| {
            let today = organisation_today(tx)?;
            let filter = filter.overdue(self.overdue.then_some(true), today);
            match self.form {
                Form::Table => Ok(table(&lines(&rows(tx, &filter, today)?), today)),
                Form::Json => serde_json::to_string_pretty(&rows(tx, &filter, today)?)
                    .map(|text| text + "\n")
                    .map_err(Error::internal),
                Form::Csv => csv(tx, &filter, today),
            }
        })?;
        print(&text)
    }

    fn print_from(&self, service: &Service) -> Result<()> {
        if self.organisation.organisation.is_some() {
            return Err(Error::new(
                Code::Invalid,
                "--organisation is for a database here. A session and a program are in one organisation each.",
            ));
        }
        let mut query = Vec::new();
        if let Some(site) = &self.site {
            query.push(("site_id", site_of_service(service, site)?));
        }
        query.extend(self.kind.map(|kind| ("kind", kind_name(kind.due()).to_owned())));
        query.extend(self.before.map(|before| ("before", before.to_string())));
        query.extend(self.overdue.then(|| ("overdue", "true".to_owned())));
        match self.form {
            Form::Csv => service.copy("/v1/due", &query, "text/csv", &mut std::io::stdout().lock()),
            Form::Json => {
                let rows = service.all("/v1/due", &query)?;
                print(&(serde_json::to_string_pretty(&rows).map_err(Error::internal)? + "\n"))
            }
            Form::Table => {
                let rows: Vec<Line> = service.all("/v1/due", &query)?.iter().map(Line::read).collect();
                print(&table(&rows, Clock::System.now().date_naive()))
            }
        }
    }
}

/// The id of a service's site of that name, reference or id.
fn site_of_service(service: &Service, asked: &str) -> Result<String> {
    let sites = service.all("/v1/sites", &[])?;
    let is = |site: &&Value| ["name", "ref", "id"].iter().any(|field| site[field] == asked);
    let fitting: Vec<&Value> = sites.iter().filter(is).collect();
    match fitting[..] {
        [site] => Ok(site["id"].as_str().unwrap_or_default().to_owned()),
        [] => Err(Error::new(
            Code::Invalid,
            format!(
                "There is no site named {asked}. There are: {}.",
                sites
                    .iter()
                    .map(|site| hushed(site["name"].as_str().unwrap_or_default()))
                    .collect::<Vec<_>>()
                    .join(", ")
            ),
        )),
        _ => Err(Error::new(
            Code::Invalid,
            format!("Several sites are named {asked}. Name one by its reference or id."),
        )),
    }
}

/// Prints the whole due list as a table.
///
/// # Errors
/// Those of the database; an output that cannot be written to.
pub fn print_table(db: &Db, actor: &Actor) -> Result<()> {
    let text = db.read(actor, |tx| {
        let today = organisation_today(tx)?;
        Ok(table(&lines(&rows(tx, &DueFilter::default(), today)?), today))
    })?;
    print(&text)
}

fn find_site(tx: &mut Tx<'_>, asked: &str) -> Result<SiteId> {
    let page = PageRequest { limit: 10_000, after: None };
    let sites = sites::store::list(tx, None, page)?.items;
    let mut fitting =
        sites.iter().filter(|site| site.fields.name == asked || site.fields.r#ref.as_deref() == Some(asked));
    match (fitting.next(), fitting.next()) {
        (Some(site), None) => Ok(site.id),
        (None, _) => Err(Error::new(
            Code::Invalid,
            format!(
                "There is no site named {asked}. There are: {}.",
                sites.iter().map(|s| s.fields.name.as_str()).collect::<Vec<_>>().join(", ")
            ),
        )),
        (Some(_), Some(_)) => Err(Error::new(
            Code::Invalid,
            format!("Several sites are named {asked}. Name one by its reference."),
        )),
    }
}

fn rows(tx: &mut Tx<'_>, filter: &DueFilter, today: NaiveDate) -> Result<Vec<DueView>> {
    let mut all = Vec::new();
    let mut after = None;
    loop {
        let slice = store::list(tx, filter, PageRequest { limit: 500, after })?;
        all.extend(slice.items.into_iter().map(|row| DueView::of(row, today)));
        after = slice.next;
        if after.is_none() {
            return Ok(all);
        }
    }
}

fn csv(tx: &mut Tx<'_>, filter: &DueFilter, today: NaiveDate) -> Result<String> {
    let mut text = Vec::new();
    let mut after = None;
    loop {
        let (bytes, next) = csv_piece(tx, filter, after, today)?;
        text.extend(bytes);
        after = next;
        if after.is_none() {
            return String::from_utf8(text).map_err(Error::internal);
        }
    }
}

fn kind_name(kind: DueKind) -> &'static str {
    match kind {
        DueKind::Inspection => "inspection",
        DueKind::Barrier => "barrier",
        DueKind::Antifouling => "antifouling",
        DueKind::Repair => "repair",
        DueKind::Treatment => "treatment",
    }
}

/// A line of the table.
struct Line {
    hull: String,
    kind: String,
    due_on: Option<NaiveDate>,
    /// Whether a date could be set, be it past the horizon.
    dated: bool,
    overdue: bool,
    likely: Option<(Option<NaiveDate>, Option<NaiveDate>)>,
    learned: bool,
    reason: String,
}

impl Line {
    fn of(row: &DueView) -> Self {
        Self {
            hull: hushed(&row.vessel_name),
            kind: kind_name(row.date.kind).to_owned(),
            due_on: row.date.due_on,
            dated: row.date.status == DueStatus::Due,
            overdue: row.overdue,
            likely: row.date.due_range.map(|range| (range.p10, range.p90)),
            learned: row.date.basis == Basis::Learned,
            reason: row.date.reason.clone(),
        }
    }

    /// A row of the API.
    fn read(row: &Value) -> Self {
        let text = |value: &Value| hushed(value.as_str().unwrap_or_default());
        let day = |value: &Value| value.as_str().and_then(|day| day.parse().ok());
        let range = &row["due_range"];
        Self {
            hull: text(&row["vessel_name"]),
            kind: text(&row["kind"]),
            due_on: day(&row["due_on"]),
            dated: row["status"] == "due",
            overdue: row["overdue"] == true,
            likely: range.is_object().then(|| (day(&range["p10"]), day(&range["p90"]))),
            learned: row["basis"] == "learned",
            reason: text(&row["reason"]),
        }
    }

    fn range(&self) -> String {
        let day = |day: Option<NaiveDate>| {
            day.map_or_else(|| "later".to_owned(), |day| day.format("%Y-%m").to_string())
        };
        match self.likely {
            Some((from, until)) if self.due_on.is_some() => format!("{} .. {}", day(from), day(until)),
            _ => String::new(),
        }
    }
}

fn lines(rows: &[DueView]) -> Vec<Line> {
    rows.iter().map(Line::of).collect()
}

fn table(rows: &[Line], today: NaiveDate) -> String {
    let mut text = String::new();
    let name_width = rows.iter().map(|row| row.hull.chars().count()).max().unwrap_or(0).max("hull".len());
    let line = |hull: &str, kind: &str, due: &str, range: &str, reason: &str| {
        format!("{hull:<name_width$}  {kind:<11}  {due:<12}  {range:<18}  {reason}\n")
    };
    text.push_str(&line("hull", "due", "on", "likely range", "why"));
    for row in rows {
        let due = match row.due_on {
            Some(on) if row.overdue => format!("{on} !"),
            Some(on) => on.to_string(),
            None if row.dated => "later".to_owned(),
            None => "?".to_owned(),
        };
        text.push_str(&line(&row.hull, &row.kind, &due, &row.range(), &row.reason));
    }
    let overdue = rows.iter().filter(|row| row.overdue).count();
    let missing = rows.iter().filter(|row| !row.dated).count();
    let learned = rows.iter().filter(|row| row.learned).count();
    let basis = match learned {
        0 => "All dates rest on priors, not on this fleet's history.".to_owned(),
        _ => format!("{learned} dates rest on this fleet's history, the others on priors."),
    };
    text.push_str(&format!(
        "\n{} rows on {today}: {overdue} overdue (!), {missing} that lack facts (?). {basis}\nThis advises; local codes and a qualified surveyor or coating inspector decide.\n",
        rows.len()
    ));
    text
}

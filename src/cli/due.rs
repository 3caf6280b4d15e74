//! `garboard due`: the due list at the terminal, or as CSV or JSON for the next program.

use chrono::NaiveDate;
use clap::{Args, ValueEnum};

use crate::cli::database::{ForOrganisation, Where};
use crate::cli::output::print;
use crate::db::paging::PageRequest;
use crate::db::{Actor, Db, Tx};
use crate::error::{Code, Error, Result};
use crate::features::due::api::export::csv_piece;
use crate::features::due::api::list::{DueView, organisation_today};
use crate::features::due::model::DueFilter;
use crate::features::due::store;
use crate::features::sites;
use crate::ids::SiteId;
use crate::science::forecast::dates::{DueKind, DueStatus};

/// The form of the list.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
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

/// Print what falls due.
#[derive(Debug, Args)]
pub struct Due {
    #[command(flatten)]
    database: Where,
    #[command(flatten)]
    organisation: ForOrganisation,
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
    #[arg(long, value_enum, default_value_t = Format::Table)]
    format: Format,
}

impl Due {
    pub(super) fn run(&self) -> Result<()> {
        let opened = self.database.open()?;
        let actor = self.organisation.actor(&opened.db)?;
        let site_id =
            self.site.as_deref().map(|site| opened.db.read(&actor, |tx| find_site(tx, site))).transpose()?;
        let kind = self.kind.map(|kind| match kind {
            Kind::Inspection => DueKind::Inspection,
            Kind::Barrier => DueKind::Barrier,
            Kind::Antifouling => DueKind::Antifouling,
            Kind::Repair => DueKind::Repair,
            Kind::Treatment => DueKind::Treatment,
        });
        let filter = DueFilter { site_id, kind, before: self.before, ..DueFilter::default() };
        let text = opened.db.read(&actor, |tx| {
            let today = organisation_today(tx)?;
            let filter = filter.overdue(self.overdue.then_some(true), today);
            match self.format {
                Format::Table => Ok(table(&rows(tx, &filter, today)?, today)),
                Format::Json => serde_json::to_string_pretty(&rows(tx, &filter, today)?)
                    .map(|text| text + "\n")
                    .map_err(Error::internal),
                Format::Csv => csv(tx, &filter, today),
            }
        })?;
        print(&text)
    }
}

/// Prints the whole due list as a table.
///
/// # Errors
/// Those of the database; an output that cannot be written to.
pub fn print_table(db: &Db, actor: &Actor) -> Result<()> {
    let text = db.read(actor, |tx| {
        let today = organisation_today(tx)?;
        Ok(table(&rows(tx, &DueFilter::default(), today)?, today))
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

fn range(row: &DueView) -> String {
    let day = |day: Option<NaiveDate>| {
        day.map_or_else(|| "later".to_owned(), |day| day.format("%Y-%m").to_string())
    };
    match row.date.due_range {
        Some(range) if row.date.due_on.is_some() => format!("{} .. {}", day(range.p10), day(range.p90)),
        _ => String::new(),
    }
}

/// A name that was entered over several lines, on one; nothing in it steers the terminal.
fn in_one_line(name: &str) -> String {
    name.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}

fn table(rows: &[DueView], today: NaiveDate) -> String {
    let mut text = String::new();
    let name_width =
        rows.iter().map(|row| row.vessel_name.chars().count()).max().unwrap_or(0).max("hull".len());
    let line = |hull: &str, kind: &str, due: &str, range: &str, reason: &str| {
        format!("{hull:<name_width$}  {kind:<11}  {due:<12}  {range:<18}  {reason}\n")
    };
    text.push_str(&line("hull", "due", "on", "likely range", "why"));
    for row in rows {
        let due = match row.date.due_on {
            Some(on) if on < today => format!("{on} !"),
            Some(on) => on.to_string(),
            None if row.date.status == DueStatus::Due => "later".to_owned(),
            None => "?".to_owned(),
        };
        text.push_str(&line(
            &in_one_line(&row.vessel_name),
            kind_name(row.date.kind),
            &due,
            &range(row),
            &row.date.reason,
        ));
    }
    let overdue = rows.iter().filter(|row| row.overdue).count();
    let missing = rows.iter().filter(|row| row.date.status != DueStatus::Due).count();
    text.push_str(&format!(
        "\n{} rows on {today}: {overdue} overdue (!), {missing} that lack facts (?). All dates rest on priors, not on this fleet's history.\nThis advises; local codes and a qualified surveyor or coating inspector decide.\n",
        rows.len()
    ));
    text
}

//! `garboard hindcast`: how right the dates have been, at the terminal, or as CSV or JSON for the next program.

use clap::{Args, ValueEnum};

use crate::cli::client::Remote;
use crate::cli::database::{ForOrganisation, Where};
use crate::cli::output::print;
use crate::error::{Code, Error, Result};
use crate::features::due::api::list::organisation_today;
use crate::features::hindcasts::api::csv;
use crate::features::hindcasts::model::{Asked, HindcastView, LEAD_MONTHS};
use crate::features::hindcasts::store;

/// The form of the answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Form {
    /// Sentences and a table to read.
    Table,
    /// Every survey and what was said of it.
    Csv,
    /// The scores as the API gives them.
    Json,
}

/// Hold past surveys against the forecasts that were possible before them.
#[derive(Debug, Args)]
pub struct Hindcast {
    #[command(flatten)]
    database: Where,
    #[command(flatten)]
    organisation: ForOrganisation,
    #[command(flatten)]
    remote: Remote,
    /// Surveys from the first of January of this year on
    #[arg(long = "from", value_name = "YEAR")]
    from_year: i32,
    /// Months from a forecast to its survey
    #[arg(long, value_name = "N", default_value_t = LEAD_MONTHS)]
    lead_months: u32,
    /// The form
    #[arg(long = "as", value_enum, default_value_t = Form::Table)]
    form: Form,
}

impl Hindcast {
    pub(super) fn run(&self) -> Result<()> {
        if let Some(door) = self.remote.door(self.database.data_dir.as_deref())? {
            if self.organisation.organisation.is_some() {
                return Err(Error::new(
                    Code::Invalid,
                    "--organisation is for a database here. A session and a program are in one organisation each.",
                ));
            }
            let service = self.remote.enter(door)?;
            let query =
                [("from_year", self.from_year.to_string()), ("lead_months", self.lead_months.to_string())];
            if self.form == Form::Csv {
                return service.copy("/v1/hindcast", &query, "text/csv", &mut std::io::stdout().lock());
            }
            let answer = service.get("/v1/hindcast", &query)?;
            if self.form == Form::Json {
                return print(&(serde_json::to_string_pretty(&answer).map_err(Error::internal)? + "\n"));
            }
            let view: HindcastView = serde_json::from_value(answer).map_err(Error::internal)?;
            return print(&table(&view));
        }
        let opened = self.database.open()?;
        let actor = self.organisation.actor(&opened.db)?;
        let today = opened.db.read(&actor, organisation_today)?;
        let asked = Asked { from_year: self.from_year, lead_months: self.lead_months }.checked(today)?;
        let (view, cases) = store::hindcast(&opened.db, &actor, asked, None)?;
        match self.form {
            Form::Table => print(&table(&view)),
            Form::Json => print(&(serde_json::to_string_pretty(&view).map_err(Error::internal)? + "\n")),
            Form::Csv => print(&String::from_utf8_lossy(&csv(&cases)?)),
        }
    }
}

fn table(view: &HindcastView) -> String {
    let mut text = String::new();
    for sentence in &view.findings {
        text.push_str(sentence);
        text.push('\n');
    }
    if !view.chance_bands.is_empty() {
        text.push_str("\nchance forecast   surveys   mean chance   found\n");
    }
    for band in &view.chance_bands {
        text.push_str(&format!(
            "{:>5.0} .. {:>3.0} %     {:>7}   {:>9.1} %   {:>5.1} %\n",
            100.0 * band.from_probability,
            100.0 * band.under_probability,
            band.surveys,
            100.0 * band.mean_probability,
            100.0 * band.found_fraction
        ));
    }
    let left = &view.left_out;
    text.push_str(&format!(
        "\nLeft out: {} that told nothing of onset, {} blistered before, {} after work on the skin, {} without a day before, \
         {} of which none could be forecast.\n\n",
        left.undecided, left.already_blistered, left.skin_changed, left.without_a_day_before, left.not_forecast
    ));
    for limit in &view.limits {
        text.push_str(limit);
        text.push('\n');
    }
    text
}

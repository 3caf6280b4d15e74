//! How thick a coat is, as measured by a named method, and whether a published rule accepts it.

use chrono::{DateTime, Utc};
use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::CoatFields;
use crate::error::{Error, FieldError, Result};
use crate::features::products::model::ProductFields;
use crate::features::surveys::model::fact::within_years;
use crate::ids::FilmId;
use crate::science::film::{FilmInput, FilmOutput, FilmRule, film};
use crate::science::quantity::mean_dry_film_um;

/// How a film was measured. Magnetic and eddy-current gauges do not read on fibreglass and are not here.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum FilmMethod {
    /// An ultrasonic gauge on the dry film.
    Ultrasonic,
    /// A comb on the wet film; the dry one follows from volume solids.
    WetFilm,
    /// Reckoned from the coat's litres and area.
    LitresUsed,
    /// A cut through the dry film, measured under a glass.
    Destructive,
}

/// A film as it was measured.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Validate, ToSchema)]
pub struct FilmFields {
    /// How.
    #[garde(skip)]
    pub method: FilmMethod,
    /// The rule it is held against.
    #[garde(skip)]
    pub rule: FilmRule,
    /// Nominal dry film thickness; for pa-2 the specified minimum.
    #[garde(range(min = 1.0, max = 50_000.0))]
    #[schema(minimum = 1, maximum = 50_000)]
    pub nominal_um: f64,
    /// Greatest dry film thickness; where none is given, three times nominal for iso-19840 and none else.
    #[garde(range(min = 1.0, max = 50_000.0))]
    #[schema(minimum = 1, maximum = 50_000)]
    pub max_um: Option<f64>,
    /// Restriction level of pa-2; 3 when left out.
    #[garde(range(min = 1, max = 5))]
    #[schema(minimum = 1, maximum = 5)]
    pub level: Option<i32>,
    /// The readings as taken: wet ones for `wet_film`, none for `litres_used`, the means of the spots for pa-2.
    #[serde(default)]
    #[garde(length(max = 2000), inner(range(min = 0.0, max = 50_000.0)))]
    #[schema(max_items = 2000)]
    pub readings_um: Vec<f64>,
    /// Volume solids that a wet film or litres are reckoned with; the product's when left out.
    #[garde(range(min = 1.0, max = 100.0))]
    #[schema(minimum = 1, maximum = 100)]
    pub volume_solids_pct: Option<f64>,
    /// The share of the paint that was lost, for `litres_used`.
    #[garde(range(min = 0.0, max = 0.95))]
    #[schema(minimum = 0, maximum = 0.95)]
    pub loss_fraction: Option<f64>,
    /// When.
    #[garde(custom(within))]
    pub measured_at: DateTime<Utc>,
    /// The film of this coat that this one takes the place of: it stays in the history and counts no more.
    #[garde(skip)]
    pub supersedes_id: Option<FilmId>,
    /// Anything else.
    #[garde(length(chars, max = 4000))]
    #[schema(max_length = 4000)]
    pub note: Option<String>,
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "garde passes references")]
fn within(time: &DateTime<Utc>, context: &()) -> garde::Result {
    within_years(&time.date_naive(), context)
}

/// A film and what its rule says of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// The film, with the volume solids it was reckoned with.
    pub fields: FilmFields,
    /// What the rule says.
    pub output: FilmOutput,
}

impl FilmFields {
    /// The film held against its rule.
    ///
    /// # Errors
    /// Invalid: no readings or some where none belong, volume solids, litres, area or loss not known, a time that has
    /// not come or lies before the coat, or what the rule itself refuses.
    pub fn judged(
        mut self,
        coat: &CoatFields,
        sheet: Option<&ProductFields>,
        now: DateTime<Utc>,
    ) -> Result<Judged> {
        let mut faults = Vec::new();
        let mut refuse = |pointer: &str, code: &str, detail: &str| {
            faults.push(FieldError::new(pointer, code, detail));
        };
        if self.measured_at > now {
            refuse(
                "/measured_at",
                "future",
                "lies in the future. Record what has been measured; correct the time.",
            );
        }
        if (self.measured_at.date_naive() - coat.applied_on).num_days() < -1 {
            refuse("/measured_at", "before_coat", "is before the coat was put on. Correct one of them.");
        }
        let reckoned = matches!(self.method, FilmMethod::WetFilm | FilmMethod::LitresUsed);
        if reckoned {
            self.volume_solids_pct =
                self.volume_solids_pct.or(sheet.and_then(|sheet| sheet.volume_solids_pct));
            if self.volume_solids_pct.is_none() {
                refuse(
                    "/volume_solids_pct",
                    "missing",
                    "is not known. Enter it, or name a product whose sheet has it on the coat.",
                );
            }
        } else if self.volume_solids_pct.is_some() {
            refuse("/volume_solids_pct", "not_used", "is for a wet film or litres. Leave it out.");
        }
        if self.method == FilmMethod::LitresUsed {
            if !self.readings_um.is_empty() {
                refuse("/readings_um", "not_used", "are not taken for litres_used. Leave them out.");
            }
            if coat.litres.is_none() || coat.area_m2.is_none() {
                refuse(
                    "/method",
                    "litres_unknown",
                    "needs the coat's litres and area_m2. Enter them on the coat.",
                );
            }
            if self.loss_fraction.is_none() {
                refuse(
                    "/loss_fraction",
                    "missing",
                    "is required for litres_used. Enter the share that was lost.",
                );
            }
        } else {
            if self.loss_fraction.is_some() {
                refuse("/loss_fraction", "not_used", "is for litres_used. Leave it out.");
            }
            if self.readings_um.is_empty() {
                refuse("/readings_um", "empty", "is empty. Enter the readings.");
            } else if self.readings_um.iter().all(|reading| (1e-9..self.nominal_um / 100.0).contains(reading))
            {
                refuse(
                    "/readings_um",
                    "unit",
                    "are all under a hundredth of nominal_um: millimetres? Enter micrometres.",
                );
            }
        }
        if !faults.is_empty() {
            return Err(Error::invalid(faults));
        }
        let output = film(&self.input(coat)).map_err(|refusals| {
            let mut error = Error::from(refusals);
            for field in &mut error.fields {
                field.pointer = field.pointer.replacen("/spots_um", "/readings_um", 1);
            }
            Error::invalid(error.fields)
        })?;
        Ok(Judged { fields: self, output })
    }

    /// The dry film for the rule.
    fn input(&self, coat: &CoatFields) -> FilmInput {
        let solids = self.volume_solids_pct.unwrap_or(100.0);
        let dry: Vec<f64> = match self.method {
            FilmMethod::Ultrasonic | FilmMethod::Destructive => self.readings_um.clone(),
            FilmMethod::WetFilm => self.readings_um.iter().map(|wet| wet * solids / 100.0).collect(),
            FilmMethod::LitresUsed => coat
                .litres
                .zip(coat.area_m2)
                .map(|(litres, area_m2)| {
                    mean_dry_film_um(litres, self.loss_fraction.unwrap_or(0.0), solids, area_m2)
                })
                .into_iter()
                .collect(),
        };
        let (readings_um, spots_um) =
            if self.rule == FilmRule::Pa2 { (None, Some(dry)) } else { (Some(dry), None) };
        FilmInput {
            rule: self.rule,
            nominal_um: self.nominal_um,
            max_um: self.max_um,
            readings_um,
            spots_um,
            spot_readings_um: None,
            level: self.level.and_then(|level| u8::try_from(level).ok()),
        }
    }
}

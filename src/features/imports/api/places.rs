//! Where readings belong: the surveys and stations that rows name, found or to be made.

use std::collections::{BTreeSet, HashMap};

use chrono::NaiveDate;
use serde_json::{Map, Value, json};

use super::names::{NamedVessels, each_once};
use super::refusal::Refusal;
use crate::db::Tx;
use crate::error::Result;
use crate::features::imports::model::report::RowError;
use crate::features::imports::model::sheet::{Entry, Sheet};
use crate::features::imports::store::{self, StationHere, SurveyHere};
use crate::features::surveys::model::station::StationFields;
use crate::features::surveys::model::survey::SurveyFields;
use crate::http::body::read_fields;
use crate::ids::{Id, StationId, SurveyId, VesselId};

/// A survey or station of a row: one that is kept, or one to make with the row.
pub(super) enum Place<Here, Fields> {
    Kept(Here),
    ToMake(Here, Fields),
}

impl<Here, Fields> Place<Here, Fields> {
    pub(super) fn here(&self) -> &Here {
        match self {
            Self::Kept(here) | Self::ToMake(here, _) => here,
        }
    }
}

/// The surveys a file names, by reference or by vessel and day.
pub(super) struct NamedSurveys {
    by_ref: HashMap<String, SurveyHere>,
    by_day: HashMap<(VesselId, NaiveDate), Vec<SurveyHere>>,
    /// The new references that the file's own rows give to a vessel's day, so that the order of its rows does
    /// not decide which survey a row without a reference belongs to.
    days_in_file: HashMap<(VesselId, NaiveDate), BTreeSet<String>>,
    refs_in_file: HashMap<String, NaiveDate>,
}

impl NamedSurveys {
    pub(super) fn of(tx: &mut Tx<'_>, sheet: &Sheet, vessels: &NamedVessels) -> Result<Self> {
        let refs = each_once(sheet, "survey_ref");
        let days: Vec<NaiveDate> =
            each_once(sheet, "surveyed_on").into_iter().filter_map(|day| day.parse().ok()).collect();
        let mut named = Self {
            by_ref: HashMap::new(),
            by_day: HashMap::new(),
            days_in_file: HashMap::new(),
            refs_in_file: HashMap::new(),
        };
        for survey in store::surveys_named(tx, &refs, &vessels.ids(), &days)? {
            named.add(survey);
        }
        if !refs.is_empty() {
            named.note_days(sheet, vessels);
        }
        Ok(named)
    }

    fn note_days(&mut self, sheet: &Sheet, vessels: &NamedVessels) {
        for entry in sheet.table().rows().filter_map(|row| sheet.entry(row).ok()) {
            let Some((reference, day)) = entry.text("survey_ref").zip(surveyed_on(&entry)) else { continue };
            if self.by_ref.contains_key(reference) {
                continue;
            }
            self.refs_in_file.entry(reference.to_owned()).or_insert(day);
            if let Ok(vessel_id) = vessels.of_row(&entry) {
                self.days_in_file.entry((vessel_id, day)).or_default().insert(reference.to_owned());
            }
        }
    }

    /// All that are kept.
    pub(super) fn ids(&self) -> Vec<SurveyId> {
        self.by_ref.values().chain(self.by_day.values().flatten()).map(|survey| survey.id).collect()
    }

    /// Adds one that is kept from now on.
    pub(super) fn add(&mut self, survey: SurveyHere) {
        if let Some(reference) = &survey.r#ref {
            self.by_ref.insert(reference.clone(), survey.clone());
        }
        if survey.withdrawn {
            return;
        }
        self.by_day.entry((survey.vessel_id, survey.surveyed_on)).or_default().push(survey);
    }

    /// The survey of a row.
    pub(super) fn of_row(
        &self,
        entry: &Entry<'_>,
        vessel_id: VesselId,
    ) -> std::result::Result<Place<SurveyHere, SurveyFields>, Refusal> {
        let own_day = surveyed_on(entry);
        let reference = match (entry.text("survey_ref"), own_day) {
            (Some(reference), _) => Some(reference),
            (None, Some(day)) => self.only_ref_of_day(entry, vessel_id, day)?,
            (None, None) => {
                return Err(entry
                    .error("surveyed_on", "missing", "or survey_ref is required. Name the survey or its day.")
                    .into());
            }
        };
        if let Some(survey) = reference.and_then(|reference| self.by_ref.get(reference)) {
            return kept_survey(entry, survey, vessel_id, own_day).map_err(Refusal::from);
        }
        let elsewhere = || reference.and_then(|reference| self.refs_in_file.get(reference).copied());
        let day = own_day.or_else(elsewhere).ok_or_else(|| {
            entry.error(
                "surveyed_on",
                "missing",
                "is required: there is no survey of this reference yet, and one is made as a draft of this day.",
            )
        })?;
        if reference.is_none()
            && let Some([survey]) = self.by_day.get(&(vessel_id, day)).map(Vec::as_slice)
        {
            return Ok(Place::Kept(survey.clone()));
        }
        let fields = json!({"ref": reference, "vessel_id": vessel_id, "surveyed_on": day});
        let fields = read_fields(fields).map_err(|error| Refusal::of(entry, error, None))?;
        let here = SurveyHere {
            id: SurveyId::fresh(),
            r#ref: reference.map(str::to_owned),
            vessel_id,
            surveyed_on: day,
            meter_scale: None,
            signed: false,
            withdrawn: false,
        };
        Ok(Place::ToMake(here, fields))
    }

    /// For a row without a reference: that of the only survey of the vessel's day, where it has one.
    fn only_ref_of_day(
        &self,
        entry: &Entry<'_>,
        vessel_id: VesselId,
        day: NaiveDate,
    ) -> std::result::Result<Option<&str>, RowError> {
        let kept = self.by_day.get(&(vessel_id, day)).map_or(&[][..], Vec::as_slice);
        let in_file = self.days_in_file.get(&(vessel_id, day));
        let mut refs: BTreeSet<&str> = in_file.into_iter().flatten().map(String::as_str).collect();
        refs.extend(kept.iter().filter_map(|survey| survey.r#ref.as_deref()));
        let without = kept.iter().filter(|survey| survey.r#ref.is_none()).count();
        match (refs.len(), without) {
            (0 | 1, 0) => Ok(refs.first().copied()),
            (0, 1) => Ok(None),
            _ => Err(entry.error(
                "surveyed_on",
                "ambiguous",
                "fits several surveys of this vessel, kept or named in this file. Name the survey by survey_ref; one without a reference takes its readings over the API.",
            )),
        }
    }
}

fn surveyed_on(entry: &Entry<'_>) -> Option<NaiveDate> {
    entry.text("surveyed_on").and_then(|day| day.parse().ok())
}

fn kept_survey(
    entry: &Entry<'_>,
    survey: &SurveyHere,
    vessel_id: VesselId,
    day: Option<NaiveDate>,
) -> std::result::Result<Place<SurveyHere, SurveyFields>, RowError> {
    if survey.withdrawn {
        return Err(entry.error(
            "survey_ref",
            "withdrawn",
            "is a survey that was withdrawn as entered in error. Give this one another reference, or correct this row.",
        ));
    }
    if survey.vessel_id != vessel_id {
        return Err(entry.error(
            "survey_ref",
            "contradicts",
            "is a survey of another vessel. Correct one of them.",
        ));
    }
    if day.is_some_and(|day| day != survey.surveyed_on) {
        let reason = format!("is not the day of this survey, {}. Correct one of them.", survey.surveyed_on);
        return Err(entry.error("surveyed_on", "contradicts", reason));
    }
    Ok(Place::Kept(survey.clone()))
}

/// The stations of the vessels a file names.
pub(super) struct NamedStations(HashMap<(VesselId, String), StationHere>);

impl NamedStations {
    pub(super) fn of(tx: &mut Tx<'_>, vessels: &NamedVessels) -> Result<Self> {
        let stations = store::stations_of(tx, &vessels.ids())?;
        Ok(Self(
            stations
                .into_iter()
                .map(|station| ((station.vessel_id, station.code.clone()), station))
                .collect(),
        ))
    }

    /// Adds one that is kept from now on.
    pub(super) fn add(&mut self, station: StationHere) {
        self.0.insert((station.vessel_id, station.code.clone()), station);
    }

    /// The station of a row.
    pub(super) fn of_row(
        &self,
        entry: &Entry<'_>,
        vessel_id: VesselId,
    ) -> std::result::Result<Place<StationHere, StationFields>, Refusal> {
        let code = entry
            .text("station_code")
            .ok_or_else(|| entry.error("station_code", "missing", "is required. Name the station."))?;
        if let Some(station) = self.0.get(&(vessel_id, code.to_owned())) {
            let other = differing(entry, &station.particulars);
            return if other.is_empty() {
                Ok(Place::Kept(station.clone()))
            } else {
                Err(Refusal::Row(other))
            };
        }
        if entry.text("side").is_none() {
            let reason = "is required: the vessel has no station of this code yet. Enter port or starboard, or correct the code.";
            return Err(entry.error("side", "missing", reason).into());
        }
        let mut particulars = Map::new();
        for (name, default) in [("hull", "centre"), ("zone", "bottom")] {
            particulars.insert(name.to_owned(), json!(default));
        }
        entry.write_over(&mut particulars, |column| PARTICULARS.contains(&column.name));
        let mut fields = particulars.clone();
        fields.insert("vessel_id".to_owned(), json!(vessel_id));
        fields.insert("code".to_owned(), json!(code));
        let fields = read_fields(Value::Object(fields)).map_err(|error| Refusal::of(entry, error, None))?;
        let here = StationHere { id: StationId::fresh(), vessel_id, code: code.to_owned(), particulars };
        Ok(Place::ToMake(here, fields))
    }
}

const PARTICULARS: [&str; 5] = ["hull", "side", "zone", "x_m", "girth_m"];

/// What a row says of a station that is not so.
fn differing(entry: &Entry<'_>, kept: &Map<String, Value>) -> Vec<RowError> {
    let differs = |name: &&&str| entry.value(name).is_some_and(|value| kept.get(**name) != Some(value));
    PARTICULARS
        .iter()
        .filter(differs)
        .map(|name| {
            let shown = kept.get(*name).filter(|value| !value.is_null()).map_or("nothing".to_owned(), |value| {
                format!("`{}`", value.as_str().map_or_else(|| value.to_string(), str::to_owned))
            });
            entry.error(
                name,
                "differs",
                format!("differs from this station as it is known: {shown}. Correct the file, or change the station over the API."),
            )
        })
        .collect()
}

//! Rows of readings. They come by the hundred thousand: everything they name is looked up in a few queries,
//! and what is new is written thousands at a time. The audit keeps one row for the whole file.

use std::collections::HashMap;

use serde_json::{Map, Value, json};

use super::names::{NamedVessels, each_once};
use super::places::{NamedStations, NamedSurveys, Place};
use super::records::{once, withdrawn};
use super::refusal::{Refusal, differences};
use super::run::Effect;
use crate::db::Tx;
use crate::error::{Error, Result};
use crate::features::imports::model::identity::{Found, Registry, Used};
use crate::features::imports::model::sheet::{Entry, Sheet};
use crate::features::imports::store::{self, ReadingHere, StationHere, SurveyHere, attempt, place_of};
use crate::features::surveys::api::{stations, surveys};
use crate::features::surveys::model::reading::ReadingFields;
use crate::features::surveys::model::station::StationFields;
use crate::features::surveys::model::survey::SurveyFields;
use crate::features::surveys::store::reading::{NewReadingRow, insert_readings, insert_version};
use crate::http::body::read_fields;
use crate::ids::{Id, ReadingId};

/// New readings written at a time.
const BATCH: usize = 5000;

/// The readings a file names, with their surveys and stations.
pub(super) struct Readings {
    vessels: NamedVessels,
    surveys: NamedSurveys,
    stations: NamedStations,
    registry: Registry<ReadingId>,
    kept: HashMap<ReadingId, ReadingHere>,
    used: Used,
    new: Vec<NewReadingRow>,
    update: bool,
}

impl Readings {
    pub(super) fn of(tx: &mut Tx<'_>, sheet: &Sheet, update: bool) -> Result<Self> {
        let vessels = NamedVessels::of(tx, sheet)?;
        // Whoever signs one of these surveys, or adds readings to it, takes turns with this import.
        store::lock_vessels(tx, &vessels.ids())?;
        let surveys = NamedSurveys::of(tx, sheet, &vessels)?;
        let stations = NamedStations::of(tx, &vessels)?;
        let kept = store::readings_named(tx, &each_once(sheet, "ref"), &surveys.ids())?;
        Ok(Self {
            vessels,
            surveys,
            stations,
            registry: Registry::of(kept.iter().map(ReadingHere::known).collect()),
            kept: kept.into_iter().map(|reading| (reading.id, reading)).collect(),
            used: Used::default(),
            new: Vec::new(),
            update,
        })
    }

    pub(super) fn write(
        &mut self,
        tx: &mut Tx<'_>,
        entry: &Entry<'_>,
    ) -> std::result::Result<Effect, Refusal> {
        let vessel_id = self.vessels.of_row(entry)?;
        let survey = self.surveys.of_row(entry, vessel_id)?;
        let station = self.stations.of_row(entry, vessel_id)?;
        let sent = fields_of(entry, survey.here(), station.here())?;
        let reference = entry.text("ref");
        let place = place_of(&sent);
        once(&mut self.used, entry, [("ref", reference), ("sequence", Some(&place))])?;
        match self.registry.find(reference, Some(&place)) {
            Found::New => {}
            Found::One(id) => return self.meet(tx, entry, id, &sent),
            Found::Several | Found::Withdrawn => return Err(withdrawn(entry).into()),
        }
        if self.registry.find(None, Some(&place)) != Found::New {
            let reason = "is taken at this survey, station and scale by a reading with another reference. Use the next sequence, or correct that reading.";
            return Err(entry.error("sequence", "duplicate", reason).into());
        }
        if survey.here().signed {
            let reason = format!(
                "names a survey that is signed and takes no new readings. Open a correction first: POST /v1/surveys/{}/correction with the reason. Then import again.",
                survey.here().id
            );
            let column = if entry.text("survey_ref").is_some() { "survey_ref" } else { "surveyed_on" };
            return Err(entry.error(column, "signed", reason).into());
        }
        self.make_places(tx, entry, survey, station)?;
        self.new.push(NewReadingRow { id: ReadingId::fresh(), vessel_id, fields: sent });
        if self.new.len() >= BATCH {
            self.flush(tx).map_err(Refusal::Import)?;
        }
        Ok(Effect::Created)
    }

    /// A row that speaks of a reading that is kept.
    fn meet(
        &self,
        tx: &mut Tx<'_>,
        entry: &Entry<'_>,
        id: ReadingId,
        sent: &ReadingFields,
    ) -> std::result::Result<Effect, Refusal> {
        let refused = |error| Refusal::of(entry, error, None);
        let kept =
            self.kept.get(&id).ok_or_else(|| Refusal::Import(Error::internal("a reading not loaded")))?;
        let before = kept.fields.clone().without_reason();
        let value = |fields: &ReadingFields| {
            serde_json::to_value(fields).map_err(|cause| Refusal::Import(Error::internal(cause)))
        };
        let kept_value = value(&before)?;
        let Value::Object(mut merged) = kept_value.clone() else {
            return Err(Refusal::Import(Error::internal("a reading is an object")));
        };
        write_over(entry, &mut merged);
        for (name, value) in [
            ("survey_id", json!(sent.survey_id)),
            ("station_id", json!(sent.station_id)),
            ("scale", json!(sent.scale)),
            ("sequence", json!(sent.sequence)),
        ] {
            merged.insert(name.to_owned(), value);
        }
        let mut after: ReadingFields = read_fields(Value::Object(merged)).map_err(refused)?;
        if after == before {
            return Ok(Effect::Unchanged);
        }
        if !self.update {
            return Err(Refusal::Row(differences(entry, &kept_value, &value(&after)?)));
        }
        after.correction_reason = entry.text("correction_reason").map(str::to_owned);
        let fields = after.changing(&before).map_err(refused)?;
        let row = NewReadingRow { id, vessel_id: kept.vessel_id, fields };
        attempt(tx, |tx| insert_version(tx, kept.version + 1, row)).map_err(refused)?;
        Ok(Effect::Updated)
    }

    /// Makes the survey and the station of a row where they are new: both or neither.
    fn make_places(
        &mut self,
        tx: &mut Tx<'_>,
        entry: &Entry<'_>,
        survey: Place<SurveyHere, SurveyFields>,
        station: Place<StationHere, StationFields>,
    ) -> std::result::Result<(), Refusal> {
        let survey = match survey {
            Place::Kept(_) => None,
            Place::ToMake(here, fields) => Some((here, fields)),
        };
        let station = match station {
            Place::Kept(_) => None,
            Place::ToMake(here, fields) => Some((here, fields)),
        };
        if survey.is_none() && station.is_none() {
            return Ok(());
        }
        attempt(tx, |tx| {
            if let Some((here, fields)) = &survey {
                surveys::create(tx, here.id, fields.clone())?;
            }
            if let Some((here, fields)) = &station {
                stations::create(tx, here.id, fields.clone())?;
            }
            Ok(())
        })
        .map_err(|error| Refusal::of(entry, error, None))?;
        if let Some((here, _)) = survey {
            self.surveys.add(here);
        }
        if let Some((here, _)) = station {
            self.stations.add(here);
        }
        Ok(())
    }

    fn flush(&mut self, tx: &mut Tx<'_>) -> Result<()> {
        insert_readings(tx, &self.new)?;
        self.new.clear();
        Ok(())
    }

    pub(super) fn finish(mut self, tx: &mut Tx<'_>) -> Result<()> {
        self.flush(tx)
    }
}

fn write_over(entry: &Entry<'_>, fields: &mut Map<String, Value>) {
    let own = ["ref", "scale", "sequence", "value", "taken_at", "note"];
    entry.write_over(fields, |column| own.contains(&column.name));
}

/// The reading of a row as if it were new.
fn fields_of(
    entry: &Entry<'_>,
    survey: &SurveyHere,
    station: &StationHere,
) -> std::result::Result<ReadingFields, Refusal> {
    let mut fields = Map::new();
    write_over(entry, &mut fields);
    fields.insert("survey_id".to_owned(), json!(survey.id));
    fields.insert("station_id".to_owned(), json!(station.id));
    read_fields::<ReadingFields>(Value::Object(fields))
        .and_then(|fields| fields.made(survey.meter_scale.as_deref()))
        .map_err(|error| Refusal::of(entry, error, None))
}

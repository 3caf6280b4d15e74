//! The dossier as a page for printing.

use std::collections::BTreeMap;

use actix_web::http::header::CONTENT_TYPE;
use actix_web::{HttpResponse, get};
use askama::Template;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use chrono::{DateTime, NaiveDate, Utc};
use serde::Serialize;

use super::facts::{Fact, number, particulars, survey_facts, word};
use super::{Dossier, DossierSurvey, gathered};
use crate::error::{Error, Result};
use crate::features::attachments::model::MediaType;
use crate::features::attachments::store::{Attachment, thumbnail_name};
use crate::features::coats::api::films::FilmView;
use crate::features::dossier::model::map::{Flag, Frame, Mark, drawn};
use crate::features::dossier::model::plan::Bow;
use crate::features::dossier::model::readings::{StationValue, printed};
use crate::features::forecasts::model::EvidenceItem;
use crate::features::surveys::api::stations::StationView;
use crate::features::surveys::model::survey::SurveyState;
use crate::features::vessels::model::{HullPart, VesselFields};
use crate::http::problem::ReadProblems;
use crate::http::{App, At, Outcome, Permit};
use crate::ids::{AttachmentId, CoatId, PersonId, StationId, VesselId};
use crate::permissions::Read;
use crate::science::forecast::dates::DueStatus;

/// How the page looks, on screens and on paper.
pub const STYLE: &str = include_str!("../../../html/files/dossier.css");
/// Small pictures on a page; the rest is told by its caption.
const MOST_PICTURES: usize = 60;
/// Columns of a table of readings.
const MOST_COLUMNS: usize = 8;

#[derive(Template)]
#[template(path = "dossier.html")]
struct DossierPage<'a> {
    /// Where the style is; within the page, for one that is kept by itself.
    sheet: Option<String>,
    dossier: &'a Dossier,
    names: BTreeMap<PersonId, &'a str>,
    particulars: Vec<Fact>,
    surveys: Vec<SurveyPart<'a>>,
    tables: Vec<ReadingTable>,
    pictures: Vec<PicturePart>,
}

/// A survey on the page.
struct SurveyPart<'a> {
    survey: &'a DossierSurvey,
    facts: Vec<Fact>,
    /// Until when it was read, where that was after its day.
    until: String,
    maps: Vec<String>,
    /// What was read where no map can show it.
    unplaced: Vec<String>,
}

/// What was read on one scale: a row a station, a column a survey.
struct ReadingTable {
    scale: String,
    days: Vec<String>,
    rows: Vec<(String, String, Vec<String>)>,
}

/// A photograph or certificate on the page.
struct PicturePart {
    source: Option<String>,
    caption: String,
    about: String,
}

/// How far the readings on each scale go, over all surveys.
fn ranges(surveys: &[DossierSurvey]) -> BTreeMap<&str, (f64, f64)> {
    let mut ranges: BTreeMap<&str, (f64, f64)> = BTreeMap::new();
    for value in surveys.iter().flat_map(|survey| &survey.values) {
        let range = ranges.entry(&value.scale).or_insert((value.value, value.value));
        *range = (range.0.min(value.value), range.1.max(value.value));
    }
    ranges
}

/// Which hull, in words.
#[must_use]
pub fn hull_name(hull: HullPart) -> &'static str {
    match hull {
        HullPart::Centre => "the hull",
        HullPart::Port => "the port hull",
        HullPart::Starboard => "the starboard hull",
    }
}

/// That the readings of a survey went on after its day, and until when.
fn read_until(survey: &DossierSurvey) -> String {
    let last = survey.values.iter().filter_map(|value| value.last_taken_at).max();
    last.map(|at| at.date_naive())
        .filter(|on| *on > survey.fields.surveyed_on)
        .map_or_else(String::new, |on| format!(", read until {on}"))
}

/// What the maps of a hull's surveys share.
#[derive(Debug, Clone, Copy)]
pub struct MapFacts<'a> {
    /// The vessel.
    pub vessel: &'a VesselFields,
    /// Its stations.
    pub stations: &'a [StationView],
    /// All its surveys: the colours mean the same on the maps of all.
    pub surveys: &'a [DossierSurvey],
}

/// The maps of a survey: one for each scale and hull, with the findings of that hull, and in words what was read where no
/// map can show it.
#[must_use]
pub fn maps_of(
    facts: MapFacts<'_>,
    survey: &DossierSurvey,
    flags: &[(HullPart, Flag)],
    bow: Bow,
) -> (Vec<String>, Vec<String>) {
    let MapFacts { vessel, stations, surveys } = facts;
    let ranges = ranges(surveys);
    let girth_m = stations.iter().filter_map(|station| station.fields.girth_m).fold(0.0, f64::max);
    let mut unplaced = Vec::new();
    let order = |hull: HullPart| match hull {
        HullPart::Centre => 0,
        HullPart::Port => 1,
        HullPart::Starboard => 2,
    };
    let mut groups: BTreeMap<(&str, u8), (HullPart, Vec<Mark>)> = BTreeMap::new();
    for value in &survey.values {
        let fields =
            stations.iter().find(|station| station.id == value.station_id).map(|station| &station.fields);
        let placed = fields.and_then(|fields| Some((fields, fields.x_m?, fields.girth_m?)));
        let Some((fields, x_m, girth_m)) = placed else {
            unplaced.push(format!("{} {} ({})", value.code, printed(value.value), value.scale));
            continue;
        };
        let mark = Mark {
            code: value.code.clone(),
            side: fields.side,
            zone: fields.zone,
            x_m,
            girth_m,
            value: value.value,
        };
        let group = groups.entry((&value.scale, order(fields.hull))).or_insert((fields.hull, Vec::new()));
        group.1.push(mark);
    }
    for (hull, _) in flags {
        if !groups.values().any(|(of, _)| of == hull) {
            groups.insert(("", order(*hull)), (*hull, Vec::new()));
        }
    }
    let maps = groups.into_iter().map(|((scale, _), (hull, marks))| {
        let (lowest, highest) = ranges.get(scale).copied().unwrap_or_default();
        let turned = match bow {
            Bow::Left => "with the bow to the left",
            Bow::Up => "with the bow up",
        };
        let frame = Frame {
            title: format!(
                "Readings of {}{} on {}, unfolded, seen from below {turned}.",
                survey.fields.surveyed_on,
                read_until(survey),
                hull_name(hull)
            ),
            scale: scale.to_owned(),
            lowest,
            highest,
            length_m: vessel.lwl_m.unwrap_or(vessel.length_m),
            girth_m,
        };
        let flags: Vec<Flag> =
            flags.iter().filter(|(of, _)| *of == hull).map(|(_, flag)| flag.clone()).collect();
        drawn(&frame, &marks, &flags, bow)
    });
    (maps.collect(), unplaced)
}

/// The survey with a map for each scale and hull.
fn survey_part<'a>(dossier: &Dossier, survey: &'a DossierSurvey) -> SurveyPart<'a> {
    let facts =
        MapFacts { vessel: &dossier.vessel.fields, stations: &dossier.stations, surveys: &dossier.surveys };
    let (maps, unplaced) = maps_of(facts, survey, &[], Bow::Left);
    SurveyPart { survey, facts: survey_facts(survey), until: read_until(survey), maps, unplaced }
}

/// Tables of all that was read: a table for each scale and so many surveys.
fn tables(dossier: &Dossier) -> Vec<ReadingTable> {
    let mut tables = Vec::new();
    for scale in ranges(&dossier.surveys).into_keys() {
        let of_scale = |values: &[StationValue], id: StationId| {
            let found = values.iter().find(|value| value.scale == scale && value.station_id == id);
            found.map_or_else(String::new, |value| printed(value.value))
        };
        let surveys: Vec<&DossierSurvey> = dossier
            .surveys
            .iter()
            .rev()
            .filter(|survey| survey.values.iter().any(|value| value.scale == scale))
            .collect();
        for some in surveys.chunks(MOST_COLUMNS) {
            let rows = dossier
                .stations
                .iter()
                .map(|station| {
                    let cells: Vec<String> =
                        some.iter().map(|survey| of_scale(&survey.values, station.id)).collect();
                    (station.fields.code.clone(), word(&station.fields.zone), cells)
                })
                .filter(|(_, _, cells)| cells.iter().any(|cell| !cell.is_empty()))
                .collect();
            let draft =
                |survey: &DossierSurvey| if survey.state == SurveyState::Draft { ", draft" } else { "" };
            let days = some
                .iter()
                .map(|survey| format!("{}{}{}", survey.fields.surveyed_on, read_until(survey), draft(survey)))
                .collect();
            tables.push(ReadingTable { scale: scale.to_owned(), days, rows });
        }
    }
    tables
}

/// What an attachment is bound to, in words.
fn about(dossier: &Dossier, attachment: &Attachment) -> String {
    let fields = &attachment.fields;
    let mut parts = vec![word(&fields.kind)];
    parts.extend(fields.taken_on.map(|day| day.to_string()));
    parts.extend(fields.taken_by.clone());
    let survey = dossier.surveys.iter().find(|survey| Some(survey.id) == fields.survey_id);
    parts.extend(survey.map(|survey| format!("survey of {}", survey.fields.surveyed_on)));
    let finding = dossier.findings.iter().find(|finding| Some(finding.id) == fields.finding_id);
    parts.extend(
        finding.map(|finding| format!("{} found {}", word(&finding.fields.kind), finding.fields.found_on)),
    );
    let station = dossier.stations.iter().find(|station| Some(station.id) == fields.station_id);
    parts.extend(station.map(|station| format!("station {}", station.fields.code)));
    let coat = dossier.coats.iter().find(|coat| Some(coat.id) == fields.coat_id);
    parts.extend(coat.map(|coat| format!("{} coat of {}", word(&coat.fields.role), coat.fields.applied_on)));
    let treatment = dossier.treatments.iter().find(|treatment| Some(treatment.id) == fields.treatment_id);
    parts.extend(treatment.map(|treatment| format!("{} treatment", treatment.kind)));
    if attachment.erased_at.is_some() {
        parts.push("erased".to_owned());
    }
    if attachment.stored.media_type == MediaType::Pdf {
        parts.push("PDF".to_owned());
    }
    parts.join(", ")
}

fn is_shown(attachment: &Attachment) -> bool {
    attachment.erased_at.is_none() && attachment.stored.media_type != MediaType::Pdf
}

fn pictures(
    dossier: &Dossier,
    attached: &[Attachment],
    small: &BTreeMap<AttachmentId, Vec<u8>>,
) -> Vec<PicturePart> {
    attached
        .iter()
        .map(|attachment| PicturePart {
            source: small
                .get(&attachment.id)
                .map(|bytes| format!("data:image/jpeg;base64,{}", STANDARD.encode(bytes))),
            caption: attachment.fields.caption.clone().unwrap_or_else(|| "Without a caption".to_owned()),
            about: about(dossier, attachment),
        })
        .collect()
}

#[expect(clippy::unused_self, reason = "the template calls methods")]
impl DossierPage<'_> {
    fn text(&self, text: &Option<String>) -> String {
        text.clone().unwrap_or_default()
    }
    fn code(&self, code: &impl Serialize) -> String {
        word(code)
    }
    fn maybe(&self, code: &Option<impl Serialize>) -> String {
        code.as_ref().map_or_else(String::new, word)
    }
    fn time(&self, at: &DateTime<Utc>) -> String {
        at.format("%Y-%m-%d %H:%M").to_string()
    }
    fn day(&self, day: &Option<NaiveDate>) -> String {
        day.map_or_else(String::new, |day| day.to_string())
    }
    /// A date of a forecast: past its horizon it is later than all that is reckoned.
    fn due(&self, day: &Option<NaiveDate>) -> String {
        day.map_or_else(|| "later".to_owned(), |day| day.to_string())
    }
    fn by_day(&self, day: &Option<NaiveDate>) -> String {
        day.map_or_else(|| "after all that is reckoned".to_owned(), |day| format!("by {day}"))
    }
    /// What a date rests on, without the defaults that all share and that are told once.
    fn own<'e>(&self, evidence: &'e [EvidenceItem]) -> Vec<&'e str> {
        let defaults = &self.dossier.forecast.outlook.defaults;
        evidence.iter().filter(|item| !defaults.contains(item)).map(|item| item.text.as_str()).collect()
    }
    fn measure(&self, value: &Option<f64>, unit: &str) -> String {
        value.map_or_else(String::new, |value| format!("{}\u{a0}{unit}", number(value)))
    }
    fn um(&self, value: &f64) -> String {
        format!("{}\u{a0}\u{b5}m", number(*value))
    }
    fn per_cent(&self, share: &f64) -> String {
        format!("{:.0}\u{a0}%", share * 100.0)
    }
    fn name(&self, id: &PersonId) -> String {
        self.names.get(id).map_or_else(|| format!("person {id}"), |name| (*name).to_owned())
    }
    fn by(&self, id: &Option<PersonId>) -> String {
        id.as_ref().map_or_else(|| "the service or a program".to_owned(), |id| self.name(id))
    }
    fn is_signed(&self, state: &SurveyState) -> bool {
        *state == SurveyState::Signed
    }
    fn is_dated(&self, status: &DueStatus) -> bool {
        *status == DueStatus::Due
    }
    fn films(&self, coat_id: &CoatId) -> impl Iterator<Item = &FilmView> {
        let coat_id = *coat_id;
        self.dossier.films.iter().filter(move |film| film.coat_id == coat_id)
    }
    /// The vessel's name as a text in a style sheet (CSS Syntax 3, 4.3.5): nothing in it ends the text or the sheet.
    fn css_name(&self) -> String {
        let plain = |c: char| c.is_alphanumeric() || matches!(c, ' ' | '.' | ',' | '-');
        self.dossier.vessel.fields.name.chars().map(|c| if plain(c) { c } else { ' ' }).take(80).collect()
    }
    fn place(&self, x_m: &Option<f64>, girth_m: &Option<f64>) -> String {
        let along = x_m.map(|x_m| format!("{}\u{a0}m aft", number(x_m)));
        let up = girth_m.map(|girth_m| format!("{}\u{a0}m up from the centreline", number(girth_m)));
        [along, up].into_iter().flatten().collect::<Vec<_>>().join(", ")
    }
}

fn rendered(
    dossier: &Dossier,
    attached: &[Attachment],
    small: &BTreeMap<AttachmentId, Vec<u8>>,
    sheet: Option<String>,
) -> Result<String> {
    let page = DossierPage {
        sheet,
        names: dossier.people.iter().map(|person| (person.person_id, person.display_name.as_str())).collect(),
        particulars: particulars(dossier),
        surveys: dossier.surveys.iter().map(|survey| survey_part(dossier, survey)).collect(),
        tables: tables(dossier),
        pictures: pictures(dossier, attached, small),
        dossier,
    };
    page.render().map_err(Error::internal)
}

/// The dossier of a hull as a page for printing.
#[utoipa::path(tag = "dossier", security(("bearer" = [])), params(("id" = VesselId, Path, description = "The vessel")),
    responses((status = 200, description = "The dossier as a page", content_type = "text/html", body = String), ReadProblems))]
#[get("/v1/vessels/{id}/dossier-page")]
pub async fn read_dossier_page(app: App, permit: Permit<Read>, id: At<VesselId>) -> Outcome {
    let page = printable(&app, &permit, id.0, None).await?;
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "text/html; charset=utf-8"))
        .insert_header((
            "Content-Security-Policy",
            "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
        ))
        .body(page))
}

/// The page, under whatever permit it is asked for, with its style within it or at an address.
///
/// # Errors
/// Not found; those of the database.
pub async fn printable(
    app: &App,
    permit: &Permit<Read>,
    id: VesselId,
    sheet: Option<String>,
) -> Result<String> {
    let (dossier, attached) = app.snapshot(permit, move |tx| gathered(tx, id)).await?;
    // Of an object that is not there, or erased meanwhile, the caption is left.
    let mut small = BTreeMap::new();
    for attachment in attached.iter().filter(|attachment| is_shown(attachment)).take(MOST_PICTURES) {
        let name = thumbnail_name(attachment.author_org_id, attachment.stored.object_id);
        if let Some(bytes) = app.objects.get(&name).await? {
            small.insert(attachment.id, bytes.to_vec());
        }
    }
    crate::http::state::blocking(move || rendered(&dossier, &attached, &small, sheet)).await
}

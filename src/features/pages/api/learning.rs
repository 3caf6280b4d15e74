//! What the dates have learned: the calibration they follow, the one that waits, and the forms to choose.

use std::collections::HashMap;

use super::act_form::{ActForm, Field, Kind, Typed};
use super::due::kind_words;
use super::marks::day;
use super::members::whole;
use super::yard_words::{LocalTime, headed};
use crate::codes;
use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::features::accounts;
use crate::features::calibrations::api::settings::{self, LearningView};
use crate::features::calibrations::api::versions::CalibrationView;
use crate::features::calibrations::model::{Acceptance, CalibrationState, Choice};
use crate::features::calibrations::store;
use crate::features::statistics::api::previews::{self, PreviewView};
use crate::features::statistics::model::moves::LaterDays;
use crate::ids::{CalibrationId, PersonId, VesselId};
use crate::science::learning::EVENTS_NEEDED;

/// A form that was not taken.
#[derive(Debug)]
pub struct Refused {
    /// Which.
    pub act: String,
    /// What was typed.
    pub typed: Typed,
    /// Why.
    pub error: Error,
}

impl Refused {
    /// The form with what was typed and what is wrong, where it is this one.
    #[must_use]
    pub fn tell(form: ActForm, refused: Option<&Self>) -> ActForm {
        match refused.filter(|refused| refused.act == form.act) {
            Some(refused) => form.refused(&refused.typed, &refused.error),
            None => form,
        }
    }
}

/// A calibration that the dates do not follow yet.
#[derive(Debug)]
pub struct Waiting {
    /// Which version, in words.
    pub about: String,
    /// How the dates would move, in sentences.
    pub moves: Vec<String>,
    /// By kind: kind, dates, moved, by how much.
    pub kinds: Vec<[String; 4]>,
    /// The hulls that move most: id, name, kind, before, after, by how much.
    pub furthest: Vec<(VesselId, [String; 5])>,
    /// Whether the preview is held against what the dates no longer follow.
    pub outdated: bool,
    /// Its id.
    pub id: CalibrationId,
}

/// What the dates have learned.
#[derive(Debug)]
pub struct Learning {
    /// What they follow, in sentences.
    pub in_use: Vec<String>,
    /// Of the one followed: class, hulls, events, prior, learned.
    pub classes: Vec<[String; 5]>,
    /// Of the one followed: skin, lives, events, ratio.
    pub skins: Vec<[String; 4]>,
    /// The shape, in a sentence.
    pub shape: String,
    /// The one that waits.
    pub waiting: Option<Waiting>,
    /// Who puts a new one to use, and whether others take part, in sentences.
    pub settings: [String; 2],
    /// Versions: number, fitted, lives and events, state.
    pub versions: Vec<[String; 4]>,
    /// What was chosen: when, what, by whom, why.
    pub choices: Vec<[String; 4]>,
    /// Whether who looks may choose.
    pub may_choose: bool,
    /// The forms.
    pub forms: Vec<ActForm>,
    /// The token of forms.
    pub token: String,
}

fn days_words(days: i64) -> String {
    match days {
        0 => "not at all".to_owned(),
        1 => "1 day later".to_owned(),
        -1 => "1 day sooner".to_owned(),
        later if later > 0 => format!("{later} days later"),
        sooner => format!("{} days sooner", sooner.abs()),
    }
}

fn spread_words(later: Option<LaterDays>) -> String {
    later.map_or_else(String::new, |days| {
        format!(
            "half by at most {}; eight in ten between {} and {}",
            days_words(days.p50),
            days_words(days.p10),
            days_words(days.p90)
        )
    })
}

fn moves_words(preview: &PreviewView) -> Vec<String> {
    let moves = &preview.moves;
    let mut told = vec![format!(
        "Of {} dates of {} hulls, {} would move: {} sooner, {} later.",
        moves.dates, moves.hulls, moves.moved, moves.sooner, moves.later
    )];
    if let Some(days) = moves.later_days {
        let furthest = [-moves.most_sooner_days.abs(), moves.most_later_days];
        let furthest: Vec<String> = furthest.into_iter().filter(|days| *days != 0).map(days_words).collect();
        told.push(format!(
            "Of those that move, {}. The furthest: {}.",
            spread_words(Some(days)),
            furthest.join(" and ")
        ));
    }
    if moves.newly_dated + moves.no_longer_dated > 0 {
        told.push(format!(
            "{} would get a date where there is none; {} would fall beyond the horizon.",
            moves.newly_dated, moves.no_longer_dated
        ));
    }
    told.push(format!(
        "Overdue: {} now, {} then. Due within a year: {} now, {} then.",
        moves.overdue_before, moves.overdue_after, moves.due_within_year_before, moves.due_within_year_after
    ));
    told
}

/// What is read of it all.
struct Read<'a> {
    views: &'a [CalibrationView],
    names: &'a HashMap<PersonId, String>,
    local: LocalTime,
}

impl Read<'_> {
    fn number(&self, id: CalibrationId) -> usize {
        self.views.iter().position(|view| view.id == id).map_or(0, |place| place + 1)
    }

    fn person(&self, id: Option<PersonId>) -> String {
        match id {
            None => "the service, as its settings say".to_owned(),
            Some(id) => self.names.get(&id).cloned().unwrap_or_else(|| "a former member".to_owned()),
        }
    }

    fn about(&self, view: &CalibrationView) -> String {
        let peers = match view.peers {
            0 => String::new(),
            1 => ", and the sums of 1 other organisation".to_owned(),
            more => format!(", and the sums of {more} other organisations"),
        };
        format!(
            "Version {}, fitted on {} by {}, from {} lives of {} hulls, {} of them seen to blister{peers}.",
            self.number(view.id),
            self.local.day(view.fitted_at),
            view.model,
            view.lives,
            view.hulls,
            view.events
        )
    }

    fn in_use(&self, learning: &LearningView) -> Vec<String> {
        let followed = self.views.iter().find(|view| Some(view.id) == learning.calibration_id);
        let Some(view) = followed else {
            let since = learning.choices.last().map_or_else(String::new, |choice| {
                format!(
                    " Chosen by {} on {}.",
                    self.person(choice.chosen_by),
                    self.local.day(choice.chosen_at)
                )
            });
            return vec![format!(
                "The dates follow the priors: nothing learned from this fleet is in them yet.{since}"
            )];
        };
        let mut told = vec![format!("The dates follow what was learned. {}", self.about(view))];
        if let Some(at) = view.accepted_at {
            told.push(format!(
                "In use since {}, switched on by {}.{}",
                self.local.time(at),
                self.person(view.accepted_by),
                view.note.as_ref().map(|note| format!(" Why: {note}")).unwrap_or_default()
            ));
        }
        if view.events < EVENTS_NEEDED {
            told.push(format!("Under {EVENTS_NEEDED} lives ended in blistering: it says little yet."));
        }
        if view.contradicted > 0 {
            told.push(format!(
                "The records of {} hulls fit no member of the model: look at their launch, coats and surveys.",
                view.contradicted
            ));
        }
        told
    }

    fn choice(&self, choice: &Choice) -> [String; 4] {
        [
            self.local.time(choice.chosen_at),
            choice
                .calibration_id
                .map_or_else(|| "the priors".to_owned(), |id| format!("version {}", self.number(id))),
            self.person(choice.chosen_by),
            choice.note.clone().unwrap_or_default(),
        ]
    }

    fn version(&self, view: &CalibrationView) -> [String; 4] {
        let state = match view.state {
            _ if !view.converged => "did not come to rest; cannot be used",
            CalibrationState::Fitted => "never used",
            CalibrationState::Accepted => "in use",
            CalibrationState::Retired => "used before",
        };
        [
            self.number(view.id).to_string(),
            self.local.day(view.fitted_at),
            format!("{} lives, {} events", view.lives, view.events),
            state.to_owned(),
        ]
    }
}

fn interval(value: f64, lower: f64, upper: f64) -> String {
    format!("{value:.2} ({lower:.2} to {upper:.2})")
}

fn waiting(tx: &mut Tx<'_>, about: String, view: &CalibrationView) -> Result<Waiting> {
    let preview = match previews::read(tx, view.id) {
        Ok(preview) => Some(preview),
        Err(error) if error.code == Code::NotFound => None,
        Err(error) => return Err(error),
    };
    let Some(preview) = preview else {
        let moves = vec!["How the dates would move has not been computed. Ask for it below.".to_owned()];
        return Ok(Waiting {
            about,
            moves,
            kinds: Vec::new(),
            furthest: Vec::new(),
            outdated: true,
            id: view.id,
        });
    };
    let kinds = preview.moves.kinds.iter().map(|kind| {
        [
            kind_words(&kind.kind).to_owned(),
            kind.dates.to_string(),
            kind.moved.to_string(),
            spread_words(kind.later_days),
        ]
    });
    let furthest = preview.moves.furthest.iter().map(|hull| {
        let name = hull.vessel_name.clone().unwrap_or_else(|| "gone".to_owned());
        let told = [
            name,
            kind_words(&hull.kind).to_owned(),
            day(hull.before_on),
            day(hull.after_on),
            days_words(hull.later_days),
        ];
        (hull.vessel_id, told)
    });
    Ok(Waiting {
        moves: moves_words(&preview),
        kinds: kinds.collect(),
        furthest: furthest.collect(),
        outdated: !preview.current,
        id: view.id,
        about,
    })
}

fn note(label: &str) -> Field {
    Field::new("note", label, Kind::Long)
}

/// The forms for who may: to choose, and to say how it is learned.
fn forms(
    may: (bool, bool),
    token: &str,
    learning: &LearningView,
    waiting: Option<&Waiting>,
    refused: Option<&Refused>,
) -> Vec<ActForm> {
    let mut forms = Vec::new();
    let to = || "/learning".to_owned();
    if let Some(waiting) = waiting.filter(|_| may.0) {
        let fields = vec![Field::unseen("calibration_id", waiting.id), note("Why, for who reads it later")];
        let title = "Let the dates follow the one that waits";
        forms.push(ActForm::new("accept", title, to(), "Let the dates follow it", fields));
    }
    if may.0 && learning.calibration_id.is_some() {
        let mut back = ActForm::new(
            "priors",
            "Go back to the priors",
            to(),
            "Go back to the priors",
            vec![note("Why, for who reads it later")],
        );
        "All dates are computed again from what was held before anything was learned. No later fit is put to use but by a person.".clone_into(&mut back.about);
        forms.push(back);
    }
    if may.1 {
        let words =
            |code: &Acceptance, words: &str| (codes::to_text(code).unwrap_or_default(), words.to_owned());
        let acceptance = vec![
            words(&Acceptance::Automatic, "the service, from eight events on"),
            words(&Acceptance::ByPerson, "a person, who has seen how the dates move"),
        ];
        let chosen = codes::to_text(&learning.acceptance).unwrap_or_default();
        let fields = vec![
            Field::unseen("version", learning.version),
            Field::new("acceptance", "Who puts a new fit to use", Kind::Choice(acceptance))
                .needed()
                .holding(chosen),
            Field::new(
                "pooled",
                "Give sums of our fits to other organisations that do, and learn from theirs",
                Kind::Flag,
            )
            .holding(if learning.pooled { "true" } else { "" }),
        ];
        let mut form =
            ActForm::new("settings", "How we learn", "/learning/settings".to_owned(), "Save", fields);
        "Sums alone leave the organisation, never a vessel, and only with 20 hulls and 8 events behind them. Who stops taking part takes back what it gave.".clone_into(&mut form.about);
        forms.push(form);
    }
    let told = forms.into_iter().map(|form| Refused::tell(form, refused));
    told.map(|form| ActForm { token: token.to_owned(), ..form }).collect()
}

impl Learning {
    /// As things stand. `may`: choose; change the settings.
    ///
    /// # Errors
    /// Those of the database.
    pub fn of(tx: &mut Tx<'_>, may: (bool, bool), token: &str, refused: Option<&Refused>) -> Result<Self> {
        let learning = settings::view(tx)?;
        let stored = whole(|page| store::list(tx, page))?;
        let views: Vec<CalibrationView> =
            stored.into_iter().map(|stored| CalibrationView::of(stored, &learning.choices)).collect();
        let people: Vec<PersonId> = learning.choices.iter().filter_map(|choice| choice.chosen_by).collect();
        let names = accounts::store::names_of(tx, &people)?.into_iter().collect();
        let read = Read { views: &views, names: &names, local: LocalTime::of(tx)? };
        let followed = views.iter().find(|view| Some(view.id) == learning.calibration_id);
        let last = views.last().filter(|view| view.state == CalibrationState::Fitted);
        let waiting = last.map(|view| waiting(tx, read.about(view), view)).transpose()?;
        let classes = followed.map(|view| {
            view.classes.iter().map(|class| {
                [
                    headed(&class.laminate_class),
                    class.hulls.to_string(),
                    class.events.to_string(),
                    format!("{:.2}", class.prior_scale_exposure_years),
                    interval(
                        class.scale_exposure_years,
                        class.lower_exposure_years,
                        class.upper_exposure_years,
                    ),
                ]
            })
        });
        let skins = followed.map(|view| {
            view.skins.iter().map(|skin| {
                [
                    headed(&skin.system),
                    skin.lives.to_string(),
                    skin.events.to_string(),
                    interval(skin.scale_ratio, skin.lower, skin.upper),
                ]
            })
        });
        let shape = followed.map(|view| {
            let shape = &view.shape;
            format!(
                "Shape of the law of lives: {} was held before, {} is learned.",
                format_args!("{:.2}", shape.prior_shape),
                interval(shape.shape, shape.lower, shape.upper)
            )
        });
        let settings = [
            match learning.acceptance {
                Acceptance::Automatic => "The service puts a new fit to use by itself, from eight events on.",
                Acceptance::ByPerson => "A new fit waits for a person to put it to use.",
            }
            .to_owned(),
            if learning.pooled {
                "Sums of the fits are given to other organisations that do the same, and theirs are learned from."
            } else {
                "Nothing is given to other organisations, and nothing learned from them."
            }
            .to_owned(),
        ];
        Ok(Self {
            in_use: read.in_use(&learning),
            classes: classes.into_iter().flatten().collect(),
            skins: skins.into_iter().flatten().collect(),
            shape: shape.unwrap_or_default(),
            settings,
            versions: views.iter().rev().take(30).map(|view| read.version(view)).collect(),
            choices: learning.choices.iter().rev().take(30).map(|choice| read.choice(choice)).collect(),
            may_choose: may.0,
            forms: forms(may, token, &learning, waiting.as_ref(), refused),
            waiting,
            token: token.to_owned(),
        })
    }
}

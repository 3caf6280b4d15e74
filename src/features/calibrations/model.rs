//! The rules of calibrations: what they are made with, which is in use, and what the forecasts make of it.

use std::borrow::Cow;
use std::sync::LazyLock;

use chrono::{DateTime, Utc};
use garde::Validate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::error::{Code, Error, Result};
use crate::ids::{CalibrationId, PersonId};
use crate::science::forecast::ensemble::{DEFAULT_MEMBERS, Ensemble, Lesson};
use crate::science::forecast::priors::Priors;
use crate::science::learning::EVENTS_NEEDED;
use crate::science::learning::calibration::Calibration;

/// All forecasts are drawn alike, so that two hulls, and two days, can be compared; what is learned is learned with
/// the same draws.
const SEED: u64 = 1;

/// The members of every forecast, as the priors have them.
pub static ENSEMBLE: LazyLock<Ensemble> =
    LazyLock::new(|| Ensemble::draw(DEFAULT_MEMBERS, SEED, Priors::default()));

/// How a calibration stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum CalibrationState {
    /// It was fitted, and the dates never followed it.
    Fitted,
    /// The dates follow it.
    Accepted,
    /// The dates followed it once, and no longer do.
    Retired,
}

/// Who puts a new calibration to use.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Acceptance {
    /// The service, from eight events on.
    Automatic,
    /// A person, whatever the number of events.
    ByPerson,
}

/// How an organisation learns.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Validate, ToSchema)]
pub struct LearningFields {
    /// Who puts a new calibration to use.
    #[garde(skip)]
    pub acceptance: Acceptance,
    /// Whether the organisation gives the sums of its fits to others that do, and learns from theirs. Sums alone leave
    /// it, never a vessel, and only with 20 hulls and 8 events behind them; they are used from two others on.
    #[garde(skip)]
    pub pooled: bool,
}

impl Default for LearningFields {
    fn default() -> Self {
        Self { acceptance: Acceptance::Automatic, pooled: false }
    }
}

/// Why it is chosen.
#[derive(Debug, Clone, Default, Serialize, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ChoiceFields {
    /// In a few words, for who reads it later.
    #[garde(length(chars, min = 1, max = 1000))]
    #[schema(min_length = 1, max_length = 1000)]
    pub note: Option<String>,
}

/// What the dates follow from an instant on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Choice {
    /// The calibration; null for the priors.
    pub calibration_id: Option<CalibrationId>,
    /// From when on.
    pub chosen_at: DateTime<Utc>,
    /// Who chose; null where the service did, as the settings say.
    pub chosen_by: Option<PersonId>,
    /// Why.
    pub note: Option<String>,
}

/// How a calibration stands by the choices, which come in their order.
#[must_use]
pub fn state(id: CalibrationId, choices: &[Choice]) -> CalibrationState {
    let named = |choice: &Choice| choice.calibration_id == Some(id);
    if choices.last().is_some_and(named) {
        CalibrationState::Accepted
    } else if choices.iter().any(named) {
        CalibrationState::Retired
    } else {
        CalibrationState::Fitted
    }
}

/// A calibration as the forecasts follow it.
#[derive(Debug, Clone, PartialEq)]
pub struct Followed {
    /// Its id.
    pub id: CalibrationId,
    /// When it was fitted.
    pub fitted_at: DateTime<Utc>,
    /// What was learned.
    pub calibration: Calibration,
}

impl Followed {
    fn lesson(&self) -> Lesson {
        let Calibration { hulls, lives, events, .. } = self.calibration;
        let on = self.fitted_at.date_naive();
        Lesson {
            name: self.id.to_string(),
            text: format!(
                "Onset times are learned from this fleet: {lives} lives of {hulls} hulls, {events} of them seen to \
                 blister, fitted on {on}."
            ),
        }
    }

    /// The members with what was learned; none where it was learned with other members than this version's.
    #[must_use]
    pub fn applied(&self) -> Option<Ensemble> {
        self.calibration.applied_to(&ENSEMBLE, self.lesson())
    }

    /// Other members with the classes' lives as learned; none where it was learned by another version of the fit.
    #[must_use]
    pub fn lives_applied(&self, members: &Ensemble) -> Option<Ensemble> {
        self.calibration.lives_applied_to(members, self.lesson())
    }

    /// Refuses to put it to use where it cannot serve.
    ///
    /// # Errors
    /// A conflict.
    pub fn usable(&self) -> Result<()> {
        if !self.calibration.converged {
            return Err(Error::new(
                Code::Conflict,
                "This fit did not come to rest. Ask for another once more surveys are recorded.",
            ));
        }
        if self.applied().is_none() {
            return Err(Error::new(
                Code::Conflict,
                "This calibration was made for another version of the model. Ask for a new one.",
            ));
        }
        Ok(())
    }
}

/// Whether the service itself may put a calibration to use.
#[must_use]
pub fn accepted_by_itself(settings: LearningFields, calibration: &Calibration) -> bool {
    settings.acceptance == Acceptance::Automatic
        && calibration.converged
        && calibration.events >= EVENTS_NEEDED
}

/// The members that forecasts run: with what is followed, or as the priors have them.
#[must_use]
pub fn ensemble(followed: Option<&Followed>) -> Cow<'static, Ensemble> {
    followed.and_then(Followed::applied).map_or(Cow::Borrowed(&*ENSEMBLE), Cow::Owned)
}

/// The calibration an ensemble was learned by.
#[must_use]
pub fn calibration_of(ensemble: &Ensemble) -> Option<CalibrationId> {
    let lesson = ensemble.lesson.as_ref()?;
    lesson.name.parse::<Uuid>().ok().map(CalibrationId::from)
}

#[cfg(test)]
mod tests {
    use super::{CalibrationId, CalibrationState, Choice, DateTime, state};
    use crate::ids::Id;

    fn choice(calibration_id: Option<CalibrationId>) -> Choice {
        Choice { calibration_id, chosen_at: DateTime::UNIX_EPOCH, chosen_by: None, note: None }
    }

    #[test]
    fn the_last_choice_counts() {
        let (one, other) = (CalibrationId::fresh(), CalibrationId::fresh());
        let choices = [choice(Some(one)), choice(Some(other))];
        assert_eq!(state(one, &[]), CalibrationState::Fitted);
        assert_eq!(state(one, &choices), CalibrationState::Retired);
        assert_eq!(state(other, &choices), CalibrationState::Accepted);
        assert_eq!(state(other, &[choice(Some(other)), choice(None)]), CalibrationState::Retired);
    }
}

//! The forms of one's own page.

use super::act_form::{ActForm, Field, Kind};
use super::due::kind_words;
use super::yard_words::headed;
use crate::codes;
use crate::features::accounts::api::passwords::OwnAccountView;
use crate::features::reports::api::digest::DigestView;
use crate::features::reports::model::digest::Weekday;
use crate::ids::SiteId;
use crate::science::forecast::dates::DueKind;

const DAYS: [Weekday; 7] = [
    Weekday::Monday,
    Weekday::Tuesday,
    Weekday::Wednesday,
    Weekday::Thursday,
    Weekday::Friday,
    Weekday::Saturday,
    Weekday::Sunday,
];
const KINDS: [DueKind; 5] =
    [DueKind::Repair, DueKind::Treatment, DueKind::Inspection, DueKind::Barrier, DueKind::Antifouling];

fn of_sites(sites: &[(SiteId, String)]) -> Kind {
    Kind::Choice(sites.iter().map(|(id, name)| (id.to_string(), name.clone())).collect())
}

fn code(code: &impl serde::Serialize) -> String {
    codes::to_text(code).unwrap_or_default()
}

/// The form of the weekly letter.
#[must_use]
pub fn letter_form(view: &DigestView, sites: &[(SiteId, String)]) -> ActForm {
    let days = DAYS.iter().map(|day| (code(day), headed(day))).collect();
    let hours = (0..24).map(|hour: i16| (hour.to_string(), format!("{hour:02}:00"))).collect();
    let fields = vec![
        Field::unseen("version", view.version),
        Field::new("wanted", "Send me the weekly letter", Kind::Flag).holding(if view.fields.wanted {
            "true"
        } else {
            ""
        }),
        Field::new("weekday", "On", Kind::Choice(days)).needed().holding(code(&view.fields.weekday)),
        Field::new("local_time_h", "At", Kind::Choice(hours))
            .needed()
            .holding(view.fields.local_time_h.to_string()),
        Field::new("site_id", "Only of vessels at the site; empty for all", of_sites(sites))
            .holding(view.fields.site_id.map(|id| id.to_string()).unwrap_or_default()),
    ];
    ActForm::new("letter", "The weekly letter", "/me/letter".to_owned(), "Save", fields)
}

/// The form of a calendar.
#[must_use]
pub fn calendar_form(sites: &[(SiteId, String)]) -> ActForm {
    let kinds = KINDS.iter().map(|kind| (code(kind), kind_words(kind).to_owned())).collect();
    let fields = vec![
        Field::new("name", "What you call it", Kind::Text).needed(),
        Field::new("site_id", "Only of vessels at the site; empty for all", of_sites(sites)),
        Field::new("kind", "Only of this kind; empty for all", Kind::Choice(kinds)),
    ];
    let mut form =
        ActForm::new("calendar", "Make a calendar", "/me/calendar-feeds".to_owned(), "Make it", fields);
    "Its address is shown once. Whoever has the address reads the calendar.".clone_into(&mut form.about);
    form
}

/// The password, and the code where the account asks for one.
fn proof(account: &OwnAccountView) -> Vec<Field> {
    let mut fields = vec![Field::new("password", "Your password now", Kind::Secret).needed()];
    if account.second_factor {
        fields.push(Field::new("code", "The present code of your second factor", Kind::Text).needed());
    }
    fields
}

/// The forms of signing in: password, second factor, everywhere out.
#[must_use]
pub fn account_forms(account: &OwnAccountView) -> Vec<ActForm> {
    let mut change = proof(account);
    change.push(Field::new("new_password", "The new password, 12 to 200 characters", Kind::Secret).needed());
    let mut password =
        ActForm::new("password", "Change the password", "/me/password".to_owned(), "Change it", change);
    "You are signed out everywhere then, and sign in with the new one.".clone_into(&mut password.about);
    let factor = "/me/second-factor".to_owned();
    let mut make = ActForm::new(
        "make",
        if account.second_factor { "Replace the second factor" } else { "Take up a second factor" },
        factor.clone(),
        "Show its secret",
        proof(account),
    );
    "A second device then makes a code for each sign-in, six digits that change every half minute (TOTP, RFC 6238)."
        .clone_into(&mut make.about);
    let confirm = vec![Field::new("code", "The code that the device shows now", Kind::Text).needed()];
    let confirm = ActForm::new(
        "confirm",
        "Confirm a second factor with its first code",
        factor.clone(),
        "Confirm",
        confirm,
    );
    let mut forms = vec![password, make, confirm];
    if account.second_factor {
        let title = "Give up the second factor";
        forms.push(ActForm::new("remove", title, factor, "Give it up", proof(account)));
    }
    let sure = vec![Field::new("everywhere", "On every device, this one too", Kind::Flag)];
    let title = "Sign out everywhere";
    forms.push(ActForm::new("leave", title, "/me/sign-out".to_owned(), "Sign out everywhere", sure));
    forms
}

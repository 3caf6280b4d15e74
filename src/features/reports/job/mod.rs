//! Sending the weekly letter.
//!
//! A letter is noted as sent before the post is asked, and the note is taken back when the post refuses: should the
//! service end between the two, one letter is missing and the next tells what moved since the one before; none comes
//! twice.

mod letter;

use std::slice;

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::{Days, NaiveTime};
use sha2::{Digest as _, Sha256};

use crate::db::paging::PageRequest;
use crate::db::{Actor, Db, Tx};
use crate::error::{Error, Result};
use crate::features::due::model::DueFilter;
use crate::features::due::store::{self as due, DueRow};
use crate::features::reports::model::digest::{Digest, DigestFields, MOST_ROWS, TOLD_AHEAD, ToldRow};
use crate::features::reports::store::digests::{self as store, Recipient, place};
use crate::http::mail::Mail;
use crate::http::tokens::random;
use crate::ids::{DigestLetterId, Id, OrgId, PersonId, RequestId};
use crate::jobs::Job;
use crate::jobs::queue::{DIGEST, still_claimed};
use crate::jobs::schedule::{self, Recurrence};

/// Since when what moved is told in a first letter.
const FIRST_SINCE: Days = Days::new(7);

/// The path that ends the letters, with a secret in it.
#[must_use]
pub fn ending(org_id: OrgId, id: DigestLetterId, secret: &str) -> String {
    format!("/v1/digest-endings/{org_id}.{id}.{secret}")
}

/// Lets a member's letter recur as chosen.
///
/// # Errors
/// Invalid, when the site is not one of the organisation's; those of the database.
pub fn recur(tx: &mut Tx<'_>, person_id: PersonId, fields: &DigestFields) -> Result<()> {
    let zone = store::zone(tx, fields.site_id)?;
    if !fields.wanted {
        return schedule::remove(tx, DIGEST, person_id.into());
    }
    let hour = u32::try_from(fields.local_time_h).ok();
    let local_time = hour
        .and_then(|hour| NaiveTime::from_hms_opt(hour, 0, 0))
        .ok_or_else(|| Error::internal("an hour that no day has"))?;
    let weekly = Recurrence { weekday: Some(fields.weekday.into()), local_time, zone };
    schedule::set_by_site(tx, DIGEST, person_id.into(), fields.site_id, &weekly)
}

/// Sees to it that the letters that are wanted recur, as after a restoration.
///
/// # Errors
/// Those of the database.
pub fn recur_all(tx: &mut Tx<'_>) -> Result<()> {
    for (person_id, fields) in store::wanted(tx)? {
        if schedule::next_at(tx, DIGEST, person_id.into())?.is_none() {
            recur(tx, person_id, &fields)?;
        }
    }
    Ok(())
}

/// Sends the letters of some jobs, whose subjects are members.
///
/// # Errors
/// Those of the database; unavailable, when the post is.
pub fn send(db: &Db, org_id: OrgId, jobs: &[Job], mail: Option<&Mail>) -> Result<()> {
    // Without a post, nothing is sent, and nothing is noted.
    let Some(mail) = mail else { return Ok(()) };
    jobs.iter().try_for_each(|job| send_one(db, org_id, job, mail))
}

fn send_one(db: &Db, org_id: OrgId, job: &Job, mail: &Mail) -> Result<()> {
    let person_id = PersonId::from(job.subject_id);
    let (id, secret) = (DigestLetterId::fresh(), URL_SAFE_NO_PAD.encode(random::<32>()?));
    let actor = Actor::service(org_id, RequestId::fresh());
    let composed = db.write(&actor, |tx| {
        if still_claimed(tx, slice::from_ref(job))?.is_empty() {
            return Ok(None);
        }
        let Some(recipient) = store::recipient(tx, person_id)? else {
            schedule::remove(tx, DIGEST, job.subject_id)?;
            return Ok(None);
        };
        let digest = composed(tx, person_id, &recipient)?;
        let noted = store::note_sent(tx, id, person_id, job.id, &Sha256::digest(secret.as_bytes()))?;
        Ok(noted.then_some((recipient, digest)))
    })?;
    let Some((recipient, digest)) = composed else { return Ok(()) };
    let sent = letter::written(&digest, mail.address(), &ending(org_id, id, &secret))
        .and_then(|letter| mail.send_letter(&recipient.email, &id.to_string(), &letter));
    if sent.is_err() {
        db.write(&actor, |tx| store::note_unsent(tx, id))?;
    }
    sent
}

fn composed(tx: &mut Tx<'_>, person_id: PersonId, recipient: &Recipient) -> Result<Digest> {
    let site_id = recipient.fields.site_id;
    let zone = store::zone(tx, site_id)?;
    let today = tx.now().with_timezone(&zone).date_naive();
    let since = store::last_sent_at(tx, person_id)?.unwrap_or(tx.now() - FIRST_SINCE);
    let until = today
        .checked_add_days(TOLD_AHEAD)
        .and_then(|day| day.succ_opt())
        .ok_or_else(|| Error::internal("the end of the calendar"))?;
    let of_site = DueFilter { site_id, ..DueFilter::default() };
    let overdue = DueFilter { before: Some(today), ..of_site };
    let soon = DueFilter { not_before: Some(today), before: Some(until), ..of_site };
    Ok(Digest {
        organisation: recipient.organisation.clone(),
        site: recipient.site.clone(),
        today,
        since: since.with_timezone(&zone).date_naive(),
        overdue: listed(tx, &overdue)?,
        soon: listed(tx, &soon)?,
        moved: store::moved(tx, site_id, since)?,
    })
}

/// One row more than are told, so that the letter can say that there are more.
fn listed(tx: &mut Tx<'_>, filter: &DueFilter) -> Result<Vec<ToldRow>> {
    let limit = i64::try_from(MOST_ROWS + 1).map_err(Error::internal)?;
    let rows = due::list(tx, filter, PageRequest { limit, after: None })?.items;
    Ok(rows.into_iter().map(told).collect())
}

fn told(row: DueRow) -> ToldRow {
    let vessel = row.vessel;
    ToldRow {
        kind: row.date.kind,
        due_on: row.date.due_on,
        before: None,
        place: place(vessel.site_name.as_deref(), vessel.berth.as_deref()),
        vessel_name: vessel.name,
        reason: row.date.reason,
    }
}

//! The handlers: sending a subscription what waits for it, and telling the head of the audit once a day.

use chrono::{DateTime, NaiveTime, Utc};
use serde_json::json;
use uuid::Uuid;

use super::model::{Message, TRIED_FOR, wait_after};
use super::store::deliveries::{self, Attempt, Ready};
use super::store::subscriptions::{self, Subscription};
use crate::db::{Actor, Db, Tx};
use crate::error::{Code, Error, Result};
use crate::features::accounts;
use crate::features::audit::{self, Act};
use crate::http::sealing::SealingKey;
use crate::http::sending::{Outgoing, Sender, Sent};
use crate::ids::{Id, OrgId, RequestId, SubscriptionId};
use crate::jobs::Job;
use crate::jobs::outbox::{self, EventKind, NewEvent};
use crate::jobs::queue::{AUDIT_HEAD, DELIVERY, request_at, still_claimed};
use crate::jobs::schedule::{self, Recurrence};

/// Sent in one run. At ten seconds each it ends well within the lease.
const MOST_SENT: usize = 10;
/// After so many failures in a row a run ends: the receiver is not there.
const FAILURES_A_RUN: i32 = 3;
const GONE: u16 = 410;

/// Sends what waits for the jobs' subscriptions. The lease sees to it that no two are at one subscription.
///
/// # Errors
/// Those of the database.
pub fn deliver(db: &Db, org_id: OrgId, jobs: &[Job], sealing: &SealingKey, sender: &Sender) -> Result<()> {
    let actor = Actor::service(org_id, RequestId::fresh());
    jobs.iter().try_for_each(|job| Run { db, actor: &actor, job, sealing, sender }.run())
}

/// A subscription that is on, with its secrets and what may be sent to it.
type Due = (Subscription, Vec<String>, Vec<Ready>);

struct Run<'a> {
    db: &'a Db,
    actor: &'a Actor,
    job: &'a Job,
    sealing: &'a SealingKey,
    sender: &'a Sender,
}

impl Run<'_> {
    fn run(&self) -> Result<()> {
        let id = SubscriptionId::from(self.job.subject_id);
        let (mut sent, mut failed) = (0, 0);
        while sent < MOST_SENT && failed < FAILURES_A_RUN {
            let room = i64::try_from(MOST_SENT - sent).unwrap_or(1);
            let Some((subscription, secrets, ready)) =
                self.db.read(self.actor, |tx| self.load(tx, id, room))?
            else {
                return Ok(());
            };
            if ready.is_empty() {
                break;
            }
            for one in ready {
                let outcome = self.send(&subscription, &secrets, &one)?;
                failed = if outcome.arrived() { 0 } else { failed + 1 };
                sent += 1;
                if !self.db.write(self.actor, |tx| self.settle(tx, id, &one, &outcome))? {
                    return Ok(());
                }
                if failed == FAILURES_A_RUN {
                    break;
                }
            }
        }
        // In a transaction that writes nothing else: the trigger that asks for this job too waits for its row.
        self.db.write(self.actor, |tx| {
            let Some(mut at) = deliveries::next_at(tx, id)? else { return Ok(()) };
            if failed == FAILURES_A_RUN {
                let rounds = subscriptions::read(tx, id)?.failures / FAILURES_A_RUN;
                at = at.max(tx.now() + wait_after(rounds, id.into()));
            }
            request_at(tx, DELIVERY, id.into(), at)
        })
    }

    /// The subscription, if it is on, with its secrets and what may be sent.
    fn load(&self, tx: &mut Tx<'_>, id: SubscriptionId, room: i64) -> Result<Option<Due>> {
        let subscription = match subscriptions::read(tx, id) {
            Ok(subscription) if subscription.fields.active => subscription,
            Ok(_) => return Ok(None),
            Err(error) if error.code == Code::NotFound => return Ok(None),
            Err(error) => return Err(error),
        };
        let secrets = subscriptions::secrets(tx, id)?
            .into_iter()
            .map(|(secret_id, sealed)| {
                let secret = self.sealing.open(Uuid::from(secret_id).as_bytes(), &sealed)?;
                String::from_utf8(secret).map_err(Error::internal)
            })
            .collect::<Result<_>>()?;
        Ok(Some((subscription, secrets, deliveries::ready(tx, id, room)?)))
    }

    fn send(&self, subscription: &Subscription, secrets: &[String], one: &Ready) -> Result<Sent> {
        let event = &one.event;
        let message = Message { kind: &event.kind, timestamp: event.recorded_at, event };
        let body = serde_json::to_string(&message).map_err(Error::internal)?;
        self.sender.send(&Outgoing {
            url: &subscription.fields.url,
            id: &event.id.to_string(),
            timestamp: self.db.clock().now().timestamp(),
            body: &body,
            secrets,
        })
    }

    /// Keeps what came of an attempt; whether the run goes on.
    fn settle(&self, tx: &mut Tx<'_>, id: SubscriptionId, one: &Ready, sent: &Sent) -> Result<bool> {
        if still_claimed(tx, std::slice::from_ref(self.job))?.is_empty() {
            return Ok(false);
        }
        let now = tx.now();
        let mut delivery = deliveries::read(tx, one.delivery_id)?;
        let subscription = subscriptions::read(tx, id)?;
        delivery.attempts += 1;
        let mut stopped = None;
        if sent.arrived() {
            "delivered".clone_into(&mut delivery.state);
            (delivery.first_failed_at, delivery.failures) = (None, 0);
            if subscription.failures > 0 {
                subscriptions::note(tx, id, None, 0)?;
            }
        } else {
            let since = *delivery.first_failed_at.get_or_insert(now);
            delivery.failures += 1;
            delivery.next_at = later(now, delivery.failures, one, sent);
            let first_failed_at = subscription.first_failed_at.unwrap_or(now);
            subscriptions::note(tx, id, Some(first_failed_at), subscription.failures + 1)?;
            if sent.status == Some(GONE) {
                stopped = Some("The receiver answered 410: it wants no more.");
            } else if now - first_failed_at >= TRIED_FOR {
                stopped = Some("Nothing arrived for three days.");
            } else if now - since >= TRIED_FOR {
                "given_up".clone_into(&mut delivery.state);
            }
        }
        let attempt = Attempt {
            sequence: delivery.attempts,
            attempted_at: now,
            status: sent.status.map(i32::from),
            outcome: sent.outcome.clone(),
            answer: sent.answer.clone(),
        };
        deliveries::note(tx, &delivery, &attempt)?;
        match stopped {
            None => Ok(true),
            Some(reason) => stop(tx, &subscription, reason).map(|()| false),
        }
    }
}

fn later(now: DateTime<Utc>, failures: i32, one: &Ready, sent: &Sent) -> DateTime<Utc> {
    // What the receiver asks for counts, up to the longest wait of our own.
    let asked = sent.retry_after_s.map_or(0, |asked_s| asked_s.min(6 * 3600));
    let wait = wait_after(failures, one.delivery_id.into());
    now + wait.max(chrono::TimeDelta::seconds(i64::from(asked)))
}

/// Switches a subscription off, and says so. What waits stays.
fn stop(tx: &mut Tx<'_>, subscription: &Subscription, reason: &str) -> Result<()> {
    if !subscriptions::stop(tx, subscription.id, reason)? {
        return Ok(());
    }
    let after = json!({ "active": false, "stopped_reason": reason });
    let act = Act {
        action: "stop_subscription",
        entity: "subscription",
        entity_id: subscription.id.into(),
        before: None,
        after: Some(&after),
    };
    audit::record(tx, &act)?;
    let content =
        json!({ "subscription_id": subscription.id, "name": subscription.fields.name, "reason": reason });
    outbox::append(tx, &[NewEvent { kind: EventKind::SubscriptionStopped, vessel_id: None, content }])
}

/// Tells the head of the audit's chain as an event, so that whoever keeps events elsewhere keeps it too.
///
/// # Errors
/// Those of the database.
pub fn tell_audit_head(db: &Db, org_id: OrgId, jobs: &[Job]) -> Result<()> {
    db.write(&Actor::service(org_id, RequestId::fresh()), |tx| {
        if still_claimed(tx, jobs)?.is_empty() {
            return Ok(());
        }
        let Some((sequence, sha256)) = audit::head(tx)? else { return Ok(()) };
        let digest: String = sha256.iter().map(|byte| format!("{byte:02x}")).collect();
        let content = json!({ "sequence": sequence, "row_sha256": digest });
        outbox::append(tx, &[NewEvent { kind: EventKind::AuditHead, vessel_id: None, content }])
    })
}

/// Sees to it that the organisation's audit head is told once a day, after midnight of its time zone.
///
/// # Errors
/// Those of the database.
pub fn recur(tx: &mut Tx<'_>) -> Result<()> {
    let zone = accounts::store::organisation(tx)?.fields.time_zone.parse().unwrap_or(chrono_tz::Tz::UTC);
    let daily = Recurrence { weekday: None, local_time: NaiveTime::MIN, zone };
    schedule::set_if_none(tx, AUDIT_HEAD, tx.org_id().into(), &daily)
}

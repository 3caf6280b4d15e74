//! The queue and its workers, on the real tables.

use std::collections::BTreeMap;
use std::sync::{Arc, Condvar, Mutex, mpsc};
use std::time::Duration;

use chrono::TimeDelta;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{BigInt, Integer, Nullable, Text};
use garboard::clock::Clock;
use garboard::db::{Actor, Db, DbOptions};
use garboard::error::Result;
use garboard::error::{Code, Error};
use garboard::ids::{Id, OrgId, RequestId, VesselId};
use garboard::jobs::queue::{FORECAST, request_forecast, schedule_forecasts, still_claimed};
use garboard::jobs::{Job, Runner, Tally, Workers, run_until_idle};

use crate::support::app::TestApp;

/// Longer than any of these takes; a test that fails would otherwise hang.
const PATIENCE: Duration = Duration::from_mins(1);

fn ask(db: &Db, org_id: OrgId, subjects: &[VesselId]) {
    let actor = Actor::service(org_id, RequestId::fresh());
    let asked = db.write(&actor, |tx| subjects.iter().try_for_each(|&subject| request_forecast(tx, subject)));
    asked.expect("jobs can be asked for");
}

fn subjects(count: usize) -> Vec<VesselId> {
    (0..count).map(|_| VesselId::fresh()).collect()
}

/// The same database, seen some time later.
fn later(app: &TestApp, by: TimeDelta) -> Db {
    let options = DbOptions {
        app_url: app.database.app_url(),
        worker_url: app.database.worker_url(),
        sign_in_url: app.database.sign_in_url(),
        app_connections: 2,
    };
    Db::connect(&options, Clock::Fixed(app.db.clock().now() + by)).expect("the roles connect")
}

#[derive(Debug, PartialEq, QueryableByName)]
struct Row {
    #[diesel(sql_type = Text)]
    state: String,
    #[diesel(sql_type = Integer)]
    attempts: i32,
    #[diesel(sql_type = Nullable<Text>)]
    last_error: Option<String>,
    #[diesel(sql_type = BigInt)]
    runs_in_s: i64,
}

fn rows(app: &TestApp) -> Vec<Row> {
    let mut superuser =
        PgConnection::establish(&app.database.superuser_url()).expect("the superuser connects");
    sql_query(
        "SELECT state, attempts, last_error, extract(epoch FROM run_after - requested_at)::bigint AS runs_in_s
         FROM jobs ORDER BY state, run_after",
    )
    .load(&mut superuser)
    .expect("the jobs are readable")
}

fn idle(db: &Db, handler: impl Fn(&Db, OrgId, &[Job]) -> Result<()> + Send + Sync + 'static) -> Tally {
    run_until_idle(db, &Workers::of(FORECAST, handler)).expect("the queue is in reach")
}

/// What ran, and a way to wait for it.
#[derive(Default)]
struct Ran {
    counts: Mutex<BTreeMap<(OrgId, VesselId), usize>>,
    changed: Condvar,
}

impl Ran {
    fn note(&self, org_id: OrgId, jobs: &[Job]) {
        let mut counts = self.counts.lock().expect("no test panicked with it");
        for job in jobs {
            assert_eq!(job.org_id, org_id, "a batch is of one organisation");
            *counts.entry((org_id, job.subject_id.into())).or_default() += 1;
        }
        self.changed.notify_all();
    }

    fn wait_for(&self, subjects: usize) -> BTreeMap<(OrgId, VesselId), usize> {
        let counts = self.counts.lock().expect("no test panicked with it");
        let (counts, waited) = self
            .changed
            .wait_timeout_while(counts, PATIENCE, |counts| counts.len() < subjects)
            .expect("no test panicked with it");
        assert!(!waited.timed_out(), "{} of {subjects} ran", counts.len());
        counts.clone()
    }
}

#[test]
fn two_runners_on_one_queue_run_each_job_once() {
    let app = TestApp::start();
    let (home, away) = (subjects(150), subjects(50));
    let ran = Arc::new(Ran::default());
    let workers = {
        let ran = ran.clone();
        Workers::of(FORECAST, move |_: &Db, org_id: OrgId, jobs: &[Job]| {
            ran.note(org_id, jobs);
            Ok(())
        })
    };
    ask(&app.db, app.home.org_id, &home);
    let other = later(&app, TimeDelta::zero());
    let one = Runner::start(&app.db, &workers, 2).expect("threads");
    let two = Runner::start(&other, &workers, 2).expect("threads");
    // These are announced while the runners listen.
    ask(&app.db, app.away.org_id, &away);
    let counts = ran.wait_for(200);
    one.stop();
    two.stop();
    assert_eq!(counts.len(), 200);
    assert!(counts.values().all(|&times| times == 1), "{counts:?}");
    assert_eq!(rows(&app), []);
}

#[test]
fn a_change_while_its_job_runs_is_computed_again_and_never_beside_it() {
    let app = TestApp::start();
    let subject = subjects(1);
    ask(&app.db, app.home.org_id, &subject);
    let (started, has_started) = mpsc::channel();
    let (go_on, may_go_on) = mpsc::channel();
    let (started, may_go_on) = (Mutex::new(started), Mutex::new(may_go_on));
    let slow = Workers::of(FORECAST, move |_: &Db, _: OrgId, _: &[Job]| {
        started.lock().expect("one thread").send(()).expect("the test waits");
        may_go_on.lock().expect("one thread").recv_timeout(PATIENCE).expect("the test lets it go on");
        Ok(())
    });
    let runner = Runner::start(&app.db, &slow, 1).expect("threads");
    has_started.recv_timeout(PATIENCE).expect("the first run starts");
    ask(&app.db, app.home.org_id, &subject);
    assert_eq!(rows(&app).len(), 2, "the request is not lost in the running one");
    let quick = |_: &Db, _: OrgId, _: &[Job]| Ok(());
    assert_eq!(idle(&app.db, quick), Tally::default(), "nobody else takes it while the first runs");
    go_on.send(()).expect("the runner waits");
    has_started.recv_timeout(PATIENCE).expect("it runs again");
    go_on.send(()).expect("the runner waits");
    runner.stop();
    assert_eq!(rows(&app), []);
}

#[test]
fn a_failing_job_waits_longer_each_time_and_takes_no_other_with_it() {
    let app = TestApp::start();
    let all = subjects(5);
    ask(&app.db, app.home.org_id, &all);
    let bad = all[2];
    let handler = move |_: &Db, _: OrgId, jobs: &[Job]| {
        if jobs.iter().any(|job| VesselId::from(job.subject_id) == bad) {
            Err(Error::new(Code::Conflict, "It cannot be done."))
        } else {
            Ok(())
        }
    };
    assert_eq!(idle(&app.db, handler), Tally { done: 4, failed: 1 });
    let waiting = |attempts, runs_in_s| Row {
        state: "queued".to_owned(),
        attempts,
        last_error: Some("It cannot be done.".to_owned()),
        runs_in_s,
    };
    assert_eq!(rows(&app), [waiting(1, 5)]);
    assert_eq!(idle(&app.db, handler), Tally::default(), "its time has not come");
    let mut elapsed = 0;
    for (attempts, backoff) in [(2, 10), (3, 20), (4, 40)] {
        elapsed += backoff / 2;
        assert_eq!(idle(&later(&app, TimeDelta::seconds(elapsed)), handler), Tally { done: 0, failed: 1 });
        assert_eq!(rows(&app), [waiting(attempts, elapsed + backoff)]);
    }
    let last = later(&app, TimeDelta::seconds(elapsed + 40));
    assert_eq!(idle(&last, handler), Tally { done: 0, failed: 1 });
    assert_eq!(rows(&app)[0].state, "dead");
    assert_eq!(idle(&later(&app, TimeDelta::days(1)), handler), Tally::default(), "a dead job is left");
    ask(&app.db, app.home.org_id, &[bad]);
    assert_eq!(idle(&app.db, |_: &Db, _: OrgId, _: &[Job]| Ok(())), Tally { done: 1, failed: 0 });
    assert_eq!(rows(&app), [], "what works again is no longer dead");
}

#[test]
fn a_panic_is_a_failure_like_another() {
    let app = TestApp::start();
    ask(&app.db, app.home.org_id, &subjects(1));
    let handler = |_: &Db, _: OrgId, jobs: &[Job]| {
        assert!(jobs.is_empty(), "as a defect would");
        Ok(())
    };
    assert_eq!(idle(&app.db, handler), Tally { done: 0, failed: 1 });
    assert_eq!(rows(&app)[0].state, "queued");
}

/// Notes who worked, as a handler writes its effect: only where the claim still stands.
fn effect(db: &Db, org_id: OrgId, jobs: &[Job], who: &'static str, effects: &Mutex<Vec<&str>>) {
    let written = db.write(&Actor::service(org_id, RequestId::fresh()), |tx| {
        if still_claimed(tx, jobs)?.len() == jobs.len() {
            effects.lock().expect("no test panicked with it").push(who);
        }
        Ok(())
    });
    written.expect("the queue is in reach");
}

#[test]
fn a_job_whose_worker_was_slower_than_its_lease_goes_to_another_and_has_one_effect() {
    let app = TestApp::start();
    ask(&app.db, app.home.org_id, &subjects(1));
    let effects = Arc::new(Mutex::new(Vec::new()));
    let ten_minutes_later = later(&app, TimeDelta::minutes(10));
    let slow = {
        let effects = effects.clone();
        move |db: &Db, org_id: OrgId, jobs: &[Job]| {
            let effects_of_other = effects.clone();
            let other = move |db: &Db, org_id: OrgId, jobs: &[Job]| {
                effect(db, org_id, jobs, "other", &effects_of_other);
                Ok(())
            };
            assert_eq!(idle(&ten_minutes_later, other), Tally { done: 1, failed: 0 });
            effect(db, org_id, jobs, "slow", &effects);
            Ok(())
        }
    };
    idle(&app.db, slow);
    assert_eq!(*effects.lock().expect("no test panicked with it"), ["other"]);
    assert_eq!(rows(&app), []);
}

#[test]
fn a_scheduled_job_waits_for_its_time_and_a_change_brings_it_forward() {
    let app = TestApp::start();
    let subject = VesselId::fresh();
    let at = app.db.clock().now() + TimeDelta::days(30);
    let scheduled = app.db.write(&app.service(), |tx| schedule_forecasts(tx, &[(subject, at)]));
    scheduled.expect("it can be scheduled");
    let done = |_: &Db, _: OrgId, _: &[Job]| Ok(());
    assert_eq!(idle(&app.db, done), Tally::default());
    ask(&app.db, app.home.org_id, &[subject]);
    assert_eq!(rows(&app).len(), 1);
    assert_eq!(idle(&app.db, done), Tally { done: 1, failed: 0 });
}

#[test]
fn a_failure_beside_a_scheduled_job_brings_that_one_forward() {
    let app = TestApp::start();
    let subject = VesselId::fresh();
    ask(&app.db, app.home.org_id, &[subject]);
    let at = app.db.clock().now() + TimeDelta::days(30);
    let fails = move |db: &Db, org_id: OrgId, _: &[Job]| {
        db.write(&Actor::service(org_id, RequestId::fresh()), |tx| schedule_forecasts(tx, &[(subject, at)]))?;
        Err(Error::new(Code::Conflict, "It cannot be done."))
    };
    assert_eq!(idle(&app.db, fails), Tally { done: 0, failed: 1 });
    let left = rows(&app);
    assert_eq!(left.len(), 1);
    assert_eq!((left[0].state.as_str(), left[0].runs_in_s), ("queued", 5), "{left:?}");
}

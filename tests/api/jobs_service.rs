//! The queue as whoever runs the service meets it: the command, the gauges, what wakes a worker, what recurs for a new
//! organisation, and what another version computes again.

use std::process::{Command, Output};
use std::sync::{Mutex, mpsc};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{BigInt, Text, Timestamptz};
use garboard::cli::organisation;
use garboard::db::{Actor, Db};
use garboard::error::{Code, Error};
use garboard::features::accounts::model::{NewMemberFields, OrganisationFields};
use garboard::features::forecasts::job::request_for_new_model;
use garboard::ids::{Id, OrgId, RequestId, VesselId};
use garboard::jobs::queue::{FORECAST, request_forecast};
use garboard::jobs::{Job, Runner, Tally, Workers, board, run_until_idle};
use garboard::permissions::Role;
use garboard::routes;
use garboard::science::forecast::MODEL;
use serde_json::{Value, json};

use super::events::vessel;
use super::invitations::as_superuser;
use crate::support::app::{PASSWORD, TestApp};
use crate::support::hulls::settle;

/// Longer than any of these takes; a test that fails would otherwise hang.
const PATIENCE: Duration = Duration::from_mins(1);

fn ask(app: &TestApp, org_id: OrgId, subject: VesselId) {
    let actor = Actor::service(org_id, RequestId::fresh());
    app.db.write(&actor, |tx| request_forecast(tx, subject)).expect("asked");
}

/// Forecast jobs of these subjects, each failed as often as it may.
fn dead(app: &TestApp, subjects: &[(OrgId, VesselId)]) {
    for (org_id, subject) in subjects {
        ask(app, *org_id, *subject);
    }
    let fails = Workers::of(FORECAST, |_: &Db, _: OrgId, _: &[Job]| {
        Err(Error::new(Code::Conflict, "It cannot be done:\n\ta line more."))
    });
    for minutes in [0, 1, 2, 3, 5] {
        run_until_idle(&app.later(TimeDelta::minutes(minutes)), &fails).expect("in reach");
    }
}

/// Runs the binary on the test's database.
fn garboard(app: &TestApp, arguments: &[&str]) -> Output {
    let folder = tempfile::tempdir().expect("a folder");
    Command::new(env!("CARGO_BIN_EXE_garboard"))
        .args(arguments)
        .args(["--data-dir".as_ref(), folder.path().as_os_str()])
        .env("DATABASE_URL", app.database.app_url())
        .env("DATABASE_WORKER_URL", app.database.worker_url())
        .env("DATABASE_SIGN_IN_URL", app.database.sign_in_url())
        .env_remove("RUST_LOG")
        .output()
        .expect("the binary runs")
}

/// The lines below the header, each as its cells.
#[track_caller]
fn listed(app: &TestApp, state: &str) -> Vec<Vec<String>> {
    let output = garboard(app, &["jobs", "list", "--state", state]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).expect("text");
    let mut lines = text.lines().map(|line| line.split('\t').map(str::to_owned).collect::<Vec<_>>());
    let header = lines.next().expect("a header");
    assert_eq!(header, ["id", "organisation", "kind", "subject", "attempts", "run_after", "last_error"]);
    lines.collect()
}

#[test]
fn the_command_lists_what_is_dead_and_tries_one_or_all_of_it_again() {
    let app = TestApp::start();
    let (home, away) = (app.home.org_id, app.away.org_id);
    let hulls = [(home, VesselId::fresh()), (home, VesselId::fresh()), (away, VesselId::fresh())];
    assert_eq!(listed(&app, "dead"), Vec::<Vec<String>>::new());
    dead(&app, &hulls);
    let found = listed(&app, "dead");
    assert_eq!(found.len(), 3, "{found:?}");
    for (org_id, subject) in hulls {
        let line = found.iter().find(|line| line[3] == subject.to_string()).expect("its line");
        assert_eq!(
            (line[1].as_str(), line[2].as_str(), line[4].as_str()),
            (&*org_id.to_string(), FORECAST, "5")
        );
        assert_eq!(line[6], "It cannot be done:  a line more.", "a job is a line");
        line[5].parse::<DateTime<Utc>>().expect("a time");
    }
    let unknown = garboard(&app, &["jobs", "retry", &VesselId::fresh().to_string()]);
    assert_eq!(unknown.status.code(), Some(1));
    let said = String::from_utf8_lossy(&unknown.stderr).into_owned();
    assert!(said.contains("No dead job has this id") && said.contains("garboard jobs list"), "{said}");
    assert_eq!(garboard(&app, &["jobs", "retry"]).status.code(), Some(2), "which one, or --all");
    let one = garboard(&app, &["jobs", "retry", &found[0][0]]);
    assert_eq!(String::from_utf8_lossy(&one.stdout), "1 asked for again. A service that runs does them.\n");
    let queued = listed(&app, "queued");
    assert_eq!((queued.len(), &queued[0][3]), (1, &found[0][3]));
    let all = garboard(&app, &["jobs", "retry", "--all"]);
    assert_eq!(String::from_utf8_lossy(&all.stdout), "3 asked for again. A service that runs does them.\n");
    assert_eq!(listed(&app, "queued").len(), 3, "the one that waited already once");
    // The command asked by the clock of this machine, which is past the tests' day.
    let works = Workers::of(FORECAST, |_: &Db, _: OrgId, _: &[Job]| Ok(()));
    let tally = run_until_idle(&app.later(TimeDelta::days(36_500)), &works).expect("in reach");
    assert_eq!(tally, Tally { done: 3, failed: 0 });
    for state in ["dead", "queued", "running"] {
        assert_eq!(listed(&app, state), Vec::<Vec<String>>::new(), "{state}");
    }
}

/// The value of a line of the counts.
fn told(app: &TestApp, line: &str) -> Option<f64> {
    let text = app.anonymous().get("/metrics").expect(200).text;
    text.lines().find_map(|found| found.strip_prefix(line)?.trim().parse().ok())
}

#[test]
fn what_waits_runs_and_is_dead_is_told_as_gauges() {
    let app = TestApp::start();
    dead(&app, &[(app.home.org_id, VesselId::fresh()), (app.away.org_id, VesselId::fresh())]);
    vessel(&app, "A hull");
    let gauge = |state: &str| told(&app, &format!("garboard_jobs{{kind=\"forecast\",state=\"{state}\"}}"));
    let oldest = || told(&app, "garboard_jobs_oldest_ready_seconds{kind=\"forecast\"}");
    board::gauge(&app.later(TimeDelta::seconds(90))).expect("in reach");
    assert_eq!((gauge("dead"), gauge("ready"), gauge("scheduled")), (Some(2.0), Some(1.0), Some(0.0)));
    assert_eq!(oldest(), Some(90.0));
    settle(&app);
    // As it is while a worker is at it.
    as_superuser(
        &app,
        "UPDATE jobs SET state = 'running', locked_by = 'a worker', locked_until = 'infinity' WHERE state = 'queued'",
    );
    board::gauge(&app.db).expect("in reach");
    assert_eq!((gauge("running"), gauge("ready"), oldest()), (Some(1.0), Some(0.0), Some(0.0)));
    as_superuser(
        &app,
        "UPDATE jobs SET state = 'queued', locked_by = NULL, locked_until = NULL WHERE state = 'running'",
    );
    board::gauge(&app.db).expect("in reach");
    assert_eq!((gauge("running"), gauge("scheduled")), (Some(0.0), Some(1.0)), "its next day");
    assert_eq!(
        told(&app, "garboard_jobs{kind=\"delivery\",state=\"ready\"}"),
        Some(0.0),
        "none is told as none"
    );
}

/// The workers look for unannounced jobs once an hour, so that what they find within a minute was announced. Of the
/// rounds, some find them between two looks and some asleep.
#[test]
fn an_announcement_wakes_a_sleeping_worker() {
    let app = TestApp::start();
    let (ran, has_run) = mpsc::channel();
    let ran = Mutex::new(ran);
    let workers = Workers::of(FORECAST, move |_: &Db, _: OrgId, jobs: &[Job]| {
        for job in jobs {
            ran.lock().expect("no thread panics with it").send(job.subject_id).expect("the test waits");
        }
        Ok(())
    });
    let runner = Runner::start(&app.db, &workers.looking_every(Duration::from_hours(1)), 1).expect("threads");
    let mut superuser =
        PgConnection::establish(&app.database.superuser_url()).expect("the superuser connects");
    for _ in 0..20 {
        let subject = VesselId::fresh();
        ask(&app, app.home.org_id, subject);
        assert_eq!(has_run.recv_timeout(PATIENCE), Ok(subject.into()));
        // The next is asked for when the worker has settled this one and has nothing to do.
        while count(&mut superuser, "SELECT count(*) AS n FROM jobs") > 0 {
            std::thread::yield_now();
        }
    }
    runner.stop();
}

#[derive(QueryableByName)]
struct Counted {
    #[diesel(sql_type = BigInt)]
    n: i64,
}

fn count(conn: &mut PgConnection, statement: &str) -> i64 {
    sql_query(statement).get_result::<Counted>(conn).expect("a count").n
}

#[derive(Debug, PartialEq, QueryableByName)]
struct Recurring {
    #[diesel(sql_type = Text)]
    kind: String,
    #[diesel(sql_type = Timestamptz)]
    next_at: DateTime<Utc>,
}

/// Local midnight, and Sunday at three, of Berlin in June (UTC+2, IANA time zone database); 2026-06-15 is a Monday.
#[test]
fn what_recurs_is_set_for_an_organisation_that_is_made_while_the_service_runs() {
    let app = TestApp::start();
    let runner = Runner::start(&app.db, &routes::workers(&app.guards), 1).expect("threads");
    let fields = OrganisationFields { name: "Third".to_owned(), time_zone: "Europe/Berlin".to_owned() };
    let administrator = NewMemberFields {
        email: "administrator@third.example".to_owned(),
        display_name: "The administrator".to_owned(),
        role: Role::Administrator,
        password: PASSWORD.to_owned(),
    };
    let org_id = organisation::create(&app.db, &fields, &[administrator]).expect("made");
    let mut superuser =
        PgConnection::establish(&app.database.superuser_url()).expect("the superuser connects");
    let mut set = || -> Vec<Recurring> {
        let statement =
            format!("SELECT kind, next_at FROM schedules WHERE org_id = '{org_id}' ORDER BY kind");
        sql_query(statement).load(&mut superuser).expect("readable")
    };
    let at = |text: &str| text.parse::<DateTime<Utc>>().expect("an instant");
    let expected = [
        Recurring { kind: "audit_head".to_owned(), next_at: at("2026-06-15T22:00:00Z") },
        Recurring { kind: "learning".to_owned(), next_at: at("2026-06-21T01:00:00Z") },
    ];
    assert_eq!(set(), expected);
    // A service that starts a week later sees to it again, and moves nothing.
    routes::recur(&app.later(TimeDelta::days(7)), org_id).expect("in reach");
    assert_eq!(set(), expected);
    runner.stop();
}

#[test]
fn dates_of_another_model_are_computed_again_and_those_of_this_one_are_not() {
    let app = TestApp::start();
    let hulls = [vessel(&app, "One"), vessel(&app, "Two")];
    let fields = json!({"name": "Theirs", "form": "fin_keel", "length_m": 9.0, "launched_on": "2011-05-01"});
    let theirs = app.stranger().post("/v1/vessels", &fields).expect(201).id();
    settle(&app);
    let forecast = |id: &str| app.reader().get(&format!("/v1/vessels/{id}/forecast")).expect(200).json;
    request_for_new_model(&app.db).expect("in reach");
    assert_eq!(settle(&app), Tally::default(), "nothing is new");
    as_superuser(
        &app,
        &format!("UPDATE forecasts SET model = 'an older one' WHERE vessel_id = '{}'", hulls[0]),
    );
    request_for_new_model(&app.db).expect("in reach");
    // Some of an organisation by another model: all of its own are asked for, those of others are not.
    assert_eq!(
        hulls.each_ref().map(|id| forecast(id)["stale"].clone()),
        [Value::Bool(true), Value::Bool(true)]
    );
    let of_others = app.stranger().get(&format!("/v1/vessels/{theirs}/forecast")).expect(200).json;
    assert_eq!(of_others["stale"], false);
    assert_eq!(settle(&app), Tally { done: 2, failed: 0 });
    assert_eq!(
        (&forecast(&hulls[0])["model"], &forecast(&hulls[0])["stale"]),
        (&json!(MODEL), &json!(false))
    );
}

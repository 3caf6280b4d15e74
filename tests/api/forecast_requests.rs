//! Which forecasts wait to be computed: what a change asked for, seen in the queue.

use diesel::prelude::*;
use garboard::db::schema::jobs;
use uuid::Uuid;

use crate::support::app::TestApp;

fn connection(app: &TestApp) -> PgConnection {
    PgConnection::establish(&app.database.superuser_url()).expect("the test's database")
}

/// The vessels whose forecasts wait, in the order of their ids.
pub fn waiting(app: &TestApp) -> Vec<String> {
    let ids: Vec<Uuid> = jobs::table
        .filter(jobs::kind.eq("forecast").and(jobs::state.eq("queued")))
        .order(jobs::subject_id)
        .select(jobs::subject_id)
        .load(&mut connection(app))
        .expect("the queue can be read");
    ids.iter().map(ToString::to_string).collect()
}

/// Empties the queue, as if everything had been computed.
pub fn forget(app: &TestApp) {
    diesel::delete(jobs::table).execute(&mut connection(app)).expect("the queue can be emptied");
}

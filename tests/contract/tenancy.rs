//! No organisation sees or touches another's rows, whatever statement the application role sends.

use diesel::PgConnection;
use serde_json::Value;

use super::seed;
use super::sql::{be_of, connect, names, rows, run, tenant_tables, text, try_rows};
use crate::support::app::TestApp;

fn count(answer: Result<Vec<Value>, String>) -> Result<i64, String> {
    answer.map(|rows| rows[0]["count"].as_i64().expect("a count"))
}

/// None to be seen, or not even allowed to look.
#[track_caller]
fn assert_hidden(what: &str, answer: Result<Vec<Value>, String>) {
    match count(answer) {
        Ok(seen) => assert_eq!(seen, 0, "{what} shows rows of another organisation"),
        Err(said) => assert!(said.contains("permission denied"), "{what}: {said}"),
    }
}

/// The columns of a table that PostgreSQL does not compute, as a list.
fn written_columns(superuser: &mut PgConnection, table: &str) -> String {
    let query = format!(
        "SELECT string_agg(quote_ident(attname), ', ' ORDER BY attnum) FROM pg_attribute
         WHERE attrelid = '{table}'::regclass AND attnum > 0 AND NOT attisdropped AND attgenerated = ''"
    );
    names(superuser, &query).concat()
}

#[test]
fn the_application_role_sees_and_changes_rows_of_its_organisation_only() {
    let app = TestApp::start();
    seed::home(&app);
    seed::away(&app);
    let (home, away) = (app.home.org_id.to_string(), app.away.org_id.to_string());
    let mut superuser = connect(&app.database.superuser_url());
    let mut application = connect(&app.database.app_url());
    for (table, owner) in tenant_tables(&mut superuser) {
        let of_home = format!("SELECT count(*) FROM {table} WHERE {owner} = '{home}'");
        let all = format!("SELECT count(*) FROM {table}");
        let held = count(try_rows(&mut superuser, &of_home)).expect("a superuser sees all");
        assert!(held > 0, "{table} holds nothing to hide: let tests/contract/seed.rs make a row of it");
        assert!(
            count(try_rows(&mut superuser, &all)).expect("a superuser sees all") > held,
            "{table}: of one only"
        );

        be_of(&mut application, "");
        assert_hidden(&table, try_rows(&mut application, &all));
        be_of(&mut application, &away);
        assert_hidden(&table, try_rows(&mut application, &of_home));
        let own = count(try_rows(&mut application, &all));
        assert!(own.is_err() || own.is_ok_and(|seen| seen > 0), "{table} hides one's own");

        for statement in [
            format!("UPDATE {table} SET {owner} = {owner} WHERE {owner} = '{home}'"),
            format!("DELETE FROM {table} WHERE {owner} = '{home}'"),
        ] {
            match run(&mut application, &statement) {
                Ok(touched) => assert_eq!(touched, 0, "{statement}"),
                Err(said) => assert!(said.contains("permission denied"), "{statement}: {said}"),
            }
        }
        // The same row once more: the one who owns it stumbles over the key, the other does not get so far.
        let row = rows(&mut superuser, &format!("SELECT * FROM {table} WHERE {owner} = '{home}' LIMIT 1"));
        let literal = row[0].to_string().replace('\'', "''");
        let columns = written_columns(&mut superuser, &table);
        let insert = format!(
            "INSERT INTO {table} ({columns}) SELECT {columns} FROM jsonb_populate_record(NULL::{table}, '{literal}'::jsonb)"
        );
        let said = run(&mut application, &insert).expect_err("a row of another organisation is refused");
        let barred = said.contains("permission denied");
        assert!(barred || said.contains("row-level security"), "{table}: {said}");
        be_of(&mut application, &home);
        let said = run(&mut application, &insert).expect_err("a row that stands is refused");
        assert!(barred || said.contains("duplicate key") || said.contains("exclusion"), "{table}: {said}");
        be_of(&mut application, "");
        let said =
            run(&mut application, &insert).expect_err("a row of an organisation is refused without one");
        assert!(barred || said.contains("row-level security"), "{table}: {said}");
    }
}

#[test]
fn views_and_names_of_people_are_hidden_alike() {
    let app = TestApp::start();
    seed::home(&app);
    seed::away(&app);
    let (home, away) = (app.home.org_id.to_string(), app.away.org_id.to_string());
    let mut superuser = connect(&app.database.superuser_url());
    let mut application = connect(&app.database.app_url());
    let views = names(
        &mut superuser,
        "SELECT relname::text FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind = 'v' ORDER BY 1",
    );
    for view in views {
        let of_home = format!("SELECT count(*) FROM {view} WHERE org_id = '{home}'");
        let held = count(try_rows(&mut superuser, &of_home)).expect("a superuser sees all");
        assert!(held > 0, "{view} holds nothing to hide: let tests/contract/seed.rs make a row of it");
        be_of(&mut application, &away);
        assert_hidden(&view, try_rows(&mut application, &of_home));
        be_of(&mut application, "");
        assert_hidden(&view, try_rows(&mut application, &format!("SELECT count(*) FROM {view}")));
    }
    let people = "SELECT count(*) FROM people";
    assert_hidden("people", try_rows(&mut application, people));
    be_of(&mut application, &away);
    assert_eq!(count(try_rows(&mut application, people)), Ok(5), "the five of one's own");
    for hidden in ["passwords", "refresh_families", "refresh_tokens"] {
        let said = try_rows(&mut application, &format!("SELECT count(*) FROM {hidden}"));
        assert!(said.is_err_and(|said| said.contains("permission denied")), "{hidden}");
    }
}

#[test]
fn the_worker_and_the_sign_in_role_reach_only_what_they_are_for() {
    let app = TestApp::start();
    seed::home(&app);
    let mut superuser = connect(&app.database.superuser_url());
    let readable = |superuser: &mut PgConnection, role: &str| {
        names(
            superuser,
            &format!(
                "SELECT relname::text FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p', 'v')
                 AND has_table_privilege('{role}', oid, 'SELECT, INSERT, UPDATE, DELETE') ORDER BY 1"
            ),
        )
    };
    assert_eq!(readable(&mut superuser, "garboard_worker"), ["jobs", "schedules"]);
    // Sums of fits, and not whose they are.
    let columns = names(
        &mut superuser,
        "SELECT table_name || '.' || column_name FROM information_schema.column_privileges
         WHERE grantee = 'garboard_worker' AND table_name NOT IN ('jobs', 'schedules') ORDER BY 1",
    );
    assert_eq!(columns, ["pooled_sums.sum_id", "pooled_sums.sums"]);
    assert_eq!(
        readable(&mut superuser, "garboard_sign_in"),
        [
            "audit",
            "audit_chain",
            "invitations",
            "members",
            "organisations",
            "passwords",
            "people",
            "program_secrets",
            "programs",
            "refresh_families",
            "refresh_tokens"
        ]
    );
    let mut sign_in = connect(&app.database.sign_in_url());
    let said =
        try_rows(&mut sign_in, "SELECT count(*) FROM audit").expect_err("it writes there and never reads");
    assert!(said.contains("permission denied"), "{said}");
    let mut worker = connect(&app.database.worker_url());
    let jobs = rows(&mut worker, "SELECT kind FROM jobs");
    assert!(
        !jobs.is_empty()
            && jobs.iter().all(|job| matches!(text(job, "kind"), "forecast" | "drying" | "delivery"))
    );
}

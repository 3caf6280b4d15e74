//! Every operation as a guest: an organisation that holds a grant on one vessel, by scope, and after its end; and every
//! table as the application role in that organisation.

use std::collections::BTreeSet;

use garboard::db::ground::{UNDER, Under};
use garboard::permissions::GrantScope;
use serde_json::{Value, json};

use super::openapi::{Operation, all};
use super::seed::{self, Ids, bodies};
use super::sql::{be_of, connect, names, rows, run, tenant_tables, text, try_rows};
use super::walk::{
    FILTERS, OF_ONES_OWN, assert_all_needed, call, computes, held, is_listed, lists_nothing, of_oneself,
};
use crate::support::app::{Answer, Client, TestApp};
use crate::support::hulls::settle;

/// Lists of a guest's own in which what is granted shows, without asking for the vessel. May only shrink.
const SHOW_WHAT_IS_GRANTED: [(&str, &str); 5] = [
    ("list_due", "spans the vessels of all who granted one"),
    ("list_held_grants", "says what is granted"),
    ("list_audit", "grants are in the audit of both sides"),
    ("read_audit_export", "grants are in the audit of both sides"),
    ("read_organisation_export", "holds that audit"),
];
/// Tables not under a vessel, of which a guest sees rows of the other organisation. May only shrink.
const SEEN_BESIDE: [(&str, &str); 7] = [
    ("grants", "those it holds"),
    ("organisations", "the name of who granted"),
    ("event_order", "the place of an event of the vessel"),
    ("site_months", "of the site where the vessel lies"),
    ("sites", "the one where the vessel lies"),
    ("jobs", "whether the vessel's forecast waits"),
    ("due", "counted by viewer: its own"),
];

/// The kind of record under a vessel that an address names, if it names one.
fn under(operation: &Operation) -> Option<&'static Under> {
    let (before, _) = operation.path.split_once("/{id}")?;
    let collection = before.rsplit('/').next()?;
    UNDER.iter().find(|under| under.collection == collection)
}

/// The kind of record that a creation without an id in its address makes under a vessel.
fn creates_under(operation: &Operation) -> Option<&'static Under> {
    let collection = operation.path.strip_prefix("/v1/")?;
    let makes = operation.method == "POST" && operation.id != "create_vessel";
    UNDER.iter().find(|under| makes && under.collection == collection)
}

fn granted(app: &TestApp, ids: &Ids, scope: &str) -> String {
    let grant = json!({"vessel_id": ids["vessels"], "grantee_org_id": app.away.org_id, "scope": scope});
    let id = app.administrator().post("/v1/grants", &grant).expect(201).id();
    settle(app);
    id
}

fn walked() -> Vec<Operation> {
    all().into_iter().filter(|operation| !operation.is_open() && !of_oneself(operation)).collect()
}

/// Whether the answer shows an id of the other organisation's records, or its own.
fn shows(answer: &Answer, app: &TestApp, ids: &Ids) -> bool {
    let home = app.home.org_id.to_string();
    ids.iter().filter(|(name, _)| **name != "organisations").any(|(_, id)| answer.text.contains(id))
        || answer.text.contains(&home)
}

#[test]
fn a_guest_who_reads_reads_the_vessel_and_changes_nothing() {
    let app = TestApp::start();
    let ids = seed::home(&app);
    granted(&app, &ids, "read");
    let home = app.home.org_id.to_string();
    let before = held(&app, &home);
    let guest = app.stranger();
    let (mut wrong, mut showed, mut reached) = (Vec::new(), BTreeSet::new(), 0);
    for operation in walked() {
        let answer = call(&guest, &operation, &ids);
        let right = match (under(&operation), operation.writes()) {
            (Some(_), false) => {
                reached += 1;
                answer.status == 200
            }
            (Some(_), true) if computes(&operation) => answer.status == 200,
            (Some(_), true) => answer.status == 403 && answer.json["code"] == "forbidden",
            (None, _) if operation.path.contains("{id}") => answer.status == 404,
            (None, true) if creates_under(&operation).is_some() || operation.id == "create_grant" => {
                answer.status == 403
            }
            (None, true) => {
                let own = is_listed(&OF_ONES_OWN, &operation) || computes(&operation);
                own && matches!(answer.status, 200 | 201 | 202 | 412)
                    || operation.id == "create_vessel" && answer.pointers() == ["/site_id"]
            }
            (None, false) => {
                if shows(&answer, &app, &ids) {
                    showed.insert(operation.id.clone());
                }
                answer.status == 200
            }
        };
        if !right {
            wrong.push(format!("{}: {} {}", operation.id, answer.status, answer.text));
        }
        for filter in operation.parameters("query").iter().filter(|name| name.ends_with("_id")) {
            let collection =
                FILTERS.iter().find(|(name, _)| name == filter).map(|(_, collection)| *collection);
            let collection = collection.expect("a filter of the list");
            let asked = if collection == "home" { &home } else { &ids[collection] };
            let filtered = guest.get(&format!("{}?{filter}={asked}", operation.path));
            // A due row says where the vessel lies, so the list can be asked by it.
            let of_vessel = UNDER.iter().any(|under| under.field == filter) || operation.id == "list_due";
            let none = lists_nothing(&filtered);
            // The other organisation's grants to others are not the guest's to know.
            if filtered.status != 200 || none == (of_vessel && operation.id != "list_grants") {
                wrong.push(format!("{}?{filter}: {} {}", operation.id, filtered.status, filtered.text));
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
    assert!(reached > 20, "{reached} operations read something under a vessel");
    let listed: BTreeSet<String> = SHOW_WHAT_IS_GRANTED.iter().map(|(id, _)| (*id).to_owned()).collect();
    assert!(showed.is_subset(&listed), "{showed:?}");
    assert_all_needed(&SHOW_WHAT_IS_GRANTED, &showed);
    assert_eq!(held(&app, &home), before, "a guest who reads changed something");
    for (kind, operation) in
        [("survey", "create_survey"), ("coat", "create_coat"), ("reading", "create_reading")]
    {
        let batch = json!({"items": [{"kind": kind, "body": bodies(operation, &ids)}]});
        let refused = guest.post("/v1/batches", &batch).expect(200);
        assert_eq!(refused.json["results"][0]["status"], 403, "{}", refused.text);
    }
}

/// Walks as a guest with this scope: what the scope covers is let in, the rest refused, and nothing that the vessel's
/// organisation recorded changes.
fn walk_recording(scope: &str, covered: GrantScope) {
    let app = TestApp::start();
    let ids = seed::home(&app);
    granted(&app, &ids, scope);
    let (home, away) = (app.home.org_id.to_string(), app.away.org_id.to_string());
    let before = held(&app, &home);
    let guest = app.stranger();
    let (mut wrong, mut let_in) = (Vec::new(), 0);
    for operation in walked().iter().filter(|operation| operation.writes() && !computes(operation)) {
        let Some(kind) = under(operation).or(creates_under(operation)) else { continue };
        let answer = call(&guest, operation, &ids);
        let right = if kind.scope == Some(covered) {
            let_in += usize::from(matches!(answer.status, 200 | 201));
            // Another's record is refused by its author; the state of the seed may stand against some.
            !matches!(answer.status, 401 | 404)
                && answer.status < 500
                && (answer.status != 403
                    || answer.text.contains("another organisation")
                    || answer.text.contains("for the vessel's organisation alone"))
        } else {
            answer.status == 403
        };
        if !right {
            wrong.push(format!("{}: {} {}", operation.id, answer.status, answer.text));
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
    assert!(let_in >= 4, "{let_in} operations recorded something");
    let after = held(&app, &home);
    // A job that waits is touched by whoever asks for the forecast.
    let lost: Vec<&Value> =
        before.iter().filter(|row| row["table_name"] != "jobs" && !after.contains(row)).collect();
    assert!(lost.is_empty(), "a guest changed {lost:#?}");
    let mut made = 0;
    for row in after.iter().filter(|row| !before.contains(row)) {
        let author = &row["row"]["author_org_id"];
        let by = &row["row"]["by_org_id"];
        match text(row, "table_name") {
            // Told to the vessel's organisation.
            "jobs" | "audit_chain" | "event_order" => {}
            "events" | "deliveries" => assert_eq!(row["row"]["vessel_id"], json!(ids["vessels"]), "{row}"),
            "audit" => assert_eq!(by, &json!(away), "{row}"),
            _ => {
                made += 1;
                assert_eq!(author, &json!(away), "{row}");
                assert_eq!(row["row"]["vessel_id"], json!(ids["vessels"]), "{row}");
            }
        }
    }
    assert!(made >= 4, "{made} rows");
}

#[test]
fn a_guest_who_records_surveys_records_surveys_only() {
    walk_recording("record_surveys", GrantScope::RecordSurveys);
}

#[test]
fn a_guest_who_records_treatments_records_treatments_only() {
    walk_recording("record_treatments", GrantScope::RecordTreatments);
}

/// Records a survey on the vessel as its guest.
fn survey(guest: &Client, ids: &Ids) -> String {
    guest.post("/v1/surveys", &bodies("create_survey", ids)).expect(201).id()
}

#[test]
fn after_the_grant_nothing_is_left_but_what_the_guest_recorded() {
    let app = TestApp::start();
    let ids = seed::home(&app);
    let guest = app.stranger();
    let grant = granted(&app, &ids, "record_surveys");
    let own = survey(&guest, &ids);
    app.administrator().post(&format!("/v1/grants/{grant}/revocation"), &json!({})).expect(200);
    let mut wrong = Vec::new();
    for operation in walked().iter().filter(|operation| operation.path.contains("{id}")) {
        let answer = call(&guest, operation, &ids);
        if answer.status != 404 {
            wrong.push(format!("{}: {} {}", operation.id, answer.status, answer.text));
        }
    }
    for operation in walked().iter().filter(|operation| creates_under(operation).is_some()) {
        if operation.writes() {
            let answer = call(&guest, operation, &ids);
            if answer.status != 422 {
                wrong.push(format!("{}: {} {}", operation.id, answer.status, answer.text));
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
    guest.get(&format!("/v1/surveys/{own}")).expect(200);
    let found = guest.get(&format!("/v1/surveys?vessel_id={}", ids["vessels"])).expect(200);
    assert_eq!(found.json["items"].as_array().map(Vec::len), Some(1), "its own: {}", found.text);
    assert_eq!(found.json["items"][0]["id"], json!(own));
    let due = guest.get("/v1/due").expect(200);
    assert!(!due.text.contains(&ids["vessels"]), "{}", due.text);
}

/// The columns of a table.
fn has_column(superuser: &mut diesel::PgConnection, table: &str, column: &str) -> bool {
    let query = format!(
        "SELECT attname::text FROM pg_attribute WHERE attrelid = '{table}'::regclass AND attname = '{column}' AND NOT attisdropped"
    );
    !names(superuser, &query).is_empty()
}

/// What the application role sees of home's rows of a table, as the other organisation.
fn seen(application: &mut diesel::PgConnection, table: &str, home: &str) -> Vec<Value> {
    match try_rows(application, &format!("SELECT to_jsonb(t) AS row FROM {table} t WHERE org_id = '{home}'"))
    {
        Ok(rows) => rows.into_iter().map(|row| row["row"].clone()).collect(),
        Err(said) => {
            assert!(said.contains("permission denied"), "{table}: {said}");
            Vec::new()
        }
    }
}

#[test]
fn the_application_role_sees_of_another_organisation_what_is_granted_and_changes_none_of_it() {
    let app = TestApp::start();
    let ids = seed::home(&app);
    let vessel = &ids["vessels"];
    let home = app.home.org_id.to_string();
    let guest = app.stranger();
    let grant = granted(&app, &ids, "record_surveys");
    let own = survey(&guest, &ids);
    let mut superuser = connect(&app.database.superuser_url());
    let mut application = connect(&app.database.app_url());
    let tables: Vec<String> = tenant_tables(&mut superuser).into_iter().map(|(table, _)| table).collect();
    let mut beside = BTreeSet::new();
    be_of(&mut application, &app.away.org_id.to_string());
    for table in &tables {
        let under_vessel = has_column(&mut superuser, table, "vessel_id");
        for row in seen(&mut application, table, &home) {
            let of_vessel =
                row["vessel_id"] == json!(vessel) || table == "vessels" && row["id"] == json!(vessel);
            if SEEN_BESIDE.iter().any(|(name, _)| name == table) {
                beside.insert(table.clone());
                let its_own = row["grantee_org_id"] == json!(app.away.org_id);
                assert!(table != "grants" || its_own, "{row}");
                assert!(table != "jobs" || row["subject_id"] == json!(vessel), "{row}");
                assert!(table != "sites" || row["id"] == json!(ids["sites"]), "{row}");
            } else {
                assert!(of_vessel, "{table} shows {row}");
                assert!(under_vessel || table == "vessels", "{table}");
            }
        }
        // Nothing of it is changed, whatever the statement: what a recording guest may lock stays the other's.
        let mut statements = vec![format!("DELETE FROM {table} WHERE org_id = '{home}'")];
        let touch = if has_column(&mut superuser, table, "updated_at") { "updated_at" } else { "org_id" };
        statements.push(format!("UPDATE {table} SET {touch} = {touch} WHERE org_id = '{home}'"));
        statements.push(format!("UPDATE {table} SET org_id = current_org() WHERE org_id = '{home}'"));
        for statement in statements {
            match run(&mut application, &statement) {
                // A guest asks for the vessel's forecast, and so touches the job that waits.
                Ok(touched) => {
                    let job = table == "jobs" && !statement.contains("current_org()");
                    assert!(touched == 0 || job, "{statement}: {touched}");
                }
                Err(said) => assert!(
                    ["permission denied", "row-level security", "by a transfer", "of a record stays"]
                        .iter()
                        .any(|why| said.contains(why)),
                    "{statement}: {said}"
                ),
            }
        }
    }
    assert_all_needed(&SEEN_BESIDE, &beside);
    app.administrator().post(&format!("/v1/grants/{grant}/revocation"), &json!({})).expect(200);
    for table in &tables {
        for row in seen(&mut application, table, &home) {
            let of_own = row["id"] == json!(own) || row["survey_id"] == json!(own);
            let authored = of_own && row["author_org_id"] == json!(app.away.org_id);
            let of_grants = matches!(table.as_str(), "grants" | "organisations");
            assert!(authored || of_grants, "{table} still shows {row}");
        }
    }
    be_of(&mut application, "");
    for table in &tables {
        assert_eq!(seen(&mut application, table, &home), Vec::<Value>::new(), "{table}");
    }
}

#[test]
fn every_kind_that_can_be_resolved_stands_in_the_catalog_and_the_document() {
    let app = TestApp::start();
    let mut superuser = connect(&app.database.superuser_url());
    for under in &UNDER {
        for table in under.tables {
            let columns = if *table == "vessels" {
                vec!["org_id", "id"]
            } else {
                vec!["org_id", "id", "vessel_id", "author_org_id"]
            };
            for column in columns {
                assert!(has_column(&mut superuser, table, column), "{table}.{column}");
            }
        }
        let address = format!("/v1/{}/{{id}}", under.collection);
        assert!(all().iter().any(|operation| operation.path == address), "{address} is no address");
    }
    // And the other way about: whoever adds a table of records under a vessel decides whether guests reach it.
    let policies = rows(
        &mut superuser,
        "SELECT c.relname::text AS name, EXISTS (SELECT FROM pg_policies p WHERE p.tablename = c.relname
             AND p.qual LIKE '%grants%') AS open
         FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid AND a.attname = 'vessel_id' AND NOT a.attisdropped
         WHERE c.relnamespace = 'public'::regnamespace AND c.relkind = 'r'",
    );
    let closed: Vec<&str> =
        policies.iter().filter(|table| table["open"] == false).map(|table| text(table, "name")).collect();
    let listed: Vec<&str> = CLOSED_TO_GUESTS.iter().map(|(name, _)| *name).collect();
    assert_eq!(closed.iter().collect::<BTreeSet<_>>(), listed.iter().collect::<BTreeSet<_>>());
}

/// Tables with a vessel in them that no grant opens. May only shrink.
const CLOSED_TO_GUESTS: [(&str, &str); 4] = [
    ("deliveries", "letters of the vessel's organisation to its own programs"),
    ("told_dates", "what the vessel's organisation was told"),
    ("grants", "seen by both sides, by a policy that reads nothing else"),
    ("transfers", "seen by both sides"),
];

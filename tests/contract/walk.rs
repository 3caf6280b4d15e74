//! Every operation of the OpenAPI document, as nobody, as a stranger, as a reader and as an administrator.

use std::collections::BTreeSet;

use serde_json::{Value, json};

use super::openapi::{OF_OAUTH, Operation, all};
use super::seed::{self, Ids, bodies};
use super::sql::{connect, rows, tenant_tables};
use garboard::permissions::Scope;

use crate::support::app::{Answer, Client, TestApp};

/// Writing operations that a reader may call. May only shrink.
const FOR_READERS: [(&str, &str); 1] =
    [("create_batch", "asks for the permission of each item: see the test of it")];
/// Reading operations that a reader may not call. May only shrink.
const NOT_FOR_READERS: [(&str, &str); 14] = [
    ("read_organisation_export", "the whole organisation with its people, for who administers"),
    ("read_audit_export", "for who administers"),
    ("list_audit", "for who administers"),
    ("list_jobs", "for who administers"),
    ("list_subscriptions", "for who administers"),
    ("read_subscription", "for who administers"),
    ("list_deliveries", "for who administers"),
    ("read_delivery", "for who administers"),
    ("list_invitations", "addresses of people, for who administers"),
    ("read_invitation", "addresses of people, for who administers"),
    ("list_programs", "for who administers"),
    ("read_program", "for who administers"),
    ("list_members", "addresses of people, for who administers"),
    ("read_member", "addresses of people, for who administers"),
];
/// Operations without the id of a record, which act on the caller's own organisation whoever calls: a stranger
/// succeeds, and nothing at home changes. May only shrink.
pub(super) const OF_ONES_OWN: [(&str, &str); 12] = [
    ("change_learning", "the caller's"),
    ("accept_priors", "of the caller's dates"),
    ("request_calibration", "of the caller's records"),
    ("change_organisation", "the caller's"),
    ("change_policy", "the caller's"),
    ("create_invitation", "to the caller's organisation"),
    ("create_program", "of the caller's organisation"),
    ("create_subscription", "of the caller's organisation"),
    ("create_site", "refers to no record"),
    ("create_product", "refers to no record"),
    ("import_file", "a file of no rows"),
    ("create_batch", "answers 200, refusing each item: see the test of it"),
];
/// What a query may name by its id, with the collection it is in.
pub(super) const FILTERS: [(&str, &str); 9] = [
    ("vessel_id", "vessels"),
    ("site_id", "sites"),
    ("survey_id", "surveys"),
    ("station_id", "stations"),
    ("entity_id", "vessels"),
    ("finding_id", "findings"),
    ("coat_id", "coats"),
    ("treatment_id", "treatments"),
    ("org_id", "home"),
];

/// The address with the ids of these records in it.
pub(super) fn address(operation: &Operation, ids: &Ids) -> String {
    let segments: Vec<&str> = operation.path.split('/').collect();
    let filled: Vec<String> = segments
        .iter()
        .enumerate()
        .map(|(n, segment)| match *segment {
            "{id}" => ids.get(segments[n - 1]).cloned().unwrap_or_else(|| {
                unreachable!("{}: tests/contract/seed.rs makes no {}", operation.path, segments[n - 1])
            }),
            "{address}" => ids[segments[n - 1]].clone(),
            "{kind}" => "vessels".to_owned(),
            other => {
                assert!(!other.starts_with('{'), "{}: the walk cannot fill {other}", operation.path);
                other.to_owned()
            }
        })
        .collect();
    filled.join("/")
}

/// Sends the operation with a right body about these records.
pub(super) fn call(client: &Client, operation: &Operation, ids: &Ids) -> Answer {
    let mut path = address(operation, ids);
    if operation.id == "upload_attachment" {
        path = format!("{path}?vessel_id={}", ids["vessels"]);
    }
    let request = client.request(&operation.method, &path).header("If-Match", "\"1\"");
    let body = &operation.value["requestBody"]["content"];
    client.send(if body["text/csv"].is_object() {
        request.header("Content-Type", "text/csv").body("name,form,length_m,ref\n")
    } else if body["image/png"].is_object() {
        request.header("Content-Type", "image/png").body(seed::picture())
    } else if body.is_object() {
        request.json(&bodies(&operation.id, ids))
    } else {
        request
    })
}

/// Sends it with a body that nobody could read: who is refused for what they are is refused before it is read.
fn call_unreadable(client: &Client, operation: &Operation, ids: &Ids) -> Answer {
    let request = client.request(&operation.method, &address(operation, ids));
    client.send(if operation.writes() {
        request.header("Content-Type", "application/x-unknown").body("{")
    } else {
        request
    })
}

/// Whether a list has no item, or figures none to be drawn from.
pub(super) fn lists_nothing(answer: &Answer) -> bool {
    answer.json["items"] == json!([]) || answer.json["groups"] == json!([]) && answer.json["hulls"] == 0
}

pub(super) fn is_listed(list: &[(&str, &str)], operation: &Operation) -> bool {
    list.iter().any(|(id, _)| *id == operation.id)
}

/// Fails when a list names an operation that is gone or no longer needs to be named.
pub(super) fn assert_all_needed(list: &[(&str, &str)], needed: &BTreeSet<String>) {
    for (id, _) in list {
        assert!(needed.contains(*id), "{id} need not be named any more: take it off the list");
    }
}

/// Everything an organisation holds.
pub(super) fn held(app: &TestApp, org_id: &str) -> Vec<Value> {
    let mut superuser = connect(&app.database.superuser_url());
    tenant_tables(&mut superuser)
        .iter()
        .flat_map(|(table, owner)| {
            let query = format!(
                "SELECT '{table}' AS table_name, to_jsonb(t) AS row FROM {table} t WHERE {owner} = '{org_id}' ORDER BY t::text"
            );
            rows(&mut superuser, &query)
        })
        .collect()
}

#[test]
fn nobody_gets_past_the_door() {
    let app = TestApp::start();
    let ids = seed::home(&app);
    let before = held(&app, &app.home.org_id.to_string());
    let anonymous = app.anonymous();
    let forged = Client { token: Some("eyJhbGciOiJub25lIn0.e30.".to_owned()), ..app.anonymous() };
    for operation in all() {
        if operation.is_open() {
            // Open means that it answers for itself: not 404, not an error of its own.
            let answer = call_unreadable(&anonymous, &operation, &ids);
            assert!(
                matches!(answer.status, 200 | 415)
                    || (OF_OAUTH.contains(&operation.id.as_str()) && answer.status == 400),
                "{}: {}",
                operation.id,
                answer.status
            );
            continue;
        }
        for client in [&anonymous, &forged] {
            let answer = call_unreadable(client, &operation, &ids);
            assert_eq!(answer.status, 401, "{} {}: {}", operation.method, operation.path, answer.text);
            assert_eq!(answer.json["code"], "unauthenticated", "{}", operation.id);
            assert_eq!(call(client, &operation, &ids).status, 401, "{}", operation.id);
        }
    }
    assert_eq!(held(&app, &app.home.org_id.to_string()), before, "something changed");
}

#[test]
fn a_stranger_finds_nothing_and_changes_nothing() {
    let app = TestApp::start();
    let ids = seed::home(&app);
    let home = app.home.org_id.to_string();
    let before = held(&app, &home);
    let stranger = app.stranger();
    let mut secrets: Vec<&String> = ids.values().collect();
    secrets.push(&home);
    let mut needed = BTreeSet::new();
    let mut wrong = Vec::new();
    for operation in all().iter().filter(|operation| !operation.is_open() && !of_oneself(operation)) {
        let answer = call(&stranger, operation, &ids);
        let listed = is_listed(&OF_ONES_OWN, operation);
        let by_id = operation.path.contains("{id}");
        let own = listed || computes(operation) && !by_id;
        let right = if operation.writes() && own {
            if listed {
                needed.insert(operation.id.clone());
            }
            // Not refused for who calls: the policy of an organisation that has none is at version 0, say.
            matches!(answer.status, 200 | 201 | 202 | 412)
        } else if by_id {
            answer.status == 404 && answer.json["code"] == "not_found"
        } else if operation.writes() {
            is_unknown(&answer)
        } else {
            answer.status == 200
        };
        if !right {
            wrong.push(format!("{}: {} {}", operation.id, answer.status, answer.text));
        }
        if !operation.writes() && secrets.iter().any(|secret| answer.text.contains(*secret)) {
            wrong.push(format!("{} shows {}", operation.id, answer.text));
        }
        for filter in operation.parameters("query").iter().filter(|name| name.ends_with("_id")) {
            let known = FILTERS.iter().find(|(name, _)| name == filter);
            let (_, collection) = known.unwrap_or_else(|| unreachable!("add {filter} to FILTERS"));
            let asked = if *collection == "home" { &home } else { &ids[collection] };
            let filtered = stranger.get(&format!("{}?{filter}={asked}", operation.path));
            if filtered.status != 200 || !lists_nothing(&filtered) {
                wrong.push(format!("{}?{filter}: {} {}", operation.id, filtered.status, filtered.text));
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
    assert_all_needed(&OF_ONES_OWN, &needed);
    assert_eq!(held(&app, &home), before, "a stranger changed something");
}

/// Whether it acts on the caller's own account, in every organisation: the test after next walks these.
pub(super) fn of_oneself(operation: &Operation) -> bool {
    operation.path == "/v1/me" || operation.path.starts_with("/v1/me/")
}

/// What everybody holds in the tables of persons, which belong to no organisation.
fn passwords(app: &TestApp) -> Vec<Value> {
    let mut superuser = connect(&app.database.superuser_url());
    rows(&mut superuser, "SELECT person_id, to_jsonb(p)::text AS row FROM passwords p ORDER BY 1")
}

#[test]
fn an_account_is_acted_on_by_its_own_person_only() {
    let app = TestApp::start();
    let ids = seed::home(&app);
    let stranger = app.stranger();
    let own = app.away.people["administrator"].0.to_string();
    let before = passwords(&app);
    let mut walked = 0;
    for operation in all().iter().filter(|operation| of_oneself(operation)) {
        let answer = call(&stranger, operation, &ids);
        assert!(
            matches!(answer.status, 200 | 204 | 401 | 404 | 409 | 412 | 422 | 429),
            "{}: {}",
            operation.id,
            answer.text
        );
        assert!(!answer.text.contains("home.example"), "{}: {}", operation.id, answer.text);
        walked += 1;
    }
    assert!(walked >= 5, "{walked}");
    let after = passwords(&app);
    let others = |rows: &[Value]| -> Vec<Value> {
        rows.iter().filter(|row| row["person_id"] != own.as_str()).cloned().collect()
    };
    assert_eq!(others(&before), others(&after), "somebody else's account changed");
    assert_ne!(before, after, "one's own did: the test sees changes");
}

#[test]
fn a_program_reads_and_no_more_than_its_scopes() {
    let app = TestApp::start();
    let ids = seed::home(&app);
    let before = held(&app, &app.home.org_id.to_string());
    let token = app
        .keys
        .sign_program(garboard::ids::Id::fresh(), app.home.org_id, &[Scope::Read], app.db.clock().now())
        .expect("the key signs");
    let program = app.bearing(&token);
    for operation in all().iter().filter(|operation| !operation.is_open()) {
        let allowed = if of_oneself(operation) {
            false
        } else if operation.writes() {
            is_listed(&FOR_READERS, operation) || computes(operation)
        } else {
            !is_listed(&NOT_FOR_READERS, operation)
        };
        let answer = call(&program, operation, &ids);
        assert_eq!(answer.status, if allowed { 200 } else { 403 }, "{}: {}", operation.id, answer.text);
    }
    assert_eq!(held(&app, &app.home.org_id.to_string()), before, "a reading program changed something");
}

/// Whether it only computes, from what it is given and what the caller may read, and keeps nothing.
pub(super) fn computes(operation: &Operation) -> bool {
    // The weather of a haul-out is for who works at it.
    operation.id.starts_with("calculate_") && operation.id != "calculate_coating_windows"
}

/// Not found, or told that a field names nothing that the caller has.
fn is_unknown(answer: &Answer) -> bool {
    let fields = answer.json["errors"].as_array();
    answer.status == 404
        || answer.status == 422
            && fields.is_some_and(|fields| {
                !fields.is_empty()
                    && fields
                        .iter()
                        .all(|field| field["pointer"].as_str().is_some_and(|at| at.ends_with("_id")))
            })
}

#[test]
fn every_reference_in_a_body_is_looked_up_in_the_callers_organisation() {
    let app = TestApp::start();
    let home = seed::home(&app);
    let away = seed::away(&app);
    let before = held(&app, &app.home.org_id.to_string());
    let stranger = app.stranger();
    let mut tried = 0;
    for operation in all().iter().filter(|operation| operation.id.starts_with("create_")) {
        if operation.id == "create_batch" {
            continue;
        }
        let own = bodies(&operation.id, &away);
        for (field, value) in own.as_object().expect("an object") {
            let Some(collection) =
                away.iter().find(|(_, id)| value.as_str() == Some(id)).map(|(name, _)| name)
            else {
                continue;
            };
            // An organisation is named by whoever was given its id.
            if *collection == "organisations" {
                continue;
            }
            tried += 1;
            let mut mixed = own.clone();
            mixed[field] = json!(home[collection]);
            let answer = stranger.post(&operation.path, &mixed);
            assert!(is_unknown(&answer), "{} {field}: {} {}", operation.id, answer.status, answer.text);
        }
    }
    assert!(tried >= 9, "{tried} references");
    assert_eq!(held(&app, &app.home.org_id.to_string()), before);
}

#[test]
fn a_stranger_and_a_reader_get_nothing_into_a_batch() {
    let app = TestApp::start();
    let ids = seed::home(&app);
    let before = held(&app, &app.home.org_id.to_string());
    for (kind, operation) in [
        ("site", "create_site"),
        ("vessel", "create_vessel"),
        ("haul_out", "create_haul_out"),
        ("station", "create_station"),
        ("survey", "create_survey"),
        ("reading", "create_reading"),
        ("finding", "create_finding"),
        ("coat", "create_coat"),
        ("treatment", "create_treatment"),
    ] {
        let batch = json!({"items": [{"kind": kind, "body": bodies(operation, &ids)}]});
        let refused = app.reader().post("/v1/batches", &batch).expect(200);
        assert_eq!(refused.json["results"][0]["status"], 403, "{kind}: {}", refused.text);
        if kind != "site" {
            let unknown = app.stranger().post("/v1/batches", &batch).expect(200);
            let status = unknown.json["results"][0]["status"].as_u64();
            assert!(matches!(status, Some(404 | 422)), "{kind}: {}", unknown.text);
        }
    }
    assert_eq!(held(&app, &app.home.org_id.to_string()), before);
}

#[test]
fn a_reader_reads_and_no_more() {
    let app = TestApp::start();
    let ids = seed::home(&app);
    let before = held(&app, &app.home.org_id.to_string());
    let reader = app.reader();
    let (mut may_write, mut may_not_read) = (BTreeSet::new(), BTreeSet::new());
    for operation in all().iter().filter(|operation| !operation.is_open() && !of_oneself(operation)) {
        if !operation.writes() {
            let listed = is_listed(&NOT_FOR_READERS, operation);
            let answer = call(&reader, operation, &ids);
            assert_eq!(answer.status, if listed { 403 } else { 200 }, "{}: {}", operation.id, answer.text);
            if answer.status == 403 {
                may_not_read.insert(operation.id.clone());
            }
        } else if is_listed(&FOR_READERS, operation) || computes(operation) {
            let answer = call(&reader, operation, &ids);
            assert_eq!(answer.status, 200, "{}: {}", operation.id, answer.text);
            if !computes(operation) {
                may_write.insert(operation.id.clone());
            }
        } else {
            for answer in [call_unreadable(&reader, operation, &ids), call(&reader, operation, &ids)] {
                assert_eq!(answer.status, 403, "{}: {}", operation.id, answer.text);
                assert_eq!(answer.json["code"], "forbidden", "{}", operation.id);
            }
        }
    }
    assert_all_needed(&FOR_READERS, &may_write);
    assert_all_needed(&NOT_FOR_READERS, &may_not_read);
    assert_eq!(held(&app, &app.home.org_id.to_string()), before, "a reader changed something");
}

#[test]
fn an_administrator_reads_everything_of_their_own() {
    let app = TestApp::start();
    let ids = seed::home(&app);
    let administrator = app.administrator();
    for operation in all().iter().filter(|operation| !operation.writes()) {
        let answer = call(&administrator, operation, &ids);
        assert_eq!(answer.status, 200, "{}: {}", operation.id, answer.text);
        if let Some(items) = answer.json["items"].as_array() {
            assert!(!items.is_empty(), "{}: the seed has nothing to show here", operation.id);
        }
    }
}

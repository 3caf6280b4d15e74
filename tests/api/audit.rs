//! /v1/audit, its export, and the chain that shows what was tampered with

use diesel::{Connection, PgConnection, RunQueryDsl};
use garboard::cli::audit::{HEADS, read_heads, verify, write_heads};
use serde_json::{Value, json};

use super::invitations::as_superuser;
use crate::support::app::{PASSWORD, TestApp};

fn rename(app: &TestApp, name: &str) {
    let administrator = app.administrator();
    let etag = administrator.get("/v1/organisation").expect(200).etag();
    administrator.patch("/v1/organisation", &etag, &json!({"name": name})).expect(200);
}

#[test]
fn an_act_is_told_with_before_and_after_and_from_where() {
    let app = TestApp::start();
    rename(&app, "Another");
    let administrator = app.administrator();
    let list = administrator.get("/v1/audit").expect(200);
    let act = list.json["items"].as_array().and_then(|items| items.last()).cloned().expect("the last act");
    assert_eq!(act["action"], "change_organisation");
    assert_eq!((&act["before"]["name"], &act["after"]["name"]), (&json!("Home"), &json!("Another")));
    assert_eq!(act["person_id"], json!(app.home.people["administrator"].0));
    assert_eq!(act["address"], "127.0.0.1");
    let export = administrator.get("/v1/audit/export").expect(200);
    assert_eq!(export.header("content-type").as_deref(), Some("application/x-ndjson"));
    let lines: Vec<Value> =
        export.text.lines().map(|line| serde_json::from_str(line).expect("JSON on each line")).collect();
    assert_eq!(json!(lines), list.json["items"], "all of it, in the same order");
    app.lead().get("/v1/audit/export").expect_problem(403, "forbidden", "");
}

#[test]
fn a_row_changed_taken_out_or_slipped_in_is_seen() {
    let app = TestApp::start();
    rename(&app, "Another");
    rename(&app, "A third");
    let report = |app: &TestApp| verify(&app.db, &[]).expect("it reads");
    let (text, sound) = report(&app);
    assert!(sound && text.matches("sound: ").count() == 2, "{text}");
    // Whoever can do this is a superuser; triggers are kept from mending what they do.
    let tampered = |statement: &str, said: &str| {
        let app = TestApp::start();
        rename(&app, "Another");
        rename(&app, "A third");
        as_superuser(&app, statement);
        let (text, sound) = report(&app);
        assert!(!sound && text.contains(said), "{statement}: {text}");
    };
    tampered(
        "UPDATE audit SET after = '{\"name\": \"X\"}' WHERE action = 'change_organisation'",
        "was changed",
    );
    tampered("UPDATE audit SET person_id = NULL WHERE action = 'change_organisation'", "was changed");
    tampered("UPDATE audit SET by_org_id = org_id WHERE action = 'change_organisation'", "was changed");
    tampered("UPDATE audit_chain SET sequence = sequence + 1000 WHERE sequence = 7", "is missing");
    tampered("DELETE FROM audit_chain WHERE sequence = 7", "outside the chain");
    tampered("DELETE FROM audit_chain WHERE sequence = 6", "is missing");
    tampered("UPDATE audit_chain SET previous_sha256 = row_sha256 WHERE sequence = 3", "does not follow");
}

#[test]
fn a_chain_cut_or_made_anew_does_not_agree_with_the_heads_written_down() {
    let app = TestApp::start();
    rename(&app, "Another");
    let folder = tempfile::tempdir().expect("a folder");
    write_heads(&app.db, folder.path()).expect("written");
    rename(&app, "A third");
    let heads = read_heads(&folder.path().join(HEADS)).expect("read");
    let (text, sound) = verify(&app.db, &heads).expect("it reads");
    assert!(sound && text.contains("1 heads written down agree"), "{text}");
    let org = app.home.org_id;
    // The two last acts vanish, links and rows: the chain by itself is whole.
    as_superuser(&app, &format!("DELETE FROM audit_chain WHERE org_id = '{org}' AND sequence > 5"));
    as_superuser(
        &app,
        &format!("DELETE FROM audit WHERE org_id = '{org}' AND action = 'change_organisation'"),
    );
    assert!(verify(&app.db, &[]).expect("it reads").1, "nothing shows without the heads");
    let (text, sound) = verify(&app.db, &heads).expect("it reads");
    assert!(!sound && text.contains("The chain ends at 5"), "{text}");
}

#[test]
fn acts_at_the_same_time_stand_in_one_chain() {
    let app = TestApp::start();
    let site =
        |n: usize| json!({"name": format!("Basin {n}"), "time_zone": "UTC", "climate": "temperate_sea"});
    std::thread::scope(|scope| {
        for hand in 0..4 {
            let lead = app.lead();
            scope.spawn(move || {
                (0..5).for_each(|n| drop(lead.post("/v1/sites", &site(hand * 5 + n)).expect(201)));
            });
        }
    });
    let (text, sound) = verify(&app.db, &[]).expect("it reads");
    assert!(sound && text.contains("sound: 25 links"), "five members and twenty sites: {text}");
}

#[test]
fn signing_in_is_told_to_the_organisations_of_the_person() {
    let app = TestApp::start();
    let nobody = app.anonymous();
    let sign_in = |email: &str, password: &str| {
        nobody.post("/v1/sign-in", &json!({"email": email, "password": password}))
    };
    let lead = json!(app.home.people["lead"].0);
    let acts = |client: &crate::support::app::Client| -> Vec<Value> {
        let list = client.get("/v1/audit?limit=200").expect(200);
        let items = list.json["items"].as_array().cloned().unwrap_or_default();
        items.into_iter().filter(|act| act["entity"] == "person").collect()
    };
    sign_in("ghost@home.example", "a guess at it").expect(401);
    sign_in("lead@home.example", "a guess at it").expect(401);
    let session = sign_in("Lead@home.example", PASSWORD).expect(200);
    let out = json!({"refresh_token": session.json["refresh_token"], "everywhere": true});
    nobody.post("/v1/sign-out", &out).expect(204);
    // The refusal is written after its answer.
    while acts(&app.administrator()).len() < 3 {
        std::thread::yield_now();
    }
    let mut told = acts(&app.administrator());
    told.sort_by_key(|act| act["action"].to_string());
    let said: Vec<_> = told
        .iter()
        .map(|act| (act["action"].as_str().unwrap_or_default(), act["person_id"].clone()))
        .collect();
    assert_eq!(
        said,
        [("refuse_sign_in", Value::Null), ("sign_in", lead.clone()), ("sign_out_everywhere", lead.clone())],
        "who was refused may be anybody"
    );
    for act in &told {
        assert_eq!((&act["entity_id"], &act["address"]), (&lead, &json!("127.0.0.1")), "{act}");
        assert!(!act.to_string().contains("home.example") && !act.to_string().contains("ghost"), "{act}");
    }
    assert!(acts(&app.stranger()).is_empty(), "no other organisation is told");
    assert!(verify(&app.db, &[]).expect("it reads").1);
}

#[test]
fn the_audit_goes_out_as_csv_too() {
    let app = TestApp::start();
    rename(&app, "=1+1, \"Home\"");
    let administrator = app.administrator();
    let csv = administrator.get("/v1/audit/export?format=csv").expect(200);
    assert_eq!(csv.header("content-type").as_deref(), Some("text/csv"));
    let list = administrator.get("/v1/audit?limit=200").expect(200);
    let items = list.json["items"].as_array().expect("acts");
    let mut reader = csv::Reader::from_reader(csv.text.as_bytes());
    let header = reader.headers().expect("a header").clone();
    let records: Vec<_> = reader.records().map(Result::unwrap).collect();
    assert_eq!(records.len(), items.len());
    for (record, act) in records.iter().zip(items) {
        for (name, cell) in header.iter().zip(record) {
            match &act[name] {
                Value::Null => assert_eq!(cell, "", "{name}"),
                Value::String(text) => assert_eq!(cell, text, "{name}"),
                other => assert_eq!(&serde_json::from_str::<Value>(cell).expect("JSON in the cell"), other),
            }
        }
    }
    administrator.get("/v1/audit/export?format=xml").expect_problem(422, "invalid", "format");
}

/// Not a check but a measurement: `cargo test --test api measured -- --ignored --nocapture`. The work is PostgreSQL's.
#[test]
#[ignore = "a measurement, for a quiet machine"]
fn the_price_of_the_chain_measured() {
    let app = TestApp::start();
    let acts = |n: usize| {
        format!(
            "INSERT INTO audit (org_id, id, recorded_at, request_id, action, entity, entity_id, after)
             SELECT '{}', gen_random_uuid(), now(), 'r', 'create_reading', 'reading', gen_random_uuid(),
                    '{{\"value\": 12.5, \"scale\": \"a\", \"note\": \"port side\"}}'::jsonb FROM generate_series(1, {n})",
            app.home.org_id
        )
    };
    let url = app.database.superuser_url();
    let connect = || PgConnection::establish(&url).expect("the tests' server");
    for state in ["ENABLE", "DISABLE"] {
        as_superuser_quietly(&mut connect(), &format!("ALTER TABLE audit {state} TRIGGER audit_chained"));
        for n in [200, 10_000] {
            let begun = std::time::Instant::now();
            as_superuser_quietly(&mut connect(), &acts(n));
            println!("{state}: {n} acts in one transaction: {:.3} s", begun.elapsed().as_secs_f64());
        }
        let begun = std::time::Instant::now();
        std::thread::scope(|scope| {
            for _ in 0..4 {
                scope.spawn(|| {
                    let mut one = connect();
                    (0..250).for_each(|_| as_superuser_quietly(&mut one, &acts(1)));
                });
            }
        });
        println!("{state}: 1000 transactions by four at once: {:.3} s", begun.elapsed().as_secs_f64());
    }
}

fn as_superuser_quietly(connection: &mut PgConnection, statement: &str) {
    diesel::sql_query(statement).execute(connection).expect("a statement that runs");
}

//! /v1/audit, its export, and the chain that shows what was tampered with

use garboard::cli::audit::{HEADS, read_heads, verify, write_heads};
use serde_json::{Value, json};

use super::invitations::as_superuser;
use crate::support::app::TestApp;

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

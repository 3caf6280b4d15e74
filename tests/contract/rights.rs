//! The whole of an organisation out into a file, gone, and back: by the catalog, so for every table there will be.

use std::collections::BTreeMap;
use std::io::Read;

use garboard::cli::archive::restore;
use garboard::cli::audit::{HEADS, read_heads, vanished, verify, write_heads};
use garboard::cli::erase::{ERASURES, erase_organisation, erasures};
use garboard::db::organisation_rows::{LEFT_OUT, SECRET_COLUMNS};
use garboard::features::accounts::api::export::{MANIFEST, Manifest, write_archive};
use garboard::features::accounts::store::erasure;
use garboard::ids::{Id, RequestId};
use serde_json::{Value, json};

use super::seed::{self, bodies};
use super::sql::{connect, names, rows, tenant_tables};
use crate::support::app::{PASSWORD, TestApp, TestOrganisation};

/// Words of what must not leave in an export.
const SECRET_WORDS: [&str; 6] = ["sha256", "secret", "sealed", "password", "token", "hash"];
/// Columns called so that hold no secret, and why.
const NO_SECRET: [(&str, &str); 5] = [
    ("inputs_sha256", "a digest of what a calibration was learned from, in the API as well"),
    ("inputs_hash", "a digest of a forecast's facts, in the API as well"),
    ("content_sha256", "a digest of an attachment, in the API as well"),
    ("sent_sha256", "a digest of a file as it was sent"),
    ("digest_sha256", "a digest of a kept record, in the API as well"),
];
/// Tables that go on naming an erased person, each with its reason. May only shrink.
const NAMES_STAY: [(&str, &str); 1] = [(
    "treatment_records",
    "a closed treatment's record is a document under a digest: who did the work stands in it as it was signed",
)];

fn archive(app: &TestApp) -> (Manifest, Vec<u8>) {
    let mut bytes = Vec::new();
    let manifest = write_archive(&app.db, &app.service(), &mut bytes).expect("an export");
    (manifest, bytes)
}

fn files(archive: &[u8]) -> BTreeMap<String, String> {
    let mut archive = tar::Archive::new(archive);
    let entries = archive.entries().expect("a tar archive");
    let read = |entry: std::io::Result<tar::Entry<'_, &[u8]>>| {
        let mut entry = entry.expect("a whole entry");
        let (name, mut text) = (entry.path().expect("a name").to_string_lossy().into_owned(), String::new());
        entry.read_to_string(&mut text).expect("UTF-8");
        (name, text)
    };
    entries.map(read).collect()
}

fn rows_of(app: &TestApp, org_id: &str) -> BTreeMap<String, i64> {
    let mut superuser = connect(&app.database.superuser_url());
    let tables = tenant_tables(&mut superuser);
    let mut count = |(table, _): &(String, String)| {
        let query = format!("SELECT count(*) FROM {table} WHERE org_id = '{org_id}'");
        (table.clone(), rows(&mut superuser, &query)[0]["count"].as_i64().expect("a count"))
    };
    tables.iter().map(&mut count).collect()
}

/// A record of a guest's, which comes back as the guest's.
fn record_as_guest(app: &TestApp, ids: &seed::Ids) {
    let guest = TestOrganisation::create(&app.db, "guest-of-home");
    let grant =
        json!({"vessel_id": ids["vessels"], "grantee_org_id": guest.org_id, "scope": "record_surveys"});
    app.administrator().post("/v1/grants", &grant).expect(201);
    let surveyor = app.signed(&guest, "surveyor");
    surveyor.post("/v1/surveys", &bodies("create_survey", ids)).expect(201);
}

/// No row of another organisation has to do with this one.
fn assert_named_nowhere(app: &TestApp, org_id: &str) {
    let mut superuser = connect(&app.database.superuser_url());
    for (table, column) in
        [("due", "viewer_org_id"), ("grants", "grantee_org_id"), ("transfers", "to_org_id")]
    {
        let query = format!("SELECT count(*) FROM {table} WHERE {column} = '{org_id}'");
        assert_eq!(rows(&mut superuser, &query)[0]["count"], 0, "{table}.{column}");
    }
}

#[test]
#[expect(clippy::too_many_lines, reason = "one story, step after step")]
fn an_organisation_goes_out_whole_is_erased_and_comes_back_as_it_was() {
    let app = TestApp::start();
    let ids = seed::home(&app);
    seed::away(&app);
    let (home, away) = (app.home.org_id.to_string(), app.away.org_id.to_string());
    record_as_guest(&app, &ids);
    let before = rows_of(&app, &home);
    let (manifest, bytes) = archive(&app);
    let held = files(&bytes);

    // Every row of every table that is not left out, as JSON and as CSV, and nothing of another organisation.
    for (table, count) in &before {
        if LEFT_OUT.iter().any(|(name, _)| name == table) {
            assert!(!held.contains_key(&format!("{table}.jsonl")), "{table}");
            continue;
        }
        let json: Vec<Value> = held[&format!("{table}.jsonl")]
            .lines()
            .map(|line| serde_json::from_str(line).expect("JSON on each line"))
            .collect();
        // The export stands in the audit by itself.
        let expected = count + i64::from(table == "audit");
        assert_eq!(i64::try_from(json.len()).ok(), Some(expected), "{table}");
        let csv = held[&format!("{table}.csv")].as_bytes();
        assert_eq!(
            csv::Reader::from_reader(csv).records().map(Result::unwrap).count(),
            json.len(),
            "{table}"
        );
        for column in json[0].as_object().expect("an object").keys() {
            let secret = SECRET_WORDS.iter().any(|word| column.contains(word));
            assert!(
                !secret || NO_SECRET.iter().any(|(name, _)| name == column),
                "{table}.{column} is a secret"
            );
        }
    }
    assert!(!bytes.windows(away.len()).any(|part| part == away.as_bytes()), "of the other organisation");
    assert!(
        held["people.jsonl"].contains("lead@home.example") && !held["people.jsonl"].contains("away.example")
    );

    // What the API lists is in it, in the same words.
    let listed = app.lead().get("/v1/vessels").expect(200);
    let exported: Vec<Value> =
        held["vessels.jsonl"].lines().map(|line| serde_json::from_str(line).expect("JSON")).collect();
    for vessel in listed.json["items"].as_array().expect("vessels") {
        let row = exported.iter().find(|row| row["id"] == vessel["id"]).expect("each vessel");
        for field in ["name", "form", "length_m", "launched_on", "version"] {
            let (kept, told) = (&row[field], &vessel[field]);
            assert!(
                kept == told || kept.is_number() && kept.as_f64() == told.as_f64(),
                "{field}: {kept} {told}"
            );
        }
        let time = |value: &Value| {
            value.as_str().and_then(|text| text.parse::<chrono::DateTime<chrono::Utc>>().ok())
        };
        assert_eq!(time(&row["updated_at"]), time(&vessel["updated_at"]));
        assert!(row["updated_at"].as_str().is_some_and(|text| text.ends_with('Z')));
    }

    // Gone: no row of it in any table; the other organisation has all of its.
    let others = rows_of(&app, &away);
    let folder = tempfile::tempdir().expect("a folder");
    write_heads(&app.db, folder.path()).expect("written");
    let heads = read_heads(&folder.path().join(HEADS)).expect("read");
    let (gone, people) =
        erase_organisation(&app.db, &app.database.superuser_url(), folder.path(), app.home.org_id)
            .expect("erased");
    assert!(rows_of(&app, &home).values().all(|count| *count == 0), "{:?}", rows_of(&app, &home));
    assert_eq!(rows_of(&app, &away), others);
    assert_named_nowhere(&app, &home);
    assert_eq!(people, 5, "who were in no other organisation");
    assert!(gone.iter().map(|(_, rows)| rows).sum::<i64>() > 50);
    let noted = std::fs::read_to_string(folder.path().join(ERASURES)).expect("written");
    assert!(noted.contains(&home) && noted.lines().count() == 1);
    // Gone by this way is told from gone by another.
    assert_eq!(vanished(&app.db, &heads, &[]).expect("it reads"), [app.home.org_id]);
    let erased = erasures(folder.path()).expect("read");
    assert_eq!(vanished(&app.db, &heads, &erased).expect("it reads"), []);
    let mut superuser = connect(&app.database.superuser_url());
    assert_eq!(names(&mut superuser, "SELECT email FROM people WHERE email LIKE '%@home.example'"), [""; 0]);

    // A file that was touched is refused, a whole one comes back: the same rows, the same chain.
    let mut touched = bytes.clone();
    let place = touched.windows(4).position(|part| part == b"fin_" || part == b"moto").expect("a form");
    touched[place] = b'x';
    let refused = restore(&app.db, &app.database.superuser_url(), &touched[..]).expect_err("touched");
    assert!(refused.to_string().contains("not what was exported"), "{refused:?}");
    let cut = restore(&app.db, &app.database.superuser_url(), &bytes[..bytes.len() / 2]).expect_err("cut");
    assert!(cut.to_string().contains("cannot be restored"), "{cut}");
    restore(&app.db, &app.database.superuser_url(), &bytes[..]).expect("restored");
    for (table, count) in rows_of(&app, &home) {
        if !LEFT_OUT.iter().any(|(name, _)| *name == table) {
            assert_eq!(count, before[&table] + i64::from(table == "audit"), "{table}");
        }
    }
    assert!(
        rows_of(&app, &home)["schedules"] >= 2,
        "what recurs is set anew, without a start of the service"
    );
    let (text, sound) = verify(&app.db, &[]).expect("it reads");
    assert!(sound, "{text}");
    assert!(text.contains(manifest.audit_head_sha256.as_deref().expect("a head")), "the same head: {text}");
    let (again, _) = archive(&app);
    for (one, two) in manifest.tables.iter().zip(&again.tables) {
        // The second export stands in the audit; the people were erased between, and their rows stayed so.
        if !["audit", "people"].contains(&one.name.as_str()) {
            assert_eq!((&one.name, &one.jsonl_sha256), (&two.name, &two.jsonl_sha256));
        }
    }
    let twice = restore(&app.db, &app.database.superuser_url(), &bytes[..]).expect_err("it is there");
    assert!(twice.to_string().contains("is here already"), "{twice}");
    assert!(files(&bytes).contains_key(MANIFEST));
}

#[test]
fn what_an_export_leaves_out_is_there_to_be_left_out() {
    let app = TestApp::start();
    let mut superuser = connect(&app.database.superuser_url());
    let tables = tenant_tables(&mut superuser);
    for (name, _) in LEFT_OUT {
        assert!(tables.iter().any(|(table, _)| table == name), "{name} is gone: take it off the list");
    }
    for (table, column) in SECRET_COLUMNS {
        let query = format!(
            "SELECT attname::text FROM pg_attribute WHERE attrelid = '{table}'::regclass AND attname = '{column}'"
        );
        assert_eq!(names(&mut superuser, &query), [column], "{table}.{column} is gone: take it off the list");
    }
}

#[test]
fn a_person_is_erased_and_what_they_recorded_stays() {
    let app = TestApp::start();
    let ids = seed::home(&app);
    let (person_id, ..) = app.home.people["surveyor"].clone();
    let sign_in = |client: &crate::support::app::Client| {
        let body = serde_json::json!({"email": "surveyor@home.example", "password": PASSWORD});
        client.post("/v1/sign-in", &body)
    };
    let session = sign_in(&app.anonymous()).expect(200);
    let survey = app.lead().get(&format!("/v1/surveys/{}", ids["surveys"])).expect(200);
    let erase = |id| {
        let now = app.db.clock().now();
        app.db.sign_in(|conn| erasure::erase_person(conn, id, RequestId::fresh(), now))
    };
    let last = erase(app.home.people["administrator"].0).expect_err("nobody would administer");
    assert!(last.to_string().contains("without an administrator"), "{last}");
    erase(person_id).expect("erased");

    sign_in(&app.anonymous()).expect_problem(401, "unauthenticated", "");
    let refresh = serde_json::json!({"refresh_token": session.json["refresh_token"]});
    app.anonymous().post("/v1/sign-in/refresh", &refresh).expect_problem(401, "unauthenticated", "");
    // No table of the database holds the address or the name any more, the person's audit rows among them.
    let mut superuser = connect(&app.database.superuser_url());
    let tables = names(
        &mut superuser,
        "SELECT relname::text FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p')",
    );
    for table in tables {
        let query = format!(
            "SELECT count(*) FROM \"{table}\" t WHERE t::text ILIKE '%surveyor@home%' OR t::text LIKE '%The surveyor%{person_id}%' OR t::text LIKE '%{person_id}%The surveyor%'"
        );
        let stays = NAMES_STAY.iter().any(|(name, _)| *name == table);
        assert_eq!(rows(&mut superuser, &query)[0]["count"], i64::from(stays), "{table}");
    }
    assert_eq!(app.lead().get(&format!("/v1/surveys/{}", ids["surveys"])).expect(200).json, survey.json);
    let member = app.administrator().get(&format!("/v1/members/{person_id}")).expect(200);
    assert_eq!(member.json["display_name"], erasure::ERASED_NAME);
    assert!(verify(&app.db, &[]).expect("it reads").1, "the chain holds");
    let acts = app.administrator().get("/v1/audit?limit=200").expect(200);
    assert!(acts.text.contains("erase_person"));
}

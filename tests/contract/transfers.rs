//! A vessel that is transferred goes with everything under it, whatever tables there are.

use std::collections::BTreeMap;

use diesel::PgConnection;
use garboard::db::Actor;
use garboard::db::ground::UNDER;
use garboard::features::audit;
use garboard::ids::{Id, OrgId, RequestId};
use serde_json::json;

use super::seed;
use super::sql::{connect, names, rows, text};
use crate::support::app::{TestApp, database};
use crate::support::hulls::settle;

/// Tables with a vessel in them whose rows do not go with it. May only shrink.
const STAY: [(&str, &str); 3] = [
    ("transfers", "what was offered to whom stays with who offered it"),
    ("events", "what happened stays with whom it was told to, in its order"),
    ("deliveries", "letters on their way to the seller's programs"),
];
/// Tables whose rows are made anew by the transfer or after it. May only shrink.
const MADE_ANEW: [(&str, &str); 3] = [
    ("due", "of the viewers that there are now"),
    ("told_dates", "what is near is told to the buyer anew"),
    ("grants", "a grant that has ended, by which the seller finds its records"),
];

fn tables_under_a_vessel(superuser: &mut PgConnection) -> Vec<String> {
    names(
        superuser,
        "SELECT c.relname::text FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid AND a.attname = 'vessel_id' AND NOT a.attisdropped
         WHERE c.relnamespace = 'public'::regnamespace AND c.relkind = 'r' ORDER BY 1",
    )
}

#[test]
fn every_table_under_a_vessel_has_keys_that_follow_it() {
    let database = database();
    let mut superuser = connect(&database.superuser_url());
    let following = names(
        &mut superuser,
        "WITH RECURSIVE following (relation) AS (
             SELECT 'vessels'::regclass::oid
             UNION SELECT k.conrelid FROM pg_constraint k JOIN following f ON f.relation = k.confrelid
             WHERE k.contype = 'f' AND k.confupdtype = 'c')
         SELECT relation::regclass::text FROM following",
    );
    for table in tables_under_a_vessel(&mut superuser) {
        let stays = STAY.iter().any(|(name, _)| *name == table);
        assert_eq!(
            following.contains(&table),
            !stays,
            "{table}: SELECT move_with_vessels() in its migration"
        );
    }
    // A key that is checked at once would be checked before the other end has moved.
    let at_once = rows(
        &mut superuser,
        "SELECT k.conname::text AS name, k.conrelid::regclass::text AS table_name FROM pg_constraint k
         WHERE k.contype = 'f' AND NOT k.condeferrable AND cardinality(k.conkey) > 1",
    );
    for key in at_once {
        assert!(!following.iter().any(|table| table == text(&key, "table_name")), "{key} is not deferrable");
    }
}

/// How many rows a vessel has in each table, by organisation.
fn counted(superuser: &mut PgConnection, vessel_id: &str) -> BTreeMap<(String, String), i64> {
    let mut counts = BTreeMap::new();
    for table in tables_under_a_vessel(superuser) {
        let query = format!(
            "SELECT org_id::text AS org_id, count(*) AS rows FROM {table} WHERE vessel_id = '{vessel_id}' GROUP BY org_id"
        );
        for row in rows(superuser, &query) {
            counts.insert(
                (table.clone(), text(&row, "org_id").to_owned()),
                row["rows"].as_i64().unwrap_or_default(),
            );
        }
    }
    counts
}

#[test]
fn a_vessel_goes_to_its_buyer_with_all_that_is_recorded_of_it() {
    let app = TestApp::start();
    let ids = seed::home(&app);
    let theirs = seed::away(&app);
    let (home, away) = (app.home.org_id.to_string(), app.away.org_id.to_string());
    let vessel_id = &ids["vessels"];
    let mut superuser = connect(&app.database.superuser_url());
    let before = counted(&mut superuser, vessel_id);
    for table in tables_under_a_vessel(&mut superuser) {
        if !STAY.iter().any(|(name, _)| *name == table) {
            assert!(
                before.contains_key(&(table.clone(), home.clone())),
                "{table}: the seed makes no row of it"
            );
        }
    }
    let (seller, buyer) = (app.administrator(), app.stranger());
    let offer =
        seller.post(&format!("/v1/vessels/{vessel_id}/transfers"), &json!({"to_org_id": away})).expect(201);
    let acceptance = format!("/v1/transfers/{}/acceptance", offer.id());
    seller.post(&acceptance, &json!({})).expect(404);
    app.reader().post(&acceptance, &json!({})).expect(403);
    let accepted = buyer.post(&acceptance, &json!({"site_id": theirs["sites"]})).expect(200);
    assert_eq!(accepted.json["products_copied"], json!([ids["products"]]), "{}", accepted.text);
    assert_eq!(accepted.json["grants_ended"], 1);

    let after = counted(&mut superuser, vessel_id);
    for ((table, org_id), count) in &before {
        if STAY.iter().any(|(name, _)| name == table) {
            assert_eq!(after.get(&(table.clone(), org_id.clone())), Some(count), "{table}");
        } else {
            assert_eq!(after.get(&(table.clone(), home.clone())), None, "{table} stayed behind");
            if !MADE_ANEW.iter().any(|(name, _)| name == table) {
                assert_eq!(after.get(&(table.clone(), away.clone())), Some(count), "{table}");
            }
        }
    }
    settle(&app);
    assert!(counted(&mut superuser, vessel_id).contains_key(&("due".to_owned(), away.clone())));

    // The buyer reads everything; the seller what it recorded, and changes nothing more.
    for under in &UNDER {
        let address = format!("/v1/{}/{}", under.collection, ids[under.collection]);
        buyer.get(&address).expect(200);
        seller.get(&address).expect(if under.collection == "vessels" { 404 } else { 200 });
    }
    for path in ["content", "thumbnail"] {
        buyer.get(&format!("/v1/attachments/{}/{path}", ids["attachments"])).expect(200);
    }
    let coat = format!("/v1/coats/{}", ids["coats"]);
    let change = json!({"note": "hindsight", "correction_reason": "a slip"});
    seller.patch(&coat, &seller.get(&coat).etag(), &change).expect_problem(403, "forbidden", "");
    buyer.patch(&coat, &buyer.get(&coat).etag(), &change).expect_problem(403, "forbidden", "");
    // That it was taken off is no correction.
    let removed = json!({"removed_on": "2026-06-01", "correction_reason": "taken off"});
    buyer.patch(&coat, &buyer.get(&coat).etag(), &removed).expect(200);
    assert_eq!(seller.get(&coat).expect(200).json["removed_on"], json!(null), "the seller's version");
    assert!(!seller.get("/v1/vessels?retired=any").expect(200).text.contains(vessel_id.as_str()));
    let found = seller.get(&format!("/v1/surveys?vessel_id={vessel_id}")).expect(200);
    assert!(found.text.contains(&ids["surveys"]), "{}", found.text);

    for (client, org_id) in [(&seller, app.home.org_id), (&buyer, app.away.org_id)] {
        let audit = client.get(&format!("/v1/audit?entity_id={vessel_id}")).expect(200);
        let acts: Vec<_> =
            audit.json["items"].as_array().into_iter().flatten().map(|row| row["action"].clone()).collect();
        assert!(acts.contains(&json!("accept_transfer")), "{acts:?}");
        assert_sound(&app, org_id);
    }
    buyer.post(&acceptance, &json!({})).expect_problem(409, "conflict", "");
}

/// Follows the audit's chain to its end.
fn assert_sound(app: &TestApp, org_id: OrgId) {
    let actor = Actor::service(org_id, RequestId::fresh());
    let (follower, wrong) = app.db.read(&actor, |tx| audit::follow(tx, |_, _| Ok(()))).expect("a chain");
    assert_eq!(wrong, None);
    assert!(follower.sequence > 10);
}

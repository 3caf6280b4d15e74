//! The page of grants and transfers, through its forms. What a grant then lets stands in `grants.rs`, what goes along
//! with a vessel in `transfers.rs`.

use serde_json::{Value, json};

use crate::support::app::TestApp;
use crate::support::hulls::{settle, vessel};
use crate::support::visitor::Visitor;

fn member(app: &TestApp, word: &str) -> Visitor {
    Visitor::signed_in(app, &app.home.people[word].2)
}

fn stranger(app: &TestApp) -> Visitor {
    Visitor::signed_in(app, &app.away.people["administrator"].2)
}

#[test]
fn a_vessel_is_granted_seen_by_the_guest_and_revoked() {
    let app = TestApp::start();
    let lead = app.lead();
    let id = vessel(&lead, "A <b>hull", json!({"ref": "N-1", "launched_on": "2012-05-01"})).id();
    vessel(&lead, "A hull like it", json!({"ref": "N-2"}));
    settle(&app);
    let mut giver = member(&app, "administrator");
    let own = app.home.org_id.to_string();
    assert!(giver.get("/grants").expect(200).text.contains(&own), "the id to hand over");
    let to = app.away.org_id.to_string();
    let fields = |vessel: &'static str, to: &str| -> Vec<(&'static str, String)> {
        vec![
            ("vessel", vessel.to_owned()),
            ("grantee_org_id", to.to_owned()),
            ("scope", "record_surveys".to_owned()),
        ]
    };
    let mut post = |fields: &[(&'static str, String)]| {
        let pairs: Vec<(&str, &str)> = fields.iter().map(|(name, value)| (*name, value.as_str())).collect();
        giver.post("/grants", &pairs)
    };
    for (vessel, org, field, words) in [
        ("nothing so called", to.as_str(), "vessel", "fits no vessel"),
        ("hull", to.as_str(), "vessel", "fits several"),
        ("N-1", "somebody", "grantee_org_id", ""),
        ("N-1", own.as_str(), "grantee_org_id", "own organisation"),
    ] {
        let refused = post(&fields(vessel, org)).expect(422).text;
        assert!(refused.contains(&format!("id=\"give-{field}-problem\"")), "{vessel} {org}: {refused}");
        assert!(
            refused.contains(words) && refused.contains(&format!("value=\"{vessel}\"")),
            "{vessel} {org}"
        );
    }
    let ended =
        [fields("N-1", &to), vec![("from_at", "2026-08-01".into()), ("until_at", "2026-07-01".into())]]
            .concat();
    assert!(post(&ended).expect(422).text.contains("id=\"give-until_at-problem\""));

    let period = [("from_at", "2026-06-01".to_owned()), ("until_at", "2026-09-30".to_owned())];
    let note =
        [("note", "for the season".to_owned()), ("id", "0197750c-0000-7000-8000-000000000001".to_owned())];
    let given = [fields("N-1", &to), period.to_vec(), note.to_vec()].concat();
    post(&given).expect(303);
    post(&given).expect(303);
    let grants = app.administrator().get("/v1/grants").expect(200).json["items"].clone();
    assert_eq!(grants.as_array().map(Vec::len), Some(1), "sent twice, made once");
    let grant = &grants[0];
    assert_eq!(
        (&grant["vessel_id"], &grant["scope"], &grant["note"]),
        (&json!(id), &json!("record_surveys"), &json!("for the season"))
    );
    // To the end of a day: until the next begins, by the organisation's clock (the tests' is UTC).
    assert_eq!(
        (&grant["from_at"], &grant["until_at"]),
        (&json!("2026-06-01T00:00:00Z"), &json!("2026-10-01T00:00:00Z"))
    );
    let page = giver.get("/grants?done=give").expect(200).text;
    assert!(
        page.contains("A &#60;b&#62;hull") && page.contains("for the season") && page.contains(">holds<")
    );

    settle(&app);
    let mut guest = stranger(&app);
    let seen = guest.get("/grants").expect(200).text;
    assert!(seen.contains(&format!("href=\"/vessels/{id}\"")) && !seen.contains("for the season"), "{seen}");
    guest.get(&format!("/vessels/{id}")).expect(200);
    // Both fleets stand on the guest's list, each alone when it is chosen.
    vessel(&app.stranger(), "Of the guest", json!({"launched_on": "2012-05-01"}));
    settle(&app);
    for (fleet, shown, hidden) in [(&own, "b&#62;hull", "Of the guest"), (&to, "Of the guest", "b&#62;hull")]
    {
        let list = guest.get(&format!("/due?org_id={fleet}")).expect(200).text;
        assert!(list.contains(shown) && !list.contains(hidden), "{shown}: {list}");
        let rows = app.stranger().get(&format!("/v1/due?org_id={fleet}")).expect(200).json;
        assert!(rows["items"].as_array().is_some_and(|rows| {
            !rows.is_empty() && rows.iter().all(|row| row["org_id"] == json!(fleet))
        }));
        let csv = guest.get(&format!("/due.csv?org_id={fleet}")).expect(200).text;
        assert_eq!(csv.lines().count() - 1, rows["items"].as_array().map_or(0, Vec::len));
    }

    let path = format!("/grants/{}", grant["id"].as_str().expect("an id"));
    guest.post(&path, &[]).expect(404);
    giver.post(&path, &[]).expect(303);
    assert_eq!(app.administrator().get("/v1/grants").expect(200).json["items"][0]["state"], "revoked");
    assert!(giver.post(&path, &[]).expect(409).text.contains("is revoked"));
    guest.get(&format!("/vessels/{id}")).expect(404);
    let mut reader = member(&app, "reader");
    let seen = reader.get("/grants").expect(200).text;
    assert!(seen.contains("revoked") && !seen.contains("action=\"/grants"), "who reads has no form");
    reader.post("/grants", &[]).expect(403);
}

#[test]
fn a_vessel_is_offered_declined_withdrawn_and_accepted() {
    let app = TestApp::start();
    let id = vessel(&app.lead(), "For sale", json!({"ref": "S-1"})).id();
    // The buyer calls another of its own so.
    vessel(&app.stranger(), "Its own", json!({"ref": "S-1"}));
    let (mut seller, mut buyer) = (member(&app, "administrator"), stranger(&app));
    let to = app.away.org_id.to_string();
    let mut offer = || {
        let fields = [("vessel", "For sale"), ("to_org_id", to.as_str()), ("note", "as <i>agreed")];
        seller.post("/transfers", &fields).expect(303);
        let offers = app.administrator().get("/v1/transfers").expect(200).json["items"].clone();
        let open =
            offers.as_array().and_then(|offers| offers.iter().find(|it| it["state"] == "offered").cloned());
        format!("/transfers/{}", open.expect("one is open")["id"].as_str().expect("an id"))
    };
    let state = |path: &str| -> Value {
        app.administrator().get(&format!("/v1{path}")).expect(200).json["state"].clone()
    };
    let first = offer();
    let seen = buyer.get("/grants").expect(200).text;
    assert!(seen.contains("For sale") && seen.contains("as &#60;i&#62;agreed"), "{seen}");
    buyer.post(&first, &[("act", "withdraw")]).expect(404);
    buyer.post(&first, &[("act", "decline")]).expect(303);
    assert_eq!(state(&first), "declined");
    assert!(buyer.post(&first, &[("act", "accept")]).expect(409).text.contains("settled already"));
    let second = offer();
    let mut seller_again = member(&app, "administrator");
    seller_again.post(&second, &[("act", "accept")]).expect(404);
    seller_again.post(&second, &[("act", "withdraw")]).expect(303);
    assert_eq!(state(&second), "withdrawn");
    let third = offer();
    let refused = buyer.post(&third, &[("act", "accept"), ("site_id", "nowhere")]).expect(422);
    assert!(refused.text.contains("no site of yours"), "{}", refused.text);
    let accepted = buyer.post(&third, &[("act", "accept")]).expect(200).text;
    assert!(accepted.contains("For sale is yours now"), "{accepted}");
    assert!(accepted.contains("stayed behind") && accepted.contains("S-1"), "{accepted}");
    app.stranger().get(&format!("/v1/vessels/{id}")).expect(200);
    app.lead().get(&format!("/v1/vessels/{id}")).expect(404);
    // What is left to the seller, by which it finds what it recorded, was revoked by nobody.
    for page in [buyer.get("/grants"), seller_again.get("/grants")] {
        let page = page.expect(200).text;
        assert!(page.contains("ended with the transfer, ") && page.contains(">over</span>"), "{page}");
        assert!(!page.contains(">revoked</span>") && !page.contains("without an end"), "{page}");
    }
}

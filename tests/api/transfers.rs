//! Transfers: offered, declined, withdrawn, accepted. That everything goes along stands in `tests/contract/transfers.rs`.

use serde_json::{Value, json};

use crate::support::app::{Answer, TestApp, TestOrganisation};
use crate::support::hulls::vessel;

#[track_caller]
fn offer(app: &TestApp, vessel_id: &str) -> Answer {
    let body = json!({"to_org_id": app.away.org_id, "note": "as agreed"});
    app.administrator().post(&format!("/v1/vessels/{vessel_id}/transfers"), &body).expect(201)
}

#[test]
fn an_offer_is_settled_once_by_the_side_whose_it_is() {
    let app = TestApp::start();
    let (seller, buyer) = (app.administrator(), app.stranger());
    let id = vessel(&app.lead(), "For sale", json!({})).id();
    let offers = format!("/v1/vessels/{id}/transfers");
    seller.post(&offers, &json!({"to_org_id": app.home.org_id})).expect_problem(422, "invalid", "/to_org_id");
    seller.post(&offers, &json!({"to_org_id": id})).expect_problem(422, "invalid", "/to_org_id");
    app.lead().post(&offers, &json!({"to_org_id": app.away.org_id})).expect_problem(403, "forbidden", "");
    let first = offer(&app, &id);
    seller.post(&offers, &json!({"to_org_id": app.away.org_id})).expect_problem(409, "conflict", "");
    let at = |answer: &Answer, what: &str| format!("/v1/transfers/{}/{what}", answer.id());

    // Whom it is offered to reads the offer, and no more of the vessel yet.
    let received = buyer.get("/v1/transfers?received=true").expect(200);
    assert_eq!(received.json["items"][0]["vessel_name"], "For sale");
    assert_eq!(received.json["items"][0]["org_name"], "Home");
    assert_eq!(buyer.get("/v1/transfers").expect(200).json["items"], json!([]));
    buyer.get(&format!("/v1/vessels/{id}")).expect(404);
    let third = app.signed(&TestOrganisation::create(&app.db, "Third"), "administrator");
    third.get(&format!("/v1/transfers/{}", first.id())).expect(404);
    third.post(&at(&first, "acceptance"), &json!({})).expect(404);

    seller.post(&at(&first, "refusal"), &json!({})).expect(404);
    buyer.post(&at(&first, "withdrawal"), &json!({})).expect(404);
    let declined = buyer.post(&at(&first, "refusal"), &json!({})).expect(200);
    assert_eq!(declined.json["state"], "declined");
    buyer.post(&at(&first, "acceptance"), &json!({})).expect_problem(409, "conflict", "");
    let second = offer(&app, &id);
    assert_eq!(seller.post(&at(&second, "withdrawal"), &json!({})).expect(200).json["state"], "withdrawn");
    buyer.post(&at(&second, "acceptance"), &json!({})).expect_problem(409, "conflict", "");
    seller.get(&format!("/v1/vessels/{id}")).expect(200);
}

#[test]
fn what_does_not_fit_the_buyers_register_is_told_or_left_behind() {
    let app = TestApp::start();
    let (seller, buyer) = (app.administrator(), app.stranger());
    // A made-up number with the right check: none is needed where the rule has none.
    let id = vessel(&app.lead(), "Sold", json!({"ref": "7", "launched_on": "2010-05-01"})).id();
    let haul_out = json!({"vessel_id": id, "ref": "H1", "lifted_on": "2026-03-01", "relaunched_on": "2026-03-09", "reason": "other"});
    let haul_out = app.crew().post("/v1/haul-outs", &haul_out).expect(201).id();
    let own = vessel(&buyer, "Own", json!({"ref": "7"})).id();
    let taken = json!({"vessel_id": own, "ref": "H2", "lifted_on": "2026-03-01", "reason": "other"});
    buyer.post("/v1/haul-outs", &taken).expect(201);
    let offered = offer(&app, &id);
    let acceptance = format!("/v1/transfers/{}/acceptance", offered.id());
    let site = json!({"name": "A basin", "time_zone": "UTC", "climate": "temperate_sea"});
    let foreign = app.lead().post("/v1/sites", &site).expect(201).id();
    buyer.post(&acceptance, &json!({"site_id": foreign})).expect_problem(422, "invalid", "/site_id");
    seller.get(&format!("/v1/vessels/{id}")).expect(200);
    let accepted = buyer.post(&acceptance, &json!({})).expect(200);
    assert_eq!(accepted.json["refs_left"], json!([{"records": "vessels", "id": id, "ref": "7"}]));
    let vessel_now = buyer.get(&format!("/v1/vessels/{id}")).expect(200);
    assert_eq!((&vessel_now.json["ref"], &vessel_now.json["site_id"]), (&Value::Null, &Value::Null));
    assert_eq!(buyer.get(&format!("/v1/haul-outs/{haul_out}")).expect(200).json["ref"], "H1");

    // Sold back, it is the first one's again, with all of it, and the other keeps what it recorded meanwhile.
    let survey = json!({"vessel_id": id, "surveyed_on": "2026-06-01"});
    let survey = buyer.post("/v1/surveys", &survey).expect(201).id();
    let back = buyer
        .post(&format!("/v1/vessels/{id}/transfers"), &json!({"to_org_id": app.home.org_id}))
        .expect(201);
    seller.post(&format!("/v1/transfers/{}/acceptance", back.id()), &json!({"site_id": foreign})).expect(200);
    seller.get(&format!("/v1/vessels/{id}")).expect(200);
    seller.get(&format!("/v1/surveys/{survey}")).expect(200);
    buyer.get(&format!("/v1/surveys/{survey}")).expect(200);
    buyer.get(&format!("/v1/haul-outs/{haul_out}")).expect(404);
    buyer.get(&format!("/v1/vessels/{id}")).expect(404);
}

#[test]
fn grants_end_with_the_transfer_and_a_former_guest_keeps_what_it_recorded() {
    let app = TestApp::start();
    let third = TestOrganisation::create(&app.db, "Third");
    let guest = app.signed(&third, "administrator");
    let id = vessel(&app.lead(), "Sold", json!({"launched_on": "2010-05-01"})).id();
    for org_id in [third.org_id, app.away.org_id] {
        let grant = json!({"vessel_id": id, "grantee_org_id": org_id, "scope": "record_surveys"});
        app.administrator().post("/v1/grants", &grant).expect(201);
    }
    let survey = json!({"vessel_id": id, "surveyed_on": "2026-06-01"});
    let of_guest = guest.post("/v1/surveys", &survey).expect(201).id();
    let of_buyer = app.stranger().post("/v1/surveys", &survey).expect(201);
    let offered = offer(&app, &id);
    let acceptance = format!("/v1/transfers/{}/acceptance", offered.id());
    let accepted = app.stranger().post(&acceptance, &json!({})).expect(200);
    assert_eq!(accepted.json["grants_ended"], 1, "the buyer's own is no grant any more");
    guest.get(&format!("/v1/vessels/{id}")).expect(404);
    guest.get(&format!("/v1/surveys/{of_guest}")).expect(200);
    app.reader().get(&format!("/v1/surveys/{of_guest}")).expect(404);
    let held = guest.get("/v1/held-grants").expect(200);
    assert_eq!(
        (&held.json["items"][0]["state"], &held.json["items"][0]["org_name"]),
        (&json!("revoked"), &json!("Away"))
    );
    // What the buyer recorded as a guest is its own to correct now.
    let change = json!({"note": "a second look"});
    let path = format!("/v1/surveys/{}", of_buyer.id());
    app.stranger().patch(&path, &of_buyer.etag(), &change).expect(200);
    let audit = guest.get(&format!("/v1/audit?entity_id={id}")).expect(200);
    assert_eq!(audit.json["items"][0]["action"], "accept_transfer", "{}", audit.text);
}

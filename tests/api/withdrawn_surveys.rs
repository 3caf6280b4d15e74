//! Surveys entered in error: withdrawn with a reason, with what was read and found in them. The law behind most of these
//! tests: after the withdrawal all is told as if the survey had never been entered.

use serde_json::{Value, json};

use crate::forecast_requests::{forget, waiting};
use crate::lists::ids;
use crate::recording::Scene;
use crate::support::app::{Answer, Client, TestApp};
use crate::support::hulls::{settle, vessel};
use crate::support::visitor::{PageForm, Visitor};

const REASON: &str = "entered under the wrong hull";

fn withdraw(client: &Client, survey: &str) -> Answer {
    let path = format!("/v1/surveys/{survey}");
    let etag = client.get(&path).expect(200).etag();
    client.post_if_match(&format!("{path}/withdrawal"), &etag, &json!({"reason": REASON}))
}

/// A signed survey that found a blistered bottom, with a reading and a finding.
fn blistered(scene: &Scene) -> (String, String, String) {
    let surveyor = scene.app.surveyor();
    let draft = scene.draft();
    let (id, path) = (draft.id(), format!("/v1/surveys/{}", draft.id()));
    let reading = surveyor.post("/v1/readings", &scene.reading(&id, 1, 22.0)).expect(201).id();
    let mut finding = scene.finding();
    finding["survey_id"] = json!(id);
    finding["kind"] = json!("delamination");
    let finding = surveyor.post("/v1/findings", &finding).expect(201).id();
    let graded = json!({"bottom_examined": "whole", "blistering": "laminate", "largest_blister_mm": 40.0});
    let graded = surveyor.patch(&path, &draft.etag(), &graded).expect(200);
    surveyor.post_if_match(&format!("{path}/signature"), &graded.etag(), &json!({})).expect(200);
    (id, reading, finding)
}

/// All that the service says of the vessel that can rest on its surveys.
fn said(scene: &Scene) -> Value {
    settle(&scene.app);
    let (lead, id) = (scene.app.lead(), &scene.vessel);
    let get = |path: &str| lead.get(path).expect(200).json;
    let dates = get(&format!("/v1/due?vessel_id={id}"));
    let mut dates: Vec<Value> = dates["items"]
        .as_array()
        .expect("dates")
        .iter()
        .map(|row| json!([row["kind"], row["due_on"], row["reason"]]))
        .collect();
    // Those without a day come in no order of their own.
    dates.sort_by_key(Value::to_string);
    let dossier = get(&format!("/v1/vessels/{id}/dossier"));
    let station = &scene.station;
    json!({
        "dates": dates,
        "history": get(&format!("/v1/vessels/{id}/history")),
        "dossier": [dossier["surveys"], dossier["findings"]],
        "surveys": ids(&lead, &format!("/v1/surveys?vessel_id={id}")),
        "readings": ids(&lead, &format!("/v1/readings?station_id={station}")),
        "findings": ids(&lead, &format!("/v1/findings?vessel_id={id}")),
        "lives": get("/v1/statistics/lifetimes")["groups"],
        "fleet": get("/v1/fleet")["items"],
    })
}

#[test]
fn after_the_withdrawal_all_is_told_as_if_it_had_never_been_entered() {
    let scene = Scene::set();
    let before = said(&scene);
    let (survey, reading, finding) = blistered(&scene);
    let with = said(&scene);
    for part in ["dates", "history", "dossier", "surveys", "readings", "findings", "lives", "fleet"] {
        assert_ne!(
            before[part], with[part],
            "{part} rests on the survey: the comparison below says something"
        );
    }
    forget(&scene.app);
    let surveyor = scene.app.surveyor();
    let withdrawn = withdraw(&surveyor, &survey).expect(200).json;
    assert_eq!(waiting(&scene.app), [scene.vessel.clone()], "a forecast is asked for");
    assert_eq!(
        (&withdrawn["state"], &withdrawn["withdrawn"], &withdrawn["correction_reason"]),
        (&json!("withdrawn"), &json!(true), &json!(REASON))
    );
    assert_eq!((&withdrawn["signed_version"], &withdrawn["signed_at"]), (&Value::Null, &Value::Null));
    let after = said(&scene);
    for (part, told) in before.as_object().expect("parts") {
        assert_eq!(&after[part], told, "{part}");
    }

    // It stays in the history, with the signature it had and the reason.
    let versions = surveyor.get(&format!("/v1/surveys/{survey}/versions")).expect(200).json;
    let states: Vec<&Value> =
        versions["items"].as_array().expect("versions").iter().map(|version| &version["state"]).collect();
    assert_eq!(states, ["draft", "draft", "signed", "withdrawn"]);
    for (list, id) in [("surveys", &survey), ("readings", &reading), ("findings", &finding)] {
        let own = format!("/v1/{list}?vessel_id={}", scene.vessel);
        assert!(ids(&surveyor, &format!("{own}&withdrawn=true")).contains(id), "{list}, where asked for");
        let record = surveyor.get(&format!("/v1/{list}/{id}")).expect(200).json;
        assert_eq!(record["withdrawn"], true, "{list}");
    }
    let dossier = surveyor.get(&format!("/v1/vessels/{}/dossier", scene.vessel)).expect(200).json;
    let corrections = dossier["corrections"].as_array().expect("corrections");
    assert!(
        corrections
            .iter()
            .any(|told| told["record"] == "survey" && told["withdrawn"] == true && told["reason"] == REASON),
        "{corrections:?}"
    );
    let audit = scene.app.administrator().get("/v1/audit?limit=200").expect(200).json;
    let acts = audit["items"].as_array().expect("acts");
    let act = acts.iter().find(|act| act["action"] == "withdraw_survey").expect("it is in the audit");
    assert_eq!((&act["entity_id"], &act["after"]["correction_reason"]), (&json!(survey), &json!(REASON)));
    let events = scene.app.administrator().get("/v1/events?kinds=finding.closed").expect(200).json;
    let closed = &events["items"][0]["content"];
    assert_eq!((&closed["finding_id"], &closed["withdrawn"]), (&json!(finding), &json!(true)));
}

#[test]
fn who_may_withdraw_a_survey_and_what_it_takes_no_more() {
    let scene = Scene::set();
    let (survey, reading, finding) = blistered(&scene);
    let (path, surveyor) = (format!("/v1/surveys/{survey}"), scene.app.surveyor());
    let (withdrawal, reason) = (format!("{path}/withdrawal"), json!({"reason": REASON}));
    surveyor.post(&withdrawal, &reason).expect_problem(428, "version_required", "");
    surveyor.post_if_match(&withdrawal, "\"1\"", &reason).expect_problem(412, "stale", "");
    for missing in [json!({}), json!({"reason": ""})] {
        surveyor.post_if_match(&withdrawal, "\"3\"", &missing).expect_problem(422, "invalid", "/reason");
    }
    scene.app.crew().post_if_match(&withdrawal, "\"3\"", &reason).expect_problem(403, "forbidden", "");
    scene.app.stranger().post_if_match(&withdrawal, "\"3\"", &reason).expect_problem(404, "not_found", "");
    surveyor.post_if_match(&withdrawal, "\"3\"", &reason).expect(200);
    surveyor.post_if_match(&withdrawal, "\"4\"", &reason).expect_problem(409, "conflict", "");

    surveyor.patch(&path, "\"4\"", &json!({"note": "x"})).expect_problem(409, "conflict", "");
    surveyor
        .post_if_match(&format!("{path}/signature"), "\"4\"", &json!({}))
        .expect_problem(409, "conflict", "");
    surveyor.post("/v1/readings", &scene.reading(&survey, 2, 9.0)).expect_problem(409, "conflict", "");
    let corrected = json!({"value": 9.0, "correction_reason": "misread"});
    surveyor
        .patch(&format!("/v1/readings/{reading}"), "\"1\"", &corrected)
        .expect_problem(409, "conflict", "");
    surveyor
        .patch(&format!("/v1/findings/{finding}"), "\"1\"", &json!({"state": "watched"}))
        .expect_problem(409, "conflict", "");
    let mut another = scene.finding();
    another["survey_id"] = json!(survey);
    surveyor.post("/v1/findings", &another).expect_problem(422, "invalid", "/survey_id");
    // Its haul-out and the launch no longer have to hold it.
    let lead = scene.app.lead();
    let lift = format!("/v1/haul-outs/{}", scene.haul_out);
    let etag = lead.get(&lift).expect(200).etag();
    lead.patch(&lift, &etag, &json!({"lifted_on": "2026-04-10"})).expect(200);
    let vessel = format!("/v1/vessels/{}", scene.vessel);
    let etag = lead.get(&vessel).expect(200).etag();
    lead.patch(&vessel, &etag, &json!({"launched_on": "2026-04-05"})).expect(200);
    // So it cannot come back as it was.
    let again =
        surveyor.post_if_match(&format!("{path}/correction"), "\"4\"", &json!({"reason": "no error"}));
    again.expect_problem(422, "invalid", "/surveyed_on");
}

#[test]
fn a_withdrawal_is_taken_back_by_opening_the_survey_again() {
    let scene = Scene::set();
    let (survey, reading, finding) = blistered(&scene);
    let with = said(&scene);
    let (path, surveyor) = (format!("/v1/surveys/{survey}"), scene.app.surveyor());
    let withdrawn = withdraw(&surveyor, &survey).expect(200);
    forget(&scene.app);
    let reopened = surveyor
        .post_if_match(
            &format!("{path}/correction"),
            &withdrawn.etag(),
            &json!({"reason": "it was this hull"}),
        )
        .expect(200);
    assert_eq!(waiting(&scene.app), [scene.vessel.clone()]);
    assert_eq!(
        (&reopened.json["state"], &reopened.json["withdrawn"], &reopened.json["signed_version"]),
        (&json!("draft"), &json!(false), &Value::Null),
        "evidence only when it is signed anew"
    );
    assert_eq!(surveyor.get(&format!("/v1/readings/{reading}")).expect(200).json["withdrawn"], false);
    assert_eq!(surveyor.get(&format!("/v1/findings/{finding}")).expect(200).json["withdrawn"], false);
    let events = scene.app.administrator().get("/v1/events?kinds=finding.opened").expect(200).json;
    assert_eq!(events["items"].as_array().map(Vec::len), Some(2), "when it was found, and again");
    let history = scene.app.lead().get(&format!("/v1/vessels/{}/history", scene.vessel)).expect(200).text;
    assert!(!history.contains("blistering: laminate"), "{history}");
    surveyor.post_if_match(&format!("{path}/signature"), &reopened.etag(), &json!({})).expect(200);
    let after = said(&scene);
    for part in ["dates", "history", "surveys", "readings", "findings", "lives", "fleet"] {
        assert_eq!(after[part], with[part], "{part}");
    }
}

#[test]
fn a_draft_is_withdrawn_too_and_a_draft_of_a_correction_with_what_it_corrects() {
    let scene = Scene::set();
    let surveyor = scene.app.surveyor();
    let draft = scene.draft().id();
    assert_eq!(withdraw(&surveyor, &draft).expect(200).json["state"], "withdrawn");
    let (survey, ..) = blistered(&scene);
    let path = format!("/v1/surveys/{survey}");
    let etag = surveyor.get(&path).expect(200).etag();
    surveyor.post_if_match(&format!("{path}/correction"), &etag, &json!({"reason": "a slip"})).expect(200);
    withdraw(&surveyor, &survey).expect(200);
    let history = scene.app.lead().get(&format!("/v1/vessels/{}/history", scene.vessel)).expect(200).text;
    assert!(!history.contains("blistering: laminate"), "{history}");
}

#[test]
fn a_guest_withdraws_its_own_surveys_and_no_other() {
    let app = TestApp::start();
    let guest = app.stranger();
    let id = vessel(&app.lead(), "Granted", json!({"launched_on": "2010-05-01"})).id();
    let grant = json!({"vessel_id": id, "grantee_org_id": app.away.org_id, "scope": "record_surveys"});
    app.administrator().post("/v1/grants", &grant).expect(201);
    let body = json!({"vessel_id": id, "surveyed_on": "2026-06-01"});
    let (own, theirs) = (
        app.surveyor().post("/v1/surveys", &body).expect(201).id(),
        guest.post("/v1/surveys", &body).expect(201).id(),
    );
    let refused = withdraw(&guest, &own);
    assert_eq!(refused.status, 403, "{}", refused.text);
    let refused = withdraw(&app.surveyor(), &theirs);
    assert_eq!(refused.status, 403, "only its author corrects it: {}", refused.text);
    withdraw(&guest, &theirs).expect(200);
    assert_eq!(app.lead().get(&format!("/v1/surveys/{theirs}")).expect(200).json["withdrawn"], true);
    let reads = json!({"vessel_id": id, "grantee_org_id": app.away.org_id, "scope": "read"});
    assert_eq!(app.administrator().post("/v1/grants", &reads).expect(201).status, 201);
}

#[test]
fn imports_go_round_it() {
    let app = TestApp::start();
    let lead = app.lead();
    vessel(&lead, "A hull", json!({"launched_on": "2010-05-01", "ref": "A"}));
    let send = |file: &str| {
        lead.send(
            lead.request("POST", "/v1/imports/readings")
                .header("content-type", "text/csv")
                .body(file.to_owned()),
        )
    };
    let by_day = "vessel_ref,surveyed_on,station_code,side,scale,value\nA,2026-05-01,P1,port,relative,14.5\n";
    send(by_day).expect(200);
    let first = ids(&lead, "/v1/surveys");
    withdraw(&lead, &first[0]).expect(200);
    assert_eq!(send(by_day).expect(200).json["created"], 1, "of a new survey of that day");
    let second = ids(&lead, "/v1/surveys");
    assert!(second.len() == 1 && second != first);
    let by_ref =
        "vessel_ref,survey_ref,surveyed_on,station_code,scale,value\nA,SV-1,2026-05-02,P1,relative,12\n";
    send(by_ref).expect(200);
    let named = lead.get("/v1/surveys").expect(200).json["items"].as_array().expect("surveys").clone();
    let named = named.iter().find(|survey| survey["ref"] == "SV-1").expect("the survey")["id"].clone();
    withdraw(&lead, named.as_str().expect("an id")).expect(200);
    send(by_ref).expect_problem(422, "invalid", "line 2, column survey_ref");
}

/// As a signed-in browser does: on the survey's page and on that of the hull's records, each form sent twice.
#[test]
fn a_survey_is_withdrawn_and_opened_again_on_its_pages() {
    let scene = Scene::set();
    let (survey, ..) = blistered(&scene);
    let (page, records) = (format!("/surveys/{survey}/entry"), format!("/vessels/{}/records", scene.vessel));
    let visitor = |word: &str| Visitor::signed_in(&scene.app, &scene.app.home.people[word].2);
    let shown = visitor("crew").get(&page).expect(200).text;
    assert!(!shown.contains("value=\"withdraw\""), "who does not survey sees no such form");
    let mut surveyor = visitor("surveyor");
    let read = || scene.app.lead().get(&format!("/v1/surveys/{survey}")).expect(200).json;

    let form = surveyor.form(&page, "withdraw");
    let refused = surveyor.submit(&form).expect(422).text;
    assert!(refused.contains("withdraw-correction_reason-problem"), "{refused:.400}");
    let form = form.with(&[("correction_reason", REASON)]);
    assert!(form.value("version").is_some());
    surveyor.submit(&form).expect(303);
    surveyor.submit(&form).expect(303);
    assert_eq!((&read()["state"], &read()["version"]), (&json!("withdrawn"), &json!(4)));
    let shown = surveyor.get(&page).expect(200).text;
    assert!(shown.contains("was withdrawn as entered in error") && shown.contains(REASON), "{shown:.400}");
    assert!(!shown.contains("id=\"stations\"") && !shown.contains("value=\"withdraw\""));
    let shown = surveyor.get(&records).expect(200).text;
    assert!(shown.contains("Withdrawn, entered in error: 1") && shown.contains(REASON));

    let open = surveyor.form(&page, "open").with(&[("correction_reason", "it was this hull")]);
    surveyor.submit(&open).expect(303);
    surveyor.submit(&open).expect(303);
    assert_eq!((&read()["state"], &read()["version"]), (&json!("draft"), &json!(5)));

    let form = surveyor.form(&records, "withdraw");
    let refused = surveyor.submit(&form.clone().with(&[("correction_reason", "typed")])).expect(422).text;
    assert_eq!(PageForm::of(&refused, "withdraw").value("correction_reason"), Some("typed"), "it is kept");
    let chosen = format!("{survey} 5");
    let typed = [("survey", chosen.as_str()), ("correction_reason", "twice the same")];
    let stale = form.clone().with(&[("survey", &format!("{survey} 4")), ("correction_reason", "older")]);
    surveyor.submit(&stale).expect(412);
    let form = form.with(&typed);
    let to = surveyor.submit(&form).expect(303).header("location").expect("a place");
    assert!(surveyor.get(&to).expect(200).text.contains("Recorded: the withdrawal"));
    surveyor.submit(&form).expect(303);
    assert_eq!((&read()["correction_reason"], &read()["version"]), (&json!("twice the same"), &json!(6)));
    let hull = surveyor.get(&format!("/vessels/{}", scene.vessel)).expect(200).text;
    assert!(hull.contains("No readings yet"), "the bottom map has nothing of it");
    assert!(!visitor("crew").get(&records).expect(200).text.contains("value=\"withdraw\""));
}

//! The hull dossier: what stands in it, that it agrees with itself, and the page.

use garboard::db::paging::PageRequest;
use garboard::features::vessels;
use image::ImageFormat;
use serde_json::{Value, json};

use crate::attachment_files::upload;
use crate::recording::Scene;
use crate::support::app::TestApp;
use crate::support::hulls::{settle, vessel};
use crate::support::pictures::{encoded, marked, pdf};

/// Corrects a signed survey: opens it, changes it, signs it again.
fn corrected(scene: &Scene, survey: &str, change: &Value) {
    let surveyor = scene.app.surveyor();
    let path = format!("/v1/surveys/{survey}");
    let signed = surveyor.get(&path).expect(200);
    let why = json!({"reason": "the meter stood on another scale"});
    let opened = surveyor.post_if_match(&format!("{path}/correction"), &signed.etag(), &why).expect(200);
    let changed = surveyor.patch(&path, &opened.etag(), change).expect(200);
    surveyor.post_if_match(&format!("{path}/signature"), &changed.etag(), &json!({})).expect(200);
}

/// A hull with something of everything.
fn full() -> Scene {
    let scene = Scene::set();
    let (lead, surveyor) = (scene.app.lead(), scene.app.surveyor());
    let path = format!("/v1/vessels/{}", scene.vessel);
    let particulars = json!({"name": "Test <script>hull</script>", "owner_name": "A. Owner & Son", "owner_phone": "+00 1234",
        "displacement_kg": 5200.0, "zones": [{"zone": "bottom", "cored": false, "laminate_thickness_mm": 9.5}]});
    lead.patch(&path, "\"1\"", &particulars).expect(200);
    let draft = surveyor.post("/v1/surveys", &scene.survey()).expect(201);
    for (sequence, value) in [(1, 11.0), (2, 13.0), (3, 99.0)] {
        let made = surveyor.post("/v1/readings", &scene.reading(&draft.id(), sequence, value)).expect(201);
        if sequence == 3 {
            let withdrawn = json!({"withdrawn": true, "correction_reason": "the meter slipped"});
            surveyor.patch(&format!("/v1/readings/{}", made.id()), &made.etag(), &withdrawn).expect(200);
        }
    }
    let evidence = json!({"bottom_examined": "whole", "blistering": "none"});
    let ready = surveyor.patch(&format!("/v1/surveys/{}", draft.id()), &draft.etag(), &evidence).expect(200);
    surveyor
        .post_if_match(&format!("/v1/surveys/{}/signature", draft.id()), &ready.etag(), &json!({}))
        .expect(200);
    corrected(&scene, &draft.id(), &json!({"meter_scale": "scale A"}));
    let finding = lead.post("/v1/findings", &scene.finding()).expect(201);
    let coat = lead.post("/v1/coats", &scene.coat()).expect(201);
    let film = json!({"method": "ultrasonic", "rule": "iso-19840", "nominal_um": 100, "readings_um": [110, 105, 120],
        "measured_at": "2026-04-11T10:00:00Z"});
    lead.post(&format!("/v1/coats/{}/films", coat.id()), &film).expect(201);
    lead.post("/v1/treatments", &scene.treatment()).expect(201);
    let query = format!(
        "vessel_id={}&finding_id={}&caption=A%20crack&taken_on=2026-04-03",
        scene.vessel,
        finding.id()
    );
    upload(&lead, &query, encoded(&marked(60, 40), ImageFormat::Jpeg)).expect(201);
    upload(&lead, &format!("vessel_id={}&caption=Papers", scene.vessel), pdf("papers")).expect(201);
    settle(&scene.app);
    scene
}

fn dossier_of(scene: &Scene) -> Value {
    scene.app.reader().get(&format!("/v1/vessels/{}/dossier", scene.vessel)).expect(200).json
}

#[test]
fn everything_of_a_hull_is_in_one_document() {
    let scene = full();
    let dossier = dossier_of(&scene);
    assert_eq!(dossier["organisation"], "Home");
    assert!(dossier["about"][0].as_str().unwrap().contains("does not say that the hull is sound"));
    assert_eq!(dossier["vessel"]["owner_phone"], "+00 1234");
    let history: Vec<_> =
        dossier["history"].as_array().unwrap().iter().map(|e| e["kind"].as_str().unwrap()).collect();
    assert_eq!(history, ["launch", "lift", "relaunch"]);
    assert_eq!(dossier["history"][1]["note"], "inspection");

    let survey = &dossier["surveys"][0];
    assert_eq!((&survey["state"], &survey["meter_scale"]), (&json!("signed"), &json!("scale A")));
    assert_eq!(survey["correction_open"], false);
    let read = json!([{"station_id": scene.station, "code": "S01", "scale": "relative", "value": 12.0, "count": 2, "last_taken_at": null}]);
    assert_eq!(survey["values"], read, "the mean of what stands");
    let signatures = dossier["signatures"].as_array().unwrap();
    assert_eq!(
        signatures.iter().map(|s| s["in_force"].as_bool().unwrap()).collect::<Vec<_>>(),
        [false, true]
    );
    let signer = &signatures[0]["signed_by"];
    let person = dossier["people"].as_array().unwrap().iter().find(|person| person["person_id"] == *signer);
    assert_eq!(person.unwrap()["display_name"], "The surveyor");

    let corrections = dossier["corrections"].as_array().unwrap();
    let told: Vec<_> = corrections
        .iter()
        .map(|c| (c["record"].as_str().unwrap(), c["withdrawn"].as_bool().unwrap()))
        .collect();
    assert_eq!(told.len(), 2, "{corrections:?}");
    assert!(told.contains(&("reading", true)) && told.contains(&("survey", false)));
    assert!(corrections.iter().any(|c| c["reason"] == "the meter stood on another scale"));

    assert_eq!(dossier["coats"][0]["dry_film_um"], 120.0);
    assert_eq!(dossier["films"][0]["coat_id"], dossier["coats"][0]["id"]);
    assert_eq!(dossier["findings"][0]["kind"], "crack");
    assert_eq!(dossier["treatments"][0]["recorded"]["laminate_removed_mm"], 1.5);
    assert_eq!(dossier["treatments"][0]["done"], true);
    let captions: Vec<_> =
        dossier["attachments"].as_array().unwrap().iter().map(|a| a["caption"].as_str().unwrap()).collect();
    assert_eq!(captions, ["A crack", "Papers"], "the dated one first");
    let dates = dossier["forecast"]["dates"].as_array().unwrap();
    assert!(
        !dates.is_empty() && dates.iter().all(|date| date["basis"] == "prior" && date["reason"].is_string())
    );
    assert_eq!(dossier["forecast"]["stale"], false);
    let cautions = dossier["cautions"].to_string();
    assert!(cautions.contains("qualified surveyor") && cautions.contains("Lifting and stands"), "{cautions}");
}

#[test]
fn the_same_record_gives_the_same_bytes() {
    let scene = full();
    for page in ["dossier", "dossier-page"] {
        let path = format!("/v1/vessels/{}/{page}", scene.vessel);
        // The clock of the tests stands, so that the time printed is the same, too.
        let first = scene.app.reader().get(&path).expect(200).text;
        assert_eq!(scene.app.lead().get(&path).expect(200).text, first);
        assert!(first.contains("2026-06-15"));
    }
}

#[test]
fn a_draft_over_a_signed_survey_is_told_and_counts_for_nothing() {
    let scene = Scene::set();
    let signed = scene.signed();
    let surveyor = scene.app.surveyor();
    let path = format!("/v1/surveys/{}", signed.id());
    let why = json!({"reason": "looked again"});
    let opened = surveyor.post_if_match(&format!("{path}/correction"), &signed.etag(), &why).expect(200);
    surveyor.patch(&path, &opened.etag(), &json!({"blistering": "laminate"})).expect(200);
    scene.draft();
    let dossier = dossier_of(&scene);
    let surveys = dossier["surveys"].as_array().unwrap();
    assert_eq!(surveys.len(), 2);
    let kept = surveys.iter().find(|survey| survey["id"] == signed.id()).unwrap();
    assert_eq!((&kept["blistering"], &kept["correction_open"]), (&json!("none"), &json!(true)));
    assert_eq!(surveys.iter().filter(|survey| survey["state"] == "draft").count(), 1);
    assert!(dossier["corrections"].as_array().unwrap().is_empty(), "not before it is signed");
    let page = scene.app.reader().get(&format!("/v1/vessels/{}/dossier-page", scene.vessel)).expect(200).text;
    assert!(page.contains("draft, not evidence") && page.contains("a correction is being written"));
}

#[test]
fn the_page_shows_it_and_runs_nothing() {
    let scene = full();
    let path = format!("/v1/vessels/{}/dossier-page", scene.vessel);
    let answer = scene.app.reader().get(&path).expect(200);
    assert!(answer.header("content-type").unwrap().starts_with("text/html"));
    let policy = answer.header("content-security-policy").unwrap();
    assert!(policy.starts_with("default-src 'none'") && !policy.contains("script"), "{policy}");
    let page = answer.text;
    assert!(!page.contains("<script") && page.contains("Test &#60;script&#62;hull"), "{page}");
    for shown in [
        "A. Owner &#38; Son",
        "+00 1234",
        "5200\u{a0}kg",
        "does not say that the hull is sound",
        "The surveyor",
        "the meter stood on another scale",
        "superseded",
        "<span class=\"mark\">prior</span>",
        "data:image/jpeg;base64,",
        "A crack",
        "crack found 2026-04-03",
        "120\u{a0}µm reckoned",
        "Laminate removed: 1.5\u{a0}mm",
    ] {
        assert!(page.contains(shown), "no {shown} in {page}");
    }
    assert_eq!(page.matches("<svg ").count(), 1);
    assert_eq!(page.matches("<img ").count(), 1, "a PDF has no picture");
    scene.app.stranger().get(&path).expect_problem(404, "not_found", "");
}

#[test]
fn erased_and_withdrawn_attachments_are_not_shown() {
    let scene = full();
    let (administrator, lead) = (scene.app.administrator(), scene.app.lead());
    let list = lead.get(&format!("/v1/attachments?vessel_id={}", scene.vessel)).expect(200).json;
    let of = |caption: &str| {
        let found = list["items"].as_array().unwrap().iter().find(|item| item["caption"] == caption).unwrap();
        found["id"].as_str().unwrap().to_owned()
    };
    administrator
        .post(&format!("/v1/attachments/{}/erasure", of("A crack")), &json!({"reason": "asked for"}))
        .expect(200);
    let withdrawn = json!({"withdrawn": true, "correction_reason": "another hull"});
    lead.patch(&format!("/v1/attachments/{}", of("Papers")), "\"1\"", &withdrawn).expect(200);
    let page = lead.get(&format!("/v1/vessels/{}/dossier-page", scene.vessel)).expect(200).text;
    assert!(page.contains("A crack") && page.contains("erased") && !page.contains("<img "));
    assert!(!page.contains("Papers"));
    let corrections = dossier_of(&scene)["corrections"].clone();
    assert!(
        corrections.as_array().unwrap().iter().any(|c| c["record"] == "attachment" && c["withdrawn"] == true)
    );
}

#[test]
fn a_hull_of_which_nothing_is_known_has_a_dossier_too() {
    let app = TestApp::start();
    let id = vessel(&app.lead(), "Bare", json!({})).id();
    let dossier = app.reader().get(&format!("/v1/vessels/{id}/dossier")).expect(200).json;
    for part in [
        "history",
        "haul_outs",
        "coats",
        "films",
        "stations",
        "surveys",
        "findings",
        "treatments",
        "attachments",
        "signatures",
        "corrections",
        "people",
    ] {
        assert_eq!(dossier[part], json!([]), "{part}");
    }
    assert_eq!(dossier["forecast"]["dates"], json!([]));
    assert!(dossier["cautions"].to_string().contains("qualified surveyor"));
    let page = app.reader().get(&format!("/v1/vessels/{id}/dossier-page")).expect(200).text;
    for said in [
        "No forecast was made yet",
        "No survey is recorded",
        "No finding is recorded",
        "Nothing is signed",
        "None are kept",
    ] {
        assert!(page.contains(said), "{said}");
    }
}

#[test]
fn all_parts_see_the_database_as_the_first_did() {
    let scene = Scene::set();
    let (db, service) = (&scene.app.db, scene.app.service());
    let filter = vessels::store::VesselFilter {
        site_id: None,
        laminate_class: None,
        retirement: vessels::store::Retirement::Any,
        r#ref: None,
        hull_id_number: None,
        name: None,
        updated_since: None,
        granted: false,
    };
    let page = PageRequest { limit: 10, after: None };
    let count = |tx: &mut garboard::db::Tx<'_>| vessels::store::list(tx, &filter, page).unwrap().items.len();
    let around = |tx: &mut garboard::db::Tx<'_>, name: &str| {
        let before = count(tx);
        vessel(&scene.app.lead(), name, json!({}));
        Ok((before, count(tx)))
    };
    let snapshot = db.snapshot(&service, |tx| around(tx, "Added")).unwrap();
    assert_eq!(snapshot, (1, 1));
    let read = db.read(&service, |tx| around(tx, "Added, too")).unwrap();
    assert_eq!(read, (2, 3), "an ordinary read sees what came meanwhile: the test can tell them apart");
}

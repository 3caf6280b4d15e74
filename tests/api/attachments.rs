//! Attachments: bound to what they show, made once, corrected, withdrawn, erased, swept.

use chrono::{DateTime, TimeDelta, Utc};
use garboard::features::attachments::sweep::sweep;
use image::ImageFormat;
use serde_json::{Value, json};

use crate::attachment_files::{fetched, objects, upload};
use crate::lists::ids;
use crate::recording::Scene;
use crate::support::app::TestApp;
use crate::support::pictures::{encoded, marked, pdf};

fn picture() -> Vec<u8> {
    encoded(&marked(6, 4), ImageFormat::Png)
}

#[test]
fn an_attachment_is_bound_to_what_it_shows() {
    let scene = Scene::set();
    let lead = scene.app.lead();
    let survey = scene.draft().id();
    let made = |path: &str, body: &Value| lead.post(path, body).expect(201).id();
    let bound = [
        ("survey_id", survey),
        ("finding_id", made("/v1/findings", &scene.finding())),
        ("station_id", scene.station.clone()),
        ("coat_id", made("/v1/coats", &scene.coat())),
        ("treatment_id", made("/v1/treatments", &scene.treatment())),
    ];
    let other = json!({"name": "Another hull", "form": "motor", "length_m": 8.0});
    let other = lead.post("/v1/vessels", &other).expect(201).id();
    for (field, id) in &bound {
        let query = format!("vessel_id={}&{field}={id}", scene.vessel);
        let made = upload(&scene.app.surveyor(), &query, picture()).expect(201);
        assert_eq!(made.json[field], json!(id));
        assert_eq!(ids(&lead, &format!("/v1/attachments?{field}={id}")), [made.id()]);
        // Of another vessel of the same organisation: nothing to bind to.
        let foreign = upload(&lead, &format!("vessel_id={other}&{field}={id}"), picture());
        foreign.expect_problem(422, "invalid", field);
        let path = format!("/v1/attachments/{}", made.id());
        let moved = json!({field.to_owned(): other, "correction_reason": "the wrong one"});
        lead.patch(&path, &made.etag(), &moved).expect_problem(422, "invalid", &format!("/{field}"));
    }
    assert_eq!(ids(&lead, &format!("/v1/attachments?vessel_id={}", scene.vessel)).len(), bound.len());
    assert!(ids(&lead, &format!("/v1/attachments?vessel_id={other}")).is_empty());
    assert_eq!(ids(&lead, "/v1/attachments?kind=certificate").len(), 0);
    assert_eq!(objects(&scene.app).len(), 2 * bound.len(), "what was refused left nothing");
}

#[test]
fn each_parameter_is_refused_where_it_is_wrong() {
    let scene = Scene::set();
    let crew = scene.app.crew();
    let vessel = format!("vessel_id={}", scene.vessel);
    for (query, pointer) in [
        ("caption=x".to_owned(), "vessel_id"),
        (format!("vessel_id={}", scene.station), "vessel_id"),
        (format!("{vessel}&taken_on=2026-13-01"), "taken_on"),
        (format!("{vessel}&taken_on=2031-01-01"), "taken_on"),
        (format!("{vessel}&taken_on=1812-01-01"), "taken_on"),
        (format!("{vessel}&caption=%20"), "caption"),
        (format!("{vessel}&caption=a%1bb"), "caption"),
        (format!("{vessel}&caption={}", "x".repeat(1001)), "caption"),
        (format!("{vessel}&taken_by="), "taken_by"),
        (format!("{vessel}&kind=film"), "kind"),
        (format!("{vessel}&survey_id=1"), "survey_id"),
        (format!("{vessel}&captoin=x"), "captoin"),
        (format!("{vessel}&id=7f5b7a5e-1d1c-4d7f-8a43-3f7bb1b5ad0e"), "id"),
    ] {
        upload(&crew, &query, picture()).expect_problem(422, "invalid", pointer);
    }
    upload(&scene.app.reader(), &vessel, picture()).expect_problem(403, "forbidden", "");
    upload(&scene.app.stranger(), &vessel, picture()).expect_problem(422, "invalid", "vessel_id");
    upload(&scene.app.anonymous(), &vessel, picture()).expect_problem(401, "unauthenticated", "");
    assert!(objects(&scene.app).is_empty());
}

#[test]
fn sent_twice_it_is_one() {
    let scene = Scene::set();
    let crew = scene.app.crew();
    let vessel = format!("vessel_id={}", scene.vessel);
    let query = format!("{vessel}&caption=Keel");
    let first = upload(&crew, &query, picture()).expect(201);
    // The same file with the same words, by somebody else.
    let again = upload(&scene.app.surveyor(), &query, picture()).expect(200);
    assert_eq!((again.id(), &again.json), (first.id(), &first.json));
    upload(&crew, &format!("{vessel}&caption=Rudder"), picture()).expect_problem(409, "duplicate", "");
    let elsewhere = format!("{query}&station_id={}", scene.station);
    assert_ne!(upload(&crew, &elsewhere, picture()).expect(201).id(), first.id());

    let own = "0190163d-8694-739b-aea5-966c26f8ad91";
    let with_id = format!("{vessel}&id={own}");
    assert_eq!(upload(&crew, &with_id, pdf("one")).expect(201).id(), own);
    assert_eq!(upload(&crew, &with_id, pdf("one")).expect(200).id(), own);
    upload(&crew, &with_id, pdf("two")).expect_problem(409, "id_taken", "");
    // Under another id of the client's it is found, now and when it is sent again.
    for _ in 0..2 {
        let other = format!("{vessel}&id=0190163d-8694-739b-aea5-966c26f8ad92");
        assert_eq!(upload(&crew, &other, pdf("one")).expect(200).id(), own);
    }

    let keyed = |bytes: Vec<u8>| {
        let request =
            crew.request("POST", &format!("/v1/attachments?{vessel}")).header("Idempotency-Key", "k");
        crew.send(request.body(bytes))
    };
    let once = keyed(pdf("three")).expect(201);
    assert_eq!(keyed(pdf("three")).expect(201).id(), once.id());
    keyed(pdf("four")).expect_problem(422, "key_reused", "");
    assert_eq!(ids(&crew, "/v1/attachments").len(), 4);
    assert_eq!(objects(&scene.app).len(), 2 + 2 + 1 + 1, "what made none left nothing");
}

#[test]
fn sent_by_several_at_once_it_is_one() {
    let scene = Scene::set();
    let query = format!("vessel_id={}", scene.vessel);
    let answers: Vec<_> = std::thread::scope(|scope| {
        let senders: Vec<_> =
            (0..4).map(|_| scope.spawn(|| upload(&scene.app.crew(), &query, picture()))).collect();
        senders.into_iter().map(|sender| sender.join().unwrap()).collect()
    });
    assert_eq!(answers.iter().filter(|answer| answer.status == 201).count(), 1);
    assert!(
        answers.iter().all(|answer| matches!(answer.status, 200 | 201) && answer.id() == answers[0].id())
    );
    assert_eq!(objects(&scene.app).len(), 2);
}

#[test]
fn what_is_said_of_it_stands_in_versions() {
    let scene = Scene::set();
    let (crew, lead) = (scene.app.crew(), scene.app.lead());
    let made = upload(&crew, &format!("vessel_id={}", scene.vessel), picture()).expect(201);
    let path = format!("/v1/attachments/{}", made.id());
    // Adding takes no reason, replacing does.
    let captioned = crew.patch(&path, &made.etag(), &json!({"caption": "Port quarter"})).expect(200);
    assert_eq!(captioned.json["version"], 2);
    let unchanged = crew.patch(&path, &captioned.etag(), &json!({"caption": "Port quarter"})).expect(200);
    assert_eq!(unchanged.json["version"], 2);
    let other = json!({"caption": "Starboard quarter"});
    crew.patch(&path, &captioned.etag(), &other).expect_problem(422, "invalid", "/correction_reason");
    let reasoned = json!({"caption": "Starboard quarter", "correction_reason": "the film was turned"});
    let corrected = crew.patch(&path, &captioned.etag(), &reasoned).expect(200);
    crew.patch(&path, &captioned.etag(), &reasoned).expect_problem(412, "stale", "");
    crew.send(crew.request("PATCH", &path).json(&reasoned)).expect_problem(428, "version_required", "");
    crew.patch(&path, &corrected.etag(), &json!({"media_type": "image/gif"})).expect_problem(
        422,
        "invalid",
        "/media_type",
    );
    crew.patch(&path, &corrected.etag(), &json!({"vessel_id": scene.station, "correction_reason": "x"}))
        .expect_problem(422, "invalid", "/vessel_id");

    let withdraw = json!({"withdrawn": true, "correction_reason": "another hull"});
    crew.patch(&path, &corrected.etag(), &json!({"withdrawn": true})).expect_problem(
        422,
        "invalid",
        "/correction_reason",
    );
    crew.patch(&path, &corrected.etag(), &withdraw).expect(200);
    assert!(ids(&lead, "/v1/attachments").is_empty());
    assert_eq!(ids(&lead, "/v1/attachments?withdrawn=true"), [made.id()]);
    fetched(&lead, &format!("{path}/content"));
    // What was withdrawn does not stand in the way of the same file again.
    upload(&crew, &format!("vessel_id={}", scene.vessel), picture()).expect(201);

    let versions = lead.get(&format!("{path}/versions?limit=3")).expect(200);
    let captions: Vec<_> =
        versions.json["items"].as_array().unwrap().iter().map(|version| version["caption"].clone()).collect();
    assert_eq!(captions, [Value::Null, json!("Port quarter"), json!("Starboard quarter")]);
    let cursor = versions.json["next_cursor"].as_str().unwrap();
    let rest = lead.get(&format!("{path}/versions?limit=3&cursor={cursor}")).expect(200);
    assert_eq!(rest.json["items"][0]["withdrawn"], true);

    for part in ["", "/versions", "/content", "/thumbnail"] {
        scene.app.stranger().get(&format!("{path}{part}")).expect_problem(404, "not_found", "");
    }
    scene.app.stranger().patch(&path, "\"4\"", &reasoned).expect_problem(404, "not_found", "");
}

#[test]
fn erasing_removes_the_bytes_and_leaves_what_was_said() {
    let scene = Scene::set();
    let (administrator, lead) = (scene.app.administrator(), scene.app.lead());
    let query = format!("vessel_id={}&caption=A%20person", scene.vessel);
    let made = upload(&lead, &query, picture()).expect(201);
    let path = format!("/v1/attachments/{}", made.id());
    let why = json!({"reason": "a person asked for it"});
    lead.post(&format!("{path}/erasure"), &why).expect_problem(403, "forbidden", "");
    administrator.post(&format!("{path}/erasure"), &json!({})).expect_problem(422, "invalid", "/reason");
    scene.app.stranger().post(&format!("{path}/erasure"), &why).expect_problem(404, "not_found", "");
    let erased = administrator.post(&format!("{path}/erasure"), &why).expect(200);
    assert!(erased.json["erased_at"].is_string());
    assert_eq!(erased.json["caption"], "A person");
    assert!(objects(&scene.app).is_empty());
    for part in ["content", "thumbnail"] {
        let gone = lead.get(&format!("{path}/{part}")).expect_problem(404, "not_found", "");
        assert!(gone.text.contains("erased"), "{}", gone.text);
    }
    administrator.post(&format!("{path}/erasure"), &why).expect_problem(409, "conflict", "");
    let audit = administrator.get(&format!("/v1/audit?entity_id={}", made.id())).expect(200);
    assert!(audit.text.contains("erase_attachment") && audit.text.contains("a person asked for it"));
    assert!(lead.get(&format!("{path}/versions")).expect(200).json["items"][0]["erased_at"].is_string());
}

fn swept(app: &TestApp, now: DateTime<Utc>) -> garboard::features::attachments::sweep::Swept {
    actix_web::rt::System::new().block_on(sweep(&app.db, &app.objects, now)).unwrap()
}

#[test]
fn what_has_no_row_is_swept_and_what_has_one_stays() {
    let scene = Scene::set();
    let app = &scene.app;
    let made = upload(&app.crew(), &format!("vessel_id={}", scene.vessel), picture()).expect(201);
    upload(&app.crew(), &format!("vessel_id={}", scene.vessel), pdf("kept")).expect(201);
    let kept = objects(app);
    // A service that died after the object and before the row leaves this.
    let put =
        |name: String| actix_web::rt::System::new().block_on(app.objects.put(&name, vec![1_u8])).unwrap();
    put(format!("{}/{}/content", app.home.org_id, scene.vessel));
    put(format!("{}/{}/thumbnail", app.away.org_id, scene.vessel));
    put("nobody's".to_owned());
    let now = garboard::clock::Clock::System.now();
    let early = swept(app, now);
    assert_eq!((early.kept, early.removed, early.waiting), (3, 0, 3), "they may still get their row");
    let late = swept(app, now + TimeDelta::hours(2));
    assert_eq!((late.kept, late.removed, late.waiting), (3, 3, 0));
    assert_eq!(objects(app), kept);
    assert!(late.missing.is_empty());

    // Somebody took a file out of the folder, and wrote into another.
    let content = kept.iter().find(|name| {
        name.ends_with("content") && {
            std::fs::read(app.attachment_folder().join(name)).unwrap().starts_with(b"\x89PNG")
        }
    });
    let content = content.unwrap();
    let path = format!("/v1/attachments/{}/content", made.id());
    std::fs::write(app.attachment_folder().join(content), b"<script>").unwrap();
    app.crew().get(&path).expect_problem(500, "internal", "");
    std::fs::remove_file(app.attachment_folder().join(content)).unwrap();
    app.crew().get(&path).expect_problem(500, "internal", "");
    assert_eq!(swept(app, now).missing, [content.clone()]);
}

//! Correcting, closing and withdrawing what is recorded of a hull, as a signed-in browser does.

use serde_json::{Value, json};

use crate::pages_vessel::refused_at;
use crate::recording::Scene;
use crate::support::app::TestApp;
use crate::support::visitor::{PageForm, Visitor};

fn member(app: &TestApp, word: &str) -> Visitor {
    Visitor::signed_in(app, &app.home.people[word].2)
}

fn read(scene: &Scene, path: &str) -> Value {
    scene.app.lead().get(&format!("/v1{path}")).expect(200).json
}

#[test]
fn a_finding_is_watched_closed_corrected_and_withdrawn() {
    let scene = Scene::set();
    let made = scene.app.crew().post("/v1/findings", &scene.finding()).expect(201);
    let (path, mut surveyor) = (format!("/findings/{}", made.id()), member(&scene.app, "surveyor"));
    let watched = surveyor.form(&path, "watched").with(&[("follow_up_on", "2026-09-01")]);
    surveyor.submit(&watched).expect(303);
    surveyor.submit(&watched).expect(303);
    let now = read(&scene, &path);
    assert_eq!(
        (&now["state"], &now["follow_up_on"], &now["version"]),
        (&json!("watched"), &json!("2026-09-01"), &json!(2))
    );

    let form = surveyor.form(&path, "correct");
    refused_at(
        surveyor.submit(&form.clone().with(&[("kind", "delamination")])),
        "correct",
        "correction_reason",
        "",
    );
    refused_at(
        surveyor.submit(&form.clone().with(&[("x_m", "500"), ("correction_reason", "measured")])),
        "correct",
        "x_m",
        "500",
    );
    let corrected = form.clone().with(&[
        ("kind", "delamination"),
        ("x_m", "2.5"),
        ("correction_reason", "sounded again"),
    ]);
    surveyor.submit(&corrected).expect(303);
    surveyor.submit(&corrected).expect(303);
    let now = read(&scene, &path);
    assert_eq!(
        (&now["kind"], &now["x_m"], &now["version"]),
        (&json!("delamination"), &json!(2.5), &json!(3))
    );
    assert_eq!(now["follow_up_on"], "2026-09-01", "the rest stays");
    let stale =
        surveyor.submit(&form.with(&[("kind", "crack"), ("correction_reason", "older")])).expect(412).text;
    assert_eq!(PageForm::of(&stale, "correct").value("kind"), Some("crack"), "what was typed is kept");

    let repaired = surveyor.form(&path, "repaired");
    refused_at(
        surveyor.submit(&repaired.clone().with(&[("repaired_on", "2026-01-01")])),
        "repaired",
        "repaired_on",
        "2026-01-01",
    );
    surveyor.submit(&repaired).expect(303);
    surveyor.submit(&repaired).expect(303);
    let now = read(&scene, &path);
    assert_eq!(
        (&now["state"], &now["repaired_on"], &now["version"]),
        (&json!("repaired"), &json!("2026-06-15"), &json!(4))
    );

    let withdrawn = surveyor.form(&path, "withdraw");
    refused_at(surveyor.submit(&withdrawn), "withdraw", "correction_reason", "");
    let withdrawn = withdrawn.with(&[("correction_reason", "another hull")]);
    surveyor.submit(&withdrawn).expect(303);
    surveyor.submit(&withdrawn).expect(303);
    let now = read(&scene, &path);
    assert_eq!((&now["withdrawn"], &now["version"]), (&json!(true), &json!(5)));
    let page = surveyor.get(&path).expect(200).text;
    assert!(page.contains("was withdrawn") && !page.contains("name=\"act\""));
}

#[test]
fn a_coat_is_taken_off_corrected_and_withdrawn() {
    let scene = Scene::set();
    let mut body = scene.coat();
    body["started_at"] = json!("2026-04-10T09:00:41Z");
    body["permeability_kg_m_s"] = json!(2.5e-13);
    let made = scene.app.crew().post("/v1/coats", &body).expect(201);
    let (path, mut crew) = (format!("/coats/{}", made.id()), member(&scene.app, "crew"));
    let form = crew.form(&path, "correct");
    refused_at(crew.submit(&form.clone().with(&[("colour", "white")])), "correct", "correction_reason", "");
    let corrected =
        form.with(&[("colour", "white"), ("dry_film_um", "130"), ("correction_reason", "read again")]);
    crew.submit(&corrected).expect(303);
    crew.submit(&corrected).expect(303);
    let now = read(&scene, &path);
    for (name, value) in [
        ("version", json!(2)),
        ("colour", json!("white")),
        ("dry_film_um", json!(130.0)),
        ("correction_reason", json!("read again")),
        // Shown to the minute, and not in full: neither was typed, and neither changes.
        ("started_at", made.json["started_at"].clone()),
        ("permeability_kg_m_s", json!(2.5e-13)),
    ] {
        assert_eq!(now[name], value, "{name}");
    }
    let removed = crew.form(&path, "removed");
    refused_at(
        crew.submit(&removed.clone().with(&[("removed_on", "2026-04-01")])),
        "removed",
        "removed_on",
        "2026-04-01",
    );
    crew.submit(&removed).expect(303);
    crew.submit(&removed).expect(303);
    let now = read(&scene, &path);
    assert_eq!((&now["removed_on"], &now["version"]), (&json!("2026-06-15"), &json!(3)));
    let withdrawn = crew.form(&path, "withdraw").with(&[("correction_reason", "not this hull")]);
    crew.submit(&withdrawn).expect(303);
    assert_eq!(read(&scene, &path)["withdrawn"], true);
}

#[test]
fn a_time_ashore_is_corrected_by_who_records_work() {
    let scene = Scene::set();
    let (path, mut crew) = (format!("/haul-outs/{}", scene.haul_out), member(&scene.app, "crew"));
    let form = crew.form(&path, "correct");
    assert_eq!(form.value("relaunched_on"), Some("2026-04-20"));
    refused_at(
        crew.submit(&form.clone().with(&[("relaunched_on", "2026-03-01")])),
        "correct",
        "relaunched_on",
        "2026-03-01",
    );
    let corrected = form.with(&[("relaunched_on", "2026-04-22"), ("note", "two days more")]);
    crew.submit(&corrected).expect(303);
    crew.submit(&corrected).expect(303);
    let now = read(&scene, &path);
    assert_eq!(
        (&now["relaunched_on"], &now["version"], &now["reason"]),
        (&json!("2026-04-22"), &json!(2), &json!("inspection"))
    );
    let records = crew.get(&format!("/vessels/{}/records", scene.vessel)).expect(200).text;
    assert!(records.contains("lifted 1 Apr 2026, to 22 Apr 2026. two days more"), "{records}");
    let mut stranger = Visitor::signed_in(&scene.app, &scene.app.away.people["administrator"].2);
    stranger.get(&path).expect(404);
    for word in ["surveyor", "reader"] {
        let mut other = member(&scene.app, word);
        other.get(&path).expect(403);
        other.post(&path, &[("act", "correct"), ("version", "2"), ("lifted_on", "2026-04-02")]).expect(403);
    }
}

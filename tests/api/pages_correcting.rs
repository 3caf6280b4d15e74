//! Correcting, closing and withdrawing what is recorded of a hull, as a signed-in browser does.

use serde_json::{Value, json};

use crate::pages_vessel::refused_at;
use crate::recording::Scene;
use crate::support::app::TestApp;
use crate::support::visitor::{PageForm, Visitor};
use crate::treatments::{Yard, made, product};

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

#[test]
fn a_treatment_that_was_done_is_corrected_with_its_reason_and_withdrawn() {
    let scene = Scene::set();
    let made = scene.app.crew().post("/v1/treatments", &scene.treatment()).expect(201);
    let mut crew = member(&scene.app, "crew");
    let path = format!("/treatments/{}/correction", made.id());
    let now = || read(&scene, &format!("/treatments/{}", made.id()));
    let records = crew.get(&format!("/vessels/{}/records", scene.vessel)).expect(200).text;
    assert!(records.contains(&format!("href=\"{path}\"")), "the way to it");
    let form = crew.form(&path, "correct");
    assert_eq!(form.value("completed_on"), Some("2026-04-19"));
    for (typed, at, kept) in [
        (&[("completed_on", "2026-04-18")][..], "correction_reason", ""),
        (&[("completed_on", "2026-04-01"), ("correction_reason", "x")], "completed_on", "2026-04-01"),
        (&[("laminate_removed_mm", "51"), ("correction_reason", "x")], "laminate_removed_mm", "51"),
        (&[("kind", "preventive"), ("correction_reason", "x")], "laminate_removed_mm", "1.5"),
    ] {
        refused_at(crew.submit(&form.clone().with(typed)), "correct", at, kept);
    }
    let corrected = form.clone().with(&[
        ("completed_on", "2026-04-18"),
        ("laminate_removed_mm", "2"),
        ("note", "peeled"),
        ("correction_reason", "by the yard's book"),
    ]);
    for _ in 0..2 {
        let to = crew.submit(&corrected).expect(303).header("location").expect("a place");
        assert!(crew.get(&to).expect(200).text.contains("Saved."));
    }
    let told = now();
    for (name, value) in [
        ("version", json!(2)),
        ("kind", json!("curative")),
        ("started_on", json!("2026-04-02")),
        ("completed_on", json!("2026-04-18")),
        ("laminate_removed_mm", json!(2.0)),
        ("note", json!("peeled")),
        ("correction_reason", json!("by the yard's book")),
    ] {
        assert_eq!(told[name], value, "{name}");
    }
    crew.submit(&form.with(&[("note", "older"), ("correction_reason", "older")])).expect(412);
    let withdrawn = crew.form(&path, "withdraw");
    refused_at(crew.submit(&withdrawn), "withdraw", "correction_reason", "");
    let withdrawn = withdrawn.with(&[("correction_reason", "another hull")]);
    crew.submit(&withdrawn).expect(303);
    crew.submit(&withdrawn).expect(303);
    assert_eq!((&now()["withdrawn"], &now()["version"]), (&json!(true), &json!(3)));
    let page = crew.get(&path).expect(200).text;
    assert!(page.contains("was withdrawn") && !page.contains("name=\"act\""));
    for word in ["surveyor", "reader"] {
        member(&scene.app, word).get(&path).expect(403);
    }
    Visitor::signed_in(&scene.app, &scene.app.away.people["administrator"].2).get(&path).expect(404);
}

/// Until the first work is entered; an acceptance counts for the plan that was accepted.
#[test]
fn a_plan_is_changed_until_work_begins_and_what_the_form_does_not_show_stays() {
    let yard = Yard::set();
    let sealer = made(&yard.app.lead(), &product("sealer", &["sealer", "barrier"], &json!({})));
    let id = yard.plan(&json!({"kind": "curative", "loss_fraction": 0.07, "note": "as agreed",
        "zones": [{"zone": "bottom", "girths": [{"x_m": 0.5, "girth_m": 1.2}, {"x_m": 4.0, "girth_m": 3.4}, {"x_m": 8.0, "girth_m": 2.1}]},
            {"zone": "keel", "area_m2": 4.25}],
        "steps": [{"step": "strip", "note": "spots ground"}, {"step": "dry"}, {"step": "seal", "coats": 3, "dry_film_um": 140},
            {"step": "fair", "zones": ["keel"]}, {"step": "barrier", "coats": 5}],
        "dry_target": {"scale": "H", "target": 11.5, "consecutive": 4}}));
    let (path, treatment) = (format!("/treatments/{id}/plan"), format!("/treatments/{id}"));
    let read = || yard.app.lead().get(&format!("/v1{path}")).expect(200).json;
    let first = read();
    let mut crew = member(&yard.app, "crew");
    assert!(crew.get(&treatment).expect(200).text.contains(&format!("href=\"{path}\"")), "the way to it");
    let form = crew.form(&path, "plan");
    for (name, held) in [
        ("kind", "curative"),
        ("note", "as agreed"),
        ("bottom", "true"),
        ("keel_area_m2", "4.25"),
        ("bottom_area_m2", ""),
        ("seal_coats", "3"),
        ("target", "11.5"),
        ("scale", "H"),
        ("loss_pct", "7"),
    ] {
        assert_eq!(form.value(name), Some(held), "{name}");
    }
    crew.submit(&form).expect(303);
    assert_eq!(read(), first, "nothing typed changes nothing");

    for (typed, at, kept) in [
        (&[("keel_area_m2", "0")][..], "keel_area_m2", "0"),
        (&[("rudder_area_m2", "1")], "rudder_area_m2", "1"),
        (&[("seal_coats", "1")], "seal_coats", "1"),
        (&[("barrier_product_id", sealer.as_str())], "barrier_product_id", ""),
        (&[("starts_on", "2026-05-01")], "starts_on", "2026-05-01"),
        (&[("scale", "")], "scale", ""),
    ] {
        refused_at(crew.submit(&form.clone().with(typed)), "plan", at, kept);
    }
    assert_eq!(read(), first);

    yard.accept(&id);
    assert!(crew.get(&path).expect(200).text.contains("is accepted anew"));
    let typed = [
        ("seal_product_id", sealer.as_str()),
        ("seal_coats", "4"),
        ("keel_area_m2", "4,5"),
        ("starts_on", "2026-08-03"),
        ("target", "12"),
    ];
    let form = form.with(&typed);
    for _ in 0..2 {
        let to = crew.submit(&form).expect(303).header("location").expect("a place");
        assert!(crew.get(&to).expect(200).text.contains("planned, not accepted"), "to be accepted anew");
    }
    let mut expected = first.clone();
    for (pointer, value) in [
        ("/zones/1/area_m2", json!(4.5)),
        ("/steps/2/product_id", json!(sealer)),
        ("/steps/2/coats", json!(4)),
        ("/starts_on", json!("2026-08-03")),
        ("/dry_target/target", json!(12.0)),
    ] {
        *expected.pointer_mut(pointer).expect("a field of the plan") = value;
    }
    let now = read();
    for name in ["kind", "zones", "steps", "dry_target", "loss_fraction", "note", "starts_on"] {
        assert_eq!(now[name], expected[name], "{name}");
    }
    assert_eq!((&now["version"], &now["state"]), (&json!(2), &json!("planned")));

    // A zone that is left out goes with the steps that were for it alone.
    let mut without = crew.form(&path, "plan").with(&[("keel_area_m2", "")]);
    without.fields.retain(|(name, _)| name != "keel");
    crew.submit(&without).expect(303);
    let now = read();
    assert_eq!(now["zones"].as_array().map(Vec::len), Some(1));
    assert!(
        now["steps"].as_array().expect("steps").iter().all(|step| step["step"] != "fair"),
        "{}",
        now["steps"]
    );
    // Of another kind: the steps usual for it.
    let other =
        crew.form(&path, "plan").with(&[("kind", "preventive"), ("seal_product_id", ""), ("note", "")]);
    crew.submit(&other).expect(303);
    let now = read();
    assert_eq!((&now["kind"], &now["note"]), (&json!("preventive"), &Value::Null));
    assert_eq!(now["steps"][0]["step"], "wash_down");

    yard.accept(&id);
    let late = crew.form(&path, "plan").with(&[("barrier_coats", "6")]);
    yard.enter(&id, "2026-06-20T08:00:00Z", &json!({"kind": "wash"})).expect(201);
    let refused = crew.submit(&late).expect(409).text;
    assert!(refused.contains("Work has begun, and the plan is fixed") && !refused.contains("value=\"plan\""));
    assert!(!crew.get(&treatment).expect(200).text.contains(&format!("href=\"{path}\"")));
    for word in ["surveyor", "reader"] {
        member(&yard.app, word).get(&path).expect(403);
    }
    Visitor::signed_in(&yard.app, &yard.app.away.people["administrator"].2).get(&path).expect(404);
}

//! Recording what was done to a hull and found in it, as a signed-in browser does.

use serde_json::{Value, json};

use crate::pages_vessel::refused_at;
use crate::support::app::TestApp;
use crate::support::visitor::Visitor;
use crate::treatments::{NOW, product};

fn member(app: &TestApp, word: &str) -> Visitor {
    Visitor::signed_in(app, &app.home.people[word].2)
}

fn hull(app: &TestApp) -> String {
    let body = json!({"name": "Hull", "form": "fin_keel", "length_m": 10.0, "launched_on": "2010-05-01"});
    app.lead().post("/v1/vessels", &body).expect(201).id()
}

fn items(app: &TestApp, collection: &str) -> Vec<Value> {
    app.lead().get(&format!("/v1/{collection}")).expect(200).json["items"].as_array().expect("items").clone()
}

/// Fails unless each of these fields is so.
#[track_caller]
fn holds(record: &Value, expected: &Value) {
    for (name, value) in expected.as_object().expect("an object") {
        assert_eq!(&record[name], value, "{name} of {record}");
    }
}

/// Sends a form twice; what it made is one record.
#[track_caller]
fn made_once(
    app: &TestApp,
    visitor: &mut Visitor,
    page: &str,
    act: &str,
    typed: &[(&str, &str)],
    collection: &str,
) -> Value {
    let before = items(app, collection).len();
    let form = visitor.form(page, act).with(typed);
    let first = visitor.submit(&form).expect(303).header("location").expect("a place");
    let second = visitor.submit(&form).expect(303).header("location").expect("a place");
    assert_eq!(first, second);
    let told = visitor.get(&first).expect(200).text;
    assert!(told.contains("role=\"status\""), "the page says that it is recorded");
    let now = items(app, collection);
    assert_eq!(now.len(), before + 1, "{act} is made once");
    now.last().expect("made").clone()
}

#[test]
fn lift_coat_finding_and_relaunch_are_recorded_once_each() {
    let app = TestApp::start_at(NOW);
    let id = hull(&app);
    let page = format!("/vessels/{id}/records");
    let mut crew = member(&app, "crew");
    let shown = crew.get(&page).expect(200).text;
    assert!(shown.contains("Not ashore.") && !shown.contains("value=\"relaunch\""), "nothing to relaunch");
    let form = crew.form(&page, "lift");
    assert_eq!(form.value("lifted_on"), Some("2026-07-30"), "today");
    refused_at(
        crew.submit(&form.clone().with(&[("lifted_on", "2009-01-01"), ("reason", "seasonal")])),
        "lift",
        "lifted_on",
        "2009-01-01",
    );
    refused_at(crew.submit(&form.clone().with(&[("note", "kept?")])), "lift", "reason", "");
    let lift = [("lifted_on", "2026-07-01"), ("reason", "antifouling"), ("note", "in the rain")];
    let lift = made_once(&app, &mut crew, &page, "lift", &lift, "haul-outs");
    holds(
        &lift,
        &json!({"vessel_id": id, "lifted_on": "2026-07-01", "reason": "antifouling", "note": "in the rain", "relaunched_on": null}),
    );
    let lift = lift["id"].as_str().expect("an id").to_owned();
    assert!(crew.get("/ashore").expect(200).text.contains(&format!("/haul-outs/{lift}/treatments/new")));

    let sheet = app.lead().post("/v1/products", &product("antifouling", &[], &json!({}))).expect(201).id();
    let form = crew.form(&page, "coat");
    assert_eq!(form.value("haul_out_id"), Some(lift.as_str()), "the time ashore that goes on");
    for (typed, at, kept) in [
        (&[("role", "antifouling"), ("dry_film_um", "thick")][..], "dry_film_um", "thick"),
        (&[("role", "barrier"), ("product_id", sheet.as_str())], "product_id", sheet.as_str()),
        (&[("role", "barrier"), ("max_days_dry", "30")], "max_days_dry", "30"),
        (&[("role", "barrier"), ("applied_on", "2026-09-01")], "applied_on", "2026-09-01"),
        (&[("role", "")], "role", ""),
    ] {
        refused_at(crew.submit(&form.clone().with(typed)), "coat", at, kept);
    }
    let coat = [
        ("role", "antifouling"),
        ("applied_on", "2026-07-10"),
        ("product_id", sheet.as_str()),
        ("dry_film_um", "110,5"),
        ("film_measured", "true"),
        ("started_at", "2026-07-10T09:00"),
        ("finished_at", "2026-07-10T11:30"),
    ];
    let coat = made_once(&app, &mut crew, &page, "coat", &coat, "coats");
    holds(
        &coat,
        &json!({"vessel_id": id, "haul_out_id": lift, "role": "antifouling", "zone": "bottom", "dry_film_um": 110.5,
        "film_measured": true, "product": "Generic antifouling", "finished_at": "2026-07-10T11:30:00Z"}),
    );

    let form = crew.form(&page, "finding");
    refused_at(crew.submit(&form.clone().with(&[("kind", "blister")])), "finding", "layer", "");
    refused_at(
        crew.submit(&form.clone().with(&[("kind", "crack"), ("state", "repaired")])),
        "finding",
        "repaired_on",
        "",
    );
    refused_at(crew.submit(&form.with(&[("kind", "crack"), ("x_m", "aft")])), "finding", "x_m", "aft");
    let finding = [
        ("kind", "blister"),
        ("layer", "gelcoat"),
        ("side", "port"),
        ("x_m", "2"),
        ("girth_m", "0.5"),
        ("count", "3"),
    ];
    let finding = made_once(&app, &mut crew, &page, "finding", &finding, "findings");
    holds(
        &finding,
        &json!({"kind": "blister", "layer": "gelcoat", "state": "open", "found_on": "2026-07-30", "x_m": 2.0, "count": 3}),
    );

    let form = crew.form(&page, "relaunch");
    refused_at(
        crew.submit(&form.clone().with(&[("relaunched_on", "2026-06-01")])),
        "relaunch",
        "relaunched_on",
        "2026-06-01",
    );
    crew.submit(&form).expect(303);
    crew.submit(&form).expect(303);
    let back = app.lead().get(&format!("/v1/haul-outs/{lift}")).expect(200).json;
    holds(&back, &json!({"relaunched_on": "2026-07-30", "version": 2}));
    let other = form.with(&[("relaunched_on", "2026-07-29")]);
    crew.submit(&other).expect(412);
    assert!(crew.get("/ashore").expect(200).text.contains("No hull is ashore"));

    let done = [("kind", "preventive"), ("started_on", "2020-03-01"), ("completed_on", "2020-03-20")];
    let form = crew.form(&page, "treated").with(&done);
    refused_at(
        crew.submit(&form.clone().with(&[("laminate_removed_mm", "2")])),
        "treated",
        "laminate_removed_mm",
        "2",
    );
    made_once(&app, &mut crew, &page, "treated", &done, "treatments");
}

#[test]
fn each_sees_the_forms_of_what_they_may_record_and_others_are_refused() {
    let app = TestApp::start();
    let id = hull(&app);
    let lift = json!({"vessel_id": id, "lifted_on": "2026-06-01", "reason": "inspection"});
    let lift = app.lead().post("/v1/haul-outs", &lift).expect(201).id();
    let (page, work, findings) =
        (format!("/vessels/{id}/records"), format!("/vessels/{id}/work"), format!("/vessels/{id}/findings"));
    let form = member(&app, "crew").form(&page, "coat").with(&[("role", "barrier")]);
    let typed: Vec<(&str, &str)> = form
        .fields
        .iter()
        .filter(|(name, _)| name != "form")
        .map(|(name, value)| (name.as_str(), value.as_str()))
        .collect();
    for (word, forms) in [
        ("reader", &[][..]),
        ("surveyor", &["finding"]),
        ("crew", &["relaunch", "lift", "coat", "finding", "treated"]),
        ("lead", &["relaunch", "lift", "coat", "finding", "treated"]),
    ] {
        let mut visitor = member(&app, word);
        let shown = visitor.get(&page).expect(200).text;
        let acts: Vec<&str> =
            shown.split("name=\"act\" value=\"").skip(1).filter_map(|rest| rest.split('"').next()).collect();
        assert_eq!(acts, forms, "{word}");
        assert_eq!(
            shown.contains(&format!("/haul-outs/{lift}\"")),
            forms.len() > 1,
            "{word}: the way to correct"
        );
        if forms.len() < 2 {
            visitor.post(&work, &typed).expect(403);
            visitor.get(&format!("/haul-outs/{lift}/treatments/new")).expect(403);
        }
        if forms.is_empty() {
            visitor.post(&findings, &typed).expect(403);
        } else {
            // A door takes its own acts only.
            visitor.post(&findings, &typed).expect(409);
        }
    }
    assert!(items(&app, "coats").is_empty());
    Visitor::signed_in(&app, &app.away.people["administrator"].2).get(&page).expect(404);
}

#[test]
fn a_treatment_is_planned_with_the_advice_before_it() {
    let app = TestApp::start_at(NOW);
    let id = hull(&app);
    let lift = json!({"vessel_id": id, "lifted_on": "2026-07-01", "reason": "treatment"});
    let lift = app.lead().post("/v1/haul-outs", &lift).expect(201).id();
    let path = format!("/haul-outs/{lift}/treatments/new");
    let mut crew = member(&app, "crew");
    let page = crew.get(&path).expect(200).text;
    assert!(page.contains("No survey is signed") && page.contains("supports no path yet"));
    let survey = json!({"vessel_id": id, "haul_out_id": lift, "surveyed_on": "2026-07-02", "bottom_examined": "whole",
        "blistering": "laminate", "blister_density_per_m2": 4});
    let draft = app.surveyor().post("/v1/surveys", &survey).expect(201);
    app.surveyor()
        .post_if_match(&format!("/v1/surveys/{}/signature", draft.id()), &draft.etag(), &json!({}))
        .expect(200);
    let page = crew.get(&path).expect(200).text;
    assert!(
        page.contains("supports a curative treatment") && page.contains("Blisters reach into the laminate")
    );
    let sealer = app
        .lead()
        .post("/v1/products", &product("sealer", &["sealer", "barrier"], &json!({})))
        .expect(201)
        .id();
    let form = crew.form(&path, "plan");
    assert_eq!(form.value("kind"), Some("curative"), "as advised");
    assert_eq!((form.value("bottom"), form.value("keel")), (Some("true"), None));
    for (typed, at, kept) in [
        (&[("bottom_area_m2", "0")][..], "bottom_area_m2", "0"),
        (&[("keel_area_m2", "3")], "keel_area_m2", "3"),
        (&[("keel", "true"), ("keel_area_m2", "x")], "keel_area_m2", "x"),
        (&[("kind", "preventive"), ("seal_product_id", &sealer)], "seal_product_id", sealer.as_str()),
        (&[("barrier_product_id", &sealer)], "barrier_product_id", ""),
        (&[("seal_coats", "1")], "seal_coats", "1"),
        (&[("barrier_coats", "2.5")], "barrier_coats", "2.5"),
        (&[("target", "12")], "scale", ""),
        (&[("loss_pct", "99")], "loss_pct", "99"),
        (&[("starts_on", "2026-06-01")], "starts_on", "2026-06-01"),
        (&[("kind", "")], "kind", ""),
    ] {
        refused_at(crew.submit(&form.clone().with(typed)), "plan", at, kept);
    }
    let typed = [
        ("seal_product_id", sealer.as_str()),
        ("keel", "true"),
        ("keel_area_m2", "4,5"),
        ("barrier_coats", "5"),
        ("target", "12"),
        ("scale", "H"),
        ("loss_pct", "15"),
    ];
    let form = form.with(&typed);
    let first = crew.submit(&form).expect(303).header("location").expect("a place");
    assert_eq!(crew.submit(&form).expect(303).header("location").as_ref(), Some(&first), "planned once");
    assert!(crew.get(&first).expect(200).text.contains("planned, not accepted"));
    let plan = app.lead().get(&format!("/v1{first}/plan")).expect(200).json;
    holds(
        &plan,
        &json!({"kind": "curative", "haul_out_id": lift, "loss_fraction": 0.15, "state": "planned"}),
    );
    assert_eq!(plan["zones"], json!([{"zone": "bottom", "area_m2": null}, {"zone": "keel", "area_m2": 4.5}]));
    assert_eq!((&plan["dry_target"]["target"], &plan["dry_target"]["scale"]), (&json!(12.0), &json!("H")));
    let step = |name: &str| {
        plan["steps"]
            .as_array()
            .and_then(|all| all.iter().find(|step| step["step"] == name))
            .expect("the step")
            .clone()
    };
    holds(&step("seal"), &json!({"product_id": sealer, "coats": 2}));
    holds(&step("barrier"), &json!({"product_id": null, "coats": 5}));
    let page = crew.get(&format!("/vessels/{id}/records")).expect(200).text;
    assert!(page.contains(&format!("href=\"{first}\"")) && !page.contains("treatments/new"), "one at a time");
    assert!(crew.get("/ashore").expect(200).text.contains(&format!("href=\"{first}\"")));
    let again = crew.submit(&crew.clone().form(&path, "plan")).expect(409).text;
    assert!(again.contains("has a treatment that is not closed"), "{again}");
}

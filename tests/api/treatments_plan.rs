//! Plans: edited before work, each zone for itself, the advice, the cautions, and what to buy in a week

use serde_json::{Value, json};

use crate::treatments::{Yard, held, made, product};

/// Coats, films, products and the optional steps are edited until work starts; an acceptance counts for one version.
#[test]
fn a_plan_is_edited_until_work_starts() {
    let yard = Yard::set();
    let (lead, crew) = (yard.app.lead(), yard.app.crew());
    let sealer = made(&lead, &product("sealer", &["sealer"], &json!({})));
    let id = yard.plan(&json!({"kind": "curative"}));
    let path = format!("/v1/treatments/{id}/plan");
    let usual = crew.get(&path).expect(200);
    let steps: Vec<&str> = usual.json["steps"]
        .as_array()
        .expect("steps")
        .iter()
        .filter_map(|step| step["step"].as_str())
        .collect();
    // The order of the work: `job.md`, 4. Abraded before the sealer and after it.
    assert_eq!(
        steps,
        [
            "wash_down",
            "strip",
            "salt_check",
            "dry",
            "abrade",
            "seal",
            "abrade_sealed",
            "fair",
            "barrier",
            "antifouling"
        ]
    );
    let own = json!([{"step": "strip", "note": "spots ground, not peeled"}, {"step": "dry"},
        {"step": "seal", "coats": 3, "product_id": sealer, "dry_film_um": 140}, {"step": "adhesion_check"},
        {"step": "barrier", "coats": 6}]);
    let changed = crew.patch(&path, &usual.etag(), &json!({"steps": own})).expect(200);
    let told = changed.json["steps"].as_array().expect("steps");
    assert_eq!(told.len(), 5, "wash, salt check, abrading, fairing and antifouling are left out");
    assert_eq!(
        (&told[0]["note"], &told[2]["coats"], &told[2]["dry_film_um"], &told[2]["product_id"]),
        (&json!("spots ground, not peeled"), &json!(3), &json!(140.0), &json!(sealer))
    );
    let evidence = changed.json["progress"].as_array().expect("progress");
    assert!(
        evidence
            .iter()
            .all(|step| step["evidence"].as_str().is_some_and(|words| words.contains("step_done"))),
        "each step says what closes it: {evidence:?}"
    );
    // Of another kind, its steps with it.
    let kind = crew.patch(&path, &changed.etag(), &json!({"kind": "preventive", "steps": []})).expect(200);
    assert_eq!(kind.json["steps"].as_array().map(Vec::len), Some(5));
    let refused = crew.patch(&path, &kind.etag(), &json!({"kind": "curative"})).expect(422);
    assert!(refused.text.contains("send steps as []"), "{}", refused.text);
    yard.accept(&id);
    crew.patch(&path, &kind.etag(), &json!({"starts_on": "2026-06-09"})).expect(200);
    assert_eq!(yard.state(&id), "planned", "accepted was another version");
    yard.accept(&id);
    // One zone need not be named.
    yard.enter(&id, "2026-06-10T07:00:00Z", &json!({"kind": "step_done", "step": "wash_down"})).expect(201);
    let fixed = crew.get(&path).expect(200);
    assert_eq!(fixed.json["progress"][0]["state"], "done");
    crew.patch(&path, &fixed.etag(), &json!({"loss_fraction": 0.2})).expect_problem(409, "conflict", "");
}

/// Steps, coats and holds stand in each zone for itself.
#[test]
fn a_zone_waits_for_no_other() {
    let yard = Yard::set();
    let barrier = made(&yard.app.lead(), &product("barrier", &["barrier"], &json!({})));
    let steps = json!([{"step": "abrade"}, {"step": "fair", "zones": ["keel"]},
        {"step": "barrier", "coats": 1, "product_id": barrier}]);
    let id = yard.plan(
        &json!({"kind": "preventive", "steps": steps, "zones": [{"zone": "bottom"}, {"zone": "keel"}]}),
    );
    yard.accept(&id);
    yard.climate("2026-06-10T00:00:00Z", 15, 60.0);
    let done = |step: &str, zone: &str| {
        yard.enter(&id, "2026-06-10T07:00:00Z", &json!({"kind": "step_done", "step": step, "zone": zone}))
    };
    let coat = |zone: &str| {
        let body = json!({"vessel_id": yard.vessel, "role": "barrier", "zone": zone, "product_id": barrier, "colour": "grey",
            "applied_on": "2026-06-11", "started_at": "2026-06-11T08:00:00Z", "finished_at": "2026-06-11T09:00:00Z"});
        yard.app.crew().post(&format!("/v1/treatments/{id}/coats"), &body)
    };
    yard.enter(&id, "2026-06-10T07:00:00Z", &json!({"kind": "step_done", "step": "abrade"}))
        .expect_problem(422, "invalid", "/zone");
    done("fair", "bottom").expect_problem(422, "invalid", "/step");
    done("abrade", "bottom").expect(201);
    let bottom = coat("bottom").expect(201).id();
    assert_eq!(held(&coat("keel")), ["step_not_done", "step_not_done"], "abrade and fair of the keel");
    done("barrier", "bottom").expect(201);
    let next = |zone: &str| {
        let plan = yard.app.reader().get(&format!("/v1/treatments/{id}/plan")).expect(200);
        let all = plan.json["next"].as_array().expect("next").clone();
        all.into_iter().find(|own| own["zone"] == zone).expect("the zone")["step"].clone()
    };
    assert_eq!((next("bottom"), next("keel")), (Value::Null, json!("abrade")));
    // An override of the keel's hold opens the keel alone.
    let body = json!({"kind": "override", "step": "barrier", "zone": "keel", "hold": "step_not_done", "note": "seen",
        "happened_at": "2026-06-10T08:00:00Z", "person_name": "Person A", "qualification": "Hull surveyor"});
    yard.app.surveyor().post(&format!("/v1/treatments/{id}/decisions"), &body).expect(201);
    let keel = coat("keel").expect(201).id();
    let told = held(&yard.close(&id, "2026-06-25T10:00:00Z"));
    assert!(told.contains(&"step_not_done".to_owned()), "the keel's steps hold the launch: {told:?}");
    for step in ["abrade", "fair", "barrier"] {
        done(step, "keel").expect(201);
    }
    for coat in [&bottom, &keel] {
        yard.film(coat, 110.0);
    }
    yard.close(&id, "2026-06-25T10:00:00Z").expect(200);
}

/// The words of the issue: grinding dust, epoxy sensitisation, solvent vapour, biocide residue, heaters in tents, lifting
/// and stands, confined space, wash-down water, and the deference to local codes and qualified people.
#[test]
fn each_step_carries_its_cautions() {
    let yard = Yard::set();
    let id = yard.plan(&json!({"kind": "curative"}));
    let plan = yard.app.reader().get(&format!("/v1/treatments/{id}/plan")).expect(200);
    let of = |step: &str| {
        let all = plan.json["progress"].as_array().expect("progress");
        all.iter().find(|own| own["step"] == step).expect("the step")["cautions"].to_string()
    };
    for (step, words) in [
        ("wash_down", &["Lifting and stands", "Wash-down water"][..]),
        ("strip", &["Grinding dust", "dust and residue"]),
        ("dry", &["Heaters in tents", "Confined spaces", "Wash-down water"]),
        ("abrade", &["Grinding dust"]),
        ("seal", &["sensitise", "solvent vapour", "Heaters in tents", "Confined spaces"]),
        ("abrade_sealed", &["Grinding dust"]),
        ("fair", &["sensitise", "solvent vapour"]),
        ("barrier", &["sensitise", "solvent vapour", "Heaters in tents"]),
        ("antifouling", &["biocides", "residue"]),
        ("salt_check", &[]),
    ] {
        let told = of(step);
        assert!(told.contains("Local codes apply, and a qualified surveyor"), "{step}: {told}");
        for words in words {
            assert!(told.contains(words), "{step} says nothing of {words}: {told}");
        }
    }
    let degrease = yard.app.crew().patch(
        &format!("/v1/treatments/{id}/plan"),
        &plan.etag(),
        &json!({"kind": "preventive", "steps": []}),
    );
    let told = degrease.expect(200).json["progress"][1]["cautions"].to_string();
    assert!(told.contains("solvent vapour") && told.contains("biocides"), "{told}");
    // No product ships with the service.
    assert_eq!(yard.app.reader().get("/v1/products").expect(200).json["items"], json!([]));
}

/// Breaks of the skin and the trend of the readings of two signed surveys, on the same scale (thresholds: common practice,
/// no source).
#[test]
fn the_advice_weighs_breaks_and_the_trend_of_the_readings() {
    for (values, words, caution) in
        [([10.0, 14.0], "The readings rise", true), ([14.0, 10.0], "do not rise", false)]
    {
        let yard = Yard::set();
        let (surveyor, crew) = (yard.app.surveyor(), yard.app.crew());
        let station = json!({"vessel_id": yard.vessel, "code": "P1", "hull": "centre", "side": "port", "zone": "bottom"});
        let station = crew.post("/v1/stations", &station).expect(201).id();
        for (day, value) in [("2026-06-02", values[0]), ("2026-06-09", values[1])] {
            let survey = json!({"vessel_id": yard.vessel, "haul_out_id": yard.haul_out, "surveyed_on": day,
                "bottom_examined": "whole", "blistering": "none", "meter_scale": "relative"});
            let draft = surveyor.post("/v1/surveys", &survey).expect(201);
            let path = format!("/v1/surveys/{}", draft.id());
            crew.post(
                &format!("{path}/readings"),
                &json!({"items": [{"station_id": station, "value": value}]}),
            )
            .expect(200);
            surveyor.post_if_match(&format!("{path}/signature"), &draft.etag(), &json!({})).expect(200);
        }
        let found = json!({"vessel_id": yard.vessel, "kind": "skin_break", "found_on": "2026-06-09", "zone": "bottom"});
        surveyor.post("/v1/findings", &found).expect(201);
        let id = yard.plan(&json!({"kind": "preventive"}));
        let plan = yard.app.reader().get(&format!("/v1/treatments/{id}/plan")).expect(200);
        let reasons = plan.json["advice"]["reasons"].to_string();
        assert!(reasons.contains(words) && reasons.contains("10.0") && reasons.contains("14.0"), "{reasons}");
        assert_eq!(reasons.contains("let the hull dry and read again"), caution, "{reasons}");
        assert!(reasons.contains("One break or damage of the skin"), "{reasons}");
    }
}

/// ISO 3233, by arithmetic: 100 µm dry of half solids are 200 µm wet, 5 m² a litre. 20 m² twice and, by the trade's
/// formula, 0.5 times 9 times 4.7 m = 21.15 m² once, nothing lost: 8 and 4.23 litres are three packs of 5 together.
#[test]
fn a_week_is_bought_for_together() {
    let yard = Yard::set();
    let (lead, crew) = (yard.app.lead(), yard.app.crew());
    let barrier = made(&lead, &product("barrier", &["barrier"], &json!({})));
    let steps =
        |coats: i32| json!([{"step": "abrade"}, {"step": "barrier", "coats": coats, "product_id": barrier}]);
    yard.plan(
        &json!({"kind": "preventive", "starts_on": "2026-06-08", "loss_fraction": 0, "steps": steps(2),
        "zones": [{"zone": "bottom", "area_m2": 20}]}),
    );
    let other = json!({"name": "Hull two", "form": "fin_keel", "length_m": 10.0, "lwl_m": 9.0, "beam_m": 3.0, "draft_m": 1.7});
    let other = lead.post("/v1/vessels", &other).expect(201).id();
    let lift = json!({"vessel_id": other, "lifted_on": "2026-06-01", "reason": "barrier"});
    let lift = lead.post("/v1/haul-outs", &lift).expect(201).id();
    let plan =
        json!({"kind": "preventive", "starts_on": "2026-06-14", "loss_fraction": 0, "steps": steps(1)});
    crew.post(&format!("/v1/haul-outs/{lift}/treatments"), &plan).expect(201);
    let list = yard.app.reader().get("/v1/purchase-list?week_of=2026-06-10").expect(200);
    let lines = list.json["lines"].as_array().expect("lines");
    let of = |source: &str| {
        let line = lines.iter().find(|line| line["area_source"] == source).expect("the line");
        (line["area_m2"].as_f64().expect("an area"), line["litres"].as_f64().expect("litres"))
    };
    let near = |(area, litres): (f64, f64), wanted: (f64, f64)| {
        assert!((area - wanted.0).abs() < 1e-9 && (litres - wanted.1).abs() < 1e-9, "{area}, {litres}");
    };
    near(of("entered"), (20.0, 8.0));
    near(of("formula"), (21.15, 4.23));
    let bought = list.json["purchases"].as_array().expect("purchases");
    assert_eq!((bought.len(), &bought[0]["packs"]), (1, &json!(3)));
    assert!((bought[0]["litres"].as_f64().expect("litres") - 12.23).abs() < 1e-9, "{bought:?}");
}

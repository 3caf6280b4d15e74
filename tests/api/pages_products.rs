//! Products on the pages, as a signed-in browser does it.

use serde_json::{Value, json};

use crate::pages_vessel::refused_at;
use crate::products::sheet;
use crate::support::app::TestApp;
use crate::support::hulls::vessel;
use crate::support::visitor::{PageForm, Visitor};

fn member(app: &TestApp, word: &str) -> Visitor {
    Visitor::signed_in(app, &app.home.people[word].2)
}

fn products(app: &TestApp) -> Vec<Value> {
    app.reader().get("/v1/products").expect(200).json["items"].as_array().expect("items").clone()
}

/// A sheet as it is typed: the field of each figure, and a row of cells for each line of a table.
fn typed(sheet: &Value) -> Vec<(String, String)> {
    let text = |value: &Value| value.as_str().map_or_else(|| value.to_string(), ToOwned::to_owned);
    let mut typed = Vec::new();
    for (name, value) in sheet.as_object().expect("an object") {
        let cells = value.as_array().into_iter().flatten().enumerate().flat_map(|(at, line)| {
            let cells = line.as_object().expect("a line").iter().filter(|(_, value)| !value.is_null());
            cells.map(move |(column, value)| (format!("{name}_{column}_{at}"), text(value)))
        });
        typed.extend(cells);
        if !value.is_array() && *value != json!(false) && !value.is_null() {
            typed.push((name.clone(), text(value)));
        }
    }
    typed
}

fn with(form: PageForm, typed: &[(String, String)]) -> PageForm {
    let typed: Vec<(&str, &str)> = typed.iter().map(|(name, text)| (name.as_str(), text.as_str())).collect();
    form.with(&typed)
}

/// Without what belongs to the one record.
fn fields(record: &Value) -> Value {
    let mut fields = record.clone();
    for own in ["id", "version", "created_at", "updated_at"] {
        fields.as_object_mut().expect("an object").remove(own);
    }
    fields
}

#[test]
fn a_sheet_typed_on_the_page_is_the_one_a_program_would_send() {
    let app = TestApp::start();
    let mut lead = member(&app, "lead");
    let mut body = sheet();
    body["permeability_kg_m_s"] = json!(2.5e-13);
    body["ref"] = json!("P-1");
    let form = with(lead.form("/products/new", "product"), &typed(&body));
    for _ in 0..2 {
        let to = lead.submit(&form).expect(303).header("location");
        assert_eq!(to.as_deref(), Some("/products?saved=1"));
    }
    let made = products(&app);
    assert_eq!(made.len(), 1, "sent twice, it is made once");
    body["ref"] = json!("P-2");
    let by_program = app.lead().post("/v1/products", &body).expect(201).json;
    let mut expected = fields(&by_program);
    expected["ref"] = json!("P-1");
    assert_eq!(fields(&made[0]), expected);

    let least = lead.form("/products/new", "product").with(&[("name", "Filler"), ("role", "sealer")]);
    lead.submit(&least).expect(303);
    let body = json!({"name": "Filler", "role": "sealer"});
    let by_program = app.lead().post("/v1/products", &body).expect(201).json;
    assert_eq!(fields(&products(&app)[2]), fields(&by_program));

    let page = lead.get("/products?saved=1").expect(200).text.replace('\u{a0}', " ");
    for told in [
        "100 to 250 µm, 100 % solids",
        "Hull 10 to 30 °C, air to 80 %",
        "Barrier after 6 h (30 °C) to 24 h (10 °C)",
        "Antifouling after 4 h (20 °C)",
        "Into the water after 168 h (20 °C) to 336 h (10 °C)",
        "2.5e-13 kg/(m·s) by its sheet",
        "Slows water as usual for a sealer",
    ] {
        assert!(page.contains(told), "{told}: {page}");
    }
}

#[test]
fn a_product_can_be_chosen_for_a_coat_and_whoever_may_add_one_finds_the_way() {
    let app = TestApp::start();
    let hull = vessel(&app.lead(), "Hull", json!({"launched_on": "2012-05-01"})).id();
    let lift = json!({"vessel_id": hull, "lifted_on": "2026-06-01", "reason": "antifouling"});
    app.lead().post("/v1/haul-outs", &lift).expect(201);
    let records = format!("/vessels/{hull}/records");
    let (mut lead, mut crew) = (member(&app, "lead"), member(&app, "crew"));
    assert!(lead.get(&records).expect(200).text.contains("href=\"/products/new\""));
    assert!(!crew.get(&records).expect(200).text.contains("/products/new"), "crew may not add one");
    let form = lead.form("/products/new", "product").with(&[("name", "Red <5>"), ("role", "antifouling")]);
    lead.submit(&form).expect(303);
    let id = products(&app)[0]["id"].as_str().expect("an id").to_owned();
    let page = crew.get(&records).expect(200).text;
    assert!(page.contains(&format!("<option value=\"{id}\">Red &#60;5&#62; (antifouling)</option>")));
    let coat = PageForm::of(&page, "coat").with(&[
        ("role", "antifouling"),
        ("product_id", &id),
        ("applied_on", "2026-06-02"),
    ]);
    crew.submit(&coat).expect(303);
    let coats = app.lead().get("/v1/coats").expect(200).json;
    let coat = &coats["items"][0];
    assert_eq!(coat["product_id"], id.as_str());
    let correction = format!("/coats/{}", coat["id"].as_str().expect("an id"));
    assert!(lead.get(&correction).expect(200).text.contains("href=\"/products/new\""));
    assert!(!crew.get(&correction).expect(200).text.contains("/products/new"));
    let plan = app.lead().get("/v1/haul-outs").expect(200).json["items"][0]["id"].clone();
    let plan = format!("/haul-outs/{}/treatments/new", plan.as_str().expect("an id"));
    assert!(lead.get(&plan).expect(200).text.contains("href=\"/products/new\""));
    assert!(!crew.get(&plan).expect(200).text.contains("/products/new"));
}

#[test]
fn what_is_wrong_with_a_sheet_is_told_at_its_field() {
    let app = TestApp::start();
    let mut lead = member(&app, "lead");
    let form = with(lead.form("/products/new", "product"), &typed(&sheet()));
    for (typed, at, kept) in [
        (&[("name", "")][..], "name", ""),
        (&[("role", "primer")], "role", ""),
        (&[("volume_solids_pct", "0.5")], "volume_solids_pct", "0.5"),
        (&[("volume_solids_pct", "half")], "volume_solids_pct", "half"),
        (&[("max_dry_film_um", "99")], "max_dry_film_um", "99"),
        (&[("max_surface_temperature_c", "9")], "max_surface_temperature_c", "9"),
        (&[("min_margin_k", "51")], "min_margin_k", "51"),
        (&[("max_relative_humidity_pct", "101")], "max_relative_humidity_pct", "101"),
        (&[("mix_hardener_parts", "")], "mix_hardener_parts", ""),
        (&[("mix_base_parts", "")], "mix_base_parts", ""),
        (&[("pack_l", "0")], "pack_l", "0"),
        (&[("permeability_kg_m_s", "1")], "permeability_kg_m_s", "1"),
        (&[("max_days_to_launch", "30")], "max_days_to_launch", "30"),
        (&[("wear_um_per_month_15c", "5")], "wear_um_per_month_15c", "5"),
        (&[("season_limit_months", "12")], "season_limit_months", "12"),
        (&[("max_days_dry", "12")], "max_days_dry", "12"),
        (&[("role", "antifouling"), ("max_days_dry", "12.5")], "max_days_dry", "12.5"),
        // Lines are told in the row in which they were typed, whatever was left empty before them.
        (&[("pot_life_temperature_c_4", "15"), ("pot_life_minutes_4", "0")], "pot_life_minutes_4", "0"),
        (
            &[("pot_life_temperature_c_4", "20"), ("pot_life_minutes_4", "9")],
            "pot_life_temperature_c_4",
            "20",
        ),
        (&[("pot_life_temperature_c_4", "15")], "pot_life_minutes_4", ""),
        (&[("cure_hours_3", "9")], "cure_temperature_c_3", ""),
        (&[("cure_temperature_c_3", "90"), ("cure_hours_3", "9")], "cure_temperature_c_3", "90"),
        (&[("overcoating_max_h_2", "3")], "overcoating_max_h_2", "3"),
        (&[("overcoating_max_h_0", "")], "overcoating_max_h_1", "720"),
        (&[("overcoating_next_role_1", "")], "overcoating_next_role_1", ""),
        (&[("overcoating_min_h_0", "soon")], "overcoating_min_h_0", "soon"),
    ] {
        refused_at(lead.submit(&form.clone().with(typed)), "product", at, kept);
    }
    assert!(products(&app).is_empty(), "nothing of it was kept");
    let page = lead.submit(&form.clone().with(&[("max_dry_film_um", "99")])).expect(422).text;
    let told = "Thickest dry film of a coat leaves nothing between it and “Thinnest dry film of a coat”";
    assert!(page.contains(told), "in the words of the form: {page}");
    let again = PageForm::of(&page, "product");
    for (name, text) in typed(&sheet()) {
        let expected = if name == "max_dry_film_um" { "99" } else { &text };
        assert_eq!(again.value(&name), Some(expected), "{name} was typed and stays");
    }
}

#[test]
fn a_sheet_changes_in_what_was_typed_otherwise_and_in_nothing_else() {
    let app = TestApp::start();
    let mut body = sheet();
    body["permeability_kg_m_s"] = json!(2.5e-13);
    let made = app.lead().post("/v1/products", &body).expect(201);
    let (path, mut lead) = (format!("/products/{}/change", made.id()), member(&app, "lead"));
    let read = || app.lead().get(&format!("/v1/products/{}", made.id())).expect(200).json;
    let stands = lead.form(&path, "product");
    assert_eq!(stands.value("permeability_kg_m_s"), Some("2.5e-13"));
    lead.submit(&stands).expect(303);
    assert_eq!(read(), made.json, "saved as it stood, nothing changes, not the version either");

    // By role and temperature: barrier at 10 and 30 °C, antifouling at 20 °C.
    let changed = stands.clone().with(&[
        ("amine_blush", ""),
        ("pack_l", ""),
        ("overcoating_min_h_0", "30"),
        ("overcoating_next_role_1", ""),
        ("overcoating_temperature_c_1", ""),
        ("overcoating_min_h_1", ""),
        ("overcoating_max_h_1", ""),
        ("cure_temperature_c_2", "30"),
        ("cure_hours_2", "96"),
    ]);
    lead.submit(&changed).expect(303);
    lead.submit(&changed).expect(303);
    let (mut expected, now) = (made.json.clone(), read());
    expected["amine_blush"] = json!(false);
    expected["pack_l"] = Value::Null;
    let lines = expected["overcoating"].as_array_mut().expect("lines");
    lines[0]["min_h"] = json!(30.0);
    lines.remove(1);
    let cure = expected["cure"].as_array_mut().expect("lines");
    cure.push(json!({"temperature_c": 30.0, "hours": 96.0}));
    expected["version"] = json!(2);
    expected["updated_at"] = now["updated_at"].clone();
    assert_eq!(now, expected, "changed once, and in this alone");

    let page = lead.submit(&stands.with(&[("name", "Other")])).expect(412).text;
    assert_eq!(PageForm::of(&page, "product").value("name"), Some("Other"), "kept");
    assert!(page.contains("Somebody changed this after you opened the form"), "{page}");
    assert_eq!(read(), expected, "and not saved");
    let form = lead.form(&path, "product");
    refused_at(lead.submit(&form.with(&[("cure_hours_0", "-1")])), "product", "cure_hours_0", "-1");
}

/// The most lines that a sheet may have stand in its form, and none more.
#[test]
fn a_table_of_fifty_lines_is_shown_whole() {
    let app = TestApp::start();
    let lines: Vec<Value> = (0..50).map(|n| json!({"temperature_c": f64::from(n), "hours": 10})).collect();
    let body = json!({"name": "Long", "role": "barrier", "cure": lines});
    let id = app.lead().post("/v1/products", &body).expect(201).id();
    let (path, mut lead) = (format!("/products/{id}/change"), member(&app, "lead"));
    let form = lead.form(&path, "product");
    assert_eq!(form.value("cure_temperature_c_49"), Some("49"));
    lead.submit(&form.with(&[("cure_hours_49", "11")])).expect(303);
    let read = app.lead().get(&format!("/v1/products/{id}")).expect(200).json;
    assert_eq!(read["cure"].as_array().map(Vec::len), Some(50));
    assert_eq!(read["cure"][49]["hours"], 11.0);
}

#[test]
fn who_does_not_keep_the_register_sees_the_products_and_changes_none() {
    let app = TestApp::start();
    let id = app.lead().post("/v1/products", &sheet()).expect(201).id();
    let change = format!("/products/{id}/change");
    for word in ["surveyor", "crew", "reader"] {
        let mut visitor = member(&app, word);
        let page = visitor.get("/products").expect(200).text;
        assert!(page.contains("Generic barrier A"), "{page}");
        assert!(!page.contains("/products/new") && !page.contains("/change\""), "{word}");
        for path in ["/products/new", change.as_str()] {
            visitor.get(path).expect(403);
            visitor.post(path, &[("name", "X"), ("role", "sealer"), ("version", "1")]).expect(403);
        }
    }
    let mut stranger = Visitor::signed_in(&app, &app.away.people["administrator"].2);
    stranger.get(&change).expect(404);
    stranger.post(&change, &[("name", "Mine"), ("version", "1")]).expect(404);
    assert!(!stranger.get("/products").expect(200).text.contains("Generic barrier A"));
    assert_eq!(products(&app)[0]["name"], "Generic barrier A");
}

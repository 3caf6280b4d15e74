//! Sites on the pages, and what an organisation without vessels is told to do first, as a signed-in browser sees it.

use serde_json::{Value, json};

use crate::pages_vessel::refused_at;
use crate::support::app::{Answer, TestApp};
use crate::support::visitor::{PageForm, Visitor};

/// The fields of a month with the beginnings of their names in the form.
const COLUMNS: [&str; 4] =
    ["water_temperature_c", "salinity_g_kg", "air_temperature_c", "relative_humidity_pct"];

fn member(app: &TestApp, word: &str) -> Visitor {
    Visitor::signed_in(app, &app.home.people[word].2)
}

fn sites(app: &TestApp) -> Vec<Value> {
    app.reader().get("/v1/sites").expect(200).json["items"].as_array().expect("items").clone()
}

fn months_of_climate(app: &TestApp, name: &str) -> Value {
    let listed = app.reader().get("/v1/climates").expect(200).json;
    let climates = listed["items"].as_array().expect("items");
    climates.iter().find(|climate| climate["name"] == name).expect("it is listed")["months"].clone()
}

/// Invented figures of a lake, the same for each cell in no two months.
fn lake() -> Value {
    let month = |n: u32| {
        json!({"month": n, "water_temperature_c": 3.5 + f64::from(n), "salinity_g_kg": f64::from(n) / 32.0,
            "air_temperature_c": -4.25 + f64::from(n), "relative_humidity_pct": 60.0 + f64::from(n)})
    };
    (1..=12).map(month).collect()
}

/// Months as they are typed.
fn cells(months: &Value) -> Vec<(String, String)> {
    let of_month = |(at, month): (usize, &Value)| {
        COLUMNS.map(|column| (format!("{column}_{at}"), month[column].to_string()))
    };
    months.as_array().expect("months").iter().enumerate().flat_map(of_month).collect()
}

fn with(form: PageForm, typed: &[(String, String)]) -> PageForm {
    let typed: Vec<(&str, &str)> = typed.iter().map(|(name, text)| (name.as_str(), text.as_str())).collect();
    form.with(&typed)
}

#[test]
fn a_site_added_on_its_page_is_kept_once_and_can_be_chosen_for_a_vessel() {
    let app = TestApp::start();
    let mut lead = member(&app, "lead");
    let form = lead.form("/sites/new", "site");
    assert_eq!(form.value("time_zone"), Some("UTC"), "the organisation's own stands there");
    let form = form.with(&[
        ("name", "Basin & <quay>"),
        ("time_zone", "Europe/Lisbon"),
        ("climate", "warm_sea"),
        ("ref", "S-1"),
        ("note", "by the crane"),
    ]);
    for _ in 0..2 {
        let to = lead.submit(&form).expect(303).header("location");
        assert_eq!(to.as_deref(), Some("/sites?saved=1"));
    }
    let made = sites(&app);
    assert_eq!(made.len(), 1, "sent twice, it is made once");
    let expected = json!({"name": "Basin & <quay>", "time_zone": "Europe/Lisbon", "climate": "warm_sea", "ref": "S-1",
        "note": "by the crane", "version": 1, "months": months_of_climate(&app, "warm_sea")});
    for (name, value) in expected.as_object().expect("an object") {
        assert_eq!(&made[0][name], value, "{name}");
    }
    let listed = lead.get("/sites?saved=1").expect(200).text;
    assert!(listed.contains("Saved.") && listed.contains("Basin &#38; &#60;quay&#62;"), "{listed}");
    assert!(listed.contains("25.1 to 28.9 °C") && listed.contains("sea water, 35.7 g/kg"), "{listed}");

    let id = made[0]["id"].as_str().expect("an id");
    let page = lead.get("/vessels/new").expect(200).text;
    assert!(page.contains(&format!("<option value=\"{id}\">Basin &#38; &#60;quay&#62;</option>")), "{page}");
    assert!(page.contains("href=\"/sites/new\""), "the way to add one stands by the choice");
    let vessel = PageForm::of(&page, "vessel").with(&[
        ("name", "Hull"),
        ("hull_form", "motor"),
        ("length_m", "8"),
        ("site_id", id),
    ]);
    lead.submit(&vessel).expect(303);
    app.lead().post("/v1/vessels", &json!({"name": "Nowhere", "form": "motor", "length_m": 8})).expect(201);
    let listed = lead.get("/sites").expect(200).text;
    assert!(listed.contains(&format!("href=\"/vessels?site_id={id}\">1<")), "{listed}");
    assert!(listed.contains("One vessel lies at no site"), "{listed}");
}

#[test]
fn months_are_kept_as_typed_and_the_climate_gives_the_rest() {
    let app = TestApp::start();
    let mut lead = member(&app, "lead");
    let form = lead.form("/sites/new", "site").with(&[("name", "Lake")]);
    lead.submit(&with(form.clone(), &cells(&lake()))).expect(303);
    assert_eq!(sites(&app)[0]["months"], lake());
    assert_eq!(sites(&app)[0]["climate"], Value::Null);

    let form = lead.form("/sites/new", "site").with(&[
        ("name", "Quay"),
        ("climate", "cool_sea"),
        ("water_temperature_c_6", "14,5"),
        ("relative_humidity_pct_11", "91"),
    ]);
    lead.submit(&form).expect(303);
    let mut expected = months_of_climate(&app, "cool_sea");
    expected[6]["water_temperature_c"] = json!(14.5);
    expected[11]["relative_humidity_pct"] = json!(91.0);
    assert_eq!(sites(&app)[1]["months"], expected);
    let listed = lead.get("/sites").expect(200).text;
    // 1/32 to 12/32 g/kg: fresh, by the Venice System (under 0.5; from memory).
    assert!(listed.contains("own figures") && listed.contains("fresh, 0.031 to 0.375 g/kg"), "{listed}");
}

#[test]
fn what_is_wrong_with_a_site_is_told_at_its_field() {
    let app = TestApp::start();
    app.lead()
        .post("/v1/sites", &json!({"name": "A", "ref": "S-1", "time_zone": "UTC", "climate": "cool_sea"}))
        .expect(201);
    let mut lead = member(&app, "lead");
    let form = lead.form("/sites/new", "site").with(&[("name", "Basin"), ("climate", "temperate_sea")]);
    let long = "x".repeat(201);
    for (typed, at, kept) in [
        (&[("name", "")][..], "name", ""),
        (&[("name", long.as_str())], "name", long.as_str()),
        (&[("time_zone", "Mars/Base")], "time_zone", "Mars/Base"),
        (&[("climate", "")], "climate", ""),
        (&[("climate", "steppe")], "climate", ""),
        (&[("water_temperature_c_2", "warm")], "water_temperature_c_2", "warm"),
        (&[("water_temperature_c_2", "36")], "water_temperature_c_2", "36"),
        (&[("salinity_g_kg_11", "43")], "salinity_g_kg_11", "43"),
        (&[("air_temperature_c_0", "-46")], "air_temperature_c_0", "-46"),
        (&[("relative_humidity_pct_5", "101")], "relative_humidity_pct_5", "101"),
        (&[("climate", ""), ("salinity_g_kg_0", "30")], "salinity_g_kg_11", ""),
        (&[("note", "bell \u{7}")], "note", "bell \u{7}"),
    ] {
        refused_at(lead.submit(&form.clone().with(typed)), "site", at, kept);
    }
    let twice = lead.submit(&form.clone().with(&[("ref", "S-1")])).expect(409).text;
    assert!(twice.contains("id=\"site-ref-problem\""), "{twice}");
    assert_eq!(PageForm::of(&twice, "site").value("name"), Some("Basin"), "what was typed stays");
    assert_eq!(sites(&app).len(), 1, "nothing of it was kept");
    let page = lead.submit(&form.with(&[("air_temperature_c_3", "x")])).expect(422).text;
    assert!(page.contains("April, air is no number"), "{page}");
    assert!(page.contains("<details class=\"part\" open>"), "the year is unfolded");
}

#[test]
fn a_site_changes_in_what_was_typed_otherwise_and_in_nothing_else() {
    let app = TestApp::start();
    let body = json!({"name": "Lake", "time_zone": "UTC", "months": lake(), "note": "a\nb"});
    let made = app.lead().post("/v1/sites", &body).expect(201);
    let (path, mut lead) = (format!("/sites/{}/change", made.id()), member(&app, "lead"));
    let read = || app.lead().get(&format!("/v1/sites/{}", made.id())).expect(200).json;
    let stands = lead.form(&path, "site");
    for (cell, text) in cells(&lake()) {
        assert_eq!(stands.value(&cell).map(str::parse::<f64>), Some(text.parse::<f64>()), "{cell}");
    }
    lead.submit(&stands).expect(303);
    assert_eq!(read(), made.json, "saved as it stood, nothing changes, not the version either");

    let changed = stands.clone().with(&[("name", "Upper lake"), ("salinity_g_kg_3", "0.2")]);
    lead.submit(&changed).expect(303);
    lead.submit(&changed).expect(303);
    let mut expected = made.json.clone();
    let now = read();
    expected["name"] = json!("Upper lake");
    expected["months"][3]["salinity_g_kg"] = json!(0.2);
    expected["version"] = json!(2);
    expected["updated_at"] = now["updated_at"].clone();
    assert_eq!(now, expected, "changed once, and in this alone");

    let page = lead.submit(&stands.with(&[("name", "Other"), ("note", "typed")])).expect(412).text;
    let again = PageForm::of(&page, "site");
    assert_eq!((again.value("name"), again.value("note")), (Some("Other"), Some("typed")), "kept");
    assert!(page.contains("Somebody changed this after you opened the form"), "{page}");
    assert_eq!(read(), expected, "and not saved");

    // An emptied cell needs something to take its place: a climate gives it.
    let form = lead.form(&path, "site");
    let emptied = form.clone().with(&[("air_temperature_c_9", "")]);
    refused_at(lead.submit(&emptied), "site", "air_temperature_c_9", "");
    lead.submit(&form.with(&[("climate", "temperate_fresh"), ("water_temperature_c_0", "1")])).expect(303);
    let mut fresh = months_of_climate(&app, "temperate_fresh");
    fresh[0]["water_temperature_c"] = json!(1.0);
    assert_eq!(read()["months"], fresh, "the climate newly chosen, but for what was typed");
    assert_eq!(read()["climate"], "temperate_fresh");
}

#[test]
fn who_does_not_keep_the_register_sees_the_sites_and_changes_none() {
    let app = TestApp::start();
    let body = json!({"name": "Basin", "time_zone": "UTC", "climate": "warm_sea"});
    let id = app.lead().post("/v1/sites", &body).expect(201).id();
    let change = format!("/sites/{id}/change");
    for word in ["surveyor", "crew", "reader"] {
        let mut visitor = member(&app, word);
        let page = visitor.get("/sites").expect(200).text;
        assert!(page.contains("Basin") && !page.contains("/sites/new") && !page.contains("/change\""));
        for path in ["/sites/new", change.as_str()] {
            visitor.get(path).expect(403);
            let fields = [("name", "X"), ("time_zone", "UTC"), ("climate", "cool_sea"), ("version", "1")];
            visitor.post(path, &fields).expect(403);
        }
    }
    let mut stranger = Visitor::signed_in(&app, &app.away.people["administrator"].2);
    stranger.get(&change).expect(404);
    stranger.post(&change, &[("name", "Mine"), ("version", "1")]).expect(404);
    assert!(!stranger.get("/sites").expect(200).text.contains("Basin"));
    assert_eq!(sites(&app)[0]["name"], "Basin");
}

fn page(answer: Answer) -> String {
    answer.expect(200).text
}

#[test]
fn an_organisation_without_vessels_is_told_what_to_do_first() {
    let app = TestApp::start();
    let mut administrator = member(&app, "administrator");
    for path in ["/due", "/vessels"] {
        let start = page(administrator.get(path));
        let places = ["/sites/new", "/vessels/new", "/import", "/products/new", "/members"]
            .map(|way| start.find(&format!("class=\"key\" href=\"{way}\"")));
        assert!(places.iter().all(Option::is_some) && places.is_sorted(), "{path}, in order: {places:?}");
        assert!(!start.contains("Take a filter away") && !start.contains("class=\"filters\""), "{start}");
    }
    for way in ["/sites/new", "/vessels/new", "/import", "/products/new", "/members"] {
        administrator.get(way).expect(200);
    }
    let lead = page(member(&app, "lead").get("/due"));
    assert!(lead.contains("href=\"/sites/new\"") && !lead.contains("class=\"key\" href=\"/members\""));
    for word in ["surveyor", "crew", "reader"] {
        let told = page(member(&app, word).get("/vessels"));
        assert!(told.contains("No vessel is entered yet") && !told.contains("/new\""), "{word}: {told}");
    }

    // All of it by the pages alone.
    let site = administrator.form("/sites/new", "site").with(&[("name", "Basin"), ("climate", "warm_sea")]);
    administrator.submit(&site).expect(303);
    let product =
        administrator.form("/products/new", "product").with(&[("name", "Paint"), ("role", "antifouling")]);
    administrator.submit(&product).expect(303);
    let start = page(administrator.get("/vessels"));
    assert!(start.contains("Sites: 1 entered.") && start.contains("Products are entered."), "{start}");
    let form = administrator.form("/vessels/new", "vessel");
    let site = sites(&app)[0]["id"].as_str().expect("an id").to_owned();
    let vessel =
        form.with(&[("name", "Hull"), ("hull_form", "motor"), ("length_m", "8"), ("site_id", &site)]);
    administrator.submit(&vessel).expect(303);
    for path in ["/due", "/vessels"] {
        let listed = page(administrator.get(path));
        assert!(!listed.contains("No vessel is entered yet"), "{path}: {listed}");
        assert!(listed.contains("class=\"filters\""), "{path}");
    }
    let none = page(administrator.get("/vessels?text=nothing+so+called"));
    assert!(none.contains("href=\"/vessels\">Show all vessels</a>"), "{none}");
}

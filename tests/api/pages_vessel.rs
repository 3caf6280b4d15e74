//! Entering a vessel and changing it, as a signed-in browser does.

use serde_json::{Value, json};

use crate::support::app::{Answer, TestApp};
use crate::support::visitor::{PageForm, Visitor};

fn member(app: &TestApp, word: &str) -> Visitor {
    Visitor::signed_in(app, &app.home.people[word].2)
}

/// Fails unless the page tells of a fault at this field of the form and keeps what was typed there.
#[track_caller]
pub fn refused_at(answer: Answer, act: &str, field: &str, typed: &str) {
    let page = answer.expect(422).text;
    assert!(page.contains(&format!("id=\"{act}-{field}-problem\"")), "{field}: {page}");
    let again = PageForm::of(&page, act);
    assert_eq!(again.value(field), Some(typed), "{field}");
    assert!(page.contains("aria-invalid=\"true\""));
}

fn vessels(app: &TestApp) -> Vec<Value> {
    app.lead().get("/v1/vessels?retired=any").expect(200).json["items"].as_array().expect("items").clone()
}

#[test]
fn a_vessel_is_entered_once_with_all_that_is_known_of_it() {
    let app = TestApp::start();
    let site = json!({"name": "Basin", "time_zone": "UTC", "climate": "temperate_sea"});
    let site = app.lead().post("/v1/sites", &site).expect(201).id();
    let mut lead = member(&app, "lead");
    let form = lead.form("/vessels/new", "vessel").with(&[
        ("name", "O'Hull & <co>"),
        ("hull_form", "fin_keel"),
        ("length_m", "10,25"),
        ("site_id", &site),
        ("laminate_class", "isophthalic"),
        ("bilge", "damp"),
        ("launched_on", "2015-05-01"),
        ("ashore_from_month", "11"),
        ("ashore_until_month", "3"),
        ("owner_email", "a@b.example"),
        ("beam_m", "3.4"),
        ("bottom_cored", "false"),
        ("bottom_laminate_thickness_mm", "9.5"),
        ("rudder_cored", "true"),
        ("note", "two\r\nlines"),
    ]);
    let first = lead.submit(&form).expect(303).header("location").expect("a place");
    let second = lead.submit(&form).expect(303).header("location");
    assert_eq!(Some(&first), second.as_ref(), "sent twice, it is made once");
    let made = vessels(&app);
    assert_eq!(made.len(), 1);
    let expected = json!({"name": "O'Hull & <co>", "form": "fin_keel", "length_m": 10.25, "site_id": site,
        "laminate_class": "isophthalic", "bilge": "damp", "launched_on": "2015-05-01", "ashore_from_month": 11,
        "ashore_until_month": 3, "owner_email": "a@b.example", "beam_m": 3.4, "version": 1, "berth": null,
        "zones": [{"zone": "bottom", "cored": false, "laminate_thickness_mm": 9.5, "gelcoat_thickness_um": null},
            {"zone": "rudder", "cored": true, "laminate_thickness_mm": null, "gelcoat_thickness_um": null}]});
    for (name, value) in expected.as_object().expect("an object") {
        assert_eq!(&made[0][name], value, "{name}");
    }
    let page = lead.get(&first).expect(200).text;
    assert!(page.contains("Saved.") && page.contains("O&#39;Hull &#38; &#60;co&#62;"), "{page}");
    for way in ["records", "surveys/new", "change", "dossier"] {
        let id = made[0]["id"].as_str().expect("an id");
        assert!(page.contains(&format!("href=\"/vessels/{id}/{way}\"")), "{way}");
    }
}

#[test]
fn what_is_wrong_with_a_vessel_is_told_at_its_field() {
    let app = TestApp::start();
    let mut lead = member(&app, "lead");
    let needed = [("name", "Hull"), ("hull_form", "motor"), ("length_m", "8")];
    let form = lead.form("/vessels/new", "vessel").with(&needed);
    for (typed, at, kept) in [
        (&[("length_m", "long")][..], "length_m", "long"),
        (&[("length_m", "")], "length_m", ""),
        (&[("length_m", "1000")], "length_m", "1000"),
        (&[("hull_form", "raft")], "hull_form", ""),
        (&[("ashore_from_month", "11")], "ashore_until_month", ""),
        (&[("hull_id_number", "short")], "hull_id_number", "short"),
        (&[("built_year", "2012.5")], "built_year", "2012.5"),
        (&[("sling_aft_m", "9")], "sling_aft_m", "9"),
        (&[("bottom_laminate_thickness_mm", "8")], "bottom_cored", ""),
        (
            &[("keel_cored", "true"), ("rudder_cored", "false"), ("rudder_laminate_thickness_mm", "900")],
            "rudder_laminate_thickness_mm",
            "900",
        ),
        (&[("launched_on", "2015-05-01"), ("retired_on", "2014-05-01")], "retired_on", "2014-05-01"),
    ] {
        refused_at(lead.submit(&form.clone().with(typed)), "vessel", at, kept);
    }
    assert!(vessels(&app).is_empty(), "nothing of it was kept");
    let page = lead.submit(&form.clone().with(&[("beam_m", "wide")])).expect(422).text;
    assert!(page.contains("<details class=\"part\" open>"), "the part with the fault is unfolded");
}

#[test]
fn a_vessel_is_changed_in_what_was_typed_otherwise_and_in_nothing_else() {
    let app = TestApp::start();
    let body = json!({"name": "Hull", "form": "multihull", "length_m": 12.345_678, "berth": "C 1", "note": "a\nb",
        "ashore_from_month": 10, "ashore_until_month": 4, "displacement_kg": 7000.0,
        "zones": [{"zone": "keel", "cored": true, "laminate_thickness_mm": 20.062_5}, {"zone": "bottom", "cored": false}]});
    let made = app.lead().post("/v1/vessels", &body).expect(201);
    let (path, mut lead) = (format!("/vessels/{}/change", made.id()), member(&app, "lead"));
    let read = || app.lead().get(&format!("/v1/vessels/{}", made.id())).expect(200).json;
    let stands = lead.form(&path, "vessel");
    assert_eq!(stands.value("length_m"), Some("12.345678"));
    assert_eq!(stands.value("keel_laminate_thickness_mm"), Some("20.0625"));
    lead.submit(&stands).expect(303);
    assert_eq!(read(), made.json, "saved as it stood, nothing changes, not the version either");

    let changed =
        stands.clone().with(&[("berth", ""), ("bilge", "wet"), ("bottom_gelcoat_thickness_um", "550")]);
    lead.submit(&changed).expect(303);
    lead.submit(&changed).expect(303);
    let now = read();
    let mut expected = made.json.clone();
    for (name, value) in [
        ("version", json!(2)),
        ("berth", Value::Null),
        ("bilge", json!("wet")),
        ("updated_at", now["updated_at"].clone()),
    ] {
        expected[name] = value;
    }
    expected["zones"][0]["gelcoat_thickness_um"] = json!(550.0);
    assert_eq!(now, expected, "changed once, and in this alone");

    let page = lead.submit(&stands.clone().with(&[("name", "Other")])).expect(412).text;
    let again = PageForm::of(&page, "vessel");
    assert_eq!(
        again.value("name"),
        Some("Other"),
        "what was typed on an older version is kept and not saved"
    );
    assert_eq!(read(), expected);
    let form = lead.form(&path, "vessel");
    refused_at(
        lead.submit(&form.clone().with(&[("bottom_gelcoat_thickness_um", "-1")])),
        "vessel",
        "bottom_gelcoat_thickness_um",
        "-1",
    );
    refused_at(lead.submit(&form.with(&[("name", "")])), "vessel", "name", "");
}

#[test]
fn who_does_not_keep_the_register_neither_sees_nor_sends_these_forms() {
    let app = TestApp::start();
    let id = app
        .lead()
        .post("/v1/vessels", &json!({"name": "H", "form": "motor", "length_m": 8}))
        .expect(201)
        .id();
    for word in ["surveyor", "crew", "reader"] {
        let mut visitor = member(&app, word);
        for path in ["/vessels/new".to_owned(), format!("/vessels/{id}/change")] {
            visitor.get(&path).expect(403);
            visitor
                .post(&path, &[("name", "X"), ("hull_form", "motor"), ("length_m", "8"), ("version", "1")])
                .expect(403);
        }
        for path in ["/vessels".to_owned(), format!("/vessels/{id}"), format!("/vessels/{id}/records")] {
            let page = visitor.get(&path).expect(200).text;
            assert!(!page.contains("/vessels/new\"") && !page.contains("/change\""), "{word}: {path}");
        }
    }
    assert_eq!(vessels(&app).len(), 1);
}

//! /v1/vessels

use serde_json::{Value, json};

use crate::forecast_requests::{forget, waiting};
use crate::lists::{ids, walk};
use crate::support::app::{Client, TestApp};

const PATH: &str = "/v1/vessels";

fn named(name: &str) -> Value {
    json!({"name": name, "form": "fin_keel", "length_m": 10.5})
}

fn with(more: &Value) -> Value {
    let mut body = named("Plover");
    for (name, value) in more.as_object().expect("an object") {
        body[name] = value.clone();
    }
    body
}

fn site(client: &Client, name: &str) -> String {
    let body = json!({"name": name, "time_zone": "UTC", "climate": "temperate_sea"});
    client.post("/v1/sites", &body).expect(201).id()
}

/// Every field, as it is shown again. The number and everybody in it are invented.
fn full(site_id: &str) -> Value {
    json!({
        "ref": "B-17", "name": "Plover", "form": "multihull", "length_m": 11.9, "lwl_m": 11.2, "beam_m": 6.5,
        "draft_m": 1.1, "displacement_kg": 7200.5, "sling_forward_m": 2.5, "sling_aft_m": 8.25,
        "hull_id_number": "XX-ABC12345D626", "built_year": 2026, "launched_on": "2025-09-30",
        "laminate_class": "vinylester_skin", "bilge": "damp", "ashore_from_month": 11, "ashore_until_month": 3,
        "site_id": site_id, "berth": "C 12", "owner_name": "Nobody Inparticular", "owner_phone": "+00 1234",
        "owner_email": "nobody@owners.example", "note": "keys at the gate", "retired_on": "2199-12-31",
        "zones": [
            {"zone": "bottom", "laminate_thickness_mm": 9.5, "cored": false, "gelcoat_thickness_um": 550.0},
            {"zone": "keel", "laminate_thickness_mm": null, "cored": false, "gelcoat_thickness_um": null},
            {"zone": "rudder", "laminate_thickness_mm": 6.0, "cored": true, "gelcoat_thickness_um": 0.0}
        ]
    })
}

#[test]
fn name_form_and_length_are_enough() {
    let app = TestApp::start();
    let lead = app.lead();
    let made = lead.post(PATH, &named("Plover")).expect(201);
    let path = format!("{PATH}/{}", made.id());
    assert_eq!(made.header("location").as_deref(), Some(path.as_str()));
    assert_eq!(made.etag(), "\"1\"");
    assert_eq!(made.json["site_id"], Value::Null);
    assert_eq!(made.json["laminate_class"], Value::Null);
    assert_eq!(made.json["zones"], json!([]));
    assert_eq!(app.reader().get(&path).expect(200).json, made.json);
    assert_eq!(waiting(&app), [made.id()]);
}

#[test]
fn every_field_is_kept_and_shown_again() {
    let app = TestApp::start();
    let lead = app.lead();
    let body = full(&site(&lead, "North basin"));
    let mut sent = body.clone();
    sent["hull_id_number"] = "xxabc12345d626".into();
    sent["zones"].as_array_mut().expect("zones").reverse();
    let made = lead.post(PATH, &sent).expect(201);
    for (name, value) in body.as_object().expect("an object") {
        assert_eq!(&made.json[name], value, "{name}");
    }
    let again = lead.get(&format!("{PATH}/{}", made.id())).expect(200);
    assert_eq!(again.json, made.json);
}

#[test]
fn what_is_missing_is_named() {
    let app = TestApp::start();
    for field in ["name", "form", "length_m"] {
        let mut body = named("Plover");
        body.as_object_mut().expect("an object").remove(field);
        app.lead().post(PATH, &body).expect_problem(422, "invalid", &format!("/{field}"));
    }
    assert_eq!(waiting(&app), Vec::<String>::new());
}

#[test]
fn a_broken_rule_is_refused_at_its_field() {
    let app = TestApp::start();
    let lead = app.lead();
    let bad = [
        (json!({"name": ""}), "/name"),
        (json!({"name": "x".repeat(201)}), "/name"),
        (json!({"name": "x".repeat(1_000_000)}), "/name"),
        (json!({"name": null}), "/name"),
        (json!({"form": "raft"}), "/form"),
        (json!({"length_m": 1.9}), "/length_m"),
        (json!({"length_m": 100.1}), "/length_m"),
        (json!({"length_m": "10"}), "/length_m"),
        (json!({"length_m": "NaN"}), "/length_m"),
        (json!({"lwl_m": 0.9}), "/lwl_m"),
        (json!({"lwl_m": 10.6}), "/lwl_m"),
        (json!({"beam_m": 0.4}), "/beam_m"),
        (json!({"draft_m": 15.1}), "/draft_m"),
        (json!({"displacement_kg": 49}), "/displacement_kg"),
        (json!({"sling_forward_m": -1}), "/sling_forward_m"),
        (json!({"sling_forward_m": 5, "sling_aft_m": 4}), "/sling_aft_m"),
        (json!({"sling_aft_m": 10.6}), "/sling_aft_m"),
        (json!({"hull_id_number": "XX-ABC12345D6"}), "/hull_id_number"),
        (json!({"hull_id_number": "XX-ABC12345M626"}), "/hull_id_number"),
        (json!({"built_year": 1939}), "/built_year"),
        (json!({"built_year": 2000.5}), "/built_year"),
        (json!({"launched_on": "1939-12-31"}), "/launched_on"),
        (json!({"launched_on": "2201-01-01"}), "/launched_on"),
        (json!({"launched_on": "2024-02-30"}), "/launched_on"),
        (json!({"launched_on": "01.06.2024"}), "/launched_on"),
        (json!({"built_year": 2010, "launched_on": "2008-12-31"}), "/launched_on"),
        (json!({"launched_on": "2010-06-01", "retired_on": "2010-05-31"}), "/retired_on"),
        (json!({"retired_on": "0001-01-01"}), "/retired_on"),
        (json!({"laminate_class": "polyester"}), "/laminate_class"),
        (json!({"bilge": "flooded"}), "/bilge"),
        (json!({"ashore_from_month": 13, "ashore_until_month": 3}), "/ashore_from_month"),
        (json!({"ashore_from_month": 11}), "/ashore_until_month"),
        (json!({"site_id": "0197f2c0-0000-7000-8000-000000000000"}), "/site_id"),
        (json!({"site_id": "here"}), "/site_id"),
        (json!({"owner_email": "nobody"}), "/owner_email"),
        (json!({"note": "x".repeat(4001)}), "/note"),
        (json!({"zones": [{"zone": "deck", "cored": false}]}), "/zones/0/zone"),
        (json!({"zones": [{"zone": "keel"}]}), "/zones/0/cored"),
        (
            json!({"zones": [{"zone": "keel", "cored": false, "laminate_thickness_mm": 0.5}]}),
            "/zones/0/laminate_thickness_mm",
        ),
        (
            json!({"zones": [{"zone": "keel", "cored": false}, {"zone": "keel", "cored": true}]}),
            "/zones/1/zone",
        ),
        (json!({"colour": "blue"}), "/colour"),
        (json!({"zones": [{"zone": "keel", "cored": false, "colour": "blue"}]}), "/zones/0/colour"),
        (json!({"id": "7d2f3f6e-0000-4000-8000-000000000000"}), "/id"),
    ];
    for (more, pointer) in bad {
        lead.post(PATH, &with(&more)).expect_problem(422, "invalid", pointer);
    }
    assert_eq!(ids(&lead, PATH), Vec::<String>::new(), "nothing half-written");
}

#[test]
fn a_change_keeps_what_is_absent_and_clears_what_is_null() {
    let app = TestApp::start();
    let lead = app.lead();
    let made = lead.post(PATH, &full(&site(&lead, "North basin"))).expect(201);
    let path = format!("{PATH}/{}", made.id());
    let patch =
        json!({"name": "Dunlin", "berth": null, "site_id": null, "zones": [{"zone": "keel", "cored": true}]});
    let changed = lead.patch(&path, &made.etag(), &patch).expect(200);
    assert_eq!(changed.etag(), "\"2\"");
    let mut expected = made.json.clone();
    expected["name"] = "Dunlin".into();
    expected["berth"] = Value::Null;
    expected["site_id"] = Value::Null;
    expected["zones"] =
        json!([{"zone": "keel", "laminate_thickness_mm": null, "cored": true, "gelcoat_thickness_um": null}]);
    expected["version"] = 2.into();
    assert_eq!(changed.json, expected);
    let none = lead.patch(&path, &changed.etag(), &json!({"zones": []})).expect(200);
    assert_eq!(none.json["zones"], json!([]));
    for (patch, pointer) in [
        (json!({"name": null}), "/name"),
        (json!({"lwl_m": 12.0}), "/lwl_m"),
        (json!({"ashore_until_month": null}), "/ashore_until_month"),
        (json!({"colour": null}), "/colour"),
    ] {
        lead.patch(&path, &none.etag(), &patch).expect_problem(422, "invalid", pointer);
    }
    assert_eq!(lead.get(&path).expect(200).json, none.json);
}

#[test]
fn a_change_names_the_version_it_was_made_on() {
    let app = TestApp::start();
    let lead = app.lead();
    let made = lead.post(PATH, &named("Plover")).expect(201);
    let path = format!("{PATH}/{}", made.id());
    let unconditional = lead.request("PATCH", &path).json(&json!({"name": "Dunlin"}));
    lead.send(unconditional).expect_problem(428, "version_required", "");
    lead.patch(&path, &made.etag(), &json!({"name": "Dunlin"})).expect(200);
    lead.patch(&path, &made.etag(), &json!({"name": "Knot"})).expect_problem(412, "stale", "");
    lead.patch(&path, "2", &json!({"name": "Knot"})).expect_problem(412, "stale", "");
    assert_eq!(lead.get(&path).expect(200).json["name"], "Dunlin");
}

#[test]
fn the_same_entry_twice_makes_one() {
    let app = TestApp::start();
    let lead = app.lead();
    let first = lead.post_with_key(PATH, "tablet-1", &named("Plover")).expect(201);
    let again = lead.post_with_key(PATH, "tablet-1", &named("Plover")).expect(201);
    assert_eq!(again.json, first.json);
    lead.post_with_key(PATH, "tablet-1", &named("Dunlin")).expect_problem(422, "key_reused", "");

    let mut own = named("Knot");
    own["id"] = "0197f2c0-1111-7000-8000-000000000001".into();
    let first = lead.post(PATH, &own).expect(201);
    assert_eq!(first.id(), "0197f2c0-1111-7000-8000-000000000001");
    let again = lead.post(PATH, &own).expect(200);
    assert_eq!(again.json, first.json);
    own["name"] = "Ruff".into();
    lead.post(PATH, &own).expect_problem(409, "id_taken", "/id");
    // An id the service gave, and one of a record of another kind.
    let given = lead.post(PATH, &named("Knot")).expect(201);
    own["id"] = given.id().into();
    lead.post(PATH, &own).expect_problem(409, "id_taken", "/id");
    let mut basin = json!({"name": "N", "time_zone": "UTC", "climate": "temperate_sea"});
    basin["id"] = first.id().into();
    lead.post("/v1/sites", &basin).expect_problem(409, "id_taken", "/id");
    assert_eq!(ids(&lead, PATH).len(), 3);
}

#[test]
fn the_same_entry_many_times_at_once_makes_one() {
    let app = TestApp::start();
    let lead = app.lead();
    let send = |own_id: bool| {
        let answers: Vec<_> = std::thread::scope(|scope| {
            let senders: Vec<_> = (0..4)
                .map(|_| {
                    let client = lead.clone();
                    scope.spawn(move || {
                        let mut body = named("Plover");
                        if own_id {
                            body["id"] = "0197f2c0-3333-7000-8000-000000000001".into();
                            client.post(PATH, &body)
                        } else {
                            client.post_with_key(PATH, "tablet-1", &body)
                        }
                    })
                })
                .collect();
            senders.into_iter().map(|sender| sender.join().expect("a sender")).collect()
        });
        let mut statuses: Vec<u16> = answers.iter().map(|answer| answer.status).collect();
        statuses.sort_unstable();
        let mut made: Vec<String> = answers.iter().map(crate::support::app::Answer::id).collect();
        made.dedup();
        assert_eq!(made.len(), 1, "one id for all");
        statuses
    };
    assert_eq!(send(false), [201, 201, 201, 201]);
    assert_eq!(send(true), [200, 200, 200, 201]);
    assert_eq!(ids(&lead, PATH).len(), 2);
}

#[test]
fn references_and_hull_numbers_are_unique_in_an_organisation() {
    let app = TestApp::start();
    let lead = app.lead();
    let body = with(&json!({"ref": "B-17", "hull_id_number": "XX-ABC12345D626"}));
    lead.post(PATH, &body).expect(201);
    lead.post(PATH, &with(&json!({"ref": "B-17"}))).expect_problem(409, "duplicate", "/ref");
    lead.post(PATH, &with(&json!({"hull_id_number": "xxabc12345d626"}))).expect_problem(
        409,
        "duplicate",
        "/hull_id_number",
    );
    let other = lead.post(PATH, &with(&json!({"ref": "B-18"}))).expect(201);
    lead.patch(&format!("{PATH}/{}", other.id()), &other.etag(), &json!({"ref": "B-17"})).expect_problem(
        409,
        "duplicate",
        "/ref",
    );
    app.stranger().post(PATH, &body).expect(201);
}

#[test]
fn another_organisation_sees_nothing() {
    let app = TestApp::start();
    let (lead, stranger) = (app.lead(), app.stranger());
    let made = lead.post(PATH, &named("Plover")).expect(201);
    let path = format!("{PATH}/{}", made.id());
    stranger.get(&path).expect_problem(404, "not_found", "");
    stranger.patch(&path, "\"1\"", &json!({"name": "Mine"})).expect_problem(404, "not_found", "");
    assert_eq!(ids(&stranger, "/v1/vessels?retired=any"), Vec::<String>::new());
    let their_site = site(&stranger, "Elsewhere");
    lead.post(PATH, &with(&json!({"site_id": their_site}))).expect_problem(422, "invalid", "/site_id");
    assert_eq!(ids(&lead, &format!("{PATH}?site_id={their_site}")), Vec::<String>::new());
}

#[test]
fn only_those_who_keep_the_register_write_it() {
    let app = TestApp::start();
    let made = app.administrator().post(PATH, &named("Plover")).expect(201);
    let path = format!("{PATH}/{}", made.id());
    for client in [app.surveyor(), app.crew(), app.reader()] {
        client.get(&path).expect(200);
        client.get(PATH).expect(200);
        client.post(PATH, &named("Dunlin")).expect_problem(403, "forbidden", "");
        client.patch(&path, "\"1\"", &json!({"name": "Dunlin"})).expect_problem(403, "forbidden", "");
    }
    app.anonymous().get(PATH).expect_problem(401, "unauthenticated", "");
}

#[test]
fn the_list_can_be_narrowed() {
    let app = TestApp::start();
    let lead = app.lead();
    let (north, south) = (site(&lead, "North basin"), site(&lead, "South basin"));
    let enter = |more: Value| lead.post(PATH, &with(&more)).expect(201).id();
    let plover =
        enter(json!({"name": "Plover 100%", "site_id": north, "ref": "A", "laminate_class": "epoxy"}));
    let dunlin = enter(json!({"name": "Dunlin_2", "site_id": south, "hull_id_number": "XX-ABC12345D626"}));
    let knot = enter(json!({"name": "Back\\slash", "retired_on": "2026-06-15"}));
    let ruff = enter(json!({"name": "PLOVER Äb", "retired_on": "2026-06-16"}));
    let narrowed = |query: &str| ids(&lead, &format!("{PATH}?{query}"));

    assert_eq!(narrowed(&format!("site_id={north}")), [plover.clone()]);
    assert_eq!(narrowed("laminate_class=epoxy"), [plover.clone()]);
    assert_eq!(narrowed("ref=A"), [plover.clone()]);
    assert_eq!(narrowed("ref=a"), Vec::<String>::new());
    assert_eq!(narrowed("hull_id_number=xxabc12345d626"), [dunlin.clone()]);
    assert_eq!(narrowed("name=plover"), [plover.clone(), ruff.clone()]);
    assert_eq!(narrowed("name=%C3%A4B"), [ruff.clone()]);
    assert_eq!(narrowed("name=%25"), [plover.clone()], "a percent sign stands for itself");
    assert_eq!(narrowed("name=_"), [dunlin.clone()], "so does an underscore");
    assert_eq!(narrowed("name=%5C&retired=any"), [knot.clone()], "and a backslash");
    assert_eq!(narrowed("name=plover&laminate_class=epoxy"), [plover.clone()]);
    // The tests' day is 2026-06-15: one leaves for good on that day, one the day after.
    assert_eq!(narrowed(""), [plover.clone(), dunlin.clone(), ruff.clone()]);
    assert_eq!(narrowed("retired=false"), narrowed(""));
    assert_eq!(narrowed("retired=true"), [knot.clone()]);
    assert_eq!(narrowed("retired=any"), [plover, dunlin, knot.clone(), ruff]);
    lead.get(&format!("{PATH}/{knot}")).expect(200);

    for (query, pointer) in [
        ("retired=perhaps", "retired"),
        ("hull_id_number=XX", "hull_id_number"),
        ("site_id=north", "site_id"),
        ("laminate_class=tin", "laminate_class"),
        ("updated_since=yesterday", "updated_since"),
        ("limit=0", "limit"),
        ("limit=201", "limit"),
        ("nam=plover", "nam"),
        ("name=%00", "name"),
    ] {
        lead.get(&format!("{PATH}?{query}")).expect_problem(422, "invalid", pointer);
    }
}

#[test]
fn the_list_is_paged_and_tells_what_changed_since() {
    let app = TestApp::start();
    let lead = app.lead();
    let entered: Vec<String> =
        (0..5).map(|n| lead.post(PATH, &named(&format!("Hull {n}"))).expect(201).id()).collect();
    for limit in [1, 2, 5, 6] {
        assert_eq!(walk(&lead, "/v1/vessels?retired=false", limit), entered, "{limit} at a time");
    }
    // The tests' clock stands still.
    assert_eq!(ids(&lead, "/v1/vessels?updated_since=2026-06-15T10:00:00Z"), entered);
    assert_eq!(ids(&lead, "/v1/vessels?updated_since=2026-06-15T10:00:00.000001Z"), Vec::<String>::new());
    let first = lead.get("/v1/vessels?limit=2").expect(200);
    let cursor = first.json["next_cursor"].as_str().expect("more follow").to_owned();
    lead.get(&format!("/v1/vessels?limit=3&cursor={cursor}")).expect(200);
    lead.get(&format!("/v1/vessels?name=hull&cursor={cursor}")).expect_problem(400, "malformed", "");
    lead.get(&format!("/v1/sites?cursor={cursor}")).expect_problem(400, "malformed", "");
}

#[test]
fn a_change_that_bears_on_a_date_asks_for_a_forecast() {
    let app = TestApp::start();
    let lead = app.lead();
    let made = lead.post(PATH, &named("Plover")).expect(201);
    let path = format!("{PATH}/{}", made.id());
    forget(&app);
    let told = lead.patch(&path, &made.etag(), &json!({"owner_phone": "+00 1", "berth": null})).expect(200);
    assert_eq!(waiting(&app), Vec::<String>::new());
    let wet = lead.patch(&path, &told.etag(), &json!({"bilge": "wet"})).expect(200);
    assert_eq!(waiting(&app), [made.id()]);
    lead.patch(&path, &wet.etag(), &json!({"bilge": "dry"})).expect(200);
    assert_eq!(waiting(&app), [made.id()], "a waiting request is not doubled");
    forget(&app);
    lead.patch(&path, "\"3\"", &json!({"bilge": "damp"})).expect_problem(412, "stale", "");
    assert_eq!(waiting(&app), Vec::<String>::new(), "a refused change asks for nothing");
}

#[test]
fn the_launch_stays_before_recorded_lifts() {
    let app = TestApp::start();
    let lead = app.lead();
    let made = lead.post(PATH, &with(&json!({"launched_on": "2010-05-01"}))).expect(201);
    let path = format!("{PATH}/{}", made.id());
    let lift = json!({"vessel_id": made.id(), "lifted_on": "2012-11-01", "reason": "seasonal"});
    lead.post("/v1/haul-outs", &lift).expect(201);
    lead.patch(&path, &made.etag(), &json!({"launched_on": "2012-11-02"})).expect_problem(
        409,
        "conflict",
        "/launched_on",
    );
    lead.patch(&path, &made.etag(), &json!({"launched_on": "2012-11-01"})).expect(200);
}

#[test]
fn the_audit_tells_of_the_change_without_the_owner() {
    let app = TestApp::start();
    let lead = app.lead();
    let body = with(&json!({"owner_name": "Nobody Inparticular", "owner_phone": "+00 1234"}));
    let made = lead.post(PATH, &body).expect(201);
    let path = format!("{PATH}/{}", made.id());
    lead.patch(&path, &made.etag(), &json!({"name": "Dunlin", "owner_email": "n@o.example"})).expect(200);
    let audit = app.administrator().get(&format!("/v1/audit?entity_id={}", made.id())).expect(200);
    let acts = audit.json["items"].as_array().expect("acts");
    let actions: Vec<&str> = acts.iter().filter_map(|act| act["action"].as_str()).collect();
    assert_eq!(actions, ["create_vessel", "change_vessel"]);
    assert_eq!((&acts[1]["before"]["name"], &acts[1]["after"]["name"]), (&json!("Plover"), &json!("Dunlin")));
    assert_eq!(acts[1]["person_id"], json!(app.home.people["lead"].0));
    for personal in ["Nobody Inparticular", "+00 1234", "n@o.example"] {
        assert!(!audit.text.contains(personal), "the audit holds {personal}");
    }
}

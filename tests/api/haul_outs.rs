//! /v1/haul-outs

use garboard::error::{Code, Error};
use garboard::features::haulouts::model::{HaulOutFields, HaulOutReason};
use garboard::features::haulouts::store;
use garboard::ids::{HaulOutId, Id, VesselId};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::forecast_requests::{forget, waiting};
use crate::lists::{ids, walk};
use crate::support::app::{Client, TestApp};

const PATH: &str = "/v1/haul-outs";

fn vessel(client: &Client) -> String {
    let body = json!({"name": "Plover", "form": "long_keel", "length_m": 9.0, "launched_on": "2000-05-01"});
    client.post("/v1/vessels", &body).expect(201).id()
}

fn lift(vessel_id: &str, lifted_on: &str, relaunched_on: Option<&str>) -> Value {
    json!({"vessel_id": vessel_id, "lifted_on": lifted_on, "relaunched_on": relaunched_on, "reason": "seasonal"})
}

#[test]
fn a_haul_out_opens_and_is_closed_by_the_relaunch() {
    let app = TestApp::start();
    let (lead, crew) = (app.lead(), app.crew());
    let vessel_id = vessel(&lead);
    forget(&app);
    let body = json!({"vessel_id": vessel_id, "lifted_on": "2025-11-02", "reason": "inspection", "ref": "L-1", "note": "n"});
    let made = crew.post(PATH, &body).expect(201);
    let path = format!("{PATH}/{}", made.id());
    assert_eq!(made.header("location").as_deref(), Some(path.as_str()));
    assert_eq!(made.json["relaunched_on"], Value::Null);
    assert_eq!(made.json["vessel_id"], json!(vessel_id));
    assert_eq!(app.reader().get(&path).expect(200).json, made.json);
    assert_eq!(waiting(&app), [vessel_id.clone()]);
    assert_eq!(ids(&crew, "/v1/haul-outs?open=true"), [made.id()]);

    forget(&app);
    let noted = crew.patch(&path, &made.etag(), &json!({"note": null, "ref": "L-2"})).expect(200);
    assert_eq!(noted.json["note"], Value::Null);
    assert_eq!(waiting(&app), Vec::<String>::new(), "a note bears on no date");
    let closed = crew.patch(&path, &noted.etag(), &json!({"relaunched_on": "2026-04-12"})).expect(200);
    assert_eq!(closed.json["relaunched_on"], "2026-04-12");
    assert_eq!(closed.etag(), "\"3\"");
    assert_eq!(waiting(&app), [vessel_id]);
    assert_eq!(ids(&crew, "/v1/haul-outs?open=true"), Vec::<String>::new());
    assert_eq!(ids(&crew, "/v1/haul-outs?open=false"), [made.id()]);
}

#[test]
fn a_broken_rule_is_refused_at_its_field() {
    let app = TestApp::start();
    let lead = app.lead();
    let vessel_id = vessel(&lead);
    forget(&app);
    let bad = [
        (json!({"vessel_id": "0197f2c0-0000-7000-8000-000000000000"}), "/vessel_id"),
        (json!({"vessel_id": null}), "/vessel_id"),
        (json!({"lifted_on": null}), "/lifted_on"),
        (json!({"lifted_on": "1939-12-31"}), "/lifted_on"),
        (json!({"lifted_on": "2201-01-01"}), "/lifted_on"),
        (json!({"lifted_on": "2023-02-29"}), "/lifted_on"),
        (json!({"lifted_on": "2000-04-30"}), "/lifted_on"),
        (json!({"relaunched_on": "2025-11-01"}), "/relaunched_on"),
        (json!({"relaunched_on": "+12025-11-01"}), "/relaunched_on"),
        (json!({"reason": "fun"}), "/reason"),
        (json!({"ref": ""}), "/ref"),
        (json!({"note": "x".repeat(4001)}), "/note"),
        (json!({"lifted": "2025-11-02"}), "/lifted"),
    ];
    for (more, pointer) in bad {
        let mut body = lift(&vessel_id, "2025-11-02", None);
        for (name, value) in more.as_object().expect("an object") {
            body[name] = value.clone();
        }
        lead.post(PATH, &body).expect_problem(422, "invalid", pointer);
    }
    assert_eq!(ids(&lead, PATH), Vec::<String>::new());
    assert_eq!(waiting(&app), Vec::<String>::new());
}

#[test]
fn two_of_one_vessel_share_no_day_ashore() {
    let app = TestApp::start();
    let lead = app.lead();
    let (one, two) = (vessel(&lead), vessel(&lead));
    lead.post(PATH, &lift(&one, "2020-11-02", Some("2021-04-12"))).expect(201);
    for (lifted_on, relaunched_on) in [
        ("2020-11-02", Some("2021-04-12")),
        ("2020-10-01", Some("2020-11-03")),
        ("2021-04-11", Some("2021-05-01")),
        ("2020-10-01", Some("2021-05-01")),
        ("2021-01-05", Some("2021-01-06")),
        ("2021-01-05", Some("2021-01-05")),
        ("2020-10-01", None),
    ] {
        let refused = lead.post(PATH, &lift(&one, lifted_on, relaunched_on)).expect_problem(
            409,
            "conflict",
            "/lifted_on",
        );
        let detail = refused.json["errors"][0]["detail"].as_str().expect("a detail");
        assert!(detail.contains("2020-11-02") && detail.contains("2021-04-12"), "names the other: {detail}");
    }
    // Relaunched in the morning, lifted again in the afternoon; lifted on the day of an earlier relaunch.
    lead.post(PATH, &lift(&one, "2021-04-12", Some("2021-04-12"))).expect(201);
    lead.post(PATH, &lift(&one, "2020-10-01", Some("2020-11-02"))).expect(201);
    lead.post(PATH, &lift(&one, "2021-04-12", Some("2021-04-13"))).expect_problem(
        409,
        "conflict",
        "/lifted_on",
    );
    lead.post(PATH, &lift(&two, "2020-11-02", Some("2021-04-12"))).expect(201);

    let open = lead.post(PATH, &lift(&one, "2024-11-01", None)).expect(201);
    let refused =
        lead.post(PATH, &lift(&one, "2030-11-01", None)).expect_problem(409, "conflict", "/lifted_on");
    assert!(refused.text.contains("open since 2024-11-01"), "{}", refused.text);
    let path = format!("{PATH}/{}", open.id());
    lead.patch(&path, &open.etag(), &json!({"lifted_on": "2021-04-01"})).expect_problem(
        409,
        "conflict",
        "/lifted_on",
    );
    lead.patch(&path, &open.etag(), &json!({"relaunched_on": "2025-04-01"})).expect(200);
    lead.post(PATH, &lift(&one, "2030-11-01", None)).expect(201);
}

#[test]
fn the_vessel_of_a_haul_out_is_fixed() {
    let app = TestApp::start();
    let lead = app.lead();
    let (one, two) = (vessel(&lead), vessel(&lead));
    let made = lead.post(PATH, &lift(&one, "2020-11-02", None)).expect(201);
    let path = format!("{PATH}/{}", made.id());
    let refused = lead.patch(&path, &made.etag(), &json!({"vessel_id": two})).expect_problem(
        422,
        "invalid",
        "/vessel_id",
    );
    assert_eq!(refused.json["errors"][0]["code"], "fixed");
    lead.patch(&path, &made.etag(), &json!({"vessel_id": one, "note": "n"})).expect(200);
    lead.patch(&path, "\"2\"", &json!({"relaunched_on": "2020-11-01"})).expect_problem(
        422,
        "invalid",
        "/relaunched_on",
    );
    lead.patch(&path, "\"2\"", &json!({"lifted_on": "2000-04-30"})).expect_problem(
        422,
        "invalid",
        "/lifted_on",
    );
}

#[test]
fn stale_repeated_and_foreign_requests_are_told_apart() {
    let app = TestApp::start();
    let (lead, stranger) = (app.lead(), app.stranger());
    let vessel_id = vessel(&lead);
    let mut body = lift(&vessel_id, "2020-11-02", Some("2021-04-12"));
    body["ref"] = "L-1".into();
    let made = lead.post_with_key(PATH, "tablet-1", &body).expect(201);
    assert_eq!(lead.post_with_key(PATH, "tablet-1", &body).expect(201).id(), made.id());
    let path = format!("{PATH}/{}", made.id());
    let mut own = lift(&vessel_id, "2021-11-02", Some("2022-04-12"));
    own["id"] = "0197f2c0-2222-7000-8000-000000000001".into();
    lead.post(PATH, &own).expect(201);
    lead.post(PATH, &own).expect(200);
    assert_eq!(ids(&lead, PATH).len(), 2);
    let mut same_ref = lift(&vessel_id, "2023-11-02", None);
    same_ref["ref"] = "L-1".into();
    lead.post(PATH, &same_ref).expect_problem(409, "duplicate", "/ref");

    let unconditional = lead.request("PATCH", &path).json(&json!({"note": "n"}));
    lead.send(unconditional).expect_problem(428, "version_required", "");
    lead.patch(&path, "\"7\"", &json!({"note": "n"})).expect_problem(412, "stale", "");
    stranger.get(&path).expect_problem(404, "not_found", "");
    stranger.patch(&path, "\"1\"", &json!({"note": "n"})).expect_problem(404, "not_found", "");
    stranger.post(PATH, &lift(&vessel_id, "2019-11-02", None)).expect_problem(422, "invalid", "/vessel_id");
    for client in [app.surveyor(), app.reader()] {
        client.post(PATH, &body).expect_problem(403, "forbidden", "");
        client.patch(&path, "\"1\"", &json!({"note": "n"})).expect_problem(403, "forbidden", "");
    }
    app.anonymous().get(&path).expect_problem(401, "unauthenticated", "");
}

#[test]
fn the_list_is_narrowed_paged_and_tells_what_changed_since() {
    let app = TestApp::start();
    let lead = app.lead();
    let (one, two) = (vessel(&lead), vessel(&lead));
    let recorded: Vec<String> = (2010..2015)
        .map(|year| {
            let body = lift(&one, &format!("{year}-11-02"), Some(&format!("{}-04-12", year + 1)));
            lead.post(PATH, &body).expect(201).id()
        })
        .collect();
    lead.post(PATH, &lift(&two, "2012-11-02", None)).expect(201);
    for limit in [1, 2, 5] {
        assert_eq!(walk(&lead, &format!("{PATH}?vessel_id={one}"), limit), recorded);
    }
    assert_eq!(ids(&lead, PATH).len(), 6);
    assert_eq!(ids(&lead, &format!("{PATH}?vessel_id={one}&open=true")), Vec::<String>::new());
    assert_eq!(ids(&lead, &format!("{PATH}?updated_since=2026-06-15T10:00:00Z")).len(), 6);
    assert_eq!(ids(&lead, &format!("{PATH}?updated_since=2026-06-15T10:00:01Z")), Vec::<String>::new());
    lead.get(&format!("{PATH}?open=perhaps")).expect_problem(422, "invalid", "open");
    lead.get(&format!("{PATH}?vessel=1")).expect_problem(422, "invalid", "vessel");
}

/// The rules hold in the database too, for whoever writes past the service's own checks.
#[test]
fn the_database_refuses_what_the_service_refuses() {
    let app = TestApp::start();
    let lead = app.lead();
    let vessel_id = VesselId::from(Uuid::parse_str(&vessel(&lead)).expect("a uuid"));
    let day = |text: &str| text.parse().expect("a date");
    let insert = |lifted_on: &str, relaunched_on: Option<&str>| -> Result<(), Error> {
        let fields = HaulOutFields {
            r#ref: None,
            vessel_id,
            lifted_on: day(lifted_on),
            relaunched_on: relaunched_on.map(day),
            reason: HaulOutReason::Seasonal,
            note: None,
        };
        app.db.write(&app.service(), |tx| store::insert(tx, HaulOutId::fresh(), &fields))
    };
    insert("2020-11-02", Some("2021-04-12")).expect("nothing speaks against it");
    let refusals = [
        ("2021-04-11", None, Code::Conflict, "/lifted_on"),
        ("2021-01-05", Some("2021-01-05"), Code::Conflict, "/lifted_on"),
        ("2000-04-30", Some("2000-05-02"), Code::Invalid, "/lifted_on"),
        ("2022-05-02", Some("2022-05-01"), Code::Invalid, "/relaunched_on"),
    ];
    for (lifted_on, relaunched_on, code, pointer) in refusals {
        let refused = insert(lifted_on, relaunched_on).expect_err("a refusal");
        assert_eq!(refused.code, code, "{lifted_on}: {refused:?}");
        assert_eq!(refused.fields[0].pointer, pointer, "{lifted_on}");
    }
    let kept = app.db.read(&app.service(), |tx| store::of_vessel(tx, vessel_id)).expect("readable");
    assert_eq!(kept.len(), 1);
}

#[test]
fn of_many_at_once_one_is_recorded() {
    let app = TestApp::start();
    let lead = app.lead();
    for round in 0..5 {
        let vessel_id = vessel(&lead);
        let mut statuses: Vec<u16> = std::thread::scope(|scope| {
            let senders: Vec<_> = (0..4)
                .map(|n| {
                    let (client, body) =
                        (lead.clone(), lift(&vessel_id, &format!("2020-11-0{}", n + 1), None));
                    scope.spawn(move || client.post(PATH, &body).status)
                })
                .collect();
            senders.into_iter().map(|sender| sender.join().expect("a sender")).collect()
        });
        statuses.sort_unstable();
        assert_eq!(statuses, [201, 409, 409, 409], "round {round}");
        assert_eq!(ids(&lead, &format!("{PATH}?vessel_id={vessel_id}")).len(), 1);
    }
}

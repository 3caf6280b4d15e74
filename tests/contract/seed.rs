//! Two organisations with a record of every kind, made as people make them.

use std::collections::BTreeMap;

use garboard::db::Actor;
use garboard::features::calculators::api::CALCULATORS;
use garboard::features::calibrations;
use garboard::features::calibrations::model::{Acceptance, ENSEMBLE, LearningFields};
use garboard::features::calibrations::store::NewCalibration;
use garboard::features::statistics::model::moves::Comparison;
use garboard::ids::{CalibrationId, Id, RequestId};
use garboard::science::learning::calibration::Calibration;
use garboard::science::learning::evidence::FleetEvidence;
use garboard::science::learning::pooling::LikelihoodSums;
use garboard::science::learning::prior::LearningPrior;
use serde_json::{Value, json};

use crate::support::app::{Client, PASSWORD, TestApp, TestOrganisation};
use crate::support::hulls::settle;

/// The ids of one organisation's records, by the collection in their address.
pub type Ids = BTreeMap<&'static str, String>;

/// The clients of an organisation.
struct Hands {
    lead: Client,
    surveyor: Client,
    crew: Client,
    administrator: Client,
}

/// A record of every kind in the home organisation, so that every table holds a row of it.
pub fn home(app: &TestApp) -> Ids {
    let people = Hands {
        lead: app.lead(),
        surveyor: app.surveyor(),
        crew: app.crew(),
        administrator: app.administrator(),
    };
    fill(app, &people, "home")
}

/// The same in the other organisation, by its administrator.
pub fn away(app: &TestApp) -> Ids {
    let stranger = app.stranger();
    let people = Hands {
        lead: stranger.clone(),
        surveyor: stranger.clone(),
        crew: stranger.clone(),
        administrator: stranger,
    };
    fill(app, &people, "away")
}

fn fill(app: &TestApp, people: &Hands, word: &str) -> Ids {
    let mut ids = Ids::new();
    // One with a retry key, for the row that remembers it.
    let site = people
        .lead
        .post_with_key("/v1/sites", &format!("a key of {word}"), &bodies("create_site", &ids))
        .expect(201);
    ids.insert("sites", site.id());
    let vessel = people.lead.post("/v1/vessels", &bodies("create_vessel", &ids)).expect(201);
    ids.insert("vessels", vessel.id());
    let (partner, theirs) = partner(app, word, &people.administrator);
    ids.insert("organisations", partner);
    let granted = people.administrator.post("/v1/grants", &bodies("create_grant", &ids)).expect(201);
    ids.insert("grants", granted.id());
    // Another one on offer, so that the vessel stays.
    let second = json!({"name": "On offer", "form": "motor", "length_m": 7.0});
    let second = people.lead.post("/v1/vessels", &second).expect(201).id();
    let offer = format!("/v1/vessels/{second}/transfers");
    let offered = people.administrator.post(&offer, &bodies("offer_vessel", &ids)).expect(201);
    ids.insert("transfers", offered.id());
    assert_eq!(theirs.get(&format!("/v1/transfers/{}", offered.id())).expect(200).json["state"], "offered");
    let product = people.lead.post("/v1/products", &bodies("create_product", &ids)).expect(201);
    ids.insert("products", product.id());
    // Before what is told of: a delivery waits for it.
    let subscription =
        people.administrator.post("/v1/subscriptions", &bodies("create_subscription", &ids)).expect(201);
    ids.insert("subscriptions", subscription.id());
    for (client, collection, operation) in [
        (&people.crew, "haul-outs", "create_haul_out"),
        (&people.surveyor, "stations", "create_station"),
        (&people.surveyor, "surveys", "create_survey"),
        (&people.surveyor, "readings", "create_reading"),
        (&people.surveyor, "findings", "create_finding"),
        (&people.crew, "coats", "create_coat"),
        (&people.crew, "treatments", "create_treatment"),
    ] {
        let made = client.post(&format!("/v1/{collection}"), &bodies(operation, &ids)).expect(201);
        ids.insert(collection, made.id());
    }
    let film = format!("/v1/coats/{}/films", ids["coats"]);
    ids.insert("films", people.crew.post(&film, &bodies("create_film", &ids)).expect(201).id());
    let climate = format!("/v1/haul-outs/{}/climate-values", ids["haul-outs"]);
    people.crew.post(&climate, &bodies("append_climate_values", &ids)).expect(200);
    ids.insert("treatments", closed_treatment(people, &ids));
    ids.insert("attachments", attachments(people, &ids));
    let mut evidence = bodies("create_survey", &ids);
    evidence["bottom_examined"] = json!("whole");
    evidence["blistering"] = json!("none");
    let draft = people.surveyor.post("/v1/surveys", &evidence).expect(201);
    let signature = format!("/v1/surveys/{}/signature", draft.id());
    let request = people.surveyor.request("POST", &signature).header("If-Match", draft.etag());
    people.surveyor.send(request).expect(200);
    let error = people.surveyor.post("/v1/surveys", &bodies("create_survey", &ids)).expect(201);
    let withdrawal = format!("/v1/surveys/{}/withdrawal", error.id());
    people.surveyor.post_if_match(&withdrawal, &error.etag(), &bodies("withdraw_survey", &ids)).expect(200);
    let limits = json!({"inspection_max_months": 18});
    people.lead.patch("/v1/policy", "\"0\"", &limits).expect(200);
    people.lead.patch(&format!("/v1/vessels/{}/policy", ids["vessels"]), "\"0\"", &limits).expect(200);
    settle(app);
    let members = people.administrator.get("/v1/members").expect(200);
    let person = &members.json["items"][0];
    ids.insert("members", person["person_id"].as_str().expect("a person").to_owned());
    let invited =
        people.administrator.post("/v1/invitations", &bodies("create_invitation", &ids)).expect(201);
    ids.insert("invitations", invited.id());
    let program = people.administrator.post("/v1/programs", &bodies("create_program", &ids)).expect(201);
    ids.insert("programs", program.id());
    let session = json!({"email": person["email"], "password": PASSWORD});
    app.anonymous().post("/v1/sign-in", &session).expect(200);
    // A job that waits.
    let change = json!({"note": "a change that bears on dates", "bilge": "wet"});
    people.lead.patch(&format!("/v1/vessels/{}", ids["vessels"]), "\"1\"", &change).expect(200);
    let deliveries = people
        .administrator
        .get(&format!("/v1/subscriptions/{}/deliveries", ids["subscriptions"]))
        .expect(200);
    ids.insert("deliveries", deliveries.json["items"][0]["id"].as_str().expect("one waits").to_owned());
    let jobs = people.administrator.get("/v1/jobs").expect(200);
    ids.insert("jobs", jobs.json["items"][0]["id"].as_str().expect("one waits").to_owned());
    let feed =
        people.administrator.post("/v1/me/calendar-feeds", &bodies("create_calendar_feed", &ids)).expect(201);
    let calendar = feed.json["address"].as_str().expect("an address");
    ids.insert("calendars", calendar.trim_start_matches("/v1/calendars/").to_owned());
    ids.insert("calendar-feeds", feed.id());
    people.administrator.patch("/v1/me/digest", "\"0\"", &bodies("change_digest", &ids)).expect(200);
    let letter = kept_by_the_worker(app, people, &ids);
    ids.insert("digest-endings", letter);
    ids.insert("calibrations", calibration(app, people));
    ids
}

/// Rows that only the workers write, as they write them; the address that ends a letter.
fn kept_by_the_worker(app: &TestApp, people: &Hands, ids: &Ids) -> String {
    let me = people.administrator.get("/v1/organisation").expect(200);
    let org_id = me.json["org_id"].as_str().expect("an id");
    let mut superuser = super::sql::connect(&app.database.superuser_url());
    for statement in [
        format!(
            "INSERT INTO delivery_attempts (org_id, delivery_id, sequence, attempted_at, outcome)
             VALUES ('{org_id}', '{}', 1, now(), 'a seed')",
            ids["deliveries"]
        ),
        format!(
            "INSERT INTO told_drying (org_id, treatment_id, status) VALUES ('{org_id}', '{}', 'drying')",
            ids["treatments"]
        ),
        format!(
            "INSERT INTO schedules (org_id, kind, subject_id, local_time, time_zone, next_at)
             VALUES ('{org_id}', 'audit_head', '{org_id}', '00:00', 'UTC', '2100-01-01T00:00:00Z')"
        ),
        format!(
            "INSERT INTO digest_letters (org_id, id, person_id, job_id, secret_sha256, sent_at)
             SELECT org_id, org_id, person_id, org_id, sha256('a-seed'), '2026-06-15T10:00:00Z'
             FROM digests WHERE org_id = '{org_id}'"
        ),
        format!(
            "INSERT INTO due_ended (org_id, id, kind, due_on, ended_at)
             VALUES ('{org_id}', '{org_id}', 'inspection', '2026-06-01', '2026-06-15T10:00:00Z')"
        ),
    ] {
        super::sql::run(&mut superuser, &statement)
            .unwrap_or_else(|error| unreachable!("{error}: {statement}"));
    }
    format!("{org_id}.{org_id}.a-seed")
}

/// A calibration as the worker keeps it, chosen, with its preview, the settings of learning and the sums given.
fn calibration(app: &TestApp, people: &Hands) -> String {
    let me = people.administrator.get("/v1/organisation").expect(200);
    let org_id: uuid::Uuid = me.json["org_id"].as_str().and_then(|id| id.parse().ok()).expect("an id");
    let prior = LearningPrior::of(&ENSEMBLE.priors);
    let fleet = FleetEvidence::read(&[], &ENSEMBLE);
    let calibration =
        Calibration::learn(&fleet, &ENSEMBLE, &prior).expect("the prior is the fit of no lives");
    let id = CalibrationId::fresh();
    let sums = LikelihoodSums { precision: Vec::new(), shift: Vec::new(), hulls: 0, events: 0 };
    let moves = Comparison::default().moves(app.db.clock().now().date_naive());
    let kept = app.db.write(&Actor::service(org_id.into(), RequestId::fresh()), |tx| {
        let new = NewCalibration { id, calibration, skins: Vec::new(), peers: 0, inputs_sha256: vec![0; 32] };
        calibrations::store::insert(tx, &new)?;
        let preview = serde_json::to_value(&moves).expect("plain numbers");
        calibrations::store::save_preview(tx, id, None, &preview)?;
        calibrations::store::choose(tx, Some(id), None)?;
        calibrations::store::give(tx, &sums)?;
        let by_person = LearningFields { acceptance: Acceptance::ByPerson, pooled: true };
        calibrations::store::write_settings(tx, by_person, 0)
    });
    kept.expect("the service keeps it");
    id.to_string()
}

/// A picture of one pixel.
pub fn picture() -> Vec<u8> {
    let mut bytes = std::io::Cursor::new(Vec::new());
    image::RgbImage::new(1, 1).write_to(&mut bytes, image::ImageFormat::Png).expect("a pixel can be encoded");
    bytes.into_inner()
}

/// Two attachments, one of them erased; the id of the other.
fn attachments(people: &Hands, ids: &Ids) -> String {
    let upload = |caption: &str| {
        let path = format!(
            "/v1/attachments?vessel_id={}&survey_id={}&finding_id={}&station_id={}&coat_id={}&treatment_id={}&caption={caption}",
            ids["vessels"], ids["surveys"], ids["findings"], ids["stations"], ids["coats"], ids["treatments"]
        );
        let request = people.surveyor.request("POST", &path).header("Content-Type", "image/png");
        people.surveyor.send(request.body(picture())).expect(201).id()
    };
    let erased = upload("erased");
    let reason = bodies("erase_attachment", ids);
    people.administrator.post(&format!("/v1/attachments/{erased}/erasure"), &reason).expect(200);
    upload("kept")
}

/// A third organisation, which granted a vessel of its own to this one; its id and its administrator.
fn partner(app: &TestApp, word: &str, own: &Client) -> (String, Client) {
    let organisation = TestOrganisation::create(&app.db, &format!("partner-of-{word}"));
    let client = app.signed(&organisation, "administrator");
    let vessel = json!({"name": "Of the partner", "form": "motor", "length_m": 8.0});
    let vessel_id = client.post("/v1/vessels", &vessel).expect(201).id();
    let grantee = own.get("/v1/organisation").expect(200).json["org_id"].clone();
    let grant = json!({"vessel_id": vessel_id, "grantee_org_id": grantee, "scope": "read"});
    client.post("/v1/grants", &grant).expect(201);
    (organisation.org_id.to_string(), client)
}

/// A treatment that was planned, done over its holds, and closed.
fn closed_treatment(people: &Hands, ids: &Ids) -> String {
    let plan = format!("/v1/haul-outs/{}/treatments", ids["haul-outs"]);
    let planned = people.crew.post(&plan, &bodies("plan_treatment", ids)).expect(201);
    let at = |what: &str| format!("/v1/treatments/{}/{what}", planned.id());
    people.surveyor.post(&at("decisions"), &bodies("enter_decision", ids)).expect(201);
    for step in ["abrade", "barrier"] {
        let mut decision = bodies("enter_decision", ids);
        for (name, value) in [
            ("kind", "override"),
            ("zone", "bottom"),
            ("step", "barrier"),
            ("hold", "coats_missing"),
            ("note", "a seed"),
        ] {
            decision[name] = json!(value);
        }
        if step == "barrier" {
            people.surveyor.post(&at("decisions"), &decision).expect(201);
        }
        let done = json!({"kind": "step_done", "zone": "bottom", "step": step, "happened_at": "2026-04-05T10:00:00Z"});
        people.crew.post(&at("entries"), &done).expect(201);
    }
    people.crew.post(&at("closing"), &bodies("close_treatment", ids)).expect(200);
    planned.id()
}

/// A body that is right for a writing operation, about these records.
///
/// An operation that is not here is not covered: add it.
pub fn bodies(operation: &str, ids: &Ids) -> Value {
    let id = |collection: &str| json!(ids.get(collection));
    match operation {
        "create_site" => json!({"name": "A basin", "time_zone": "UTC", "climate": "temperate_sea"}),
        "create_product" => json!({"name": "An invented antifouling", "role": "antifouling"}),
        "create_vessel" => {
            json!({"name": "A hull", "form": "fin_keel", "length_m": 10.0, "launched_on": "2010-05-01",
            "site_id": id("sites"), "zones": [{"zone": "bottom", "cored": true}]})
        }
        "create_haul_out" => {
            json!({"vessel_id": id("vessels"), "lifted_on": "2026-04-01", "relaunched_on": "2026-04-20", "reason": "inspection"})
        }
        "create_station" => {
            json!({"vessel_id": id("vessels"), "code": "P1", "hull": "centre", "side": "port", "zone": "bottom"})
        }
        "create_survey" => {
            json!({"vessel_id": id("vessels"), "haul_out_id": id("haul-outs"), "surveyed_on": "2026-04-02", "meter_scale": "relative"})
        }
        "create_reading" => {
            json!({"survey_id": id("surveys"), "station_id": id("stations"), "scale": "relative", "value": 12.0})
        }
        "append_readings" => {
            json!({"items": [{"station_id": id("stations"), "scale": "relative", "value": 12.0}]})
        }
        "create_finding" => {
            json!({"vessel_id": id("vessels"), "kind": "impact_damage", "found_on": "2026-04-02", "zone": "bottom"})
        }
        "create_coat" => {
            json!({"vessel_id": id("vessels"), "role": "antifouling", "zone": "bottom", "applied_on": "2026-04-10",
            "product_id": id("products")})
        }
        "create_film" => {
            json!({"method": "ultrasonic", "rule": "iso-19840", "nominal_um": 100, "readings_um": [110, 105, 120],
            "measured_at": "2026-04-11T10:00:00Z"})
        }
        "append_climate_values" => {
            json!({"items": [{"measured_at": "2026-04-05T10:00:00Z", "source": "hand", "air_temperature_c": 15,
            "relative_humidity_pct": 60, "surface_temperature_c": 14}]})
        }
        "calculate_coating_windows" => {
            json!({"limits": {}, "application_h": 1, "cure_h": 2, "forecast": [{"at": "2026-04-05T10:00:00Z",
            "air_temperature_c": 15, "relative_humidity_pct": 60, "surface_temperature_c": 14}]})
        }
        "calculate_what_if" => json!({"bilge": "dry"}),
        "create_treatment" => {
            json!({"vessel_id": id("vessels"), "kind": "preventive", "started_on": "2026-04-05", "completed_on": "2026-04-12"})
        }
        "accept_priors" | "accept_calibration" => json!({"note": "a seed"}),
        "create_grant" => {
            json!({"vessel_id": id("vessels"), "grantee_org_id": id("organisations"), "scope": "read"})
        }
        "offer_vessel" => json!({"to_org_id": id("organisations")}),
        "create_invitation" => json!({"email": "newcomer@elsewhere.example", "role": "reader"}),
        "create_program" => json!({"name": "A program", "scopes": ["read"]}),
        "create_subscription" => json!({"name": "A program", "url": "https://hooks.example/"}),
        "replay_subscription" => json!({"from": "2026-01-01T00:00:00Z", "until": "2027-01-01T00:00:00Z"}),
        "rotate_secret" | "rotate_subscription_secret" => json!({"overlap_h": 1}),
        "withdraw_invitation" | "accept_transfer" => json!({}),
        "request_second_factor" | "remove_second_factor" => json!({"password": PASSWORD}),
        "confirm_second_factor" => json!({"code": "000000"}),
        "plan_treatment" => {
            json!({"kind": "preventive", "steps": [{"step": "abrade"}, {"step": "barrier", "coats": 1}]})
        }
        "enter_decision" => {
            json!({"kind": "acceptance", "happened_at": "2026-04-04T10:00:00Z", "person_name": "A surveyor", "qualification": "Hull surveyor"})
        }
        "enter_work" => json!({"kind": "wash", "happened_at": "2026-04-05T10:00:00Z"}),
        "record_treatment_coat" => bodies("create_coat", ids),
        "close_treatment" => json!({"launch_at": "2026-04-19T10:00:00Z", "person_name": "A yard lead"}),
        "create_batch" => json!({"items": [{"kind": "coat", "body": bodies("create_coat", ids)}]}),
        "correct_survey" | "withdraw_survey" => json!({"reason": "a slip of the pen"}),
        "create_calendar_feed" => json!({"name": "A calendar", "site_id": id("sites")}),
        "erase_attachment" => json!({"reason": "a person is to be seen"}),
        change if change.starts_with("change_") => changes(change),
        calculator if calculator.starts_with("calculate_") => {
            let name = calculator.trim_start_matches("calculate_").replace('_', "-");
            let example = CALCULATORS.iter().find(|c| c.name == name).map(|c| c.example);
            serde_json::from_str(example.expect("a calculator of the list")).expect("the example is JSON")
        }
        _ => unreachable!("{operation} has no body in tests/contract/seed.rs: add one"),
    }
}

/// A body that is right for an operation that changes what is.
fn changes(operation: &str) -> Value {
    match operation {
        "change_organisation"
        | "change_calendar_feed"
        | "change_program"
        | "change_subscription"
        | "change_site"
        | "change_vessel"
        | "change_product" => {
            json!({"name": "Another name"})
        }
        "change_haul_out"
        | "change_survey"
        | "change_reading"
        | "change_finding"
        | "change_coat"
        | "change_treatment"
        | "change_treatment_plan"
        | "change_grant" => json!({"note": "Another note"}),
        "change_learning" => json!({"acceptance": "by_person"}),
        "change_digest" => json!({"wanted": true}),
        "change_attachment" => json!({"caption": "Another caption"}),
        "change_station" => json!({"code": "P2"}),
        "change_member" => json!({"role": "reader"}),
        "change_policy" | "change_vessel_policy" => json!({"inspection_max_months": 12}),
        "change_password" => json!({"password": PASSWORD, "new_password": PASSWORD}),
        _ => unreachable!("{operation} has no body in tests/contract/seed.rs: add one"),
    }
}

//! Which forecasts wait to be computed: what a change asked for, seen in the queue.

use diesel::prelude::*;
use garboard::db::schema::jobs;
use uuid::Uuid;

use serde_json::json;

use crate::recording::Scene;
use crate::support::app::TestApp;
use crate::support::hulls::vessel;

fn connection(app: &TestApp) -> PgConnection {
    PgConnection::establish(&app.database.superuser_url()).expect("the test's database")
}

/// The vessels whose forecasts wait, in the order of their ids.
pub fn waiting(app: &TestApp) -> Vec<String> {
    let ids: Vec<Uuid> = jobs::table
        .filter(jobs::kind.eq("forecast").and(jobs::state.eq("queued")))
        .order(jobs::subject_id)
        .select(jobs::subject_id)
        .load(&mut connection(app))
        .expect("the queue can be read");
    ids.iter().map(ToString::to_string).collect()
}

/// Empties the queue, as if everything had been computed.
pub fn forget(app: &TestApp) {
    diesel::delete(jobs::table).execute(&mut connection(app)).expect("the queue can be emptied");
}

/// The water of a laminate dries in the air of the haul-out in which it was treated: what a logger brings later counts.
#[test]
fn air_logged_in_a_haul_out_asks_once() {
    let scene = Scene::set();
    let (lead, crew) = (scene.app.lead(), scene.app.crew());
    let path = format!("/v1/haul-outs/{}/climate-values", scene.haul_out);
    let send = |day: u32, humidity: f64| {
        let value = json!({"measured_at": format!("2026-04-{day:02}T10:00:00Z"), "source": "hand",
            "air_temperature_c": 15, "relative_humidity_pct": humidity});
        crew.post(&path, &json!({ "items": [value] })).expect(200);
    };
    let mut treatment = scene.treatment();
    treatment["haul_out_id"] = json!(scene.haul_out);
    lead.post("/v1/treatments", &treatment).expect(201);
    forget(&scene.app);
    send(4, 60.0);
    assert_eq!(waiting(&scene.app), std::slice::from_ref(&scene.vessel));
    forget(&scene.app);
    send(4, 60.0);
    assert_eq!(waiting(&scene.app), Vec::<String>::new(), "sent before");
    let file = "time,air_temperature_c,relative_humidity_pct\n2026-04-05T10:00:00Z,15,61\n";
    let request = crew.request("POST", &format!("{path}/file")).header("Content-Type", "text/csv");
    crew.send(request.body(file)).expect(200);
    assert_eq!(waiting(&scene.app), std::slice::from_ref(&scene.vessel));
}

#[test]
fn another_time_zone_asks_for_those_whose_today_it_is() {
    let app = TestApp::start();
    let lead = app.lead();
    let site = json!({"name": "A basin", "time_zone": "UTC", "climate": "temperate_sea"});
    let site = lead.post("/v1/sites", &site).expect(201);
    let there = vessel(&lead, "There", json!({"site_id": site.id()})).id();
    let nowhere = vessel(&lead, "Nowhere", json!({})).id();
    forget(&app);
    let path = format!("/v1/sites/{}", site.id());
    let moved = lead.patch(&path, &site.etag(), &json!({"time_zone": "Pacific/Auckland"})).expect(200);
    assert_eq!(waiting(&app), [there]);
    forget(&app);
    lead.patch(&path, &moved.etag(), &json!({"name": "The basin"})).expect(200);
    assert_eq!(waiting(&app), Vec::<String>::new());
    app.administrator()
        .patch("/v1/organisation", "\"1\"", &json!({"time_zone": "Europe/Berlin"}))
        .expect(200);
    assert!(waiting(&app).contains(&nowhere));
}

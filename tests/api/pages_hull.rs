//! The pages of the hulls, as a signed-in browser asks for them.

use serde_json::{Value, json};

use crate::recording::Scene;
use crate::support::app::TestApp;
use crate::support::hulls::{settle, vessel};
use crate::support::visitor::Visitor;

/// A member of the home organisation, signed in.
fn member(app: &TestApp, word: &str) -> Visitor {
    Visitor::signed_in(app, &app.home.people[word].2)
}

/// A hull that was read twice, and in which something was found and something repaired.
fn read_twice() -> (Scene, Vec<String>) {
    let scene = Scene::set();
    let (lead, surveyor) = (scene.app.lead(), scene.app.surveyor());
    let mut surveys = Vec::new();
    for (on, value) in [("2026-04-03", 11.0), ("2026-04-10", 17.0)] {
        let mut body = scene.survey();
        body["surveyed_on"] = on.into();
        body["bottom_examined"] = "whole".into();
        body["blistering"] = "none".into();
        let draft = surveyor.post("/v1/surveys", &body).expect(201);
        surveyor.post("/v1/readings", &scene.reading(&draft.id(), 1, value)).expect(201);
        let path = format!("/v1/surveys/{}/signature", draft.id());
        surveyor.post_if_match(&path, &draft.etag(), &json!({})).expect(200);
        surveys.push(draft.id());
    }
    for (kind, found_on, fields) in [
        (
            "crack",
            "2026-04-02",
            json!({"side": "port", "x_m": 3.0, "girth_m": 0.5, "note": "</title><script>"}),
        ),
        ("impact_damage", "2026-04-08", json!({"state": "repaired", "repaired_on": "2026-04-09"})),
    ] {
        let mut body = json!({"vessel_id": scene.vessel, "kind": kind, "state": "open", "found_on": found_on, "zone": "bottom"});
        if let (Value::Object(body), Value::Object(fields)) = (&mut body, fields) {
            body.extend(fields);
        }
        lead.post("/v1/findings", &body).expect(201);
    }
    lead.post("/v1/coats", &scene.coat()).expect(201);
    settle(&scene.app);
    (scene, surveys)
}

#[test]
fn the_page_of_a_hull_tells_its_dates_life_bottom_water_and_risk() {
    let (scene, surveys) = read_twice();
    let mut visitor = member(&scene.app, "reader");
    let path = format!("/vessels/{}", scene.vessel);
    let page = visitor.get(&path).expect(200);
    let policy = page.header("content-security-policy").expect("a policy");
    assert!(policy.contains("default-src 'none'") && !policy.contains("unsafe-inline"), "{policy}");
    let page = page.text;
    assert!(
        page.matches("<script").count() == page.matches("<script src=\"/files/").count()
            && !page.contains(" style=")
            && !page.contains("<style"),
        "no style or script within"
    );
    // What the endpoint tells is what the page tells.
    let forecast = scene.app.reader().get(&format!("/v1/vessels/{}/forecast", scene.vessel)).expect(200).json;
    let dates = forecast["dates"].as_array().expect("dates");
    assert!(dates.len() >= 2, "{forecast}");
    for date in dates {
        let reason = date["reason"].as_str().expect("a reason").replace('\'', "&#39;");
        assert!(page.contains(&reason), "{reason}");
    }
    for drawing in
        ["life-wide-t", "life-narrow-t", "risk-wide-t", "risk-narrow-t", "water-wide-t", "water-narrow-t"]
    {
        assert_eq!(page.matches(&format!("id=\"{drawing}\"")).count(), 1, "{drawing}");
    }
    // Tables behind the drawings: a lift, the coat, the reading of the latest survey with that of the one before.
    for text in ["Lifted: inspection", "Coated: barrier on the bottom", "<td>17 (relative)</td><td>11</td>"] {
        assert!(page.contains(text), "{text}");
    }
    assert!(
        page.contains("Crack on the bottom, port, 3\u{a0}m aft, 0.5\u{a0}m up: found 2 Apr 2026, open"),
        "{page}"
    );
    assert!(page.contains("repaired 9 Apr 2026"));
    assert_eq!(page.matches("<svg class=\"map\"").count(), 2, "one for wide pages, one for narrow ones");
    assert!(page.len() < 150_000, "{} bytes", page.len());

    // An earlier survey shows what was read and known then.
    let earlier = visitor.get(&format!("{path}?survey_id={}", surveys[0])).expect(200).text;
    assert!(
        earlier.contains("<td>11 (relative)</td><td></td>") && !earlier.contains("Impact damage on"),
        "{earlier}"
    );
    visitor.get(&format!("{path}?survey_id={}", scene.vessel)).expect(404);
    visitor.get(&format!("{path}?colour=red")).expect(422);
}

#[test]
fn a_what_if_shows_the_dates_of_the_endpoint_and_keeps_nothing() {
    let app = TestApp::start();
    let fields = json!({"launched_on": "2021-05-01", "bilge": "wet", "laminate_class": "isophthalic"});
    let id = vessel(&app.lead(), "Wet", fields).id();
    settle(&app);
    let mut visitor = member(&app, "reader");
    let (path, page) = (format!("/vessels/{id}/what-if"), format!("/vessels/{id}"));
    let answer =
        visitor.post(&path, &[("bilge", "dry"), ("barrier_um", "300"), ("ashore", ""), ("site_id", "")]);
    let shown = answer.expect(200).text;
    let asked = json!({"bilge": "dry", "barrier": {"dry_film_um": 300.0}});
    let told = app.reader().post(&format!("/v1/vessels/{id}/what-if"), &asked).expect(200).json;
    let mut moved = 0;
    for difference in told["differences"].as_array().expect("differences") {
        let Some(after) = difference["after_on"].as_str() else { continue };
        let after: chrono::NaiveDate = after.parse().expect("a date");
        assert!(shown.contains(&format!("<strong>{}</strong>", after.format("%-d %b %Y"))), "{difference}");
        moved += i32::from(difference["later_days"] != 0);
    }
    assert!(moved > 0, "{told}");
    assert!(shown.contains("class=\"curve other\""), "the risk if so is drawn");
    assert!(
        shown.contains("value=\"300\"") && shown.contains("<option value=\"dry\" selected>"),
        "what was asked stands"
    );
    let kept = visitor.get(&page).expect(200).text;
    assert!(!kept.contains("class=\"curve other\"") && !kept.contains("class=\"answer\""), "nothing is kept");

    for fields in [&[][..], &[("barrier_um", "thick")], &[("barrier_um", "0")], &[("barrier_um", "99999")]] {
        let refused = visitor.post(&path, fields).expect(422).text;
        assert!(refused.contains("role=\"alert\""), "{fields:?}");
    }
    let elsewhere =
        app.stranger().post("/v1/sites", &json!({"name": "B", "time_zone": "UTC", "climate": "warm_sea"}));
    let refused = visitor.post(&path, &[("site_id", &elsewhere.expect(201).id())]).expect(422).text;
    assert!(refused.contains("is not a site of your organisation"), "{refused}");
    visitor.post_bare(&path, &[("form", ""), ("bilge", "dry")]).expect(403);
    visitor.post(&path, &[("bilge", "flooded")]).expect(422);
}

#[test]
fn vessels_are_listed_by_name_and_found_by_what_people_know_of_them() {
    let app = TestApp::start();
    let lead = app.lead();
    for n in 0..62 {
        vessel(&lead, &format!("Hull {n:02}"), json!({}));
    }
    let odd = json!({"owner_name": "A. Owner", "berth": "C 17", "ref": "R-1", "launched_on": "2015-05-01"});
    let id = vessel(&lead, "Last <b>one</b>", odd).id();
    vessel(&lead, "Gone", json!({"retired_on": "2020-01-01"}));
    vessel(&app.stranger(), "Hull of others", json!({}));
    settle(&app);
    let mut visitor = member(&app, "crew");
    let first = visitor.get("/vessels").expect(200).text;
    assert!(
        first.contains("Hull 00") && first.contains("Hull 59") && !first.contains("Hull 60"),
        "sixty a page"
    );
    assert!(!first.contains("Gone") && !first.contains("others"));
    let (_, next) = first.split_once("rel=\"next\" href=\"").expect("more follow");
    let next = next.split('"').next().expect("an address").replace("&amp;", "&").replace("&#38;", "&");
    let second = visitor.get(&next).expect(200).text;
    assert!(second.contains("Hull 60") && second.contains("Hull 61") && !second.contains("Hull 59"));
    assert!(second.contains("Last &#60;b&#62;one") && !second.contains("rel=\"next\""), "{second}");
    for text in ["last", "owner", "c 17", "r-1"] {
        let found = visitor.get(&format!("/vessels?text={}", text.replace(' ', "+"))).expect(200).text;
        assert_eq!(found.matches("<a class=\"vessel\"").count(), 1, "{text}");
        assert!(found.contains(&format!("/vessels/{id}\"")) && found.contains("Inspection, "), "{text}");
    }
    let none = visitor.get("/vessels?text=%25").expect(200).text;
    assert_eq!(none.matches("<a class=\"vessel\"").count(), 0, "a sign of patterns stands for itself");
    let due = visitor.get("/due").expect(200).text;
    assert!(due.contains(&format!("href=\"/vessels/{id}\"")), "the due list leads to the hull");
}

#[test]
fn hulls_of_others_and_hulls_without_facts() {
    let app = TestApp::start();
    let theirs = vessel(&app.stranger(), "Theirs", json!({})).id();
    let bare = vessel(&app.lead(), "Bare", json!({})).id();
    let mut visitor = member(&app, "reader");
    for path in ["", "/dossier"] {
        visitor.get(&format!("/vessels/{theirs}{path}")).expect(404);
    }
    visitor.post(&format!("/vessels/{theirs}/what-if"), &[("bilge", "dry")]).expect(404);
    let page = visitor.get(&format!("/vessels/{bare}")).expect(200).text;
    assert!(page.contains("No date has been computed yet"), "before the worker came by");
    settle(&app);
    let page = visitor.get(&format!("/vessels/{bare}")).expect(200).text;
    assert!(page.contains("Enter the day of the launch or the year built"), "{page}");
    assert!(page.contains("No readings yet"));
    let asked = visitor.post(&format!("/vessels/{bare}/what-if"), &[("bilge", "dry")]).expect(200);
    assert!(asked.text.contains("does not move"));
    let dossier = visitor.get(&format!("/vessels/{bare}/dossier")).expect(200);
    assert!(dossier.header("content-type").is_some_and(|kind| kind.starts_with("text/html")));
    assert!(dossier.text.contains("does not say that the hull is sound"));
    let anonymous = app.anonymous().get(&format!("/vessels/{bare}")).expect(303);
    assert!(anonymous.header("location").is_some_and(|place| place.starts_with("/sign-in?next=")));
    assert_eq!(app.reader().get(&format!("/vessels/{bare}")).status, 303, "a token is no cookie");
}

/// A survey that goes on for weeks of drying: each station as it was read last, and on which days.
#[test]
fn the_bottom_map_of_a_drying_survey_shows_the_last_readings() {
    let scene = Scene::set();
    let surveyor = scene.app.surveyor();
    let other = json!({"vessel_id": scene.vessel, "code": "S02", "hull": "centre", "side": "starboard", "zone": "bottom", "x_m": 2.0, "girth_m": 0.6});
    let other = surveyor.post("/v1/stations", &other).expect(201).id();
    let survey = scene.draft().id();
    for (station, sequence, value, at) in [
        (&scene.station, 1, 24.0, "2026-04-03T09:00:00Z"),
        (&scene.station, 2, 18.0, "2026-04-10T09:00:00Z"),
        (&scene.station, 3, 13.0, "2026-04-17T09:00:00Z"),
        (&scene.station, 4, 14.0, "2026-04-17T09:05:00Z"),
        (&other, 1, 22.0, "2026-04-03T09:00:00Z"),
        (&other, 2, 16.0, "2026-04-10T09:30:00Z"),
    ] {
        let body = json!({"survey_id": survey, "station_id": station, "sequence": sequence, "value": value, "taken_at": at});
        surveyor.post("/v1/readings", &body).expect(201);
    }
    let mut visitor = Visitor::signed_in(&scene.app, &scene.app.home.people["reader"].2);
    let page = visitor.get(&format!("/vessels/{}", scene.vessel)).expect(200).text;
    assert!(
        page.contains("Readings of 3 Apr 2026, a draft nobody signed, each station as last read, 10 Apr 2026 to 17 Apr 2026:"),
        "{page}"
    );
    // The mean of the last round of the one, the last of the other.
    for told in ["<td>13.5 (relative)</td>", "<td>16 (relative)</td>"] {
        assert!(page.contains(told), "{told}: {page}");
    }
    let dossier = scene.app.reader().get(&format!("/v1/vessels/{}/dossier", scene.vessel)).expect(200).json;
    let values = dossier["surveys"][0]["values"].as_array().expect("values");
    let told: Vec<_> = values.iter().map(|it| (&it["value"], &it["count"], &it["last_taken_at"])).collect();
    assert_eq!(
        told,
        [
            (&json!(13.5), &json!(2), &json!("2026-04-17T09:05:00Z")),
            (&json!(16.0), &json!(1), &json!("2026-04-10T09:30:00Z"))
        ]
    );
    let printed = visitor.get(&format!("/vessels/{}/dossier", scene.vessel)).expect(200).text;
    assert!(printed.contains("read there last, read until 2026-04-17"), "{printed}");
}

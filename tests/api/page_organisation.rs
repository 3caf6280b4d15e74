//! The pages of the organisation, through their forms.

use serde_json::json;

use crate::support::app::TestApp;
use crate::support::hulls::settle;
use crate::support::visitor::Visitor;

fn administrator(app: &TestApp) -> Visitor {
    Visitor::signed_in(app, &app.home.people["administrator"].2)
}

#[test]
fn people_are_invited_moved_and_taken_out() {
    let app = TestApp::start();
    let mut visitor = administrator(&app);
    let page = visitor.get("/members").expect(200);
    for word in ["administrator", "lead", "surveyor", "crew", "reader"] {
        assert!(page.text.contains(&app.home.people[word].2), "{word}");
    }
    let crew = format!("/members/{}", app.home.people["crew"].0);
    visitor.post(&crew, &[("version", "1"), ("role", "surveyor")]).expect(303);
    let api = app.administrator().get(&format!("/v1/members/{}", app.home.people["crew"].0)).expect(200);
    assert_eq!(api.json["role"], "surveyor");
    let stale = visitor.post(&crew, &[("version", "1"), ("role", "lead")]).expect(412);
    assert!(stale.text.contains("at version 2"), "{}", stale.text);
    visitor.post(&crew, &[("version", "2"), ("ended", "yes")]).expect(303);
    assert!(!visitor.get("/members").expect(200).text.contains(&app.home.people["crew"].2));
    let own = format!("/members/{}", app.home.people["administrator"].0);
    let last = visitor.post(&own, &[("version", "1"), ("ended", "yes")]).expect(422);
    assert!(last.text.contains("without an administrator"), "{}", last.text);

    let bad = visitor.post("/invitations", &[("email", "nobody"), ("role", "reader")]).expect(422);
    assert!(bad.text.contains("is not an e-mail address"), "{}", bad.text);
    visitor.post("/invitations", &[("email", "new@elsewhere.example"), ("role", "reader")]).expect(303);
    assert!(app.token_for("new@elsewhere.example").len() > 60);
    let page = visitor.get("/members?saved=1").expect(200);
    assert!(page.text.contains("new@elsewhere.example") && page.text.contains("Saved."));
    let open = app.administrator().get("/v1/invitations").expect(200);
    let id = open.json["items"][0]["id"].as_str().expect("an invitation").to_owned();
    visitor.post(&format!("/invitations/{id}/withdrawal"), &[]).expect(303);
    assert!(!visitor.get("/members").expect(200).text.contains("new@elsewhere.example"));
}

#[test]
fn a_program_is_made_with_a_secret_that_works_and_ended() {
    let app = TestApp::start();
    let mut visitor = administrator(&app);
    let none = visitor.post("/programs", &[("name", "A program")]).expect(422);
    assert!(none.text.contains("scopes"), "{}", none.text);
    let made = visitor
        .post("/programs", &[("name", "A <b>program</b>"), ("scopes", "read"), ("scopes", "set_policy")])
        .expect(200);
    assert!(!made.text.contains("<b>program"), "names are text");
    let secret = made.text.split("id=\"client-secret\">").nth(1).and_then(|rest| rest.split('<').next());
    let programs = app.administrator().get("/v1/programs").expect(200);
    let program = &programs.json["items"][0];
    assert_eq!(program["scopes"], json!(["read", "set_policy"]));
    let client = app.anonymous();
    let token = client.send(client.request("POST", "/oauth/token").form(&[
        ("grant_type", "client_credentials"),
        ("client_id", program["client_id"].as_str().expect("an id")),
        ("client_secret", secret.expect("the page shows it")),
    ]));
    token.expect(200);
    assert!(!visitor.get("/programs").expect(200).text.contains(secret.expect("it was shown")), "once");
    let path = format!("/programs/{}", program["id"].as_str().expect("an id"));
    visitor.post(&path, &[("act", "secret")]).expect(200);
    let version = app.administrator().get("/v1/programs").expect(200).json["items"][0]["version"].to_string();
    visitor.post(&path, &[("act", "end"), ("version", &version)]).expect(303);
    assert_eq!(app.administrator().get("/v1/programs").expect(200).json["items"][0]["ended"], true);
}

#[test]
fn events_are_sent_where_the_page_says_and_switched_off() {
    let app = TestApp::start();
    let mut visitor = administrator(&app);
    let refused = visitor.post("/webhooks", &[("name", "A"), ("url", "http://10.0.0.1/")]).expect(422);
    assert!(refused.text.contains("url"), "{}", refused.text);
    let fields =
        [("name", "A receiver"), ("url", "https://hooks.example/a"), ("kinds", "vessel.due vessel.overdue")];
    let made = visitor.post("/webhooks", &fields).expect(200);
    assert!(made.text.contains("whsec_"));
    let subscription = app.administrator().get("/v1/subscriptions").expect(200).json["items"][0].clone();
    assert_eq!(subscription["kinds"], json!(["vessel.due", "vessel.overdue"]));
    let path = format!("/webhooks/{}", subscription["id"].as_str().expect("an id"));
    visitor.post(&path, &[("active", "false"), ("version", "1")]).expect(303);
    assert_eq!(app.administrator().get("/v1/subscriptions").expect(200).json["items"][0]["active"], false);
}

#[test]
fn the_audit_tells_who_did_what_newest_first() {
    let app = TestApp::start();
    app.lead()
        .post("/v1/sites", &json!({"name": "A basin", "time_zone": "UTC", "climate": "temperate_sea"}))
        .expect(201);
    let mut visitor = administrator(&app);
    let page = visitor.get("/audit").expect(200);
    let place = |words: &str| page.text.find(words).unwrap_or_else(|| unreachable!("{words} is not told"));
    assert!(place("create site") < place("A basin"));
    assert!(page.text.contains("The lead") && page.text.contains("A basin"));
    visitor.get("/audit?before=nonsense").expect(422);
}

/// The expectation is the policy's own rule by hand: an examination falls due so many months after the last.
#[test]
fn the_effect_of_a_policy_is_shown_before_it_is_saved_and_is_what_comes_of_it() {
    let app = TestApp::start();
    let lead = app.lead();
    for (name, launched) in [("First", "2026-01-10"), ("Second", "2026-03-20")] {
        lead.post(
            "/v1/vessels",
            &json!({"name": name, "form": "fin_keel", "length_m": 10.0, "launched_on": launched,
                "zones": [{"zone": "bottom", "cored": false}]}),
        )
        .expect(201);
    }
    settle(&app);
    let dates = || {
        let list = lead.get("/v1/due?kind=inspection").expect(200);
        let rows = list.json["items"].as_array().expect("rows").clone();
        let day = |row: &serde_json::Value| {
            (row["vessel_name"].to_string(), row["due_on"].as_str().unwrap_or_default().to_owned())
        };
        rows.iter().map(day).collect::<std::collections::BTreeMap<_, _>>()
    };
    let before = dates();
    let mut visitor = Visitor::signed_in(&app, &app.home.people["lead"].2);
    let fields = [("version", "0"), ("inspection_max_months", "3"), ("inspection_min_months", "0")];
    let shown = visitor.post("/policy", &[&fields[..], &[("act", "preview")]].concat()).expect(200);
    assert_eq!(dates(), before, "nothing is saved");
    assert_eq!(lead.get("/v1/policy").expect(200).json["version"], 0);
    assert!(shown.text.contains("2 would come earlier"), "{}", shown.text);
    assert!(shown.text.contains("name=\"inspection_max_months\"") && shown.text.contains("value=\"3\""));

    visitor.post("/policy", &[&fields[..], &[("act", "save")]].concat()).expect(303);
    settle(&app);
    let after = dates();
    assert_ne!(after, before);
    for day in after.values() {
        let day: chrono::NaiveDate = day.parse().expect("a date");
        let words = day.format("%-d %b %Y").to_string();
        assert!(shown.text.contains(&words), "the preview told {words}");
    }
    let bad =
        visitor.post("/policy", &[("version", "1"), ("act", "save"), ("inspection_risk", "two")]).expect(422);
    assert!(bad.text.contains("inspection_risk") && bad.text.contains("value=\"two\""), "{}", bad.text);
    let mut reader = Visitor::signed_in(&app, &app.home.people["reader"].2);
    assert!(!reader.get("/policy").expect(200).text.contains("value=\"save\""));
}

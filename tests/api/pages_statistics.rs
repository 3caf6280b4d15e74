//! The pages of how long bottoms last, what the dates have learned, and how right they were.

use garboard::jobs::run_until_idle;
use garboard::routes;
use serde_json::{Value, json};

use crate::support::app::{Client, TestApp};
use crate::support::fleet::{HULLS, enter};
use crate::support::hulls::settle;
use crate::support::visitor::Visitor;

fn member(app: &TestApp, word: &str) -> Visitor {
    Visitor::signed_in(app, &app.home.people[word].2)
}

fn learn(app: &TestApp) {
    let tally = run_until_idle(&app.db, &routes::learners()).expect("the queue is in reach");
    assert_eq!(tally.failed, 0);
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

/// A part of a page: from these words to those.
#[track_caller]
fn between<'a>(page: &'a str, from: &str, to: &str) -> &'a str {
    let (_, rest) = page.split_once(from).unwrap_or_else(|| unreachable!("{from} in {page}"));
    rest.split_once(to).map_or(rest, |(part, _)| part)
}

fn of_the_api(client: &Client, query: &str) -> Value {
    client.get(&format!("/v1/statistics/lifetimes{query}")).expect(200).json
}

/// The endpoint's figures are held against a reference library in `statistics.rs`; the page's against the endpoint's.
#[test]
fn the_page_tells_the_figures_of_the_endpoint_group_by_group() {
    let app = TestApp::start();
    let (lead, surveyor) = (app.lead(), app.surveyor());
    let body = json!({"name": "A </title><b>lake", "time_zone": "UTC", "climate": "temperate_fresh"});
    let site = lead.post("/v1/sites", &body).expect(201).id();
    enter(&lead, &surveyor, HULLS, |n| match n % 3 {
        0 => json!({"laminate_class": "orthophthalic", "site_id": site}),
        1 => json!({"laminate_class": "isophthalic"}),
        _ => json!({}),
    });
    let mut visitor = member(&app, "reader");
    for (query, titles) in [
        ("", vec!["All together"]),
        ("?by=laminate_class", vec!["Orthophthalic", "Isophthalic", "Class unknown"]),
        ("?by=water", vec!["Fresh water", "Water unknown"]),
        ("?by=skin_system", vec!["Gelcoat"]),
        ("?by=laminate_class&time=exposure_years", vec!["Orthophthalic", "Isophthalic", "Class unknown"]),
        ("?laminate_class=isophthalic", vec!["All together"]),
    ] {
        let (page, told) =
            (visitor.get(&format!("/statistics{query}")).expect(200).text, of_the_api(&lead, query));
        let groups = told["groups"].as_array().expect("groups");
        assert_eq!(groups.len(), titles.len(), "{query}");
        let table = between(&page, "<table class=\"stacked compared\"", "</table>");
        for (n, (group, title)) in groups.iter().zip(&titles).enumerate() {
            let row = between(table, &format!("rowheader\">{title}<"), "</tr>");
            for field in ["hulls", "lives", "events"] {
                assert!(
                    row.contains(&format!("</span>{}</td>", group[field])),
                    "{query} {title} {field}: {row}"
                );
            }
            for quantile in group["quantiles"].as_array().expect("two").iter().take(2) {
                let words = format!(
                    "{:.1} ({:.1} to {:.1})",
                    number(&quantile["value"]),
                    number(&quantile["lower"]),
                    number(&quantile["upper"])
                );
                assert!(row.contains(&words), "{query} {title}: {words} in {row}");
            }
            for room in ["wide", "narrow"] {
                assert_eq!(page.matches(&format!("id=\"lives-{}-{room}-t\"", n + 1)).count(), 1);
            }
            let curve = group["curve"].as_array().expect("points");
            let point = &curve[10];
            let section = between(&page, &format!("id=\"group-{}\"", n + 1), "</section>");
            let row =
                between(section, &format!("<th scope=\"row\">{:.1}</th>", number(&point["t"])), "</tr>");
            let fitted = format!("<td>{:.0}\u{a0}%</td>", 100.0 * number(&point["weibull"]));
            assert!(row.contains(&fitted), "{query} {title}: {fitted} in {row}");
        }
    }
    let page = visitor.get("/statistics?by=site").expect(200).text;
    assert!(!page.contains("<b>lake") && page.contains("&#60;b&#62;lake"), "names are text");
    assert!(page.contains("interval, not a day"), "what interval censoring means");
    assert!(page.contains("href=\"/statistics.csv?by=site\""));
    let csv = visitor.get("/statistics.csv?by=site").expect(200).text;
    assert_eq!(csv, lead.get("/v1/statistics/lifetimes?by=site&format=csv").expect(200).text);
    assert!(!page.contains("<script") && !page.contains(" style="));
    visitor.get("/statistics?by=colour").expect(422);
}

#[test]
fn the_waiting_fit_tells_how_dates_would_move_and_is_put_to_use_and_left_again() {
    let app = TestApp::start();
    let (lead, surveyor) = (app.lead(), app.surveyor());
    let mut administrator = member(&app, "administrator");
    let settings = [("version", "0"), ("acceptance", "by_person")];
    administrator.post("/learning/settings", &settings).expect(303);
    let learning = lead.get("/v1/learning").expect(200).json;
    assert_eq!((&learning["acceptance"], &learning["pooled"]), (&json!("by_person"), &json!(false)));
    let stale = administrator.post("/learning/settings", &settings).expect(412);
    assert!(stale.text.contains("<details class=\"act\" id=\"settings\" open"), "told in the form");

    enter(&lead, &surveyor, HULLS, |_| json!({"laminate_class": "isophthalic"}));
    settle(&app);
    let mut visitor = member(&app, "lead");
    let before = visitor.get("/statistics").expect(200).text;
    assert!(before.contains("follow the priors") && before.contains("No other fit waits."));
    visitor.post("/learning", &[("act", "fit")]).expect(303);
    learn(&app);
    let fit = lead.get("/v1/calibrations").expect(200).json["items"][0].clone();
    let id = fit["id"].as_str().expect("an id");
    let moves = lead.get(&format!("/v1/calibrations/{id}/preview")).expect(200).json;
    let page = visitor.get("/statistics").expect(200).text;
    let words = format!(
        "Of {} dates of {} hulls, {} would move: {} sooner, {} later.",
        moves["dates"], moves["hulls"], moves["moved"], moves["sooner"], moves["later"]
    );
    assert!(number(&moves["moved"]) > 0.0 && page.contains(&words), "{words}");
    assert!(page.contains("from 60 lives of 60 hulls, 41 of them seen to blister"));
    let furthest = &moves["furthest"][0];
    assert!(page.contains(furthest["vessel_name"].as_str().expect("a name")), "{furthest}");

    // Who reads sees it all, and has no form.
    let seen = member(&app, "reader").get("/statistics").expect(200).text;
    assert!(seen.contains(&words) && !seen.contains("action=\"/learning"));
    let long = "w".repeat(1001);
    let refused =
        visitor.post("/learning", &[("act", "accept"), ("calibration_id", id), ("note", &long)]).expect(422);
    assert!(refused.text.contains("id=\"accept-note-problem\"") && refused.text.contains(&long), "kept");
    assert_eq!(lead.get("/v1/learning").expect(200).json["calibration_id"], Value::Null);
    visitor
        .post("/learning", &[("act", "accept"), ("calibration_id", id), ("note", "Seen with <the yard>.")])
        .expect(303);
    assert_eq!(lead.get("/v1/learning").expect(200).json["calibration_id"], id);
    let page = visitor.get("/statistics?done=accept").expect(200).text;
    assert!(page.contains("The dates follow what was learned. Version 1"), "{page}");
    assert!(page.contains("switched on by The lead. Why: Seen with &#60;the yard&#62;."));
    let class = &fit["classes"][1];
    let learned = format!(
        "{:.2} ({:.2} to {:.2})",
        number(&class["scale_exposure_years"]),
        number(&class["lower_exposure_years"]),
        number(&class["upper_exposure_years"])
    );
    assert!(page.contains(&learned), "{learned}");

    visitor.post("/learning", &[("act", "priors"), ("note", "Back.")]).expect(303);
    assert_eq!(lead.get("/v1/learning").expect(200).json["calibration_id"], Value::Null);
    assert!(visitor.get("/statistics").expect(200).text.contains("follow the priors"));
    visitor.post("/learning", &[("act", "accept")]).expect(422);
    visitor.post("/learning", &[("act", "dance")]).expect(409);
}

#[test]
fn the_page_of_the_past_tells_the_scores_of_the_endpoint_and_who_wins_first() {
    let app = TestApp::start();
    let (lead, surveyor) = (app.lead(), app.surveyor());
    enter(&lead, &surveyor, HULLS, |_| json!({"laminate_class": "orthophthalic"}));
    let mut visitor = member(&app, "reader");
    let page = visitor.get("/hindcast?from_year=2011&lead_months=24").expect(200).text;
    let told = lead.get("/v1/hindcast?from_year=2011&lead_months=24").expect(200).json;
    let mut places = Vec::new();
    for sentence in told["findings"]
        .as_array()
        .expect("findings")
        .iter()
        .chain(told["limits"].as_array().expect("limits"))
    {
        let sentence = sentence.as_str().expect("a sentence").replace('\'', "&#39;");
        places.push(page.find(&sentence).unwrap_or_else(|| unreachable!("{sentence} in {page}")));
    }
    assert!(places.is_sorted());
    // A baseline wins where its mean score is lower by more than two standard errors of the difference.
    let mut wins = Vec::new();
    for (score, name) in [("brier_score", "Brier"), ("log_score", "log")] {
        for (baseline, words) in [("calendar_rule", "the calendar rule"), ("fleet_mean", "the fleet mean")] {
            let of = &told[score][baseline];
            let (own, other) = (number(&of["forecast"]), number(&of["baseline"]));
            let row = between(
                &page,
                &format!(
                    "{own:.4}</td><td role=\"cell\"><span class=\"on-stack\">Against </span>{words}, {other:.4}"
                ),
                "</tr>",
            );
            let beaten = own - other > 2.0 * number(&of["difference_standard_error"]);
            assert_eq!(row.contains("is worse than"), beaten, "{name} {words}");
            if beaten {
                wins.push(format!("By the {name} score {words} did better"));
            }
        }
    }
    assert_eq!(page.contains("A simpler rule did better"), !wins.is_empty());
    let first = page.find("id=\"verdict\"").expect("a verdict");
    assert!(first < places[0], "the verdict comes first");
    for win in wins {
        assert!(page.contains(&win), "{win}");
    }
    let tenths = told["transform"]["tenths"].as_array().expect("ten");
    let part = between(&page, "id=\"transform\"", "</section>");
    for (n, lives) in tenths.iter().enumerate() {
        let row = format!("<th scope=\"row\">{} to {}\u{a0}%</th><td>{lives}</td>", n * 10, n * 10 + 10);
        assert!(part.contains(&row), "{row}");
    }
    assert_eq!(part.matches("<rect class=\"bar\"").count(), 20, "ten bars, for two widths");
    for drawing in ["coverage", "transform", "chances"] {
        assert_eq!(page.matches(&format!("id=\"{drawing}-wide-t\"")).count(), 1, "{drawing}");
    }
    assert!(page.contains("href=\"/hindcast.csv?from_year=2011&#38;lead_months=24\""), "{page}");
    assert_eq!(
        visitor.get("/hindcast.csv?from_year=2011&lead_months=24").expect(200).text,
        lead.get("/v1/hindcast?from_year=2011&lead_months=24&format=csv").expect(200).text
    );
    for (query, field, typed) in [
        ("from_year=soon", "from_year", "soon"),
        ("from_year=1066", "from_year", "1066"),
        ("lead_months=500", "lead_months", "500"),
    ] {
        let refused = visitor.get(&format!("/hindcast?{query}")).expect(422).text;
        assert!(refused.contains(&format!("id=\"{field}-problem\"")), "{query}");
        assert!(refused.contains(&format!("value=\"{typed}\"")), "what was typed is kept: {query}");
    }
}

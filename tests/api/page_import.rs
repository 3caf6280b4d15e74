//! The page of imports: columns named otherwise, refused rows in place, then kept.

use crate::support::app::TestApp;
use crate::support::visitor::Visitor;

const FILE: &str = "Ref,Boat name,form,Length,sofa\r\nP-1,One,fin_keel,9.5,red\r\nP-2,Two,raft,8,\r\nP-3,Three,motor,long,blue\r\n";

#[test]
fn a_file_with_two_bad_rows_is_mended_and_imported() {
    let app = TestApp::start();
    let mut lead = Visitor::signed_in(&app, &app.home.people["lead"].2);
    let first = lead.post("/import", &[("kind", "vessels"), ("text", FILE), ("act", "look")]).expect(422);
    assert!(first.text.contains("<strong>line 1, column name</strong>"), "{}", first.text);
    assert!(first.text.contains("value=\"as:boat name\"") || first.text.contains("name=\"as:boat name\""));
    let columns = "vessels ref | boat name | form | length | sofa";
    let chosen = [
        ("kind", "vessels"),
        ("columns", columns),
        ("as:ref", "ref"),
        ("as:boat name", "name"),
        ("as:form", "form"),
        ("as:length", "length_m"),
    ];
    let send =
        |lead: &mut Visitor, more: &[(&str, &str)]| lead.post("/import", &[&chosen[..], more].concat());
    let looked = send(&mut lead, &[("text", FILE), ("act", "look")]).expect(200);
    assert!(looked.text.contains("2 of 3 rows cannot be read"), "{}", looked.text);
    for place in ["id=\"line-3\"", "id=\"line-4\"", "raft", "long"] {
        assert!(looked.text.contains(place), "{place}");
    }
    assert!(!looked.text.contains("value=\"import\""), "there is nothing to import yet");
    // Whoever sends it all the same gets nothing kept.
    let forced = send(&mut lead, &[("text", FILE), ("act", "import")]).expect(200);
    assert!(forced.text.contains("Nothing is kept yet"));
    assert_eq!(app.lead().get("/v1/vessels").expect(200).json["items"].as_array().map(Vec::len), Some(0));

    let mended = FILE.replace("raft", "motor").replace("long", "11.25");
    let looked = send(&mut lead, &[("text", &mended), ("act", "look")]).expect(200);
    assert!(looked.text.contains("Every row can be read") && looked.text.contains("value=\"import\""));
    assert_eq!(app.lead().get("/v1/vessels").expect(200).json["items"].as_array().map(Vec::len), Some(0));
    let done = send(&mut lead, &[("text", &mended), ("act", "import")]).expect(200);
    assert!(done.text.contains("3 new"), "{}", done.text);
    let vessels = app.lead().get("/v1/vessels").expect(200);
    let lengths: Vec<_> =
        vessels.json["items"].as_array().expect("rows").iter().map(|v| v["length_m"].as_f64()).collect();
    assert_eq!(lengths.len(), 3);
    assert!(lengths.contains(&Some(11.25)));
}

#[test]
fn what_cannot_be_read_is_told_and_nothing_is_kept() {
    let app = TestApp::start();
    let mut lead = Visitor::signed_in(&app, &app.home.people["lead"].2);
    for (text, status, told) in [
        ("", 422, "Choose a file first"),
        ("ref,name,shape,length_m\nA,B,motor,9\n", 422, "line 1, column form"),
        ("ref,name,form,length_m\nA,\"B,motor,9\n", 400, "line 2"),
    ] {
        let fields = [("kind", "vessels"), ("text", text), ("act", "import")];
        let answer = lead.post("/import", &fields).expect(status);
        assert!(
            answer.text.contains("role=\"alert\"") && answer.text.contains(told),
            "{text}: {}",
            answer.text
        );
    }
    lead.post("/import", &[("kind", "sofas"), ("text", "a\n1\n")]).expect(404);
    let long = "x".repeat(2 * 1024 * 1024);
    let answer = lead.post("/import", &[("kind", "vessels"), ("text", &long)]);
    assert!([413, 422].contains(&answer.status), "{} {:.300}", answer.status, answer.text);
    // Markup in a file is text.
    let markup = "ref,name,form,length_m\nA,<script>alert(1)</script>,<img src=x>,9\n";
    let answer = lead.post("/import", &[("kind", "vessels"), ("text", markup), ("act", "look")]).expect(200);
    assert!(
        !answer.text.contains("<img src=x>") && !answer.text.contains("<script>alert"),
        "{}",
        answer.text
    );
}

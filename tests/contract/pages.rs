//! What holds for every page of `pages::PAGES`: who may open it, what stands in it, and that no form is taken that was
//! not made for who sends it.

use garboard::features::pages::{PAGES, PageRoute};
use garboard::http::guards::Bounds;

use super::seed;
use crate::support::app::{Answer, TODAY, TestApp};
use crate::support::page_paths::filled;
use crate::support::visitor::{Visitor, form_token};

const ROLES: [&str; 5] = ["administrator", "lead", "surveyor", "crew", "reader"];

fn walked() -> impl Iterator<Item = &'static PageRoute> {
    PAGES.iter().filter(|page| !page.path.starts_with("/files/"))
}

fn may(page: &PageRoute, word: &str) -> bool {
    let code = |role| garboard::codes::to_text(role).expect("a role is a word");
    page.roles.is_none_or(|roles| roles.iter().any(|role| code(role) == word))
}

fn call(visitor: &mut Visitor, page: &PageRoute, path: &str) -> Answer {
    if page.method == "GET" { visitor.get(path) } else { visitor.post(path, &[]) }
}

#[test]
fn nobody_opens_a_page_that_is_not_for_everybody() {
    let app = TestApp::start();
    let ids = seed::home(&app);
    for page in walked().filter(|page| page.roles.is_some()) {
        let answer = call(&mut Visitor::new(&app), page, &filled(page.path, &ids)).expect(303);
        let to = answer.header("location").unwrap_or_default();
        assert!(to.starts_with("/sign-in?next="), "{} {} leads to {to}", page.method, page.path);
    }
}

#[test]
fn each_page_is_for_the_roles_it_names_and_for_no_other() {
    let app = TestApp::start();
    let ids = seed::home(&app);
    for word in ROLES {
        let mut visitor = Visitor::signed_in(&app, &app.home.people[word].2);
        for page in walked().filter(|page| page.roles.is_some()) {
            let answer = call(&mut visitor, page, &filled(page.path, &ids));
            let what =
                format!("{word}: {} {}: {} {:.300}", page.method, page.path, answer.status, answer.text);
            assert!(answer.status < 500, "{what}");
            assert_eq!(answer.status != 403, may(page, word), "{what}");
        }
    }
}

#[test]
fn no_page_shows_or_changes_a_record_of_another_organisation() {
    let app = TestApp::start();
    let ids = seed::home(&app);
    let mut stranger = Visitor::signed_in(&app, &app.away.people["administrator"].2);
    for page in walked() {
        if page.path.contains('{') {
            let path = filled(page.path, &ids);
            let answer = if page.method == "GET" {
                stranger.get(&path)
            } else {
                // With all that the form would hold, so that nothing but the record is wrong.
                let fields = [("version", "1"), ("role", "reader"), ("active", "false"), ("act", "end")];
                stranger.post(&path, &fields)
            };
            assert_eq!(answer.status, 404, "{} {path}: {:.300}", page.method, answer.text);
        } else if page.method == "GET" && page.roles.is_some() {
            let answer = stranger.get(page.path).expect(200);
            for (collection, id) in &ids {
                assert!(!answer.text.contains(id.as_str()), "{} shows one of {collection}", page.path);
            }
        }
    }
}

/// Text between `<` and `>`: our templates have neither sign within an attribute.
fn tags(html: &str) -> impl Iterator<Item = &str> {
    html.split('<').skip(1).filter_map(|rest| rest.split_once('>')).map(|(tag, _)| tag)
}

#[test]
fn no_page_has_a_script_or_style_in_it_and_every_form_its_token() {
    let app = TestApp::start();
    let ids = seed::home(&app);
    let mut visitor = Visitor::signed_in(&app, &app.home.people["administrator"].2);
    let (mut pages, mut forms) = (0, 0);
    for page in walked().filter(|page| page.method == "GET" && page.roles.is_some()) {
        let answer = visitor.get(&filled(page.path, &ids)).expect(200);
        if answer.header("content-type").is_none_or(|kind| !kind.starts_with("text/html")) {
            continue;
        }
        pages += 1;
        let policy = answer.header("content-security-policy").unwrap_or_default();
        assert!(
            policy.contains("default-src 'none'") && !policy.contains("unsafe"),
            "{}: {policy}",
            page.path
        );
        assert_eq!(answer.header("cache-control").as_deref(), Some("no-store"), "{}", page.path);
        for tag in tags(&answer.text) {
            let name = tag.split_whitespace().next().unwrap_or_default();
            assert!(name != "style" && !tag.contains(" style="), "{}: <{tag}>", page.path);
            assert!(name != "script" || tag.contains(" src=\"/files/"), "{}: <{tag}>", page.path);
            assert!(
                !tag.contains(" on")
                    || !tag.split(" on").skip(1).any(|rest| {
                        rest.split_once('=').is_some_and(|(event, _)| event.chars().all(char::is_alphabetic))
                    }),
                "{}: <{tag}>",
                page.path
            );
            assert!(!tag.contains("javascript:"), "{}: <{tag}>", page.path);
        }
        for form in answer.text.split("<form ").skip(1) {
            let (head, body) = form.split_once('>').expect("a form begins");
            let body = body.split("</form>").next().unwrap_or_default();
            if head.contains("method=\"post\"") {
                forms += 1;
                assert!(form_token(body).is_some(), "{}: <form {head}> has no token", page.path);
                let (_, action) = head.split_once("action=\"").expect("a form says where it goes");
                assert!(action.starts_with('/') && !action.starts_with("//"), "{}: {head}", page.path);
            }
        }
    }
    assert!(pages > 5 && forms > 10, "{pages} pages, {forms} forms");
}

#[test]
fn a_form_is_taken_only_from_whom_it_was_made_for() {
    let app = TestApp::start();
    let ids = seed::home(&app);
    let mut visitor = Visitor::signed_in(&app, &app.home.people["administrator"].2);
    let mut other = Visitor::signed_in(&app, &app.home.people["lead"].2);
    let before_sign_in = Visitor::new(&app).token();
    let of_another = other.token();
    // Another browser with this session.
    let mut mixed = visitor.clone();
    let forms = |cookies: &std::collections::BTreeMap<String, String>| cookies["garboard_forms"].clone();
    mixed.cookies.insert("garboard_forms".to_owned(), forms(&other.cookies));
    for page in walked().filter(|page| page.method == "POST") {
        let path = filled(page.path, &ids);
        let what = format!("POST {path}");
        for token in ["", "not a token", before_sign_in.as_str(), of_another.as_str()] {
            let answer = visitor.post_bare(&path, &[("form", token)]);
            assert_eq!(answer.status, 403, "{what} with {token}: {:.200}", answer.text);
        }
        assert_eq!(visitor.post_bare(&path, &[]).status, 403, "{what} without one");
        let own = visitor.token();
        assert_eq!(mixed.post_bare(&path, &[("form", &own)]).status, 403, "{what} from another browser");
    }
    assert!(visitor.get("/due").status == 200, "none of them was taken: the session goes on");
}

#[test]
fn cookies_are_for_the_server_alone() {
    let plain = TestApp::start();
    let behind = TestApp::start_with(
        TODAY,
        Bounds { requests_per_second: 0, behind_proxy: true, ..Bounds::default() },
    );
    for (app, secure) in [(&plain, false), (&behind, true)] {
        let mut visitor = Visitor::new(app);
        visitor.get("/sign-in").expect(200);
        let mut lines = visitor.set.clone();
        let visitor = Visitor::signed_in(app, &app.home.people["crew"].2);
        lines.extend(visitor.set);
        assert!(lines.len() >= 2, "{lines:?}");
        for line in lines {
            assert!(line.contains("; HttpOnly") && line.contains("; SameSite=Lax"), "{line}");
            assert!(line.contains("; Path=/") && !line.contains("Domain="), "{line}");
            assert_eq!(line.contains("; Secure"), secure, "{line}");
            assert_eq!(line.starts_with("__Host-"), secure, "{line}");
        }
    }
}

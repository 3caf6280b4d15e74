//! /v1/password-resets, /v1/me/password, and how often a password may be tried at /v1/sign-in

use serde_json::json;

use super::invitations::as_superuser;
use crate::support::app::{Answer, Client, PASSWORD, TestApp};

const NEW: &str = "twelve dry ropes";

fn sign_in(client: &Client, email: &str, password: &str) -> Answer {
    client.post("/v1/sign-in", &json!({"email": email, "password": password}))
}

/// Waits for the letter, which is sent after the answer.
fn token_sent(app: &TestApp, address: &str) -> String {
    while !app.letters.lock().expect("whole").iter().any(|letter| letter.contains(&format!("To: {address}")))
    {
        std::thread::yield_now();
    }
    app.token_for(address)
}

#[test]
fn a_lost_password_is_reset_once_and_ends_all_sessions() {
    let app = TestApp::start();
    let nobody = app.anonymous();
    let before = sign_in(&nobody, "crew@home.example", PASSWORD).expect(200);
    let known = nobody.post("/v1/password-resets", &json!({"email": "crew@home.example"})).expect(202);
    let unknown = nobody.post("/v1/password-resets", &json!({"email": "ghost@home.example"})).expect(202);
    assert_eq!(known.text, unknown.text);
    let token = token_sent(&app, "crew@home.example");
    let complete = |token: &str, password: &str| {
        nobody.post("/v1/password-resets/completion", &json!({"token": token, "password": password}))
    };
    complete(&token, "short").expect_problem(422, "invalid", "/password");
    complete("made up", NEW).expect_problem(422, "invalid", "/token");
    sign_in(&nobody, "crew@home.example", PASSWORD).expect(200);
    complete(&token, NEW).expect(204);
    complete(&token, NEW).expect_problem(422, "invalid", "/token");
    sign_in(&nobody, "crew@home.example", PASSWORD).expect_problem(401, "unauthenticated", "");
    sign_in(&nobody, "crew@home.example", NEW).expect(200);
    let refresh = json!({"refresh_token": before.json["refresh_token"]});
    nobody.post("/v1/sign-in/refresh", &refresh).expect_problem(401, "unauthenticated", "");
    assert_eq!(app.letters.lock().expect("whole").len(), 1, "nobody writes to who has no account");
}

#[test]
fn a_reset_runs_out() {
    let app = TestApp::start();
    app.anonymous().post("/v1/password-resets", &json!({"email": "crew@home.example"})).expect(202);
    let token = token_sent(&app, "crew@home.example");
    as_superuser(
        &app,
        "UPDATE passwords SET reset_expires_at = '2026-06-15T10:00:00Z' WHERE reset_sha256 IS NOT NULL",
    );
    let body = json!({"token": token, "password": NEW});
    app.anonymous().post("/v1/password-resets/completion", &body).expect_problem(422, "invalid", "/token");
}

#[test]
fn a_password_is_changed_by_who_knows_it() {
    let app = TestApp::start();
    let session = sign_in(&app.anonymous(), "crew@home.example", PASSWORD).expect(200);
    let crew = app.crew();
    let change =
        |old: &str, new: &str| crew.post("/v1/me/password", &json!({"password": old, "new_password": new}));
    change("a wrong password", NEW).expect_problem(401, "unauthenticated", "");
    change(PASSWORD, "short").expect_problem(422, "invalid", "/new_password");
    change(PASSWORD, NEW).expect(204);
    sign_in(&app.anonymous(), "crew@home.example", NEW).expect(200);
    let refresh = json!({"refresh_token": session.json["refresh_token"]});
    app.anonymous().post("/v1/sign-in/refresh", &refresh).expect_problem(401, "unauthenticated", "");
}

#[test]
fn signing_out_everywhere_ends_every_session_of_the_person_and_of_nobody_else() {
    let app = TestApp::start();
    let nobody = app.anonymous();
    let [one, two] = [(), ()].map(|()| sign_in(&nobody, "crew@home.example", PASSWORD).expect(200));
    let other = sign_in(&nobody, "lead@home.example", PASSWORD).expect(200);
    let out = json!({"refresh_token": one.json["refresh_token"], "everywhere": true});
    nobody.post("/v1/sign-out", &out).expect(204);
    for session in [&one, &two] {
        let refresh = json!({"refresh_token": session.json["refresh_token"]});
        nobody.post("/v1/sign-in/refresh", &refresh).expect_problem(401, "unauthenticated", "");
    }
    nobody.post("/v1/sign-in/refresh", &json!({"refresh_token": other.json["refresh_token"]})).expect(200);
    // A session that is over ends no others.
    let again = sign_in(&nobody, "crew@home.example", PASSWORD).expect(200);
    nobody.post("/v1/sign-out", &out).expect(204);
    nobody.post("/v1/sign-in/refresh", &json!({"refresh_token": again.json["refresh_token"]})).expect(200);
}

#[test]
fn trying_passwords_is_slowed_and_locks_nobody_out() {
    let app = TestApp::start();
    let attacker = app.at_address("127.0.0.2");
    let refused_after = |email: &str| {
        let mut refused = (0..60).map(|_| sign_in(&attacker, email, "a guess at it")).enumerate();
        let (n, answer) = refused.find(|(_, answer)| answer.status != 401).expect("slowed at last");
        let answer = answer.expect_problem(429, "too_many", "");
        let seconds: u64 =
            answer.header("retry-after").expect("when to come again").parse().expect("seconds");
        assert!((1..=30).contains(&seconds), "{seconds}");
        n
    };
    let (known, unknown) = (refused_after("lead@home.example"), refused_after("ghost@home.example"));
    assert!(known >= 10 && unknown >= 10, "{known} {unknown}");
    sign_in(&attacker, "lead@home.example", PASSWORD).expect_problem(429, "too_many", "");
    // The person comes from elsewhere.
    sign_in(&app.anonymous(), "lead@home.example", PASSWORD).expect(200);
    // Nobody is believed who says to be elsewhere, unless a proxy in front says it.
    let liar = attacker.request("POST", "/v1/sign-in").header("X-Forwarded-For", "192.0.2.9");
    let body = json!({"email": "lead@home.example", "password": PASSWORD});
    attacker.send(liar.json(&body)).expect_problem(429, "too_many", "");
}

/// Not a check but a measurement: `cargo test --release --test api measured -- --ignored --nocapture`.
#[test]
#[ignore = "a measurement, for a quiet machine"]
fn the_time_of_a_refused_sign_in_measured() {
    let app = TestApp::start();
    let mut times: [Vec<f64>; 2] = [Vec::new(), Vec::new()];
    for n in 0..40_u8 {
        // From a network of its own each, or the throttle would answer.
        let client = app.at_address(&format!("127.0.{}.1", n + 1));
        sign_in(&client, "nobody@home.example", "to warm the connection");
        for turn in 0..8_usize {
            let known = turn % 2;
            let email = ["ghost@home.example", "lead@home.example"][known];
            let begun = std::time::Instant::now();
            sign_in(&client, email, "a guess at it").expect(401);
            times[known].push(begun.elapsed().as_secs_f64() * 1e3);
        }
    }
    for (name, times) in ["unknown", "known"].into_iter().zip(&mut times) {
        times.sort_by(f64::total_cmp);
        let at = |quarter: usize| times.get((times.len() - 1) * quarter / 4).copied().unwrap_or_default();
        println!(
            "{name}: {} sign-ins, median {:.2} ms, quartiles {:.2} to {:.2} ms",
            times.len(),
            at(2),
            at(1),
            at(3)
        );
    }
}

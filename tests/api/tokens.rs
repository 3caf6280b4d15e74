//! Access tokens under attack, and the keys that sign them.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use garboard::http::tokens::{TokenKeys, add_key, remove_older_keys};
use jsonwebtoken::{Algorithm, EncodingKey, Header};
use serde_json::{Value, json};

use crate::support::app::TestApp;

/// The service's own key, as a file.
fn own_key(app: &TestApp) -> Vec<u8> {
    let mut files = std::fs::read_dir(app.key_folder()).expect("the folder of keys");
    std::fs::read(files.next().expect("a key").expect("an entry").path()).expect("a readable key")
}

fn encoded(value: &Value) -> String {
    URL_SAFE_NO_PAD.encode(value.to_string())
}

#[test]
fn every_forged_token_is_refused_alike() {
    let app = TestApp::start();
    let key = EncodingKey::from_ed_der(&own_key(&app));
    let kid = app.keys.public()[0].kid.clone();
    let x = app.keys.public()[0].x.clone();
    let now = app.db.clock().now().timestamp();
    let (person, role, _) = &app.home.people["administrator"];
    let claims = json!({"iss": "garboard", "aud": "garboard", "sub": person, "org": app.home.org_id, "role": role,
        "iat": now, "nbf": now, "exp": now + 600});
    let with = |name: &str, value: Value| {
        let mut changed = claims.clone();
        changed[name] = value;
        changed
    };
    let without = |name: &str| {
        let mut changed = claims.clone();
        changed.as_object_mut().expect("an object").remove(name);
        changed
    };
    let signed_as = |kid: Option<&str>, claims: &Value| {
        let mut header = Header::new(Algorithm::EdDSA);
        header.kid = kid.map(str::to_owned);
        jsonwebtoken::encode(&header, claims, &key).expect("it signs")
    };
    let signed = |claims: &Value| signed_as(Some(&kid), claims);
    let good = signed(&claims);
    app.bearing(&good).get("/v1/members").expect(200);

    let public = URL_SAFE_NO_PAD.decode(&x).expect("base64url");
    let hmac = |secret: &[u8], algorithm: Algorithm| {
        let mut header = Header::new(algorithm);
        header.kid = Some(kid.clone());
        jsonwebtoken::encode(&header, &claims, &EncodingKey::from_secret(secret)).expect("it signs")
    };
    let foreign = tempfile::tempdir().expect("a folder");
    let foreign_keys = TokenKeys::load_or_create(foreign.path()).expect("other keys");
    let foreign_token =
        foreign_keys.sign(*person, app.home.org_id, *role, app.db.clock().now()).expect("it signs");
    let foreign_parts: Vec<&str> = foreign_token.split('.').collect();
    let parts: Vec<&str> = good.split('.').collect();
    let alg = |alg: &str| encoded(&json!({"alg": alg, "typ": "JWT", "kid": kid}));
    let swapped = with("role", json!("reader"));
    // The attacks of RFC 8725, section 2, and rules of RFC 7519, section 4.1; each is refused for one reason.
    let table: Vec<(&str, String)> = vec![
        ("alg none without a signature", format!("{}.{}.", alg("none"), parts[1])),
        ("alg none with the signature", format!("{}.{}.{}", alg("none"), parts[1], parts[2])),
        ("alg None, written otherwise", format!("{}.{}.{}", alg("NoNe"), parts[1], parts[2])),
        ("HMAC with the public key as secret", hmac(&public, Algorithm::HS256)),
        ("HMAC with the published text as secret", hmac(x.as_bytes(), Algorithm::HS512)),
        ("another algorithm's name", format!("{}.{}.{}", alg("RS256"), parts[1], parts[2])),
        ("an unknown algorithm", format!("{}.{}.{}", alg("XX1"), parts[1], parts[2])),
        ("a foreign key under its own kid", foreign_token.clone()),
        ("a foreign key under our kid", format!("{}.{}.{}", parts[0], foreign_parts[1], foreign_parts[2])),
        (
            "our key under a foreign kid",
            signed_as(foreign_keys.public().first().map(|k| k.kid.as_str()), &claims),
        ),
        ("a kid that is a path", signed_as(Some("../../etc/passwd"), &claims)),
        ("no kid", signed_as(None, &claims)),
        ("expired", signed(&with("exp", json!(now)))),
        ("expired long ago", signed(&with("exp", json!(0)))),
        ("not yet valid", signed(&with("nbf", json!(now + 1)))),
        ("never expiring", signed(&without("exp"))),
        ("an expiry that is no number", signed(&with("exp", json!("tomorrow")))),
        ("another audience", signed(&with("aud", json!("elsewhere")))),
        ("no audience", signed(&without("aud"))),
        ("another issuer", signed(&with("iss", json!("elsewhere")))),
        ("no issuer", signed(&without("iss"))),
        ("nobody", signed(&without("sub"))),
        ("neither role nor scope", signed(&without("role"))),
        ("both role and scope", signed(&with("scope", json!("read")))),
        ("a role there is not", signed(&with("role", json!("owner")))),
        ("claims of another token", format!("{}.{}.{}", parts[0], encoded(&swapped), parts[2])),
        ("a truncated signature", good.chars().take(good.len() - 4).collect()),
        ("no signature", format!("{}.{}.", parts[0], parts[1])),
        ("two parts", format!("{}.{}", parts[0], parts[1])),
        ("four parts", format!("{good}.{}", parts[2])),
        ("truncated in the claims", good.chars().take(good.len() / 2).collect()),
        ("more after the end", format!("{good}x")),
        ("no JSON", format!("{}.{}.{}", URL_SAFE_NO_PAD.encode("{"), parts[1], parts[2])),
        ("not base64url", "!!!.###.???".to_owned()),
        ("dots", "..".to_owned()),
        ("nothing", String::new()),
        ("5000 letters", "x".repeat(5000)),
    ];
    for (what, token) in table {
        let answer = app.bearing(&token).get("/v1/members");
        assert_eq!(answer.status, 401, "{what}: {}", answer.text);
        assert_eq!(answer.json["code"], "unauthenticated", "{what}");
        assert_eq!(answer.header("www-authenticate").as_deref(), Some("Bearer"), "{what}");
    }
    app.bearing(&good).get("/v1/members").expect(200);
}

/// A header of a megabyte is refused by the protocol's own bound before anything reads it; what matters is that the
/// connection's end is the worst that happens.
#[test]
fn a_token_of_a_megabyte_does_no_harm() {
    let app = TestApp::start();
    let huge = app.bearing(&"x".repeat(1024 * 1024));
    match huge.request("GET", "/v1/members").send() {
        Ok(answer) => assert!((400..500).contains(&answer.status().as_u16()), "{}", answer.status()),
        Err(error) => assert!(error.is_request() || error.is_body(), "{error}"),
    }
    let keys = app.keys.verify(&"x".repeat(1024 * 1024), app.db.clock().now());
    assert!(keys.is_err());
    app.lead().get("/v1/vessels").expect(200);
}

#[test]
fn a_key_is_followed_by_another_with_an_overlap() {
    let folder = tempfile::tempdir().expect("a folder");
    let app = TestApp::start();
    let (person, role, _) = &app.home.people["lead"];
    let now = app.db.clock().now();
    let sign = |keys: &TokenKeys| keys.sign(*person, app.home.org_id, *role, now).expect("it signs");
    let before = TokenKeys::load_or_create(folder.path()).expect("a first key");
    let old = sign(&before);
    let kid = add_key(folder.path()).expect("a second key");
    let after = TokenKeys::load_or_create(folder.path()).expect("both");
    assert_eq!(after.public().len(), 2);
    assert_eq!(after.public()[0].kid, kid, "the newest first");
    after.verify(&old, now).expect("the earlier key still verifies");
    let new = sign(&after);
    assert_eq!(remove_older_keys(folder.path()).expect("removed"), 1);
    let alone = TokenKeys::load_or_create(folder.path()).expect("the newest");
    alone.verify(&old, now).expect_err("its key is gone");
    alone.verify(&new, now).expect("the newest verifies");
    for entry in std::fs::read_dir(folder.path()).expect("the folder") {
        use std::os::unix::fs::PermissionsExt;
        let mode = entry.expect("an entry").metadata().expect("its rights").permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
    }
}

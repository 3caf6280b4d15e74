//! /v1/me/second-factor

use serde_json::{Value, json};

use crate::support::app::{Answer, PASSWORD, TestApp};

/// The bytes of a base32 text (RFC 4648, section 6).
pub fn base32(text: &str) -> Vec<u8> {
    let bits: Vec<u8> = text
        .bytes()
        .map(|letter| match letter {
            b'A'..=b'Z' => letter - b'A',
            _ => letter - b'2' + 26,
        })
        .flat_map(|five| (0..5).rev().map(move |n| five >> n & 1))
        .collect();
    bits.chunks_exact(8).map(|eight| eight.iter().fold(0, |byte, bit| byte << 1 | bit)).collect()
}

/// The code at a time, by the formulas of RFC 6238, section 4, and RFC 4226, section 5.3.
pub fn code_at(secret: &[u8], unix_s: u64) -> String {
    let key = ring::hmac::Key::new(ring::hmac::HMAC_SHA1_FOR_LEGACY_USE_ONLY, secret);
    let mac = ring::hmac::sign(&key, &(unix_s / 30).to_be_bytes());
    let mac = mac.as_ref();
    let offset = usize::from(mac[19] & 0xf);
    let four: [u8; 4] = mac[offset..offset + 4].try_into().expect("four bytes");
    format!("{:06}", (u32::from_be_bytes(four) & 0x7fff_ffff) % 1_000_000)
}

#[test]
fn the_codes_of_these_tests_are_those_of_the_standard() {
    // RFC 6238, appendix B, the last six of the eight digits.
    assert_eq!(code_at(b"12345678901234567890", 59), "287082");
    assert_eq!(code_at(b"12345678901234567890", 1_111_111_109), "081804");
    assert_eq!(base32("MZXW6YTB"), b"fooba");
}

#[test]
fn a_confirmed_second_factor_is_asked_for_and_each_code_holds_once() {
    let app = TestApp::start();
    // From two addresses: each may try so often.
    let (lead, nobody) = (app.lead(), app.at_address("127.0.0.3"));
    let sign_in = |code: Value| -> Answer {
        nobody.post("/v1/sign-in", &json!({"email": "lead@home.example", "password": PASSWORD, "code": code}))
    };
    let confirm = |code: &str| lead.post("/v1/me/second-factor/confirmation", &json!({"code": code}));
    confirm("123456").expect_problem(409, "conflict", "");
    lead.post("/v1/me/second-factor", &json!({"password": "a wrong one"})).expect_problem(
        401,
        "unauthenticated",
        "",
    );
    let made = lead.post("/v1/me/second-factor", &json!({"password": PASSWORD})).expect(200);
    let text = made.json["secret"].as_str().expect("a secret");
    let secret = base32(text);
    assert_eq!(secret.len(), 20);
    let uri = made.json["uri"].as_str().expect("an address");
    assert!(uri.starts_with("otpauth://totp/") && uri.contains(text), "{uri}");
    sign_in(Value::Null).expect(200);

    let now = u64::try_from(app.db.clock().now().timestamp()).expect("after 1970");
    confirm(&code_at(&secret, now + 300)).expect_problem(422, "invalid", "/code");
    confirm(&code_at(&secret, now - 30)).expect(204);
    sign_in(Value::Null).expect_problem(401, "code_required", "");
    sign_in(json!("000000")).expect_problem(401, "code_required", "");
    sign_in(json!(code_at(&secret, now - 30))).expect_problem(401, "code_required", "");
    let wrong =
        json!({"email": "lead@home.example", "password": "a wrong one", "code": code_at(&secret, now)});
    nobody.post("/v1/sign-in", &wrong).expect_problem(401, "unauthenticated", "");
    sign_in(json!(code_at(&secret, now))).expect(200);
    assert_eq!(lead.get("/v1/me").expect(200).json["second_factor"], true);

    let remove =
        |code: Value| lead.post("/v1/me/second-factor/removal", &json!({"password": PASSWORD, "code": code}));
    remove(Value::Null).expect_problem(401, "code_required", "");
    remove(json!(code_at(&secret, now + 30))).expect(204);
    let body = json!({"email": "lead@home.example", "password": PASSWORD});
    nobody.post("/v1/sign-in", &body).expect(200);
}

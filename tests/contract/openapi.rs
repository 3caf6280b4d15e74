//! The published contract: what is checked in is what the service says, and it says enough.

use std::collections::BTreeSet;

use garboard::cli::openapi::{document, operations};
use serde_json::{Map, Value};

/// How an operation's name may begin.
const VERBS: [&str; 30] = [
    "upload",
    "erase",
    "accept",
    "append",
    "calculate",
    "change",
    "close",
    "complete",
    "confirm",
    "correct",
    "create",
    "decline",
    "enter",
    "find",
    "import",
    "issue",
    "list",
    "offer",
    "plan",
    "read",
    "record",
    "refresh",
    "remove",
    "request",
    "replay",
    "retry",
    "revoke",
    "rotate",
    "sign",
    "withdraw",
];
/// Operations whose refusals are those of RFC 6749, section 5.2. May only shrink.
pub const OF_OAUTH: [&str; 1] = ["issue_token"];

/// Operations without a permit: what their security is instead. May only shrink.
pub const OPEN: [(&str, &str); 13] = [
    ("read_liveness", "says only that the process runs"),
    ("read_readiness", "says only that the database answers"),
    ("sign_in", "asks for the password"),
    ("refresh_session", "asks for the refresh token"),
    ("sign_out", "asks for the refresh token"),
    ("accept_invitation", "asks for the token of the letter, and the password"),
    ("request_password_reset", "answers everybody the same; only the mailbox gets something"),
    ("complete_password_reset", "asks for the token of the letter"),
    ("issue_token", "asks for the program's secret"),
    ("read_token_keys", "public keys"),
    ("read_calendar", "its address holds a secret: calendar programs have no other way to sign in"),
    ("read_digest_ending", "its address holds a secret of the letter"),
    ("withdraw_digest", "its address holds a secret of the letter: RFC 8058 wants it without signing in"),
];

/// An operation of the document.
pub struct Operation {
    pub method: String,
    pub path: String,
    pub id: String,
    pub value: Value,
}

impl Operation {
    pub fn is_open(&self) -> bool {
        OPEN.iter().any(|(id, _)| *id == self.id)
    }

    pub fn writes(&self) -> bool {
        self.method != "GET"
    }

    pub fn parameters(&self, place: &str) -> Vec<String> {
        let parameters = self.value["parameters"].as_array().into_iter().flatten();
        parameters
            .filter(|parameter| parameter["in"] == place)
            .map(|parameter| parameter["name"].as_str().expect("a parameter has a name").to_owned())
            .collect()
    }
}

/// The operations of the document as the service serves it.
pub fn all() -> Vec<Operation> {
    let document: Value = serde_json::from_str(&document().expect("a document")).expect("JSON");
    let mut found = Vec::new();
    for (path, item) in object(&document["paths"]) {
        for (method, value) in object(item) {
            if ["get", "post", "put", "patch", "delete", "head", "options", "trace"]
                .contains(&method.as_str())
            {
                found.push(Operation {
                    method: method.to_uppercase(),
                    path: path.clone(),
                    id: value["operationId"].as_str().expect("an operation has an id").to_owned(),
                    value: value.clone(),
                });
            }
        }
    }
    assert!(found.len() > 60, "{} operations", found.len());
    found
}

fn object(value: &Value) -> &Map<String, Value> {
    value.as_object().expect("an object of the document")
}

fn checked_in(name: &str) -> String {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("openapi").join(name);
    std::fs::read_to_string(path).unwrap_or_default()
}

#[test]
fn the_document_checked_in_is_the_one_served() {
    let served = format!("{}\n", document().expect("a document"));
    assert!(
        checked_in("openapi.json") == served,
        "openapi/openapi.json is not what the service says. Run: cargo run -- openapi > openapi/openapi.json"
    );
}

#[test]
fn the_operations_checked_in_are_those_served() {
    assert_eq!(
        checked_in("operations.txt"),
        operations(),
        "Run: cargo run -- openapi --operations > openapi/operations.txt"
    );
    assert_eq!(operations().lines().count(), all().len(), "a line an operation");
}

#[test]
fn names_are_a_verb_and_what_it_is_done_to_and_unique() {
    let mut seen = BTreeSet::new();
    for operation in all() {
        let id = &operation.id;
        let (verb, rest) = id.split_once('_').unwrap_or((id, ""));
        assert!(VERBS.contains(&verb) && !rest.is_empty(), "{id} is no verb_noun");
        assert!(id.chars().all(|c| c.is_ascii_lowercase() || c == '_'), "{id}");
        let reads = ["list", "read"].contains(&verb);
        assert_eq!(reads, !operation.writes(), "{} {id}", operation.method);
        assert!(seen.insert(id.clone()), "{id} twice");
        assert!(!operation.value["tags"].as_array().is_none_or(Vec::is_empty), "{id} has no tag");
        let summary = operation.value["summary"].as_str().or(operation.value["description"].as_str());
        assert!(summary.is_some_and(|text| !text.is_empty()), "{id} says nothing");
    }
}

/// References into the document (RFC 6901) that lead nowhere.
fn dangling(document: &Value) -> Vec<String> {
    fn gather(value: &Value, found: &mut Vec<String>) {
        match value {
            Value::Object(fields) => {
                found.extend(fields.get("$ref").and_then(Value::as_str).map(str::to_owned));
                fields.values().for_each(|field| gather(field, found));
            }
            Value::Array(items) => items.iter().for_each(|item| gather(item, found)),
            _ => {}
        }
    }
    let mut found = Vec::new();
    gather(document, &mut found);
    found.retain(|r| r.strip_prefix('#').is_some_and(|pointer| document.pointer(pointer).is_none()));
    found
}

// A generated client cannot be made of a document with such a reference.
#[test]
fn every_reference_leads_somewhere() {
    let served: Value = serde_json::from_str(&document().expect("a document")).expect("JSON");
    assert_eq!(dangling(&served), Vec::<String>::new());
    let planted = serde_json::json!({"a": {"$ref": "#/b"}, "c": [{"$ref": "#/d"}], "d": {}});
    assert_eq!(dangling(&planted), ["#/b"]);
}

#[test]
fn every_operation_says_how_it_refuses() {
    let operations = all();
    for (id, _) in OPEN {
        assert!(operations.iter().any(|operation| operation.id == id), "{id} is gone: take it off the list");
    }
    for operation in operations {
        let id = &operation.id;
        let secured = operation.value["security"].as_array().is_some_and(|schemes| {
            !schemes.is_empty() && schemes.iter().all(|scheme| scheme["bearer"].is_array())
        });
        assert_eq!(secured, !operation.is_open(), "{id}: security, or a place on the open list");
        let answers = object(&operation.value["responses"]);
        let says = |status: &str| answers.contains_key(status);
        assert!(answers.keys().any(|status| status.starts_with('2')), "{id} never succeeds");
        let ids = operation.parameters("path");
        if secured {
            assert!(says("401") && says("403") && says("503"), "{id}: 401, 403, 503");
            assert!(ids.is_empty() || says("404"), "{id}: 404");
        }
        let of_oauth = OF_OAUTH.contains(&id.as_str());
        if operation.value["requestBody"].is_object() && !of_oauth {
            for status in ["400", "413", "415", "422"] {
                assert!(says(status), "{id}: {status}");
            }
        }
        if operation.parameters("header").contains(&"If-Match".to_owned()) {
            assert!(says("412") && says("428"), "{id}: 412, 428");
        }
        assert!(operation.method != "PATCH" || says("412"), "{id} changes without If-Match");
        // A value that a parameter does not take is refused, whatever the parameter.
        if !operation.parameters("query").is_empty() {
            assert!(says("422"), "{id}: 422");
        }
        if operation.parameters("query").contains(&"cursor".to_owned()) {
            assert!(says("400"), "{id}: 400");
        }
        // 304 has no content (RFC 9110, 15.4.5).
        let refusals = answers.iter().filter(|(status, _)| !status.starts_with('2') && *status != "304");
        for (status, answer) in refusals {
            let problem = &answer["content"]["application/problem+json"];
            let elsewhere = answer["$ref"].is_string();
            assert!(problem.is_object() || elsewhere || of_oauth, "{id} {status} is no problem document");
        }
        for place in ["path", "query", "header"] {
            for name in operation.parameters(place) {
                let parameters = operation.value["parameters"].as_array().expect("it has some");
                let parameter = parameters.iter().find(|p| p["name"] == *name).expect("just read");
                assert!(parameter["description"].is_string(), "{id}: {name} says nothing");
                assert!(place != "path" || operation.path.contains(&format!("{{{name}}}")), "{id}: {name}");
            }
        }
    }
}

/// The properties below a piece of the document that have no description, by where they stand.
fn undescribed(value: &Value, at: &str, found: &mut Vec<String>) {
    match value {
        Value::Object(members) => {
            if let Some(Value::Object(properties)) = members.get("properties") {
                for (name, property) in properties {
                    if !describes(property) {
                        found.push(format!("{at}/{name}"));
                    }
                }
            }
            for (name, member) in members {
                undescribed(member, &format!("{at}/{name}"), found);
            }
        }
        Value::Array(items) => {
            for (n, item) in items.iter().enumerate() {
                undescribed(item, &format!("{at}/{n}"), found);
            }
        }
        _ => {}
    }
}

/// Of a property that may be null, the description stands beside what it is otherwise.
fn describes(property: &Value) -> bool {
    let says = |value: &Value| value["description"].as_str().is_some_and(|text| !text.trim().is_empty());
    let within = |name: &str| property[name].as_array().is_some_and(|parts| parts.iter().any(says));
    says(property) || within("oneOf") || within("allOf") || within("anyOf")
}

#[test]
fn every_property_is_described() {
    let document: Value = serde_json::from_str(&document().expect("a document")).expect("JSON");
    let mut found = Vec::new();
    undescribed(&document, "", &mut found);
    assert!(found.is_empty(), "{found:#?}");
    let planted = serde_json::json!({"properties": {"a": {"type": "string"}, "b": {"description": "B"},
        "c": {"oneOf": [{"$ref": "#/d", "description": "C"}, {"type": "null"}]}}});
    undescribed(&planted, "", &mut found);
    assert_eq!(found, ["/a"]);
}

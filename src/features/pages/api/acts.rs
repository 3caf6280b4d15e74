//! The audit: who did what.

use std::collections::HashMap;

use actix_web::HttpRequest;
use askama::Template;
use serde::Deserialize;
use serde_json::Value;

use super::form;
use super::frame::{Frame, organisation_name, send};
use super::members::whole;
use super::session::PagePermit;
use crate::features::accounts::store;
use crate::features::audit::api::{AuditView, newest};
use crate::http::{App, Outcome};
use crate::ids::{AuditId, PersonId};
use crate::permissions::Administer;

/// Acts of one page.
const ACTS: i64 = 50;
/// The characters of a value that are shown.
const SHOWN: usize = 120;

/// Which page of the audit.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Asked {
    before: Option<AuditId>,
}

struct Shown {
    act: AuditView,
    who: String,
    what: String,
    changes: Vec<(String, String, String)>,
}

#[derive(Template)]
#[template(path = "audit.html")]
struct ActsPage {
    frame: Frame,
    acts: Vec<Shown>,
    next: Option<AuditId>,
}

fn short(value: Option<&Value>) -> String {
    let text = match value {
        None | Some(Value::Null) => return String::new(),
        Some(Value::String(text)) => text.clone(),
        Some(other) => other.to_string(),
    };
    if text.chars().count() > SHOWN { text.chars().take(SHOWN).chain(['…']).collect() } else { text }
}

/// The fields that differ: name, before, after.
fn changes(before: Option<&Value>, after: Option<&Value>) -> Vec<(String, String, String)> {
    let fields = |value: Option<&Value>| value.and_then(Value::as_object).cloned().unwrap_or_default();
    let (before, after) = (fields(before), fields(after));
    let mut names: Vec<&String> = before.keys().chain(after.keys()).collect();
    names.sort();
    names.dedup();
    names
        .into_iter()
        .filter(|name| before.get(*name) != after.get(*name))
        .map(|name| (name.clone(), short(before.get(name)), short(after.get(name))))
        .filter(|(_, before, after)| before != after)
        .collect()
}

fn shown(act: AuditView, names: &HashMap<PersonId, String>) -> Shown {
    let who = match (act.person_id, act.program_id) {
        (Some(person), _) => names.get(&person).cloned().unwrap_or_else(|| person.to_string()),
        (None, Some(program)) => format!("program {program}"),
        (None, None) => "the service".to_owned(),
    };
    let what = act.action.replace('_', " ");
    let changes = changes(act.before.as_ref(), act.after.as_ref());
    Shown { act, who, what, changes }
}

/// The audit, newest first.
///
/// # Errors
/// Those of the database; invalid parameters.
pub async fn show(app: App, request: HttpRequest, permit: PagePermit<Administer>) -> Outcome {
    let asked: Asked = form::query(&request)?;
    let (name, mut acts, names) = app
        .read(&permit.0, move |tx| {
            let members = whole(|page| store::list_members(tx, None, page))?;
            let names = members.into_iter().map(|it| (it.person_id, it.display_name)).collect();
            Ok((organisation_name(tx)?, newest(tx, asked.before, ACTS + 1)?, names))
        })
        .await?;
    let more = acts.len() > usize::try_from(ACTS).unwrap_or(usize::MAX);
    if more {
        acts.pop();
    }
    let next = acts.last().filter(|_| more).map(|act| act.id);
    let acts = acts.into_iter().map(|act| shown(act, &names)).collect();
    let frame = Frame::of(&request, name, "organisation", "Audit")?;
    send(&ActsPage { frame, acts, next })
}

#[cfg(test)]
mod tests {
    use super::changes;
    use serde_json::json;

    #[test]
    fn only_what_differs_is_told() {
        let (before, after) = (json!({"a": 1, "b": "x", "c": null}), json!({"a": 1, "b": "y", "d": [1]}));
        let told = changes(Some(&before), Some(&after));
        let texts: Vec<_> = told.iter().map(|(n, b, a)| (n.as_str(), b.as_str(), a.as_str())).collect();
        assert_eq!(texts, [("b", "x", "y"), ("d", "", "[1]")]);
    }
}

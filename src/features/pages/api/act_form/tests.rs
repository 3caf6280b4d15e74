//! What is typed into a form, and what becomes of it.

use chrono_tz::Tz;
use proptest::prelude::*;

use super::*;

fn form() -> ActForm {
    let fields = vec![
        Field::new("litres", "Litres", Kind::Number).needed(),
        Field::new("readings_um", "Readings", Kind::Numbers),
        Field::new("colour", "Colour", Kind::Text),
        Field::unseen("id", "fixed"),
    ];
    ActForm::new("coat", "A coat", "/somewhere".to_owned(), "Record", fields)
}

fn typed(pairs: &[(&str, &str)]) -> Typed {
    pairs.iter().map(|(name, text)| ((*name).to_owned(), (*text).to_owned())).collect()
}

fn local() -> LocalTime {
    LocalTime::at(Tz::UTC, "2026-06-15T10:00:00Z".parse().unwrap_or_default())
}

#[test]
fn what_is_typed_becomes_what_a_program_sends() {
    let given =
        typed(&[("litres", "4,5"), ("readings_um", "100 101,5\n99"), ("colour", " grey "), ("other", "x")]);
    let json = form().json(&given, &local(), json!({"role": "barrier"})).expect("it reads");
    assert_eq!(
        json,
        json!({"role": "barrier", "litres": 4.5, "readings_um": [100.0, 101.5, 99.0], "colour": " grey "})
    );
    let error = form().json(&typed(&[("litres", "a lot")]), &local(), json!({})).expect_err("no number");
    let again = form().refused(&typed(&[("litres", "a lot"), ("colour", "<b>")]), &error);
    assert!(again.open && again.problems.is_empty());
    assert_eq!(again.fields[0].value, "a lot");
    assert!(again.fields[0].problem.as_ref().is_some_and(|text| text.contains("no number")));
    let html = again.render().expect("it renders");
    assert!(html.contains("aria-invalid=\"true\"") && !html.contains("<b>"), "{html}");
}

#[test]
fn only_what_was_typed_otherwise_is_changed() {
    let mut form = form();
    form.fields[0].value = "0.000000000001".to_owned();
    form.fields[2].value = "grey\nor so".to_owned();
    form.fields.push(Field::new("reason", "Why", Kind::Text).needed());
    form.fields.push(Field::new("worn", "Worn", Kind::Flag).holding("true").folding("More"));
    let as_it_was = [("litres", "0.000000000001"), ("colour", "grey\r\nor so"), ("worn", "true")];
    let error = form.changes(&typed(&as_it_was), &local()).expect_err("no reason");
    assert_eq!(error.fields.iter().map(|f| f.pointer.as_str()).collect::<Vec<_>>(), ["/reason"]);
    let other = typed(&[("litres", "2"), ("reason", "x"), ("colour", "")]);
    let json = form.changes(&other, &local()).expect("it reads");
    assert_eq!(json, json!({"litres": 2, "colour": null, "worn": false, "reason": "x"}));
    let groups = form.groups();
    assert_eq!(groups.iter().map(|g| g.fields.len()).collect::<Vec<_>>(), [5, 1]);
    assert!(groups[0].part.is_none() && groups[1].part.is_some_and(|part| part.folded));
}

proptest! {
    #[test]
    fn nothing_typed_breaks_a_form(text in ".{0,60}") {
        let given = typed(&[("litres", &text), ("readings_um", &text), ("colour", &text)]);
        if let Err(error) = form().json(&given, &local(), json!({})) {
            let again = form().refused(&given, &error);
            prop_assert!(again.problems.len() + again.fields.iter().filter(|f| f.problem.is_some()).count() > 0);
            prop_assert!(again.render().is_ok());
        }
    }
}

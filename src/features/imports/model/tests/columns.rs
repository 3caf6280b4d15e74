//! The columns against the fields they stand for.

use serde_json::Value;
use utoipa::PartialSchema;

use crate::features::coats::model::CoatFields;
use crate::features::haulouts::model::{HaulOutFields, HaulOutReason};
use crate::features::imports::model::cells::Form;
use crate::features::imports::model::columns::ZONES;
use crate::features::imports::model::kinds::ImportKind;
use crate::features::imports::model::sheet::Sheet;
use crate::features::imports::model::text::MAX_FILE_BYTES;
use crate::features::products::model::CoatRole;
use crate::features::surveys::model::reading::ReadingFields;
use crate::features::surveys::model::station::StationFields;
use crate::features::vessels::model::{
    Bilge, HullPart, LaminateClass, Side, VesselFields, VesselForm, VesselZone, Zone,
};

fn schema<T: PartialSchema>() -> Value {
    serde_json::to_value(T::schema()).expect("a schema is JSON")
}

fn words<T: PartialSchema>() -> Vec<String> {
    serde_json::from_value(schema::<T>()["enum"].clone()).expect("a list of words")
}

fn properties<T: PartialSchema>() -> Vec<String> {
    let schema = schema::<T>();
    schema["properties"].as_object().expect("an object").keys().cloned().collect()
}

/// The words of the API's own enums, so that a word added there is not forgotten here.
#[test]
fn words_are_those_of_the_api() {
    let expected: Vec<(ImportKind, &str, Vec<String>)> = vec![
        (ImportKind::Vessels, "form", words::<VesselForm>()),
        (ImportKind::Vessels, "laminate_class", words::<LaminateClass>()),
        (ImportKind::Vessels, "bilge", words::<Bilge>()),
        (ImportKind::HaulOuts, "reason", words::<HaulOutReason>()),
        (ImportKind::Coats, "role", words::<CoatRole>()),
        (ImportKind::Coats, "zone", words::<Zone>()),
        (ImportKind::Readings, "zone", words::<Zone>()),
        (ImportKind::Readings, "hull", words::<HullPart>()),
        (ImportKind::Readings, "side", words::<Side>()),
    ];
    let mut seen = 0;
    for kind in ImportKind::ALL {
        for column in kind.columns() {
            if let Form::Word(words) = column.form {
                let (_, _, expected) = expected
                    .iter()
                    .find(|(of, name, _)| *of == kind && *name == column.name)
                    .unwrap_or_else(|| unreachable!("{} has no list here", column.name));
                assert_eq!(words, expected, "{}", column.name);
                seen += 1;
            }
        }
    }
    assert_eq!(seen, expected.len());
    assert_eq!(ZONES.to_vec(), words::<Zone>());
}

/// Every field of a record has its column, or a reason not to have one.
#[test]
fn no_field_is_forgotten() {
    let columns = |kind: ImportKind| kind.columns().iter().map(|column| column.name).collect::<Vec<_>>();
    let cases: Vec<(ImportKind, Vec<String>, &[&str])> = vec![
        // site_ref and site_name; the columns of the zones.
        (ImportKind::Vessels, properties::<VesselFields>(), &["site_id", "zones"]),
        (ImportKind::HaulOuts, properties::<HaulOutFields>(), &["vessel_id"]),
        // A row of a file withdraws nothing. product_ref
        (
            ImportKind::Coats,
            properties::<CoatFields>(),
            &["vessel_id", "haul_out_id", "product_id", "withdrawn"],
        ),
        (ImportKind::Readings, properties::<ReadingFields>(), &["survey_id", "station_id", "withdrawn"]),
        // station_code
        (ImportKind::Readings, properties::<StationFields>(), &["vessel_id", "code"]),
    ];
    for (kind, fields, otherwise) in cases {
        assert!(!fields.is_empty());
        for field in fields.iter().filter(|field| !otherwise.contains(&field.as_str())) {
            assert!(columns(kind).contains(&field.as_str()), "{} has no column {field}", kind.as_str());
        }
    }
    for field in properties::<VesselZone>().iter().filter(|field| *field != "zone") {
        for zone in ZONES {
            assert!(
                columns(ImportKind::Vessels).contains(&format!("{zone}_{field}").as_str()),
                "{zone} {field}"
            );
        }
    }
}

#[test]
fn a_template_is_a_file_of_one_good_row() {
    for kind in ImportKind::ALL {
        let template = kind.template();
        let sheet = Sheet::read(kind, template.as_bytes(), MAX_FILE_BYTES).expect("a template is read");
        let rows: Vec<_> = sheet.table().rows().collect();
        assert_eq!(rows.len(), 1);
        let entry = sheet.entry(*rows.first().expect("one row")).expect("a good row");
        for column in kind.columns().iter().filter(|column| column.required) {
            assert!(entry.value(column.name).is_some(), "{}", column.name);
        }
    }
}

#[test]
fn headers_are_refused_by_the_name_at_fault() {
    let header = |text: &str| {
        Sheet::read(ImportKind::Vessels, text.as_bytes(), MAX_FILE_BYTES).map_err(|error| {
            error
                .fields
                .into_iter()
                .map(|field| (field.pointer, field.code, field.detail))
                .collect::<Vec<_>>()
        })
    };
    assert!(header("ref,name,form,length_m,refused_because\n").is_ok());
    let faults = header("ref,name,form,lenght_m,name,\n").expect_err("a bad header");
    let expected = [
        ("lenght_m", "unknown_column", "the nearest is length_m"),
        ("name", "doubled", "twice"),
        ("6", "unnamed", "no name"),
        ("length_m", "missing", "required"),
    ];
    assert_eq!(faults.len(), expected.len());
    for ((pointer, code, detail), (column, word, part)) in faults.iter().zip(expected) {
        assert_eq!((pointer.as_str(), code.as_str()), (format!("line 1, column {column}").as_str(), word));
        assert!(detail.contains(part), "{detail}");
    }
    let faults = header("name,form,length_m\n").expect_err("no identity");
    assert_eq!(faults.first().map(|(_, code, _)| code.as_str()), Some("missing"));
}

#[test]
fn a_row_is_refused_with_every_cell_at_fault() {
    let text = "ref;name;form;length_m;launched_on\nA;x;sloop;12,5;04/05/2026\nB;y;motor;11,0\n";
    let sheet = Sheet::read(ImportKind::Vessels, text.as_bytes(), MAX_FILE_BYTES).expect("a sheet");
    let rows: Vec<_> = sheet.table().rows().collect();
    let errors = sheet.entry(*rows.first().expect("a row")).expect_err("two bad cells");
    let told: Vec<_> =
        errors.iter().map(|e| (e.line, e.column.as_str(), e.value.as_str(), e.code.as_str())).collect();
    assert_eq!(told, [(2, "form", "sloop", "word"), (2, "launched_on", "04/05/2026", "date")]);
    let errors = sheet.entry(*rows.get(1).expect("a row")).expect_err("a cell too few");
    assert_eq!(errors.first().map(|e| (e.line, e.code.as_str())), Some((3, "cells")));
}

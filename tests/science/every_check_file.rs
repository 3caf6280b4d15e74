//! Every check file is read by a test here.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

/// The names of the files in a folder of the project with one of these endings.
fn names(folder: &Path, endings: [&str; 2]) -> BTreeSet<String> {
    fs::read_dir(folder)
        .expect("a folder of the project")
        .map(|entry| entry.expect("it can be read").file_name().into_string().expect("a plain name"))
        .filter(|name| endings.iter().any(|ending| name.ends_with(ending)))
        .collect()
}

/// Whether a file holds values, not a data set.
fn is_values(name: &str) -> bool {
    Path::new(name).extension().is_some_and(|extension| extension == "json")
}

/// The code of these tests without its comments: a name in a comment is no test.
fn code() -> String {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/science");
    names(&folder, [".rs", ".rs"])
        .iter()
        .map(|name| fs::read_to_string(folder.join(name)).expect("a source of these tests"))
        .flat_map(|text| text.lines().map(str::to_owned).collect::<Vec<_>>())
        .filter(|line| !line.trim_start().starts_with("//"))
        .map(|line| line + "\n")
        .collect()
}

/// A file of values is named, in quotes, where it is read; a data set there, or in the file of values that goes with it.
#[test]
fn every_check_file_is_read_by_a_test() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/checks");
    let code = code();
    let files = names(&folder, [".json", ".csv"]);
    assert!(files.len() >= 58, "{} check files", files.len());
    let read = |name: &str| code.contains(&format!("\"{}\"", name.trim_end_matches(".json")));
    let (values, data_sets): (Vec<&String>, Vec<&String>) = files.iter().partition(|name| is_values(name));
    let unread: Vec<&&String> = values.iter().filter(|name| !read(name)).collect();
    assert!(unread.is_empty(), "no test reads {unread:?}");
    let texts: String = values
        .iter()
        .map(|name| fs::read_to_string(folder.join(name)).expect("a file of the project"))
        .collect();
    let unnamed: Vec<&&String> = data_sets
        .iter()
        .filter(|name| !read(name) && !texts.contains(&format!("\"dataset\": \"{name}")))
        .collect();
    assert!(unnamed.is_empty(), "no test reads {unnamed:?}");
}

/// The table over the modules of `science`: it has a row for each that holds a model, names no file that is not there, and
/// leaves out none.
#[test]
fn the_table_of_models_is_complete() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let text = fs::read_to_string(root.join("src/science/mod.rs")).expect("the module's page");
    let rows: Vec<&str> = text.lines().filter(|line| line.starts_with("//! | [`")).collect();
    let modules = text.lines().filter_map(|line| line.strip_prefix("pub mod ")?.strip_suffix(';'));
    for module in modules.filter(|module| !["cautions", "model", "refusal"].contains(module)) {
        assert!(
            rows.iter().any(|row| row.starts_with(&format!("//! | [`{module}`] |"))),
            "no row for {module}"
        );
    }
    let named: Vec<&str> =
        rows.iter().flat_map(|row| row.split('`')).filter(|word| is_values(word)).collect();
    let is_named = |pattern: &str, file: &str| match pattern.split_once('*') {
        Some((start, end)) => file.starts_with(start) && file.ends_with(end),
        None => file == pattern,
    };
    let files = names(&root.join("tests/checks"), [".json", ".json"]);
    for file in &files {
        assert!(named.iter().any(|pattern| is_named(pattern, file)), "the table leaves out {file}");
    }
    for pattern in named {
        let there = match pattern.strip_prefix("reference/") {
            Some(name) => root.join("tests/science/reference").join(name).is_file(),
            None => files.iter().any(|file| is_named(pattern, file)),
        };
        assert!(there, "{pattern} is not there");
    }
}

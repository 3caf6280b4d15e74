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
    let (values, data_sets): (Vec<&String>, Vec<&String>) =
        files.iter().partition(|name| name.ends_with(".json"));
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

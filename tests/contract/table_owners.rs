//! A table belongs to the first capability whose store inserts into it, and no capability before that one names it: else
//! the order of the capabilities would hold for `use` lines and not for statements.

use std::collections::{BTreeMap, BTreeSet};

use super::architecture::{CAPABILITIES, sources};

/// Tables of later capabilities that a file names, each with its reason. May only shrink.
const EARLIER_ALLOWED: [(&str, &str, &str); 6] = [
    ("features/vessels/store.rs", "grants", "the vessels granted to a guest are among those listed"),
    ("features/grants/store/grant.rs", "due", "a former guest's due rows go with the grant"),
    ("features/grants/store/transfer.rs", "due", "a vessel leaves the seller's due list"),
    ("features/grants/store/transfer.rs", "told_dates", "what the seller was told goes with the vessel"),
    (
        "features/grants/store/transfer.rs",
        "coat_versions",
        "products that a history names are copied with it",
    ),
    ("features/grants/store/transfer.rs", "treatment_plan_versions", "products that plans name are copied"),
];

fn capability(file: &str) -> Option<usize> {
    let name = file.strip_prefix("features/")?.split('/').next()?;
    CAPABILITIES.iter().position(|own| *own == name)
}

fn words(text: &str) -> impl Iterator<Item = &str> {
    text.split(|c: char| !c.is_ascii_alphanumeric() && c != '_').filter(|word| !word.is_empty())
}

/// The words that follow any of these in a text.
fn after<'a>(source: &'a str, leads: &[&str]) -> BTreeSet<&'a str> {
    let mut found = BTreeSet::new();
    for lead in leads {
        for rest in source.split(lead).skip(1) {
            found.extend(words(rest).next());
        }
    }
    found
}

/// The names that a file imports from the schema or the views, by the names it gives them.
fn imported(source: &str) -> BTreeMap<&str, &str> {
    let mut found = BTreeMap::new();
    for lead in ["use crate::db::schema::", "use crate::db::views::"] {
        for rest in source.split(lead).skip(1) {
            let list = rest.split(';').next().unwrap_or_default();
            for item in list.trim_matches(['{', '}', ' ', '\n']).split(',') {
                let mut of = item.split(" as ").map(str::trim);
                let name = of.next().filter(|name| !name.is_empty());
                found.extend(name.map(|name| (of.next().unwrap_or(name), name)));
            }
        }
    }
    // A function may name a table shortly: `use treatment_versions as v;`, `use {coats as c, films as f};`.
    for rest in source.split("use ").skip(1) {
        let list = rest.split(';').next().unwrap_or_default();
        for item in list.trim_matches(['{', '}', ' ']).split(',') {
            if let Some((name, short)) = item.trim().split_once(" as ")
                && found.contains_key(name)
            {
                found.insert(short, name);
            }
        }
    }
    found
}

/// The tables a file inserts into, and those it names.
fn tables(source: &str) -> (BTreeSet<&str>, BTreeSet<&str>) {
    let imported = imported(source);
    let whole = |name: &'_ str| imported.get(name).copied();
    let mut inserted: BTreeSet<&str> =
        after(source, &["insert_into("]).into_iter().filter_map(whole).collect();
    let by_statement = after(source, &["INSERT INTO "]);
    inserted.extend(&by_statement);
    let mut named: BTreeSet<&str> = imported.values().copied().collect();
    named.extend(after(source, &["FROM ", "JOIN ", "UPDATE ", "INSERT INTO "]));
    (inserted, named)
}

/// A view shows the table of its name.
fn shown<'a>(name: &'a str, owners: &BTreeMap<String, usize>) -> Option<&'a str> {
    let bare = name.trim_start_matches("current_").trim_start_matches("signed_");
    [name, bare].into_iter().find(|name| owners.contains_key(*name))
}

fn breaches(files: &[(String, String)]) -> Vec<(String, String)> {
    let mut owners: BTreeMap<String, usize> = BTreeMap::new();
    for (file, source) in files {
        let Some(own) = capability(file) else { continue };
        for table in tables(source).0 {
            let owner = owners.entry(table.to_owned()).or_insert(own);
            *owner = own.min(*owner);
        }
    }
    let mut found = Vec::new();
    for (file, source) in files {
        let Some(own) = capability(file) else { continue };
        for table in tables(source).1.into_iter().filter_map(|name| shown(name, &owners)) {
            if owners.get(table).is_some_and(|owner| *owner > own) {
                found.push((file.clone(), table.to_owned()));
            }
        }
    }
    found
}

#[test]
fn no_statement_reads_a_table_of_a_later_capability() {
    let files = sources();
    let owned = files.iter().filter(|(file, _)| capability(file).is_some());
    let inserted: BTreeSet<String> =
        owned.flat_map(|(_, source)| tables(source).0).map(str::to_owned).collect();
    assert!(inserted.len() > 40, "the tables are found: {inserted:?}");
    let found = breaches(&files);
    for (file, table) in &found {
        let allowed = EARLIER_ALLOWED.iter().any(|(own, name, _)| own == file && name == table);
        assert!(allowed, "{file} names {table}, which belongs to a later capability");
    }
    for (file, table, reason) in EARLIER_ALLOWED {
        let stands = found.iter().any(|(own, name)| own == file && name == table);
        assert!(stands, "{file} no longer names {table} ({reason}): strike it from the list");
    }
}

#[test]
fn the_wall_refuses_a_planted_statement() {
    let late = "use crate::db::schema::treatment_plans as p;\nfn f() { diesel::insert_into(p::table); }";
    for early in [
        "use crate::db::schema::{haul_outs, treatment_plans};",
        "use crate::db::views::current_treatment_plans;",
        "fn f() { sql_query(\"SELECT 1 FROM treatment_plans\"); }",
    ] {
        let files = [
            ("features/treatments/store/plan.rs".to_owned(), late.to_owned()),
            ("features/haulouts/store.rs".to_owned(), early.to_owned()),
        ];
        assert_eq!(
            breaches(&files),
            [("features/haulouts/store.rs".to_owned(), "treatment_plans".to_owned())],
            "{early}"
        );
    }
}

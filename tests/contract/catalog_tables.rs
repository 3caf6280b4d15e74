//! `db/schema.rs` and `db/views.rs`, read as text, against the catalog.

use std::collections::BTreeMap;

use diesel::PgConnection;

use super::sql::{connect, rows, text};
use crate::support::app::database;

/// Views that join outwardly, with the column that may be null by that.
const OUTWARD: [(&str, &str); 1] = [("current_attachments", "erased_at")];

/// A column: its name, its type as diesel calls it, whether it may be null.
type Column = (String, String, bool);

#[derive(Debug, PartialEq, Eq)]
struct Table {
    key: Vec<String>,
    columns: Vec<Column>,
}

/// The `table!`s of a source.
fn declared(source: &str) -> BTreeMap<String, Table> {
    let mut tables = BTreeMap::new();
    for block in source.split("diesel::table! {").skip(1) {
        let mut lines = block.lines().map(str::trim).filter(|line| !line.is_empty());
        let head = lines.next().expect("a table has a name");
        let (name, key) = head.split_once(" (").expect("a table has a key");
        let key = key.split(')').next().unwrap_or_default().split(", ").map(str::to_owned).collect();
        let mut columns = Vec::new();
        let mut named = None;
        for line in lines.take_while(|line| *line != "}") {
            if let Some(name) = line.strip_prefix("#[sql_name = \"") {
                named = name.strip_suffix("\"]").map(str::to_owned);
            } else if let Some((name, kind)) = line.trim_end_matches(',').split_once(" -> ") {
                let inner = kind.strip_prefix("Nullable<").and_then(|rest| rest.strip_suffix('>'));
                let name = named.take().unwrap_or_else(|| name.to_owned());
                columns.push((name, inner.unwrap_or(kind).to_owned(), inner.is_some()));
            }
        }
        tables.insert(name.to_owned(), Table { key, columns });
    }
    tables
}

/// The words of diesel for the types of PostgreSQL (diesel's guide, "SQL types").
fn diesel_type(postgres: &str) -> String {
    match postgres {
        "uuid" => "Uuid",
        "text" => "Text",
        "int2" => "Int2",
        "int4" => "Int4",
        "int8" => "Int8",
        "float8" => "Float8",
        "bool" => "Bool",
        "time" => "Time",
        "timestamptz" => "Timestamptz",
        "date" => "Date",
        "jsonb" => "Jsonb",
        "bytea" => "Bytea",
        other => return format!("no word for {other}"),
    }
    .to_owned()
}

fn columns(superuser: &mut PgConnection, kinds: &str) -> BTreeMap<String, Vec<Column>> {
    let query = format!(
        "SELECT c.relname::text AS table_name, a.attname::text AS name, t.typname::text AS kind, NOT a.attnotnull AS nullable
         FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid JOIN pg_type t ON t.oid = a.atttypid
         WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ({kinds}) AND a.attnum > 0 AND NOT a.attisdropped
           AND c.relname <> '__diesel_schema_migrations' ORDER BY c.relname, a.attnum"
    );
    let mut tables: BTreeMap<String, Vec<Column>> = BTreeMap::new();
    for row in rows(superuser, &query) {
        tables.entry(text(&row, "table_name").to_owned()).or_default().push((
            text(&row, "name").to_owned(),
            diesel_type(text(&row, "kind")),
            row["nullable"] == true,
        ));
    }
    tables
}

fn keys(superuser: &mut PgConnection) -> BTreeMap<String, Vec<String>> {
    let query =
        "SELECT c.relname::text AS table_name, string_agg(a.attname::text, ',' ORDER BY place.number) AS key
        FROM pg_index x JOIN pg_class c ON c.oid = x.indrelid
        CROSS JOIN LATERAL unnest(x.indkey::int2[]) WITH ORDINALITY AS place (attnum, number)
        JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum = place.attnum
        WHERE x.indisprimary AND c.relnamespace = 'public'::regnamespace GROUP BY c.relname";
    rows(superuser, query)
        .iter()
        .map(|row| {
            (text(row, "table_name").to_owned(), text(row, "key").split(',').map(str::to_owned).collect())
        })
        .collect()
}

fn names_of<T>(tables: &BTreeMap<String, T>) -> Vec<&String> {
    tables.keys().collect()
}

#[test]
fn the_tables_are_those_of_the_catalog() {
    let database = database();
    let mut superuser = connect(&database.superuser_url());
    let declared = declared(include_str!("../../src/db/schema.rs"));
    let catalog = columns(&mut superuser, "'r', 'p'");
    let keys = keys(&mut superuser);
    assert_eq!(names_of(&declared), names_of(&catalog));
    for (name, columns) in &catalog {
        assert_eq!(&declared[name].columns, columns, "{name}");
        assert_eq!(&declared[name].key, &keys[name], "{name}");
    }
}

#[test]
fn the_views_are_those_of_the_catalog() {
    let database = database();
    let mut superuser = connect(&database.superuser_url());
    let declared = declared(include_str!("../../src/db/views.rs"));
    let mut catalog = columns(&mut superuser, "'v'");
    assert_eq!(names_of(&declared), names_of(&catalog));
    // PostgreSQL does not say which columns of a view may be null; those of the tables under it that are joined
    // inwardly do.
    let under = rows(
        &mut superuser,
        "SELECT u.view_name::text AS view_name, u.column_name::text AS name, bool_or(NOT a.attnotnull) AS nullable,
                bool_or(pg_get_viewdef(u.view_name::regclass) ~* '(left|right|full) join') AS outward
         FROM information_schema.view_column_usage u
         JOIN pg_attribute a ON a.attrelid = u.table_name::regclass AND a.attname = u.column_name
         WHERE u.view_schema = 'public' GROUP BY 1, 2",
    );
    for (view, columns) in &mut catalog {
        for (name, _, nullable) in columns.iter_mut() {
            let known = under.iter().find(|row| text(row, "view_name") == view && text(row, "name") == name);
            let known = known.expect("a column of a view is called as in the table under it");
            let outward = OUTWARD.iter().filter(|(known, _)| known == view).map(|(_, name)| *name);
            let outward: Vec<&str> = outward.collect();
            assert_eq!(
                known["outward"],
                !outward.is_empty(),
                "{view} joins outwardly: say in OUTWARD what may be null then, and nothing else"
            );
            *nullable = known["nullable"] == true || outward.contains(&name.as_str());
        }
        assert_eq!(&declared[view].columns, columns, "{view}");
    }
}

#[test]
fn a_wrong_declaration_would_be_seen() {
    let read = declared(
        "diesel::table! {\n    a (org_id, id) {\n        org_id -> Uuid,\n        #[sql_name = \"ref\"]\n        ref_ -> Nullable<Text>,\n    }\n}\n",
    );
    let column = |name: &str, kind: &str, nullable| (name.to_owned(), kind.to_owned(), nullable);
    let columns = vec![column("org_id", "Uuid", false), column("ref", "Text", true)];
    assert_eq!(read["a"], Table { key: vec!["org_id".to_owned(), "id".to_owned()], columns });
}

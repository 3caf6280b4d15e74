//! The schema's changes can be taken back and made again.

use std::path::{Path, PathBuf};
use std::process::Command;

use garboard::db::migrations::{migrate, revert_all};

use super::sql::{connect, names};
use crate::support::app::database;

/// The schema as PostgreSQL's own program writes it.
fn dumped(url: &str) -> String {
    let output = Command::new(pg_dump())
        .args(["--schema-only", "--no-password", "--dbname", url])
        .output()
        .expect("pg_dump runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).expect("UTF-8");
    // Newer versions write a random word against injection.
    text.lines()
        .filter(|line| !line.starts_with("\\restrict") && !line.starts_with("\\unrestrict"))
        .fold(String::new(), |text, line| text + line + "\n")
}

/// The program of the server that the tests run on, or of the newest that is installed.
#[allow(clippy::disallowed_methods, reason = "tests have no configuration of their own to read it with")]
fn pg_dump() -> PathBuf {
    if let Some(folder) = std::env::var_os("PG_BINDIR") {
        return Path::new(&folder).join("pg_dump");
    }
    let installed = std::fs::read_dir("/usr/lib/postgresql").into_iter().flatten().flatten();
    let mut found: Vec<(u32, PathBuf)> = installed
        .filter_map(|entry| {
            Some((entry.file_name().to_str()?.parse().ok()?, entry.path().join("bin/pg_dump")))
        })
        .filter(|(_, program)| program.exists())
        .collect();
    found.sort();
    found.pop().map_or_else(|| PathBuf::from("pg_dump"), |(_, program)| program)
}

#[test]
fn every_change_can_be_taken_back_and_made_again() {
    let database = database();
    let url = database.superuser_url();
    let first = dumped(&url);
    assert!(first.contains("CREATE TABLE public.organisations"), "the template is migrated");
    assert_eq!(migrate(&url).expect("nothing is pending"), Vec::<String>::new());
    revert_all(&url).expect("every change can be taken back");
    let left = names(
        &mut connect(&url),
        "SELECT what FROM (
             SELECT 'relation ' || relname AS what, 'pg_class'::regclass AS catalog, oid FROM pg_class
                 WHERE relnamespace = 'public'::regnamespace AND relname NOT LIKE '\\_\\_diesel\\_schema\\_migrations%'
             UNION ALL SELECT 'function ' || proname, 'pg_proc'::regclass, oid FROM pg_proc
                 WHERE pronamespace = 'public'::regnamespace
             UNION ALL SELECT 'type ' || typname, 'pg_type'::regclass, oid FROM pg_type
                 WHERE typnamespace = 'public'::regnamespace AND typcategory <> 'A' AND typname <> '__diesel_schema_migrations') AS all_there_is
         WHERE NOT EXISTS (SELECT FROM pg_depend d WHERE d.classid = catalog AND d.objid = all_there_is.oid AND d.deptype = 'e')",
    );
    assert!(left.is_empty(), "left behind: {left:?}");
    let made = migrate(&url).expect("every change can be made again");
    let folders =
        std::fs::read_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("migrations")).expect("migrations");
    assert_eq!(made.len(), folders.count());
    let second = dumped(&url);
    let difference: Vec<_> = first.lines().zip(second.lines()).filter(|(a, b)| a != b).take(5).collect();
    assert!(first == second, "the schema differs after down and up: {difference:#?}");
}

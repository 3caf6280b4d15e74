//! Files into the database from the command line: the report, the exit code, the file of refused rows.

use std::path::{Path, PathBuf};
use std::process::Output;

use serde_json::Value;

use crate::running::{Scratch, refused, run, stderr, stdout, succeeded, text};

/// A data folder with one organisation, and files beside it.
struct Yard {
    folder: Scratch,
    files: Scratch,
}

impl Yard {
    fn new() -> Self {
        let yard = Self { folder: Scratch::new(), files: Scratch::new() };
        std::fs::create_dir_all(&yard.files.0).unwrap();
        let email = "administrator@yard.example";
        let made =
            run(&["organisation", "--name", "Yard", "--email", email, "--data-dir", text(&yard.folder.0)]);
        succeeded(&made);
        yard
    }

    fn file(&self, name: &str, content: impl AsRef<[u8]>) -> PathBuf {
        let path = self.files.0.join(name);
        std::fs::write(&path, content).unwrap();
        path
    }

    fn import(&self, kind: &str, file: &Path, options: &[&str]) -> Output {
        let arguments = ["import", kind, text(file), "--data-dir", text(&self.folder.0)];
        run(&[&arguments, options].concat())
    }
}

#[track_caller]
fn says(output: &Output, line: &str) {
    succeeded(output);
    assert_eq!(stdout(output).trim_end(), line);
}

#[test]
fn templates_are_files_that_can_be_imported() {
    let yard = Yard::new();
    for kind in ["vessels", "haul-outs", "readings", "coats"] {
        let template = run(&["import", kind, "--template"]);
        succeeded(&template);
        let file = yard.file(&format!("{kind}.csv"), stdout(&template));
        let tried = "1 rows: 1 created, 0 updated, 0 unchanged, 0 refused. Nothing was kept: a dry run.";
        says(&yard.import(kind, &file, &["--dry-run"]), tried);
        let made = "1 rows: 1 created, 0 updated, 0 unchanged, 0 refused.";
        says(&yard.import(kind, &file, &[]), made);
        let again = "1 rows: 0 created, 0 updated, 1 unchanged, 0 refused.";
        says(&yard.import(kind, &file, &["--organisation", "Yard"]), again);
    }
    let due = run(&["due", "--format", "json", "--data-dir", text(&yard.folder.0)]);
    succeeded(&due);
    let rows: Vec<Value> = serde_json::from_str(&stdout(&due)).unwrap();
    assert!(rows.iter().any(|row| row["vessel_name"] == "Invented Hull"), "{rows:?}");
}

#[test]
fn a_bad_row_holds_back_the_file_or_is_put_aside() {
    let yard = Yard::new();
    let file =
        yard.file("hulls.csv", "ref;name;form;length_m\nA;First;motor;8,5\nB;Second;sloop;9\nC;;motor;\n");
    let held = yard.import("vessels", &file, &[]);
    assert_eq!(held.status.code(), Some(1));
    let told = stderr(&held);
    let lines: Vec<&str> = told.trim_end().lines().collect();
    assert_eq!(lines.len(), 3, "{told}");
    assert!(lines[0].starts_with("line 3: form `sloop` is not known here."), "{told}");
    assert!(lines[1].starts_with("line 4: name "), "{told}");
    assert!(
        lines[2].contains("2 refused. Nothing was imported.") && lines[2].contains("--skip-bad"),
        "{told}"
    );
    assert!(!yard.files.0.join("hulls.bad.csv").exists());

    let skipped = yard.import("vessels", &file, &["--skip-bad"]);
    says(&skipped, "3 rows: 1 created, 0 updated, 0 unchanged, 2 refused.");
    let bad = yard.files.0.join("hulls.bad.csv");
    let aside = std::fs::read_to_string(&bad).unwrap();
    assert!(aside.starts_with("ref;name;form;length_m;refused_because\nB;Second;sloop;9;"), "{aside}");
    let mended =
        yard.file("mended.csv", aside.replace("sloop", "fin_keel").replace("C;;motor;;", "C;Third;motor;7;"));
    says(&yard.import("vessels", &mended, &[]), "2 rows: 2 created, 0 updated, 0 unchanged, 0 refused.");

    let other = yard.file("other.csv", "ref,name,form,length_m\nA,First,motor,9\n");
    let differs = yard.import("vessels", &other, &[]);
    assert_eq!(differs.status.code(), Some(1));
    assert!(
        stderr(&differs).contains("length_m `9` differs from what is kept: `8.5`"),
        "{}",
        stderr(&differs)
    );
    says(
        &yard.import("vessels", &other, &["--update"]),
        "1 rows: 0 created, 1 updated, 0 unchanged, 0 refused.",
    );
}

#[test]
fn a_file_that_cannot_be_read_is_refused_in_one_line() {
    let yard = Yard::new();
    refused(&yard.import("vessels", &yard.files.0.join("none.csv"), &[]), &["none.csv"]);
    refused(&yard.import("vessels", &yard.file("a.csv", ""), &[]), &["line 1", "empty"]);
    refused(&yard.import("vessels", &yard.file("b.csv", b"ref,name\nA,\xE9\n"), &[]), &["line 2", "0xE9"]);
    let misspelt = yard.file("c.csv", "ref,name,form,lenght_m\n");
    refused(&yard.import("vessels", &misspelt, &[]), &["line 1", "lenght_m", "length_m"]);
    let file = yard.file("d.csv", "ref,name,form,length_m\n");
    refused(&yard.import("vessels", &file, &["--organisation", "Nobody"]), &["--organisation", "Yard"]);
    for arguments in [
        &["import", "vessels"][..],
        &["import", "boats", "x.csv"],
        &["import", "vessels", "x.csv", "--template"],
    ] {
        assert_eq!(run(arguments).status.code(), Some(2), "{arguments:?}");
    }
}

//! Every dependency's licence is one that a program of any kind may be built with.

use std::process::Command;

use serde_json::Value;

/// Identifiers of the SPDX licence list (spdx.org/licenses): permissive ones, which ask for a notice at most; MPL-2.0 asks
/// for changes of its own files; CDLA is of data.
const ALLOWED: [&str; 16] = [
    "0BSD",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-1-Clause",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BSL-1.0",
    "CC0-1.0",
    "CDLA-Permissive-2.0",
    "ISC",
    "MIT",
    "MIT-0",
    "PostgreSQL",
    "Unicode-3.0",
    "Unlicense",
    "Zlib",
];

/// Whether an SPDX expression (annex D of the specification: AND binds closer than OR) can be kept with what is allowed.
/// The older `MIT/Apache-2.0` is an OR.
fn allowed(expression: &str) -> bool {
    let mut rest = expression.replace('/', " OR ").replace('(', " ( ").replace(')', " ) ");
    // The innermost parentheses first, each replaced by what it comes to.
    while let Some((before, inner)) = rest.split_once(')').and_then(|(head, _)| head.rsplit_once('(')) {
        let after = rest.split_once(')').map_or("", |(_, after)| after);
        let worth = if any(inner) { "MIT" } else { "refused" };
        rest = format!("{before} {worth} {after}");
    }
    any(&rest)
}

fn any(expression: &str) -> bool {
    expression.split(" OR ").any(|side| {
        side.split(" AND ")
            .all(|one| ALLOWED.contains(&one.split_whitespace().collect::<Vec<_>>().join(" ").as_str()))
    })
}

#[test]
fn every_dependency_may_be_built_in() {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--offline", "--locked"])
        .args(["--filter-platform", "x86_64-unknown-linux-gnu"])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .expect("cargo runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let packages = metadata["packages"].as_array().expect("packages");
    assert!(packages.len() > 150, "{} packages", packages.len());
    let refused: Vec<String> = packages
        .iter()
        .filter(|package| !package["license"].as_str().is_some_and(allowed))
        .map(|package| format!("{} {}: {}", package["name"], package["version"], package["license"]))
        .collect();
    assert!(refused.is_empty(), "{refused:#?}");
}

#[test]
fn expressions_are_read_as_the_specification_says() {
    for good in [
        "MIT",
        "MIT OR GPL-3.0-only",
        "GPL-2.0 OR MIT",
        "MIT/Apache-2.0",
        "(MIT OR Apache-2.0) AND Unicode-3.0",
        "Apache-2.0 WITH LLVM-exception OR GPL-3.0",
        "MIT OR GPL-3.0 AND ISC",
        "((MIT))",
    ] {
        assert!(allowed(good), "{good}");
    }
    for bad in ["GPL-3.0", "MIT AND GPL-3.0", "(GPL-3.0 OR AGPL-3.0) AND MIT", "", "LGPL-2.1 WITH X", "MITX"]
    {
        assert!(!allowed(bad), "{bad}");
    }
}

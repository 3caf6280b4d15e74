//! The accessibility engine axe-core, run in the page.

use std::path::PathBuf;

use serde_json::Value;

use super::driver::Browser;

fn engine() -> String {
    let file =
        PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/browser/node_modules/axe-core/axe.min.js");
    std::fs::read_to_string(&file).unwrap_or_else(|cause| {
        unreachable!(
            "The tests of the pages need axe-core ({cause}): run `npm ci` in tests/browser (`.ci/run` does)."
        )
    })
}

/// The violations with an impact of `serious` or `critical` on the page as it is shown now, a line each.
#[track_caller]
pub fn violations(browser: &Browser) -> Vec<String> {
    browser.run(&engine());
    let found = browser.run_until_done(
        "axe.run(document, {resultTypes: ['violations']}).then(
            it => done({passes: it.passes.length, violations: it.violations}), it => done({failed: String(it)}));",
    );
    assert!(
        found["passes"].as_u64().is_some_and(|passes| passes > 5),
        "the engine looked at nothing: {found}"
    );
    let violations = found["violations"].as_array().into_iter().flatten();
    let grave = |it: &&Value| it["impact"] == "serious" || it["impact"] == "critical";
    violations
        .filter(grave)
        .map(|it| {
            let nodes: Vec<String> = it["nodes"]
                .as_array()
                .into_iter()
                .flatten()
                .take(3)
                .map(|node| format!("{} {}", node["html"], node["any"][0]["message"]))
                .collect();
            format!("{} ({}): {}", it["id"], it["impact"], nodes.join("; "))
        })
        .collect()
}

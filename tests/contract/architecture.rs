//! The walls between the modules of the package: who may use whom, and where what may stand.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use super::rust_paths::{has_word_beginning, modules, paths};

/// Each may use those before it.
pub const CAPABILITIES: [&str; 26] = [
    "audit",
    "jobs",
    "accounts",
    "sites",
    "vessels",
    "grants",
    "products",
    "haulouts",
    "surveys",
    "climate",
    "coats",
    "treatments",
    "policies",
    "calibrations",
    "forecasts",
    "due",
    "statistics",
    "hindcasts",
    "events",
    "attachments",
    "reports",
    "dossier",
    "calculators",
    "imports",
    "batches",
    "pages",
];
/// What every layer may use, and they each other.
const BASE: [&str; 7] = ["error", "ids", "codes", "permissions", "clock", "config", "objects"];
/// Above everything.
const TOP: [&str; 4] = ["cli", "routes", "main", "lib"];
/// Arrows against the rule, each with its reason. May only shrink.
const ARROWS_ALLOWED: [(&str, &str, &str); 1] = [(
    "config.rs",
    "db::private",
    "settings name the private PostgreSQL by the options it takes; the database knows nothing of settings",
)];
/// Files outside db, jobs and the stores that name diesel. May only shrink.
const DIESEL_ALLOWED: [(&str, &str); 2] = [
    ("ids.rs", "ids are bound to statements and read from rows"),
    ("http/creation.rs", "a creation is reserved in the creating transaction"),
];
/// Files that are longer than the rest. May only shrink.
const LONG_ALLOWED: [(&str, &str); 1] = [("db/schema.rs", "generated")];
const LONGEST: usize = 450;
const NAMES_REFUSED: [&str; 5] = ["util", "helper", "manager", "common", "data"];
const REFUSED_IN_SCIENCE: [&str; 9] = [
    "actix_web",
    "diesel",
    "reqwest",
    "std::fs",
    "std::env",
    "std::net",
    "std::time::Instant",
    "std::time::SystemTime",
    "std::io",
];

/// A place in the tree: a layer, or a capability with the role of the file.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Place {
    Base,
    Telemetry,
    Science,
    Db,
    Http,
    Jobs,
    Feature(usize, String),
    /// `features` itself, or a capability as a whole.
    Features(Option<usize>),
    Top,
}

/// The place of a path below `crate`.
fn place(path: &[String]) -> Option<Place> {
    let first = path.first()?.as_str();
    Some(match first {
        _ if BASE.contains(&first) => Place::Base,
        _ if TOP.contains(&first) => Place::Top,
        "telemetry" => Place::Telemetry,
        "science" => Place::Science,
        "db" => Place::Db,
        // A macro of http/paging.rs, which stands at the root as macros do.
        "http" | "list_query" => Place::Http,
        "jobs" => Place::Jobs,
        "features" => {
            let Some(name) = path.get(1) else { return Some(Place::Features(None)) };
            let number = CAPABILITIES.iter().position(|known| known == name)?;
            match path.get(2) {
                None => Place::Features(Some(number)),
                Some(role) => Place::Feature(number, role.clone()),
            }
        }
        _ => return None,
    })
}

/// Whether a file at `from` may use `to`.
fn allowed(from: &Place, to: &Place, path: &[String]) -> bool {
    match (from, to) {
        (Place::Base, Place::Science) => path.get(1).is_some_and(|module| module == "refusal"),
        (Place::Science, to) => *to == Place::Science,
        (Place::Top, _)
        | (_, Place::Base)
        | (Place::Db | Place::Http | Place::Jobs, Place::Db)
        | (Place::Http, Place::Http)
        | (Place::Jobs, Place::Jobs)
        | (Place::Features(_), Place::Features(_))
        | (Place::Feature(_, _), Place::Science) => true,
        (Place::Feature(own, role), to) => allowed_to_capability(*own, role, to),
        _ => false,
    }
}

/// Whether a file of a capability, of this role in it, may use `to`.
fn allowed_to_capability(own: usize, role: &str, to: &Place) -> bool {
    let (model, store) = (role == "model", role == "store");
    match to {
        Place::Db => !model,
        Place::Http | Place::Jobs => !model && !store,
        Place::Feature(other, used) => {
            let right = (!model && !store) || used == "model" || (store && used == "store");
            *other <= own && right
        }
        // Of a whole capability the paths that begin with its name are looked at.
        Place::Features(Some(other)) => *other < own,
        _ => false,
    }
}

/// The module of a file: `features/due/api/list.rs` is `features::due::api::list`.
fn module(file: &str) -> Vec<String> {
    let path = file.trim_end_matches(".rs").trim_end_matches("/mod");
    path.split('/').map(str::to_owned).collect()
}

/// The source without its tests, whose `super` is the file itself.
fn without_tests(source: &str) -> String {
    let Some((before, tests)) = source.split_once("#[cfg(test)]\nmod tests {") else {
        return source.to_owned();
    };
    let after = tests.split_once("\n}\n").map_or("", |(_, after)| after);
    format!("{before}{after}")
}

/// What is against the rule in one file, as `file -> path`.
fn refused(file: &str, source: &str) -> Vec<(String, String)> {
    let module = module(file);
    let Some(mut from) = place(&module) else {
        return vec![(file.to_owned(), "a place that no rule knows".to_owned())];
    };
    if let Place::Features(Some(number)) = from {
        // The page about a capability registers all of it.
        from = Place::Feature(number, "mod".to_owned());
    }
    let read = paths(&without_tests(source));
    let mut absolute: Vec<Vec<String>> = read.iter().filter_map(|path| below_crate(&module, path)).collect();
    // `use crate::features::sites;` and then `sites::store::hold(...)`.
    let whole: Vec<Vec<String>> =
        absolute.iter().filter(|path| path.len() == 2 && path[0] == "features").cloned().collect();
    for path in &read {
        if let Some(known) = whole.iter().find(|known| known[1] == path[0]) {
            absolute.push(known.iter().chain(path.iter().skip(1)).cloned().collect());
        }
    }
    absolute
        .iter()
        .filter(|path| !path.is_empty())
        .filter(|path| place(path).is_none_or(|to| !allowed(&from, &to, path)))
        .map(|path| (file.to_owned(), path.join("::")))
        .collect::<BTreeSet<_>>()
        .into_iter()
        .collect()
}

/// A path of the package, from its root; none for a path of another package.
fn below_crate(module: &[String], path: &[String]) -> Option<Vec<String>> {
    match path[0].as_str() {
        "crate" => Some(path[1..].to_vec()),
        "super" => {
            let up = path.iter().take_while(|segment| *segment == "super").count();
            let kept = module.len().checked_sub(up)?;
            Some(module[..kept].iter().chain(&path[up..]).cloned().collect())
        }
        _ => None,
    }
}

/// What science must not name, in one file.
fn impure(file: &str, source: &str) -> Vec<String> {
    let read = paths(source);
    REFUSED_IN_SCIENCE
        .iter()
        .filter(|refused| {
            let refused: Vec<String> = refused.split("::").map(str::to_owned).collect();
            read.iter().any(|path| path.starts_with(&refused))
        })
        .map(|refused| format!("{file} names {refused}"))
        .collect()
}

fn may_name_diesel(file: &str) -> bool {
    let module = module(file);
    matches!(place(&module), Some(Place::Db | Place::Jobs))
        || matches!(place(&module), Some(Place::Feature(_, role)) if role == "store")
}

/// Every source of the package, by its path below `src`.
pub fn sources() -> Vec<(String, String)> {
    fn add(folder: &Path, root: &Path, found: &mut Vec<(String, String)>) {
        let entries = std::fs::read_dir(folder).expect("the sources are there");
        let mut paths: Vec<PathBuf> = entries.map(|entry| entry.expect("a readable entry").path()).collect();
        paths.sort();
        for path in paths {
            if path.is_dir() {
                add(&path, root, found);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                let name = path.strip_prefix(root).expect("below the root").to_string_lossy().into_owned();
                found.push((name, std::fs::read_to_string(&path).expect("a readable source")));
            }
        }
    }
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut found = Vec::new();
    add(&root, &root, &mut found);
    assert!(found.len() > 100, "{} sources", found.len());
    found
}

#[test]
fn no_module_uses_one_above_it() {
    let found: Vec<(String, String)> =
        sources().iter().flat_map(|(file, source)| refused(file, source)).collect();
    let excused = |(file, path): &&(String, String)| {
        ARROWS_ALLOWED.iter().any(|(from, to, _)| file == from && path.starts_with(to))
    };
    let rest: Vec<_> = found.iter().filter(|arrow| !excused(arrow)).collect();
    assert!(rest.is_empty(), "arrows that the architecture does not allow: {rest:#?}");
    for (from, to, _) in ARROWS_ALLOWED {
        let needed = found.iter().any(|(file, path)| file == from && path.starts_with(to));
        assert!(needed, "{from} no longer uses {to}: take it off the list");
    }
}

#[test]
fn science_is_pure() {
    let science = sources().into_iter().filter(|(file, _)| file.starts_with("science/"));
    let found: Vec<String> = science.flat_map(|(file, source)| impure(&file, &source)).collect();
    assert!(found.is_empty(), "{found:#?}");
}

#[test]
fn statements_stand_in_the_stores() {
    let named: Vec<String> = sources()
        .into_iter()
        .filter(|(file, source)| !may_name_diesel(file) && has_word_beginning(source, "diesel"))
        .map(|(file, _)| file)
        .collect();
    let allowed: Vec<&str> = DIESEL_ALLOWED.iter().map(|(file, _)| *file).collect();
    let rest: Vec<_> = named.iter().filter(|file| !allowed.contains(&file.as_str())).collect();
    assert!(rest.is_empty(), "diesel belongs into db, jobs and the stores: {rest:#?}");
    for file in allowed {
        assert!(named.iter().any(|name| name == file), "{file} no longer names diesel: take it off the list");
    }
}

#[test]
fn no_file_or_module_hides_behind_a_vague_name() {
    let found: Vec<String> = sources().iter().flat_map(|(file, source)| vague_names(file, source)).collect();
    assert!(found.is_empty(), "{found:#?}");
}

/// The vague ones among the names of a file and of the modules it declares.
fn vague_names(file: &str, source: &str) -> Vec<String> {
    let mut names = module(file);
    names.extend(modules(source));
    names.into_iter().filter(|name| name.split('_').any(is_vague)).collect()
}

fn is_vague(word: &str) -> bool {
    NAMES_REFUSED.iter().any(|refused| word == *refused || word.strip_suffix('s') == Some(*refused))
}

#[test]
fn no_file_is_too_long() {
    let long: Vec<String> = sources()
        .into_iter()
        .filter(|(_, source)| source.lines().count() > LONGEST)
        .map(|(file, _)| file)
        .collect();
    let allowed: Vec<&str> = LONG_ALLOWED.iter().map(|(file, _)| *file).collect();
    let rest: Vec<_> = long.iter().filter(|file| !allowed.contains(&file.as_str())).collect();
    assert!(rest.is_empty(), "over {LONGEST} lines, split them by verb: {rest:#?}");
    for file in allowed {
        assert!(long.iter().any(|name| name == file), "{file} is short now: take it off the list");
    }
}

#[test]
fn the_wall_refuses_planted_arrows() {
    let planted = [
        ("science/slab/modes.rs", "use crate::error::Error;"),
        ("science/skin.rs", "fn f() { crate::db::Tx::now(); }"),
        ("db/pool.rs", "use crate::http::App;"),
        ("db/pool.rs", "use crate::features::sites::model::SiteFields;"),
        ("http/state.rs", "use crate::jobs::queue;"),
        ("http/state.rs", "use crate::{clock, features::audit};"),
        ("jobs/runner.rs", "use crate::features::forecasts;"),
        ("jobs/runner.rs", "use super::super::http::App;"),
        ("error.rs", "use crate::science::skin;"),
        ("error.rs", "use crate::http::problem;"),
        ("clock.rs", "use crate::db::Tx;"),
        ("features/sites/model.rs", "use crate::db::Tx;"),
        ("features/sites/model.rs", "use super::store::Site;"),
        ("features/sites/model.rs", "use crate::features::vessels::model::Zone;"),
        ("features/vessels/model/hull_id.rs", "use crate::http::body::New;"),
        ("features/vessels/model/hull_id.rs", "use super::super::api::VesselView;"),
        ("features/vessels/store.rs", "use crate::http::App;"),
        ("features/vessels/store.rs", "use crate::jobs::queue;"),
        ("features/vessels/store.rs", "use super::api::VesselView;"),
        ("features/vessels/store.rs", "use crate::features::sites::api::SiteView;"),
        ("features/vessels/store.rs", "use crate::features::sites;\nfn f() { sites::api::read(); }"),
        ("features/vessels/store.rs", "use crate::features::coats::store;"),
        ("features/audit/api.rs", "use crate::features::accounts;"),
        ("features/due/api/list.rs", "use crate::features::{audit, imports::model::kinds};"),
        ("features/due/api/list.rs", "use crate::cli::due;"),
        ("features/coats/mod.rs", "use crate::routes;"),
        ("features/sites/model.rs", "#[cfg(test)]\nmod tests {\n use super::*;\n}\nuse crate::db::Tx;"),
        ("features/gloss/model.rs", "use crate::error::Error;"),
    ];
    for (file, source) in planted {
        assert_eq!(refused(file, source).len(), 1, "{file}: {source}");
    }
    let good = [
        ("science/slab/modes.rs", "use crate::science::skin; use super::profile::Profile;"),
        ("error.rs", "use crate::science::refusal::Refusals;"),
        ("features/vessels/store.rs", "use crate::features::sites;\nfn f() { sites::store::hold(); }"),
        ("features/vessels/store.rs", "use super::model::VesselFields; use crate::db::Tx;"),
        (
            "features/due/api/list.rs",
            "use crate::features::{audit, forecasts::store}; use crate::jobs::queue;",
        ),
        ("features/sites/model.rs", "use crate::error::Error;\n#[cfg(test)]\nmod tests {\n use super::*;\n}"),
        ("cli/serve.rs", "use crate::features::forecasts; use crate::db::Db;"),
        ("db/pool.rs", "// use crate::http::App;\nconst A: &str = \"crate::http\";"),
    ];
    for (file, source) in good {
        assert_eq!(refused(file, source), [], "{file}: {source}");
    }
}

#[test]
fn the_other_walls_refuse_what_is_planted() {
    assert_eq!(impure("science/a.rs", "use std::{fs, time::{Duration, Instant}};").len(), 2);
    assert_eq!(impure("science/a.rs", "fn f() { std::env::args(); }").len(), 1);
    assert_eq!(impure("science/a.rs", "use std::time::Duration; // std::fs"), [""; 0]);
    assert!(has_word_beginning("use diesel_migrations::embed;", "diesel"));
    assert!(!has_word_beginning("// diesel\nconst A: &str = \"diesel\";", "diesel"));
    assert!(may_name_diesel("features/sites/store.rs") && may_name_diesel("features/due/store/rows.rs"));
    assert!(!may_name_diesel("features/sites/api.rs") && !may_name_diesel("features/sites/model.rs"));
    for file in ["db/utils.rs", "common/mod.rs", "features/due/date_helpers.rs", "data.rs", "pool_manager.rs"]
    {
        assert_eq!(vague_names(file, "").len(), 1, "{file}");
    }
    assert_eq!(vague_names("db/pool.rs", "pub(super) mod row_data { }"), ["row_data"]);
    assert_eq!(vague_names("db/pool.rs", "mod helpers;"), ["helpers"]);
    assert_eq!(vague_names("db/database.rs", "// mod util;\nmod metadata;"), [""; 0]);
}

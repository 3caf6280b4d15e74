//! The figures that `cargo run --release --example calibration` wrote into docs/calibration.md, against the limits that the
//! project set itself before they were known: they stand in `LIMITS` of the example, which fails where one is missed.

use std::path::Path;

use garboard::science::forecast::MODEL;

fn document() -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/calibration.md");
    std::fs::read_to_string(path).expect("the figures are part of the project")
}

/// The rows of the table below a heading, cell by cell.
fn table(document: &str, heading: &str) -> Vec<Vec<String>> {
    let (_, section) = document.split_once(heading).expect("the section");
    let rows = section.lines().skip_while(|line| !line.starts_with("|---")).skip(1);
    rows.take_while(|line| line.starts_with('|'))
        .map(|line| line.trim_matches('|').split('|').map(|cell| cell.trim().to_owned()).collect())
        .collect()
}

fn percent(cell: &str) -> f64 {
    cell.trim_end_matches(" %").parse().expect("a percentage")
}

fn number(cell: &str) -> f64 {
    cell.parse().expect("a number")
}

#[test]
fn the_figures_name_their_command_their_seed_and_the_model_of_today() {
    let text = document();
    assert!(text.contains(&format!(
        "Written by `cargo run --release --example calibration 20261125`; the seed is 20261125, the model {MODEL}."
    )));
    assert!(text.contains("Dates set by the calendar are left out"), "they would flatter the figures");
}

#[test]
fn five_thousand_hulls_lie_within_their_ranges() {
    let text = document();
    assert!(text.contains("5000 hulls"));
    let rows = table(&text, "## From the priors");
    let of = |members: &str| rows.iter().find(|row| row[0] == members).expect("the row");
    let finest = of("1024");
    assert!((percent(&finest[2]) - 80.0).abs() <= 2.0, "{finest:?}");
    assert!(number(&finest[3]) > 0.01, "{finest:?}");
    let tenths: f64 = finest[4].trim_matches(['[', ']']).split(", ").map(number).sum();
    assert!((tenths - number(&finest[1])).abs() < 0.5 && tenths > 2500.0, "{finest:?}");
    assert_eq!(of("64").len(), finest.len(), "what fewer members give stands beside it");
    let lost = table(&text, "## What 64 members lose against 1,024");
    assert_eq!(lost.iter().map(|row| row[0].as_str()).collect::<Vec<_>>(), ["p10", "p50", "p90"]);
}

#[test]
fn the_scale_of_fifty_fleets_is_hardly_biased() {
    let text = document();
    assert!(text.contains("50 fleets of 500 isophthalic hulls"));
    let rows = table(&text, "## The class scale of a fleet");
    assert_eq!(rows.len(), 2);
    for row in rows {
        assert!(percent(&row[1]).abs() <= 5.0, "{row:?}");
        assert!(percent(&row[2]) < 2.5, "the bias is known well enough to say so: {row:?}");
    }
}

#[test]
fn a_prior_wrong_by_two_is_learned_away_by_three_hundred_hulls() {
    let text = document();
    assert!(text.contains("learning from 300 hulls"));
    let rows = table(&text, "## A prior that is wrong by two");
    assert_eq!(rows.iter().map(|row| row[0].as_str()).collect::<Vec<_>>(), ["2", "2", "0.5", "0.5"]);
    for row in rows {
        assert!(percent(&row[3]) > 75.0, "{row:?}");
    }
}

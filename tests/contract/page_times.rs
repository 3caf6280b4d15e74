//! How long the server takes for each page with 2,000 vessels: `cargo test --release --test contract page_times -- --ignored
//! --nocapture`.
//!
//! Limit: 50 ms (on two cores, the database on the same machine). Medians of twenty-five after one that warms up, from the
//! request to the last byte over loopback, one request at a time. What was measured last stands in docs/speed.md.

use std::time::Instant;

use super::copies;
use crate::support::app::TestApp;
use crate::support::visitor::Visitor;

const LIMIT_MS: f64 = 50.0;
const RUNS: usize = 25;

#[test]
#[ignore = "a measurement, for a machine at rest and an optimised build"]
fn what_the_server_takes_for_each_page() {
    let app = TestApp::start();
    let ids = copies::two_thousand(&app);
    let mut visitor = Visitor::signed_in(&app, &app.home.people["administrator"].2);
    println!("median ms   slowest of {RUNS}   bytes   page");
    let mut over = Vec::new();
    for path in copies::pages(&ids) {
        let bytes = visitor.get(&path).expect(200).text.len();
        let mut taken: Vec<f64> = (0..RUNS)
            .map(|_| {
                let begun = Instant::now();
                visitor.get(&path).expect(200);
                1000.0 * begun.elapsed().as_secs_f64()
            })
            .collect();
        taken.sort_by(f64::total_cmp);
        println!("{:>9.1}   {:>15.1}   {bytes:>6}   {path}", taken[RUNS / 2], taken[RUNS - 1]);
        if taken[RUNS / 2] > LIMIT_MS {
            over.push(path);
        }
    }
    println!("over {LIMIT_MS} ms: {over:?}");
}
